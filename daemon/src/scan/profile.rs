//! From the numbers of a picture to linear light: sRGB, or what an ICC profile says.

/// Why a profile cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(crate) enum ProfileError {
    /// Not an ICC profile, or one cut short.
    #[error("its ICC profile is damaged; convert the scan to sRGB")]
    Damaged,
    /// A profile without curves, which is not for scans as they are measured here.
    #[error("its ICC profile has no tone curves of grey or of red, green and blue; convert the scan to sRGB")]
    NoCurves,
}

/// How red, green and blue add up to luminance.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Profile {
    channels: [(ToneCurve, f64); 3],
}

/// From a number between 0 and 1 to linear light.
#[derive(Debug, Clone, PartialEq)]
enum ToneCurve {
    /// `(a x + b)^g + e` from `d` on, `c x + f` below (ICC.1:2022, parametricCurveType).
    Parametric { g: f64, a: f64, b: f64, c: f64, d: f64, e: f64, f: f64 },
    /// Even steps, straight between them.
    Table(Vec<u16>),
}

impl ToneCurve {
    const fn power(g: f64) -> Self {
        Self::Parametric { g, a: 1.0, b: 0.0, c: 0.0, d: 0.0, e: 0.0, f: 0.0 }
    }

    /// IEC 61966-2-1.
    const SRGB: Self = Self::Parametric {
        g: 2.4,
        a: 1.0 / 1.055,
        b: 0.055 / 1.055,
        c: 1.0 / 12.92,
        d: 0.040_45,
        e: 0.0,
        f: 0.0,
    };

    fn light(&self, x: f64) -> f64 {
        match self {
            &Self::Parametric { g, a, b, c, d, e, f } => {
                if x >= d {
                    (a * x + b).max(0.0).powf(g) + e
                } else {
                    c * x + f
                }
            }
            Self::Table(steps) => {
                let at = x * (steps.len() - 1) as f64;
                let below = (at as usize).min(steps.len() - 2);
                let [from, to] = [below, below + 1].map(|i| f64::from(steps[i]) / f64::from(u16::MAX));
                from + (to - from) * (at - below as f64)
            }
        }
    }
}

impl Profile {
    /// Light as it is, in equal parts.
    pub(super) const LINEAR: Self = Self {
        channels: [
            (ToneCurve::power(1.0), 0.2126),
            (ToneCurve::power(1.0), 0.7152),
            (ToneCurve::power(1.0), 0.0722),
        ],
    };

    /// sRGB, with the luminance of its primaries (IEC 61966-2-1).
    pub(super) fn srgb() -> Self {
        let [red, green, blue] = Self::LINEAR.channels.map(|(_, share)| (ToneCurve::SRGB, share));
        Self { channels: [red, green, blue] }
    }

    /// What an ICC profile with tone curves says: of grey, or of red, green and
    /// blue with their luminances.
    pub(super) fn from_icc(icc: &[u8]) -> Result<Self, ProfileError> {
        let icc = Icc(icc);
        if let Some(grey) = icc.tag(b"kTRC")? {
            let curve = icc.curve(grey)?;
            return Ok(Self { channels: [(curve.clone(), 1.0), (curve.clone(), 0.0), (curve, 0.0)] });
        }
        let channel = |curve: &[u8; 4], colorant: &[u8; 4]| match (icc.tag(curve)?, icc.tag(colorant)?) {
            (Some(curve), Some(colorant)) => Ok((icc.curve(curve)?, icc.luminance(colorant)?)),
            _ => Err(ProfileError::NoCurves),
        };
        let channels = [channel(b"rTRC", b"rXYZ")?, channel(b"gTRC", b"gXYZ")?, channel(b"bTRC", b"bXYZ")?];
        Ok(Self { channels })
    }

    /// Luminance, in parts of the brightest white.
    pub(super) fn light(&self, channels: [u16; 3]) -> f64 {
        let lights = self.channels.iter().zip(channels);
        lights
            .map(|((curve, share), number)| share * curve.light(f64::from(number) / f64::from(u16::MAX)))
            .sum()
    }
}

/// The bytes of a profile (ICC.1:2022): big-endian, tags in a table after 128
/// bytes of header.
struct Icc<'a>(&'a [u8]);

impl<'a> Icc<'a> {
    fn bytes<const N: usize>(&self, at: usize) -> Result<[u8; N], ProfileError> {
        let end = at.checked_add(N).ok_or(ProfileError::Damaged)?;
        let bytes = self.0.get(at..end).ok_or(ProfileError::Damaged)?;
        bytes.try_into().map_err(|_| ProfileError::Damaged)
    }

