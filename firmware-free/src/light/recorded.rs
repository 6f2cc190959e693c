//! Recorded light: CSV with the header `time,irradiance_w_m2`, optionally
//! `,flags`.
//!
//! Times are RFC 3339 and strictly rising; an empty irradiance is a missing
//! sample; flags are the names of [`Flags`], separated by blanks. The parser is
//! handed blocks of bytes as they come and keeps at most one line of them, so
//! that a year of seconds streams through.

use std::ops::Range;

use super::{Flags, Seen};
use crate::quantity::Irradiance;

/// A row of recorded light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// Nanoseconds since 1970-01-01T00:00:00Z.
    pub unix_ns: i64,
    /// What was seen; `None` for a missing sample.
    pub seen: Option<Seen>,
    /// Remarks on it.
    pub flags: Flags,
}

/// What is wrong with a line.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RecordedError {
    /// The file has no line at all.
    #[error("the file is empty; the first line must be time,irradiance_w_m2")]
    Empty,
    /// The first line is not the header.
    #[error("the first line must be time,irradiance_w_m2 or time,irradiance_w_m2,flags")]
    Header,
    /// Too few or too many columns.
    #[error("{found} columns instead of {expected}")]
    Columns {
        /// As many as the header names.
        expected: usize,
        /// As many as the line has.
        found: usize,
    },
    /// Not a time.
    #[error("'{0}' is not a time; write it like 2026-06-01T10:00:00Z or 2026-06-01T12:00:00+02:00")]
    Time(String),
    /// A time that is not after the one before.
    #[error("the time is not later than the one before it; rows must be in rising order")]
    NotRising,
    /// A time that no sensor recorded.
    #[error("the year must be 1900 to 2099")]
    Year,
    /// Not an irradiance.
    #[error(
        "'{0}' is not an irradiance in W/m²; write a number such as 41.2, or nothing for a missing sample"
    )]
    Irradiance(String),
    /// An irradiance that no light has.
    #[error("{0} W/m² cannot be: UV-A lies between 0 and some tens of W/m², lamps included under 10000")]
    Range(f64),
    /// Not a flag.
    #[error("'{0}' is not a flag; flags are saturated, range-changed, clamped, uncalibrated, coarse")]
    Flag(String),
    /// More than a line can hold.
    #[error("the line is longer than {LONGEST_LINE} bytes")]
    TooLong,
    /// Not text.
    #[error("the line is not UTF-8 text")]
    NotText,
}

/// The longest line that is read, in bytes.
const LONGEST_LINE: usize = 256;
/// Sensors read a little below zero at night; more than this is a mistake.
const LEAST_W_M2: f64 = -10.0;
/// The most that a light may be, in W/m²: beyond any lamp box.
pub const MOST_W_M2: f64 = 10_000.0;

/// 1900-01-01 and 2100-01-01, in nanoseconds since 1970: the time between any two rows then has
/// room in 64 bits.
const YEARS_NS: Range<i64> = -2_208_988_800_000_000_000..4_102_444_800_000_000_000;

/// Reads recorded light block by block.
#[derive(Debug, Default)]
pub struct Parser {
    /// Lines taken so far.
    line: u64,
    columns: Option<usize>,
    last_ns: Option<i64>,
    /// The date of the last row as text, and its midnight.
    date: Option<([u8; 10], i64)>,
    /// A line whose end has not come yet.
    partial: Vec<u8>,
}

impl Parser {
    /// A parser at the start of a file.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// The number of the line that was taken last, counting from 1; the one
    /// that is wrong after an error.
    #[must_use]
    pub const fn line(&self) -> u64 {
        self.line
    }

