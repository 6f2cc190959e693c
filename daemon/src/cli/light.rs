//! `frameside light`

use std::fmt::Write as _;
use std::path::PathBuf;

use frameside_core::light::Integral;
use frameside_core::quantity::{Dose, Mono};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde_json::json;

use super::day::{Day, midnight_ms};
use super::{Context, Failure, out, out_json};
use crate::charts::{self, DayOfLight, HourDose, LightPoint, Span};
use crate::ledger::{GapRow, LightSample, Record};
use crate::request::Request;
use crate::status::Status;
use crate::words;

/// Without a day: what the sensors see now, from the running daemon. With one:
/// the day's light from the record.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside light
  frameside light --day today --chart light.png")]
pub(super) struct Args {
    /// A day of the record, such as 2026-07-14, today or yesterday
    #[arg(long, value_name = "DATE")]
    day: Option<Day>,
    /// Draw the day into a file ending in .svg or .png (today if no day is given)
    #[arg(long, value_name = "FILE")]
    chart: Option<PathBuf>,
    /// The sensor, where there are several
    #[arg(long)]
    sensor: Option<String>,
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    match args.day.or(args.chart.is_some().then_some(Day::Ago(0))) {
        None => now(context),
        Some(day) => of_day(args, day, context),
    }
}

fn now(context: &Context) -> Result<(), Failure> {
    let answer = context.ask(&Request::Status)?;
    if context.json {
        out_json(&json!({ "sensors": answer["sensors"] }));
        return Ok(());
    }
    let status: Status = serde_json::from_value(answer)
        .map_err(|error| Failure::Failed(format!("the daemon is of another version: {error}")))?;
    out(&Status { frames: Vec::new(), troubles: Vec::new(), ..status }.for_people());
    Ok(())
}

/// A day's light, in seconds since its midnight.
struct Seen {
    date: Date,
    sensor: String,
    points: Vec<LightPoint>,
    gaps: Vec<Span>,
    hours: Vec<HourDose>,
    dose: Dose,
}

fn of_day(args: &Args, day: Day, context: &Context) -> Result<(), Failure> {
    let (record, zone) = context.record()?;
    let sensors = record.sensors()?;
    let sensor = match &args.sensor {
        Some(name) if sensors.contains(name) => name.clone(),
        Some(name) => {
            return Err(Failure::Failed(format!(
                "there is no light of a sensor '{name}'; there is of: {}",
                sensors.join(", ")
            )));
        }
        None => sensors
            .first()
            .cloned()
            .ok_or_else(|| Failure::Failed("there is no light in the record yet".into()))?,
    };
    let date = day.date(&zone)?;
    let seen = look(&record, &sensor, date, &zone)?;
    if let Some(file) = &args.chart {
        let title = format!("Light on {date}");
        let subtitle = vec![format!("sensor {}, {} in all", seen.sensor, seen.dose)];
        let chart = DayOfLight {
            title,
            subtitle,
            points: seen.points.clone(),
            gaps: seen.gaps.clone(),
            hours: seen.hours.clone(),
        };
        charts::save(file, &charts::day_of_light(&chart)).map_err(|e| Failure::Failed(e.to_string()))?;
    }
    if context.json {
        out_json(&json!({
            "day": seen.date.to_string(), "sensor": seen.sensor, "dose_j_m2": seen.dose.j_m2(),
            "hours": seen.hours.iter().map(|h| json!({ "hour": h.hour, "dose_j_m2": h.dose_j_m2 })).collect::<Vec<_>>(),
            "gaps": seen.gaps.iter().map(|g| json!({ "from_s": g.from_s, "to_s": g.to_s })).collect::<Vec<_>>(),
            "light": seen.points.iter().map(|p| json!([p.seconds, p.irradiance_w_m2])).collect::<Vec<_>>(),
        }));
    } else {
        out(&for_people(&seen));
        if let Some(file) = &args.chart {
            out(&format!("drawn: {}\n", file.display()));
        }
    }
    Ok(())
}

fn look(record: &Record, sensor: &str, date: Date, zone: &TimeZone) -> Result<Seen, Failure> {
    let from = midnight_ms(date, zone)? as f64;
    let next = date.tomorrow().map_err(|error| Failure::Failed(error.to_string()))?;
    let to = midnight_ms(next, zone)? as f64;
    let light = record.light(sensor, from, to)?;
    if light.is_empty() {
        let newest = record.newest_light_ms()?.map(|ms| words::day(ms, zone));
        let hint = newest.map(|day| format!("; the newest is of {day}")).unwrap_or_default();
        return Err(Failure::Failed(format!("there is no light of {sensor} on {date}{hint}")));
    }
    let since = |ms: f64| (ms - from) / 1000.0;
    let gaps: Vec<Span> = record
        .gaps_between(sensor, from, to)?
        .iter()
        .map(|gap: &GapRow| Span {
            from_s: since(gap.from_ms).max(0.0),
            to_s: since(gap.to_ms).min(since(to)),
        })
        .collect();
    let (hours, dose) = doses_by_hour(&light, from, &gaps);
    let points = light
        .iter()
        .map(|s| LightPoint { seconds: since(s.unix_ms), irradiance_w_m2: s.sample.seen.lowest().w_m2() })
        .collect();
    Ok(Seen { date, sensor: sensor.to_owned(), points, gaps, hours, dose })
}

/// The dose of each hour; what was not seen is left out.
fn doses_by_hour(light: &[LightSample], midnight_ms: f64, gaps: &[Span]) -> (Vec<HourDose>, Dose) {
    let mono = |ms: f64| Mono::from_seconds((ms - midnight_ms) / 1000.0);
    let mut integral = Integral::new(f64::MAX);
    let mut hours = [0.0; 25];
    let mut all = 0.0;
    for LightSample { unix_ms, sample } in light {
        let Some(step) = integral.take(mono(*unix_ms), sample.seen, |_, _| None) else { continue };
        let (from, to) = (step.from().seconds(), step.to().seconds());
        if gaps.iter().any(|gap| gap.from_s <= from + 0.5 && to - 0.5 <= gap.to_s) {
            continue;
        }
        // A step over the full hour counts to the hour it ends in.
        let hour = ((to / 3600.0) as usize).min(24);
        hours[hour] += step.added().best.j_m2();
        all += step.added().best.j_m2();
    }
    let hours = (0u8..)
        .zip(hours)
        .filter(|&(_, dose)| dose > 0.0)
        .map(|(hour, dose_j_m2)| HourDose { hour: hour.min(23), dose_j_m2 })
        .collect();
    (hours, Dose::from_j_m2(all))
}

fn for_people(seen: &Seen) -> String {
    let mut text = format!("{} at {}: {}\n", seen.date, seen.sensor, seen.dose);
    for hour in &seen.hours {
        let from = f64::from(hour.hour) * 3600.0;
        let within = seen.points.iter().filter(|p| (from..from + 3600.0).contains(&p.seconds));
        let (least, most) =
            within.fold((f64::MAX, 0.0f64), |(a, b), p| (a.min(p.irradiance_w_m2), b.max(p.irradiance_w_m2)));
        let _ = writeln!(
            text,
            "  {:02}:00  {:>10}   {least:.1} to {most:.1} W/m²",
            hour.hour,
            Dose::from_j_m2(hour.dose_j_m2).to_string()
        );
    }
    for gap in &seen.gaps {
        let _ = writeln!(
            text,
            "  not seen for {} from {:02}:{:02}",
            words::span(gap.to_s - gap.from_s),
            gap.from_s as u32 / 3600,
            gap.from_s as u32 / 60 % 60
        );
    }
    text
}
