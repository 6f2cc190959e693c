//! A lamp box with a relay: the binary, unchanged, at the pins of a fake Pi, under a lamp
//! that burns while its pin is high. However the daemon ends, the lamp goes off.

#![expect(clippy::print_stdout, reason = "tests print what they measured")]

use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use frameside::ledger::{EventRow, Record};
use frameside_core::chips::emulated::{EmulatedAs7331, EmulatedBus, Trouble};
use frameside_core::exposure::EventKind;
use frameside_core::quantity::Irradiance;
use frameside_tests::{Broker, Chance, Daemon, FakePi, Publish, Site, wait_for};
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};

use crate::yard::{SOON, assert_within, due_of, frame, json_of, number, ok, wait_for_frame};

const AS7331: u8 = 0x74;
const RELAY: u8 = 25;
const BUTTON: u8 = 23;
const LAMP_W_M2: f64 = 40.0;

/// A box whose lamp burns while its pin is at the level that closes the relay, with two
/// frames in it.
struct LampBox {
    pi: FakePi,
    site: Site,
    active_high: bool,
    /// Whether the tube is whole.
    is_whole: Arc<AtomicBool>,
}

impl LampBox {
    fn new(keys: &str) -> Self {
        let pi = FakePi::new(EmulatedBus::default());
        let (levels, active_high) = (pi.levels(), !keys.contains("low"));
        let is_whole = Arc::new(AtomicBool::new(true));
        let burns = Arc::clone(&is_whole);
        let light = move |at| {
            let is_on = levels.was_high(RELAY, at) == active_high && !levels.changes(RELAY).is_empty();
            Irradiance::from_w_m2(if is_on && burns.load(Ordering::Relaxed) { LAMP_W_M2 } else { 0.0 })
        };
        pi.rewire(|bus| bus.attach(AS7331, EmulatedAs7331::new(Box::new(light))));
        let site = Site::new(&format!(
            "[rig]\nname = \"shed\"\ntimezone = \"UTC\"\n\
             [[sensor]]\nname = \"bed\"\nchip = \"as7331\"\nperiod = \"1s\"\n\
             [[frame]]\nname = \"oak\"\nsensor = \"bed\"\nbutton = {BUTTON}\n\
             [[frame]]\nname = \"elm\"\nsensor = \"bed\"\n\
             [[source]]\nname = \"box\"\nkind = \"lamp\"\nrelay = {RELAY}\nmin_off = \"1s\"\n{keys}"
        ));
        let site = site.with_environment(pi.environment());
        Self { pi, site, active_high, is_whole }
    }

    fn is_on(&self) -> bool {
        self.pi.is_driven(RELAY) && self.pi.is_high(RELAY) == self.active_high
    }

    #[track_caller]
    fn is_left_off(&self) {
        assert!(!self.is_on() && self.pi.is_driven(RELAY), "the relay is to be driven off and left so");
    }

    /// Starts the daemon and waits until it sees.
    fn run(&self) -> Daemon {
        let daemon = self.site.run();
        wait_for("light", SOON, || self.status()["sensors"][0]["irradiance_w_m2"].as_f64());
        daemon
    }

    fn status(&self) -> Value {
        json_of(&self.site, &["status"])
    }

    /// What the record has of a print.
    fn events(&self, print: &str) -> Vec<EventRow> {
        Record::open(&self.site.path("ledger.sqlite")).unwrap().find(print).unwrap().events
    }

    fn lamp(&self) -> Value {
        self.status()["lamps"][0].clone()
    }

    #[track_caller]
    fn wait_for_lamp(&self, on: bool) {
        wait_for(if on { "the lamp" } else { "the dark" }, SOON, || (self.is_on() == on).then_some(()));
    }

    /// Begins a print under the lamp; gives its name.
    #[track_caller]
    fn expose(&self, frame: &str, target: &str) -> String {
        let printed = ok(&self.site.frameside(["expose", frame, "--target", target, "--source", "box"]));
        printed.lines().next().unwrap().to_owned()
    }

