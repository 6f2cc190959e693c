//! Wedges, strips, lightnesses and reciprocity, made up anew at each run, against scipy
//! and colour-science: see `sensitometry.py` for what is reckoned and after which standard.

use std::process::Command;

use frameside_core::quantity::{Dose, Irradiance};
use frameside_core::sensitometry::{
    Band, CharacteristicCurve, Density, EqualPrint, Lightness, StripReading, WedgeStep, fit_exponent,
    read_densities,
};
use frameside_tests::needs::reference_python;
use frameside_tests::repository;
use serde_json::Value;

use crate::yard::number;

/// How many of each kind.
const COUNT: usize = 200;

/// What the reference libraries say, of another seed at each run. The seed stands in
/// every message.
fn made_up() -> Option<Value> {
    let python = reference_python()?;
    let seed = u64::from(std::process::id()) + 1;
    let script = repository().join("tests/reference/sensitometry.py");
    let output =
        Command::new(python).arg(script).args([seed.to_string(), COUNT.to_string()]).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let made: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(made["seed"], seed);
    Some(made)
}

/// The items of a kind, each with what to call it in a message.
fn items<'a>(made: &'a Value, kind: &'a str) -> impl Iterator<Item = (String, &'a Value)> {
    let items = made[kind].as_array().unwrap();
    assert_eq!(items.len(), COUNT);
    items.iter().enumerate().map(move |(i, item)| (format!("{kind} {i} of seed {}", made["seed"]), item))
}

fn numbers(value: &Value, key: &str) -> Vec<f64> {
    value[key].as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
}

fn kj(value: f64) -> Dose {
    Dose::from_j_m2(1000.0 * value)
}

#[track_caller]
fn assert_near(ours: f64, theirs: f64, tolerance: f64, what: &str) {
    assert!((ours - theirs).abs() <= tolerance, "{what}: {ours} against {theirs}");
}

#[test]
fn curves_of_wedges_are_scipys() {
    let Some(made) = made_up() else { return };
    for (what, wedge) in items(&made, "wedges") {
        let steps: Vec<WedgeStep> = numbers(wedge, "wedge_density")
            .into_iter()
            .zip(numbers(wedge, "density"))
            .map(|(wedge, print)| WedgeStep { wedge: Density::new(wedge), print: Density::new(print) })
            .collect();
        let curve = CharacteristicCurve::new(kj(number(wedge, "dose_kj_m2")), &steps)
            .unwrap_or_else(|error| panic!("{what}: {error}"));
        let key = curve.key();
        for (name, ours) in [
            ("d_min", key.d_min.value()),
            ("d_max", key.d_max.value()),
            ("log_toe", key.log_toe),
            ("log_mid", key.log_mid),
            ("log_shoulder", key.log_shoulder),
            ("log_full", curve.full_dose().dose.kj_m2().log10()),
        ] {
            assert_near(ours, number(wedge, name), 1e-9, &format!("{what}, {name}"));
        }
        for probe in wedge["probes"].as_array().unwrap() {
            let [log_h, density, slope] = [0, 1, 2].map(|i| probe[i].as_f64().unwrap());
            assert_near(curve.density_at(log_h).unwrap().value(), density, 1e-9, &what);
            assert_near(curve.slope_at(log_h), slope, 1e-8, &what);
        }
    }
}

#[test]
fn least_doses_of_strips_are_scipys() {
    let Some(made) = made_up() else { return };
    let mut found = 0;
    for (what, strip) in items(&made, "strips") {
        let bands: Vec<Band> = numbers(strip, "dose_kj_m2")
            .into_iter()
            .zip(numbers(strip, "density"))
            .map(|(dose, density)| Band { dose: kj(dose), density: Density::new(density) })
            .collect();
        let reading = read_densities(&bands).unwrap_or_else(|error| panic!("{what}: {error}"));
        match (reading, strip["least_dose_kj_m2"].as_f64()) {
            (StripReading::Found(least), Some(theirs)) => {
                found += 1;
                assert_near(least.dose.kj_m2(), theirs, 1e-9 * theirs, &what);
            }
            (StripReading::ExtendUp | StripReading::ExtendDown, None) => {}
            (ours, theirs) => panic!("{what}: {ours:?} against {theirs:?}"),
        }
    }
    assert!(0 < found && found < COUNT, "{found} of {COUNT} strips have an answer");
}

#[test]
fn lightness_is_colour_sciences() {
    let Some(made) = made_up() else { return };
    for (what, pair) in items(&made, "lightnesses") {
        let lightness = Lightness::from(Density::new(number(pair, "density")));
        assert_near(lightness.value(), number(pair, "lightness_of_density"), 1e-9, &what);
        let density = Density::from(Lightness::new(number(pair, "lightness")));
        assert_near(density.value(), number(pair, "density_of_lightness"), 1e-9, &what);
    }
}

#[test]
fn exponents_are_those_of_scipys_regression() {
    let Some(made) = made_up() else { return };
    for (what, prints) in items(&made, "reciprocity") {
        let prints_made: Vec<EqualPrint> = numbers(prints, "irradiance_w_m2")
            .into_iter()
            .zip(numbers(prints, "dose_kj_m2"))
            .map(|(w_m2, dose)| EqualPrint { irradiance: Irradiance::from_w_m2(w_m2), dose: kj(dose) })
            .collect();
        let fit = fit_exponent(&prints_made).unwrap_or_else(|error| panic!("{what}: {error}"));
        assert_near(fit.fitted, number(prints, "exponent"), 1e-9, &what);
        // Prints that agree better than they can be judged have a wider interval here.
        let (low, high) = (number(prints, "low"), number(prints, "high"));
        if number(prints, "scatter_stops") > 0.1 {
            assert_near(fit.low, low, 1e-3, &what);
            assert_near(fit.high, high, 1e-3, &what);
        } else {
            assert!(fit.low <= low && high <= fit.high, "{what}: {fit:?} against {low} to {high}");
        }
    }
}
