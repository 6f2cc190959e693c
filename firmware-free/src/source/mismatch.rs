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
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum MismatchError {
    /// A curve was not given as far as another goes.
    #[error(
        "the spectrum of {curve} ends at {nm} nm, inside that of {other}; give it to where it is below 1 % of its peak"
    )]
    Truncated {
        /// Which curve.
        curve: &'static str,
        /// Where it ends.
        nm: f64,
        /// Inside which.
        other: &'static str,
    },
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
/// [`MismatchError`] when a spectrum does not overlap with the others, or ends inside one of them.
pub fn mismatch(
    a: &Spectrum,
    b: &Spectrum,
    sensor: &Spectrum,
    process: &Spectrum,
) -> Result<Mismatch, MismatchError> {
    for (source, name) in [(a, "source a"), (b, "source b")] {
        for (answer, other) in [(process, "the process"), (sensor, "the sensor")] {
            whole(source, name, answer, other)?;
            whole(answer, other, source, name)?;
        }
    }
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

/// That a curve does not end inside another: what it is beyond is not known, and not zero.
fn whole(
    spectrum: &Spectrum,
    curve: &'static str,
    multiplied: &Spectrum,
    other: &'static str,
) -> Result<(), MismatchError> {
    let early = spectrum.ends_inside(multiplied);
    early.map_or(Ok(()), |nm| Err(MismatchError::Truncated { curve, nm, other }))
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
    fn a_spectrum_that_ends_inside_another_is_refused_with_the_wavelength() {
        let cut = |from: i32, to: i32, shape: &dyn Fn(f64) -> f64| {
            Spectrum::new((from..=to).map(|nm| (f64::from(nm), shape(f64::from(nm)))).collect()).unwrap()
        };
        let (near, far) = (gaussian(365.0, 10.0), gaussian(395.0, 14.0));
        // The file of the process ends at 390 nm: the factor was 0.272 in silence, for 0.756.
        let short = cut(300, 390, &|nm| if nm <= 360.0 { 1.0 } else { 10f64.powf((360.0 - nm) / 60.0) });
        let sensor = gaussian(360.0, 50.0);
        let error = mismatch(&near, &far, &sensor, &short).unwrap_err();
        assert_eq!(error, MismatchError::Truncated { curve: "the process", nm: 390.0, other: "source b" });
        assert!(mismatch(&near, &near, &sensor, &short).is_ok(), "nothing of that lamp lies beyond");
        let lamp = cut(365, 420, &|nm| (-((nm - 365.0) / 6.0).powi(2)).exp());
        let error = mismatch(&lamp, &far, &sensor, &process()).unwrap_err();
        assert!(matches!(error, MismatchError::Truncated { curve: "source a", nm, .. } if nm == 365.0));
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
