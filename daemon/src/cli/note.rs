//! `frameside note`

use std::time::Duration;

use clap::builder::PossibleValuesParser;
use frameside_core::quantity::{Dose, parse_duration};

use super::{Context, Failure, at_frame, out, out_json};
use crate::request::{Note, Request, STEPS, TONES};

/// Add a note to a print.
///
/// On a print that is out, it carries the dose of this instant. Once the print is in, --step
/// says what was done with it and --for how long that took.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside note 2026-07-14-oak-1 \"border turning\" --tone blue
  frameside note 2026-07-14-oak-1 \"three waters\" --step rinse --for 10min
  frameside note 2026-07-14-oak-1 \"peroxide\" --step oxidise --for 1min")]
pub(super) struct Args {
    /// The print, or the beginning of its name; a frame for its newest, 'last' for the newest of all
    print: String,
    /// The note
    text: String,
    /// How the bare border looks
    #[arg(long, value_parser = PossibleValuesParser::new(TONES))]
    tone: Option<String>,
    /// What was done with it once it was in
    #[arg(long, value_parser = PossibleValuesParser::new(STEPS), conflicts_with = "tone")]
    step: Option<String>,
    /// How long that took, such as 10min
    #[arg(long = "for", allow_hyphen_values = true, value_name = "DUR", value_parser = parse_duration, requires = "step")]
    lasted: Option<Duration>,
}

pub(super) fn run(args: Args, context: &Context) -> Result<(), Failure> {
    let answer = context.ask(&Request::Note {
        print: args.print,
        note: Note {
            text: args.text,
            tone: args.tone,
            step: args.step,
            seconds: args.lasted.map(|lasted| lasted.as_secs_f64()),
        },
    })?;
    if context.json {
        out_json(&answer);
        return Ok(());
    }
    let print = answer["print"].as_str().unwrap_or_default();
    match answer["dose_j_m2"].as_f64() {
        Some(dose) => out(&format!("noted on {print} at {}\n", Dose::from_j_m2(dose))),
        None => out(&format!("noted on {print}\n")),
    }
    at_frame::warn(&answer);
    Ok(())
}
