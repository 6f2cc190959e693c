//! `frameside source`

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::PathBuf;

use clap::{ArgGroup, Subcommand};
use frameside_core::light::Response;
use frameside_core::quantity::{Dose, Irradiance, Stops, TargetDose};
use frameside_core::source::{Factor, factor_of_curves, factor_of_pairs, mismatch, seconds_to_eye_limit};
use jiff::tz::TimeZone;
use serde_json::{Value, json};

use super::{Context, Failure, now_ms, out, out_json, picture, table};
use crate::charts::{self, Across, Readings, Series};
use crate::config::{Relay, SourceKind};
use crate::ledger::{FactorRow, Filter, LedgerError, PrintRow, Record, one_line};
use crate::like;
use crate::measured;
use crate::words;

/// Sun against lamp box.
///
/// The same sensor reads them differently from how a coating answers to them. A target
/// under A, divided by the factor from A to B, is the target under B.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside source list
  frameside source compare sun box --dose 15kJ/m2 --chart sources.png
  frameside source factor sun box --paired 2026-07-14-oak-1 2026-07-15-oak-1
  frameside source mismatch --sensor s.csv --process p.csv \\
      --a sun.csv --b box.csv")]
pub(super) struct Args {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// The sources of the config, and what was printed under each
    List(ListArgs),
    /// Light, minutes to a dose and their spread under two sources, from the prints made
    Compare(CompareArgs),
    /// The factor between two sources from prints: the honest one
    ///
    /// By pairs of prints that came out equal (or that were judged, and so say what they
    /// should have had), or by a step wedge of one recipe printed under each source.
    Factor(FactorArgs),
    /// The factor between two sources as spectra predict it
    ///
    /// Each FILE is CSV with the header wavelength_nm,value. Only the shapes count. How the
    /// process answers to wavelengths is an assumption: pairs of prints tell better.
    Mismatch(MismatchArgs),
}

#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  frameside source list")]
struct ListArgs;

#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  frameside source compare sun box --dose 15kJ/m2 --chart sources.png")]
struct CompareArgs {
    /// One source
    #[arg(value_parser = one_line)]
    a: String,
    /// The other
    #[arg(value_parser = one_line)]
    b: String,
    /// The dose whose minutes are told, at the sensor
    #[arg(long, allow_hyphen_values = true, value_name = "DOSE", default_value = "15kJ/m2")]
    dose: TargetDose,
    /// Draw it into a file ending in .svg, .png or .pdf
    #[arg(long, value_name = "FILE", value_parser = picture())]
    chart: Option<PathBuf>,
}

#[derive(Debug, clap::Args)]
#[command(group = ArgGroup::new("evidence").required(true))]
#[command(after_help = "\
Examples:
  frameside source factor sun box --paired 2026-07-14-oak-1 2026-07-15-oak-1
  frameside source factor sun box --recipe citrate --keep")]
