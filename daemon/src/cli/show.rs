//! `frameside show`

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use frameside_core::exposure::{Cut, EventKind};
use frameside_core::light::Estimate;
use jiff::tz::TimeZone;
use serde_json::{Value, json};

use super::{Context, Failure, out, out_json, picture, record_card, refuse_to_overwrite};
use crate::advice::how_counted;
use crate::charts;
use crate::ledger::{EventRow, GapRow, Judgement, NoteRow, PrintDetail, Recipe, Record, Restated, Verdict};
use crate::listed::{Listed, over};
use crate::print_chart::dose_curve;
use crate::words;

/// More gaps than this in the light of a print are told together.
const MOST_GAPS_APART: usize = 3;

/// One print: everything known of it.
///
/// Reads the record; the daemon need not run.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside show 2026-07-14-oak-1
  frameside show 2026-07-14-oak-1 --chart oak.png
  frameside show 2026-07-14-oak-1 --with 2026-07-13-oak-2 --chart both.png
  frameside show 2026-07-14-oak-1 --card oak.pdf")]
pub(super) struct Args {
    /// The print, or the beginning of its name; a frame for its newest, 'last' for the newest of all
    print: String,
    /// Draw its dose curve into a file ending in .svg, .png or .pdf
    #[arg(long, value_name = "FILE", value_parser = picture())]
    chart: Option<PathBuf>,
    /// Draw this print into the same chart; up to five others
    #[arg(long, value_name = "PRINT", requires = "chart")]
    with: Vec<String>,
    /// Draw its record card, a page to keep with it, into a file ending in .svg, .png or .pdf
    #[arg(long, value_name = "FILE", value_parser = picture())]
    card: Option<PathBuf>,
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    refuse_to_overwrite(&[], &[args.chart.as_deref(), args.card.as_deref()])?;
    let (record, zone) = context.record()?;
    let print = record.detail(&args.print)?;
    let restated = record.restated(&print.row)?;
    if let Some(file) = &args.chart {
        save(file, &chart(&record, &print, &args.with, &zone)?)?;
    }
    if let Some(file) = &args.card {
        let recipe = made_by(&record, &print)?;
        save(file, &charts::card(&record_card::card(&print, recipe.as_ref(), &zone)))?;
    }
    if context.json {
        let mut value = to_json(&print, &zone);
        value["restated"] = restated.map_or(Value::Null, |restated| restated_json(restated, &print));
        out_json(&value);
    } else {
        out(&for_people(&print, &zone));
        if let Some(restated) = restated {
            out(&restated_sentence(restated, &print));
        }
        for file in args.chart.iter().chain(&args.card) {
            out(&format!("drawn: {}\n", file.display()));
        }
    }
    Ok(())
}

fn save(file: &Path, svg: &str) -> Result<(), Failure> {
    charts::save(file, svg).map_err(|error| Failure::Failed(error.to_string()))
}

/// The dose curve of a print, alone or with others.
fn chart(record: &Record, print: &PrintDetail, with: &[String], zone: &TimeZone) -> Result<String, Failure> {
    if with.is_empty() {
        return Ok(charts::dose_curve(&dose_curve(print, zone)));
    }
    if with.len() >= charts::MOST_COMPARED {
        let most = charts::MOST_COMPARED - 1;
        return Err(Failure::Usage(format!("--with takes at most {most} prints; more lines look alike")));
    }
    let others = with.iter().map(|name| record.detail(name)).collect::<Result<Vec<_>, _>>()?;
    let prints: Vec<&PrintDetail> = std::iter::once(print).chain(&others).collect();
    Ok(charts::comparison(&record_card::comparison(&prints, zone)))
}

/// The recipe as it was when the print was made.
fn made_by(record: &Record, print: &PrintDetail) -> Result<Option<Recipe>, Failure> {
    let (Some(name), Some(version)) = (&print.row.recipe, print.row.recipe_version) else { return Ok(None) };
    let versions = record.recipe(name)?;
    Ok(versions.into_iter().find(|known| known.version == version).map(|known| known.recipe))
}

