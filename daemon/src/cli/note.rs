//! `frameside note`

use clap::builder::PossibleValuesParser;
use frameside_core::quantity::Dose;

use super::{Context, Failure, at_frame, out, out_json};
use crate::request::{Request, TONES};

/// On a print that is out, the note carries the dose of this instant.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Example:
  frameside note 2026-07-14-oak-1 \"border turning\" --tone blue")]
pub(super) struct Args {
    /// The print, or the beginning of its name
    print: String,
    /// The note
    text: String,
    /// How the bare border looks
    #[arg(long, value_parser = PossibleValuesParser::new(TONES))]
    tone: Option<String>,
}

pub(super) fn run(args: Args, context: &Context) -> Result<(), Failure> {
    let answer = context.ask(&Request::Note { print: args.print, text: args.text, tone: args.tone })?;
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