    /// A print far from its dose, under a lamp that is seen to burn.
    #[track_caller]
    fn burn(&self) -> String {
        let print = self.expose("oak", "900kJ/m2");
        self.wait_for_lamp(true);
        wait_for_frame(&self.site, "oak", "light on oak", |oak| number(oak, "dose_j_m2") > 1.0);
        print
    }

    #[track_caller]
    fn at(&self, verb: &str, frame: &str) -> String {
        ok(&self.site.frameside([verb, frame]))
    }

    #[track_caller]
    fn wait_for_cut(&self, cut: &str) {
        wait_for(&format!("the lamp to be cut: {cut}"), SOON, || {
            Some(self.lamp()).filter(|lamp| lamp["state"] == "cut" && lamp["cut"] == cut)
        });
        self.wait_for_lamp(false);
        self.is_left_off();
    }

    fn wait_for_sensor(&self) {
        wait_for("the sensor to be back", SOON, || {
            self.status()["sensors"][0]["problem"].is_null().then_some(())
        });
    }

    /// A person uncovers the frame, and the lamp goes on.
    #[track_caller]
    fn goes_on_when_asked(&self) {
        self.at("uncover", "oak");
        self.wait_for_lamp(true);
    }
}

pub(crate) fn signal(name: &str, pid: u32) {
    // The shell's own kill: a bare Debian has no other.
    let sent = Command::new("sh").args(["-c", &format!("kill -{name} {pid}")]).status().unwrap();
    assert!(sent.success());
}

/// The guards of a daemon that live: the one that holds the pin, then the spare one.
fn guards(daemon: &Daemon) -> Vec<u32> {
    let path = format!("/proc/{0}/task/{0}/children", daemon.pid());
    let children = std::fs::read_to_string(path).unwrap();
    let lives = |pid: &u32| {
        let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap_or_default();
        stat.rsplit_once(") ").is_some_and(|(_, rest)| !rest.starts_with(['Z', 'X']))
    };
    children.split_whitespace().map(|pid| pid.parse().unwrap()).filter(lives).collect()
}

/// The guard that holds the pin, once there is a spare one beside it.
#[track_caller]
pub(crate) fn guard(daemon: &Daemon) -> u32 {
    wait_for("a guard and its spare", SOON, || {
        let guards = guards(daemon);
        (guards.len() == 2).then(|| guards[0])
    })
}

/// The name of a process, as `ps` shows it.
fn name(pid: u32) -> String {
    std::fs::read_to_string(format!("/proc/{pid}/comm")).unwrap().trim().to_owned()
}

fn kinds(print: &Value) -> Vec<&str> {
    print["events"].as_array().unwrap().iter().map(|event| event["kind"].as_str().unwrap()).collect()
}

#[test]
fn a_print_ends_at_its_dose_and_gets_no_more() {
    let lamp = LampBox::new("");
    let daemon = lamp.run();
    lamp.is_left_off();
    let print = lamp.expose("oak", "400J/m2");
    lamp.wait_for_lamp(true);
    wait_for_frame(&lamp.site, "oak", "oak to be due", |oak| oak["state"] == "due");
    lamp.wait_for_lamp(false);
    // Nothing is lost by coming late.
    std::thread::sleep(Duration::from_secs(2));
    lamp.at("bring-in", "oak");
    // A stop writes down what the last reading has settled.
    assert!(daemon.terminate().success());
    let shown = json_of(&lamp.site, &["show", &print]);
    // Where the machine stands still it is nearly due and due at once.
    let kinds: Vec<&str> = kinds(&shown).into_iter().filter(|kind| *kind != "nearly").collect();
    assert_eq!(kinds, ["begun", "lamp-on", "due", "lamp-off", "brought-in"]);
    assert_within(400.0, due_of(&shown));
    let pin: Vec<bool> = lamp.pi.levels().changes(RELAY).iter().map(|change| change.1).collect();
    assert_eq!(pin, [false, true, false]);
    let events = lamp.events(&print);
    let [.., off, brought_in] = &events[..] else { panic!("{events:?}") };
    let (late, burnt) = (
        brought_in.dose.best.j_m2() - off.dose.best.j_m2(),
        LAMP_W_M2 * (brought_in.unix_ms - off.unix_ms) as f64 / 1000.0,
    );
    assert!(-0.1 < late && late < 0.5 * burnt, "{late} J/m² after the lamp went off, on it would be {burnt}");
}