fn restated_json(restated: Restated, print: &PrintDetail) -> Value {
    let dose = |event: Option<&EventRow>| Some(event?.dose.best.j_m2() * restated.factor?);
    json!({
        "calibration": restated.calibration,
        "factor": restated.factor,
        "dose_j_m2": dose(print.row.brought_in()),
        "dose_at_due_j_m2": dose(print.row.due()),
    })
}

fn restated_sentence(restated: Restated, print: &PrintDetail) -> String {
    let Restated { calibration, factor } = restated;
    let sensor = &print.row.sensor;
    match (factor, print.row.brought_in()) {
        (Some(factor), Some(event)) => format!(
            "by calibration {calibration} of sensor {sensor}, which came later, its dose is {}\n",
            event.dose.best * factor
        ),
        (Some(factor), None) => {
            format!(
                "by calibration {calibration} of sensor {sensor}, which came later, its doses are times {factor:.4}\n"
            )
        }
        (None, _) => format!(
            "sensor {sensor} was calibrated anew since (calibration {calibration}); that acts on each reading, so the dose cannot be restated\n"
        ),
    }
}

fn to_json(print: &PrintDetail, zone: &TimeZone) -> Value {
    let row = &print.row;
    let begun = row.begun().map_or(0, |e| e.unix_ms) as f64;
    let mut value = json!(Listed::of(row, zone));
    let extra = json!({
        "sensor": row.sensor,
        "glass": row.glass,
        "plan_j_m2": row.plan,
        "calibration": serde_json::from_str::<Value>(&row.calibration).unwrap_or_else(|_| json!(row.calibration)),
        "events": row.events.iter().map(|e| event_json(e, zone)).collect::<Vec<_>>(),
        "signals": row.events.iter().filter(|e| calls(e.kind)).map(|e| event_json(e, zone)).collect::<Vec<_>>(),
        "spans": print.spans.iter().map(|&(from, to)| json!([from, to])).collect::<Vec<_>>(),
        "gaps": print.gaps.iter().map(|gap| json!({
            "from_s": (gap.from_ms - begun) / 1000.0, "to_s": (gap.to_ms - begun) / 1000.0,
            "dose_j_m2": gap.dose.best.j_m2(), "low_j_m2": gap.dose.low.j_m2(), "high_j_m2": gap.dose.high.j_m2(),
        })).collect::<Vec<_>>(),
        "notes": print.notes.iter().map(|note| json!({
            "at": words::rfc3339(note.unix_ms, zone), "text": note.note.text, "tone": note.note.tone,
            "step": note.note.step, "seconds": note.note.seconds,
            "dose_j_m2": note.dose.map(|d| d.j_m2()),
        })).collect::<Vec<_>>(),
        "judgements": print.judgements.iter().map(|judgement| judgement_json(judgement, zone)).collect::<Vec<_>>(),
        "curve": print.curve.iter().map(|&(s, e, d)| json!([s, e, d])).collect::<Vec<_>>(),
    });
    if let (Some(fields), Value::Object(extra)) = (value.as_object_mut(), extra) {
        fields.extend(extra);
    }
    value
}

fn event_json(event: &EventRow, zone: &TimeZone) -> Value {
    let mut value = serde_json::to_value(event.kind).unwrap_or_default();
    value["at"] = words::rfc3339(event.unix_ms, zone).into();
    value["synchronised"] = event.synchronised.into();
    value["dose_j_m2"] = event.dose.best.j_m2().into();
    value["low_j_m2"] = event.dose.low.j_m2().into();
    value["high_j_m2"] = event.dose.high.j_m2().into();
    value["plain_dose_j_m2"] = event.plain.best.j_m2().into();
    value["settled"] = event.settled.into();
    value
}

fn judgement_json(judgement: &Judgement, zone: &TimeZone) -> Value {
    let mut value = json!(judgement.verdict);
    value["at"] = words::rfc3339(judgement.unix_ms, zone).into();
    value["dry"] = judgement.dry.into();
    value["oxidised"] = judgement.oxidised.into();
    value
}

