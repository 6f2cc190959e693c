//! `frameside sensor read`

use std::collections::VecDeque;

use frameside_core::light::{Calibration, Flags, Reading};
use frameside_core::quantity::Irradiance;
use serde_json::json;

use super::probe::Probe;
use super::{Context, Failure, chosen, refuse_if_in_use};
use crate::cli::{now_ms, out, out_json};
use crate::words;

#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The sensor, where there are several
    name: Option<String>,
    /// End after so many readings; else with Ctrl-C
    #[arg(long, value_name = "N")]
    count: Option<u32>,
}

/// The noise is told over this many readings.
const NOISE_OVER: usize = 10;

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    let config = context.config()?;
    let sensor = chosen(&config, args.name.as_deref())?;
    refuse_if_in_use(sensor, context)?;
    let correction = context.correction(&sensor.name.to_string())?.map(|row| row.calibration);
    let corrected = correction.is_some();
    let correction = correction.unwrap_or_default();
    let zone = crate::cli::zone(&config);
    let mut probe = Probe::open(&config, sensor, None, sensor.period)?;
    let mut recent = VecDeque::new();
    let mut left = args.count;
    if !context.json {
        out(&format!("{}\n", heading(&sensor.name.to_string(), corrected)));
    }
    while left != Some(0) {
        let reading = probe.next()?;
        let line = Line::of(reading, &correction, &mut recent);
        if context.json {
            out_json(&line.to_json());
        } else {
            out(&format!("{}  {}\n", words::clock_s(now_ms(), &zone), line.for_people()));
        }
        left = left.map(|left| left - 1);
    }
    Ok(())
}

fn heading(name: &str, corrected: bool) -> String {
    let how = if corrected { "as it is calibrated" } else { "as the part says, not calibrated" };
    format!("sensor {name}, {how}; noise over the last {NOISE_OVER} readings; Ctrl-C ends")
}

/// A reading and the noise of those before it.
struct Line {
    corrected: Reading,
    part_says: Irradiance,
    noise: Option<f64>,
}

impl Line {
    fn of(reading: Reading, correction: &Calibration, recent: &mut VecDeque<f64>) -> Self {
        let corrected = correction.apply(reading);
        recent.push_back(corrected.seen.lowest().w_m2());
        if recent.len() > NOISE_OVER {
            recent.pop_front();
        }
        let count = recent.len() as f64;
        let mean = recent.iter().sum::<f64>() / count;
        let squares: f64 = recent.iter().map(|value| (value - mean).powi(2)).sum();
        let noise = (recent.len() > 1).then(|| (squares / (count - 1.0)).sqrt());
        Self { corrected, part_says: reading.seen.lowest(), noise }
    }

    fn for_people(&self) -> String {
        let Reading { counts, range, span, temperature_c, flags, seen, .. } = self.corrected;
        let unit = if flags.has(Flags::UNCALIBRATED) { "own units" } else { "W/m²" };
        let least = if seen.is_bound() { "at least " } else { "" };
        let noise = self.noise.map(|noise| format!(" ±{noise:.3}")).unwrap_or_default();
        let mut text = format!("{least}{:.3}{noise} {unit}", seen.lowest().w_m2());
        if span.as_nanos() > 0 {
            text += &format!("  range {range}, {counts} counts in {:.0} ms", span.as_secs_f64() * 1000.0);
        }
        text += &temperature_c.map(|t| format!("  {t:.1} °C")).unwrap_or_default();
        for flag in flags.names() {
            text += &format!("  {flag}");
        }
        text
    }

    fn to_json(&self) -> serde_json::Value {
        let reading = &self.corrected;
        json!({
            "irradiance_w_m2": reading.seen.lowest().w_m2(),
            "part_says_w_m2": self.part_says.w_m2(),
            "noise_w_m2": self.noise,
            "range": reading.range,
            "counts": reading.counts,
            "integration_s": reading.span.as_secs_f64(),
            "temperature_c": reading.temperature_c,
            "flags": reading.flags.names().collect::<Vec<_>>(),
        })
    }
}
