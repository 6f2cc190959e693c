//! The rig in the house: what home automation is told, and what the broker keeps.

use std::collections::BTreeMap;

use frameside::ledger::Record;
use frameside_tests::{Broker, Publish, Site, wait_for};
use serde_json::{Value, json};

use crate::yard::{SOON, assert_within, due_of, expose, json_of, kept, number, ok, refused, says, settled};

const AVAILABILITY: &str = "frameside/yard/availability";

/// A config with these frames, before a steady light.
fn config(broker: &Broker, rig: &str, frames: &[&str], mqtt: &str) -> String {
    let frames: String =
        frames.iter().map(|name| format!("[[frame]]\nname = \"{name}\"\nsensor = \"sky\"\n")).collect();
    format!(
        "[rig]\nname = \"{rig}\"\ntimezone = \"UTC\"\n\
         [[sensor]]\nname = \"sky\"\nchip = \"emulated:as7331\"\nlight = \"light.csv\"\n{frames}\
         [mqtt]\nbroker = \"127.0.0.1\"\nport = {}\n{mqtt}\n",
        broker.port()
    )
}

fn site(config: &str) -> Site {
    let site = Site::new(config);
    let light = "time,irradiance_w_m2\n2026-06-01T10:00:00Z,40\n2026-06-01T12:00:00Z,40\n";
    std::fs::write(site.path("light.csv"), light).unwrap();
    site
}

/// Runs the daemon with a config until it is online, and stops it; what the broker keeps then.
fn kept_after(broker: &Broker, site: &Site, config: &str) -> BTreeMap<String, String> {
    site.configure(config);
    let availability = broker.subscribe(&["frameside/+/availability"]);
    let daemon = site.run();
    // It comes after some 1000 messages of which the broker acknowledges each.
    let _ = availability.wait_for(4 * SOON, |message| !message.retained && message.payload == b"online");
    assert!(daemon.terminate().success());
    kept(broker)
}

fn topics(kept: &BTreeMap<String, String>, below: &str) -> Vec<String> {
    kept.keys().filter_map(|topic| topic.strip_prefix(below)).map(Into::into).collect()
}

#[test]
fn renamed_and_removed_frames_and_other_modes_leave_no_ghost() {
    let Some(broker) = Broker::start() else { return };
    let with = |rig: &str, frames: &[&str], mqtt: &str| config(&broker, rig, frames, mqtt);
    let site = site(&with("yard", &[], ""));
    let states = ["availability", "frame/elm/state", "frame/oak/state", "sensor/sky/problem", "troubles"];

    let kept = kept_after(&broker, &site, &with("yard", &["oak", "elm"], "discovery = \"device\""));
    assert_eq!(topics(&kept, "homeassistant/"), ["device/frameside_yard/config"]);
    assert_eq!(topics(&kept, "frameside/yard/"), states);
    let device: Value = serde_json::from_str(&kept["homeassistant/device/frameside_yard/config"]).unwrap();
    assert_eq!(device["cmps"]["Frame_elm_dose"]["stat_t"], "frameside/yard/frame/elm/state");

    // Renamed: one is gone, as its readers need to see it, and another is there.
    let all = broker.subscribe(&["homeassistant/#"]);
    let _ = all.wait_for(SOON, |message| message.retained);
    let kept = kept_after(&broker, &site, &with("yard", &["oak", "ash"], "discovery = \"device\""));
    let reduced = all.next(SOON).unwrap().json();
    assert_eq!(reduced["cmps"]["Frame_elm_dose"], serde_json::json!({ "p": "sensor" }));
    let after = all.next(SOON).unwrap();
    assert!(!after.text().contains("elm") && after.json()["cmps"]["Frame_ash_dose"].is_object());
    assert_eq!(kept["homeassistant/device/frameside_yard/config"], after.text());
    assert_eq!(topics(&kept, "frameside/yard/frame/"), ["ash/state", "oak/state"]);

    // Removed, and under another prefix.
    let elsewhere = "discovery = \"device\"\ndiscovery_prefix = \"home/found\"";
    let kept = kept_after(&broker, &site, &with("yard", &["oak"], elsewhere));
    assert_eq!((topics(&kept, "homeassistant/").len(), topics(&kept, "home/found/").len()), (0, 1));

    // Another rig, and nothing announced.
    let kept = kept_after(&broker, &site, &with("shed", &["oak"], ""));
    assert_eq!(
        kept.keys().collect::<Vec<_>>(),
        [
            "frameside/shed/availability",
            "frameside/shed/frame/oak/state",
            "frameside/shed/sensor/sky/problem",
            "frameside/shed/troubles",
        ]
    );
}

