//! `frameside prints`

use std::fmt::Write as _;

use frameside_core::exposure::FrameState;
use frameside_core::light::Estimate;
use frameside_core::quantity::Dose;
use jiff::tz::TimeZone;
use serde_json::{Value, json};

use super::day::{Day, midnight_ms};
use super::{Context, Failure, out, out_json};
use crate::ledger::{Filter, PrintRow};
use crate::words;

/// The record, newest first.
///
/// Reads the record; the daemon need not run.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside prints
  frameside prints --unjudged
  frameside prints --recipe citrate --since 2026-07-01 --json")]
pub(super) struct Args {
    /// Only prints of this recipe
    #[arg(long)]
    recipe: Option<String>,
    /// Only prints begun on this day or later, such as 2026-07-01, today or yesterday
    #[arg(long, value_name = "DATE")]
    since: Option<Day>,
    /// Only prints that came in and wait to be judged
    #[arg(long)]
    unjudged: bool,
}

pub(super) fn run(args: Args, context: &Context) -> Result<(), Failure> {
    let (record, zone) = context.record()?;
    let since_ms = args.since.map(|day| midnight_ms(day.date(&zone)?, &zone)).transpose()?;
    let prints = record.prints(&Filter { recipe: args.recipe, since_ms, unjudged: args.unjudged })?;
    if context.json {
        out_json(&prints.iter().map(|print| row_json(print, &zone)).collect());
    } else {
        out(&if prints.is_empty() && args.unjudged {
            NOTHING_WAITS.to_owned()
        } else {
            table(&prints, &zone)
        });
    }
    Ok(())
}

const NOTHING_WAITS: &str = "no print waits to be judged\n";

/// A print's facts for a list.
pub(super) fn row_json(print: &PrintRow, zone: &TimeZone) -> Value {
    let label = |ms: Option<i64>| ms.map(|ms| words::rfc3339(ms, zone));
    let brought_in = print.brought_in();
    json!({
        "print": print.id,
        "frame": print.frame,
        "state": print.state(),
        "begun": label(print.begun().map(|e| e.unix_ms)),
        "due": label(print.due().map(|e| e.unix_ms)),
        "brought_in": label(brought_in.map(|e| e.unix_ms)),
        "synchronised": print.events.iter().all(|e| e.synchronised),
        "target_j_m2": print.target().j_m2(),
        "dose_at_due_j_m2": print.due().map(|e| e.dose.best.j_m2()),
        "dose_j_m2": brought_in.map(|e| e.dose.best.j_m2()),
        "low_j_m2": brought_in.map(|e| e.dose.low.j_m2()),
        "high_j_m2": brought_in.map(|e| e.dose.high.j_m2()),
        "seconds": print.seconds_uncovered(),
        "recipe": print.recipe,
        "recipe_version": print.recipe_version,
        "negative": print.negative,
        "source": print.source,
        "note": print.note,
    })
}

fn table(prints: &[PrintRow], zone: &TimeZone) -> String {
    if prints.is_empty() {
        return "no prints yet; 'frameside expose FRAME --target DOSE' begins one\n".to_owned();
    }
    let wide = prints.iter().map(|print| print.id.len()).max().unwrap_or(0);
    let mut text = format!("{:wide$}  begun  minutes  target   dose, kJ/m²\n", "print");
    for print in prints {
        let begun = print.begun().map_or_else(|| "--:--".to_owned(), |e| words::clock(e.unix_ms, zone));
        let minutes =
            print.seconds_uncovered().map_or_else(|| "-".to_owned(), |s| format!("{:.1}", s / 60.0));
        let target = words::brief_dose(Estimate::certain(print.target()));
        let dose = match print.brought_in() {
            Some(event) => format!("{}, {}", words::brief_dose(event.dose), over(event.dose.best, print)),
            None if print.state() == FrameState::Covered => "out, covered".to_owned(),
            None => format!("out, {}", print.state().word()),
        };
        let recipe = print.recipe.as_ref().map(|recipe| format!("  {recipe}")).unwrap_or_default();
        let _ = writeln!(text, "{:wide$}  {begun}  {minutes:>7}  {target:>6}   {dose}{recipe}", print.id);
    }
    text
}

/// How far a dose is from the print's target.
pub(super) fn over(dose: Dose, print: &PrintRow) -> String {
    let stops = dose.stops_over(print.target());
    if stops.value().is_finite() { stops.to_string() } else { "no light".to_owned() }
}