struct FactorArgs {
    /// The source that targets are known for
    #[arg(value_parser = one_line)]
    a: String,
    /// The source that targets are wanted for
    #[arg(value_parser = one_line)]
    b: String,
    /// Prints of equal density, two by two, one under each source
    #[arg(long, value_name = "PRINT", num_args = 2.., group = "evidence")]
    paired: Vec<String>,
    /// The newest wedges of this recipe, kept by 'frameside wedge'
    #[arg(long, group = "evidence", value_parser = one_line)]
    recipe: Option<String>,
    /// Keep it: 'expose --like' takes the factor kept last to repeat a print under the other source
    #[arg(long)]
    keep: bool,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "\
Example:
  frameside source mismatch --sensor s.csv --process p.csv \\
      --a sun.csv --b box.csv")]
struct MismatchArgs {
    /// What the sensor answers to
    #[arg(long, value_name = "FILE")]
    sensor: PathBuf,
    /// What the coating answers to
    #[arg(long, value_name = "FILE")]
    process: PathBuf,
    /// The source that targets are known for
    #[arg(long, value_name = "FILE")]
    a: PathBuf,
    /// The source that targets are wanted for
    #[arg(long, value_name = "FILE")]
    b: PathBuf,
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    match &args.verb {
        Verb::List(ListArgs) => list(context),
        Verb::Compare(args) => compare(args, context),
        Verb::Factor(args) => factor(args, context),
        Verb::Mismatch(args) => predicted(args, context),
    }
}

/// What people are told of a lamp box before they switch it on.
pub(super) const LAMP_CAUTIONS: &str = "\
A lamp box: UV harms eyes and skin; do not look in. A certified enclosed relay
rated for the lamp's inrush, fuse and RCD, earthed metal, lid interlock and an
independent timer: software is never the only cut-off. A licensed electrician
where local code asks for one.
";

fn list(context: &Context) -> Result<(), Failure> {
    let config = context.config()?;
    let prints = match Record::open(&config.ledger.path) {
        Ok(record) => record.prints(&Filter::default())?,
        // Before the first run there is nothing to count.
        Err(LedgerError::Missing(_)) => Vec::new(),
        Err(error) => return Err(error.into()),
    };
    let rows: Vec<Value> = config
        .sources
        .iter()
        .map(|source| {
            let of_it: Vec<&PrintRow> = prints.iter().filter(|p| p.source == source.name.as_str()).collect();
            let (kind, relay) = match source.kind {
                SourceKind::Sun => ("sun", None),
                SourceKind::Lamp { relay } => ("lamp", relay),
            };
            let light = median(of_it.iter().filter_map(|print| light_of(print)).collect());
            json!({
                "source": source.name.as_str(), "kind": kind, "relay": relay.map(relay_json), "prints": of_it.len(),
                "irradiance_w_m2": light,
                "eye_limit_seconds": light.and_then(|e| seconds_to_eye_limit(Irradiance::from_w_m2(e))),
            })
        })
        .collect();
    if context.json {
        out_json(&json!({ "sources": rows }));
    } else {
        out(&rows.iter().map(source_line).collect::<String>());
        if rows.iter().any(|row| row["kind"] == "lamp") {
            out(LAMP_CAUTIONS);
        }
    }
    Ok(())
}

fn relay_json(relay: Relay) -> Value {
    json!({
        "pin": relay.pin.map(|pin| pin.bcm()), "active": if relay.active_low { "low" } else { "high" },
        "min_off_s": relay.min_off.as_secs_f64(), "max_on_s": relay.max_on.as_secs_f64(),
    })
}

fn source_line(row: &Value) -> String {
    let name = row["source"].as_str().unwrap_or_default();
    let kind = row["kind"].as_str().unwrap_or_default();
    let relay = match (&row["relay"], row["relay"]["pin"].as_u64()) {
        (Value::Null, _) => String::new(),
        (_, Some(pin)) => format!(", relay on pin {pin}"),
        (_, None) => ", relay emulated".to_owned(),
    };
    let prints = words::count(row["prints"].as_u64().unwrap_or_default() as usize, "print");
    let mut line = format!("{name}: {kind}{relay}, {prints}");
    if let Some(light) = row["irradiance_w_m2"].as_f64() {
        let _ = write!(line, ", mostly {}", Irradiance::from_w_m2(light));
        if let (Some(seconds), "lamp") = (row["eye_limit_seconds"].as_f64(), kind) {
            let _ = write!(line, "; {}", eye_caution(seconds));
        }
    }
    line + "\n"
}

/// How long an eye may look in, as a caution.
pub(super) fn eye_caution(seconds: f64) -> String {
    format!(
        "looking in reaches the ICNIRP limit for the eye, 10 kJ/m² of UV-A in 8 h, after {} (a caution: \
         the sensor is not a safety instrument)",
        words::span(seconds)
    )
}

/// The mean light at the sensor while a print was uncovered, in W/m².
pub(super) fn light_of(print: &PrintRow) -> Option<f64> {
    let dose = print.plain_dose()?.j_m2() / print.glass;
    let seconds = print.seconds_of_light().filter(|seconds| *seconds > 0.0)?;
    (dose > 0.0).then(|| dose / seconds)
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    quantile(&values, 0.5)
}

/// Of sorted values, straight between them; `None` without any.
pub(super) fn quantile(sorted: &[f64], share: f64) -> Option<f64> {
    let at = share * (sorted.len().checked_sub(1)?) as f64;
    let (low, high) = (sorted[at.floor() as usize], sorted[at.ceil() as usize]);
    Some(low + (high - low) * at.fract())
}

/// How a source did on the prints made under it.
struct Under {
    name: String,
    /// When each print began, in seconds since local midnight, and its mean light in W/m².
    prints: Vec<(f64, f64)>,
}

impl Under {
    fn new(name: &str, prints: &[PrintRow], zone: &TimeZone) -> Result<Self, Failure> {
        let of_it = prints.iter().filter(|print| print.source == name);
        let begun =
            |print: &PrintRow| Some((words::seconds_of_day(print.begun()?.unix_ms, zone), light_of(print)?));
        let prints: Vec<(f64, f64)> = of_it.filter_map(begun).collect();
        if prints.is_empty() {
            return Err(Failure::Failed(format!(
                "no print under {name} has been brought in; begin one with --source {name}"
            )));
        }
        Ok(Self { name: name.to_owned(), prints })
    }

    /// The light at a share of its prints, from the dimmest.
    fn light(&self, share: f64) -> f64 {
        let mut lights: Vec<f64> = self.prints.iter().map(|print| print.1).collect();
        lights.sort_by(f64::total_cmp);
        quantile(&lights, share).unwrap_or(f64::NAN)
    }

