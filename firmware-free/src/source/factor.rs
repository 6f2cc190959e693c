//! What a reading under one source is worth under another, from prints: the
//! honest way.

use crate::quantity::{Dose, Stops};
use crate::sensitometry::{CharacteristicCurve, student_95};

/// Two prints judged to be equal are so to about a tenth of a stop each [common
/// practice]: standard error of the log to base 2 of their doses' ratio.
const JUDGED_STOPS: f64 = 0.14;
/// How many pairs that experience is worth, beside those that are given.
const WORTH_PAIRS: usize = 4;
/// A shift of curves is settled when it moves by less, in log H.
const SETTLED: f64 = 1e-9;
/// Steps until a shift is settled; it takes five or six.
const MOST_STEPS: usize = 100;
/// Fewer steps of a wedge in common say nothing.
const LEAST_STEPS: usize = 5;

/// A factor between two sources with its 95 % interval. A target under the
/// first, divided by this, is the target under the second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Factor {
    /// Dose under the first over dose under the second, for equal density.
    pub factor: f64,
    /// Lower end of its interval.
    pub low: f64,
    /// Upper end of its interval.
    pub high: f64,
}

impl Factor {
    /// From a number of stops and half its interval.
    fn of_stops(stops: f64, half: f64) -> Self {
        Self { factor: stops.exp2(), low: (stops - half).exp2(), high: (stops + half).exp2() }
    }

    /// The factor in stops.
    #[must_use]
    pub fn stops(&self) -> Stops {
        Stops::new(self.factor.log2())
    }
}

/// Why there is no factor. Pairs count from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum FactorError {
    /// Nothing to go by.
    #[error("a factor needs at least one pair of prints")]
    NoPair,
    /// A print without a dose.
    #[error("pair {0} has a print without a dose above zero")]
    NoDose(usize),
    /// Curves too far apart or too short.
    #[error(
        "the two curves have fewer than {LEAST_STEPS} steps in common; print both wedges with doses closer together"
    )]
    Apart,
    /// A curve without slope.
    #[error("the two curves do not rise where they meet; print the wedges darker")]
    Flat,
}

/// From pairs of doses that gave the same density, the first of each under the
/// first source. The interval is Student's for the mean of their logs, as if
/// four pairs of the usual scatter had been seen before.
///
/// # Errors
/// [`FactorError`] without a pair, or with a dose that is not above zero.
pub fn factor_of_pairs(pairs: &[(Dose, Dose)]) -> Result<Factor, FactorError> {
    if pairs.is_empty() {
        return Err(FactorError::NoPair);
    }
    let logs: Vec<f64> = pairs.iter().map(|(a, b)| a.stops_over(*b).value()).collect();
    if let Some(bad) = logs.iter().position(|log| !log.is_finite()) {
        return Err(FactorError::NoDose(bad + 1));
    }
    let n = logs.len();
    let mean = logs.iter().sum::<f64>() / n as f64;
    let squares: f64 = logs.iter().map(|log| (log - mean).powi(2)).sum();
    let degrees = WORTH_PAIRS + n - 1;
    let variance = (WORTH_PAIRS as f64 * JUDGED_STOPS.powi(2) + squares) / degrees as f64;
    Ok(Factor::of_stops(mean, student_95(degrees) * (variance / n as f64).sqrt()))
}

/// From the characteristic curves of one wedge printed under each source: the
/// shift along log H that lays the second on the first by least squares, over
/// the steps that they have in common.
///
/// # Errors
/// [`FactorError::Apart`] or [`FactorError::Flat`].
pub fn factor_of_curves(a: &CharacteristicCurve, b: &CharacteristicCurve) -> Result<Factor, FactorError> {
    let mut shift = a.key().log_mid - b.key().log_mid;
    for _ in 0..MOST_STEPS {
        let step = Fit::new(a, b, shift)?.step();
        shift += step;
        if step.abs() < SETTLED {
            break;
        }
    }
    let fit = Fit::new(a, b, shift)?;
    let stops = crate::sensitometry::stops_of_log;
    Ok(Factor::of_stops(stops(shift).value(), stops(fit.half_interval()).value()))
}

/// How the second curve lies on the first after a shift.
struct Fit {
    count: usize,
    squares: f64,
    slopes: f64,
    product: f64,
}

