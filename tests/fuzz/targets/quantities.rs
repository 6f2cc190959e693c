//! Whatever people type: doses, light, stops, times, shares, names. What is printed is read
//! again, to the digits that are printed.
#![no_main]

use frameside::config::Name;
use frameside::ledger::one_line;
use frameside_core::light::recorded::parse_rfc3339;
use frameside_core::quantity::{
    Dose, Irradiance, ParseQuantityError, Stops, TargetDose, parse_duration, parse_fraction,
};
use libfuzzer_sys::fuzz_target;

/// An error shows what was typed, cut.
fn is_short(error: &ParseQuantityError) {
    let text = error.to_string();
    assert!(text.chars().count() < 400 && !text.contains('\n'), "{text}");
}

fuzz_target!(|text: &str| {
    match text.parse::<Dose>() {
        Ok(dose) if (10.0..1e15).contains(&dose.j_m2().abs()) => {
            let again: Dose = dose.to_string().parse().expect("what is printed is read");
            assert!((again.j_m2() - dose.j_m2()).abs() <= 5.1f64.max(0.006 * dose.j_m2().abs()));
        }
        Ok(dose) => assert!(dose.j_m2().is_finite()),
        Err(error) => is_short(&error),
    }
    match text.parse::<TargetDose>() {
        Ok(target) => assert!(target.dose() > Dose::ZERO && target.dose().j_m2() <= 1e8),
        Err(error) => is_short(&error),
    }
    match text.parse::<Irradiance>() {
        Ok(light) => assert!(light.w_m2().is_finite()),
        Err(error) => is_short(&error),
    }
    match text.parse::<Stops>() {
        Ok(stops) => {
            let again: Stops = stops.to_string().parse().expect("what is printed is read");
            assert!((again.value() - stops.value()).abs() < 0.0051, "{stops}");
        }
        Err(error) => is_short(&error),
    }
    match parse_duration(text) {
        Ok(time) => assert!(!time.is_zero() && time.as_secs() <= 400 * 86_400),
        Err(error) => is_short(&error),
    }
    match parse_fraction(text) {
        Ok(share) => assert!(share > 0.0 && share <= 2.0),
        Err(error) => is_short(&error),
    }
    if let Some(name) = Name::new(text) {
        assert_eq!(name.as_str(), text);
    }
    if let Ok(line) = one_line(text) {
        assert!(!line.contains('\n'));
    }
    let _ = parse_rfc3339(text);
});
