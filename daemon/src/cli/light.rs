//! `frameside light`

use std::fmt::Write as _;
use std::path::PathBuf;

use frameside_core::light::{Integral, Seen as LightSeen};
use frameside_core::outlook::Site;
use frameside_core::quantity::{Dose, Irradiance, Mono, TargetDose};
use frameside_core::source::UvIndex;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde_json::{Value, json};

use super::day::{Day, midnight_ms};
use super::{Context, Failure, out, out_json, picture, season};
use crate::assemble;
use crate::charts::{self, DayOfLight, HourDose, LightPoint, Span};
use crate::config::{Config, Sensor};
use crate::diary::{ClearDay, clear_sky_before};
use crate::ledger::{GapRow, LightSample, Record};
use crate::request::Request;
use crate::status::{SensorStatus, Status};
use crate::words;

/// The light itself: now, or a day's curve.
///
/// Without a day: what the sensors see now, from the running daemon. With one:
/// the day's light from the record, against a clear sky where the config tells the place.
/// With --season: how long a dose took at each hour of the day.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside light
  frameside light --day today --chart light.png
  frameside light --season --dose 15kJ/m2 --since 2026-05-01")]
pub(super) struct Args {
    /// A day of the record, such as 2026-07-14, today or yesterday
    #[arg(long, value_name = "DATE")]
    day: Option<Day>,
    /// Draw the day into a file ending in .svg, .png or .pdf (today if no day is given)
    #[arg(long, value_name = "FILE", value_parser = picture())]
    chart: Option<PathBuf>,
    /// The hours of the day over the season, the best for a dose first
    #[arg(long, conflicts_with = "day")]
    season: bool,
    /// The dose whose minutes are told
    #[arg(
        long,
        allow_hyphen_values = true,
        value_name = "DOSE",
        default_value = "15kJ/m2",
        requires = "season"
    )]
    dose: TargetDose,
    /// The first day of the season; else ninety days ago
    #[arg(long, value_name = "DATE", requires = "season")]
    since: Option<Day>,
    /// The sensor, where there are several
    #[arg(long)]
    sensor: Option<String>,
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    if args.season {
        let (record, zone) = context.record()?;
        let sensor = sensor(&record, &context.config()?, args.sensor.as_deref())?;
        let wanted = season::Wanted {
            sensor,
            dose: args.dose.dose(),
            since: args.since.unwrap_or(Day::Ago(season::DAYS)).date(&zone)?,
            until: Day::Ago(0).date(&zone)?,
        };
        return season::run(&wanted, &record, &zone, args.chart.as_deref(), context.json);
    }
    match args.day.or(args.chart.is_some().then_some(Day::Ago(0))) {
        None => now(args.sensor.as_deref(), context),
        Some(day) => of_day(args, day, context),
    }
}

fn now(sensor: Option<&str>, context: &Context) -> Result<(), Failure> {
    if let Some(name) = sensor {
        super::sensor::chosen(&context.config()?, Some(name))?;
    }
    let mut answer = context.ask(&Request::Status)?;
    if let (Some(name), Some(sensors)) = (sensor, answer["sensors"].as_array_mut()) {
        sensors.retain(|sensor| sensor["name"] == name);
    }
    if context.json {
        out_json(&json!({ "sensors": answer["sensors"] }));
        return Ok(());
    }
    let status: Status = serde_json::from_value(answer).map_err(|error| {
        Failure::Failed(format!("the daemon is of another version ({error}); restart it"))
    })?;
    let told: String = status.sensors.iter().map(|sensor| sensor.line() + "\n" + &uv_index(sensor)).collect();
    out(&told);
    Ok(())
}

/// What a sensor that knows it tells of the UV index.
fn uv_index(sensor: &SensorStatus) -> String {
    let Some(index) = sensor.uv_index.map(UvIndex::new).filter(|_| sensor.problem.is_none()) else {
        return String::new();
    };
    format!(
        "  UV index {:.0}, {}, if it lies bare, flat and in the sun (a caution: the sensor is not a safety instrument)\n",
        index.value(),
        index.level().word()
    )
}

