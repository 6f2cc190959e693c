//! Quantities as types, so that units cannot be mixed up.
//!
//! Radiometry in SI: irradiance in W/m², radiant exposure ("dose") in J/m².
//! Photographic ratios in stops, powers of two. Instants are monotonic.
//!
//! An irradiance and a dose do not add:
//!
//! ```compile_fail
//! use frameside_core::quantity::{Dose, Irradiance};
//! let _ = Dose::from_j_m2(10.0) + Irradiance::from_w_m2(1.0);
//! ```
//!
//! Irradiance times time is dose:
//!
//! ```
//! use frameside_core::quantity::{Dose, Irradiance};
//! assert_eq!(Irradiance::from_w_m2(40.0).over_seconds(300.0), Dose::from_j_m2(12_000.0));
//! ```

mod parse;

use std::fmt;
use std::ops::{Add, AddAssign, Mul, Sub};
use std::time::Duration;

use serde::{Deserialize, Serialize};

pub use parse::{ParseQuantityError, parse_duration, parse_fraction};

/// Irradiance in W/m², in the band of the sensor that reported it.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Irradiance(f64);

impl Irradiance {
    /// No light.
    pub const ZERO: Self = Self(0.0);

    /// From W/m².
    #[must_use]
    pub const fn from_w_m2(value: f64) -> Self {
        Self(value)
    }

    /// In W/m².
    #[must_use]
    pub const fn w_m2(self) -> f64 {
        self.0
    }

    /// The dose of this irradiance held for `seconds`.
    #[must_use]
    pub fn over_seconds(self, seconds: f64) -> Dose {
        Dose(self.0 * seconds)
    }

    /// The greater of two; a NaN loses.
    #[must_use]
    pub fn max(self, other: Self) -> Self {
        Self(self.0.max(other.0))
    }
}

impl Mul<f64> for Irradiance {
    type Output = Self;
    fn mul(self, factor: f64) -> Self {
        Self(self.0 * factor)
    }
}

impl fmt::Display for Irradiance {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} W/m²", self.0)
    }
}

/// Radiant exposure in J/m², in the band of the sensor it was integrated from.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Dose(f64);

impl Dose {
    /// Nothing.
    pub const ZERO: Self = Self(0.0);

    /// From J/m².
    #[must_use]
    pub const fn from_j_m2(value: f64) -> Self {
        Self(value)
    }

    /// In J/m².
    #[must_use]
    pub const fn j_m2(self) -> f64 {
        self.0
    }

    /// In kJ/m², the unit people read.
    #[must_use]
    pub fn kj_m2(self) -> f64 {
        self.0 / 1000.0
    }

    /// How far this dose is above `reference`, in stops: log2 of the ratio.
    /// Zero or negative doses give negative infinity or NaN.
    #[must_use]
    pub fn stops_over(self, reference: Self) -> Stops {
        Stops((self.0 / reference.0).log2())
    }

    /// This dose changed by `stops`: times 2^stops.
    #[must_use]
    pub fn changed_by(self, stops: Stops) -> Self {
        Self(self.0 * stops.0.exp2())
    }

    /// The greater of two; a NaN loses.
    #[must_use]
    pub fn max(self, other: Self) -> Self {
        Self(self.0.max(other.0))
    }

    /// The smaller of two; a NaN loses.
    #[must_use]
    pub fn min(self, other: Self) -> Self {
        Self(self.0.min(other.0))
    }
}

impl Add for Dose {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl AddAssign for Dose {
    fn add_assign(&mut self, other: Self) {
        self.0 += other.0;
    }
}

impl Sub for Dose {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

impl Mul<f64> for Dose {
    type Output = Self;
    fn mul(self, factor: f64) -> Self {
        Self(self.0 * factor)
    }
}

impl fmt::Display for Dose {
    /// kJ/m² with three significant digits, at most two decimals.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kj = self.kj_m2();
        let decimals = if kj.abs() < 9.995 {
            2
        } else if kj.abs() < 99.95 {
            1
        } else {
            0
        };
        write!(f, "{kj:.decimals$} kJ/m²")
    }
}

/// A dose someone can aim at: above zero and at most [`TargetDose::MOST`].
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct TargetDose(Dose);

impl TargetDose {
    /// 100 MJ/m²: about a month of full sun; more is a slip of the hand.
    pub const MOST: Dose = Dose(100e6);

    /// Checks a dose for use as a target.
    ///
    /// # Errors
    /// [`ParseQuantityError::TargetRange`] when it is zero, negative, not a
    /// number or over 100 MJ/m².
    pub fn new(dose: Dose) -> Result<Self, ParseQuantityError> {
        if dose > Dose::ZERO && dose <= Self::MOST {
            Ok(Self(dose))
        } else {
            Err(ParseQuantityError::TargetRange { j_m2: dose.0 })
        }
    }

    /// The dose itself.
    #[must_use]
    pub const fn dose(self) -> Dose {
        self.0
    }
}

impl<'de> Deserialize<'de> for TargetDose {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Self::new(Dose::deserialize(deserializer)?).map_err(serde::de::Error::custom)
    }
}

