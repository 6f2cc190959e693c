//! From the numbers of a picture to linear light: by its ICC profile, or as sRGB.

use moxcms::{ColorProfile, DataColorSpace, ToneCurveEvaluator, ToneReprCurve};

/// Why a profile cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum ProfileError {
    /// Not an ICC profile, or one cut short.
    #[error("its ICC profile is damaged; convert the scan to sRGB")]
    Damaged,
    /// A profile without curves, which is not for scans as they are measured here.
    #[error("its ICC profile has no tone curves of grey or of red, green and blue; convert the scan to sRGB")]
    NoCurves,
}

/// How red, green and blue add up to luminance.
pub(super) struct Profile {
    channels: [Channel; 3],
}

struct Channel {
    curve: Box<dyn ToneCurveEvaluator + Send + Sync>,
    /// Of the luminance of white.
    share: f64,
}

impl Profile {
    /// sRGB (IEC 61966-2-1).
    pub(super) fn srgb() -> Self {
        Self::new(&ColorProfile::new_srgb()).expect("sRGB has curves")
    }

    /// The colours of sRGB, its numbers being light as it is.
    pub(super) fn linear() -> Self {
        Self::new(&with_curves(Some(ToneReprCurve::Lut(Vec::new())))).expect("straight lines are curves")
    }

    /// What the bytes of an ICC profile say.
    pub(super) fn from_icc(icc: &[u8]) -> Result<Self, ProfileError> {
        Self::new(&ColorProfile::new_from_slice(icc).map_err(|_| ProfileError::Damaged)?)
    }

    fn new(icc: &ColorProfile) -> Result<Self, ProfileError> {
        let channel = |curve: &Option<ToneReprCurve>, share| {
            let curve = curve.as_ref().ok_or(ProfileError::NoCurves)?;
            let curve = curve.make_linear_evaluator().map_err(|_| ProfileError::Damaged)?;
            Ok(Channel { curve, share })
        };
        let channels = if icc.color_space == DataColorSpace::Gray {
            let grey = |share| channel(&icc.gray_trc, share);
            [grey(1.0)?, grey(0.0)?, grey(0.0)?]
        } else {
            [
                channel(&icc.red_trc, icc.red_colorant.y)?,
                channel(&icc.green_trc, icc.green_colorant.y)?,
                channel(&icc.blue_trc, icc.blue_colorant.y)?,
            ]
        };
        Ok(Self { channels })
    }

    /// Luminance, in parts of white.
    pub(super) fn light(&self, numbers: [u16; 3]) -> f64 {
        let light = |(channel, number): (&Channel, u16)| {
            let number = f32::from(number) / f32::from(u16::MAX);
            channel.share * f64::from(channel.curve.evaluate_value(number))
        };
        self.channels.iter().zip(numbers).map(light).sum()
    }

    /// Whether a channel at an end of its range hides light that counts for the luminance. The
    /// red of a blue print lies below zero in sRGB and is cut off there, which hardly counts.
    pub(super) fn is_clipped(&self, numbers: [u16; 3]) -> bool {
        /// A channel at zero may be about one step of 8 bit off.
        const STEP: f32 = 1.0 / 255.0;
        /// What it may hide, as a share of the luminance.
        const HIDDEN: f64 = 0.05;
        /// A channel at the top may be off by anything: it counts where it is more than this
        /// share of the luminance.
        const COUNTS: f64 = 0.1;
        let luminance = self.light(numbers);
        let counts = |(channel, number): (&Channel, u16)| {
            let at = |number: f32| channel.share * f64::from(channel.curve.evaluate_value(number));
            match number {
                0 => at(STEP) - at(0.0) > HIDDEN * luminance,
                u16::MAX => at(1.0) > COUNTS * luminance,
                _ => false,
            }
        };
        self.channels.iter().zip(numbers).any(counts)
    }
}

/// The colours of sRGB with another tone curve.
fn with_curves(curve: Option<ToneReprCurve>) -> ColorProfile {
    let mut profile = ColorProfile::new_srgb();
    for channel in [&mut profile.red_trc, &mut profile.green_trc, &mut profile.blue_trc] {
        channel.clone_from(&curve);
    }
    profile
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn read(icc: &ColorProfile) -> Profile {
        Profile::from_icc(&icc.encode().unwrap()).unwrap()
    }

    #[test]
    fn srgb_is_that_of_the_standard() {
        // IEC 61966-2-1 by hand: ((x + 0.055) / 1.055)^2.4, and x / 12.92 below 0.04045.
        for (number, light) in [(0.0, 0.0), (0.02, 0.001_548), (0.5, 0.214_041), (1.0, 1.0)] {
            let got = Profile::srgb().light([(number * 65535.0f64).round() as u16; 3]);
            assert!((got - light).abs() < 1e-4, "{number}: {got}");
            assert!(
                (Profile::linear().light([(number * 65535.0f64).round() as u16; 3]) - number).abs() < 1e-4
            );
        }
        // The luminance of green alone, adapted to D50 as ICC profiles are.
        assert!((Profile::srgb().light([0, 65535, 0]) - 0.717).abs() < 1e-3);
    }

    #[test]
    fn a_channel_at_its_end_counts_by_its_share_of_the_luminance() {
        let srgb = Profile::srgb();
        // A deep blue print has no red that sRGB could hold.
        assert!(!srgb.is_clipped([0, 12_000, 30_000]));
        assert!(!srgb.is_clipped([50_000, 52_000, 65_535]), "blue is a sixteenth of the luminance");
        assert!(srgb.is_clipped([60_000, 65_535, 60_000]) && srgb.is_clipped([65_535; 3]));
        assert!(srgb.is_clipped([0; 3]) && srgb.is_clipped([0, 0, 800]));
    }

    #[test]
    fn profiles_of_scans_are_followed() {
        let half = [32768; 3];
        assert!((read(&ColorProfile::new_gray_with_gamma(2.0)).light(half) - 0.25).abs() < 1e-4);
        let srgb = read(&ColorProfile::new_srgb());
        assert!((srgb.light(half) - Profile::srgb().light(half)).abs() < 1e-4);
        let steps = with_curves(Some(ToneReprCurve::Lut(vec![0, 6554, 65535])));
        // By hand: half of the first step.
        assert!((read(&steps).light([16384; 3]) - 0.05).abs() < 1e-4);
    }

    #[test]
    fn what_is_no_profile_is_refused() {
        assert_eq!(Profile::from_icc(b"short").err(), Some(ProfileError::Damaged));
        assert_eq!(Profile::new(&with_curves(None)).err(), Some(ProfileError::NoCurves));
    }

    proptest! {
        #[test]
        fn damaged_profiles_never_panic(
            damage in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..20),
            end in any::<prop::sample::Index>(),
        ) {
            let mut bytes = ColorProfile::new_srgb().encode().unwrap();
            for (at, byte) in damage {
                let at = at.index(bytes.len());
                bytes[at] = byte;
            }
            bytes.truncate(end.index(bytes.len() + 1));
            if let Ok(profile) = Profile::from_icc(&bytes) {
                let _ = profile.light([40_000; 3]);
            }
        }
    }
}
