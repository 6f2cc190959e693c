//! Density, reflectance and lightness.

use std::fmt;

use serde::{Deserialize, Serialize};

/// Optical density: -log10 of the share of light a print returns (ISO 5-4) or
/// a wedge or negative passes (ISO 5-2).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Density(f64);

impl Density {
    /// The range a reading can lie in; beyond it is a slip of the hand. A
    /// little below zero: paper may outshine the white an instrument was set to.
    pub const PLAUSIBLE: std::ops::RangeInclusive<f64> = -0.1..=5.0;

    /// Standard error of reading one with a densitometer on a hand-coated
    /// sheet: 0.01 of the instrument and 0.01 of the coating [common practice].
    pub(super) const READING_ERROR: f64 = 0.015;

    /// From a density.
    #[must_use]
    pub const fn new(value: f64) -> Self {
        Self(value)
    }

    /// The density.
    #[must_use]
    pub const fn value(self) -> f64 {
        self.0
    }

    /// From a reflectance or transmittance, 0 to 1. None at all is infinitely dense.
    #[must_use]
    pub fn from_reflectance(reflectance: f64) -> Self {
        Self(-reflectance.log10())
    }

    /// The reflectance or transmittance, 1 for density 0.
    #[must_use]
    pub fn reflectance(self) -> f64 {
        10_f64.powf(-self.0)
    }

    /// Whether it lies in [`Self::PLAUSIBLE`]; NaN does not.
    #[must_use]
    pub fn is_plausible(self) -> bool {
        Self::PLAUSIBLE.contains(&self.0)
    }
}

impl From<Lightness> for Density {
    /// The visual density of a lightness.
    fn from(lightness: Lightness) -> Self {
        Self::from_reflectance(lightness.luminance_factor())
    }
}

impl fmt::Display for Density {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.2}", self.0)
    }
}

/// CIE 1976 lightness L*: 0 for black, 100 for the reference white.
///
/// Source: CIE 15 and ISO/CIE 11664-4, with the linear branch near black.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Lightness(f64);

/// Below this cube root of Y/Yn the lightness is linear: 6/29, L* 8.
const LINEAR_BELOW: f64 = 6.0 / 29.0;
/// Slope of the linear branch: (29/6)² / 3.
const LINEAR_SLOPE: f64 = 841.0 / 108.0;
/// Where the linear branch starts.
const LINEAR_OFFSET: f64 = 4.0 / 29.0;

impl Lightness {
    /// No blue print is darker: this is a density of 2.48. What is below is mostly a
    /// density in the place of an L*.
    pub const DARKEST_PRINT: f64 = 3.0;

    /// From L*.
    #[must_use]
    pub const fn new(value: f64) -> Self {
        Self(value)
    }

    /// L*.
    #[must_use]
    pub const fn value(self) -> f64 {
        self.0
    }

    /// Y/Yn: the share of the reference white's luminance, 0 to 1.
    fn luminance_factor(self) -> f64 {
        let f = (self.0 + 16.0) / 116.0;
        if f > LINEAR_BELOW { f.powi(3) } else { (f - LINEAR_OFFSET) / LINEAR_SLOPE }
    }
}

impl From<Density> for Lightness {
    /// The lightness of a visual density.
    fn from(density: Density) -> Self {
        let y = density.reflectance();
        let f = if y > LINEAR_BELOW.powi(3) { y.cbrt() } else { LINEAR_SLOPE * y + LINEAR_OFFSET };
        Self(116.0 * f - 16.0)
    }
}

impl fmt::Display for Lightness {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "L* {:.1}", self.0)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn densities_have_the_lightness_of_the_standard() {
        // [calc with colour-science 0.4.7]: density, Y in %, L*.
        for (density, y, lightness) in [
            (0.10, 79.432_823, 91.429_772),
            (0.75, 17.782_794, 49.231_594),
            (1.45, 3.548_134, 22.117_522),
            (2.10, 0.794_328, 7.175_138),
        ] {
            let density = Density::new(density);
            assert!((100.0 * density.reflectance() - y).abs() < 1e-6, "{density}");
            assert!((Lightness::from(density).value() - lightness).abs() < 1e-6, "{density}");
        }
    }

    #[test]
    fn lightnesses_have_the_density_of_the_standard() {
        // [calc with colour-science 0.4.7]: L*, Y in %, density.
        for (lightness, y, density) in [
            (95.0, 87.618_329, 0.057_405),
            (50.0, 18.418_652, 0.734_742),
            (20.0, 2.989_052, 1.524_466),
            (5.0, 0.553_528, 2.256_860),
        ] {
            let got = Density::from(Lightness::new(lightness));
            assert!((100.0 * got.reflectance() - y).abs() < 1e-6, "L* {lightness}");
            assert!((got.value() - density).abs() < 1e-6, "L* {lightness}");
        }
    }

    #[test]
    fn the_branches_meet_at_eight() {
        // CIE 15: Y/Yn 0.008856452, L* 8.
        assert!((Lightness::new(8.0).luminance_factor() - 0.008_856_452).abs() < 1e-9);
        let near = |l: f64| Lightness::from(Density::from(Lightness::new(l))).value();
        assert!((near(8.0 - 1e-9) - near(8.0 + 1e-9)).abs() < 1e-8);
    }

    proptest! {
        #[test]
        fn lightness_survives_the_way_through_density(l in 0.001..110.0_f64) {
            let back = Lightness::from(Density::from(Lightness::new(l)));
            prop_assert!((back.value() - l).abs() < 1e-9 * l.max(1.0), "{} {}", back.value(), l);
        }

        #[test]
        fn darker_is_denser(a in 0.001..100.0_f64, b in 0.001..100.0_f64) {
            let density = |l: f64| Density::from(Lightness::new(l));
            prop_assert_eq!(a < b, density(a) > density(b));
        }
    }
}
