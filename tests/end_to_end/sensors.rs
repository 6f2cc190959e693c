//! The verbs for the sensor itself, against emulated chips.

use frameside_tests::{Site, wait_for};
use serde_json::{Value, json};

use crate::yard::{SOON, expose, json_of, number, ok, refused, wait_for_frame};

/// An AS7331 and an LTR-390 without a factor, both before a steady light.
fn site(w_m2: f64) -> Site {
    let site = Site::new(
        "[rig]\nname = \"yard\"\ntimezone = \"UTC\"\n\
         [[sensor]]\nname = \"sky\"\nchip = \"emulated:as7331\"\nlight = \"light.csv\"\n\
         [[sensor]]\nname = \"wall\"\nchip = \"emulated:ltr390\"\nlight = \"light.csv\"\n\
         [[frame]]\nname = \"oak\"\nsensor = \"wall\"\n\
         [[source]]\nname = \"box\"\nkind = \"lamp\"\n",
    );
    shine(&site, w_m2);
    site
}

fn shine(site: &Site, w_m2: f64) {
    let light = format!("time,irradiance_w_m2\n2026-06-01T10:00:00Z,{w_m2}\n2026-06-01T12:00:00Z,{w_m2}\n");
    std::fs::write(site.path("light.csv"), light).unwrap();
}

/// The record begins when the daemon first runs.
fn begin_record(site: &Site) {
    assert!(site.run().terminate().success());
}

fn one_reading(site: &Site, sensor: &str) -> Value {
    json_of(site, &["sensor", "read", sensor, "--count", "1"])
}

#[test]
fn a_scan_names_what_it_can() {
    let site = site(40.0);
    let scanned = json_of(&site, &["sensor", "scan"]);
    let answers = |bus: usize| scanned[bus]["answers"][0].clone();
    let of = |sensor: &str, address: u8, part: &str| json!({ "address": address, "part": part, "by_identity": true, "kernel_driver": null, "sensor": sensor });
    assert_eq!(answers(0), of("sky", 0x74, "AS7331"));
    assert_eq!(answers(1), of("wall", 0x53, "LTR-390UV-01"));
    let said = ok(&site.frameside(["sensor", "scan"]));
    assert!(said.contains("0x74  AS7331, by its identity register; sensor sky of the config"), "{said}");
    let (code, said) = refused(&site.frameside(["sensor", "scan", "--bus", "251"]));
    assert!(code == 1 && said.starts_with("there is no I2C bus 251"), "{said}");
}

#[test]
fn a_covered_sensor_gets_its_zero_and_an_open_one_is_refused() {
    let site = site(40.0);
    begin_record(&site);
    let (code, said) = refused(&site.frameside(["sensor", "zero", "sky", "--readings", "5"]));
    assert!(code == 1 && said.contains("still sees 40.0 W/m²; cover it"), "{said}");
    assert_eq!(json_of(&site, &["sensor", "calibrate", "sky"]), json!([]));
    shine(&site, 0.1);
    let kept = json_of(&site, &["sensor", "zero", "sky", "--readings", "5"]);
    let zeros = kept["calibration"]["zeros_w_m2"].as_object().unwrap();
    assert_eq!(zeros.len(), 12);
    assert!((zeros["8"].as_f64().unwrap() - 0.1).abs() < 0.01, "{kept}");
    assert!(number(&one_reading(&site, "sky"), "irradiance_w_m2") < 0.02);
}

#[test]
fn ranges_are_compared_on_steady_light() {
    let site = site(40.0);
    begin_record(&site);
    let kept = json_of(&site, &["sensor", "ranges", "sky", "--readings", "5"]);
    let ratios = kept["calibration"]["ratios"].as_object().unwrap();
    // 54.4 W/m² is the last full scale above the light.
    let ranges: Vec<&str> = ratios.keys().map(String::as_str).collect();
    assert!(ranges.contains(&"6") && !ranges.contains(&"7"), "{ranges:?}");
    assert!(ratios.values().all(|ratio| (ratio.as_f64().unwrap() - 1.0).abs() < 0.005), "{ratios:?}");
}

#[test]
fn a_part_without_a_unit_gets_one_and_old_prints_are_restated() {
    let site = site(40.0);
    let daemon = site.run();
    let begun = json_of(&site, &["expose", "oak", "--target", "900kJ/m2"]);
    let print = begun["print"].as_str().unwrap();
    assert!(begun["warning"].as_str().unwrap().contains("sensor wall is not calibrated"), "{begun}");
    std::thread::sleep(std::time::Duration::from_secs(3));
    ok(&site.frameside(["bring-in", "oak"]));
    assert!(daemon.terminate().success());
    assert_eq!(one_reading(&site, "wall")["flags"], json!(["uncalibrated"]));
    assert!(ok(&site.frameside(["show", print])).contains("! sensor wall was not calibrated"));

    let kept = json_of(&site, &["sensor", "calibrate", "wall", "--reference", "40", "--readings", "5"]);
    let factor = number(&kept["calibration"]["factors"], "sun");
    assert!((number(&one_reading(&site, "wall"), "irradiance_w_m2") - 40.0).abs() < 0.1);
    let shown = json_of(&site, &["show", print]);
    assert_eq!(shown["restated"]["calibration"], kept["id"]);
    let restated = number(&shown, "dose_j_m2") * factor;
    assert!((number(&shown["restated"], "dose_j_m2") - restated).abs() < 1e-6, "{shown}");
    assert!(restated > 40.0, "{shown}");

    // Against another sensor, under another source; then the daemon counts in its unit.
    let kept = json_of(
        &site,
        &["sensor", "calibrate", "wall", "--against", "sky", "--source", "box", "--readings", "5"],
    );
    assert!((number(&kept["calibration"]["factors"], "box") / factor - 1.0).abs() < 0.01, "{kept}");
    let _daemon = site.run();
    // The index is the part's own: the emulated LTR-390 has 6 W/m² for one.
    let index = wait_for("light", SOON, || json_of(&site, &["light"])["sensors"][1]["uv_index"].as_f64());
    assert!((index - 40.0 / 6.0).abs() < 0.05, "{index}");
    let later = expose(&site, "oak", "80J/m2");
    wait_for_frame(&site, "oak", "due", |oak| oak["state"] == "due");
    let calibration = json_of(&site, &["show", &later])["calibration"].clone();
    assert_eq!((&calibration["id"], &calibration["part"]["from"]), (&kept["id"], &json!("uncalibrated")));
    let history = json_of(&site, &["sensor", "calibrate", "wall"]);
    assert_eq!(history.as_array().unwrap().len(), 2);
}

