//! Days as people type them.

use std::str::FromStr;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

use super::Failure;
use crate::words;

/// `2026-07-14`, `today` or `yesterday`.
#[derive(Debug, Clone, Copy)]
pub(super) enum Day {
    Ago(i32),
    On(Date),
}

impl FromStr for Day {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "today" => Ok(Self::Ago(0)),
            "yesterday" => Ok(Self::Ago(1)),
            _ => text
                .parse()
                .map(Self::On)
                .map_err(|_| format!("'{text}' is not a day; write it like 2026-07-14, today or yesterday")),
        }
    }
}

impl Day {
    /// The day in the calendar of a zone.
    pub(super) fn date(self, zone: &TimeZone) -> Result<Date, Failure> {
        match self {
            Self::On(date) => Ok(date),
            Self::Ago(days) => Timestamp::now()
                .to_zoned_datetime(zone.clone())
                .date()
                .checked_sub(days.days())
                .map_err(|error| Failure::Failed(error.to_string())),
        }
    }
}

/// The first instant of a day in a zone, in ms since 1970.
pub(super) fn midnight_ms(day: Date, zone: &TimeZone) -> Result<i64, Failure> {
    words::midnight_ms(day, zone).ok_or_else(|| Failure::Failed(format!("{day} is outside the calendar")))
}