#[test]
fn a_cover_and_a_bring_in_switch_it_off_and_it_keeps_its_time_off() {
    let lamp = LampBox::new("");
    let _daemon = lamp.run();
    let print = lamp.burn();
    lamp.at("cover", "oak");
    lamp.wait_for_lamp(false);
    wait_for("the guard to confirm it", SOON, || (lamp.lamp()["state"] == "off").then_some(()));
    lamp.goes_on_when_asked();
    lamp.at("bring-in", "oak");
    lamp.wait_for_lamp(false);
    lamp.is_left_off();
    let pin: Vec<bool> = lamp.pi.levels().changes(RELAY).iter().map(|change| change.1).collect();
    assert_eq!(pin, [false, true, false, true, false]);
    // As the daemon has it: the pins follow, on a busy machine a little later.
    let events = lamp.events(&print);
    let off = events.iter().position(|event| matches!(event.kind, EventKind::LampOff { .. })).unwrap();
    let on = events[off..].iter().find(|event| event.kind == EventKind::LampOn).unwrap();
    let off_ms = on.unix_ms - events[off].unix_ms;
    assert!(off_ms >= 999, "on again after {off_ms} ms");
}

#[test]
fn the_lamp_burns_for_the_last_of_its_frames_and_the_first_is_told_so() {
    let lamp = LampBox::new("");
    let daemon = lamp.run();
    lamp.expose("elm", "400J/m2");
    lamp.expose("oak", "60J/m2");
    wait_for_frame(&lamp.site, "oak", "oak to be due", |oak| oak["state"] == "due");
    assert!(lamp.is_on());
    wait_for("the call", SOON, || {
        daemon.stderr().contains("and lamp box stays on for elm. Cover it or bring it in now.").then_some(())
    });
    lamp.at("cover", "oak");
    assert!(lamp.is_on());
    wait_for_frame(&lamp.site, "elm", "elm to be due", |elm| elm["state"] == "due");
    lamp.wait_for_lamp(false);
    assert!(
        daemon.stderr().contains("elm is due at 0.40 kJ/m², and lamp box is off."),
        "{}",
        daemon.stderr()
    );
}

#[test]
fn a_lost_sensor_cuts_it_until_somebody_comes() {
    let lamp = LampBox::new("");
    let daemon = lamp.run();
    let print = lamp.burn();
    lamp.pi.strike(AS7331, Trouble::NoAcknowledge { times: u32::MAX });
    lamp.wait_for_cut("sensor-lost");
    let said = "so lamp box is off";
    wait_for("the call", SOON, || daemon.stderr().contains(said).then_some(()));
    lamp.pi.strike(AS7331, Trouble::NoAcknowledge { times: 0 });
    lamp.wait_for_sensor();
    std::thread::sleep(Duration::from_secs(2));
    lamp.is_left_off();
    lamp.goes_on_when_asked();
    let shown = json_of(&lamp.site, &["show", &print]);
    assert!(kinds(&shown).ends_with(&["lamp-off", "lamp-on"]), "{shown}");
    assert_eq!(shown["events"].as_array().unwrap().iter().filter(|e| e["cut"] == "sensor-lost").count(), 1);
}

