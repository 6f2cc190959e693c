//! What frameside-core makes of readings: a JSON object a line in, one a line out, in order.
//! The studies in tests/reference hold it against the truth that they made the readings from.

use std::io::{BufRead as _, Write as _};

use frameside_core::quantity::{Dose, Irradiance, Mono, Stops};
use frameside_core::sensitometry::{
    Answer, Band, CharacteristicCurve, Density, Evidence, Reference, ScanScale, StripReading, WedgeStep,
    advise, read_densities, stops_of_log, tone_table,
};
use frameside_core::source::warm_up;
use serde_json::{Value, json};

fn main() -> std::io::Result<()> {
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    for line in std::io::stdin().lock().lines() {
        let given: Value = serde_json::from_str(&line?)?;
        let made = match given["kind"].as_str() {
            Some("wedge") => wedge(&given),
            Some("strip") => strip(&given),
            Some("advice") => advice(&given),
            Some("warm-up") => lamp(&given),
            Some("scan") => scan(&given),
            _ => json!({ "refused": "unknown kind" }),
        };
        writeln!(out, "{made}")?;
    }
    out.flush()
}

fn numbers(given: &Value, key: &str) -> Vec<f64> {
    given[key].as_array().into_iter().flatten().filter_map(Value::as_f64).collect()
}

fn kj(value: f64) -> Dose {
    Dose::from_j_m2(1000.0 * value)
}

fn log_h(dose: Dose) -> f64 {
    dose.kj_m2().log10()
}

/// `dose_kj_m2`, `wedge_density`, `density` from the clear end; `rows` for a correction too.
fn wedge(given: &Value) -> Value {
    let steps: Vec<WedgeStep> = numbers(given, "wedge_density")
        .into_iter()
        .zip(numbers(given, "density"))
        .map(|(wedge, print)| WedgeStep { wedge: Density::new(wedge), print: Density::new(print) })
        .collect();
    let curve = match CharacteristicCurve::new(kj(given["dose_kj_m2"].as_f64().unwrap_or(0.0)), &steps) {
        Ok(curve) => curve,
        Err(error) => return json!({ "refused": error.to_string() }),
    };
    let (key, full) = (curve.key(), curve.full_dose());
    let rows = given["rows"].as_u64().unwrap_or(0) as usize;
    let tones: Vec<[f64; 2]> = if rows == 0 {
        Vec::new()
    } else {
        let tones = tone_table(&curve, full.dose, rows);
        tones.iter().map(|tone| [tone.lightness.value(), tone.negative.value()]).collect()
    };
    json!({
        "log_toe": key.log_toe, "log_mid": key.log_mid, "log_shoulder": key.log_shoulder,
        "d_min": key.d_min, "d_max": key.d_max,
        "toe_sigma": stops_of_log(key.toe_error), "range_sigma": stops_of_log(key.range_error),
        "log_full": log_h(full.dose), "full_sigma": full.sigma,
        "turn_over": curve.turn_over().map(|over| log_h(over.dose)),
        "tones": tones,
    })
}

/// `dose_kj_m2` and `density` by rising dose.
fn strip(given: &Value) -> Value {
    let bands: Vec<Band> = numbers(given, "dose_kj_m2")
        .into_iter()
        .zip(numbers(given, "density"))
        .map(|(dose, density)| Band { dose: kj(dose), density: Density::new(density) })
        .collect();
    match read_densities(&bands) {
        Ok(StripReading::Found(least)) => json!({ "log_full": log_h(least.dose), "full_sigma": least.sigma }),
        Ok(StripReading::ExtendUp) => json!({ "extend": "more" }),
        Ok(StripReading::ExtendDown) => json!({ "extend": "less" }),
        Err(error) => json!({ "refused": error.to_string() }),
    }
}

/// `target_stops` over 1 kJ/m², `sigma_stops`, `age_days`, a piece of evidence each.
fn advice(given: &Value) -> Value {
    let dose = |stops: f64| kj(stops.exp2());
    let pieces = numbers(given, "target_stops").into_iter().zip(numbers(given, "sigma_stops"));
    let evidence: Vec<Evidence> = pieces
        .zip(numbers(given, "age_days"))
        .map(|((target, sigma), age_days)| Evidence {
            target: dose(target),
            sigma: Stops::new(sigma),
            age_days,
            finished: true,
        })
        .collect();
    let advice = match advise(&evidence, None) {
        Ok(advice) => advice,
        Err(error) => return json!({ "refused": error.to_string() }),
    };
    let (Answer::Found(target) | Answer::NotEnough { best: Some(target), .. }) = advice.answer else {
        return json!({ "refused": "no evidence" });
    };
    let stops = |dose: Dose| dose.stops_over(kj(1.0));
    json!({
        "target": stops(target.dose), "low": stops(target.low), "high": stops(target.high),
        "drift": advice.drift.map(|drift| drift.stops),
    })
}

/// `seconds` since the lamp was switched on and `irradiance_w_m2`.
fn lamp(given: &Value) -> Value {
    let reading = |(s, e): (f64, f64)| (Mono::from_seconds(s), Irradiance::from_w_m2(e));
    let readings = numbers(given, "seconds").into_iter().zip(numbers(given, "irradiance_w_m2"));
    match warm_up(&readings.map(reading).collect::<Vec<_>>()) {
        Ok(found) => json!({ "seconds": found.seconds, "steady_w_m2": found.steady.w_m2() }),
        Err(error) => json!({ "refused": error.to_string() }),
    }
}

/// `reference_density` and `reference_light`; the densities of `light`.
fn scan(given: &Value) -> Value {
    let known = numbers(given, "reference_density").into_iter().zip(numbers(given, "reference_light"));
    let references: Vec<Reference> =
        known.map(|(density, light)| Reference { density: Density::new(density), light }).collect();
    match ScanScale::new(&references) {
        Ok(scale) => {
            let read = |light: f64| scale.density(light);
            json!({ "density": numbers(given, "light").into_iter().map(read).collect::<Vec<_>>() })
        }
        Err(error) => json!({ "refused": error.to_string() }),
    }
}
