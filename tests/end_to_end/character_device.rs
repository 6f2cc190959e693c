//! Pins on a kernel without `/dev/gpiomem`: the binary drives them through the GPIO character
//! device.

use std::time::{Duration, Instant};

use frameside_core::chips::emulated::{EmulatedAs7331, EmulatedBus};
use frameside_core::quantity::Irradiance;
use frameside_tests::{Broker, Daemon, FakePi, Site, wait_for};

use crate::lamp_box::{guard, signal};
use crate::yard::{SOON, expose, json_of, ok, wait_for_frame};

const AS7331: u8 = 0x74;
const BUZZER: u8 = 18;
const BUTTON: u8 = 23;
const LIGHT: u8 = 24;
const RELAY: u8 = 25;

/// A Pi without pins yet, its sensor in steady light.
fn pi() -> FakePi {
    let mut bus = EmulatedBus::default();
    bus.attach(AS7331, EmulatedAs7331::new(Box::new(|_| Irradiance::from_w_m2(40.0))));
    FakePi::without_pins(bus)
}

/// A frame with a button and a light, and what else the config has.
fn site(pi: &FakePi, config: &str) -> Site {
    let site = Site::new(&format!(
        "[rig]\nname = \"yard\"\ntimezone = \"UTC\"\n\
         [[sensor]]\nname = \"sky\"\nchip = \"as7331\"\n\
         [[frame]]\nname = \"oak\"\nsensor = \"sky\"\nbutton = {BUTTON}\nled = {LIGHT}\n{config}"
    ));
    site.with_environment(pi.environment())
}

fn with_buzzer(kind: &str) -> String {
    format!("[buzzer]\nkind = \"{kind}\"\npin = {BUZZER}\n")
}

fn with_relay(keys: &str) -> String {
    format!("[[source]]\nname = \"box\"\nkind = \"lamp\"\nrelay = {RELAY}\nmin_off = \"1s\"\n{keys}")
}

/// Starts the daemon and waits until it sees light.
fn run(site: &Site) -> Daemon {
    let daemon = site.run();
    wait_for("light", SOON, || json_of(site, &["status"])["sensors"][0]["irradiance_w_m2"].as_f64());
    daemon
}

#[track_caller]
fn wait_for_level(pi: &FakePi, pin: u8, high: bool) {
    let what = format!("pin {pin} to be {}", if high { "high" } else { "low" });
    wait_for(&what, SOON, || (pi.is_high(pin) == high).then_some(()));
}

fn press(pi: &FakePi) {
    wait_for("somebody to listen to the button", SOON, || pi.press(BUTTON).then_some(()));
}

#[track_caller]
fn wait_for_release(pi: &FakePi, pins: &[u8]) {
    wait_for("the lines to be released", SOON, || {
        pins.iter().all(|&pin| pi.line(pin).is_none()).then_some(())
    });
}

#[test]
fn a_call_sounds_and_shines_until_the_button_is_pressed() {
    let pi = pi();
    pi.add_gpio_chips();
    let site = site(&pi, &with_buzzer("active"));
    let daemon = run(&site);
    let button = wait_for("the button's line", SOON, || pi.line(BUTTON));
    assert!(button.falling_edge && button.pull == Some(true) && !button.output, "{button:?}");
    assert_eq!(button.debounce_us, Some(30_000));
    let light = pi.line(LIGHT).unwrap();
    assert!(light.output && !light.active_low && light.pull == Some(false), "{light:?}");
    assert!(!pi.is_high(LIGHT) && !pi.was_switched_on(BUZZER));

    expose(&site, "oak", "120J/m2");
    wait_for_frame(&site, "oak", "oak to be due", |oak| oak["state"] == "due");
    wait_for_level(&pi, LIGHT, true);
    wait_for_level(&pi, BUZZER, true);
    press(&pi);
    wait_for_frame(&site, "oak", "the hush", |oak| oak["waiting"] == false);
    wait_for_level(&pi, BUZZER, false);

    assert!(daemon.terminate().success());
    wait_for_release(&pi, &[BUZZER, BUTTON, LIGHT]);
    assert!(pi.left_on().is_empty());
    assert!(!pi.is_high(LIGHT));
}

#[test]
fn a_passive_buzzer_is_given_a_tone() {
    let pi = pi();
    pi.add_gpio_chips();
    let beep = json_of(&site(&pi, &with_buzzer("passive")), &["check", "--rig"])["rig"]["buzzer"].clone();
    assert_eq!(beep, "beeped once");
    let edges = pi.levels().changes(BUZZER).len();
    // 150 ms at 1 kHz have 300 edges; on a busy machine fewer.
    assert!((20..=302).contains(&edges), "{edges} edges");
    wait_for_release(&pi, &[BUZZER]);
    assert!(pi.left_on().is_empty() && !pi.is_high(BUZZER));
}