#[test]
fn a_light_that_goes_out_and_the_longest_time_on_cut_it() {
    let lamp = LampBox::new("max_on = \"20s\"\n");
    let daemon = lamp.run();
    lamp.burn();
    // The tube fails: the chip sees nothing, and is well.
    lamp.is_whole.store(false, Ordering::Relaxed);
    lamp.wait_for_cut("went-out");
    assert!(
        daemon.stderr().contains("Look at the lamp and at the sensor, then go on"),
        "{}",
        daemon.stderr()
    );
    lamp.is_whole.store(true, Ordering::Relaxed);
    lamp.goes_on_when_asked();
    lamp.wait_for_cut("too-long");
    assert!(daemon.stderr().contains("it was on for 20 s, as long as max_on lets it"), "{}", daemon.stderr());
    let frame = frame(&lamp.site, "oak");
    assert_eq!((&frame["state"], &frame["lamp"]), (&"exposing".into(), &"cut".into()));
}

/// Real time, a real broker, and the clock of this machine.
#[test]
fn a_command_that_was_long_on_its_way_lights_no_lamp() {
    let Some(broker) = Broker::start() else { return };
    let lamp = LampBox::new(&format!("[mqtt]\nbroker = \"127.0.0.1\"\nport = {}\n", broker.port()));
    let replies = broker.subscribe(&["frameside/shed/reply", "frameside/shed/availability"]);
    let _daemon = lamp.run();
    let _ = replies.wait_for(SOON, |message| message.topic.ends_with("availability"));
    let send = |topic: &str, command: Value| {
        broker.publish(&Publish::new(format!("frameside/shed/{topic}"), command.to_string()));
        replies.wait_for(SOON, |message| message.topic.ends_with("reply")).json()
    };
    let ago = |seconds| (Timestamp::now() - SignedDuration::from_secs(seconds)).to_string();
    let expose = json!({"do": "expose", "frame": "oak", "target": "400J/m2", "source": "box"});
    let with = |command: &Value, issued_at: Option<String>| {
        let mut command = command.clone();
        command["issued_at"] = issued_at.into();
        command
    };
    let is_refused = |answer: &Value, why: &str| {
        assert!(answer["ok"] == false && answer["error"].as_str().unwrap().contains(why), "{answer}");
        assert!(!lamp.is_on(), "lit by what was refused");
    };
    is_refused(&send("command", with(&expose, None)), "needs \"issued_at\"");
    is_refused(&send("command", with(&expose, Some(ago(7200)))), "issued 7200 s ago");
    is_refused(&send("command", with(&expose, Some(ago(-60)))), "ahead of the rig's clock");
    assert_eq!(send("command", with(&expose, Some(ago(0))))["ok"], true);
    lamp.wait_for_lamp(true);
    wait_for_frame(&lamp.site, "oak", "oak to be due", |oak| oak["state"] == "due");
    lamp.wait_for_lamp(false);
    // A new target of a due print that lies in the box yet.
    broker.publish(&Publish::new("frameside/shed/frame/oak/target/set", "1"));
    let bare = replies.wait_for(SOON, |message| message.topic.ends_with("reply")).json();
    is_refused(&bare, "a target is an object");
    let target = json!({"value": 1, "issued_at": ago(0)});
    let answer = send("frame/oak/target/set", target);
    assert_eq!((&answer["ok"], &answer["lamp"]), (&json!(true), &json!("cut")), "{answer}");
    let uncover = json!({"do": "uncover"});
    is_refused(&send("frame/oak/command", with(&uncover, Some(ago(7200)))), "issued 7200 s ago");
    std::thread::sleep(Duration::from_secs(2));
    lamp.is_left_off();
    // Its call is silenced, and lights nothing.
    lamp.at("hush", "oak");
    wait_for_frame(&lamp.site, "oak", "the call to be hushed", |oak| oak["waiting"] == false);
    lamp.is_left_off();
    assert_eq!(send("frame/oak/command", with(&uncover, Some(ago(0))))["ok"], true);
    lamp.wait_for_lamp(true);
}