#[test]
fn ninety_nine_frames_are_announced_in_one_message() {
    let Some(broker) = Broker::start() else { return };
    let names: Vec<String> = (1..=99).map(|n| format!("a-frame-with-a-very-long-name-{n:02}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let site = site(&config(&broker, "yard", &names, ""));
    let kept = kept_after(&broker, &site, &config(&broker, "yard", &names, "discovery = \"device\""));
    assert_eq!(topics(&kept, "homeassistant/").len(), 1);
    let longest = kept.values().map(String::len).max().unwrap();
    assert!(longest > 256 * 1024, "{longest}");
}

#[test]
fn home_automation_that_comes_up_is_told_again() {
    let Some(broker) = Broker::start() else { return };
    let site = site(&config(&broker, "yard", &["oak"], "discovery = \"device\""));
    let all = broker.subscribe(&["homeassistant/#", "frameside/yard/#"]);
    let daemon = site.run();
    let device = "homeassistant/device/frameside_yard/config";
    let first = all.wait_for(SOON, |message| message.topic == device);
    let _ = all.wait_for(SOON, |message| says(message, AVAILABILITY, "online"));
    broker.publish(&Publish::new("homeassistant/status", "offline"));
    broker.publish(&Publish::new("homeassistant/status", "online"));
    let again = all.wait_for(SOON, |message| message.topic == device);
    assert_eq!(again.text(), first.text());
    let _ = all.wait_for(SOON, |message| message.topic == "frameside/yard/frame/oak/state");
    let _ = all.wait_for(SOON, |message| says(message, AVAILABILITY, "online"));
    assert!(daemon.terminate().success());
}

/// The light of another rig's sensor, in a config.
fn of_other_rig(broker: &Broker) -> String {
    format!(
        "[rig]\nname = \"shed\"\ntimezone = \"UTC\"\n\
         [[sensor]]\nname = \"far\"\nchip = \"mqtt\"\nrig = \"yard\"\nsensor = \"sky\"\n\
         [[frame]]\nname = \"elm\"\nsensor = \"far\"\n\
         [mqtt]\nbroker = \"127.0.0.1\"\nport = {}\n",
        broker.port()
    )
}

/// The light that a site has recorded of a sensor: ms of the wall clock, and W/m².
fn light_of(site: &Site, sensor: &str, from_ms: f64, to_ms: f64) -> Vec<(f64, f64)> {
    let record = Record::open(&site.path("ledger.sqlite")).unwrap();
    let light = record.light(sensor, from_ms, to_ms).unwrap();
    light.iter().map(|light| (light.unix_ms, light.sample.seen.lowest().w_m2())).collect()
}

/// When the light of a print was not seen, in ms of the wall clock.
fn gaps_of(site: &Site, print: &str) -> Vec<(f64, f64)> {
    let row = Record::open(&site.path("ledger.sqlite")).unwrap().find(print).unwrap();
    let at = |gap: &Value, end| row.begun().unwrap().unix_ms as f64 + 1000.0 * number(gap, end);
    let show = json_of(site, &["show", print]);
    show["gaps"].as_array().unwrap().iter().map(|gap| (at(gap, "from_s"), at(gap, "to_s"))).collect()
}

/// What fell on a sensor between two times of the wall clock, in J/m², from what a site has
/// recorded: straight lines between readings.
fn fell(site: &Site, sensor: &str, from_ms: f64, to_ms: f64) -> f64 {
    let light = light_of(site, sensor, from_ms - 5000.0, to_ms + 5000.0);
    assert!(light[0].0 < from_ms && light[light.len() - 1].0 > to_ms, "the light reaches over both ends");
    let between = light.windows(2).map(|pair| {
        let ((t0, e0), (t1, e1)) = (pair[0], pair[1]);
        let at = |t: f64| e0 + (e1 - e0) * (t - t0) / (t1 - t0);
        let (from, to) = (from_ms.clamp(t0, t1), to_ms.clamp(t0, t1));
        (to - from) / 1000.0 * (at(from) + at(to)) / 2.0
    });
    between.sum()
}

#[test]
fn two_rigs_with_one_sensor_agree() {
    let Some(broker) = Broker::start() else { return };
    let yard = site(&config(&broker, "yard", &["oak"], ""));
    // On a busy machine readings arrive some 10 ms late, at first without a better one to go by.
    let rows = (0..60).map(|n| format!("2026-06-01T10:{:02}:{:02}Z,{}\n", n / 6, n % 6 * 10, 40 + n % 2 * 5));
    let light = format!("time,irradiance_w_m2\n{}", rows.collect::<String>());
    std::fs::write(yard.path("light.csv"), light).unwrap();
    let shed = Site::new(&of_other_rig(&broker));
    let (yard_runs, shed_runs) = (yard.run(), shed.run());
    for site in [&yard, &shed] {
        wait_for("light", SOON, || json_of(site, &["status"])["sensors"][0]["irradiance_w_m2"].as_f64());
    }
    // Light goes to the card each 10 s while a print is out.
    let oak = expose(&yard, "oak", "900kJ/m2");
    let print = expose(&shed, "elm", "0.5kJ/m2");
    wait_for("due", SOON, || (json_of(&shed, &["status"])["frames"][0]["state"] == "due").then_some(()));
    let show = settled(&shed, &print);
    let row = Record::open(&shed.path("ledger.sqlite")).unwrap().find(&print).unwrap();
    let (begun, due) = (row.begun().unwrap(), row.due().unwrap());
    wait_for("light after it", SOON, || {
        let due_ms = due.unix_ms as f64;
        (!light_of(&yard, "sky", due_ms + 1.0, due_ms + 5000.0).is_empty()).then_some(())
    });
    ok(&shed.frameside(["bring-in", "elm"]));
    // On a machine that stands still there may be a gap; the one has it of the other.
    wait_for("the gaps of both", SOON, || {
        let here = gaps_of(&yard, &oak);
        let known = |gap: &(f64, f64)| here.iter().any(|own| own.0 < gap.1 && gap.0 < own.1);
        gaps_of(&shed, &print).iter().all(known).then_some(())
    });
    ok(&yard.frameside(["bring-in", "oak"]));
    assert_eq!(
        show["calibration"]["part"],
        serde_json::json!({ "from": "mqtt", "rig": "yard", "sensor": "sky" })
    );
    let here = fell(&yard, "sky", begun.unix_ms as f64, due.unix_ms as f64);
    let there = due.dose.best.j_m2();
    assert!((there / here - 1.0).abs() < 1e-3, "{there} J/m² there, {here} here");

    // What nobody sends is not seen, and said so.
    let print = expose(&shed, "elm", "900kJ/m2");
    yard_runs.kill9();
    let status = wait_for("a problem", SOON, || {
        let status = json_of(&shed, &["status"]);
        status["sensors"][0]["problem"].is_string().then_some(status)
    });
    assert_eq!(status["sensors"][0]["problem"], "no readings come from it");
    let again = yard.run();
    wait_for("light", SOON, || json_of(&shed, &["status"])["sensors"][0]["problem"].is_null().then_some(()));
    // A gap is whole once a reading follows in time.
    let gap = wait_for("the gap", SOON, || json_of(&shed, &["show", &print])["gaps"].get(0).cloned());
    assert!(number(&gap, "low_j_m2") < number(&gap, "high_j_m2"), "{gap}");
    let bring_in = json_of(&shed, &["bring-in", "elm"]);
    assert!(number(&bring_in, "low_j_m2") < number(&bring_in, "high_j_m2"), "{bring_in}");
    assert!(again.terminate().success() && shed_runs.terminate().success());
}

#[test]
fn one_rig_tells_how_all_of_them_stand() {
    let Some(broker) = Broker::start() else { return };
    let yard = site(&config(&broker, "yard", &["oak"], ""));
    let (code, said) = refused(&yard.frameside(["status", "--rig", "all"]));
    assert_eq!(code, 1);
    assert!(said.contains("knows no rig; its access list may not let an unknown user see any"), "{said}");
    let shed = site(&config(&broker, "shed", &["elm", "ash"], ""));
    let availability = broker.subscribe(&["frameside/+/availability"]);
    let (yard_runs, shed_runs) = (yard.run(), shed.run());
    for _ in 0..2 {
        let _ = availability.wait_for(SOON, |message| message.payload == b"online");
    }
    let print = expose(&shed, "ash", "900kJ/m2");
    let all = wait_for("what both have kept at the broker", SOON, || {
        let all = json_of(&yard, &["status", "--rig", "all"]);
        (all[0]["frames"][1]["print"] == print && all[1]["frames"][0].is_object()).then_some(all)
    });
    assert_eq!((&all[0]["rig"], &all[1]["rig"]), (&"shed".into(), &"yard".into()), "{all}");
    assert_eq!(
        (&all[0]["frames"][1]["print"], &all[1]["frames"][0]["frame"]),
        (&print.as_str().into(), &"oak".into())
    );
    assert_eq!(json_of(&yard, &["status", "--rig", "shed"])[0]["rig"], "shed");
    // The record of the other rig, as that rig itself lists it.
    let lists = json_of(&yard, &["prints", "--rig", "all"]);
    assert_eq!(
        (&lists[0]["prints"], &lists[1]["prints"]),
        (&json_of(&shed, &["prints"]), &json!([])),
        "{lists}"
    );
    let text = ok(&yard.frameside(["prints", "--rig", "all"]));
    let own = ok(&shed.frameside(["prints"]));
    let indented: String = own.lines().map(|line| format!("  {line}\n")).collect();
    assert_eq!(
        text,
        format!("shed\n{indented}yard\n  no prints yet; 'frameside expose FRAME --target DOSE' begins one\n")
    );
    assert_eq!(json_of(&yard, &["prints", "--rig", "shed", "--unjudged"])[0]["prints"], json!([]));
    let (code, said) = refused(&yard.frameside(["prints", "--since", "may"]));
    assert!(code == 2 && said.contains("'may' is not a day"), "{said}");
    assert!(shed_runs.terminate().success());
    let text = ok(&yard.frameside(["status", "--rig", "all"]));
    assert!(text.starts_with("shed\n  not online\nyard\n  light at sky: "), "{text}");
    assert!(yard_runs.terminate().success());
}

#[test]
fn a_hook_hears_of_each_signal_and_one_that_hangs_delays_none() {
    let site = crate::yard::site(20, None);
    let config = std::fs::read_to_string(site.path("config.toml")).unwrap();
    let hook = |argv: &str| site.configure(&format!("{config}\n[signal]\nhook = {argv}\n"));
    let file = site.path("told");
    let script = r#"cat >/dev/null; echo \"$@\" >>\"$0\""#;
    hook(&format!(r#"["sh", "-c", "{script}", "{}", "printmaker"]"#, file.display()));
    let daemon = site.run();
    let print = expose(&site, "oak", "1kJ/m2");
    let told = wait_for("the call", SOON, || {
        let told = std::fs::read_to_string(&file).ok()?;
        // Two runs of it may overtake one another.
        ["begun", "due"].iter().all(|kind| told.contains(&format!("printmaker {kind} oak"))).then_some(told)
    });
    assert!(told.contains(&format!("printmaker begun oak {print} oak: print {print} is out")), "{told}");
    ok(&site.frameside(["bring-in", "oak"]));
    assert!(daemon.terminate().success());

    hook(r#"["sh", "-c", "sleep 45"]"#);
    let daemon = site.run();
    let print = expose(&site, "oak", "1kJ/m2");
    wait_for("due", SOON, || (json_of(&site, &["status"])["frames"][0]["state"] == "due").then_some(()));
    ok(&site.frameside(["bring-in", "oak"]));
    assert_within(1000.0, due_of(&settled(&site, &print)));
    assert!(daemon.terminate().success());
}
