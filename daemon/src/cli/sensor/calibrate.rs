//! `frameside sensor zero`, `ranges` and `calibrate`

use std::collections::BTreeMap;
use std::fmt::Write as _;

use frameside_core::light::{Calibration, CalibrationError, Reading, Sample, Seen};
use frameside_core::quantity::{Irradiance, ParseQuantityError, parse_fraction};
use frameside_core::source::SUN;
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::{Value, json};

use super::probe::{FASTEST, Probe};
use super::{Context, Failure, chosen, refuse_if_in_use};
use crate::assemble;
use crate::cli::{now_ms, out, out_json, zone};
use crate::config::{Config, Sensor, SensorKind};
use crate::words;

#[derive(Debug, clap::Args)]
pub(super) struct Measure {
    /// The sensor, where there are several
    name: Option<String>,
    /// Readings in each range
    #[arg(long, value_name = "N", default_value_t = 20, value_parser = clap::value_parser!(u16).range(5..=1000))]
    readings: u16,
}

#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(flatten)]
    measure: Measure,
    /// What a reference meter beside it shows: 41.2W/m2, 4.12mW/cm2, 4120uW/cm2; a bare number is W/m²
    #[arg(long, allow_hyphen_values = true, value_name = "IRRADIANCE", conflicts_with = "against", value_parser = parse_reference)]
    reference: Option<Irradiance>,
    /// Another sensor of this rig that is calibrated and sees the same light
    #[arg(long, value_name = "SENSOR")]
    against: Option<String>,
    /// Keep a factor under 1/3 or over 3 all the same; a sensor without a unit of its own may have any
    #[arg(long)]
    anyway: bool,
    /// The source of this light
    #[arg(long, default_value = SUN)]
    source: String,
    /// What window and diffuser before the sensor pass, such as 92%
    #[arg(long, allow_hyphen_values = true, value_name = "SHARE", value_parser = parse_fraction)]
    window: Option<f64>,
    /// Temperature coefficient, a share per kelvin such as 0.0011
    #[arg(long, value_name = "SHARE", allow_negative_numbers = true, requires = "at")]
    per_kelvin: Option<f64>,
    /// The temperature at which the sensor is right, in °C
    #[arg(long, value_name = "CELSIUS", allow_negative_numbers = true, requires = "per_kelvin")]
    at: Option<f32>,
}

/// Meters show mW/cm² and µW/cm² too; W/m² needs no unit.
fn parse_reference(text: &str) -> Result<Irradiance, String> {
    match text.trim().parse::<f64>() {
        Ok(w_m2) if w_m2.is_finite() && w_m2 >= 0.0 => Ok(Irradiance::from_w_m2(w_m2)),
        _ => text.parse().map_err(|error: ParseQuantityError| error.to_string()),
    }
}

/// Fewer readings show whether a range is saturated.
const TRIAL: usize = 5;

pub(super) fn zero(args: &Measure, context: &Context) -> Result<(), Failure> {
    let (config, sensor) = ready(args, context)?;
    let mut correction = present(&sensor, context)?;
    let ranges = ranges_of(&sensor)?;
    let bar = progress(context, ranges.len());
    let mut dark = Vec::new();
    for range in ranges {
        bar.set_message(format!("range {range}"));
        let sample = sample(&config, &sensor, range, args.readings.into())??;
        correction.zero(range, &sample)?;
        dark.push((range, sample));
        bar.inc(1);
    }
    bar.finish_and_clear();
    let mut told = String::new();
    for (range, sample) in &dark {
        let Sample { mean, deviation, .. } = sample;
        let _ = writeln!(
            told,
            "range {range}: {:.4} W/m² in the dark, noise {:.4}",
            mean.w_m2(),
            deviation.w_m2()
        );
    }
    keep(&sensor, "zero, covered", &correction, &told, context)
}