    /// Takes a block of the file and gives its rows to `take`.
    ///
    /// # Errors
    /// [`RecordedError`] for the first line that is wrong; [`Parser::line`]
    /// tells which.
    pub fn feed(&mut self, block: &[u8], take: &mut impl FnMut(Row)) -> Result<(), RecordedError> {
        let mut rest = block;
        if !self.partial.is_empty() {
            let Some(end) = end_of_line(rest) else { return self.keep_partial(rest) };
            self.keep_partial(&rest[..end])?;
            rest = &rest[end + 1..];
            let line = std::mem::take(&mut self.partial);
            self.whole_line(&line, take)?;
        }
        while !rest.is_empty() {
            if let Some(length) = self.usual_line(rest, take)? {
                rest = &rest[length..];
                continue;
            }
            let Some(end) = end_of_line(rest) else { return self.keep_partial(rest) };
            self.whole_line(&rest[..end], take)?;
            rest = &rest[end + 1..];
        }
        Ok(())
    }

    /// Takes the end of the file, with or without a newline at its end.
    ///
    /// # Errors
    /// As [`Parser::feed`], and [`RecordedError::Empty`].
    pub fn finish(&mut self, take: &mut impl FnMut(Row)) -> Result<(), RecordedError> {
        let line = std::mem::take(&mut self.partial);
        if !line.is_empty() {
            self.whole_line(&line, take)?;
        }
        if self.columns.is_none() { Err(RecordedError::Empty) } else { Ok(()) }
    }

    fn keep_partial(&mut self, bytes: &[u8]) -> Result<(), RecordedError> {
        if self.partial.len() + bytes.len() > LONGEST_LINE {
            self.line += 1;
            return Err(RecordedError::TooLong);
        }
        self.partial.extend_from_slice(bytes);
        Ok(())
    }

    /// The way nearly every line goes: `YYYY-MM-DDTHH:MM:SSZ,number` on the
    /// date of the line before. `None` when this is not such a line; whatever
    /// is unusual, right or wrong, is left to [`Parser::whole_line`].
    fn usual_line(
        &mut self,
        bytes: &[u8],
        take: &mut impl FnMut(Row),
    ) -> Result<Option<usize>, RecordedError> {
        let (Some((date, midnight_ns)), Some((head, rest))) = (self.date, bytes.split_first_chunk::<21>())
        else {
            return Ok(None);
        };
        if head[..10] != date
            || [head[10], head[13], head[16], head[19], head[20]] != [b'T', b':', b':', b'Z', b',']
        {
            return Ok(None);
        }
        let two = |at: usize| {
            let (tens, ones) = (head[at].wrapping_sub(b'0'), head[at + 1].wrapping_sub(b'0'));
            (tens < 10 && ones < 10).then(|| i64::from(tens * 10 + ones))
        };
        let (Some(h @ 0..24), Some(m @ 0..60), Some(s @ 0..60)) = (two(11), two(14), two(17)) else {
            return Ok(None);
        };
        let Some((value, length)) = plain_decimal(rest) else { return Ok(None) };
        let unix_ns = midnight_ns + (h * 3600 + m * 60 + s) * 1_000_000_000;
        self.line += 1;
        let seen = Some(Seen::Exactly(checked(value)?));
        self.give(Row { unix_ns, seen, flags: Flags::NONE }, take)?;
        Ok(Some(21 + length))
    }

    fn whole_line(&mut self, line: &[u8], take: &mut impl FnMut(Row)) -> Result<(), RecordedError> {
        self.line += 1;
        if line.len() > LONGEST_LINE {
            return Err(RecordedError::TooLong);
        }
        let text = std::str::from_utf8(line).map_err(|_| RecordedError::NotText)?;
        let text = text.strip_suffix('\r').unwrap_or(text);
        let Some(expected) = self.columns else {
            self.columns = Some(header_columns(text)?);
            return Ok(());
        };
        if text.is_empty() {
            // Only at the end of a file; a row behind it has no number of its own to miss.
            return Ok(());
        }
        let found = text.split(',').count();
        if found != expected {
            return Err(RecordedError::Columns { expected, found });
        }
        let mut columns = text.split(',');
        let time = columns.next().unwrap_or_default().trim();
        let unix_ns = parse_rfc3339(time).ok_or_else(|| RecordedError::Time(time.to_owned()))?;
        let value = columns.next().unwrap_or_default().trim();
        let flags = columns.next().map_or(Ok(Flags::NONE), read_flags)?;
        self.give(Row { unix_ns, seen: read_seen(value, flags)?, flags }, take)?;
        self.remember_date(time, unix_ns);
        Ok(())
    }

