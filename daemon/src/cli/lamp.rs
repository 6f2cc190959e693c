//! `frameside lamp`

use std::fmt::Write as _;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use clap::{ArgGroup, Subcommand};
use frameside_core::exposure::EventKind;
use frameside_core::light::recorded::Parser;
use frameside_core::quantity::{Irradiance, Mono, Stops};
use frameside_core::source::{
    Ageing, Evenness, LampReading, PlaceReading, STEADY_WITHIN, WarmUp, ageing, evenness,
    seconds_to_eye_limit, warm_up,
};
use jiff::tz::TimeZone;
use serde_json::json;

use super::bed::{self, Grid, Size};
use super::source::{eye_caution, light_of};
use super::{Context, Failure, out, out_json, picture, refuse_to_overwrite, table};
use crate::charts::{self, Across, Bed, Readings, Series};
use crate::ledger::one_line;
use crate::ledger::{EventRow, Filter, PrintRow, Record};
use crate::measured;
use crate::words;

/// The lamp box itself: warm-up, evenness, ageing.
///
/// Readings come from a file, from the prints made under it, or place by place from a sensor.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside lamp warm-up --csv cold-start.csv --chart warm-up.png
  frameside lamp evenness --size 40x30cm --grid 5x3
  frameside lamp ageing --source box --loss 1/2stop")]
pub(super) struct Args {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// Time until the light is steady, and what a cold start costs
    ///
    /// From readings that begin as the cold lamp is switched on: CSV with the header
    /// time,irradiance_w_m2, or a print that was begun then.
    WarmUp(WarmUpArgs),
    /// A map of the bed, and the size that is even enough
    ///
    /// FILE is CSV with the header x_cm,y_cm,irradiance_w_m2: readings of the warm lamp over
    /// the whole bed, corners and middle among them, from its lower left corner. Without one it
    /// asks on the terminal for the sensor at each place, and reads it there.
    Evenness(EvennessArgs),
    /// The light lost over the months, and when more will be
    ///
    /// From readings of the warm lamp with the sensor at its fixed place: CSV with the header
    /// time,irradiance_w_m2, or the prints made under a source.
    Ageing(AgeingArgs),
}

#[derive(Debug, clap::Args)]
#[command(group = ArgGroup::new("readings").required(true))]
#[command(after_help = "\
Examples:
  frameside lamp warm-up --csv cold-start.csv --chart warm-up.png
  frameside lamp warm-up --print 2026-07-14-box-1")]