/// A day's light, in seconds since its midnight.
struct Seen {
    date: Date,
    sensor: String,
    points: Vec<LightPoint>,
    gaps: Vec<Span>,
    hours: Vec<HourDose>,
    dose: Dose,
    clear: Option<Clear>,
}

/// The same day under a clear sky.
struct Clear {
    day: ClearDay,
    points: Vec<LightPoint>,
    /// What would have come in while the sensor saw, by hour and in all.
    hours: Vec<HourDose>,
    dose: Dose,
}

impl Clear {
    /// The measured share of the clear sky.
    fn share(&self, seen: Dose) -> Option<f64> {
        (self.dose > Dose::ZERO).then(|| seen.j_m2() / self.dose.j_m2())
    }

    /// The same for an hour; none about dawn and dusk, where it means nothing.
    fn share_of_hour(&self, hour: &HourDose) -> Option<f64> {
        /// An hour of 3 W/m².
        const LEAST_J_M2: f64 = 10_800.0;
        let clear = self.hours.iter().find(|clear| clear.hour == hour.hour)?.dose_j_m2;
        (clear >= LEAST_J_M2).then(|| hour.dose_j_m2 / clear)
    }
}

/// The sensor of a name, or the config's first that lies in the sun, as far as it tells.
fn sensor(record: &Record, config: &Config, name: Option<&str>) -> Result<String, Failure> {
    let sensors = record.sensors()?;
    match name {
        Some(name) if sensors.iter().any(|sensor| sensor == name) => Ok(name.to_owned()),
        Some(name) => Err(Failure::Failed(format!(
            "there is no light of a sensor '{name}'; there is of: {}",
            sensors.join(", ")
        ))),
        None => {
            let known = |sensor: &&Sensor| sensors.iter().any(|name| sensor.name.as_str() == name);
            let (sunlit, lit): (Vec<&Sensor>, Vec<&Sensor>) =
                config.sensors.iter().filter(known).partition(|sensor| !sensor.is_lit_by_lamp());
            let first = sunlit.iter().chain(&lit).next().map(|sensor| sensor.name.to_string());
            first
                .or_else(|| sensors.first().cloned())
                .ok_or_else(|| Failure::Failed("there is no light in the record yet".into()))
        }
    }
}

fn of_day(args: &Args, day: Day, context: &Context) -> Result<(), Failure> {
    let (record, zone) = context.record()?;
    let config = context.config()?;
    let sensor = sensor(&record, &config, args.sensor.as_deref())?;
    let date = day.date(&zone)?;
    let mut seen = look(&record, &sensor, date, &zone)?;
    if let Some(site) = assemble::site(&config) {
        seen.clear = clear(&record, &seen, site, &zone)?;
    }
    if let Some(file) = &args.chart {
        let title = format!("Light on {date}");
        let of_clear = seen.clear.as_ref().and_then(|clear| clear.share(seen.dose));
        let of_clear = of_clear.map(|share| format!(", {:.0} % of a clear sky", 100.0 * share));
        let subtitle =
            vec![format!("sensor {}, {} in all{}", seen.sensor, seen.dose, of_clear.unwrap_or_default())];
        let chart = DayOfLight {
            title,
            subtitle,
            points: seen.points.clone(),
            gaps: seen.gaps.clone(),
            hours: seen.hours.clone(),
            clear: seen.clear.as_ref().map(|clear| clear.points.clone()).unwrap_or_default(),
        };
        charts::save(file, &charts::day_of_light(&chart)).map_err(|e| Failure::Failed(e.to_string()))?;
    }
    if context.json {
        out_json(&to_json(&seen));
    } else {
        out(&for_people(&seen));
        if let Some(file) = &args.chart {
            out(&format!("drawn: {}\n", file.display()));
        }
    }
    Ok(())
}