    /// The usual way is open on a date that was written in UTC, and only
    /// where there are no flags.
    fn remember_date(&mut self, time: &str, unix_ns: i64) {
        self.date = match (self.columns, time.as_bytes().split_first_chunk::<10>()) {
            (Some(2), Some((date, rest))) if rest.ends_with(b"Z") => {
                Some((*date, unix_ns - unix_ns.rem_euclid(DAY_NS)))
            }
            _ => None,
        };
    }

    fn give(&mut self, row: Row, take: &mut impl FnMut(Row)) -> Result<(), RecordedError> {
        if !YEARS_NS.contains(&row.unix_ns) {
            return Err(RecordedError::Year);
        }
        if self.last_ns.is_some_and(|last| row.unix_ns <= last) {
            return Err(RecordedError::NotRising);
        }
        self.last_ns = Some(row.unix_ns);
        take(row);
        Ok(())
    }
}

const DAY_NS: i64 = 86_400 * 1_000_000_000;

fn end_of_line(bytes: &[u8]) -> Option<usize> {
    bytes.iter().position(|&byte| byte == b'\n')
}

fn header_columns(text: &str) -> Result<usize, RecordedError> {
    match text.strip_prefix('\u{feff}').unwrap_or(text) {
        "time,irradiance_w_m2" => Ok(2),
        "time,irradiance_w_m2,flags" => Ok(3),
        _ => Err(RecordedError::Header),
    }
}

fn read_flags(text: &str) -> Result<Flags, RecordedError> {
    text.split_whitespace().try_fold(Flags::NONE, |flags, name| {
        Flags::named(name).map(|flag| flags.with(flag)).ok_or_else(|| RecordedError::Flag(name.to_owned()))
    })
}

fn read_seen(text: &str, flags: Flags) -> Result<Option<Seen>, RecordedError> {
    if text.is_empty() {
        return Ok(None);
    }
    let value: f64 = text.parse().map_err(|_| RecordedError::Irradiance(text.to_owned()))?;
    if !value.is_finite() {
        return Err(RecordedError::Irradiance(text.to_owned()));
    }
    let light = checked(value)?;
    Ok(Some(if flags.has(Flags::SATURATED) { Seen::AtLeast(light) } else { Seen::Exactly(light) }))
}

fn checked(value: f64) -> Result<Irradiance, RecordedError> {
    if (LEAST_W_M2..=MOST_W_M2).contains(&value) {
        Ok(Irradiance::from_w_m2(value))
    } else {
        Err(RecordedError::Range(value))
    }
}

/// A number of at most 15 digits up to the end of its line, and the bytes
/// taken with that end. A whole number below 2^53 divided by a power of ten
/// that f64 holds exactly is rounded right (Clinger 1990).
fn plain_decimal(bytes: &[u8]) -> Option<(f64, usize)> {
    const POWERS: [f64; 16] =
        [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];
    let negative = bytes.first() == Some(&b'-');
    let start = usize::from(negative);
    let (mut mantissa, mut digits, mut decimals) = (0u64, 0usize, None);
    for (i, &byte) in bytes.iter().enumerate().skip(start) {
        match byte {
            b'0'..=b'9' => {
                mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(byte - b'0'));
                digits += 1;
            }
            b'.' if decimals.is_none() => decimals = Some(digits),
            b'\n' if (1..=15).contains(&digits) => {
                let value = mantissa as f64 / POWERS[digits - decimals.unwrap_or(digits)];
                return Some((if negative { -value } else { value }, i + 1));
            }
            _ => return None,
        }
    }
    None
}

