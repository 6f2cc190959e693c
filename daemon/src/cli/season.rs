//! `frameside light --season`: the hours of the day over a season.

use std::fmt::Write as _;
use std::path::Path;

use frameside_core::quantity::{Dose, Irradiance};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde_json::{Value, json};

use super::day::midnight_ms;
use super::source::quantile;
use super::{Failure, out, out_json};
use crate::charts::{self, Across, Readings, Series};
use crate::diary::minute_means;
use crate::ledger::Record;
use crate::words;

/// How far back a season goes unless told.
pub(super) const DAYS: i32 = 90;
/// An hour counts when at least so many of its minutes were seen.
const LEAST_MINUTES: usize = 30;
/// Nobody plans for hours in which a print takes longer than this.
const LONGEST_S: f64 = 7200.0;

/// What is wanted.
pub(super) struct Wanted {
    pub(super) sensor: String,
    pub(super) dose: Dose,
    pub(super) since: Date,
    pub(super) until: Date,
}

/// The mean light of one hour on the days of a season, from the dimmest day.
struct Hour {
    hour: u8,
    lights: Vec<f64>,
}

impl Hour {
    fn seconds(&self, dose: Dose, share: f64) -> f64 {
        dose.j_m2() / quantile(&self.lights, share).unwrap_or(0.0)
    }

    fn to_json(&self, dose: Dose) -> Value {
        // Longer than a day is never, and infinity is no JSON.
        let seconds = |share| Some(self.seconds(dose, share)).filter(|s| *s < 86_400.0);
        json!({
            "hour": self.hour, "days": self.lights.len(), "irradiance_w_m2": quantile(&self.lights, 0.5),
            "seconds": seconds(0.5), "low_seconds": seconds(0.9), "high_seconds": seconds(0.1),
        })
    }

    fn line(&self, dose: Dose) -> String {
        let minutes = |share: f64| match self.seconds(dose, share) {
            seconds if seconds > LONGEST_S => format!("over {}", words::span(LONGEST_S)),
            seconds => format!("{:.1}", seconds / 60.0),
        };
        let light = Irradiance::from_w_m2(quantile(&self.lights, 0.5).unwrap_or(0.0));
        format!(
            "  {:02}:00  {:>4}  {:>10}  {} ({} to {})\n",
            self.hour,
            self.lights.len(),
            light.to_string(),
            minutes(0.5),
            minutes(0.9),
            minutes(0.1)
        )
    }
}

pub(super) fn run(
    wanted: &Wanted,
    record: &Record,
    zone: &TimeZone,
    chart: Option<&Path>,
    as_json: bool,
) -> Result<(), Failure> {
    let mut hours = hours(wanted, record, zone)?;
    if hours.is_empty() {
        return Err(Failure::Failed(format!(
            "the record of {} holds half of no hour since {}; name an earlier day with --since",
            wanted.sensor, wanted.since
        )));
    }
    if let Some(file) = chart {
        let svg = charts::readings(&picture(&hours, wanted));
        charts::save(file, &svg).map_err(|error| Failure::Failed(error.to_string()))?;
    }
    hours.sort_by(|a, b| a.seconds(wanted.dose, 0.5).total_cmp(&b.seconds(wanted.dose, 0.5)));
    if as_json {
        out_json(&json!({
            "sensor": wanted.sensor, "since": wanted.since.to_string(), "dose_j_m2": wanted.dose.j_m2(),
            "hours": hours.iter().map(|hour| hour.to_json(wanted.dose)).collect::<Vec<_>>(),
        }));
        return Ok(());
    }
    let mut text = format!("since {} at {}, the best hours first\n", wanted.since, wanted.sensor);
    let _ = writeln!(text, "   hour  days       light  minutes to {} (80 % of days)", wanted.dose);
    let useful = hours.iter().filter(|hour| hour.seconds(wanted.dose, 0.5) <= LONGEST_S);
    text.extend(useful.map(|hour| hour.line(wanted.dose)));
    if let Some(file) = chart {
        let _ = writeln!(text, "drawn: {}", file.display());
    }
    out(&text);
    Ok(())
}

/// Day by day, so that a season of seconds is never held at once.
fn hours(wanted: &Wanted, record: &Record, zone: &TimeZone) -> Result<Vec<Hour>, Failure> {
    let mut lights: [Vec<f64>; 24] = Default::default();
    let mut day = wanted.since;
    while day <= wanted.until {
        let next = day.tomorrow().map_err(|error| Failure::Failed(error.to_string()))?;
        let (from, to) = (midnight_ms(day, zone)? as f64, midnight_ms(next, zone)? as f64);
        let mut of_day = [(0.0, 0); 24];
        for minute in minute_means(&record.light(&wanted.sensor, from, to - 1.0)?) {
            let hour = (words::seconds_of_day(minute.unix_ms, zone) / 3600.0) as usize;
            of_day[hour].0 += minute.irradiance.w_m2();
            of_day[hour].1 += 1;
        }
        for (hour, (sum, count)) in of_day.into_iter().enumerate() {
            if count >= LEAST_MINUTES {
                lights[hour].push(sum / count as f64);
            }
        }
        day = next;
    }
    let sorted = |(hour, mut lights): (u8, Vec<f64>)| {
        lights.sort_by(f64::total_cmp);
        Hour { hour, lights }
    };
    Ok((0..).zip(lights).filter(|(_, lights)| !lights.is_empty()).map(sorted).collect())
}

fn picture(hours: &[Hour], wanted: &Wanted) -> Readings {
    let middle = |hour: &Hour| f64::from(hour.hour) * 3600.0 + 1800.0;
    let is_shown = |point: &(f64, f64)| point.1 * 60.0 <= LONGEST_S;
    let minutes = |light: &f64| wanted.dose.j_m2() / light / 60.0;
    let dots = hours.iter().flat_map(|hour| hour.lights.iter().map(move |e| (middle(hour), minutes(e))));
    let line = hours.iter().map(|hour| (middle(hour), hour.seconds(wanted.dose, 0.5) / 60.0));
    Readings {
        title: "Hours of the season".to_owned(),
        subtitle: vec![format!(
            "minutes to {} at {} since {}: a dot for each day, the line through the middle of them",
            wanted.dose, wanted.sensor, wanted.since
        )],
        name: "minutes",
        across: Across::TimeOfDay,
        series: vec![
            Series { dots: dots.filter(is_shown).collect(), ..Series::default() },
            Series { line: line.filter(is_shown).collect(), ..Series::default() },
        ],
    }
}
