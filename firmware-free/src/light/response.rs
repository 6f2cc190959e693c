//! How a process answers to light: to the dose alone, or to its strength as well.
//!
//! Where twice the light for half the time does not give the same print, the
//! process answers to the integral of `E^p` instead of that of `E`. For steady
//! light that is Schwarzschild's law of 1900, which he wrote `E t^q` with q = 1/p;
//! for light that varies it says that every instant counts by itself [memory, no
//! source at hand]. So that doses keep their unit, what is counted is the
//! *effective dose*
//!
//! ```text
//! H_p = E_ref integral (E / E_ref)^p dt        in J/m²
//! ```
//!
//! with a reference irradiance `E_ref`: in steady light of `E_ref` the effective
//! dose is the plain dose, whatever p is.

use crate::quantity::Irradiance;

/// How a process answers to light. [`Response::PLAIN`] is the dose alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Response {
    exponent: f64,
    reference: Irradiance,
}

/// Why there is no such response.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum ResponseError {
    /// No process is known to be so far from 1.
    #[error("an exponent is a number from 0.3 to 2, not {0}")]
    Exponent(f64),
    /// No light to refer to.
    #[error("a reference irradiance is a number from 0.001 to 10000 W/m², not {0}")]
    Reference(f64),
}

impl Response {
    /// Exponent 1: the dose alone, whatever the strength of the light.
    pub const PLAIN: Self = Self { exponent: 1.0, reference: Irradiance::from_w_m2(1.0) };
    /// The exponents that are taken.
    pub const EXPONENTS: std::ops::RangeInclusive<f64> = 0.3..=2.0;

    /// An exponent with the irradiance at which effective and plain doses are the
    /// same.
    ///
    /// # Errors
    /// When the exponent lies outside [`Self::EXPONENTS`], or the reference outside
    /// 0.001 to 10,000 W/m².
    pub fn new(exponent: f64, reference: Irradiance) -> Result<Self, ResponseError> {
        if !Self::EXPONENTS.contains(&exponent) {
            return Err(ResponseError::Exponent(exponent));
        }
        if !(0.001..=10_000.0).contains(&reference.w_m2()) {
            return Err(ResponseError::Reference(reference.w_m2()));
        }
        // At 1 the reference says nothing: all of them are one response.
        Ok(if exponent == 1.0 { Self::PLAIN } else { Self { exponent, reference } })
    }

    /// The exponent p.
    #[must_use]
    pub const fn exponent(&self) -> f64 {
        self.exponent
    }

    /// The irradiance at which effective and plain doses are the same.
    #[must_use]
    pub const fn reference(&self) -> Irradiance {
        self.reference
    }

    /// Whether it answers to the dose alone.
    #[must_use]
    pub fn is_plain(&self) -> bool {
        self.exponent == 1.0
    }

    /// What an irradiance counts as: the effective dose of each second.
    #[must_use]
    pub fn rate(&self, light: Irradiance) -> Irradiance {
        if self.is_plain() {
            return light;
        }
        let share = light.w_m2().max(0.0) / self.reference.w_m2();
        self.reference * share.powf(self.exponent)
    }

    /// What effective doses are multiplied by where all light is: a glass that
    /// passes g of it passes g^p of its effect.
    #[must_use]
    pub fn of_factor(&self, factor: f64) -> f64 {
        if self.is_plain() { factor } else { factor.powf(self.exponent) }
    }

    /// The effective dose in J/m² of light that goes from `e0` to `e1`, in W/m² of
    /// zero or more, in a straight line within `seconds`:
    /// `E_ref^(1-p) (E1^(p+1) - E0^(p+1)) h / ((p+1) (E1 - E0))`.
    #[must_use]
    pub fn ramp(&self, e0: f64, e1: f64, seconds: f64) -> f64 {
        if self.is_plain() {
            return 0.5 * (e0 + e1) * seconds;
        }
        // In terms of the greater end that loses no digits: with d = e/top - 1 it is
        // top^p ((1 + d)^(p+1) - 1) / ((p+1) d).
        let (bottom, top) = if e0 < e1 { (e0.max(0.0), e1) } else { (e1.max(0.0), e0) };
        let at_top = self.rate(Irradiance::from_w_m2(top)).w_m2() * seconds;
        if bottom >= top {
            return at_top;
        }
        let (d, q) = ((bottom - top) / top, self.exponent + 1.0);
        at_top * (q * d.ln_1p()).exp_m1() / (q * d)
    }

    /// The same for the first `tau` of the `seconds`.
    #[must_use]
    pub(super) fn part_of_ramp(&self, e0: f64, e1: f64, seconds: f64, tau: f64) -> f64 {
        if self.is_plain() {
            return e0 * tau + 0.5 * (e1 - e0) / seconds * tau * tau;
        }
        self.ramp(e0, e0 + (e1 - e0) * (tau / seconds), tau)
    }