impl Fit {
    fn new(a: &CharacteristicCurve, b: &CharacteristicCurve, shift: f64) -> Result<Self, FactorError> {
        let mut fit = Self { count: 0, squares: 0.0, slopes: 0.0, product: 0.0 };
        for point in b.points() {
            let at = point.log_h + shift;
            let Some(density) = a.density_at(at) else { continue };
            let (off, slope) = (point.density.value() - density.value(), a.slope_at(at));
            fit.count += 1;
            fit.squares += off * off;
            fit.slopes += slope * slope;
            fit.product += off * slope;
        }
        match fit {
            Self { count: 0..LEAST_STEPS, .. } => Err(FactorError::Apart),
            Self { slopes, .. } if slopes <= 0.0 => Err(FactorError::Flat),
            fit => Ok(fit),
        }
    }

    /// The next step of Gauss and Newton, no longer than half a decade.
    fn step(&self) -> f64 {
        (self.product / self.slopes).clamp(-0.5, 0.5)
    }

    fn half_interval(&self) -> f64 {
        let degrees = self.count - 1;
        student_95(degrees) * (self.squares / degrees as f64 / self.slopes).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::sensitometry::{Density, WedgeStep};

    fn kj(value: f64) -> Dose {
        Dose::from_j_m2(1000.0 * value)
    }

    #[test]
    fn pairs_give_the_mean_of_their_logs() {
        let one = factor_of_pairs(&[(kj(15.0), kj(22.5))]).unwrap();
        assert!((one.factor - 2.0 / 3.0).abs() < 1e-12);
        // Student's t of 4 degrees, 2.776, times 0.14 stop.
        assert!((one.high.log2() - one.low.log2() - 2.0 * 2.776 * 0.14).abs() < 1e-9);
        // Equal pairs tell more than one, and scattered ones less.
        let wide = |pairs: &[(Dose, Dose)]| {
            let factor = factor_of_pairs(pairs).unwrap();
            factor.high / factor.low
        };
        let equal = wide(&[(kj(15.0), kj(22.5)); 3]);
        assert!(equal < one.high / one.low);
        assert!(wide(&[(kj(15.0), kj(15.0)), (kj(15.0), kj(22.5)), (kj(15.0), kj(33.75))]) > equal);
    }

    #[test]
    fn what_gives_no_factor_is_told() {
        assert_eq!(factor_of_pairs(&[]), Err(FactorError::NoPair));
        assert_eq!(
            factor_of_pairs(&[(kj(1.0), kj(1.0)), (kj(1.0), Dose::ZERO)]),
            Err(FactorError::NoDose(2))
        );
    }

    /// A wedge whose curve is a logistic in log H that has its middle `shift`
    /// further right, printed with a dose in kJ/m².
    fn curve(dose: f64, shift: f64, noise: impl Fn(usize) -> f64) -> CharacteristicCurve {
        let steps: Vec<WedgeStep> = (0..21)
            .map(|i| {
                let wedge = 0.05 + 0.15 * f64::from(i);
                let log_h = dose.log10() - wedge;
                let density = 0.1 + 1.3 / (1.0 + (-4.0 * (log_h - shift)).exp());
                WedgeStep { wedge: Density::new(wedge), print: Density::new(density + noise(i as usize)) }
            })
            .collect();
        CharacteristicCurve::new(kj(dose), &steps).unwrap()
    }

    #[test]
    fn a_shifted_curve_is_found_where_it_was_put() {
        // Under the second source it takes 10^0.18 more at the sensor.
        let factor = factor_of_curves(&curve(30.0, 0.0, |_| 0.0), &curve(45.0, 0.18, |_| 0.0)).unwrap();
        assert!((factor.factor - 10f64.powf(-0.18)).abs() < 2e-3, "{factor:?}");
        assert!(factor.low <= factor.factor && factor.factor <= factor.high);
    }

    proptest! {
        #[test]
        fn a_shift_is_found_under_reading_errors(shift in -0.3..0.3f64, seed in any::<u64>()) {
            // Reading errors of 0.01 in density, the same for the same seed.
            let noise = |i: usize| {
                let mixed = (seed ^ (i as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
                ((mixed >> 40) as f64 / f64::from(1 << 24) - 0.5) * 0.02
            };
            let factor = factor_of_curves(&curve(60.0, 0.0, |_| 0.0), &curve(60.0, shift, noise)).unwrap();
            prop_assert!((factor.factor.log10() + shift).abs() < 0.03, "{factor:?}");
        }
    }
}
