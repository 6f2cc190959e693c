//! `frameside sensor`: for the person with the screwdriver.

mod calibrate;
pub(super) mod probe;
mod read;
mod scan;

use clap::Subcommand;

use super::{Context, Failure};
use crate::config::{Config, Sensor, SensorKind};
use crate::request::Request;

/// The sensor itself: what answers, what it says, how it is corrected.
///
/// These verbs use the sensor themselves: stop the daemon first where it uses it.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside sensor scan
  frameside sensor read sky
  frameside sensor zero sky                     covered
  frameside sensor ranges sky                   in steady light
  frameside sensor calibrate sky --reference 41.2")]
pub(super) struct Args {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// What answers on a bus, and what it can and cannot be
    #[command(after_help = "Examples:\n  frameside sensor scan\n  frameside sensor scan --bus 1")]
    Scan(scan::Args),
    /// Readings as they come, with noise, range and counts
    #[command(after_help = "Examples:\n  frameside sensor read\n  frameside sensor read sky --count 10")]
    Read(read::Args),
    /// What the covered sensor says in each range becomes its zero
    #[command(after_help = "Example:\n  frameside sensor zero sky")]
    Zero(calibrate::Measure),
    /// Make the ranges agree on one steady light
    #[command(after_help = "Example:\n  frameside sensor ranges sky")]
    Ranges(calibrate::Measure),
    /// Correct it by a reference meter or another sensor, under one source of light
    ///
    /// Also by what its window passes and by its temperature. With nothing to set it tells
    /// how the sensor is corrected now.
    #[command(after_help = "\
Examples:
  frameside sensor calibrate sky
  frameside sensor calibrate sky --reference 41.2
  frameside sensor calibrate sky --against wall --source box
  frameside sensor calibrate sky --window 92% --per-kelvin 0.0011 --at 25")]
    Calibrate(calibrate::Args),
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    match &args.verb {
        Verb::Scan(args) => scan::run(args, context),
        Verb::Read(args) => read::run(args, context),
        Verb::Zero(args) => calibrate::zero(args, context),
        Verb::Ranges(args) => calibrate::ranges(args, context),
        Verb::Calibrate(args) => calibrate::run(args, context),
    }
}

/// The sensor of a name, or the only one there is.
pub(in crate::cli) fn chosen<'a>(config: &'a Config, name: Option<&str>) -> Result<&'a Sensor, Failure> {
    let names: Vec<String> = config.sensors.iter().map(|sensor| sensor.name.to_string()).collect();
    match (name, &config.sensors[..]) {
        (None, [only]) => Ok(only),
        (None, _) => Err(Failure::Usage(format!("say which sensor: {}", names.join(", ")))),
        (Some(name), sensors) => {
            sensors.iter().find(|sensor| sensor.name.to_string() == name).ok_or_else(|| {
                let name = name.escape_default();
                Failure::Failed(format!("there is no sensor '{name}'; the sensors are: {}", names.join(", ")))
            })
        }
    }
}

/// Two programs cannot use a chip at once.
fn refuse_if_in_use(sensor: &Sensor, context: &Context) -> Result<(), Failure> {
    if matches!(sensor.kind, SensorKind::Real { .. }) && context.ask(&Request::Status).is_ok() {
        let name = &sensor.name;
        return Err(Failure::Failed(format!(
            "the daemon is using sensor {name}; stop it first ('systemctl stop frameside'), or see 'frameside light'"
        )));
    }
    Ok(())
}