#[test]
fn a_stop_switches_it_off_and_a_start_does_not_switch_it_on() {
    for keys in ["", "relay_active = \"low\"\n"] {
        let lamp = LampBox::new(keys);
        let daemon = lamp.run();
        lamp.burn();
        assert!(daemon.terminate().success());
        lamp.is_left_off();
        let prints = json_of(&lamp.site, &["prints"]);
        let shown = json_of(&lamp.site, &["show", prints[0]["print"].as_str().unwrap()]);
        let dose = number(shown["events"].as_array().unwrap().last().unwrap(), "dose_j_m2");
        let daemon = lamp.run();
        lamp.wait_for_cut("restarted");
        std::thread::sleep(Duration::from_secs(3));
        lamp.is_left_off();
        assert!(
            daemon.stderr().contains("Lamp box is off: Frameside was started anew."),
            "{}",
            daemon.stderr()
        );
        // In the meantime the lamp was off, and so nothing fell.
        let now = number(&frame(&lamp.site, "oak"), "dose_j_m2");
        assert!((now - dose).abs() < 0.5 * LAMP_W_M2, "{dose} J/m² before the stop, {now} after it");
        // Whoever presses the button of the frame is there; the first press ends the call.
        assert!(lamp.pi.press(BUTTON));
        wait_for_frame(&lamp.site, "oak", "the call to be hushed", |oak| oak["waiting"] == false);
        assert_eq!(lamp.lamp()["state"], "cut");
        assert!(lamp.pi.press(BUTTON));
        lamp.wait_for_lamp(true);
        assert!(lamp.pi.press(BUTTON));
        wait_for_frame(&lamp.site, "oak", "a cover on oak", |oak| oak["state"] == "covered");
        lamp.wait_for_lamp(false);
    }
}

/// 20 kills in an ordinary run, `FRAMESIDE_KILLS` for another number.
#[test]
fn however_the_daemon_is_killed_its_lamp_goes_off() {
    let kills = std::env::var("FRAMESIDE_KILLS").map_or(20, |kills| kills.parse().unwrap());
    let lamp = LampBox::new("");
    let (mut chance, mut longest) = (Chance::new(25), Duration::ZERO);
    for kill in 0..kills {
        let daemon = lamp.run();
        if kill == 0 {
            lamp.burn();
        } else {
            lamp.at("uncover", "oak");
        }
        // Before it is on, as it goes on, while it burns.
        std::thread::sleep(Duration::from_micros(chance.below(2_500_000)));
        let killed = Instant::now();
        daemon.kill9();
        lamp.wait_for_lamp(false);
        longest = longest.max(killed.elapsed());
        std::thread::sleep(Duration::from_millis(20));
        lamp.is_left_off();
    }
    let ons = lamp.pi.levels().changes(RELAY).iter().filter(|change| change.1).count();
    assert!(2 * ons >= kills, "it burned {ons} times only");
    println!("{kills} kills, {ons} with the lamp on: off within {longest:?}");
}

#[test]
fn a_daemon_that_stands_still_loses_its_lamp() {
    let lamp = LampBox::new("");
    let daemon = lamp.run();
    lamp.burn();
    let stopped = Instant::now();
    signal("STOP", daemon.pid());
    lamp.wait_for_lamp(false);
    println!("off {:?} after SIGSTOP", stopped.elapsed());
    signal("CONT", daemon.pid());
    // It finds its sensor silent or its relay let go, whichever it looks at first.
    wait_for("the lamp to be cut", SOON, || Some(lamp.lamp()).filter(|lamp| lamp["state"] == "cut"));
    lamp.is_left_off();
    lamp.wait_for_sensor();
    lamp.goes_on_when_asked();
}

#[test]
fn a_guard_that_is_killed_or_stands_still_is_replaced_and_the_lamp_is_off() {
    let lamp = LampBox::new("");
    let daemon = lamp.run();
    for how in ["KILL", "STOP", "TERM", "ABRT", "HUP"] {
        if how != "KILL" {
            lamp.at("bring-in", "oak");
        }
        lamp.burn();
        let held = guard(&daemon);
        signal(how, held);
        lamp.wait_for_cut("no-relay");
        assert_ne!(guard(&daemon), held);
        lamp.goes_on_when_asked();
    }
}

