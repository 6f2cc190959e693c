//! What each chip can be set to.

use std::time::Duration;

use frameside_core::chips::{
    Ltr390, Ltr390Settings, Part, Photodiode, Ranging, Veml6070Settings, Veml6075Settings,
};

/// A chip and how the config sets it. What is `None` the driver ranges by itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Chip {
    /// AS7331, UV-A channel.
    As7331 {
        /// 1 to 2048, a power of two.
        gain: Option<u16>,
        /// 1 to 64 ms, a power of two.
        time: Option<Duration>,
    },
    /// An ADS101x or ADS111x with an analogue UV photodiode on its input.
    Adc {
        /// Which of the family.
        part: Part,
        /// What is on its input.
        photodiode: Photodiode,
        /// One of [`Part::full_scales_v`].
        full_scale_v: Option<f64>,
    },
    /// LTR-390UV-01.
    Ltr390(Ltr390Settings),
    /// VEML6075.
    Veml6075(Veml6075Settings),
    /// VEML6070.
    Veml6070(Veml6070Settings),
}

impl Chip {
    /// The ranges it may be read in, 0 the least sensitive: those it has, or the one that the
    /// config locks.
    #[must_use]
    pub fn ranges(&self) -> Vec<u8> {
        let locked = match self {
            Self::As7331 { gain, .. } => gain.map(|gain| gain.trailing_zeros() as u8),
            Self::Adc { part, full_scale_v, .. } => full_scale_v
                .and_then(|scale| part.full_scales_v().iter().position(|&s| s == scale))
                .map(|range| range as u8),
            Self::Ltr390(settings) => locked(settings.ranging),
            Self::Veml6075(settings) => locked(settings.ranging),
            Self::Veml6070(_) => Some(0),
        };
        let has = match self {
            Self::As7331 { .. } => Model::As7331.gains().len(),
            Self::Adc { part, .. } => part.full_scales_v().len().max(1),
            Self::Ltr390(_) => Model::Ltr390.gains().len(),
            Self::Veml6075(_) => Model::Veml6075.times_us().len(),
            Self::Veml6070(_) => 1,
        };
        locked.map_or_else(|| (0..has as u8).collect(), |range| vec![range])
    }

    /// The same chip, read in one of its [`Chip::ranges`] only.
    #[must_use]
    pub fn locked_to(self, range: u8) -> Self {
        match self {
            Self::As7331 { time, .. } => Self::As7331 { gain: Some(1 << range), time },
            Self::Adc { part, photodiode, .. } => {
                let full_scale_v = part.full_scales_v().get(usize::from(range)).copied();
                Self::Adc { part, photodiode, full_scale_v }
            }
            Self::Ltr390(settings) => {
                Self::Ltr390(Ltr390Settings { ranging: Ranging::Locked(range), ..settings })
            }
            Self::Veml6075(_) => Self::Veml6075(Veml6075Settings { ranging: Ranging::Locked(range) }),
            Self::Veml6070(_) => self,
        }
    }
}

fn locked(ranging: Ranging) -> Option<u8> {
    match ranging {
        Ranging::Free => None,
        Ranging::Locked(range) => Some(range),
    }
}

/// A chip by its name in the config, before its settings are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Model {
    As7331,
    Adc(Part),
    Ltr390,
    Veml6075,
    Veml6070,
}

impl Model {
    pub(super) const NAMED: [(&'static str, Self); 10] = [
        ("as7331", Self::As7331),
        ("ads1115", Self::Adc(Part::Ads1115)),
        ("ads1114", Self::Adc(Part::Ads1114)),
        ("ads1113", Self::Adc(Part::Ads1113)),
        ("ads1015", Self::Adc(Part::Ads1015)),
        ("ads1014", Self::Adc(Part::Ads1014)),
        ("ads1013", Self::Adc(Part::Ads1013)),
        ("ltr390", Self::Ltr390),
        ("veml6075", Self::Veml6075),
        ("veml6070", Self::Veml6070),
    ];

    pub(super) fn named(name: &str) -> Option<Self> {
        Self::NAMED.into_iter().find(|&(n, _)| n == name).map(|(_, model)| model)
    }

    pub(super) fn name(self) -> &'static str {
        Self::NAMED.into_iter().find(|&(_, model)| model == self).map_or("", |(name, _)| name)
    }

    /// The I2C addresses the chip can have; the first is the one it has
    /// unless its address pin says otherwise. A VEML6070 also answers at 0x39.
    pub(super) const fn addresses(self) -> &'static [u8] {
        match self {
            Self::As7331 => &[0x74, 0x75, 0x76, 0x77],
            Self::Adc(_) => &[0x48, 0x49, 0x4a, 0x4b],
            Self::Ltr390 => &[0x53],
            Self::Veml6075 => &[0x10],
            Self::Veml6070 => &[0x38],
        }
    }

    /// The gains that can be locked.
    pub(super) const fn gains(self) -> &'static [u16] {
        match self {
            Self::As7331 => &[1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024, 2048],
            Self::Ltr390 => &Ltr390::GAINS,
            Self::Adc(_) | Self::Veml6075 | Self::Veml6070 => &[],
        }
    }

    /// The integration times that can be locked, in microseconds. Those of a
    /// VEML6070 depend on its resistor.
    pub(super) const fn times_us(self) -> &'static [u64] {
        match self {
            Self::As7331 => &[1_000, 2_000, 4_000, 8_000, 16_000, 32_000, 64_000],
            Self::Ltr390 => &[12_500, 25_000, 50_000, 100_000, 200_000, 400_000],
            Self::Veml6075 => &[50_000, 100_000, 200_000, 400_000, 800_000],
            Self::Adc(_) | Self::Veml6070 => &[],
        }
    }
}