/// Whether somebody was called.
fn calls(kind: EventKind) -> bool {
    matches!(kind, EventKind::Nearly | EventKind::Due | EventKind::Band { .. })
}

fn for_people(print: &PrintDetail, zone: &TimeZone) -> String {
    let row = &print.row;
    let mut text = format!("{} in frame {}, {}\n", row.id, row.frame, row.state().word());
    let version = |recipe: &String| match row.recipe_version {
        Some(version) => format!("{recipe}, version {version}"),
        None => recipe.clone(),
    };
    let recipe = row.recipe.as_ref().map(version);
    let facts = [("recipe", &recipe), ("negative", &row.negative), ("note", &row.note)];
    for (name, fact) in facts {
        if let Some(fact) = fact {
            let _ = writeln!(text, "{name}: {fact}");
        }
    }
    let _ = writeln!(
        text,
        "target {}, glass {:.0} %, sensor {}, source {}",
        row.target(),
        row.glass * 100.0,
        row.sensor,
        row.source
    );
    if let (Some(event), Some(seconds)) = (row.brought_in(), row.seconds_of_light()) {
        let _ = writeln!(
            text,
            "dose {}, {} against the target, in {} of light",
            words::dose(event.dose),
            over(event.dose.best, row.target()),
            words::span(seconds)
        );
    }
    if let Some(how) = how_counted(&row.response) {
        let _ = writeln!(text, "{how}");
        if let Some(plain) = row.brought_in().map(|event| event.plain) {
            let _ = writeln!(text, "plain dose {}", words::dose(plain));
        }
    }
    if row.is_uncalibrated() {
        let _ = writeln!(
            text,
            "! sensor {} was not calibrated: read its doses as the part's own unit, not as kJ/m²",
            row.sensor
        );
    }
    let times = Times::of(print, zone);
    for event in &row.events {
        let _ = writeln!(text, "  {}  {}", times.when(event), what(event, row.glass * row.factor));
    }
    text += &unseen(&print.gaps, &times);
    for note in &print.notes {
        let _ = writeln!(text, "note of {}", noted(note, row.begun(), zone));
    }
    for judgement in &print.judgements {
        let wet = if judgement.is_final() { "" } else { ", before it was dry and oxidised" };
        let _ = writeln!(
            text,
            "judged on {}{wet}: {}",
            words::day(judgement.unix_ms, zone),
            judged(&judgement.verdict)
        );
    }
    text
}

/// The times of a print for people: with the day where it was not out on one day alone.
pub(super) struct Times<'a> {
    zone: &'a TimeZone,
    has_days: bool,
}

impl<'a> Times<'a> {
    pub(super) fn of(print: &PrintDetail, zone: &'a TimeZone) -> Self {
        let gaps = print.gaps.iter().map(|gap| gap.to_ms as i64);
        Self::over(print.row.events.iter().map(|event| event.unix_ms).chain(gaps), zone)
    }

    fn over(instants: impl Iterator<Item = i64>, zone: &'a TimeZone) -> Self {
        let mut days = instants.map(|unix_ms| words::day(unix_ms, zone));
        let first = days.next();
        Self { zone, has_days: days.any(|day| Some(day) != first) }
    }

    /// To the minute.
    fn clock(&self, unix_ms: i64) -> String {
        self.dated(unix_ms, words::clock(unix_ms, self.zone))
    }

    /// To the second.
    pub(super) fn clock_s(&self, unix_ms: i64) -> String {
        self.dated(unix_ms, words::clock_s(unix_ms, self.zone))
    }

    fn dated(&self, unix_ms: i64, clock: String) -> String {
        if self.has_days { format!("{} {clock}", words::day(unix_ms, self.zone)) } else { clock }
    }

    /// Of an event, with a mark where the clock was not right.
    fn when(&self, event: &EventRow) -> String {
        let clock = self.clock(event.unix_ms);
        if event.synchronised { clock } else { format!("{clock}?") }
    }
}