    fn number(&self, at: usize) -> Result<usize, ProfileError> {
        usize::try_from(u32::from_be_bytes(self.bytes(at)?)).map_err(|_| ProfileError::Damaged)
    }

    /// A number in 1/65536.
    fn fixed(&self, at: usize) -> Result<f64, ProfileError> {
        Ok(f64::from(i32::from_be_bytes(self.bytes(at)?)) / 65536.0)
    }

    /// Where the data of a tag begin.
    fn tag(&self, name: &[u8; 4]) -> Result<Option<usize>, ProfileError> {
        /// Profiles have some twenty.
        const MOST_TAGS: usize = 200;
        let tags = (0..self.number(128)?.min(MOST_TAGS)).map(|i| 132 + 12 * i);
        for tag in tags {
            if self.bytes::<4>(tag)? == *name {
                return self.number(tag + 4).map(Some);
            }
        }
        Ok(None)
    }

    /// Y of an `XYZ ` tag.
    fn luminance(&self, tag: usize) -> Result<f64, ProfileError> {
        self.fixed(tag + 12)
    }

    fn curve(&self, tag: usize) -> Result<ToneCurve, ProfileError> {
        match &self.bytes::<4>(tag)? {
            b"curv" => match self.number(tag + 8)? {
                0 => Ok(ToneCurve::power(1.0)),
                1 => Ok(ToneCurve::power(f64::from(u16::from_be_bytes(self.bytes(tag + 12)?)) / 256.0)),
                steps if steps <= 1 << 16 => {
                    let step = |i| self.bytes(tag + 12 + 2 * i).map(u16::from_be_bytes);
                    (0..steps).map(step).collect::<Result<_, _>>().map(ToneCurve::Table)
                }
                _ => Err(ProfileError::Damaged),
            },
            b"para" => self.parametric(tag),
            _ => Err(ProfileError::NoCurves),
        }
    }

