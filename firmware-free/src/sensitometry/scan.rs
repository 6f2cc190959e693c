//! Densities of patches from the light that a flat-bed scan shows there.
//!
//! A scanner is no densitometer: its light comes from all sides and strays, and
//! it answers to its own colours. So densities are told from references that lie
//! on the same sheet, as `light = gain R + stray` with R the reflectance.

use super::Density;

/// A patch with more of its samples at an end of the scanner's range is clipped.
const CLIPPED_SHARE: f64 = 0.01;
/// Quarters of an even patch lie within this density of one another.
const UNEVEN: f64 = 0.05;
/// The same where so little light comes back that noise alone does it.
const UNEVEN_IN_THE_DARK: f64 = 0.15;
const DARK: f64 = 1.6;
/// Two references further apart than this tell stray light from reflectance.
const LEAST_APART: f64 = 0.5;

/// References read back further off than this contradict one another.
const MOST_OFF: f64 = 0.1;
/// About the power of sRGB's curve (IEC 61966-2-1).
const SRGB: f64 = 2.2;
/// Stray light is this share of the lightest reference at most; a clean scanner's is 0.01.
const MOST_STRAY: f64 = 0.1;
/// A dark reference may return this share less than its density lets through: its density is
/// known to about 0.05, and its light to the noise of the scan.
const MISSING_IN_THE_DARK: f64 = 0.2;

/// A sample of a patch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LightSample {
    /// Linear light, in any unit.
    pub light: f64,
    /// Whether the scanner was at an end of its range.
    pub clipped: bool,
}

/// What a patch returns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PatchLight {
    /// The mean of the middle half of its samples: dust and scratches lie
    /// outside, and unlike a median it is finer than the steps of a scan.
    pub middle: f64,
    /// A quarter of the samples is darker.
    pub darker: f64,
    /// A quarter of the samples is lighter.
    pub lighter: f64,
    /// The least and the most of its quarters.
    quarters: (f64, f64),
}

/// A patch of known density, and what it returns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reference {
    /// Its density.
    pub density: Density,
    /// What it returns.
    pub light: f64,
}

/// From light to density.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScanScale {
    gain: f64,
    stray: f64,
}

/// The density of a patch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PatchDensity {
    /// The density.
    pub density: Density,
    /// Half the range that the middle half of its samples covers.
    pub spread: f64,
}

/// Why a patch or a scan has no densities.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum ScanError {
    /// At an end of the scanner's range.
    #[error(
        "is clipped ({:.0} % of it); scan again with automatic corrections off and less contrast", .share * 100.0
    )]
    Clipped {
        /// How much of it.
        share: f64,
    },
    /// Not one density.
    #[error(
        "is uneven by {by:.2}; place the corners on the patches, and look for dust, shadows and bad coating"
    )]
    Uneven {
        /// From its lightest quarter to its darkest.
        by: f64,
    },
    /// Darker than anything the scanner tells apart.
    #[error("returns no more than stray light; it is darker than this scan can tell")]
    TooDark,
    /// Nothing to tell densities from.
    #[error("a scan needs a reference of known density, such as the paper's white")]
    NoReference,
    /// Stray light below zero, beyond noise.
    #[error(
        "the dark reference is darker on the scan than its density lets it be: the numbers are read as if they had the curve of sRGB, and are linear light"
    )]
    TooDarkInTheDark,
    /// More stray light than a scanner has.
    #[error(
        "the dark reference is far lighter on the scan than its density lets it be: the numbers are read as linear light, and have the curve of sRGB"
    )]
    TooLightInTheDark,
    /// References that do not fit one another.
    #[error(
        "the references contradict one another; give a light and a dark one at least 0.5 apart, and their densities"
    )]
    References,
}

impl PatchLight {
    /// From samples of the four quarters of a patch.
    ///
    /// # Errors
    /// [`ScanError::Clipped`].
    ///
    /// # Panics
    /// When a quarter has no samples.
    pub fn new(quarters: &[Vec<LightSample>; 4]) -> Result<Self, ScanError> {
        let all: Vec<LightSample> = quarters.concat();
        let share = all.iter().filter(|sample| sample.clipped).count() as f64 / all.len() as f64;
        if share > CLIPPED_SHARE {
            return Err(ScanError::Clipped { share });
        }
        let middle = |samples: &[LightSample]| {
            let sorted = sorted(samples);
            let (from, to) = (sorted.len() / 4, sorted.len() - sorted.len() / 4);
            sorted[from..to].iter().sum::<f64>() / (to - from) as f64
        };
        let of_quarters = quarters.each_ref().map(|quarter| middle(quarter));
        let least = of_quarters.iter().copied().fold(f64::INFINITY, f64::min);
        let most = of_quarters.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let sorted = sorted(&all);
        Ok(Self {
            middle: middle(&all),
            darker: sorted[sorted.len() / 4],
            lighter: sorted[sorted.len() - 1 - sorted.len() / 4],
            quarters: (least, most),
        })
    }
}