#[test]
fn a_reference_in_another_unit_is_read_in_it_or_refused() {
    let site = site(40.0);
    begin_record(&site);
    let calibrate = ["sensor", "calibrate", "sky", "--readings", "5", "--reference"];
    let by = |reference: &str| json_of(&site, &[&calibrate[..], &[reference]].concat());
    for reference in ["4000uW/cm2", "4000 µW/cm²", "4mW/cm2", "40 W/m²", "40"] {
        let factor = number(&by(reference)["calibration"]["factors"], "sun");
        assert!((factor - 1.0).abs() < 0.02, "{reference}: {factor}");
    }
    let (code, said) = refused(&site.frameside([&calibrate[..], &["4000"]].concat()));
    assert!(code == 1 && said.contains("beyond 1/3 to 3: is the reference in W/m²?"), "{said}");
    assert_eq!(json_of(&site, &["sensor", "calibrate", "sky"]).as_array().unwrap().len(), 5);
    let kept = json_of(&site, &[&calibrate[..], &["4000", "--anyway"]].concat());
    assert!(number(&kept["calibration"]["factors"], "sun") > 90.0, "{kept}");
    // A part without a unit of its own may have any.
    let of_wall = ["sensor", "calibrate", "wall", "--readings", "5", "--reference", "4000"];
    json_of(&site, &of_wall);
}

#[test]
fn wrong_calls_say_what_to_do() {
    let site = site(40.0);
    for (arguments, code, says) in [
        (&["sensor", "read"][..], 2, "say which sensor: sky, wall"),
        (&["sensor", "read", "moon"], 1, "there is no sensor 'moon'; the sensors are: sky, wall"),
        (&["sensor", "calibrate", "sky", "--reference", "-3"], 2, ""),
        (&["sensor", "calibrate", "sky", "--reference", "0"], 1, "the reference must be above 0"),
        (&["sensor", "calibrate", "sky", "--window", "150%"], 1, "the window must be above 0 %"),
        (
            &["sensor", "calibrate", "sky", "--per-kelvin", "1", "--at", "25"],
            1,
            "the temperature coefficient must be",
        ),
        (&["sensor", "calibrate", "sky", "--per-kelvin", "0.001"], 2, ""),
        (
            &["sensor", "calibrate", "sky", "--against", "sky"],
            2,
            "a sensor cannot be calibrated against itself",
        ),
        (&["sensor", "calibrate", "sky", "--window", "90%"], 1, "there is no record at"),
    ] {
        let (got, said) = refused(&site.frameside(arguments));
        assert!(got == code && said.contains(says), "{arguments:?}: {got}, {said}");
    }
}

#[test]
fn a_part_that_knows_the_uv_index_tells_it() {
    // Without a factor the emulated LTR-390 has 6 W/m² for one UV index.
    let site = site(49.0);
    let daemon = site.run();
    let sensors = wait_for("light at both", SOON, || {
        let sensors = json_of(&site, &["light"])["sensors"].clone();
        (0..2).all(|at| sensors[at]["irradiance_w_m2"].is_number()).then_some(sensors)
    });
    assert!(sensors[0].get("uv_index").is_none(), "an AS7331 does not know it: {sensors}");
    assert!((number(&sensors[1], "uv_index") - 49.0 / 6.0).abs() < 0.05, "{sensors}");
    let said = ok(&site.frameside(["light"]));
    assert_eq!(said.matches("UV index").count(), 1, "{said}");
    assert!(said.contains("  UV index 8, very high, if it lies bare"), "{said}");

    let config = std::fs::read_to_string(site.path("config.toml")).unwrap();
    let factor =
        config.replace("chip = \"emulated:ltr390\"", "chip = \"emulated:ltr390\"\nW_m2_per_UVI = 5.0");
    std::fs::write(site.path("config.toml"), factor).unwrap();
    drop(daemon);
    let _daemon = site.run();
    let wall = wait_for("light", SOON, || {
        let wall = json_of(&site, &["light"])["sensors"][1].clone();
        wall["irradiance_w_m2"].is_number().then_some(wall)
    });
    assert!((number(&wall, "irradiance_w_m2") - 49.0).abs() < 0.3, "{wall}");
    assert!((number(&wall, "uv_index") - 9.8).abs() < 0.06, "{wall}");
}
