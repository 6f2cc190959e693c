//! `frameside replay` against scipy on a real month of light, taken at test time
//! from the Baseline Surface Radiation Network (Driemel et al. 2018, Earth Syst.
//! Sci. Data 10, 1491-1501, doi:10.5194/essd-10-1491-2018). Minute values are
//! taken as samples joined by straight lines, by both sides.

use std::path::{Path, PathBuf};
use std::process::Command;

use frameside_tests::needs::{STATION_DAYS, reference_python, station_day, station_month};
use frameside_tests::{frameside, repository};
use serde_json::Value;

/// Minutes to 15 kJ/m2 begun at 10:00 UTC on the days 1 to 15, computed with numpy.
const MINUTES_TO_15_KJ_M2: [f64; 15] = [
    9.713, 11.895, 10.891, 34.781, 7.938, 6.005, 5.332, 18.170, 7.721, 5.536, 15.724, 12.089, 19.626, 14.694,
    5.106,
];

fn station_days() -> Option<Vec<PathBuf>> {
    STATION_DAYS.map(station_day).collect()
}

/// What scipy says of each file: see `trapezoid.py`.
fn scipy(files: &[PathBuf]) -> Option<Vec<Value>> {
    let script = repository().join("tests/reference/trapezoid.py");
    let output = Command::new(reference_python()?).arg(script).args(files).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let answers: Vec<Value> = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(answers.len(), files.len());
    Some(answers)
}

/// 15 kJ/m2 begun at 10:00 UTC.
fn replay(file: &Path) -> Value {
    let file = file.to_str().unwrap();
    let output = frameside(["replay", file, "--target", "15kJ/m2", "--at", "10:00", "--json"]);
    assert!(output.status.success(), "replay {file}: {}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap_or_else(|error| panic!("replay {file}: {error}"))
}

fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap_or_else(|| panic!("no number {key} in {value}"))
}

#[track_caller]
fn assert_relative(ours: f64, theirs: f64, tolerance: f64, what: &str) {
    let difference = (ours - theirs).abs() / theirs.abs();
    assert!(difference < tolerance, "{what}: {ours} against {theirs}, relative difference {difference:e}");
}

#[track_caller]
fn assert_within(ours: f64, theirs: f64, tolerance: f64, what: &str) {
    let difference = (ours - theirs).abs();
    assert!(difference < tolerance, "{what}: {ours} against {theirs}, difference {difference:e}");
}

#[test]
fn dose_of_each_day_is_scipys_trapezoid() {
    let Some(files) = station_days() else { return };
    let Some(theirs) = scipy(&files) else { return };
    for (day, (file, theirs)) in STATION_DAYS.zip(files.iter().zip(&theirs)) {
        let ours = replay(file);
        // The station missed the first minute of the month.
        let missing = u64::from(day == 1);
        assert_eq!(ours["missing"], missing, "day {day}");
        assert_relative(number(&ours, "dose_j_m2"), number(theirs, "dose_j_m2"), 1e-9, &format!("day {day}"));
    }
}

#[test]
fn each_day_reaches_15_kj_m2_when_scipy_says() {
    let Some(files) = station_days() else { return };
    let Some(theirs) = scipy(&files) else { return };
    for (day, (file, theirs)) in STATION_DAYS.zip(files.iter().zip(&theirs)) {
        let ours = replay(file);
        assert_eq!(ours["exposures"].as_array().unwrap().len(), 1, "day {day}");
        let exposure = &ours["exposures"][0];
        assert_eq!(exposure["state"], "due", "day {day}");
        let seconds = number(exposure, "seconds");
        let minutes = MINUTES_TO_15_KJ_M2[day as usize - 1];
        assert_within(seconds / 60.0, minutes, 0.001, &format!("day {day}, minutes"));
        assert_within(seconds, number(theirs, "seconds_to_15_kj_m2"), 1e-3, &format!("day {day}, seconds"));
        for dose in ["low_j_m2", "dose_j_m2", "high_j_m2"] {
            assert_relative(number(exposure, dose), 15_000.0, 1e-9, &format!("day {day}, {dose}"));
        }
    }
}

