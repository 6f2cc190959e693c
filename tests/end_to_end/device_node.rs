//! The binary, unchanged and through rppal, at the device nodes of a Pi: a bus with chips
//! and a button.

use std::time::Duration;

use frameside_core::chips::emulated::{
    EmulatedAds1x1x, EmulatedAs7331, EmulatedBus, EmulatedVeml6075, Trouble,
};
use frameside_core::chips::{Part, Photodiode};
use frameside_core::quantity::Irradiance;
use frameside_tests::{FakePi, Site, wait_for};
use serde_json::Value;

use crate::yard::{SOON, expose, json_of, number, ok, refused};

const AS7331: u8 = 0x74;
const ADS1115: u8 = 0x48;
const VEML6075: u8 = 0x10;
const BUZZER: u8 = 18;
const BUTTON: u8 = 23;
const LIGHT_W_M2: f64 = 40.0;

/// A Pi in steady light: three chips on its bus.
fn pi() -> FakePi {
    let light = || Box::new(|_| Irradiance::from_w_m2(LIGHT_W_M2));
    let photodiode = Photodiode { volts_per_w_m2: 0.0486, zero_v: 0.0, ceiling_v: None };
    let mut bus = EmulatedBus::default();
    bus.attach(AS7331, EmulatedAs7331::new(light()));
    bus.attach(ADS1115, EmulatedAds1x1x::new(Part::Ads1115, photodiode, light()));
    bus.attach(VEML6075, EmulatedVeml6075::new(light()));
    FakePi::new(bus)
}

/// A frame beside each of the sensors, the first with a button.
fn site(pi: &FakePi) -> Site {
    let site = Site::new(&format!(
        "[rig]\nname = \"yard\"\ntimezone = \"UTC\"\n\
         [[sensor]]\nname = \"wall\"\nchip = \"ads1115\"\nvolts_per_W_m2 = 0.0486\nzero_V = 0.0\n\
         [[sensor]]\nname = \"post\"\nchip = \"veml6075\"\n\
         [[sensor]]\nname = \"roof\"\nchip = \"as7331\"\n\
         [[frame]]\nname = \"oak\"\nsensor = \"wall\"\nbutton = {BUTTON}\n\
         [[frame]]\nname = \"elm\"\nsensor = \"post\"\n\
         [[frame]]\nname = \"ash\"\nsensor = \"roof\"\n\
         [buzzer]\nkind = \"active\"\npin = {BUZZER}\n"
    ));
    site.with_environment(pi.environment())
}

fn frame(site: &Site, name: &str) -> Value {
    let status = json_of(site, &["status"]);
    status["frames"].as_array().unwrap().iter().find(|frame| frame["frame"] == name).unwrap().clone()
}

fn wait_for_state(site: &Site, name: &str, state: &str) -> Value {
    wait_for(&format!("{name} to be {state}"), SOON, || {
        Some(frame(site, name)).filter(|frame| frame["state"] == state)
    })
}

fn sensor(site: &Site, name: &str) -> Value {
    let status = json_of(site, &["status"]);
    status["sensors"].as_array().unwrap().iter().find(|sensor| sensor["name"] == name).unwrap().clone()
}

#[test]
fn each_chip_is_read_and_the_rig_is_well() {
    let pi = pi();
    let rig = json_of(&site(&pi), &["check", "--rig"])["rig"].clone();
    for (name, within) in [("wall", 0.002), ("post", 0.02), ("roof", 0.002)] {
        let of = |sensor: &&Value| sensor["name"] == name;
        let found = rig["sensors"].as_array().unwrap().iter().find(of).unwrap_or_else(|| panic!("{rig}"));
        let off = number(found, "irradiance_w_m2") / LIGHT_W_M2 - 1.0;
        assert!(off.abs() < within, "{name}: {found}");
    }
    assert!(pi.was_switched_on(BUZZER) && pi.was_switched_off(BUZZER), "no beep");
}

