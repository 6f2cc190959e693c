//! `frameside replay`

use std::fmt::Write as _;
use std::fs::File;
use std::io::Read;
use std::path::PathBuf;
use std::time::Duration;

use frameside_core::light::Response;
use frameside_core::light::recorded::parse_rfc3339;
use frameside_core::quantity::{Dose, Irradiance, TargetDose, parse_duration};
use indicatif::{ProgressBar, ProgressStyle};
use jiff::Timestamp;
use serde_json::{Value, json};

use super::{Context, Failure, is_watched, out, out_json};
use crate::advice::how_counted;
use crate::ledger::reference;
use crate::replay::{Exposure, Replayed, Start, Wanted, replay};
use crate::words;

/// A recorded day through the same machine.
///
/// The file has the header time,irradiance_w_m2 (and optionally flags), RFC 3339
/// times in rising order, and an empty irradiance for a missing sample. Between
/// samples the light is taken as a straight line. An exposure that does not reach its
/// dose by the end of the file is unfinished.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside replay day.csv --target 15kJ/m2
  frameside replay june.csv --target 15kJ/m2 --at 10:00 --json
  frameside replay june.csv --target 15kJ/m2 --every 30min --rate 1
  frameside replay day.csv --target 15kJ/m2 --exponent 0.85 --reference 30W/m2")]
pub(super) struct Args {
    /// Recorded light; - for standard input
    file: PathBuf,
    /// The dose of each exposure, such as 15kJ/m2
    #[arg(long, allow_hyphen_values = true, value_name = "DOSE")]
    target: TargetDose,
    /// Count doses at this exponent of the irradiance, with --reference
    #[arg(long, allow_hyphen_values = true, value_name = "P", requires = "reference", default_value_t = 1.0)]
    exponent: f64,
    /// The irradiance at which such a dose is the plain dose, such as 30W/m2
    #[arg(long, allow_hyphen_values = true, value_name = "E", requires = "exponent", value_parser = reference)]
    reference: Option<f64>,
    /// Begin at this time, or at HH:MM of every day in UTC (HH:MM+02:00 elsewhere); may be repeated
    #[arg(long, value_name = "TIME", value_parser = parse_start)]
    at: Vec<Start>,
    /// Begin at the first sample and again after each DUR, such as 30min
    #[arg(long, allow_hyphen_values = true, value_name = "DUR", value_parser = parse_duration)]
    every: Option<Duration>,
    /// See the light as a sensor at HZ readings a second would
    #[arg(long, allow_hyphen_values = true, value_name = "HZ", value_parser = parse_rate)]
    rate: Option<f64>,
}

fn parse_start(text: &str) -> Result<Start, String> {
    if let Some(at) = parse_rfc3339(text) {
        return Ok(Start::At(at));
    }
    let wrong =
        || format!("'{text}' is not a time; write it like 10:00, 10:00+02:00 or 2026-06-01T10:00:00Z");
    let zone_at = text.find(['+', '-', 'Z', 'z']).unwrap_or(text.len());
    let (clock, zone) = text.split_at(zone_at);
    let seconds = if clock.len() == 5 { ":00" } else { "" };
    let zone = if zone.is_empty() { "Z" } else { zone };
    // Any day will do to read the clock time.
    let at = parse_rfc3339(&format!("2026-01-01T{clock}{seconds}{zone}")).ok_or_else(wrong)?;
    Ok(Start::Daily(at.rem_euclid(86_400_000_000_000)))
}

fn parse_rate(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(hz) if (0.001..=1000.0).contains(&hz) => Ok(hz),
        _ => Err(format!("'{text}' is not a rate; write readings a second, 0.001 to 1000")),
    }
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    let every = args.every.map(|every| Start::Every(i64::try_from(every.as_nanos()).unwrap_or(i64::MAX)));
    let reference = Irradiance::from_w_m2(args.reference.unwrap_or(1.0));
    let response = Response::new(args.exponent, reference)
        .map_err(|error| Failure::Usage(format!("--exponent: {error}")))?;
    let wanted = Wanted {
        target: args.target,
        response,
        starts: args.at.iter().copied().chain(every).collect(),
        rate_hz: args.rate,
    };
    let name = args.file.display();
    let opened = |error: std::io::Error| Failure::Failed(format!("{name}: {error}"));
    let (file, length): (Box<dyn Read>, u64) = if args.file.as_os_str() == "-" {
        (Box::new(std::io::stdin().lock()), 0)
    } else {
        let file = File::open(&args.file).map_err(opened)?;
        let length = file.metadata().map_err(opened)?.len();
        (Box::new(file), length)
    };
    let bar = progress(length);
    let replayed = replay(file, &wanted, |done| bar.set_position(done)).map_err(|error| {
        Failure::Failed(format!("{name}:{}{error}", if is_line(&error) { "" } else { " " }))
    })?;
    bar.finish_and_clear();
    if context.json {
        out_json(&to_json(&replayed, &response));
    } else {
        out(&for_people(&replayed, args.target));
        if let Some(how) = how_counted(&response) {
            out(&(how + "\n"));
        }
    }
    Ok(())
}

