//! Reading quantities as people type them.

use std::str::FromStr;
use std::time::Duration;

use super::{Dose, Irradiance, Stops, TargetDose};

/// Why a typed quantity was refused. The message says what would be taken.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ParseQuantityError {
    /// Not a dose in one of the accepted units.
    #[error("'{0}' is not a dose; write it like 18kJ/m2, 1.8J/cm2, 1800mJ/cm2 or 18000J/m2")]
    Dose(String),
    /// A dose that nobody can aim at.
    #[error("a target must be above zero and at most 100000 kJ/m2, not {} kJ/m2", .j_m2 / 1000.0)]
    TargetRange {
        /// The dose asked for, in J/m².
        j_m2: f64,
    },
    /// Not an irradiance.
    #[error("'{0}' is not an irradiance; write it like 41.2W/m2, 4.12mW/cm2 or 4120uW/cm2")]
    Irradiance(String),
    /// Not a number of stops.
    #[error("'{0}' is not a number of stops; write it like +1/3stop, -0.5stop or +1stop")]
    Stops(String),
    /// More stops than anything is off by.
    #[error("'{0}' is too many stops; at most {MOST_STOPS} either way")]
    TooManyStops(String),
    /// Not a length of time.
    #[error("'{0}' is not a length of time; write it like 5min, 90s or 1h20m")]
    Duration(String),
    /// Not a share.
    #[error("'{0}' is not a share; write it like 85% (above 0%, at most 200%)")]
    Fraction(String),
}

/// The doses of a day and of a grain of light lie no further apart.
const MOST_STOPS: f64 = 20.0;

/// Long enough for any quantity; anything longer is not one.
const LONGEST: usize = 40;

/// Splits "18.5 kJ/m²" into its number and its unit without blanks.
fn number_and_unit(text: &str) -> Option<(f64, String)> {
    if text.len() > LONGEST {
        return None;
    }
    let text = text.trim();
    let unit_at = text
        .char_indices()
        .find(|&(i, c)| !(c.is_ascii_digit() || c == '.' || (i == 0 && (c == '+' || c == '-'))))
        .map_or(text.len(), |(i, _)| i);
    let (number, unit) = text.split_at(unit_at);
    let value: f64 = number.parse().ok()?;
    let unit = unit.trim_start().replace(['²'], "2");
    (value.is_finite() && !unit.contains(char::is_whitespace)).then_some((value, unit))
}

impl FromStr for Dose {
    type Err = ParseQuantityError;

    /// Accepts kJ/m2, J/m2, J/cm2 and mJ/cm2, with or without a blank, `²` or
    /// `2`. A bare number has no unit and is refused.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let refused = || ParseQuantityError::Dose(shown(text));
        let (value, unit) = number_and_unit(text).ok_or_else(refused)?;
        // 1 J/cm2 = 10 kJ/m2; 1 mJ/cm2 = 10 J/m2.
        let j_m2 = match unit.as_str() {
            "kJ/m2" => value * 1e3,
            "J/m2" => value,
            "J/cm2" => value * 1e4,
            "mJ/cm2" => value * 10.0,
            _ => return Err(refused()),
        };
        Ok(Self::from_j_m2(j_m2))
    }
}

impl FromStr for TargetDose {
    type Err = ParseQuantityError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Self::new(text.parse()?)
    }
}

impl FromStr for Irradiance {
    type Err = ParseQuantityError;

    /// Accepts W/m2, mW/cm2 and uW/cm2.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let refused = || ParseQuantityError::Irradiance(shown(text));
        let (value, unit) = number_and_unit(text).ok_or_else(refused)?;
        let w_m2 = match unit.as_str() {
            "W/m2" => value,
            "mW/cm2" => value * 10.0,
            // The micro sign, and the letter mu that looks like it.
            "uW/cm2" | "µW/cm2" | "μW/cm2" => value * 0.01,
            _ => return Err(refused()),
        };
        if w_m2 < 0.0 {
            return Err(refused());
        }
        Ok(Self::from_w_m2(w_m2))
    }
}

impl FromStr for Stops {
    type Err = ParseQuantityError;

