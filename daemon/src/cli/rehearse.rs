//! `frameside rehearse`

use std::path::PathBuf;

use super::{Context, Failure};
use crate::rehearsal;

/// The main job with no hardware: a made-up cloudy morning through the real service.
///
/// Four frames lie out in a garden on a morning of broken cloud: one is covered
/// for a while, one is a test strip, and the sensor drops out once. Everything is made up
/// but the work: emulated chip, real driver, real service, real record.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside rehearse
  frameside rehearse --seed 7 --speed 2000 --out my-rehearsal")]
pub(super) struct Args {
    /// How many times faster than life, 1 to 100000
    #[arg(long, allow_hyphen_values = true, default_value_t = 600.0, value_name = "N", value_parser = parse_speed)]
    speed: f64,
    /// Where the record and the pictures go; a new folder unless told
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Another day of cloud
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

fn parse_speed(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(speed) if (1.0..=100_000.0).contains(&speed) => Ok(speed),
        _ => Err(format!("'{text}' is not a speed; write a number from 1 to 100000")),
    }
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    let wanted = rehearsal::Wanted { speed: args.speed, out: args.out.clone(), seed: args.seed };
    let rehearsed =
        rehearsal::run(&wanted, !context.json).map_err(|error| Failure::Failed(error.to_string()))?;
    if context.json {
        super::out_json(&rehearsed.to_json());
    } else {
        super::out(&rehearsed.for_people());
    }
    Ok(())
}