pub(super) fn ranges(args: &Measure, context: &Context) -> Result<(), Failure> {
    let (config, sensor) = ready(args, context)?;
    let mut correction = present(&sensor, context)?;
    let mut usable = Vec::new();
    for range in ranges_of(&sensor)? {
        match sample(&config, &sensor, range, TRIAL)? {
            Ok(_) => usable.push(range),
            // What is more sensitive is saturated too.
            Err(_) => break,
        }
    }
    let Some(&finest) = usable.last() else {
        return Err(Failure::Failed("the sensor is saturated in every range; take less light".to_owned()));
    };
    let bar = progress(context, usable.len() + 1);
    let mut seen = Vec::new();
    for &range in usable.iter().rev() {
        bar.set_message(format!("range {range}"));
        seen.push((range, sample(&config, &sensor, range, args.readings.into())??));
        bar.inc(1);
    }
    bar.set_message(format!("range {finest} again"));
    let again = sample(&config, &sensor, finest, args.readings.into())??;
    bar.finish_and_clear();
    let set = correction.ranges(&seen, again)?;
    let mut told = String::new();
    for (range, sample) in &seen {
        let _ = match correction.ratios.get(range).filter(|_| set.contains(range)) {
            Some(ratio) => writeln!(told, "range {range}: {:.3} W/m², times {ratio:.4}", sample.mean.w_m2()),
            None => {
                writeln!(told, "range {range}: {:.3} W/m², too few counts to compare", sample.mean.w_m2())
            }
        };
    }
    keep(&sensor, "ranges, on steady light", &correction, &told, context)
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    let Args { reference, against, window, per_kelvin, at, source, .. } = args;
    if reference.is_none() && against.is_none() && window.is_none() && per_kelvin.is_none() {
        return history(args, context);
    }
    context.known_source(source)?;
    let (config, sensor) = ready(&args.measure, context)?;
    let mut correction = present(&sensor, context)?;
    let mut done = Vec::new();
    if let Some(window) = window {
        correction.set_window(*window)?;
        done.push(format!("window {:.1} %", window * 100.0));
    }
    if let (Some(per_kelvin), Some(at)) = (per_kelvin, at) {
        correction.set_warmth(*per_kelvin, *at)?;
        done.push(format!("{per_kelvin} per kelvin at {at} °C"));
    }
    let count = args.measure.readings.into();
    if let Some(reference) = reference {
        let readings = Probe::open(&config, &sensor, None, FASTEST)?.readings(count)?;
        let factor = correction.against(source, *reference, &readings)?;
        refuse_absurd(factor, &sensor, args)?;
        done.push(format!("{source}: times {factor:.4}, by a reference of {} W/m²", reference.w_m2()));
    }
    if let Some(other) = against {
        let (reference, readings) = beside(&config, &sensor, chosen(&config, Some(other))?, count, context)?;
        let factor = correction.against(source, reference, &readings)?;
        refuse_absurd(factor, &sensor, args)?;
        done.push(format!("{source}: times {factor:.4}, against sensor {other}"));
    }
    keep(&sensor, &done.join("; "), &correction, "", context)
}

/// A part that knows its unit is off by less: the meter was read in another one, or covered.
fn refuse_absurd(factor: f64, sensor: &Sensor, args: &Args) -> Result<(), Failure> {
    const MOST: f64 = 3.0;
    if args.anyway || assemble::has_no_unit(sensor) || (1.0 / MOST..=MOST).contains(&factor) {
        return Ok(());
    }
    Err(Failure::Failed(format!(
        "sensor {} would be corrected by the factor {factor:.3}, which is beyond 1/3 to 3: is the reference in W/m²? \
         A unit may be added (mW/cm2, uW/cm2); --anyway keeps it all the same",
        sensor.name
    )))
}

/// What a known sensor saw on average, and this one's readings as they would have been had the
/// light stood still at that: clouds pass over both at once.
fn beside(
    config: &Config,
    sensor: &Sensor,
    known: &Sensor,
    count: usize,
    context: &Context,
) -> Result<(Irradiance, Vec<Reading>), Failure> {
    if known.name == sensor.name {
        return Err(Failure::Usage("a sensor cannot be calibrated against itself".to_owned()));
    }
    refuse_if_in_use(known, context)?;
    let of_known = present(known, context)?;
    let (mut this, mut that) =
        (Probe::open(config, sensor, None, FASTEST)?, Probe::open(config, known, None, FASTEST)?);
    let mut pairs = Vec::new();
    for _ in 0..count {
        let reading = this.next()?;
        pairs.push((reading, of_known.apply(that.next()?).seen.lowest().w_m2()));
    }
    let mean = pairs.iter().map(|(_, w_m2)| w_m2).sum::<f64>() / pairs.len() as f64;
    let still = |(reading, w_m2): &(Reading, f64)| match reading.seen {
        Seen::Exactly(value) if *w_m2 > 0.0 => {
            Reading { seen: Seen::Exactly(value * (mean / w_m2)), ..*reading }
        }
        _ => *reading,
    };
    Ok((Irradiance::from_w_m2(mean), pairs.iter().map(still).collect()))
}