fn to_json(seen: &Seen) -> Value {
    let hour = |hour: &HourDose| {
        let share = seen.clear.as_ref().and_then(|clear| clear.share_of_hour(hour));
        json!({ "hour": hour.hour, "dose_j_m2": hour.dose_j_m2, "clear_share": share })
    };
    let clear = seen.clear.as_ref().map(|clear| {
        json!({
            "amplitude_w_m2": clear.day.amplitude().w_m2(), "fitted": clear.day.fit.is_some(),
            "rms": clear.day.fit.as_ref().map(|fit| fit.rms), "dose_j_m2": clear.dose.j_m2(),
            "share": clear.share(seen.dose),
        })
    });
    json!({
        "day": seen.date.to_string(), "sensor": seen.sensor, "dose_j_m2": seen.dose.j_m2(),
        "clear_sky": clear,
        "hours": seen.hours.iter().map(hour).collect::<Vec<_>>(),
        "gaps": seen.gaps.iter().map(|g| json!({ "from_s": g.from_s, "to_s": g.to_s })).collect::<Vec<_>>(),
        "light": seen.points.iter().map(|p| json!([p.seconds, p.irradiance_w_m2])).collect::<Vec<_>>(),
    })
}

/// The seen day under a clear sky; what the sensor did not see is left out of
/// its doses too.
fn clear(record: &Record, seen: &Seen, site: Site, zone: &TimeZone) -> Result<Option<Clear>, Failure> {
    let from = midnight_ms(seen.date, zone)? as f64;
    let next = seen.date.tomorrow().map_err(|error| Failure::Failed(error.to_string()))?;
    let to = midnight_ms(next, zone)? as f64;
    let fit = clear_sky_before(record, site, &seen.sensor, to)?;
    let Some(day) = ClearDay::new(site, fit, from, to) else { return Ok(None) };
    let clear_at = |p: &LightPoint| {
        (p.seconds, LightSeen::Exactly(Irradiance::from_w_m2(day.w_m2(from + 1000.0 * p.seconds))))
    };
    let (hours, dose) = doses_by_hour(seen.points.iter().map(clear_at), &seen.gaps);
    let point = |(ms, w_m2): (f64, f64)| LightPoint { seconds: (ms - from) / 1000.0, irradiance_w_m2: w_m2 };
    let is_up = |p: &LightPoint| p.irradiance_w_m2 > 0.0;
    Ok(Some(Clear { points: day.points().map(point).filter(is_up).collect(), day, hours, dose }))
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
    let at = |s: &LightSample| (since(s.unix_ms), s.sample.seen);
    let (hours, dose) = doses_by_hour(light.iter().map(at), &gaps);
    let points = light
        .iter()
        .map(|s| LightPoint { seconds: since(s.unix_ms), irradiance_w_m2: s.sample.seen.lowest().w_m2() })
        .collect();
    Ok(Seen { date, sensor: sensor.to_owned(), points, gaps, hours, dose, clear: None })
}

/// The dose of each hour of light by seconds since midnight; what was not seen
/// is left out.
fn doses_by_hour(light: impl Iterator<Item = (f64, LightSeen)>, gaps: &[Span]) -> (Vec<HourDose>, Dose) {
    let mut integral = Integral::new(f64::MAX);
    let mut hours = [0.0; 25];
    let mut all = 0.0;
    for (seconds, seen) in light {
        let Some(step) = integral.take(Mono::from_seconds(seconds), seen, |_, _| None) else { continue };
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
    if let Some(clear) = &seen.clear {
        let share = clear.share(seen.dose).map_or(0.0, |share| 100.0 * share);
        let by = match &clear.day.fit {
            Some(fit) => {
                let hours: f64 = fit.clear.iter().map(|(from, to)| (to - from) as f64 / 3.6e6).sum();
                format!("as {hours:.0} clear hours of the last two weeks show it")
            }
            None => "at its usual strength, as no hour of the last two weeks was clear".to_owned(),
        };
        let _ = writeln!(text, "  {share:.0} % of a clear sky ({}), {by}", clear.dose);
    }
    for hour in &seen.hours {
        let from = f64::from(hour.hour) * 3600.0;
        let within = seen.points.iter().filter(|p| (from..from + 3600.0).contains(&p.seconds));
        let (least, most) =
            within.fold((f64::MAX, 0.0f64), |(a, b), p| (a.min(p.irradiance_w_m2), b.max(p.irradiance_w_m2)));
        let share = seen.clear.as_ref().and_then(|clear| clear.share_of_hour(hour));
        let share = share.map(|share| format!(", {:.0} % of clear", 100.0 * share)).unwrap_or_default();
        let _ = writeln!(
            text,
            "  {:02}:00  {:>10}   {least:.1} to {most:.1} W/m²{share}",
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
