//! `frameside prints`

use serde_json::{Value, json};

use super::day::{Day, midnight_ms};
use super::{Context, Failure, broker, out, out_json, zone};
use crate::ledger::Filter;
use crate::listed::Listed;
use crate::request::Request;

/// The record, newest first.
///
/// Reads the record; the daemon need not run.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside prints
  frameside prints --unjudged
  frameside prints --recipe citrate --since 2026-07-01 --json
  frameside prints --rig all")]
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
    /// Another rig at the broker, or all of them: their newest prints
    #[arg(long, value_name = "NAME|all")]
    rig: Option<String>,
}

impl Args {
    /// Whether only some prints are asked for, judged or not.
    fn is_chosen(&self) -> bool {
        self.recipe.is_some() || self.since.is_some()
    }
}

pub(super) fn run(args: Args, context: &Context) -> Result<(), Failure> {
    if let Some(rig) = &args.rig {
        return of_rigs(rig, &args, context);
    }
    let is_chosen = args.is_chosen();
    let (record, zone) = context.record()?;
    let since_ms = args.since.map(|day| midnight_ms(day.date(&zone)?, &zone)).transpose()?;
    let prints = record.prints(&Filter { recipe: args.recipe, since_ms, unjudged: args.unjudged })?;
    let prints: Vec<Listed> = prints.iter().map(|print| Listed::of(print, &zone)).collect();
    if context.json {
        out_json(&json!(prints));
    } else {
        out(&told(&prints, args.unjudged, is_chosen));
    }
    Ok(())
}

fn told(prints: &[Listed], unjudged: bool, chosen: bool) -> String {
    match prints {
        [] if chosen => NO_FIT.to_owned(),
        [] if unjudged => NOTHING_WAITS.to_owned(),
        [] => NO_PRINTS.to_owned(),
        _ => Listed::table(prints),
    }
}

/// Asks over the broker.
fn of_rigs(rig: &str, args: &Args, context: &Context) -> Result<(), Failure> {
    let zone = zone(&context.config()?);
    let since = args.since.map(|day| day.date(&zone)).transpose()?;
    let request = Request::Prints { recipe: args.recipe.clone(), since, unjudged: args.unjudged };
    let answers = broker::ask(rig, &request, context)?;
    if context.json {
        out_json(&answers.iter().map(|(rig, answer)| answer.to_json(rig)).collect());
        return Ok(());
    }
    for (rig, answer) in &answers {
        out(&broker::told(rig, answer, |answer| of_answer(answer, args))?);
    }
    Ok(())
}

fn of_answer(answer: &Value, args: &Args) -> Result<String, Failure> {
    let prints: Vec<Listed> = serde_json::from_value(answer["prints"].clone()).map_err(|error| {
        Failure::Failed(format!("the rig is of another version ({error}); update it or this one"))
    })?;
    let mut text = told(&prints, args.unjudged, args.is_chosen());
    match answer["more"].as_u64() {
        Some(more) if more > 0 => text += &format!("and {more} earlier ones, which that rig lists itself\n"),
        _ => {}
    }
    Ok(text)
}

const NO_PRINTS: &str = "no prints yet; 'frameside expose FRAME --target DOSE' begins one\n";
const NO_FIT: &str = "no print fits that; 'frameside prints' lists them all\n";
const NOTHING_WAITS: &str = "no print waits to be judged\n";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_that_is_empty_for_what_was_asked_does_not_say_that_there_are_no_prints() {
        assert_eq!(told(&[], false, false), NO_PRINTS);
        assert_eq!(told(&[], true, true), NO_FIT);
        assert_eq!(told(&[], false, true), NO_FIT);
        assert_eq!(told(&[], true, false), NOTHING_WAITS);
    }
}