fn sorted(samples: &[LightSample]) -> Vec<f64> {
    let mut lights: Vec<f64> = samples.iter().map(|sample| sample.light).collect();
    lights.sort_by(f64::total_cmp);
    lights
}

impl ScanScale {
    /// From references: of one, the light's gain; of several, by least squares
    /// with equal relative errors, the stray light as well.
    ///
    /// # Errors
    /// [`ScanError::NoReference`], [`ScanError::References`].
    pub fn new(references: &[Reference]) -> Result<Self, ScanError> {
        if references.is_empty() {
            return Err(ScanError::NoReference);
        }
        Self::sound(references).ok_or_else(|| {
            let by_curve = |power: f64| -> Vec<Reference> {
                references.iter().map(|r| Reference { light: r.light.powf(power), ..*r }).collect()
            };
            // What makes them fit is the likely reason.
            if Self::sound(&by_curve(SRGB.recip())).is_some() {
                ScanError::TooDarkInTheDark
            } else if Self::sound(&by_curve(SRGB)).is_some() {
                ScanError::TooLightInTheDark
            } else {
                ScanError::References
            }
        })
    }

    /// The scale of references that fit one another, with a stray light that a scanner has. A
    /// curve of numbers that is taken for another bends the scale, which shows in the dark.
    fn sound(references: &[Reference]) -> Option<Self> {
        let scale = match references {
            [one] => Self { gain: one.light / one.density.reflectance(), stray: 0.0 },
            several => Self::fit(several)?,
        };
        let lightest = references.iter().map(|reference| reference.light).fold(0.0, f64::max);
        let darkest = references.iter().map(|r| r.density.reflectance()).fold(f64::INFINITY, f64::min);
        let stray = -MISSING_IN_THE_DARK * scale.gain * darkest..=MOST_STRAY * lightest;
        let is_read = |reference: &Reference| {
            let read = scale.density(reference.light);
            read.is_some_and(|read| (read.value() - reference.density.value()).abs() <= MOST_OFF)
        };
        let is_sound = scale.gain > 0.0 && scale.gain.is_finite() && stray.contains(&scale.stray);
        (is_sound && references.iter().all(is_read)).then_some(scale)
    }

    fn fit(references: &[Reference]) -> Option<Self> {
        let densities = || references.iter().map(|reference| reference.density.value());
        let apart = densities().fold(f64::NEG_INFINITY, f64::max) - densities().fold(f64::INFINITY, f64::min);
        if apart < LEAST_APART || references.iter().any(|reference| reference.light <= 0.0) {
            return None;
        }
        let sum = |term: &dyn Fn(f64, f64) -> f64| -> f64 {
            let weighted = |r: &Reference| term(r.density.reflectance(), r.light) / r.light.powi(2);
            references.iter().map(weighted).sum()
        };
        let (one, x, y) = (sum(&|_, _| 1.0), sum(&|r, _| r), sum(&|_, l| l));
        let (xx, xy) = (sum(&|r, _| r * r), sum(&|r, l| r * l));
        let gain = (one * xy - x * y) / (one * xx - x * x);
        Some(Self { gain, stray: (y - gain * x) / one })
    }

    /// The density that returns a light; `None` for no more than stray light.
    #[must_use]
    pub fn density(&self, light: f64) -> Option<Density> {
        let reflectance = (light - self.stray) / self.gain;
        (reflectance > 0.0).then(|| Density::from_reflectance(reflectance))
    }