#[test]
fn effective_doses_of_real_days_are_scipys_quadrature() {
    let Some(files) = station_days() else { return };
    let Some(python) = reference_python() else { return };
    let script = repository().join("tests/reference/effective_dose.py");
    for exponent in ["0.8", "1.25"] {
        let output =
            Command::new(&python).arg(&script).args([exponent, "30"]).args(&files[..5]).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let theirs: Vec<Value> = serde_json::from_slice(&output.stdout).unwrap();
        for (file, theirs) in files.iter().zip(&theirs) {
            let what = format!("{} at exponent {exponent}", file.display());
            let file = file.to_str().unwrap();
            let counted = ["--exponent", exponent, "--reference", "30W/m2", "--json"];
            let replay = ["replay", file, "--target", "8kJ/m2", "--at", "10:00"];
            let output = frameside(replay.iter().chain(&counted));
            assert!(output.status.success(), "{what}: {}", String::from_utf8_lossy(&output.stderr));
            let ours: Value = serde_json::from_slice(&output.stdout).unwrap();
            assert_relative(number(&ours, "dose_j_m2"), number(theirs, "dose_j_m2"), 1e-8, &what);
            let exposure = &ours["exposures"][0];
            assert_within(number(exposure, "seconds"), number(theirs, "seconds_to_8_kj_m2"), 1e-5, &what);
            assert_relative(number(exposure, "dose_j_m2"), 8_000.0, 1e-9, &what);
        }
    }
}

#[test]
fn an_exponent_of_one_is_the_plain_dose() {
    let Some(files) = station_days() else { return };
    let plain = replay(&files[3]);
    let file = files[3].to_str().unwrap();
    let counted = ["replay", file, "--target", "15kJ/m2", "--at", "10:00", "--json", "--exponent", "1"];
    let output = frameside(counted.iter().chain(&["--reference", "20"]));
    assert_eq!(serde_json::from_slice::<Value>(&output.stdout).unwrap(), plain);
}

#[test]
fn whole_month_gives_one_exposure_a_day_with_the_same_times() {
    let Some(month) = station_month() else { return };
    let Some(files) = station_days() else { return };
    let month = replay(&month);
    assert_eq!((&month["samples"], &month["missing"]), (&43_200.into(), &2.into()));
    let of_month = month["exposures"].as_array().unwrap();
    assert_eq!(of_month.len(), 30);
    for (day, (file, of_month)) in STATION_DAYS.zip(files.iter().zip(of_month)) {
        let of_day = &replay(file)["exposures"][0];
        assert_eq!((&of_month["start"], &of_month["due"]), (&of_day["start"], &of_day["due"]), "day {day}");
        // A month of seconds added up may differ from a day in the last digits only.
        assert_within(number(of_month, "seconds"), number(of_day, "seconds"), 1e-6, &format!("day {day}"));
    }
}

/// The samples of a day from 10:00 to 10:05 UTC, both included.
fn five_minutes_of(day: &Path) -> String {
    let text = std::fs::read_to_string(day).unwrap();
    let inside =
        |line: &&str| line.starts_with("time,") || (0..=5).any(|m| line.contains(&format!("T10:0{m}:00Z")));
    text.lines().filter(inside).map(|line| format!("{line}\n")).collect()
}

#[test]
fn the_same_five_minutes_give_fivefold_doses() {
    let Some(files) = station_days() else { return };
    let Some(theirs) = scipy(&files) else { return };
    let cut = tempfile::TempDir::new().unwrap();
    let doses: Vec<f64> = STATION_DAYS
        .zip(files.iter().zip(&theirs))
        .map(|(day, (file, theirs))| {
            let five_minutes = cut.path().join(format!("{day}.csv"));
            std::fs::write(&five_minutes, five_minutes_of(file)).unwrap();
            let ours = replay(&five_minutes);
            assert_eq!(ours["samples"], 6, "day {day}");
            assert_eq!(ours["exposures"][0]["state"], "unfinished", "day {day}");
            let dose = number(&ours, "dose_j_m2");
            assert_relative(dose, number(theirs, "five_minute_dose_j_m2"), 1e-9, &format!("day {day}"));
            dose
        })
        .collect();
    // Least and most of the fifteen days, computed with numpy.
    assert_within(doses[7], 2_862.0, 0.5, "8 June");
    assert_within(doses[14], 14_676.0, 0.5, "15 June");
    assert!(doses.iter().all(|dose| (doses[7]..=doses[14]).contains(dose)), "{doses:?}");
}
