//! From one judged print to the dose of the next.

use super::{CharacteristicCurve, Density, NotOnCurve, stops_of_log};
use crate::quantity::{Dose, Stops};

/// Standard error of an eye comparing two prints side by side, in stops. A
/// density difference of 0.03 is just seen, which at the usual slope of 1 to
/// 1.4 is 0.08 stop, and is then told in steps of a sixth (0.05 as a standard
/// error) [common practice, no source].
const EYE: f64 = 0.10;
/// Standard error of a large correction as a share of itself: nobody sees 2
/// stops to a tenth, and a slope or curve of another day is not exact
/// [common practice, no source].
const EYE_SHARE: f64 = 0.20;
/// The same for a correction read off a curve.
const CURVE_SHARE: f64 = 0.10;
/// On a flatter curve a density says nothing about the dose.
const LEAST_SLOPE: f64 = 0.02;

/// What a judged print says about the dose that it should have had.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correction {
    /// What the print received.
    pub printed: Dose,
    /// What it should have had besides: above zero, more light.
    pub stops: Stops,
    /// Standard error of `stops`.
    pub sigma: Stops,
}

impl Correction {
    /// Judged by eye: it needs `stops` more; zero for a good print.
    #[must_use]
    pub fn by_eye(printed: Dose, stops: Stops) -> Self {
        let sigma = EYE.hypot(EYE_SHARE * stops.value());
        Self { printed, stops, sigma: Stops::new(sigma) }
    }

    /// By the recipe's characteristic curve: from the density a patch of the
    /// print has to the density it should have.
    ///
    /// # Errors
    /// When the curve does not reach one of the densities.
    pub fn by_curve(
        printed: Dose,
        got: Density,
        wanted: Density,
        curve: &CharacteristicCurve,
    ) -> Result<Self, NotOnCurve> {
        let log_got = curve.log_h_of(got)?;
        let stops = stops_of_log(curve.log_h_of(wanted)? - log_got);
        Ok(Self::measured(printed, stops, curve.slope_at(log_got), CURVE_SHARE))
    }

    /// By the density per unit of log H thereabouts, where there is no curve:
    /// 1 to 1.4 in the middle tones of most blue prints. `None` unless the
    /// slope is above zero.
    #[must_use]
    pub fn by_slope(printed: Dose, got: Density, wanted: Density, slope: f64) -> Option<Self> {
        let stops = stops_of_log((wanted.value() - got.value()) / slope);
        (slope > 0.0).then(|| Self::measured(printed, stops, slope, EYE_SHARE))
    }

    fn measured(printed: Dose, stops: Stops, slope: f64, share: f64) -> Self {
        let of_reading = stops_of_log(Density::READING_ERROR / slope.max(LEAST_SLOPE)).value();
        Self { printed, stops, sigma: Stops::new(of_reading.hypot(share * stops.value())) }
    }

    /// The dose of the next print.
    #[must_use]
    pub fn next(&self) -> Dose {
        self.printed.changed_by(self.stops)
    }
}

#[cfg(test)]
mod tests {
    use super::super::wedge::tests::{first_curve, second_curve};
    use super::*;

    fn kj(value: f64) -> Dose {
        Dose::from_j_m2(1000.0 * value)
    }

    #[test]
    fn by_curve() {
        // [calc with scipy]: printed, got, wanted; log, stops, next in kJ/m².
        for (curve, [printed, got, wanted], log, stops, next) in [
            (first_curve(), [12.0, 0.55, 0.40], -0.168_546, -0.559_896_8, 8.140_208_4),
            (second_curve(), [20.0, 0.90, 1.10], 0.129_350, 0.429_691_2, 26.938_904_4),
        ] {
            let got =
                Correction::by_curve(kj(printed), Density::new(got), Density::new(wanted), &curve).unwrap();
            assert!((got.stops.value() * std::f64::consts::LOG10_2 - log).abs() < 1e-6, "{got:?}");
            assert!((got.stops.value() - stops).abs() < 1e-6, "{got:?}");
            assert!((got.next().kj_m2() - next).abs() < 1e-6, "{got:?}");
        }
    }

    #[test]
    fn by_stops_and_by_steps_of_a_wedge() {
        // [calc]: 18 kJ/m², two steps of 0.15 less.
        let steps = Correction::by_eye(kj(18.0), stops_of_log(-2.0 * 0.15));
        assert!((steps.next().kj_m2() - 9.021_370_2).abs() < 1e-6);
        for (stops, next) in [(1.0 / 3.0, 18.898_815_7), (-0.5, 10.606_601_7)] {
            let by_eye = Correction::by_eye(kj(15.0), Stops::new(stops));
            assert!((by_eye.next().kj_m2() - next).abs() < 1e-6);
        }
    }

    #[test]
    fn by_slope() {
        // By hand: 0.30 denser at slope 1 is 0.30 in log H, a factor 1.995262.
        let next = Correction::by_slope(kj(10.0), Density::new(0.5), Density::new(0.8), 1.0).unwrap();
        assert!((next.next().kj_m2() - 19.952_623).abs() < 1e-6);
        assert_eq!(Correction::by_slope(kj(10.0), Density::new(0.5), Density::new(0.8), 0.0), None);
    }

    #[test]
    fn small_corrections_in_steep_tones_are_the_surest() {
        let curve = first_curve();
        let sigma = |got: f64| {
            let wanted = Density::new(got + 0.01);
            Correction::by_curve(kj(10.0), Density::new(got), wanted, &curve).unwrap().sigma
        };
        assert!(sigma(0.8) < Stops::new(0.1));
        assert!(sigma(0.8) < sigma(0.2));
        assert!(sigma(0.8) < sigma(1.38));
        let by_eye = |stops: f64| Correction::by_eye(kj(10.0), Stops::new(stops)).sigma;
        assert!(by_eye(0.0) < by_eye(-1.0));
    }
}
