//! What a sensor saw at one instant.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::integral::ceiling;
use crate::quantity::{Irradiance, Mono};

/// One measurement of a sensor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// The middle of the integration time: the instant the value belongs to.
    pub at: Mono,
    /// How long the chip integrated.
    pub span: Duration,
    /// What was seen.
    pub seen: Seen,
    /// Raw counts of the channel the value comes from.
    pub counts: i32,
    /// The range in use, as an index that belongs to the chip.
    pub range: u8,
    /// What is to be known beside the value.
    pub flags: Flags,
    /// Temperature of the chip in °C, where it tells.
    pub temperature_c: Option<f32>,
}

impl Reading {
    /// A plain good reading, for recorded light and tests.
    #[must_use]
    pub fn of(at: Mono, irradiance: Irradiance) -> Self {
        Self {
            at,
            span: Duration::ZERO,
            seen: Seen::Exactly(irradiance),
            counts: 0,
            range: 0,
            flags: Flags::NONE,
            temperature_c: None,
        }
    }
}

/// The value of a reading, with what it does not know.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Seen {
    /// Within the range of the chip.
    Exactly(Irradiance),
    /// The chip was saturated: at least this much.
    AtLeast(Irradiance),
}

impl Seen {
    /// The value, which is a lower bound when saturated.
    #[must_use]
    pub const fn lowest(self) -> Irradiance {
        match self {
            Self::Exactly(e) | Self::AtLeast(e) => e,
        }
    }

    /// The most that it may have been.
    #[must_use]
    pub fn highest(self) -> Irradiance {
        match self {
            Self::Exactly(e) => e,
            Self::AtLeast(e) => ceiling(e),
        }
    }

    /// Whether the chip was saturated.
    #[must_use]
    pub const fn is_bound(self) -> bool {
        matches!(self, Self::AtLeast(_))
    }
}

/// A small set of remarks on a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Flags(u16);

impl Flags {
    /// Nothing to remark.
    pub const NONE: Self = Self(0);
    /// The chip was at the end of its range: the value is a lower bound.
    pub const SATURATED: Self = Self(1);
    /// The range was changed just before this reading.
    pub const RANGE_CHANGED: Self = Self(1 << 1);
    /// A negative value after compensation was set to zero.
    pub const CLAMPED: Self = Self(1 << 2);
    /// No factor to W/m² is set: the value is in the part's own units.
    pub const UNCALIBRATED: Self = Self(1 << 3);
    /// The low bits never move: the part resolves less than its label says.
    pub const COARSE: Self = Self(1 << 4);
    /// A lamp was switched here: the light of the reading before or after, at the instant of the switch.
    pub const SWITCHED: Self = Self(1 << 5);

    /// The counts of the reading before, where noise should have moved them: the chip may be stuck.
    /// The light since then is believed once a reading with other counts comes. Between the sampler
    /// and the machine only: it has no name and is not kept.
    pub const REPEATED: Self = Self(1 << 6);
    /// The first reading of a chip that was set up anew: it says nothing on those before it.
    /// As [`Self::REPEATED`], it goes no further than the machine.
    pub const ANEW: Self = Self(1 << 7);

    const NAMED: [(Self, &'static str); 6] = [
        (Self::SATURATED, "saturated"),
        (Self::RANGE_CHANGED, "range-changed"),
        (Self::CLAMPED, "clamped"),
        (Self::UNCALIBRATED, "uncalibrated"),
        (Self::COARSE, "coarse"),
        (Self::SWITCHED, "switched"),
    ];

    /// Both sets together.
    #[must_use]
    pub const fn with(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// This set without those of the other.
    #[must_use]
    pub const fn without(self, other: Self) -> Self {
        Self(self.0 & !other.0)
    }

    /// Whether every flag of `other` is set.
    #[must_use]
    pub const fn has(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }

    /// The bits, as the ledger keeps them.
    #[must_use]
    pub const fn bits(self) -> u16 {
        self.0
    }

    /// From bits; unknown ones are kept.
    #[must_use]
    pub const fn from_bits(bits: u16) -> Self {
        Self(bits)
    }

    /// The names of the flags set, as in `status --json`.
    pub fn names(self) -> impl Iterator<Item = &'static str> {
        Self::NAMED.into_iter().filter(move |&(flag, _)| self.has(flag)).map(|(_, name)| name)
    }

    /// The flag of a name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::NAMED.into_iter().find(|&(_, n)| n == name).map(|(flag, _)| flag)
    }
}
