//! What ultraviolet does to eye and skin. Figures to warn by: the sensor of a
//! rig is not a safety instrument.

use super::Spectrum;
use crate::quantity::{Dose, Irradiance};

/// UV-A that the eye may receive within [`EYE_LIMIT_WITHIN_S`]. Source: ICNIRP,
/// Health Physics 87 (2004) 171; Directive 2006/25/EC.
pub const EYE_LIMIT: Dose = Dose::from_j_m2(10_000.0);
/// Eight hours, in seconds.
pub const EYE_LIMIT_WITHIN_S: f64 = 28_800.0;

/// Seconds in which UV-A of this irradiance reaches the limit for the eye;
/// `None` when it does not within eight hours.
#[must_use]
pub fn seconds_to_eye_limit(uv_a: Irradiance) -> Option<f64> {
    let seconds = EYE_LIMIT.j_m2() / uv_a.w_m2();
    (0.0..EYE_LIMIT_WITHIN_S).contains(&seconds).then_some(seconds)
}

/// How strongly a wavelength in nm reddens skin, against 298 nm and below.
/// Source: ISO/CIE 17166, 250 to 400 nm; zero outside.
#[must_use]
pub fn erythema(nm: f64) -> f64 {
    match nm {
        250.0..=298.0 => 1.0,
        298.0..=328.0 => 10f64.powf(0.094 * (298.0 - nm)),
        328.0..=400.0 => 10f64.powf(0.015 * (140.0 - nm)),
        _ => 0.0,
    }
}

/// A UV index: 40 times the erythemal irradiance in W/m². Source: WHO, Global
/// solar UV index (2002).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct UvIndex(f64);

/// How the WHO calls a UV index.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum UvLevel {
    /// 0 to 2.
    Low,
    /// 3 to 5.
    Moderate,
    /// 6 and 7.
    High,
    /// 8 to 10.
    VeryHigh,
    /// 11 and above.
    Extreme,
}

impl UvLevel {
    /// The word of the WHO.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Moderate => "moderate",
            Self::High => "high",
            Self::VeryHigh => "very high",
            Self::Extreme => "extreme",
        }
    }
}

impl UvIndex {
    /// An index that a sensor tells, zero or above.
    #[must_use]
    pub const fn new(value: f64) -> Self {
        Self(value)
    }

    /// The number, not rounded.
    #[must_use]
    pub const fn value(self) -> f64 {
        self.0
    }

    /// By the number rounded to a whole one.
    #[must_use]
    pub fn level(self) -> UvLevel {
        match self.0.round() {
            n if n < 3.0 => UvLevel::Low,
            n if n < 6.0 => UvLevel::Moderate,
            n if n < 8.0 => UvLevel::High,
            n if n < 11.0 => UvLevel::VeryHigh,
            _ => UvLevel::Extreme,
        }
    }
}

/// The UV index of a spectral irradiance in W/m² per nm.
#[must_use]
pub fn uv_index(spectral_irradiance: &Spectrum) -> UvIndex {
    UvIndex(40.0 * spectral_irradiance.weighted(erythema))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_ordinary_print_exceeds_the_eye_limit() {
        // 10 kJ/m² at 30 W/m²: 333 s, 5.6 minutes.
        let seconds = seconds_to_eye_limit(Irradiance::from_w_m2(30.0)).unwrap();
        assert!((seconds / 60.0 - 5.556).abs() < 0.001, "{seconds}");
        assert_eq!(seconds_to_eye_limit(Irradiance::from_w_m2(0.3)), None);
        assert_eq!(seconds_to_eye_limit(Irradiance::ZERO), None);
    }

    #[test]
    fn erythema_is_that_of_the_standard() {
        // ISO/CIE 17166, computed with numpy.
        assert!((erythema(315.0) - 0.025_235).abs() < 1e-6);
        assert!((erythema(365.0) - 4.217e-4).abs() < 1e-7);
        assert_eq!((erythema(290.0), erythema(298.0), erythema(401.0)), (1.0, 1.0, 0.0));
    }

    #[test]
    fn a_flat_spectrum_gives_forty_times_its_weight() {
        // From 340 to 400 nm: the integral of 10^(0.015 (140 - nm)) is
        // (10^-3 - 10^-3.9) / (0.015 ln 10) = 0.025308 nm; by hand.
        let flat = Spectrum::new((340..=400).map(|nm| (f64::from(nm), 1.0)).collect()).unwrap();
        assert!((uv_index(&flat).value() - 40.0 * 0.025_308).abs() < 1e-4, "{:?}", uv_index(&flat));
    }

    #[test]
    fn levels_are_called_as_the_who_does() {
        for (value, level) in [
            (0.0, UvLevel::Low),
            (2.4, UvLevel::Low),
            (2.6, UvLevel::Moderate),
            (5.4, UvLevel::Moderate),
            (6.0, UvLevel::High),
            (8.0, UvLevel::VeryHigh),
            (10.4, UvLevel::VeryHigh),
            (11.0, UvLevel::Extreme),
        ] {
            assert_eq!(UvIndex::new(value).level(), level, "{value}");
        }
    }
}
