//! The wall clock is stepped from outside while a print is out: labels follow,
//! doses do not.

use std::process::Command;

use frameside_tests::{KernelClock, Site, wait_for};
use serde_json::Value;

use crate::yard::{SOON, assert_within, due_of, expose, json_of, number, ok, settled, wait_for_frame};

/// The year and whether the label is known to be right.
fn label(show: &Value) -> (i32, bool) {
    (show["begun"].as_str().unwrap()[..4].parse().unwrap(), show["synchronised"].as_bool().unwrap())
}

/// One frame under a steady emulated lamp, on a rig whose wall clock the test sets.
fn site(clock: &str) -> Option<(Site, KernelClock)> {
    let mut site = Site::new(&format!(
        "[rig]\nname = \"yard\"\ntimezone = \"UTC\"\nclock = \"{clock}\"\n\
         [[sensor]]\nname = \"sky\"\nchip = \"emulated:as7331\"\nlight = \"{{dir}}/light.csv\"\n\
         [[frame]]\nname = \"oak\"\nsensor = \"sky\"\n"
    ));
    let light = "time,irradiance_w_m2\n2026-06-01T10:00:00Z,40\n2026-06-01T11:00:00Z,40\n";
    std::fs::write(site.path("light.csv"), light).unwrap();
    let clock = KernelClock::new(&mut site)?;
    Some((site, clock))
}

fn this_year() -> i32 {
    ok(&Command::new("date").args(["-u", "+%Y"]).output().unwrap()).trim().parse().unwrap()
}

/// Waits until the print is labelled so.
fn wait_for_label(site: &Site, print: &str, expected: (i32, bool)) {
    wait_for("the label", SOON, || (label(&json_of(site, &["show", print])) == expected).then_some(()));
}

#[test]
fn labels_follow_the_wall_clock_and_doses_do_not() {
    let Some((site, clock)) = site("network") else { return };
    // No clock that runs without power, no network yet.
    clock.set_wall("@1970-01-01 00:00:20");
    let daemon = site.run();
    let print = expose(&site, "oak", "800J/m2");
    assert_eq!(&print, "1970-01-01-oak-1");
    assert_eq!(label(&json_of(&site, &["show", &print])), (1970, false));
    let steps = || daemon.stderr().matches("the wall clock was set").count();
    let step_to = |shown: &str| {
        let before = steps();
        clock.set_wall(shown);
        wait_for("the step to be seen", SOON, || (steps() > before).then_some(()));
    };

    // A time that is only plausible proves nothing.
    step_to("-3h");
    assert!(!label(&json_of(&site, &["show", &print])).1);
    // The network brings the time: the label follows.
    clock.set_wall("+0d");
    clock.set_synchronised(true);
    wait_for_label(&site, &print, (this_year(), true));
    // A hand sets the clock, forwards and backwards, and the kernel takes it for unsynchronised:
    // a label that was right stays.
    clock.set_synchronised(false);
    for shown in ["+20y", "-3600s"] {
        step_to(shown);
        assert_eq!(label(&json_of(&site, &["show", &print])), (this_year(), true));
    }
    wait_for_frame(&site, "oak", "due", |oak| oak["state"] == "due");
    ok(&site.frameside(["bring-in", "oak"]));
    let show = settled(&site, &print);
    assert_within(800.0, due_of(&show));
    // A machine that stands still makes a short gap; a step that was followed makes one as long as itself.
    let mut gaps = show["gaps"].as_array().unwrap().iter();
    assert!(gaps.all(|gap| (number(gap, "to_s") - number(gap, "from_s")).abs() < 600.0), "{show}");
    assert!(daemon.terminate().success());
}

/// The kernel takes the clock for synchronised, and it shows a time fifty years on.
#[test]
fn a_label_that_was_wrong_and_synchronised_follows_too() {
    let Some((site, clock)) = site("network") else { return };
    clock.set_synchronised(true);
    clock.set_wall("+18263d");
    let daemon = site.run();
    let print = expose(&site, "oak", "90kJ/m2");
    assert_eq!(label(&json_of(&site, &["show", &print])), (this_year() + 50, true));
    clock.set_wall("+0d");
    wait_for_label(&site, &print, (this_year(), true));
    assert!(daemon.terminate().success());
}

#[test]
fn a_battery_clock_is_right_if_the_config_vouches_for_it_and_its_battery_is_full() {
    let Some((site, clock)) = site("battery") else { return };
    let said = |site: &Site| json_of(site, &["check"])["clock"].clone();
    assert_eq!(said(&site)["is_right"], true);
    clock.set_wall("@2000-01-01 00:00:20");
    assert_eq!(said(&site)["is_right"], false);
    assert!(said(&site)["text"].as_str().unwrap().contains("replace the battery"), "{}", said(&site));
    let daemon = site.run();
    let print = expose(&site, "oak", "90kJ/m2");
    assert_eq!(label(&json_of(&site, &["show", &print])), (2000, false));
    clock.set_wall("+0d");
    wait_for_label(&site, &print, (this_year(), true));
    assert!(daemon.terminate().success());
}

/// The power goes at ten and comes back three hours later, with the clock of the shutdown. The
/// kernel does not take that for right, or it does; then the time comes with the network.
#[test]
fn an_outage_has_its_true_length_once_the_clock_is_right_whatever_it_showed_before() {
    for claims_to_be_right in [false, true] {
        let Some((site, clock)) = site("network") else { return };
        clock.set_synchronised(true);
        let before = site.run();
        let print = expose(&site, "oak", "100kJ/m2");
        wait_for_frame(&site, "oak", "light", |oak| number(oak, "dose_j_m2") > 40.0);
        assert!(before.terminate().success());

        clock.boot("boot-2");
        clock.set_synchronised(claims_to_be_right);
        let after = site.run();
        let expected = if claims_to_be_right { Value::Null } else { "length-to-come".into() };
        let oak = wait_for_frame(&site, "oak", "the outage", |oak| oak["lacks"] == expected);
        assert!(oak["state"] == "exposing" && number(&oak, "dose_j_m2") < 50_000.0, "{oak}");

        clock.set_wall("+3h");
        clock.set_synchronised(true);
        let oak = wait_for_frame(&site, "oak", "the call", |oak| oak["state"] == "due");
        // 40 W/m² for three hours and some seconds.
        let fell = 432_000.0;
        assert!(number(&oak, "low_j_m2") < fell && number(&oak, "high_j_m2") > 0.99 * fell, "{oak}");
        assert!((number(&oak, "dose_j_m2") / fell - 1.0).abs() < 0.05 && oak["lacks"].is_null(), "{oak}");
        let told = after.stderr();
        let corrected = told.contains("The clock was wrong and is right now");
        assert_eq!(corrected, claims_to_be_right, "{told}");
        assert!(told.contains("oak is due"), "{print}: {told}");
        assert!(after.terminate().success());
    }
}