    /// Accepts decimals and simple fractions, signed or not, at most ±20.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let refused = || ParseQuantityError::Stops(shown(text));
        if text.len() > LONGEST {
            return Err(refused());
        }
        let number = text
            .trim()
            .strip_suffix("stops")
            .or_else(|| text.trim().strip_suffix("stop"))
            .ok_or_else(refused)?
            .trim_end();
        let plain = |s: &str| -> Option<f64> {
            let digits = s.strip_prefix(['+', '-']).unwrap_or(s);
            let ok = !digits.is_empty() && digits.chars().all(|c| c.is_ascii_digit() || c == '.');
            ok.then(|| s.parse().ok()).flatten()
        };
        let value = match number.split_once('/') {
            None => plain(number),
            Some((above, below)) if !below.starts_with(['+', '-']) => {
                plain(above).zip(plain(below)).map(|(a, b)| a / b)
            }
            Some(_) => None,
        };
        match value {
            Some(v) if v.is_finite() && v.abs() <= MOST_STOPS => Ok(Self::new(v)),
            Some(v) if v.is_finite() => Err(ParseQuantityError::TooManyStops(shown(text))),
            _ => Err(refused()),
        }
    }
}

/// Reads a length of time: `5min`, `90s`, `1h20m`, `250ms`, `2d`. Units come in
/// falling order, each at most once; the total is above zero and at most 400 days.
///
/// # Errors
/// [`ParseQuantityError::Duration`] for anything else.
pub fn parse_duration(text: &str) -> Result<Duration, ParseQuantityError> {
    let refused = || ParseQuantityError::Duration(shown(text));
    if text.len() > LONGEST {
        return Err(refused());
    }
    let mut rest = text.trim();
    let mut seconds = 0.0;
    let mut smallest = f64::INFINITY;
    while !rest.is_empty() {
        let unit_at = rest.find(|c: char| !(c.is_ascii_digit() || c == '.')).ok_or_else(refused)?;
        let value: f64 = rest[..unit_at].parse().map_err(|_| refused())?;
        rest = rest[unit_at..].trim_start();
        let unit_end = rest.find(|c: char| !c.is_ascii_alphabetic()).unwrap_or(rest.len());
        let unit = match &rest[..unit_end] {
            "d" => 86_400.0,
            "h" => 3_600.0,
            "min" | "m" => 60.0,
            "s" => 1.0,
            "ms" => 1e-3,
            _ => return Err(refused()),
        };
        if unit >= smallest {
            return Err(refused());
        }
        smallest = unit;
        seconds += value * unit;
        rest = rest[unit_end..].trim_start();
    }
    if seconds > 400.0 * 86_400.0 {
        return Err(refused());
    }
    // Less than half a nanosecond is no time.
    Some(Duration::from_secs_f64(seconds)).filter(|time| !time.is_zero()).ok_or_else(refused)
}

/// Reads a share such as `85%` as 0.85; above 0 % and at most 200 %.
///
/// # Errors
/// [`ParseQuantityError::Fraction`] for anything else.
pub fn parse_fraction(text: &str) -> Result<f64, ParseQuantityError> {
    match number_and_unit(text) {
        Some((value, unit)) if unit == "%" && value > 0.0 && value <= 200.0 => Ok(value / 100.0),
        _ => Err(ParseQuantityError::Fraction(shown(text))),
    }
}