fn is_line(error: &crate::replay::ReplayError) -> bool {
    matches!(error, crate::replay::ReplayError::Line { .. })
}

/// A bar for files that take longer than a blink, where somebody watches.
fn progress(length: u64) -> ProgressBar {
    if length < 20_000_000 || !is_watched() {
        return ProgressBar::hidden();
    }
    let style = ProgressStyle::with_template("{bar:40} {percent} %, {eta} to go");
    ProgressBar::new(length).with_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()))
}

fn to_json(replayed: &Replayed, response: &Response) -> Value {
    json!({
        "samples": replayed.samples,
        "span_s": replayed.span_s,
        "missing": replayed.missing,
        "exponent": response.exponent(),
        "reference_w_m2": (!response.is_plain()).then(|| response.reference().w_m2()),
        "dose_j_m2": replayed.dose.best.j_m2(),
        "low_j_m2": replayed.dose.low.j_m2(),
        "high_j_m2": replayed.dose.high.j_m2(),
        "exposures": replayed.exposures.iter().map(exposure_json).collect::<Vec<_>>(),
    })
}

fn exposure_json(exposure: &Exposure) -> Value {
    json!({
        "start": time(exposure.start_ns),
        "due": exposure.due_ns.map(time),
        "seconds": exposure.seconds(),
        "dose_j_m2": exposure.dose.best.j_m2(),
        "low_j_m2": exposure.dose.low.j_m2(),
        "high_j_m2": exposure.dose.high.j_m2(),
        "state": if exposure.due_ns.is_some() { "due" } else { "unfinished" },
    })
}

/// RFC 3339 in UTC, with as many decimals as it takes.
fn time(unix_ns: i64) -> String {
    Timestamp::from_nanosecond(i128::from(unix_ns)).map_or_else(|_| unix_ns.to_string(), |at| at.to_string())
}

fn for_people(replayed: &Replayed, target: TargetDose) -> String {
    let mut text = String::new();
    let _ = writeln!(text, "begun                     minutes  dose          ");
    for exposure in &replayed.exposures {
        let start = time(exposure.start_ns);
        let dose = words::dose(exposure.dose);
        let _ = match exposure.seconds() {
            Some(seconds) => writeln!(text, "{start:24}  {:7.2}  {dose}", seconds / 60.0),
            None => writeln!(text, "{start:24}        -  {dose}, unfinished"),
        };
    }
    let _ = writeln!(
        text,
        "{} samples over {}, {} missing; all of it {}",
        replayed.samples,
        words::span(replayed.span_s),
        replayed.missing,
        Dose::from_j_m2(replayed.dose.best.j_m2()),
    );
    if let Some((least, most)) = replayed.shortest_and_longest_s().filter(|(least, most)| most > least) {
        let stops = (most / least).log2();
        let _ = writeln!(
            text,
            "{target} took {} to {}: {stops:.1} stops between the brightest and the dimmest",
            words::span(least),
            words::span(most),
        );
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn starts_as_people_write_them() {
        let hour = 3_600_000_000_000;
        assert_eq!(parse_start("10:00"), Ok(Start::Daily(10 * hour)));
        assert_eq!(parse_start("10:00+02:00"), Ok(Start::Daily(8 * hour)));
        assert_eq!(parse_start("01:00+02:00"), Ok(Start::Daily(23 * hour)));
        assert_eq!(parse_start("10:00:30"), Ok(Start::Daily(10 * hour + 30_000_000_000)));
        assert_eq!(parse_start("2026-06-01T10:00:00Z"), Ok(Start::At(1_780_308_000_000_000_000)));
        for text in ["25:00", "ten", "10", "10:00+2"] {
            assert!(parse_start(text).is_err(), "{text}");
        }
    }
}