    /// After how many seconds of such a ramp an effective dose of `wanted` J/m² is
    /// reached; at least zero, and meant for what the ramp holds.
    ///
    /// For p = 1 it solves `d = E0 t + (E1 - E0) t² / 2h` in the form that does not
    /// lose digits: `t = 2 d / (E0 + sqrt(E0² + 2 d (E1 - E0) / h))`. Else
    /// `E(t)^(p+1) = E0^(p+1) + (p+1) s d` with the slope s, in units of `E_ref`.
    #[must_use]
    pub(crate) fn reaches(&self, e0: f64, e1: f64, seconds: f64, wanted: f64) -> f64 {
        if self.is_plain() {
            let root = (e0 * e0 + 2.0 * wanted * (e1 - e0) / seconds).max(0.0).sqrt();
            return 2.0 * wanted / (e0 + root);
        }
        let unit = self.reference.w_m2();
        let (from, slope, d) = (e0.max(0.0) / unit, (e1 - e0) / seconds / unit, wanted / unit);
        let q = self.exponent + 1.0;
        let grown = q * slope * d / from.powf(q);
        if !grown.is_finite() {
            // From darkness, or nearly.
            return (from.powf(q) + q * slope * d).powf(q.recip()) / slope - from / slope;
        }
        if grown.abs() < 1e-300 {
            return d / from.powf(self.exponent);
        }
        from / slope * (grown.max(-1.0).ln_1p() / q).exp_m1()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn response(exponent: f64) -> Response {
        Response::new(exponent, Irradiance::from_w_m2(30.0)).unwrap()
    }

    #[test]
    fn ramps_are_what_scipy_says() {
        // [calc with scipy 1.17.1, integrate.quad of 30 (E/30)^p along the line]:
        // p, E0, E1, h, H_p.
        for (p, e0, e1, h, expected) in [
            (0.8, 20.0, 44.0, 60.0, 1_888.130_526_863_243_6),
            (0.8, 44.0, 20.0, 60.0, 1_888.130_526_863_243_6),
            (0.8, 0.0, 50.0, 10.0, 250.800_125_402_065),
            (1.3, 50.0, 0.0, 10.0, 253.394_271_889_286_02),
            (0.5, 40.0, 40.001, 1.0, 34.641_232_656_826_396),
            (1.5, 5.0, 5.0, 2.0, 4.082_482_904_638_63),
            (0.3, 1e-6, 60.0, 5.0, 142.055_126_984_309_06),
        ] {
            let got = response(p).ramp(e0, e1, h);
            assert!((got - expected).abs() < 1e-9 * expected, "{p} {e0} {e1}: {got} {expected}");
        }
    }

    #[test]
    fn steady_light_at_the_reference_counts_plainly() {
        for p in [0.3, 0.8, 1.0, 1.5, 2.0] {
            assert_eq!(response(p).rate(Irradiance::from_w_m2(30.0)), Irradiance::from_w_m2(30.0));
            assert!((response(p).ramp(30.0, 30.0, 7.0) - 210.0).abs() < 1e-12);
        }
        // A quarter of the light for the same effect at p = 1/2 takes twice as long.
        assert!((response(0.5).ramp(7.5, 7.5, 2.0) - 30.0).abs() < 1e-12);
    }

    #[test]
    fn at_one_it_is_the_plain_dose_to_the_last_bit() {
        assert_eq!(response(1.0), Response::PLAIN);
        assert_eq!(response(1.0).ramp(20.3, 44.7, 0.97).to_bits(), (0.5f64 * (20.3 + 44.7) * 0.97).to_bits());
        assert_eq!(response(1.0).of_factor(0.83), 0.83);
    }

    #[test]
    fn what_is_out_of_range_is_refused() {
        for (exponent, reference) in
            [(0.29, 30.0), (2.1, 30.0), (f64::NAN, 30.0), (0.8, 0.0), (0.8, f64::NAN)]
        {
            assert!(
                Response::new(exponent, Irradiance::from_w_m2(reference)).is_err(),
                "{exponent} {reference}"
            );
        }
    }

    fn lights() -> impl Strategy<Value = (f64, f64)> {
        let light = || prop_oneof![3 => 0.0f64..80.0, 1 => Just(0.0), 1 => 1e-9f64..1e-3];
        prop_oneof![
            3 => (light(), light()),
            1 => (1.0f64..80.0, -1e-9f64..1e-9).prop_map(|(e, d)| (e, e * (1.0 + d))),
        ]
    }

    proptest! {
        #[test]
        fn a_ramp_is_the_fine_sum_of_its_powers(p in 0.3f64..2.0, (e0, e1) in lights(), h in 0.1f64..60.0) {
            // Midpoints of 20,000 pieces; where the line begins in darkness they converge slowest.
            const PIECES: u32 = 20_000;
            let piece = |n: u32| {
                let share = (f64::from(n) + 0.5) / f64::from(PIECES);
                30.0 * ((e0 + (e1 - e0) * share) / 30.0).powf(p) * h / f64::from(PIECES)
            };
            let fine: f64 = (0..PIECES).map(piece).sum();
            let got = response(p).ramp(e0, e1, h);
            prop_assert!((got - fine).abs() <= 1e-5 * fine + 1e-300, "{got} {fine}");
        }

        #[test]
        fn a_part_and_its_instant_are_inverse(
            p in 0.3f64..2.0, (e0, e1) in lights(), h in 0.1f64..60.0, share in 0.0f64..1.0,
        ) {
            let response = response(p);
            let d = response.ramp(e0, e1, h) * share;
            let tau = response.reaches(e0, e1, h, d);
            prop_assert!(d == 0.0 || (0.0..=h * (1.0 + 1e-9)).contains(&tau), "{tau}");
            let again = response.part_of_ramp(e0, e1, h, if d == 0.0 { 0.0 } else { tau });
            prop_assert!((again - d).abs() <= 1e-9 * response.ramp(e0, e1, h), "{again} {d}");
        }

        #[test]
        fn near_one_it_is_nearly_the_plain_dose((e0, e1) in lights(), h in 0.1f64..60.0) {
            let (near, plain) = (response(1.0 + 1e-9).ramp(e0, e1, h), Response::PLAIN.ramp(e0, e1, h));
            prop_assert!((near - plain).abs() <= 1e-7 * plain, "{near} {plain}");
        }
    }
}