/// What the person typed, cut so that an error stays one line.
fn shown(text: &str) -> String {
    let mut out: String = text.chars().take(LONGEST).map(|c| if c.is_control() { '?' } else { c }).collect();
    if text.chars().count() > LONGEST {
        out.push('…');
    }
    out
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn doses_in_every_accepted_unit() {
        for text in ["18kJ/m2", "18 kJ/m²", "1.8J/cm2", "1800mJ/cm2", "18000J/m2", " 18 kJ/m2 "] {
            let dose: Dose = text.parse().unwrap();
            assert!((dose.j_m2() - 18_000.0).abs() < 1e-9, "{text}");
        }
        for text in ["18", "18 kj/m2", "kJ/m2", "1e3J/m2", "NaNJ/m2", "18 k J/m2", "", "18kJ/m2x", "1..2J/m2"]
        {
            let error = text.parse::<Dose>().unwrap_err();
            assert!(error.to_string().contains("18kJ/m2"), "{text}");
        }
        assert!("0kJ/m2".parse::<TargetDose>().is_err());
        assert!("-5kJ/m2".parse::<TargetDose>().is_err());
        assert!("200000kJ/m2".parse::<TargetDose>().is_err());
    }

    #[test]
    fn stops_as_fractions_and_decimals() {
        assert_eq!("+1/3stop".parse::<Stops>().unwrap(), Stops::new(1.0 / 3.0));
        assert_eq!("-0.5 stop".parse::<Stops>().unwrap(), Stops::new(-0.5));
        assert_eq!("2stops".parse::<Stops>().unwrap(), Stops::new(2.0));
        for text in ["1/0stop", "stop", "1", "1/-3stop", "infstop", "+1/3/2stop", "99stop"] {
            assert!(text.parse::<Stops>().is_err(), "{text}");
        }
    }

    #[test]
    fn too_many_stops_are_told_with_the_limit() {
        let said = "-99stop".parse::<Stops>().unwrap_err().to_string();
        assert_eq!(said, "'-99stop' is too many stops; at most 20 either way");
    }

    #[test]
    fn lengths_of_time() {
        assert_eq!(parse_duration("5min").unwrap(), Duration::from_secs(300));
        assert_eq!(parse_duration("90s").unwrap(), Duration::from_secs(90));
        assert_eq!(parse_duration("1h20m").unwrap(), Duration::from_secs(4800));
        assert_eq!(parse_duration("250ms").unwrap(), Duration::from_millis(250));
        for text in ["5", "min", "-3s", "1m1h", "1s1s", "0s", "0.0000001ms", "1e9d", "5 minutes", ""] {
            assert!(parse_duration(text).is_err(), "{text}");
        }
    }

    #[test]
    fn shares() {
        assert_eq!(parse_fraction("85%").unwrap(), 0.85);
        for text in ["85", "0%", "-1%", "201%", "%"] {
            assert!(parse_fraction(text).is_err(), "{text}");
        }
    }

    proptest! {
        #[test]
        fn nothing_typed_can_panic(text in "\\PC{0,60}") {
            let _ = text.parse::<Dose>();
            let _ = text.parse::<TargetDose>();
            let _ = text.parse::<Stops>();
            let _ = text.parse::<Irradiance>();
            let _ = parse_duration(&text);
            let _ = parse_fraction(&text);
        }

        #[test]
        fn nothing_like_a_quantity_can_panic(
            text in "[-+]?[0-9.,/]{0,24} ?(k|m|M|c|µ)?(J|W|stop|stops|h|min|m|s|ms|d|%)(/?(m|cm)(2|²))?[0-9a-z]{0,4}",
        ) {
            let doses = [text.parse::<Dose>(), text.parse::<TargetDose>().map(TargetDose::dose)];
            prop_assert!(doses.into_iter().flatten().all(|dose| dose.j_m2().is_finite()), "{}", text);
            prop_assert!(!text.parse::<Stops>().is_ok_and(|stops| !stops.value().is_finite()), "{}", text);
            prop_assert!(!text.parse::<Irradiance>().is_ok_and(|e| !e.w_m2().is_finite()), "{}", text);
            let _ = parse_duration(&text);
            prop_assert!(!parse_fraction(&text).is_ok_and(|share| !share.is_finite()), "{}", text);
        }

        #[test]
        fn a_printed_dose_reads_back(kj in 0.01f64..99_999.0) {
            let dose = Dose::from_j_m2(kj * 1000.0);
            let back: Dose = dose.to_string().parse().unwrap();
            prop_assert!((back.j_m2() / dose.j_m2() - 1.0).abs() < 0.5, "{} {}", dose, back);
            prop_assert!((back.kj_m2() - kj).abs() <= 0.51 || kj < 100.0);
        }
    }
}
