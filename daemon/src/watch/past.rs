//! What the record knows of the last hour and of the prints that are out.

use std::collections::BTreeMap;

use frameside_core::exposure::{EventKind, FrameState};
use jiff::tz::TimeZone;

use crate::ledger::{EventRow, LedgerError, PrintDetail, Record};
use crate::status::Status;
use crate::words;

const HOUR_MS: f64 = 3_600_000.0;

/// How the rig came to where it is.
#[derive(Debug, Default)]
pub struct Past {
    /// The last hour of the first sensor: seconds before the newest reading,
    /// negative, and W/m².
    pub light: Vec<(f64, f64)>,
    /// The prints in the frames, by name.
    pub curves: BTreeMap<String, Curve>,
    /// Why there is nothing, where the record could not be read.
    pub trouble: Option<String>,
}

/// How a print came by its dose.
#[derive(Debug)]
pub struct Curve {
    /// When it began, as the wall clock shows it.
    pub started: String,
    /// The same in ms since 1970.
    pub began_ms: i64,
    /// What its frame does now, and since when, as the wall clock shows it.
    pub state: Option<(FrameState, String)>,
    /// Seconds since then, and the dose in J/m².
    pub points: Vec<(f64, f64)>,
    /// When its light was not seen, in seconds since then.
    pub gaps: Vec<(f64, f64)>,
    /// Whether it is a test strip.
    pub is_strip: bool,
}

impl Past {
    /// Reads the record for what `status` shows.
    ///
    /// # Errors
    /// [`LedgerError`] when the record cannot be read.
    pub fn read(record: &Record, zone: &TimeZone, status: &Status) -> Result<Self, LedgerError> {
        let mut past = Self::default();
        if let (Some(sensor), Some(newest)) = (status.sensors.first(), record.newest_light_ms()?) {
            let newest = newest as f64;
            let samples = record.light(&sensor.name, newest - HOUR_MS, newest)?;
            past.light = samples
                .iter()
                .map(|light| ((light.unix_ms - newest) / 1000.0, light.sample.seen.lowest().w_m2()))
                .collect();
        }
        for print in status.frames.iter().filter_map(|frame| frame.print.as_ref()) {
            past.curves.insert(print.clone(), Curve::of(&record.detail(print)?, zone));
        }
        Ok(past)
    }
}

impl Curve {
    fn of(print: &PrintDetail, zone: &TimeZone) -> Self {
        let began = print.row.begun();
        let started = began.map(|event| words::clock(event.unix_ms, zone)).unwrap_or_default();
        let began_ms = began.map_or(0, |event| event.unix_ms);
        let since = |ms: f64| (ms - began_ms as f64) / 1000.0;
        Self {
            started,
            began_ms,
            state: state(&print.row.events).map(|(state, ms)| (state, words::clock(ms, zone))),
            points: print.curve.iter().map(|&(seconds, _, dose)| (seconds, dose)).collect(),
            gaps: print.gaps.iter().map(|gap| (since(gap.from_ms), since(gap.to_ms))).collect(),
            is_strip: print.row.is_strip(),
        }
    }
}

/// What a print's events leave its frame in, and since when in ms since 1970.
fn state(events: &[EventRow]) -> Option<(FrameState, i64)> {
    let mut now = None;
    for event in events {
        let state = match event.kind {
            EventKind::Begun { covered: true } | EventKind::Covered => FrameState::Covered,
            EventKind::Begun { covered: false } | EventKind::Uncovered => FrameState::Exposing,
            EventKind::Due => FrameState::Due,
            EventKind::BroughtIn => FrameState::In,
            EventKind::Retargeted { .. } if matches!(now, Some((FrameState::Due, _))) => FrameState::Exposing,
            _ => continue,
        };
        now = Some((state, event.unix_ms));
    }
    now
}