#[test]
fn another_chip_at_the_address_of_a_converter_is_reported_as_that() {
    let pi = pi();
    pi.rewire(|bus| {
        bus.attach(ADS1115, EmulatedVeml6075::new(Box::new(|_| Irradiance::from_w_m2(LIGHT_W_M2))));
    });
    let site = site(&pi);
    let checked = site.frameside(["check", "--rig"]);
    let said = String::from_utf8(checked.stdout).unwrap();
    let expected = "sensor at 0x48 does not behave like an ADS1115: another chip answers there";
    assert!(said.contains(&format!("sensor wall: {expected}")), "{said}");
    let _daemon = site.run();
    let problem =
        wait_for("the problem", SOON, || sensor(&site, "wall")["problem"].as_str().map(str::to_owned));
    assert!(problem.starts_with(expected), "{problem}");
}

#[test]
fn a_scan_reads_the_real_bus_but_not_under_the_daemon() {
    let pi = pi();
    let site = site(&pi);
    let scanned = json_of(&site, &["sensor", "scan"]);
    let sensors: Vec<_> =
        scanned[0]["answers"].as_array().unwrap().iter().map(|answer| answer["sensor"].clone()).collect();
    assert_eq!(sensors, ["post", "wall", "roof"], "{scanned}");
    let _daemon = site.run();
    let (code, said) = refused(&site.frameside(["sensor", "read", "wall"]));
    assert!(code == 1 && said.starts_with("the daemon is using sensor wall; stop it first"), "{said}");
}

#[test]
fn a_frame_is_exposed_called_and_brought_in_by_its_button() {
    let pi = pi();
    let site = site(&pi);
    let _daemon = site.run();
    wait_for("light", SOON, || sensor(&site, "wall")["irradiance_w_m2"].as_f64());
    let print = expose(&site, "oak", "120J/m2");
    let other = expose(&site, "elm", "130J/m2");
    assert!(frame(&site, "oak")["waiting"] == false);
    wait_for_state(&site, "oak", "due");
    wait_for("the buzzer", SOON, || pi.was_switched_on(BUZZER).then_some(()));
    // A press hushes, the next brings in.
    assert!(pi.press(BUTTON));
    wait_for("the hush", SOON, || Some(frame(&site, "oak")).filter(|oak| oak["waiting"] == false));
    assert_eq!(frame(&site, "oak")["state"], "due");
    assert!(pi.press(BUTTON));
    wait_for_state(&site, "oak", "in");
    wait_for_state(&site, "elm", "due");
    ok(&site.frameside(["bring-in", "elm"]));
    for (print, target) in [(print, 120.0), (other, 130.0)] {
        let shown = json_of(&site, &["show", &print]);
        let off = number(&shown, "dose_at_due_j_m2") / target - 1.0;
        assert!(off.abs() < 0.002, "{print}: {shown}");
    }
}

#[test]
fn a_chip_in_trouble_is_named_and_comes_back() {
    let pi = pi();
    let site = site(&pi);
    let daemon = site.run();
    wait_for("light", SOON, || sensor(&site, "roof")["irradiance_w_m2"].as_f64());
    expose(&site, "ash", "900kJ/m2");
    // Two failed transfers are retried at once; many are a lost sensor.
    pi.strike(AS7331, Trouble::NoAcknowledge { times: 2 });
    std::thread::sleep(Duration::from_secs(2));
    assert_eq!(sensor(&site, "roof")["problem"], Value::Null);
    pi.strike(AS7331, Trouble::NoAcknowledge { times: u32::MAX });
    let lost = wait_for("the sensor to be lost", SOON, || {
        Some(sensor(&site, "roof")).filter(|roof| roof["problem"].is_string())
    });
    let problem = lost["problem"].as_str().unwrap();
    assert!(problem.contains("0x74") && problem.contains("check wiring"), "{problem}");
    assert_eq!(sensor(&site, "wall")["problem"], Value::Null, "the others go on");
    pi.strike(AS7331, Trouble::NoAcknowledge { times: 0 });
    wait_for("the sensor to be back", SOON, || {
        Some(sensor(&site, "roof")).filter(|roof| roof["problem"].is_null())
    });
    let ash = frame(&site, "ash");
    assert!(number(&ash, "low_j_m2") < number(&ash, "high_j_m2"), "what was not seen is bounded: {ash}");
    wait_for("the gap in the log", SOON, || {
        daemon.stderr().contains("light was not seen for a while").then_some(())
    });
    assert!(daemon.terminate().success());
}