/// Nanoseconds since 1970 of an RFC 3339 time, to the nanosecond.
#[must_use]
pub fn parse_rfc3339(text: &str) -> Option<i64> {
    let bytes = text.as_bytes();
    let number = |from: usize, to: usize| -> Option<i64> {
        let digits = bytes.get(from..to)?;
        digits
            .iter()
            .all(u8::is_ascii_digit)
            .then(|| digits.iter().fold(0, |n, d| n * 10 + i64::from(d - b'0')))
    };
    let is = |at: usize, any: &[u8]| bytes.get(at).is_some_and(|byte| any.contains(byte));
    if !(is(4, b"-") && is(7, b"-") && is(10, b"Tt ") && is(13, b":") && is(16, b":")) {
        return None;
    }
    let days = days_from_civil(number(0, 4)?, number(5, 7)?, number(8, 10)?)?;
    let (hour, minute, second) = (number(11, 13)?, number(14, 16)?, number(17, 19)?);
    if hour > 23 || minute > 59 || second > 59 {
        return None;
    }
    let (nanos, zone_at) = fraction(bytes, 19)?;
    let offset_s = match bytes.get(zone_at..)? {
        b"Z" | b"z" => 0,
        [sign @ (b'+' | b'-'), _, _, b':', _, _] => {
            let (h, m) = (number(zone_at + 1, zone_at + 3)?, number(zone_at + 4, zone_at + 6)?);
            let ahead = (h < 24 && m < 60).then_some(h * 3600 + m * 60)?;
            if *sign == b'+' { ahead } else { -ahead }
        }
        _ => return None,
    };
    let seconds = days * 86_400 + hour * 3600 + minute * 60 + second - offset_s;
    seconds.checked_mul(1_000_000_000)?.checked_add(nanos)
}

/// Nanoseconds of a decimal fraction that may begin at `at`, and where it ends.
fn fraction(bytes: &[u8], at: usize) -> Option<(i64, usize)> {
    if bytes.get(at) != Some(&b'.') {
        return Some((0, at));
    }
    let digits = bytes[at + 1..].iter().take_while(|byte| byte.is_ascii_digit()).count();
    if !(1..=9).contains(&digits) {
        return None;
    }
    let value = bytes[at + 1..=at + digits].iter().fold(0, |n, d| n * 10 + i64::from(d - b'0'));
    Some((value * 10i64.pow(9 - digits as u32), at + 1 + digits))
}

