//! How long a lamp takes to be steady, and what a cold start costs.

use crate::quantity::{Dose, Irradiance, Mono};

/// Warm is a lamp that stays within this share of its steady light.
pub const STEADY_WITHIN: f64 = 0.02;
/// The light at the end is the mean of this last share of the time.
const END: f64 = 0.2;
/// Fewer readings tell nothing.
const LEAST: usize = 10;

/// A lamp's warm-up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WarmUp {
    /// Its steady irradiance.
    pub steady: Irradiance,
    /// Seconds from the start until it stays within [`STEADY_WITHIN`] of it.
    pub seconds: f64,
    /// What a print that begins with the cold lamp lacks against a warm one
    /// after the same time; below zero for a lamp that begins too bright.
    pub lacks: Dose,
}

impl WarmUp {
    /// What it lacks as seconds of steady light.
    #[must_use]
    pub fn lacks_seconds(&self) -> f64 {
        self.lacks.j_m2() / self.steady.w_m2()
    }
}

/// Why there is no warm-up.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum WarmUpError {
    /// Too few readings.
    #[error("a warm-up needs at least {LEAST} readings from a cold start, not {0}")]
    TooFew(usize),
    /// Not steady yet.
    #[error(
        "the lamp still changes by {:.1} % over the last fifth of the readings; go on until it is steady",
        100.0 * .change
    )]
    NotSteady {
        /// From the beginning of the last fifth to its end, over the mean.
        change: f64,
    },
    /// Steady as it looks, and not warm.
    #[error(
        "the lamp is not warm yet at the end of the readings: by its course {:.1} % are still to come; leave it on longer",
        100.0 * .to_come
    )]
    NotWarm {
        /// Of the light at the end.
        to_come: f64,
    },
    /// No light at the end.
    #[error("the lamp gives no light at the end of the readings; leave it on until it is steady")]
    Dark,
}

/// From readings in order of time, the first of them as the lamp is switched on.
///
/// # Errors
/// [`WarmUpError`] when there are too few or the lamp is not steady at the end.
pub fn warm_up(readings: &[(Mono, Irradiance)]) -> Result<WarmUp, WarmUpError> {
    let (Some(first), Some(last)) = (readings.first(), readings.last()) else {
        return Err(WarmUpError::TooFew(0));
    };
    if readings.len() < LEAST {
        return Err(WarmUpError::TooFew(readings.len()));
    }
    let end_from = first.0.plus_seconds((1.0 - END) * last.0.seconds_since(first.0));
    let end = &readings[readings.partition_point(|&(at, _)| at < end_from)..];
    let steady = mean(end);
    if steady <= 0.0 {
        return Err(WarmUpError::Dark);
    }
    let halves = end.split_at(end.len() / 2);
    // The means of two halves lie half of the whole change apart.
    let change = if halves.0.is_empty() { 0.0 } else { 2.0 * (mean(halves.1) - mean(halves.0)) / steady };
    let noise = noise(readings) / steady;
    // Three standard errors of that difference.
    let by_noise = 12.0 * noise / (end.len() as f64).sqrt();
    if change.abs() > STEADY_WITHIN + by_noise {
        return Err(WarmUpError::NotSteady { change });
    }
    let [to_come, beyond_the_mean] = course(readings, noise);
    if to_come.abs() > STEADY_WITHIN {
        return Err(WarmUpError::NotWarm { to_come });
    }
    let steady = steady * (1.0 + beyond_the_mean);
    let is_off = |e: f64| (e / steady - 1.0).abs() > STEADY_WITHIN;
    let medians = running_medians(readings, noise);
    let warm = medians.iter().rposition(|&e| is_off(e)).map_or(0, |off| off + 1);
    let seconds = readings.get(warm).map_or(last.0, |&(at, _)| at).seconds_since(first.0);
    let lacks: f64 = readings[..=warm.min(readings.len() - 1)]
        .windows(2)
        .map(|pair| {
            let mean = f64::midpoint(pair[0].1.w_m2(), pair[1].1.w_m2());
            (steady - mean) * pair[1].0.seconds_since(pair[0].0)
        })
        .sum();
    Ok(WarmUp { steady: Irradiance::from_w_m2(steady), seconds, lacks: Dose::from_j_m2(lacks) })
}

/// Standard deviation of a reading about its neighbours, by the median so that jumps do not count.
fn noise(readings: &[(Mono, Irradiance)]) -> f64 {
    /// Of normal errors the median of a difference is this times their deviation.
    const OF_DIFFERENCE: f64 = 0.6745 * std::f64::consts::SQRT_2;
    let apart = readings.windows(2).map(|pair| (pair[1].1.w_m2() - pair[0].1.w_m2()).abs());
    median(apart.collect()) / OF_DIFFERENCE
}

/// What the light will still change by if it goes on as it went in the last three fifths, each
/// of which leaves the same share of what was left: from the end on, and from the middle of the
/// last fifth on, as shares of the light. Zero where it went no way beyond noise.
fn course(readings: &[(Mono, Irradiance)], noise: f64) -> [f64; 2] {
    /// A course that leaves more has no end that could be foreseen.
    const MOST_LEFT: f64 = 0.9;
    /// Standard errors that are no noise.
    const BEYOND_NOISE: f64 = 3.0;
    let (first, last) = (readings[0].0, readings[readings.len() - 1].0);
    let length = last.seconds_since(first);
    let from = |fifths: f64| {
        readings.partition_point(|&(at, _)| at < first.plus_seconds((1.0 - END * fifths) * length))
    };
    let fifths = [&readings[from(3.0)..from(2.0)], &readings[from(2.0)..from(1.0)], &readings[from(1.0)..]];
    if fifths.iter().any(|fifth| fifth.is_empty()) {
        return [0.0; 2];
    }
    let [before, between, end] = fifths.map(mean);
    let went = [(between - before) / end, (end - between) / end];
    let error = noise * (2.0 / fifths[2].len() as f64).sqrt();
    let left = went[1] / went[0];
    if went[1].abs() <= BEYOND_NOISE * error || !(0.0..MOST_LEFT).contains(&left) {
        return [0.0; 2];
    }
    let from_the_middle = went[1] * left / (1.0 - left);
    [from_the_middle * left.sqrt(), from_the_middle]
}

