//! The last hour of a sensor's light, minute by minute.

use std::collections::VecDeque;

use crate::quantity::Mono;

/// How far back it goes, in minutes.
const MINUTES: i64 = 60;
/// Less than this many minutes say nothing of how the light varies.
const LEAST_MINUTES: i64 = 10;
/// Deep dips count as this share of the mean: a logarithm of nothing is nothing.
const LEAST_SHARE: f64 = 0.02;

/// Means of the last sixty minutes of a level above or at zero: a share of the
/// clear sky, or an irradiance where that is not known.
#[derive(Debug, Clone, Default)]
pub struct LastHour {
    minutes: VecDeque<(i64, f64)>,
    /// The minute that is not over: its number, the sum and the count.
    open: Option<(i64, f64, u32)>,
    mean: Option<f64>,
    spread: Option<f64>,
}

impl LastHour {
    /// Takes a level in, in order of time. Returns whether a minute is over.
    pub fn take(&mut self, at: Mono, level: f64) -> bool {
        let minute = at.nanos().div_euclid(60_000_000_000);
        match &mut self.open {
            Some((open, sum, count)) if *open == minute => {
                *sum += level;
                *count += 1;
                false
            }
            open => {
                let over = open.replace((minute, level, 1));
                self.minutes.extend(over.map(|(minute, sum, count)| (minute, sum / f64::from(count))));
                while self.minutes.front().is_some_and(|&(m, _)| m < minute - MINUTES) {
                    self.minutes.pop_front();
                }
                self.measure();
                over.is_some()
            }
        }
    }

    /// Forgets everything: the level means something else from now on.
    pub fn forget(&mut self) {
        *self = Self::default();
    }

    /// The mean of the minutes that are over.
    #[must_use]
    pub const fn mean(&self) -> Option<f64> {
        self.mean
    }

    /// The standard deviation of the natural logarithm of the minutes; `None`
    /// before ten minutes have been seen.
    #[must_use]
    pub const fn spread(&self) -> Option<f64> {
        self.spread
    }

    /// The brightest minute.
    #[must_use]
    pub fn brightest(&self) -> Option<f64> {
        self.minutes.iter().map(|&(_, level)| level).reduce(f64::max)
    }

    fn measure(&mut self) {
        let n = self.minutes.len() as f64;
        let levels = || self.minutes.iter().map(|&(_, level)| level);
        let mean = levels().sum::<f64>() / n;
        self.mean = (mean > 0.0).then_some(mean);
        let seen = self.minutes.front().zip(self.minutes.back()).map_or(0, |(a, b)| b.0 - a.0 + 1);
        let logs = || levels().map(|level| level.max(LEAST_SHARE * mean).ln());
        self.spread = self.mean.filter(|_| seen >= LEAST_MINUTES).map(|_| {
            let middle = logs().sum::<f64>() / n;
            (logs().map(|log| (log - middle).powi(2)).sum::<f64>() / n).sqrt()
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: f64) -> Mono {
        Mono::from_seconds(seconds)
    }

    #[test]
    fn minutes_are_means_and_an_hour_is_kept() {
        let mut hour = LastHour::default();
        for second in 0..7200u32 {
            // The first hour is brighter, and has to be forgotten.
            let level = if second < 3540 { 9.0 } else { f64::from(1 + second / 60 % 2) };
            assert_eq!(hour.take(at(f64::from(second)), level), second > 0 && second % 60 == 0);
        }
        assert_eq!(hour.mean(), Some(1.5));
        assert_eq!(hour.brightest(), Some(2.0));
        // Half the minutes are twice the others: half of ln 2 from the middle.
        assert!((hour.spread().unwrap() - 0.5 * 2f64.ln()).abs() < 1e-12);
    }

    #[test]
    fn a_few_minutes_and_the_dark_have_no_spread() {
        let mut hour = LastHour::default();
        for minute in 0..10 {
            hour.take(at(60.0 * f64::from(minute)), 5.0);
        }
        assert_eq!((hour.mean(), hour.spread()), (Some(5.0), None));
        hour.take(at(600.0), 5.0);
        assert!(hour.spread().unwrap() < 1e-12);
        hour.forget();
        for minute in 0..20 {
            hour.take(at(60.0 * f64::from(minute)), 0.0);
        }
        assert_eq!((hour.mean(), hour.spread()), (None, None));
    }
}
