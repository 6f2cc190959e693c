//! What a sensor's reading under one source is worth under another, predicted
//! from spectra.
//!
//! After the spectral mismatch correction of ISO/CIE 19476:2014 and CIE
//! 220:2016 (the form of the formula from memory).

use super::Spectrum;
use crate::quantity::Stops;

/// Under a source where the sensor answers on the whole with less than this
/// share of its best, a small error of its curve is a great error of the factor.
const NEARLY_BLIND: f64 = 0.15;

/// A predicted factor between two sources.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mismatch {
    /// Effective dose over reading under the second source, where it is one
    /// under the first. A target under the first, divided by this, is the
    /// target under the second.
    pub factor: f64,
    /// Whether the sensor is nearly blind to one of the sources.
    pub blind: bool,
}

impl Mismatch {
    /// The factor in stops.
    #[must_use]
    pub fn stops(&self) -> Stops {
        Stops::new(self.factor.log2())
    }
}

/// Why there is no factor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum MismatchError {
    /// The sensor sees nothing of a source.
    #[error("the sensor sees nothing of source {0}: their spectra do not overlap")]
    Unseen(char),
    /// The process does not answer to a source.
    #[error("the process does not answer to source {0}: their spectra do not overlap")]
    Unused(char),
}

/// The factor from source `a` to source `b`:
/// `F = (∫ b P / ∫ b s) / (∫ a P / ∫ a s)`.
///
/// # Errors
/// [`MismatchError`] when a spectrum does not overlap with the others.
pub fn mismatch(
    a: &Spectrum,
    b: &Spectrum,
    sensor: &Spectrum,
    process: &Spectrum,
) -> Result<Mismatch, MismatchError> {
    let worth = |source: &Spectrum, name| {
        let (used, seen) = (source.product(&[process]), source.product(&[sensor]));
        match (used > 0.0, seen > 0.0) {
            (_, false) => Err(MismatchError::Unseen(name)),
            (false, _) => Err(MismatchError::Unused(name)),
            (true, true) => Ok(used / seen),
        }
    };
    // Of the light that the process answers to, how much the sensor sees.
    let sight =
        |source: &Spectrum| source.product(&[process, sensor]) / (source.product(&[process]) * sensor.peak());
    let factor = worth(b, 'b')? / worth(a, 'a')?;
    Ok(Mismatch { factor, blind: sight(a).min(sight(b)) < NEARLY_BLIND })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(shape: impl Fn(f64) -> f64) -> Spectrum {
        Spectrum::new((300..=500).map(|nm| (f64::from(nm), shape(f64::from(nm)))).collect()).unwrap()
    }

    /// A Gaussian by its full width at half maximum.
    fn gaussian(peak: f64, width: f64) -> Spectrum {
        of(|nm| (-4.0 * std::f64::consts::LN_2 * ((nm - peak) / width).powi(2)).exp())
    }

    fn process() -> Spectrum {
        of(|nm| if nm <= 360.0 { 1.0 } else { 10f64.powf((360.0 - nm) / 60.0) })
    }

    #[test]
    fn the_same_source_needs_no_factor() {
        let lamp = gaussian(365.0, 10.0);
        let found = mismatch(&lamp, &lamp, &gaussian(360.0, 50.0), &process()).unwrap();
        assert_eq!((found.factor, found.blind), (1.0, false));
    }

    #[test]
    fn factors_follow_one_another() {
        let (s, p) = (gaussian(360.0, 50.0), process());
        let (a, b, c) = (gaussian(352.0, 40.0), gaussian(365.0, 10.0), gaussian(395.0, 14.0));
        let f = |x: &Spectrum, y: &Spectrum| mismatch(x, y, &s, &p).unwrap().factor;
        assert!((f(&a, &b) * f(&b, &c) - f(&a, &c)).abs() < 1e-12);
        // Between two lamps of trade tables: 0.756 / 0.667 (computed with numpy).
        assert!((f(&b, &c) - 0.756 / 0.667).abs() < 2e-3, "{}", f(&b, &c));
    }

    #[test]
    fn a_lamp_at_the_edge_of_the_sensor_is_warned_of() {
        let blind = |peak: f64| {
            mismatch(&gaussian(352.0, 40.0), &gaussian(peak, 14.0), &gaussian(360.0, 50.0), &process())
                .unwrap()
                .blind
        };
        assert!(!blind(365.0) && !blind(385.0) && !blind(395.0));
        assert!(blind(405.0) && blind(420.0));
    }

    #[test]
    fn spectra_that_do_not_meet_give_no_factor() {
        let (lamp, far) = (gaussian(365.0, 10.0), Spectrum::new(vec![(600.0, 1.0), (700.0, 1.0)]).unwrap());
        let sensor = gaussian(360.0, 50.0);
        assert_eq!(mismatch(&lamp, &far, &sensor, &process()), Err(MismatchError::Unseen('b')));
        assert_eq!(mismatch(&lamp, &lamp, &sensor, &far), Err(MismatchError::Unused('b')));
        assert_eq!(mismatch(&far, &lamp, &sensor, &process()), Err(MismatchError::Unseen('a')));
    }
}