struct WarmUpArgs {
    /// Readings from a cold start
    #[arg(long, value_name = "FILE", group = "readings")]
    csv: Option<PathBuf>,
    /// A print under a cold lamp that Frameside switched on, or begun as that was done by hand
    #[arg(long, group = "readings")]
    print: Option<String>,
    /// Draw it into a file ending in .svg, .png or .pdf
    #[arg(long, value_name = "FILE", value_parser = picture())]
    chart: Option<PathBuf>,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside lamp evenness --size 40x30cm --grid 5x3 --save bed.csv
  frameside lamp evenness bed.csv --within 1/6stop --chart bed.png")]
struct EvennessArgs {
    /// Readings over the bed
    file: Option<PathBuf>,
    /// Places across and up that are asked for
    #[arg(long, value_name = "NxM", default_value = "5x3", conflicts_with = "file")]
    grid: Grid,
    /// Width and height from the first place to the last, such as 40x30cm
    #[arg(long, value_name = "WxHcm", conflicts_with = "file")]
    size: Option<Size>,
    /// The sensor that reads, where there are several
    #[arg(long, conflicts_with = "file")]
    sensor: Option<String>,
    /// A new file for the readings; else it asks
    #[arg(long, value_name = "FILE", conflicts_with = "file")]
    save: Option<PathBuf>,
    /// How much the light may differ over a print, such as 1/6stop
    #[arg(long, allow_hyphen_values = true, value_name = "STOPS", default_value = "1/6stop", value_parser = parse_stops)]
    within: Stops,
    /// Draw the bed into a file ending in .svg, .png or .pdf
    #[arg(long, value_name = "FILE", value_parser = picture())]
    chart: Option<PathBuf>,
}

#[derive(Debug, clap::Args)]
#[command(group = ArgGroup::new("readings").required(true))]
#[command(after_help = "\
Examples:
  frameside lamp ageing --source box --loss 1/2stop
  frameside lamp ageing --csv box.csv --chart ageing.png")]
struct AgeingArgs {
    /// Readings over months
    #[arg(long, value_name = "FILE", group = "readings")]
    csv: Option<PathBuf>,
    /// The source whose prints tell
    #[arg(long, group = "readings", value_parser = one_line)]
    source: Option<String>,
    /// The loss whose day is wanted, such as 1/2stop
    #[arg(long, allow_hyphen_values = true, value_name = "STOPS", default_value = "1/2stop", value_parser = parse_stops)]
    loss: Stops,
    /// Draw it into a file ending in .svg, .png or .pdf
    #[arg(long, value_name = "FILE", value_parser = picture())]
    chart: Option<PathBuf>,
}

/// So many pieces make a curve that looks like one.
const LINE_STEPS: i64 = 50;
/// Places nearer to each other than this, in metres, are one.
const SAME_PLACE: f64 = 1e-3;
/// More do not fit on a line.
const MOST_ACROSS: usize = 10;

fn parse_stops(text: &str) -> Result<Stops, String> {
    match text.parse::<Stops>() {
        Ok(stops) if stops > Stops::new(0.0) => Ok(stops),
        Ok(_) => Err("this must be above zero, such as 1/6stop".to_owned()),
        Err(error) => Err(error.to_string()),
    }
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    match &args.verb {
        Verb::WarmUp(args) => warming(args, context),
        Verb::Evenness(args) => even(args, context),
        Verb::Ageing(args) => ages(args, context),
    }
}

fn failed(error: impl std::fmt::Display) -> Failure {
    Failure::Failed(error.to_string())
}

/// Readings of a file, in ms since 1970 and W/m².
fn read(file: &Path) -> Result<Vec<(i64, Irradiance)>, Failure> {
    let wrong = |why: String| Failure::Failed(format!("{}:{why}", file.display()));
    let mut bytes = Vec::new();
    File::open(file)
        .and_then(|mut f| f.read_to_end(&mut bytes))
        .map_err(|error| wrong(format!(" {error}")))?;
    let (mut parser, mut readings) = (Parser::new(), Vec::new());
    let mut take = |row: frameside_core::light::recorded::Row| {
        readings.extend(row.seen.map(|seen| (row.unix_ns / 1_000_000, seen.lowest())));
    };
    let read = parser.feed(&bytes, &mut take).and_then(|()| parser.finish(&mut take));
    read.map_err(|error| wrong(format!("{}: {error}", parser.line().max(1))))?;
    Ok(readings)
}

fn given(file: &Option<PathBuf>) -> Vec<&Path> {
    file.as_deref().into_iter().collect()
}

/// Draws, if that is asked for, and says where.
fn draw(file: Option<&PathBuf>, svg: impl FnOnce() -> String) -> Result<String, Failure> {
    let Some(file) = file else { return Ok(String::new()) };
    charts::save(file, &svg()).map_err(failed)?;
    Ok(format!("drawn: {}\n", file.display()))
}

fn warming(args: &WarmUpArgs, context: &Context) -> Result<(), Failure> {
    refuse_to_overwrite(&given(&args.csv), &[args.chart.as_deref()])?;
    let readings: Vec<(Mono, Irradiance)> = match (&args.csv, &args.print) {
        (Some(file), _) => {
            let readings = read(file)?;
            let first = readings.first().map_or(0, |reading| reading.0);
            readings.iter().map(|&(ms, e)| (Mono::from_seconds((ms - first) as f64 / 1000.0), e)).collect()
        }
        (None, print) => {
            let print = context.record()?.0.detail(print.as_deref().unwrap_or_default())?;
            let at = |&(s, e, _): &(f64, f64, f64)| (Mono::from_seconds(s), Irradiance::from_w_m2(e));
            let (on, off) = lit(&print.row);
            let is_lit = |point: &&(f64, f64, f64)| point.0 > on && point.0 <= off && point.1.is_finite();
            print.curve.iter().filter(is_lit).map(at).collect()
        }
    };
    let found = warm_up(&readings).map_err(failed)?;
    let drawn = draw(args.chart.as_ref(), || charts::readings(&warm_up_chart(&readings, &found)))?;
    let eye = seconds_to_eye_limit(found.steady);
    if context.json {
        out_json(&json!({
            "steady_w_m2": found.steady.w_m2(), "seconds": found.seconds, "lacks_j_m2": found.lacks.j_m2(),
            "lacks_seconds": found.lacks_seconds(), "eye_limit_seconds": eye,
        }));
        return Ok(());
    }
    let mut text = format!(
        "within {:.0} % of its steady {} after {}\n{}\n",
        100.0 * STEADY_WITHIN,
        found.steady,
        words::span(found.seconds),
        cold_start(&found)
    );
    if let Some(seconds) = eye {
        let _ = writeln!(text, "{}", eye_caution(seconds));
    }
    out(&(text + &drawn));
    Ok(())
}

/// What a cold start costs a print that is timed.
fn cold_start(found: &WarmUp) -> String {
    let seconds = found.lacks_seconds();
    let light = words::span(seconds.abs());
    if seconds.abs() < 0.5 {
        "a cold start costs nothing".to_owned()
    } else if seconds < 0.0 {
        let much = found.lacks * -1.0;
        format!(
            "a print timed from a cold start gets {much} too much, as much as {light} of steady light give"
        )
    } else {
        format!(
            "a print timed from a cold start lacks {}, as much as {light} of steady light give",
            found.lacks
        )
    }
}

/// From when to when the lamp was on first, in seconds since the print began; all the time
/// where Frameside did not switch it.
fn lit(print: &PrintRow) -> (f64, f64) {
    let since = |event: &EventRow| (event.light_ms - print.events[0].light_ms) / 1000.0;
    let mut events = print.events.iter();
    let on = events.find(|event| event.kind == EventKind::LampOn).map_or(f64::MIN, since);
    let off = events.find(|event| matches!(event.kind, EventKind::LampOff { .. })).map_or(f64::MAX, since);
    (on, off)
}

fn warm_up_chart(readings: &[(Mono, Irradiance)], found: &WarmUp) -> Readings {
    let first = readings.first().map_or(Mono::default(), |reading| reading.0);
    let line: Vec<(f64, f64)> = readings.iter().map(|&(at, e)| (at.seconds_since(first), e.w_m2())).collect();
    let at_warm = line.iter().find(|point| point.0 >= found.seconds).copied();
    let mark = |(s, e)| (s, e, format!("warm after {}", words::span(found.seconds)));
    let end = line.last().map_or(0.0, |point| point.0);
    Readings {
        title: "Warm-up".to_owned(),
        subtitle: vec![format!("steady {}; {}", found.steady, cold_start(found))],
        name: "light, W/m²",
        across: Across::Elapsed(String::new()),
        series: vec![
            Series { line, marks: at_warm.map(mark).into_iter().collect(), ..Series::default() },
            Series {
                line: vec![(0.0, found.steady.w_m2()), (end, found.steady.w_m2())],
                label: vec!["steady".to_owned()],
                ..Series::default()
            },
        ],
    }
}

fn even(args: &EvennessArgs, context: &Context) -> Result<(), Failure> {
    refuse_to_overwrite(&given(&args.file), &[args.save.as_deref(), args.chart.as_deref()])?;
    let (places, kept, from) = if let Some(file) = &args.file {
        (table::read(file, measured::places)?, None, format!("{}: ", file.display()))
    } else {
        let (sensor, save) = (args.sensor.as_deref(), args.save.as_deref());
        let (places, kept) = bed::readings(args.grid, args.size, sensor, save, context)?;
        (places, kept, String::new())
    };
    let found = evenness(&places, args.within).map_err(|error| Failure::Failed(format!("{from}{error}")))?;
    let drawn = draw(args.chart.as_ref(), || charts::bed(&bed_chart(&places, &found, args.within)))?;
    let brightest = places.iter().map(|place| place.irradiance).fold(Irradiance::ZERO, Irradiance::max);
    let eye = seconds_to_eye_limit(brightest);
    if context.json {
        let place = |(place, below): (&PlaceReading, &Stops)| json!({ "x_m": place.x, "y_m": place.y, "irradiance_w_m2": place.irradiance.w_m2(), "stops": below });
        out_json(&json!({
            "places": places.iter().zip(&found.below_brightest).map(place).collect::<Vec<_>>(),
            "darkest": place((&places[found.darkest], &found.below_brightest[found.darkest])),
            "spread_stops": found.spread, "within_stops": args.within,
            "width_m": found.within.map(|(width, _)| width), "height_m": found.within.map(|(_, height)| height),
            "eye_limit_seconds": eye, "kept": kept,
        }));
        return Ok(());
    }
    let darkest = places[found.darkest];
    let mut text = map(&places, &found);
    let _ = writeln!(
        text,
        "{} places, {} from the darkest to the brightest",
        places.len(),
        words::stops(found.spread)
    );
    let _ = writeln!(
        text,
        "darkest at {:.1}, {:.1} cm: {}, {} against the brightest",
        100.0 * darkest.x,
        100.0 * darkest.y,
        darkest.irradiance,
        found.below_brightest[found.darkest]
    );
    let _ = writeln!(text, "{}", size(&found, args.within));
    if let Some(seconds) = eye {
        let _ = writeln!(text, "{}", eye_caution(seconds));
    }
    if let Some(file) = kept {
        let _ = writeln!(text, "kept: {}", file.display());
    }
    out(&(text + &drawn));
    Ok(())
}

/// The bed from above, in stops against the brightest place; nothing for places that lie
/// on no grid.
fn map(places: &[PlaceReading], found: &Evenness) -> String {
    let steps = |of: fn(&PlaceReading) -> f64| {
        let mut steps: Vec<f64> = places.iter().map(of).collect();
        steps.sort_by(f64::total_cmp);
        steps.dedup_by(|a, b| (*a - *b).abs() < SAME_PLACE);
        steps
    };
    let (across, up) = (steps(|place| place.x), steps(|place| place.y));
    if across.len() * up.len() != places.len() || across.len() > MOST_ACROSS {
        return String::new();
    }
    let mut text = String::new();
    for y in up.iter().rev() {
        for x in &across {
            let here =
                |place: &PlaceReading| (place.x - x).abs() < SAME_PLACE && (place.y - y).abs() < SAME_PLACE;
            let Some(at) = places.iter().position(here) else { return String::new() };
            let mark = if at == found.darkest { '*' } else { ' ' };
            // Rounded first, so that nothing is 0.00 below zero.
            let below = (100.0 * found.below_brightest[at].value()).round() / 100.0 + 0.0;
            let _ = write!(text, "{below:>7.2}{mark}");
        }
        text.push('\n');
    }
    text
}

fn size(found: &Evenness, within: Stops) -> String {
    let stops = words::stops(within);
    match found.within {
        Some((width, height)) => {
            format!("within {stops}: {:.1} by {:.1} cm about the middle", 100.0 * width, 100.0 * height)
        }
        None => format!("not even the middle stays within {stops}: take readings closer together"),
    }
}

fn bed_chart(places: &[PlaceReading], found: &Evenness, within: Stops) -> Bed {
    let spot = |(p, below): (&PlaceReading, &Stops)| (100.0 * p.x, 100.0 * p.y, below.value());
    Bed {
        title: "Evenness of the lamp box".to_owned(),
        subtitle: vec![size(found, within)],
        places: places.iter().zip(&found.below_brightest).map(spot).collect(),
        even: found.within.map(|(width, height)| (100.0 * width, 100.0 * height)),
    }
}

fn ages(args: &AgeingArgs, context: &Context) -> Result<(), Failure> {
    refuse_to_overwrite(&given(&args.csv), &[args.chart.as_deref()])?;
    let (readings, zone) = match (&args.csv, &args.source) {
        (Some(file), _) => (read(file)?, TimeZone::UTC),
        (None, source) => {
            let (record, zone) = context.record()?;
            (of_prints(&record, source.as_deref().unwrap_or_default())?, zone)
        }
    };
    let readings: Vec<LampReading> =
        readings.into_iter().map(|(unix_ms, irradiance)| LampReading { unix_ms, irradiance }).collect();
    let found = ageing(&readings).map_err(failed)?;
    let expected = found.when(args.loss);
    let drawn = draw(args.chart.as_ref(), || charts::readings(&ageing_chart(&readings, &found, &zone)))?;
    if context.json {
        out_json(&json!({
            "readings": readings.len(), "lost_stops": found.lost, "per_day_stops": found.per_day,
            "per_day_half_stops": found.per_day_half, "loss_stops": args.loss,
            "expected": expected.map(|ms| words::day(ms, &zone)),
        }));
        return Ok(());
    }
    let first = words::day(found.first_ms, &zone);
    let mut text = format!("{} readings since {first}: {}\n", readings.len(), changed(&found));
    let _ = match expected {
        Some(ms) => {
            writeln!(text, "{} will be lost by about {}", words::stops(args.loss), words::day(ms, &zone))
        }
        None => writeln!(
            text,
            "the readings do not tell a loss from none yet; go on, one a month at the same place"
        ),
    };
    out(&(text + &drawn));
    Ok(())
}

/// What the lamp lost, or gained.
fn changed(found: &Ageing) -> String {
    let word = if found.lost.value() < 0.0 { "gained" } else { "lost" };
    format!("{word} {}", words::stops(found.lost))
}

/// The mean light of each print under a source, oldest first.
fn of_prints(record: &Record, source: &str) -> Result<Vec<(i64, Irradiance)>, Failure> {
    let mut prints = record.prints(&Filter::default())?;
    prints.reverse();
    let of_it = prints.iter().filter(|print| print.source == source);
    let reading = |print| Some((PrintRow::begun(print)?.unix_ms, Irradiance::from_w_m2(light_of(print)?)));
    Ok(of_it.filter_map(reading).collect())
}

fn ageing_chart(readings: &[LampReading], found: &Ageing, zone: &TimeZone) -> Readings {
    let since = |ms: i64| (ms - found.first_ms) as f64 / 1000.0;
    let end = readings.last().map_or(found.first_ms, |reading| reading.unix_ms);
    // In stops it is straight; in W/m² it is not.
    let step = |i: i64| found.first_ms + (end - found.first_ms) * i / LINE_STEPS;
    let line = (0..=LINE_STEPS).map(step).map(|ms| (since(ms), found.at(ms).w_m2()));
    Readings {
        title: "Ageing of the lamp".to_owned(),
        subtitle: vec![format!("{} by {}", changed(found), words::day(end, zone))],
        name: "light, W/m²",
        across: Across::Elapsed(words::day(found.first_ms, zone)),
        series: vec![Series {
            dots: readings.iter().map(|r| (since(r.unix_ms), r.irradiance.w_m2())).collect(),
            line: line.collect(),
            ..Series::default()
        }],
    }
}