#[test]
fn a_lamp_goes_off_however_its_daemon_ends() {
    for keys in ["", "relay_active = \"low\"\n"] {
        let pi = pi();
        pi.add_gpio_chips();
        let (site, on) = (site(&pi, &with_relay(keys)), keys.is_empty());
        let daemon = run(&site);
        let relay = wait_for("the relay's line", SOON, || pi.line(RELAY));
        assert_eq!((relay.output, relay.active_low, relay.pull), (true, !on, Some(!on)));
        wait_for_level(&pi, RELAY, !on);
        ok(&site.frameside(["expose", "oak", "--target", "900kJ/m2", "--source", "box"]));
        wait_for_level(&pi, RELAY, on);
        assert!(daemon.terminate().success());
        wait_for_level(&pi, RELAY, !on);

        let daemon = run(&site);
        ok(&site.frameside(["uncover", "oak"]));
        wait_for_level(&pi, RELAY, on);
        daemon.kill9();
        wait_for_level(&pi, RELAY, !on);
        wait_for_release(&pi, &[RELAY]);
        assert!(pi.left_on().is_empty(), "the guard switches it off before it ends");
        ok(&site.frameside(["pins-off"]));
        wait_for_release(&pi, &[RELAY]);
        assert_eq!(pi.is_high(RELAY), !on);
    }
}

/// The pin belongs to the guard that hangs until that is killed.
#[test]
fn a_guard_that_hangs_is_killed_and_the_next_one_has_its_line() {
    let pi = pi();
    pi.add_gpio_chips();
    let site = site(&pi, &with_relay(""));
    let daemon = run(&site);
    ok(&site.frameside(["expose", "oak", "--target", "900kJ/m2", "--source", "box"]));
    for _ in 0..3 {
        wait_for_level(&pi, RELAY, true);
        let held = guard(&daemon);
        let stopped = Instant::now();
        signal("STOP", held);
        wait_for_level(&pi, RELAY, false);
        assert!(stopped.elapsed() <= Duration::from_secs(4), "off after {:?}", stopped.elapsed());
        wait_for("the daemon to know", SOON, || {
            (json_of(&site, &["status"])["lamps"][0]["on"] == false).then_some(())
        });
        assert_ne!(guard(&daemon), held);
        ok(&site.frameside(["uncover", "oak"]));
    }
}

#[test]
fn a_relay_whose_pin_appears_later_is_taken_up() {
    let pi = pi();
    let site = site(&pi, &with_relay(""));
    let _daemon = run(&site);
    ok(&site.frameside(["expose", "oak", "--target", "900kJ/m2", "--source", "box"]));
    let lamp = || json_of(&site, &["status"])["lamps"][0].clone();
    let cut = wait_for("the reason", SOON, || Some(lamp()).filter(|lamp| lamp["cut"] == "no-relay"));
    assert!(cut["why"].as_str().unwrap().contains("no pins"), "{cut}");
    pi.add_gpio_chips();
    wait_for("the relay's line", SOON, || pi.line(RELAY));
    wait_for("the reason to go", SOON, || (lamp()["why"] == "its relay cannot be switched").then_some(()));
    assert!(!pi.is_high(RELAY), "it lights nothing by itself");
    ok(&site.frameside(["uncover", "oak"]));
    wait_for_level(&pi, RELAY, true);
}

#[test]
fn pins_that_appear_later_are_taken_up() {
    let Some(broker) = Broker::start() else { return };
    let pi = pi();
    let mqtt = format!("[mqtt]\nbroker = \"127.0.0.1\"\nport = {}\n", broker.port());
    let site = site(&pi, &(with_buzzer("active") + &mqtt));
    let published = broker.subscribe(&["frameside/yard/troubles"]);
    let _daemon = run(&site);
    let troubles = || json_of(&site, &["status"])["troubles"].to_string();
    let said = troubles();
    assert!(said.contains("no buzzer, lights or buttons: this machine has no pins"), "{said}");
    let _ = published.wait_for(SOON, |message| message.text().contains("no buzzer, lights or buttons: this"));
    expose(&site, "oak", "120J/m2");
    wait_for_frame(&site, "oak", "oak to be due", |oak| oak["state"] == "due");
    pi.add_gpio_chips();
    wait_for("the trouble to end", SOON, || (troubles() == "null").then_some(()));
    let _ = published.wait_for(SOON, |message| message.text() == "[]");
    // It still calls, and so its light is on at once.
    wait_for_level(&pi, LIGHT, true);
    press(&pi);
    wait_for_frame(&site, "oak", "the hush", |oak| oak["waiting"] == false);
    ok(&site.frameside(["bring-in", "oak"]));
    expose(&site, "oak", "120J/m2");
    wait_for_level(&pi, BUZZER, true);
}