impl fmt::Display for TargetDose {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// A ratio of doses as a power of two.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Stops(f64);

impl Stops {
    /// From a number of stops.
    #[must_use]
    pub const fn new(value: f64) -> Self {
        Self(value)
    }

    /// The number of stops.
    #[must_use]
    pub const fn value(self) -> f64 {
        self.0
    }
}

impl fmt::Display for Stops {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let s = if self.0.abs() > 0.995 && self.0.abs() < 1.005 { "" } else { "s" };
        write!(f, "{:+.2} stop{s}", self.0)
    }
}

/// An instant on a monotonic clock, in nanoseconds from an origin that only
/// the caller knows (the boot, the first row of a file). Instants before the
/// origin are negative: after a restart the past lies there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Mono(i64);

impl Mono {
    /// From nanoseconds.
    #[must_use]
    pub const fn from_nanos(nanos: i64) -> Self {
        Self(nanos)
    }

    /// From seconds; rounds to the nanosecond and stops at the ends of the
    /// range (292 years).
    #[must_use]
    pub fn from_seconds(seconds: f64) -> Self {
        Self((seconds * 1e9).round() as i64)
    }

    /// Nanoseconds since the origin.
    #[must_use]
    pub const fn nanos(self) -> i64 {
        self.0
    }

    /// Seconds since the origin.
    #[must_use]
    pub fn seconds(self) -> f64 {
        self.0 as f64 * 1e-9
    }

    /// Seconds from `earlier` to here; negative when `earlier` is later.
    #[must_use]
    pub fn seconds_since(self, earlier: Self) -> f64 {
        self.0.saturating_sub(earlier.0) as f64 * 1e-9
    }

    /// Later by `seconds` (earlier when negative); stops at the ends of the range.
    #[must_use]
    pub fn plus_seconds(self, seconds: f64) -> Self {
        Self(self.0.saturating_add((seconds * 1e9).round() as i64))
    }

    /// The time from `earlier` to here, zero when `earlier` is later.
    #[must_use]
    pub fn duration_since(self, earlier: Self) -> Duration {
        Duration::from_nanos(u64::try_from(self.0.saturating_sub(earlier.0)).unwrap_or(0))
    }
}

impl Add<Duration> for Mono {
    type Output = Self;
    /// Stops at the end of the range.
    fn add(self, by: Duration) -> Self {
        Self(self.0.saturating_add(i64::try_from(by.as_nanos()).unwrap_or(i64::MAX)))
    }
}

impl Sub<Duration> for Mono {
    type Output = Self;
    /// Stops at the start of the range.
    fn sub(self, by: Duration) -> Self {
        Self(self.0.saturating_sub(i64::try_from(by.as_nanos()).unwrap_or(i64::MAX)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stops_of_a_dose_ratio() {
        // trade.md "The work, in short": log2(5/3) = +0.74 [calc].
        let stops = Dose::from_j_m2(5.0).stops_over(Dose::from_j_m2(3.0));
        assert!((stops.value() - 0.736_965_594).abs() < 1e-9);
        // trade.md D4: 15, +1/3 stop -> 18.8988; -1/2 stop -> 10.6066 [calc].
        let fifteen = Dose::from_j_m2(15.0);
        assert!((fifteen.changed_by(Stops::new(1.0 / 3.0)).j_m2() - 18.8988).abs() < 5e-5);
        assert!((fifteen.changed_by(Stops::new(-0.5)).j_m2() - 10.6066).abs() < 5e-5);
    }

    #[test]
    fn a_person_reads_three_digits() {
        assert_eq!(Dose::from_j_m2(15_000.0).to_string(), "15.0 kJ/m²");
        assert_eq!(Dose::from_j_m2(9_994.0).to_string(), "9.99 kJ/m²");
        assert_eq!(Dose::from_j_m2(9_996.0).to_string(), "10.0 kJ/m²");
        assert_eq!(Dose::from_j_m2(123_456.0).to_string(), "123 kJ/m²");
        assert_eq!(Stops::new(-0.5).to_string(), "-0.50 stops");
        assert_eq!(Stops::new(1.0).to_string(), "+1.00 stop");
    }

    #[test]
    fn instants_do_not_overflow() {
        let last = Mono::from_nanos(i64::MAX);
        assert_eq!(last + Duration::from_secs(1), last);
        assert_eq!(Mono::from_seconds(1.5).nanos(), 1_500_000_000);
        assert_eq!(Mono::from_nanos(0).duration_since(last), Duration::ZERO);
        assert_eq!(Mono::from_nanos(5).seconds_since(Mono::from_nanos(7)), -2e-9);
    }

    #[test]
    fn targets_outside_reason_are_refused() {
        for bad in [0.0, -1.0, f64::NAN, f64::INFINITY, 100.1e6] {
            assert!(TargetDose::new(Dose::from_j_m2(bad)).is_err(), "{bad}");
        }
        assert!(TargetDose::new(Dose::from_j_m2(100e6)).is_ok());
    }
}