/// Days since 1970-01-01 of a date in the Gregorian calendar, by counting
/// years from March so that the leap day comes last.
fn days_from_civil(year: i64, month: i64, day: i64) -> Option<i64> {
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let longest = match month {
        2 => 28 + i64::from(leap),
        4 | 6 | 9 | 11 => 30,
        1..=12 => 31,
        _ => return None,
    };
    if !(1..=longest).contains(&day) {
        return None;
    }
    let march_year = if month <= 2 { year - 1 } else { year };
    let (era, of_era) = (march_year.div_euclid(400), march_year.rem_euclid(400));
    let day_of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    let day_of_era = of_era * 365 + of_era / 4 - of_era / 100 + day_of_year;
    // 719468 days lie between 0000-03-01 and 1970-01-01.
    Some(era * 146_097 + day_of_era - 719_468)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn read(text: &[u8], block: usize) -> Result<Vec<Row>, (u64, RecordedError)> {
        let mut parser = Parser::new();
        let mut rows = Vec::new();
        let mut take = |row| rows.push(row);
        for part in text.chunks(block.max(1)) {
            parser.feed(part, &mut take).map_err(|e| (parser.line(), e))?;
        }
        parser.finish(&mut take).map_err(|e| (parser.line(), e))?;
        Ok(rows)
    }

    #[test]
    fn times_as_rfc_3339_has_them() {
        // Seconds since 1970 by GNU date.
        for (text, seconds) in [
            ("2026-06-01T10:00:00Z", 1_780_308_000.0),
            ("2026-06-01T12:00:00+02:00", 1_780_308_000.0),
            ("2026-06-01 10:00:00.25z", 1_780_308_000.25),
            ("2024-02-29T23:59:59-00:30", 1_709_252_999.0),
            ("1969-12-31T23:59:59Z", -1.0),
            ("2000-02-29T00:00:00Z", 951_782_400.0),
        ] {
            assert_eq!(parse_rfc3339(text), Some((seconds * 100.0) as i64 * 10_000_000), "{text}");
        }
        for text in [
            "2026-02-29T00:00:00Z",
            "2026-13-01T00:00:00Z",
            "2026-06-01T24:00:00Z",
            "2026-06-01T10:00:00",
            "2026-06-01",
            "2026-06-01T10:00:00.Z",
            "2026-06-01T10:00:00+0200",
            "1900-02-29T00:00:00Z",
            "é",
        ] {
            assert_eq!(parse_rfc3339(text), None, "{text}");
        }
    }

    #[test]
    fn rows_with_gaps_flags_and_line_ends() {
        let text = "\u{feff}time,irradiance_w_m2,flags\r\n2026-06-01T10:00:00Z,41.2,\r\n\
                    2026-06-01T10:01:00Z,,\n2026-06-01T10:02:00Z,60,saturated coarse";
        let rows = read(text.as_bytes(), 1000).unwrap();
        assert_eq!(rows.len(), 3);
        assert_eq!(rows[0].seen, Some(Seen::Exactly(Irradiance::from_w_m2(41.2))));
        assert_eq!(rows[1].seen, None);
        assert_eq!(rows[2].seen, Some(Seen::AtLeast(Irradiance::from_w_m2(60.0))));
        assert!(rows[2].flags.has(Flags::COARSE));
    }

    #[test]
    fn wrong_lines_are_named() {
        let ok = "time,irradiance_w_m2\n2026-06-01T10:00:00Z,1\n";
        for (text, line, error) in [
            (String::new(), 0, "the file is empty; the first line must be time,irradiance_w_m2"),
            ("a,b\n".into(), 1, "the first line must be time,irradiance_w_m2 or time,irradiance_w_m2,flags"),
            (
                format!("{ok}2026-06-01T10:00:00Z,1\n"),
                3,
                "the time is not later than the one before it; rows must be in rising order",
            ),
            (
                format!("{ok}2026-06-01T09:00:00Z,1\n"),
                3,
                "the time is not later than the one before it; rows must be in rising order",
            ),
            (format!("{ok}2026-06-01T11:00:00Z,1,2\n"), 3, "3 columns instead of 2"),
            (
                format!("{ok}10:00,1\n"),
                3,
                "'10:00' is not a time; write it like 2026-06-01T10:00:00Z or 2026-06-01T12:00:00+02:00",
            ),
            (
                format!("{ok}2026-06-01T11:00:00Z,NaN\n"),
                3,
                "'NaN' is not an irradiance in W/m²; write a number such as 41.2, or nothing for a missing sample",
            ),
            (
                format!("{ok}2026-06-01T11:00:00Z,1.2.3\n"),
                3,
                "'1.2.3' is not an irradiance in W/m²; write a number such as 41.2, or nothing for a missing sample",
            ),
            (
                format!("{ok}2026-06-01T11:00:00Z,-40\n"),
                3,
                "-40 W/m² cannot be: UV-A lies between 0 and some tens of W/m², lamps included under 10000",
            ),
            (format!("{ok}{}\n", "x".repeat(300)), 3, "the line is longer than 256 bytes"),
        ] {
            for block in [7, 100_000] {
                let (at, found) = read(text.as_bytes(), block).unwrap_err();
                assert_eq!((at, found.to_string().as_str()), (line, error), "{text}");
            }
        }
        assert_eq!(read(b"time,irradiance_w_m2\n\xff\n", 9).unwrap_err(), (2, RecordedError::NotText));
    }

    #[test]
    fn times_so_far_off_that_their_distance_has_no_room_are_refused() {
        let header = "time,irradiance_w_m2\n";
        for (rows, line) in [
            ("1677-09-21T00:12:44Z,1\n2262-04-11T23:47:16Z,1\n", 2),
            ("2262-04-11T00:00:00Z,1\n2262-04-11T23:59:59Z,1\n", 2),
            ("1899-12-31T23:59:59Z,1\n", 2),
            ("1900-01-01T00:00:00Z,1\n2099-12-31T23:59:59Z,1\n2100-01-01T00:00:00Z,1\n", 4),
        ] {
            let text = format!("{header}{rows}");
            assert_eq!(read(text.as_bytes(), 1000), Err((line, RecordedError::Year)), "{text}");
        }
    }

    proptest! {
        #[test]
        fn nothing_in_a_file_can_panic(bytes in prop::collection::vec(any::<u8>(), 0..600), block in 1usize..700) {
            let _ = read(&bytes, block);
        }

        #[test]
        fn nothing_like_recorded_light_can_panic(
            lines in prop::collection::vec(
                "[0-9]{0,5}-[0-9]{1,2}-[0-9]{1,2}[T ][0-9:.]{0,12}(Z|[+-][0-9:]{0,6})?,[-+0-9.eEinfNa]{0,12}(,[a-z -]{0,20})?\r?",
                0..12,
            ),
            with_flags in any::<bool>(),
            block in 1usize..100,
        ) {
            let header = if with_flags { "time,irradiance_w_m2,flags" } else { "time,irradiance_w_m2" };
            let text = format!("{header}\n{}\n", lines.join("\n"));
            match read(text.as_bytes(), block) {
                Ok(rows) => {
                    prop_assert!(rows.windows(2).all(|pair| pair[0].unix_ns < pair[1].unix_ns));
                    let lights = rows.iter().filter_map(|row| row.seen).map(|seen| seen.lowest().w_m2());
                    prop_assert!(lights.into_iter().all(|w_m2| (LEAST_W_M2..=MOST_W_M2).contains(&w_m2)), "{}", text);
                }
                Err((line, _)) => prop_assert!(line <= lines.len() as u64 + 2),
            }
        }

        #[test]
        fn the_usual_way_reads_numbers_as_the_library_does(mantissa in 0u64..10_000_000, decimals in 0u32..8) {
            let text = format!("{:.*}", decimals as usize, mantissa as f64 / 10f64.powi(decimals as i32));
            let (value, length) = plain_decimal(format!("{text}\n").as_bytes()).unwrap();
            prop_assert_eq!(value, text.parse::<f64>().unwrap());
            prop_assert_eq!(length, text.len() + 1);
        }

        #[test]
        fn any_split_into_blocks_gives_the_same_rows(
            values in prop::collection::vec((1u32..90_000, 0.0f64..60.0, 0u8..8), 1..40),
            block in 1usize..80,
        ) {
            let (mut text, mut at) = (String::from("time,irradiance_w_m2\n"), 1_780_000_000u64);
            for (step, value, kind) in values {
                at += u64::from(step);
                let (d, s) = (at / 86_400, at % 86_400);
                // Days of June 2026 and after, far enough for any step.
                let time = format!("2026-{:02}-{:02}T{:02}:{:02}:{:02}Z", 6 + (d - 20_601) / 28, 1 + (d - 20_601) % 28, s / 3600, s / 60 % 60, s % 60);
                match kind {
                    0 => text.push_str(&format!("{time},\n")),
                    1 => text.push_str(&format!("{time},{value:e}\r\n")),
                    _ => text.push_str(&format!("{time},{value}\n")),
                }
            }
            prop_assert_eq!(read(text.as_bytes(), block), read(text.as_bytes(), usize::MAX));
            prop_assert!(read(text.as_bytes(), block).is_ok(), "{}", text);
        }

        #[test]
        fn arbitrary_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..400), block in 1usize..100) {
            let mut text = b"time,irradiance_w_m2\n".to_vec();
            text.extend(&bytes);
            let _ = read(&text, block);
            let _ = read(&bytes, block);
        }
    }
}