/// 10 trials in an ordinary run, `FRAMESIDE_HANGS` for another number.
#[test]
fn a_guard_that_hangs_costs_the_lamp_its_light_within_4_s() {
    let trials = std::env::var("FRAMESIDE_HANGS").map_or(10, |trials| trials.parse().unwrap());
    let lamp = LampBox::new("");
    let daemon = lamp.run();
    let (mut chance, mut longest) = (Chance::new(4), Duration::ZERO);
    for trial in 0..trials {
        if trial == 0 {
            lamp.burn();
        } else {
            lamp.at("uncover", "oak");
            lamp.wait_for_lamp(true);
        }
        let held = guard(&daemon);
        std::thread::sleep(Duration::from_micros(chance.below(1_000_000)));
        let stopped = Instant::now();
        signal("STOP", held);
        // Whether it is to go on burning or to go off.
        if trial % 3 == 2 {
            lamp.at("cover", "oak");
        }
        lamp.wait_for_lamp(false);
        longest = longest.max(stopped.elapsed());
        assert!(longest <= Duration::from_secs(4), "trial {trial}: off after {longest:?}");
        wait_for("the daemon to know", SOON, || (lamp.lamp()["on"] == false).then_some(()));
        lamp.is_left_off();
    }
    println!("{trials} hung guards: the lamp was off within {longest:?}");
}

#[test]
fn a_lamp_is_said_to_be_going_off_until_its_guard_has_confirmed_it() {
    let lamp = LampBox::new("");
    let daemon = lamp.run();
    lamp.burn();
    let held = guard(&daemon);
    signal("STOP", held);
    let answer = json_of(&lamp.site, &["cover", "oak"]);
    assert_eq!((&answer["lamp"], lamp.is_on()), (&"going-off".into(), true), "{answer}");
    assert!(answer["steps"][0].as_str().unwrap().starts_with("lamp box is going off"), "{answer}");
    let status = lamp.lamp();
    assert_eq!((&status["state"], &status["on"]), (&"going-off".into(), &true.into()), "{status}");
    let off = wait_for("the lamp to be known to be off", SOON, || {
        Some(lamp.lamp()).filter(|lamp| lamp["state"] == "off")
    });
    assert_eq!(off["on"], false);
    lamp.is_left_off();
}

/// The daemon has every descriptor in use that it may have when its guard is killed.
#[test]
fn a_guard_is_replaced_also_for_want_of_file_descriptors() {
    let lamp = LampBox::new("");
    let daemon = lamp.run();
    lamp.burn();
    let held = guard(&daemon);
    let limit = |most: &str| {
        let pid = daemon.pid().to_string();
        let set = Command::new("prlimit").args(["--pid", &pid, &format!("--nofile={most}:")]).status();
        assert!(set.unwrap().success());
    };
    limit("3");
    signal("KILL", held);
    lamp.wait_for_lamp(false);
    lamp.is_left_off();
    limit("1024");
    lamp.wait_for_cut("no-relay");
    assert_ne!(guard(&daemon), held);
    lamp.goes_on_when_asked();
}

#[test]
fn guards_go_by_their_own_name() {
    let lamp = LampBox::new("");
    let daemon = lamp.run();
    let _ = guard(&daemon);
    assert_eq!(name(daemon.pid()), "frameside");
    for pid in guards(&daemon) {
        // It names itself as it starts.
        wait_for("its name", SOON, || (name(pid) == "frameside-guard").then_some(()));
    }
}