/// The config and the sensor, which nothing else uses and whose readings can be corrected.
fn ready(args: &Measure, context: &Context) -> Result<(Config, Sensor), Failure> {
    let config = context.config()?;
    let sensor = chosen(&config, args.name.as_deref())?.clone();
    if matches!(sensor.kind, SensorKind::Recorded(_) | SensorKind::Mqtt { .. }) {
        let name = &sensor.name;
        return Err(Failure::Failed(format!(
            "sensor {name} is no chip of this rig: there is nothing to calibrate"
        )));
    }
    refuse_if_in_use(&sensor, context)?;
    Ok((config, sensor))
}

fn ranges_of(sensor: &Sensor) -> Result<Vec<u8>, Failure> {
    match &sensor.kind {
        SensorKind::Real { chip, .. } | SensorKind::Emulated { chip, .. } => Ok(chip.ranges()),
        _ => Err(Failure::Failed(format!("sensor {} has one range only, chosen by the kernel", sensor.name))),
    }
}

fn sample(
    config: &Config,
    sensor: &Sensor,
    range: u8,
    readings: usize,
) -> Result<Result<Sample, CalibrationError>, Failure> {
    Ok(Sample::of(&Probe::open(config, sensor, Some(range), FASTEST)?.readings(readings)?))
}

fn present(sensor: &Sensor, context: &Context) -> Result<Calibration, Failure> {
    Ok(context.correction(&sensor.name.to_string())?.map(|row| row.calibration).unwrap_or_default())
}

/// Hidden by itself where stderr is no terminal.
fn progress(context: &Context, steps: usize) -> ProgressBar {
    if context.json {
        return ProgressBar::hidden();
    }
    let style = ProgressStyle::with_template("{wide_bar} {pos}/{len} {msg}");
    ProgressBar::new(steps as u64).with_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()))
}

/// Keeps the correction and says what was measured.
fn keep(
    sensor: &Sensor,
    done: &str,
    correction: &Calibration,
    told: &str,
    context: &Context,
) -> Result<(), Failure> {
    let name = sensor.name.to_string();
    let id = context.notebook()?.keep_calibration(&name, now_ms(), done, correction)?;
    if context.json {
        out_json(&json!({ "sensor": name, "id": id, "done": done, "calibration": correction }));
    } else {
        out(&format!(
            "{told}kept as calibration {id} of sensor {name}: {done}\nit counts from the daemon's next start with no print out beside it\n"
        ));
    }
    Ok(())
}

/// How the sensor is corrected, and how it came to that.
fn history(args: &Args, context: &Context) -> Result<(), Failure> {
    let config = context.config()?;
    let name = chosen(&config, args.measure.name.as_deref())?.name.to_string();
    let rows = context.record()?.0.calibrations(&name)?;
    if context.json {
        let to_json = |row: &crate::ledger::CalibrationRow| -> Value {
            let at = words::rfc3339(row.unix_ms, &zone(&config));
            json!({ "id": row.id, "at": at, "done": row.done, "calibration": row.calibration })
        };
        out_json(&rows.iter().map(to_json).collect());
        return Ok(());
    }
    let Some(last) = rows.last() else {
        out(&format!("sensor {name} goes by its datasheet or the config; nothing was calibrated yet\n"));
        return Ok(());
    };
    for row in &rows {
        out(&format!("{:>4}  {}  {}\n", row.id, words::day(row.unix_ms, &zone(&config)), row.done));
    }
    out(&described(&last.calibration));
    Ok(())
}

fn described(correction: &Calibration) -> String {
    let mut text = String::from("now:\n");
    for (source, factor) in &correction.factors {
        let _ = writeln!(text, "  under {source}: times {factor:.4}");
    }
    let _ = writeln!(text, "  window: {:.1} %", correction.window * 100.0);
    if correction.per_kelvin != 0.0 {
        let _ = writeln!(text, "  {} per kelvin at {} °C", correction.per_kelvin, correction.at_c);
    }
    let list = |values: &BTreeMap<u8, f64>| {
        let of = |(range, value): (&u8, &f64)| format!("{range}: {value:.4}");
        values.iter().map(of).collect::<Vec<_>>().join(", ")
    };
    if !correction.zeros_w_m2.is_empty() {
        let _ = writeln!(text, "  zero in W/m² by range: {}", list(&correction.zeros_w_m2));
    }
    if !correction.ratios.is_empty() {
        let _ = writeln!(text, "  ratio by range: {}", list(&correction.ratios));
    }
    text
}