/// When the light was not seen: a line for each of a few gaps, two for many of them.
fn unseen(gaps: &[GapRow], times: &Times<'_>) -> String {
    let seconds = |gap: &GapRow| (gap.to_ms - gap.from_ms) / 1000.0;
    let clock = |ms: f64| times.clock(ms as i64);
    let (Some(first), Some(last)) = (gaps.first(), gaps.last()) else { return String::new() };
    if gaps.len() <= MOST_GAPS_APART {
        let line = |gap: &GapRow| {
            format!("light was not seen for {} from {}\n", words::span(seconds(gap)), clock(gap.from_ms))
        };
        return gaps.iter().map(line).collect();
    }
    let longest = gaps.iter().map(seconds).fold(0.0, f64::max);
    let fell = gaps.iter().fold(Estimate::ZERO, |sum, gap| sum.plus(gap.dose));
    format!(
        "light was not seen {} times from {} to {}, {} in all, at most {} at once:\n\
         \u{20} between {} and {} fell on the sensor then\n",
        gaps.len(),
        clock(first.from_ms),
        clock(last.to_ms),
        words::span(gaps.iter().map(seconds).sum()),
        words::span(longest),
        fell.low,
        fell.high,
    )
}

/// When and how a note was made, and its text.
pub(super) fn noted(row: &NoteRow, begun: Option<&EventRow>, zone: &TimeZone) -> String {
    let NoteRow { unix_ms, note, dose } = row;
    // What is done afterwards may be done on another day.
    let day = words::day(*unix_ms, zone);
    let is_same_day = begun.is_some_and(|event| words::day(event.unix_ms, zone) == day);
    let clock = words::clock(*unix_ms, zone);
    let when = if is_same_day { clock } else { format!("{day} {clock}") };
    let dose = dose.map(|dose| format!(" at {dose}")).unwrap_or_default();
    let tone = note.tone.as_ref().map(|tone| format!(", border {tone}")).unwrap_or_default();
    let done = match (note.step.as_deref(), note.seconds) {
        (Some(step), Some(seconds)) => format!(", {step} for {}", words::span(seconds)),
        (Some(step), None) => format!(", {step}"),
        (None, _) => String::new(),
    };
    format!("{when}{dose}{tone}{done}: {}", note.text)
}

pub(super) fn judged(verdict: &Verdict) -> String {
    match verdict {
        Verdict::Off { stops } if stops.value() == 0.0 => "good".to_owned(),
        Verdict::Off { stops } if stops.value() > 0.0 => format!("too light, it wanted {stops}"),
        Verdict::Off { stops } => format!("too dark, it wanted {stops}"),
        Verdict::Density { got, want } => format!("density {got} where {want} was wanted"),
        Verdict::Bands { densities } => {
            let densities: Vec<String> = densities.iter().map(ToString::to_string).collect();
            format!("bands of density {}", densities.join(", "))
        }
        Verdict::FirstFull { band } => format!("band {band} is the first as dark as the next"),
    }
}

/// A dose with its bounds, short, as there is one on each line.
fn bounded(dose: Estimate) -> String {
    words::brief_dose(dose) + " kJ/m²"
}