#[test]
fn a_check_beside_a_running_daemon_leaves_its_lamp_on() {
    let lamp = LampBox::new("[buzzer]\nkind = \"active\"\npin = 18\n");
    let daemon = lamp.run();
    lamp.burn();
    let before = lamp.pi.levels().changes(RELAY).len();
    let said = lamp.site.frameside(["check", "--rig"]);
    let said = String::from_utf8(said.stdout).unwrap();
    assert!(said.contains("relay on pin 25: held by the running daemon, and left alone"), "{said}");
    assert!(said.contains("buzzer: held by the running daemon, and left alone"), "{said}");
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(lamp.pi.levels().changes(RELAY).len(), before, "the pin was switched");
    assert!(lamp.is_on());
    assert!(daemon.terminate().success());
}

#[test]
fn an_off_that_its_guard_does_not_hear_is_not_taken_as_done() {
    let lamp = LampBox::new("");
    let daemon = lamp.run();
    lamp.burn();
    let held = guard(&daemon);
    signal("STOP", held);
    lamp.at("cover", "oak");
    // Another guard drives the pin off.
    lamp.wait_for_lamp(false);
    lamp.is_left_off();
    assert_ne!(guard(&daemon), held);
}

/// When all of the service's processes are killed at once, what its unit runs afterwards
/// is left.
#[test]
fn after_a_kill_of_everything_the_pins_are_driven_off_by_the_unit() {
    let lamp = LampBox::new("");
    let daemon = lamp.run();
    lamp.burn();
    let pids: Vec<String> =
        guards(&daemon).into_iter().chain([daemon.pid()]).map(|pid| pid.to_string()).collect();
    let sent = Command::new("sh").args(["-c", &format!("kill -KILL {}", pids.join(" "))]).status().unwrap();
    assert!(sent.success());
    std::thread::sleep(Duration::from_millis(200));
    assert!(lamp.is_on(), "without anybody left the pin stays as it was");
    assert_eq!(ok(&lamp.site.frameside(["pins-off"])), format!("off: {RELAY}\n"));
    lamp.wait_for_lamp(false);
    lamp.is_left_off();
}

/// The pins of a service are driven off even if its config has become another meanwhile.
#[test]
fn the_pins_that_were_switched_are_driven_off_whatever_the_config_says_now() {
    let mut lamp = LampBox::new("");
    let runtime = lamp.site.path("runtime");
    std::fs::create_dir(&runtime).unwrap();
    lamp.site.set_variable("RUNTIME_DIRECTORY", runtime);
    let config = std::fs::read_to_string(lamp.site.path("config.toml")).unwrap();
    let moved = config.replace(&format!("relay = {RELAY}"), "relay = 24");
    assert_ne!(config, moved);
    for (now, code) in [(moved, 0), ("[rig\n".to_owned(), 78)] {
        std::fs::write(lamp.site.path("config.toml"), &config).unwrap();
        let daemon = lamp.run();
        // What lay there when all was killed.
        drop(lamp.site.frameside(["bring-in", "oak"]));
        lamp.burn();
        let all = guards(&daemon).into_iter().chain([daemon.pid()]);
        all.for_each(|pid| signal("KILL", pid));
        std::fs::write(lamp.site.path("config.toml"), &now).unwrap();
        let done = lamp.site.frameside(["pins-off"]);
        lamp.wait_for_lamp(false);
        lamp.is_left_off();
        // A config that is wrong is still told of.
        assert_eq!(done.status.code(), Some(code), "{done:?}");
    }
}

#[test]
fn a_check_drives_the_relay_off_and_tells_the_cautions() {
    let lamp = LampBox::new("");
    let said = ok(&lamp.site.frameside(["check", "--rig"]));
    assert!(said.contains("relay on pin 25: off; no lamp is switched on by a check"), "{said}");
    assert!(said.contains("software is never the only cut-off"), "{said}");
    lamp.wait_for_lamp(false);
    lamp.is_left_off();
    assert!(!lamp.pi.was_switched_on(RELAY));
    let listed = json_of(&lamp.site, &["source", "list"]);
    assert_eq!(listed["sources"][1]["relay"]["pin"], RELAY);
}