    fn seconds(&self, dose: Dose, share: f64) -> f64 {
        dose.j_m2() / self.light(share)
    }

    fn to_json(&self, dose: Dose) -> Value {
        json!({
            "source": self.name, "prints": self.prints.len(),
            "irradiance_w_m2": self.light(0.5), "low_w_m2": self.light(0.1), "high_w_m2": self.light(0.9),
            "seconds": self.seconds(dose, 0.5), "low_seconds": self.seconds(dose, 0.9),
            "high_seconds": self.seconds(dose, 0.1),
        })
    }

    fn line(&self, dose: Dose, wide: usize) -> String {
        let minutes = |share: f64| self.seconds(dose, share) / 60.0;
        format!(
            "{:wide$}  {:>6}  {:5.1} ({:.1} to {:.1})  {:6.1} ({:.1} to {:.1})\n",
            self.name,
            self.prints.len(),
            self.light(0.5),
            self.light(0.1),
            self.light(0.9),
            minutes(0.5),
            minutes(0.9),
            minutes(0.1)
        )
    }

    /// A dot for each print, and a line at the middle of them over the time of all.
    fn series(&self, dose: Dose, during: (f64, f64)) -> Series {
        let middle = self.seconds(dose, 0.5) / 60.0;
        let minutes = |light: f64| dose.j_m2() / light / 60.0;
        Series {
            label: vec![format!("{}, mostly {middle:.1} min", self.name)],
            line: vec![(during.0, middle), (during.1, middle)],
            dots: self.prints.iter().map(|&(begun, light)| (begun, minutes(light))).collect(),
            ..Series::default()
        }
    }
}

fn compare(args: &CompareArgs, context: &Context) -> Result<(), Failure> {
    let (record, zone) = context.record()?;
    let prints = record.prints(&Filter::default())?;
    let [a, b] = [&args.a, &args.b].map(|name| Under::new(name, &prints, &zone));
    let (a, b) = (a?, b?);
    let dose = args.dose.dose();
    let cost = b.seconds(dose, 0.5) - a.seconds(dose, 0.5);
    if let Some(file) = &args.chart {
        let begun = || a.prints.iter().chain(&b.prints).map(|print| print.0);
        let during = (begun().fold(f64::INFINITY, f64::min), begun().fold(0.0, f64::max));
        let chart = Readings {
            title: format!("{} and {}", a.name, b.name),
            subtitle: vec![format!("minutes to {dose} at the sensor, for each print by when it began")],
            name: "minutes",
            across: Across::TimeOfDay,
            series: vec![a.series(dose, during), b.series(dose, during)],
        };
        charts::save(file, &charts::readings(&chart)).map_err(|e| Failure::Failed(e.to_string()))?;
    }
    if context.json {
        out_json(&json!({
            "dose_j_m2": dose.j_m2(), "sources": [a.to_json(dose), b.to_json(dose)], "cost_seconds": cost,
        }));
        return Ok(());
    }
    let wide = a.name.len().max(b.name.len()).max(6);
    let mut text = format!("{:wide$}  prints  light, W/m² (80 %)   minutes to {dose} (80 %)\n", "source");
    text += &a.line(dose, wide);
    text += &b.line(dose, wide);
    let more = if cost < 0.0 { "less" } else { "more" };
    let _ = writeln!(text, "the same reading takes {} {more} under {}", words::span(cost.abs()), b.name);
    let _ =
        writeln!(text, "what a reading is worth under each: 'frameside source factor {} {}'", a.name, b.name);
    out(&text);
    if let Some(file) = &args.chart {
        out(&format!("drawn: {}\n", file.display()));
    }
    Ok(())
}

fn factor(args: &FactorArgs, context: &Context) -> Result<(), Failure> {
    if args.a == args.b {
        return Err(Failure::Usage("a factor lies between two sources; name two".to_owned()));
    }
    let config = context.config()?;
    let record = Record::open(&config.ledger.path)?;
    let (found, from) = match &args.recipe {
        Some(recipe) => (of_wedges(&record, recipe, args)?, format!("step wedges of {recipe}")),
        None => {
            let pairs = pairs(&record, args)?;
            let found = factor_of_pairs(&pairs).map_err(|e| Failure::Failed(e.to_string()))?;
            let count = pairs.len();
            (found, format!("{count} {} of prints", if count == 1 { "pair" } else { "pairs" }))
        }
    };
    if args.keep {
        let (a, b) = (args.a.clone(), args.b.clone());
        let row = FactorRow { a, b, unix_ms: now_ms(), factor: found, evidence: from.clone() };
        context.notebook()?.keep_factor(&row)?;
    }
    if context.json {
        out_json(&json!({
            "factor": found.factor, "low": found.low, "high": found.high, "stops": found.stops(),
            "from": "pairs", "evidence": from, "kept": args.keep,
        }));
        return Ok(());
    }
    let Factor { factor, low, high } = found;
    out(&format!(
        "{} to {}: factor {factor:.3} (between {low:.3} and {high:.3}), {}, from {from}\n{}",
        args.a,
        args.b,
        found.stops(),
        converted(&args.a, &args.b, factor)
    ));
    if is_wide(&found) {
        out("the interval is wide: more pairs narrow it\n");
    }
    if args.keep {
        out(&format!("kept: 'expose FRAME --like PRINT --source {}' takes it\n", args.b));
    }
    Ok(())
}

/// An interval of more than a third of a stop either way decides nothing.
fn is_wide(factor: &Factor) -> bool {
    (factor.high / factor.low).log2() > 2.0 / 3.0
}

/// A target under the one as a target under the other.
fn converted(a: &str, b: &str, factor: f64) -> String {
    let (under_a, under_b) = (Dose::from_j_m2(15_000.0), Dose::from_j_m2(15_000.0 / factor));
    format!("{under_a} at the sensor under {a} is {under_b} under {b}\n")
}

/// Doses for equal density, two by two, the first of each under A.
fn pairs(record: &Record, args: &FactorArgs) -> Result<Vec<(Dose, Dose)>, Failure> {
    if !args.paired.len().is_multiple_of(2) {
        return Err(Failure::Usage("prints are paired two by two; one of them has no other".to_owned()));
    }
    let mut seen = BTreeSet::new();
    let mut pairs = Vec::new();
    for pair in args.paired.chunks_exact(2) {
        let [one, other] = [record.find(&pair[0])?, record.find(&pair[1])?];
        for print in [&one, &other] {
            if !seen.insert(print.id.clone()) {
                return Err(Failure::Failed(format!("print {} is named twice", print.id)));
            }
        }
        let (under_a, under_b) = if one.source == args.a { (one, other) } else { (other, one) };
        for (print, source) in [(&under_a, &args.a), (&under_b, &args.b)] {
            if print.source != *source {
                return Err(Failure::Failed(format!(
                    "print {} was made under {}; each pair needs one print under {} and one under {}",
                    print.id, print.source, args.a, args.b
                )));
            }
        }
        pairs.push((equal_dose(record, &under_a)?, equal_dose(record, &under_b)?));
    }
    Ok(pairs)
}

/// What a print had, or should have had by its judgement, as a plain dose.
fn equal_dose(record: &Record, print: &PrintRow) -> Result<Dose, Failure> {
    let repeated = like::repeating(record, &print.id, None, Response::PLAIN, &TimeZone::UTC);
    Ok(repeated.map_err(|e| Failure::Failed(e.to_string()))?.target.dose())
}

fn of_wedges(record: &Record, recipe: &str, args: &FactorArgs) -> Result<Factor, Failure> {
    let wedges = record.wedges(recipe)?;
    let newest = |source: &str| {
        let none = || {
            Failure::Failed(format!(
                "there is no wedge of {recipe} under {source}; keep one with 'frameside wedge FILE --dose DOSE --recipe {recipe} --source {source}'"
            ))
        };
        let wedge = wedges.iter().rev().find(|wedge| wedge.source == source).ok_or_else(none)?;
        wedge
            .curve(&Response::PLAIN)
            .map_err(|error| Failure::Failed(format!("wedge {}: {error}", wedge.name)))
    };
    factor_of_curves(&newest(&args.a)?, &newest(&args.b)?).map_err(|e| Failure::Failed(e.to_string()))
}

fn predicted(args: &MismatchArgs, context: &Context) -> Result<(), Failure> {
    let [a, b, sensor, process] =
        [&args.a, &args.b, &args.sensor, &args.process].map(|file| table::read(file, measured::spectrum));
    let found = mismatch(&a?, &b?, &sensor?, &process?).map_err(|e| Failure::Failed(e.to_string()))?;
    let stops: Stops = found.stops();
    if context.json {
        out_json(
            &json!({ "factor": found.factor, "stops": stops, "blind": found.blind, "from": "mismatch" }),
        );
        return Ok(());
    }
    let mut text = format!("a to b: factor {:.3}, {stops}, predicted from spectra\n", found.factor);
    text += &converted("a", "b", found.factor);
    if found.blind {
        text += "! the sensor is nearly blind to one of the sources, and a small error of its curve \
                 is a great error of the factor; use prints, or another sensor\n";
    }
    text += "how the process answers to wavelengths is an assumption: pairs of prints at equal density are \
             the honest way ('frameside source factor')\n";
    out(&text);
    Ok(())
}