/// What happened, to a print whose doses are its sensor's times `glass`.
fn what(event: &EventRow, glass: f64) -> String {
    let dose = bounded(event.dose);
    match event.kind {
        EventKind::Begun { covered: true } => "laid out under its cover".to_owned(),
        EventKind::Begun { covered: false } => "laid out".to_owned(),
        EventKind::Covered => format!("covered at {dose}"),
        EventKind::Uncovered => format!("uncovered at {dose}"),
        EventKind::Band { band } => format!("band {band} had its {dose}"),
        EventKind::Nearly => format!("nearly due at {dose}"),
        EventKind::Due => format!("due at {dose}"),
        EventKind::Hushed => format!("hushed at {dose}"),
        EventKind::Retargeted { target } => format!("new target {target} at {dose}"),
        EventKind::Noted => format!("noted at {dose}"),
        EventKind::Outage { seconds: Some(seconds), missed, .. } => format!(
            "the power had been gone for {}: with the {} of that time it had {dose}",
            words::span(seconds),
            bounded(missed.scaled(glass))
        ),
        EventKind::Outage { seconds: None, .. } => {
            format!(
                "the power had been gone for nobody knows how long; {dose} without the light of that time"
            )
        }
        EventKind::BroughtIn => format!("brought in with {dose}"),
        EventKind::LampOn => format!("the lamp went on at {dose}"),
        EventKind::LampOff { cut: None } => format!("the lamp went off at {dose}"),
        EventKind::LampOff { cut: Some(Cut::Restarted) } => {
            format!("the lamp stayed off at {dose}: {}", words::cut(Cut::Restarted))
        }
        EventKind::LampOff { cut: Some(cut) } => format!("the lamp went off at {dose}: {}", words::cut(cut)),
    }
}

#[cfg(test)]
mod tests {
    use frameside_core::quantity::Dose;

    use super::*;

    /// Gaps of half a second, a minute apart, from 12:00 UTC on.
    fn gaps(number: u32) -> Vec<GapRow> {
        let dose = |j_m2| Dose::from_j_m2(j_m2);
        let gap = |i| {
            let from_ms = 43_200_000.0 + 60_000.0 * f64::from(i);
            let dose = Estimate { best: dose(20.0), low: dose(10.0), high: dose(40.0) };
            GapRow { from_ms, to_ms: from_ms + 500.0, dose }
        };
        (0..number).map(gap).collect()
    }

    #[test]
    fn what_happened_is_told_with_short_bounds() {
        let [low, best, high] = [9_170.0, 12_000.0, 13_700.0].map(Dose::from_j_m2);
        let due = |dose| {
            let row = EventRow {
                seq: 1,
                kind: EventKind::Due,
                unix_ms: 0,
                synchronised: true,
                dose,
                plain: dose,
                settled: true,
                light_ms: 0.0,
            };
            what(&row, 1.0)
        };
        assert_eq!(due(Estimate { best, low, high }), "due at 12.0 (9.17 to 13.7) kJ/m²");
        assert_eq!(due(Estimate::certain(best)), "due at 12.0 kJ/m²");
    }

    #[test]
    fn many_gaps_are_told_together_and_few_apart() {
        let zone = TimeZone::UTC;
        let times = Times::over([0].into_iter(), &zone);
        assert_eq!(unseen(&gaps(0), &times), "");
        let few = unseen(&gaps(3), &times);
        assert_eq!(few.lines().count(), 3);
        assert!(few.ends_with("light was not seen for 1 s from 12:02\n"), "{few}");

        let mut many = gaps(26);
        many[7].to_ms += 9_500.0;
        assert_eq!(
            unseen(&many, &times),
            "light was not seen 26 times from 12:00 to 12:25, 23 s in all, at most 10 s at once:\n  \
             between 0.26 kJ/m² and 1.04 kJ/m² fell on the sensor then\n"
        );
    }

    #[test]
    fn times_over_several_days_have_their_day() {
        let zone = TimeZone::fixed(jiff::tz::offset(2));
        // 20:00 and 22:30 UTC are 22:00 and half past midnight of the next day.
        let [evening, night] = [20.0, 22.5].map(|hours: f64| (hours * 3_600_000.0) as i64);
        let times = Times::over([evening, night].into_iter(), &zone);
        assert_eq!(times.clock(night), "1970-01-02 00:30");
        assert_eq!(times.clock_s(evening), "1970-01-01 22:00:00");
        let of_one_day = Times::over([evening, evening + 3_600_000].into_iter(), &zone);
        assert_eq!(of_one_day.clock(evening), "22:00");
        let gap = unseen(&gaps(1), &times);
        assert!(gap.ends_with("from 1970-01-01 14:00\n"), "{gap}");
    }
}