    fn parametric(&self, tag: usize) -> Result<ToneCurve, ProfileError> {
        let kind = u16::from_be_bytes(self.bytes(tag + 8)?);
        let count = *[1usize, 3, 4, 5, 7].get(usize::from(kind)).ok_or(ProfileError::NoCurves)?;
        let mut p = [0.0; 7];
        for (i, parameter) in p.iter_mut().enumerate().take(count) {
            *parameter = self.fixed(tag + 12 + 4 * i)?;
        }
        let [g, a, b, c, d, e, f] = p;
        Ok(match kind {
            0 => ToneCurve::power(g),
            // Zero below -b/a, and c besides in the second.
            1 => ToneCurve::Parametric { g, a, b, c: 0.0, d: -b / a, e: 0.0, f: 0.0 },
            2 => ToneCurve::Parametric { g, a, b, c: 0.0, d: -b / a, e: c, f: c },
            _ => ToneCurve::Parametric { g, a, b, c, d, e, f },
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// A profile of tags with their data.
    fn icc(tags: &[(&[u8; 4], Vec<u8>)]) -> Vec<u8> {
        let mut bytes = vec![0; 128];
        bytes.extend(u32::try_from(tags.len()).unwrap().to_be_bytes());
        let mut at = 132 + 12 * tags.len();
        for (name, data) in tags {
            bytes.extend_from_slice(*name);
            bytes.extend(u32::try_from(at).unwrap().to_be_bytes());
            bytes.extend(u32::try_from(data.len()).unwrap().to_be_bytes());
            at += data.len();
        }
        tags.iter().for_each(|(_, data)| bytes.extend(data));
        bytes
    }

    fn fixed(number: f64) -> [u8; 4] {
        ((number * 65536.0).round() as i32).to_be_bytes()
    }

    fn curv(entries: &[u16]) -> Vec<u8> {
        let mut data = b"curv\0\0\0\0".to_vec();
        data.extend(u32::try_from(entries.len()).unwrap().to_be_bytes());
        entries.iter().for_each(|entry| data.extend(entry.to_be_bytes()));
        data
    }

    fn para(kind: u16, parameters: &[f64]) -> Vec<u8> {
        let mut data = b"para\0\0\0\0".to_vec();
        data.extend(kind.to_be_bytes());
        data.extend([0, 0]);
        parameters.iter().for_each(|&parameter| data.extend(fixed(parameter)));
        data
    }

    fn xyz(y: f64) -> Vec<u8> {
        [b"XYZ \0\0\0\0".to_vec(), fixed(0.3).to_vec(), fixed(y).to_vec(), fixed(0.1).to_vec()].concat()
    }

    fn grey_light(curve: Vec<u8>, number: f64) -> f64 {
        let profile = Profile::from_icc(&icc(&[(b"kTRC", curve)])).unwrap();
        profile.light([(number * 65535.0).round() as u16; 3])
    }

    #[test]
    fn srgb_is_that_of_the_standard() {
        // IEC 61966-2-1 by hand: ((x + 0.055) / 1.055)^2.4, and x / 12.92 below 0.04045.
        for (number, light) in [(0.0, 0.0), (0.02, 0.001_548), (0.5, 0.214_041), (1.0, 1.0)] {
            let got = Profile::srgb().light([(number * 65535.0f64).round() as u16; 3]);
            assert!((got - light).abs() < 1e-5, "{number}: {got}");
        }
    }

    #[test]
    fn curves_of_every_kind() {
        // By hand.
        assert!((grey_light(curv(&[]), 0.5) - 0.5).abs() < 1e-5);
        assert!((grey_light(curv(&[0x0200]), 0.5) - 0.25).abs() < 2e-5);
        assert!((grey_light(curv(&[0, 6554, 65535]), 0.25) - 0.05).abs() < 1e-4);
        assert!((grey_light(para(0, &[2.0]), 0.5) - 0.25).abs() < 2e-5);
        assert!((grey_light(para(1, &[2.0, 2.0, -0.5]), 0.5) - 0.25).abs() < 4e-5);
        assert_eq!(grey_light(para(1, &[2.0, 2.0, -0.5]), 0.2), 0.0);
        assert!((grey_light(para(2, &[2.0, 2.0, -0.5, 0.1]), 0.2) - 0.1).abs() < 1e-4);
        let srgb = para(3, &[2.4, 1.0 / 1.055, 0.055 / 1.055, 1.0 / 12.92, 0.04045]);
        assert!((grey_light(srgb, 0.5) - 0.214_041).abs() < 1e-4);
        assert!((grey_light(para(4, &[1.0, 0.5, 0.0, 0.0, 0.1, 0.25, 0.0]), 0.5) - 0.5).abs() < 1e-4);
    }

    #[test]
    fn colours_add_up_by_their_luminance() {
        let linear = || curv(&[]);
        let tags = [
            (b"rTRC", linear()),
            (b"gTRC", linear()),
            (b"bTRC", linear()),
            (b"rXYZ", xyz(0.25)),
            (b"gXYZ", xyz(0.625)),
            (b"bXYZ", xyz(0.125)),
        ];
        let profile = Profile::from_icc(&icc(&tags)).unwrap();
        assert!((profile.light([65535, 0, 0]) - 0.25).abs() < 1e-9);
        assert!((profile.light([0, 65535, 65535]) - 0.75).abs() < 1e-9);
        assert_eq!(Profile::from_icc(&icc(&tags[..5])), Err(ProfileError::NoCurves));
    }

    #[test]
    fn what_is_no_profile_is_refused() {
        assert_eq!(Profile::from_icc(b"short"), Err(ProfileError::Damaged));
        assert_eq!(Profile::from_icc(&icc(&[])), Err(ProfileError::NoCurves));
        assert_eq!(
            Profile::from_icc(&icc(&[(b"kTRC", b"mft2\0\0\0\0".to_vec())])),
            Err(ProfileError::NoCurves)
        );
        let whole = icc(&[(b"kTRC", curv(&[0, 1, 2, 3]))]);
        assert_eq!(Profile::from_icc(&whole[..whole.len() - 1]), Err(ProfileError::Damaged));
    }

    proptest! {
        #[test]
        fn arbitrary_bytes_never_panic(
            tail in prop::collection::vec(any::<u8>(), 0..120), number in any::<u16>(),
        ) {
            let mut bytes = icc(&[(b"kTRC", curv(&[1, 2, 3])), (b"rTRC", tail.clone())]);
            let behind_header = bytes.len() - 128;
            for (i, byte) in tail.iter().enumerate() {
                bytes[128 + 7 * i % behind_header] ^= byte;
            }
            bytes.truncate(usize::from(number) % (bytes.len() + 1));
            if let Ok(profile) = Profile::from_icc(&bytes) {
                let _ = profile.light([number; 3]);
            }
            let _ = Profile::from_icc(&tail);
        }
    }
}