/// Each reading as the median of those about it, of so many that their noise is far within
/// [`STEADY_WITHIN`].
fn running_medians(readings: &[(Mono, Irradiance)], noise: f64) -> Vec<f64> {
    /// How many standard errors of a median the limit is away.
    const AWAY: f64 = 5.0;
    /// The standard error of a median, in that of a mean.
    const OF_MEDIAN: f64 = 1.2533;
    let wanted = (OF_MEDIAN * noise * AWAY / STEADY_WITHIN).powi(2);
    let each_side = (0.5 * wanted).ceil().min(readings.len() as f64 / 8.0) as usize;
    let about = |i: usize| {
        // As many after as before, so that a slope moves nothing; at the end there is none.
        let before = each_side.min(i);
        let after = before.min(readings.len() - 1 - i);
        median(readings[i - before..=i + after].iter().map(|(_, e)| e.w_m2()).collect())
    };
    (0..readings.len()).map(about).collect()
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn mean(readings: &[(Mono, Irradiance)]) -> f64 {
    readings.iter().map(|(_, e)| e.w_m2()).sum::<f64>() / readings.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sensitometry::splitmix::SplitMix64;

    /// A lamp of 30 W/m² that lacks 40 % when cold and warms with a time constant.
    fn lamp(tau_s: f64, until_s: u32) -> Vec<(Mono, Irradiance)> {
        (0..=until_s)
            .map(f64::from)
            .map(|t| (Mono::from_seconds(t), Irradiance::from_w_m2(30.0 * (1.0 - 0.4 * (-t / tau_s).exp()))))
            .collect()
    }

    #[test]
    fn an_exponential_warm_up_is_told_as_reckoned_by_hand() {
        let found = warm_up(&lamp(60.0, 900)).unwrap();
        assert!((found.steady.w_m2() - 30.0).abs() < 0.001, "{found:?}");
        // 0.4 exp(-t / 60) = 0.02 at t = 60 ln 20 = 179.7 s.
        assert!((found.seconds - 180.0).abs() <= 1.0, "{found:?}");
        // 30 x 0.4 x 60 x (1 - exp(-180 / 60)) = 684.2 J/m².
        assert!((found.lacks.j_m2() - 684.2).abs() < 1.0, "{found:?}");
        assert!((found.lacks_seconds() - 22.8).abs() < 0.1);
    }

    #[test]
    fn noise_of_the_sensor_does_not_lengthen_the_warm_up() {
        // One reading a second, and one in ten, with a noise of 1 %: it was 875 s for 180.
        for (every, within) in [(1, 25.0), (10, 60.0)] {
            for seed in 0..20 {
                let mut random = SplitMix64::new(seed);
                let mut noisy = |(at, e): (Mono, Irradiance)| (at, e * (1.0 + random.normal(0.01)));
                let readings: Vec<_> = lamp(60.0, 900).into_iter().step_by(every).map(&mut noisy).collect();
                let found = warm_up(&readings).unwrap();
                assert!((found.seconds - 180.0).abs() < within, "{every} {seed}: {found:?}");
            }
        }
    }

    #[test]
    fn a_lamp_that_is_not_warm_at_the_end_is_said_to_be_so() {
        // The last fifth changes by less than 2 %, and 2 % are still to come.
        let Err(WarmUpError::NotWarm { to_come }) = warm_up(&lamp(310.0, 900)) else {
            panic!("{:?}", warm_up(&lamp(310.0, 900)));
        };
        assert!((to_come - 0.4 * (-900.0_f64 / 310.0).exp()).abs() < 0.005, "{to_come}");
        assert!(warm_up(&lamp(200.0, 900)).is_ok());
    }

    #[test]
    fn a_lamp_that_dims_as_it_warms_begins_with_too_much() {
        let dims: Vec<_> =
            lamp(60.0, 900).into_iter().map(|(at, e)| (at, Irradiance::from_w_m2(60.0 - e.w_m2()))).collect();
        let found = warm_up(&dims).unwrap();
        assert!((found.lacks.j_m2() + 684.2).abs() < 1.0, "{found:?}");
    }

    #[test]
    fn a_warm_lamp_costs_nothing() {
        let found = warm_up(&lamp(0.001, 100)[1..]).unwrap();
        assert_eq!((found.seconds, found.lacks.j_m2().abs() < 1e-9), (0.0, true));
    }

    #[test]
    fn what_tells_nothing_is_refused() {
        assert_eq!(warm_up(&lamp(60.0, 5)), Err(WarmUpError::TooFew(6)));
        assert!(
            matches!(warm_up(&lamp(300.0, 300)), Err(WarmUpError::NotSteady { change }) if change > 0.02)
        );
        let dark: Vec<_> = lamp(60.0, 20).iter().map(|&(at, _)| (at, Irradiance::ZERO)).collect();
        assert_eq!(warm_up(&dark), Err(WarmUpError::Dark));
    }
}