    /// The density of a patch.
    ///
    /// # Errors
    /// [`ScanError::Uneven`], [`ScanError::TooDark`].
    pub fn patch(&self, patch: &PatchLight) -> Result<PatchDensity, ScanError> {
        let at = |light| self.density(light).ok_or(ScanError::TooDark);
        let density = at(patch.middle)?;
        let by = at(patch.quarters.0)?.value() - at(patch.quarters.1)?.value();
        if by > if density.value() < DARK { UNEVEN } else { UNEVEN_IN_THE_DARK } {
            return Err(ScanError::Uneven { by });
        }
        let spread = 0.5 * (at(patch.darker)?.value() - at(patch.lighter)?.value());
        Ok(PatchDensity { density, spread })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn even(light: f64) -> [Vec<LightSample>; 4] {
        [(); 4].map(|()| vec![LightSample { light, clipped: false }; 25])
    }

    fn reference(density: f64, light: f64) -> Reference {
        Reference { density: Density::new(density), light }
    }

    #[test]
    fn one_reference_tells_the_gain() {
        let scale = ScanScale::new(&[reference(0.1, 0.8)]).unwrap();
        let patch = PatchLight::new(&even(0.08)).unwrap();
        let told = scale.patch(&patch).unwrap();
        assert!((told.density.value() - 1.1).abs() < 1e-12 && told.spread == 0.0, "{told:?}");
    }

    #[test]
    fn two_references_tell_the_stray_light_too() {
        // By hand: light = 0.9 R + 0.01.
        let light = |density: f64| 0.9 * 10f64.powf(-density) + 0.01;
        let references = [0.05, 0.7, 1.8].map(|density| reference(density, light(density)));
        let scale = ScanScale::new(&references).unwrap();
        for density in [0.05, 0.5, 1.0, 1.5, 2.0] {
            assert!((scale.density(light(density)).unwrap().value() - density).abs() < 1e-9, "{density}");
        }
        assert_eq!(scale.density(0.0099), None);
        let dark = PatchLight::new(&even(0.0099)).unwrap();
        assert_eq!(scale.patch(&dark), Err(ScanError::TooDark));
    }

    #[test]
    fn a_speck_of_dust_changes_nothing() {
        let mut quarters = even(0.5);
        quarters[2][..6].fill(LightSample { light: 0.01, clipped: false });
        let patch = PatchLight::new(&quarters).unwrap();
        assert_eq!((patch.middle, patch.darker), (0.5, 0.5));
        assert!(ScanScale::new(&[reference(0.0, 1.0)]).unwrap().patch(&patch).is_ok());
    }

    #[test]
    fn clipped_and_uneven_patches_are_refused() {
        let mut clipped = even(1.0);
        clipped[0][..2].fill(LightSample { light: 1.0, clipped: true });
        assert_eq!(PatchLight::new(&clipped), Err(ScanError::Clipped { share: 0.02 }));
        let mut uneven = even(0.5);
        uneven[3].fill(LightSample { light: 0.44, clipped: false });
        let patch = PatchLight::new(&uneven).unwrap();
        let scale = ScanScale::new(&[reference(0.0, 1.0)]).unwrap();
        // By hand: log10 of 0.5/0.44.
        let Err(ScanError::Uneven { by }) = scale.patch(&patch) else { panic!("{patch:?}") };
        assert!((by - 0.055_517).abs() < 1e-6, "{by}");
    }

    #[test]
    fn numbers_read_by_another_curve_are_refused_with_the_likely_reason() {
        // A clean scanner, and a dark reference of a density that is known to 0.03.
        let light = |density: f64| 0.9 * 10f64.powf(-density) + 0.005;
        for dark in [0.75, 1.2, 1.8] {
            for known in [dark - 0.03, dark + 0.03] {
                let read = |curve: f64| {
                    let of = |density: f64| light(density).powf(curve);
                    ScanScale::new(&[reference(0.06, of(0.06)), reference(known, of(dark))])
                };
                assert!(read(1.0).is_ok(), "{dark} {known}: {:?}", read(1.0));
                assert_eq!(read(2.2), Err(ScanError::TooDarkInTheDark), "{dark}");
                assert_eq!(read(1.0 / 2.2), Err(ScanError::TooLightInTheDark), "{dark}");
            }
        }
    }

    #[test]
    fn references_that_tell_nothing_are_refused() {
        assert_eq!(ScanScale::new(&[]), Err(ScanError::NoReference));
        for references in [
            vec![reference(0.1, 0.0)],
            vec![reference(0.1, 0.8), reference(0.2, 0.7)],
            vec![reference(0.1, 0.1), reference(1.6, 0.8)],
            vec![reference(0.1, 0.8), reference(1.6, 0.8)],
            vec![reference(0.1, 0.8), reference(0.7, 0.4), reference(1.6, 0.02)],
            vec![reference(0.1, f64::NAN), reference(1.6, 0.8)],
        ] {
            assert_eq!(ScanScale::new(&references), Err(ScanError::References), "{references:?}");
        }
    }
}
