//! How a lamp loses its light over the months.

use crate::quantity::{Irradiance, Stops};
use crate::sensitometry::student_95;

const DAY_MS: f64 = 86_400_000.0;
/// Three readings fit a line and leave one to disagree.
const LEAST: usize = 3;

/// A reading of a warm lamp at its fixed place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LampReading {
    /// Milliseconds since 1970-01-01T00:00:00Z.
    pub unix_ms: i64,
    /// The reading.
    pub irradiance: Irradiance,
}

/// A lamp's ageing: a loss of so many stops a day, by a straight line through
/// the logs of its readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ageing {
    /// Lost from the first reading to the last, by the line; below zero, the
    /// lamp has become brighter.
    pub lost: Stops,
    /// Lost each day.
    pub per_day: Stops,
    /// Half the 95 % interval of the loss each day.
    pub per_day_half: Stops,
    /// The irradiance of the line at the first reading.
    pub first: Irradiance,
    /// When the first reading was, in milliseconds since 1970.
    pub first_ms: i64,
}

/// Why there is no ageing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum AgeingError {
    /// Too few.
    #[error("ageing needs at least {LEAST} readings of the warm lamp at its fixed place, not {0}")]
    TooFew(usize),
    /// All on one day.
    #[error("the readings are all of one day; take another in a month")]
    OneDay,
    /// A reading without light.
    #[error("reading {0} has no light; leave it out")]
    NoLight(usize),
}

impl Ageing {
    /// When so much will be lost since the first reading, in milliseconds since
    /// 1970; `None` when the loss cannot be told from none, or within a
    /// hundred years.
    #[must_use]
    pub fn when(&self, lost: Stops) -> Option<i64> {
        let days = lost.value() / self.per_day.value();
        let is_sure = self.per_day.value() > self.per_day_half.value();
        (is_sure && (0.0..36_525.0).contains(&days)).then(|| self.first_ms + (days * DAY_MS) as i64)
    }

    /// The irradiance of the line at a time in milliseconds since 1970.
    #[must_use]
    pub fn at(&self, unix_ms: i64) -> Irradiance {
        self.first * (-self.per_day.value() * (unix_ms - self.first_ms) as f64 / DAY_MS).exp2()
    }
}

/// From readings in order of time.
///
/// # Errors
/// [`AgeingError`] with fewer than three, none a day or more apart, or one
/// without light.
pub fn ageing(readings: &[LampReading]) -> Result<Ageing, AgeingError> {
    if readings.len() < LEAST {
        return Err(AgeingError::TooFew(readings.len()));
    }
    let is_lit = |r: &LampReading| r.irradiance > Irradiance::ZERO && r.irradiance.w_m2().is_finite();
    if let Some(bad) = readings.iter().position(|r| !is_lit(r)) {
        return Err(AgeingError::NoLight(bad + 1));
    }
    let first_ms = readings[0].unix_ms;
    let days = |r: &LampReading| (r.unix_ms - first_ms) as f64 / DAY_MS;
    let last_day = days(&readings[readings.len() - 1]);
    if last_day < 1.0 {
        return Err(AgeingError::OneDay);
    }
    let n = readings.len() as f64;
    let points = || readings.iter().map(|r| (days(r), r.irradiance.w_m2().log2()));
    let (mean_x, mean_y) = points().fold((0.0, 0.0), |(x, y), p| (x + p.0 / n, y + p.1 / n));
    let spread: f64 = points().map(|p| (p.0 - mean_x).powi(2)).sum();
    let slope = points().map(|p| (p.0 - mean_x) * (p.1 - mean_y)).sum::<f64>() / spread;
    let squares: f64 = points().map(|p| (p.1 - mean_y - slope * (p.0 - mean_x)).powi(2)).sum();
    let degrees = readings.len() - 2;
    let half = student_95(degrees) * (squares / degrees as f64 / spread).sqrt();
    Ok(Ageing {
        lost: Stops::new(-slope * last_day),
        per_day: Stops::new(-slope),
        per_day_half: Stops::new(half),
        first: Irradiance::from_w_m2((mean_y - slope * mean_x).exp2()),
        first_ms,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A reading each so many days of a lamp that loses a stop in a thousand.
    fn months(step_days: i64, noise: f64) -> Vec<LampReading> {
        (0..7)
            .map(|i| {
                let days = i * step_days;
                let wobble = if i % 2 == 0 { noise } else { -noise };
                let irradiance = Irradiance::from_w_m2(25.0 * (wobble - days as f64 / 1000.0).exp2());
                LampReading { unix_ms: 1_780_000_000_000 + days * 86_400_000, irradiance }
            })
            .collect()
    }

    #[test]
    fn an_even_loss_is_found_and_told_ahead() {
        let found = ageing(&months(30, 0.0)).unwrap();
        assert!((found.lost.value() - 0.18).abs() < 1e-9 && (found.first.w_m2() - 25.0).abs() < 1e-9);
        let day = (found.when(Stops::new(0.5)).unwrap() - found.first_ms) as f64 / DAY_MS;
        assert!((day - 500.0).abs() < 1e-3, "{day}");
        assert!((found.at(found.first_ms + 86_400_000_000).w_m2() - 12.5).abs() < 1e-9);
    }

    #[test]
    fn a_loss_that_readings_hide_is_not_told_ahead() {
        let found = ageing(&months(1, 0.1)).unwrap();
        assert!(found.per_day_half > found.per_day);
        assert_eq!(found.when(Stops::new(0.5)), None);
    }

    #[test]
    fn what_tells_nothing_is_refused() {
        assert_eq!(ageing(&months(30, 0.0)[..2]), Err(AgeingError::TooFew(2)));
        assert_eq!(ageing(&months(0, 0.0)), Err(AgeingError::OneDay));
        let mut dark = months(30, 0.0);
        dark[2].irradiance = Irradiance::ZERO;
        assert_eq!(ageing(&dark), Err(AgeingError::NoLight(3)));
    }
}
