//! The real daemon as a process, from `expose` to the record, with a real Mosquitto and
//! its clients; killed and left without a broker in the middle.

use std::collections::BTreeSet;
use std::path::Path;

use frameside::ledger::Record;
use frameside_tests::{Broker, Message, Publish, Site, Subscriber, wait_for};
use serde_json::{Value, json};

use crate::yard::{
    self, SOON, all_until, assert_within, due_of, expose, frame, json_of, number, ok, refused, says, settled,
    site, wait_for_frame,
};

const AVAILABILITY: &str = "frameside/yard/availability";
const SIGNAL: &str = "frameside/yard/signal";
const REPLY: &str = "frameside/yard/reply";
const PROBLEM: &str = "frameside/yard/sensor/sky/problem";

fn is_signal(message: &Message, topic: &str, frame: &str, kind: &str) -> bool {
    message.topic == topic && message.json()["frame"] == frame && message.json()["kind"] == kind
}

/// The print's signals came on the frame's topic and on the rig's, the same ones, each once, and
/// `due` after a state that says so.
fn assert_signals(site: &Site, messages: &[Message], frame: &str, print: &str) {
    let of = |topic: &str| -> Vec<Value> {
        let on = messages.iter().filter(|message| message.topic == topic).map(Message::json);
        on.filter(|signal| signal["print"] == print).collect()
    };
    let of_frame = of(&format!("frameside/yard/frame/{frame}/signal"));
    assert_eq!(of_frame, of(SIGNAL), "{frame}");
    let kinds = of_frame.iter().map(|signal| signal["kind"].as_str().unwrap());
    // A machine that stands still for a moment may miss its sensor, or call again.
    let told: Vec<_> =
        kinds.filter(|kind| !["sensor-lost", "sensor-back", "overdue"].contains(kind)).collect();
    if told == ["begun", "due"] {
        wait_for("the gap that it was nearly due in", SOON, || is_due_in_a_gap(site, print).then_some(()));
    } else {
        assert_eq!(told, ["begun", "nearly", "due"], "{frame}");
    }
    for signal in &of_frame {
        assert_eq!((&signal["event_type"], &signal["rig"]), (&signal["kind"], &json!("yard")));
        assert_eq!(signal["frame"], frame);
    }
    let state = format!("frameside/yard/frame/{frame}/state");
    let due =
        messages.iter().position(|m| m.topic.ends_with("/signal") && is_signal(m, &m.topic, frame, "due"));
    let before = messages[..due.unwrap()].iter().rfind(|message| message.topic == state).unwrap().json();
    assert_eq!(
        (&before["state"], &before["waiting"]),
        (&json!("due"), &json!(true)),
        "the state comes first"
    );
}

/// Whether nobody saw the light in which a print was due.
fn is_due_in_a_gap(site: &Site, print: &str) -> bool {
    let row = Record::open(&site.path("ledger.sqlite")).unwrap().find(print).unwrap();
    let due_s = (row.due().unwrap().unix_ms - row.begun().unwrap().unix_ms) as f64 / 1000.0;
    let show = json_of(site, &["show", print]);
    let mut gaps = show["gaps"].as_array().unwrap().iter();
    gaps.any(|gap| number(gap, "from_s") - 0.01 <= due_s && due_s <= number(gap, "to_s") + 0.01)
}

#[test]
fn two_frames_are_called_and_the_record_has_them() {
    let Some(broker) = Broker::start() else { return };
    let site = site(20, Some(broker.port()));
    let all = broker.subscribe(&["frameside/yard/#"]);
    let daemon = site.run();
    let greeting = all_until(&all, |message| says(message, AVAILABILITY, "online"));
    assert!(greeting.iter().any(|m| m.topic.ends_with("oak/state")), "online comes last: {greeting:?}");

    let answer = json_of(
        &site,
        &["expose", "oak", "--target", "3kJ/m2", "--recipe", "citrate", "--negative", "boats 3"],
    );
    let oak = answer["print"].as_str().unwrap();
    let elm = &expose(&site, "elm", "1.8kJ/m2");
    let messages = all_until(&all, |m| is_signal(m, SIGNAL, "elm", "due"));
    for (frame, print, target) in [("oak", oak, 3000.0), ("elm", elm, 1800.0)] {
        // The light is the same, but elm's glass takes half of it: oak comes first.
        assert_signals(&site, &messages, frame, print);
        let due = messages.iter().find(|m| m.topic == SIGNAL && is_signal(m, SIGNAL, frame, "due")).unwrap();
        let show = settled(&site, print);
        assert_within(number(&due.json(), "dose_j_m2"), due_of(&show));
        assert_within(target, due_of(&show));
        assert_eq!(number(&due.json(), "target_j_m2"), target);
        assert!(due.json()["text"].as_str().unwrap().contains("Bring it in covered"), "{due:?}");
    }
    let irradiance = |m: &&Message| m.topic.ends_with("sensor/sky/irradiance");
    let light: Vec<f64> = messages.iter().filter(irradiance).map(|m| m.text().parse().unwrap()).collect();
    assert!(!light.is_empty() && light.iter().all(|e| (29.0..51.0).contains(e)), "{light:?}");

    // Whoever comes late hears of states and availability, and of no signal and no light.
    let kept = yard::kept(&broker);
    let topics: Vec<&str> = kept.keys().map(|topic| topic.trim_start_matches("frameside/yard/")).collect();
    assert_eq!(
        topics,
        ["availability", "frame/elm/state", "frame/oak/state", "sensor/sky/problem", "troubles"]
    );
    assert_eq!(kept[AVAILABILITY], "online");
    // A machine that stands still for a moment may miss its sensor.
    wait_for("a sensor that is well", SOON, || (yard::kept(&broker)[PROBLEM] == "OFF").then_some(()));

    ok(&site.frameside(["hush", "oak"]));
    assert_eq!(frame(&site, "oak")["waiting"], false);
    ok(&site.frameside(["bring-in", "oak"]));
    ok(&site.frameside(["bring-in", "elm"]));
    let brought_in = all.wait_for(SOON, |m| is_signal(m, SIGNAL, "oak", "brought-in")).json();
    assert_record(&site, oak, &brought_in);
    let prints = json_of(&site, &["prints"]);
    assert_eq!((&prints[0]["print"], &prints[1]["print"]), (&json!(elm), &json!(oak)), "newest first");
    let day = prints[1]["begun"].as_str().unwrap()[..10].to_owned();
    let light = json_of(&site, &["light", "--day", &day]);
    assert!(number(&light, "dose_j_m2") > 3000.0, "{light}");

    assert_eq!(daemon.terminate().code(), Some(0));
    let _ = all.wait_for(SOON, |message| says(message, AVAILABILITY, "offline"));
    let again = json_of(&site, &["prints"]);
    assert_eq!(again[1]["dose_at_due_j_m2"], prints[1]["dose_at_due_j_m2"], "read without the daemon");
}

/// What `show` tells of a print that was called and brought in.
fn assert_record(site: &Site, print: &str, brought_in: &Value) {
    let show = settled(site, print);
    assert_eq!((&show["recipe"], &show["negative"]), (&json!("citrate"), &json!("boats 3")));
    assert_within(3000.0, due_of(&show));
    assert_within(number(brought_in, "dose_j_m2"), &show);
    let dose = number(&show, "dose_j_m2");
    assert!(dose > number(&show, "dose_at_due_j_m2"), "{show}");
    assert!(number(&show, "low_j_m2") <= dose && dose <= number(&show, "high_j_m2"));
    for list in ["curve", "spans", "signals", "gaps", "notes", "judgements"] {
        assert!(show[list].is_array(), "{list} in {show}");
    }
    assert!(show.get("recipe_version").is_some() && show["calibration"].is_object());
    let curve: Vec<[f64; 3]> = serde_json::from_value(show["curve"].clone()).unwrap();
    assert!(curve.is_sorted_by(|a, b| a[0] < b[0] && a[2] <= b[2]), "{curve:?}");
    assert!((curve.last().unwrap()[2] / dose - 1.0).abs() < 0.03, "the curve ends at the dose: {curve:?}");
    for (name, begins) in [("oak.svg", &b"<svg"[..]), ("oak.png", b"\x89PNG")] {
        let file = site.path(name);
        ok(&site.frameside([Path::new("show"), print.as_ref(), "--chart".as_ref(), &file]));
        let chart = std::fs::read(file).unwrap();
        assert!(chart.starts_with(begins) && chart.len() > 5000, "{name}: {} bytes", chart.len());
    }
}

#[test]
fn a_killed_daemon_takes_its_print_up_again() {
    let Some(broker) = Broker::start() else { return };
    let site = site(20, Some(broker.port()));
    let all = broker.subscribe(&[AVAILABILITY, SIGNAL]);
    let daemon = site.run();
    let print = expose(&site, "oak", "900kJ/m2");
    wait_for_frame(&site, "oak", "some dose", |oak| number(oak, "dose_j_m2") > 900.0);
    daemon.kill9();
    let first = all_until(&all, |message| says(message, AVAILABILITY, "offline"));

    let again = site.run();
    let oak = frame(&site, "oak");
    assert_eq!((&oak["print"], &oak["state"]), (&json!(print), &json!("exposing")));
    assert_eq!(oak["target_j_m2"], 900_000.0);
    let target = number(&oak, "dose_j_m2") + 5000.0;
    ok(&site.frameside(["retarget", "oak", &format!("{target:.0}J/m2")]));
    let second = all_until(&all, |m| is_signal(m, SIGNAL, "oak", "due"));
    ok(&site.frameside(["bring-in", "oak"]));
    let third = all_until(&all, |m| is_signal(m, SIGNAL, "oak", "brought-in"));
    // What was not yet known to be delivered when it was killed may come again, as the same signal.
    let told: Vec<Value> =
        [first, second, third].iter().flatten().filter(|m| m.topic == SIGNAL).map(Message::json).collect();
    for kind in ["begun", "nearly", "due"] {
        let of_kind = told.iter().filter(|signal| signal["kind"] == kind);
        let ids: BTreeSet<&str> = of_kind.map(|signal| signal["id"].as_str().unwrap()).collect();
        assert_eq!(ids.len(), 1, "{kind} is one signal: {told:?}");
    }
    let dues = told.iter().filter(|signal| signal["kind"] == "due").count();
    assert_eq!(dues, 1, "{told:?}");
    let show = settled(&site, &print);
    let dose = ["low_j_m2", "dose_j_m2", "high_j_m2"].map(|field| number(&show, field));
    assert!(dose.is_sorted() && dose[0] < dose[2], "what nobody saw makes a range: {dose:?}");
    // The gap may have begun a little before the print; it is kept once light is seen again.
    wait_for("all that was missed in gaps", SOON, || {
        let show = json_of(&site, &["show", &print]);
        let gaps = show["gaps"].as_array().unwrap().iter();
        let missed: f64 = gaps.map(|gap| number(gap, "high_j_m2") - number(gap, "low_j_m2")).sum();
        (dose[2] - dose[0] < missed * (1.0 + 1e-9)).then_some(())
    });
    assert!(again.terminate().success());
}

/// Stops a process, or lets it go on.
fn send(signal: &str, pid: u32) {
    let sent = std::process::Command::new("sh").args(["-c", &format!("kill -{signal} {pid}")]).status();
    assert!(sent.unwrap().success());
}

#[test]
fn after_hours_without_a_broker_what_still_matters_comes() {
    let Some(mut broker) = Broker::start() else { return };
    let site = site(600, Some(broker.port()));
    let config = std::fs::read_to_string(site.path("config.toml")).unwrap();
    site.configure(&config.replace("speed = 600", "speed = 600\nperiod = \"10s\""));
    let before = broker.subscribe(&[SIGNAL]);
    let daemon = site.run();
    let [oak, elm] = ["oak", "elm"].map(|frame| expose(&site, frame, "20kJ/m2"));
    let _ = before.wait_for(SOON, |m| is_signal(m, SIGNAL, "elm", "begun"));
    broker.kill();
    drop(before);
    // Nothing else notices that the broker is gone.
    wait_for_frame(&site, "elm", "due", |elm| elm["state"] == "due");
    ok(&site.frameside(["bring-in", "elm"]));
    wait_for_frame(&site, "oak", "hours beyond its target", |oak| number(oak, "dose_j_m2") > 200e3);
    // The daemon stands still until there is a subscriber again.
    send("STOP", daemon.pid());
    broker.restart();
    let after = broker.subscribe(&[SIGNAL]);
    send("CONT", daemon.pid());
    // By now the pauses between the attempts to connect may be long.
    let mut came = vec![after.next(2 * SOON).expect("the link comes back")];
    came.extend(all_until(&after, |m| is_signal(m, SIGNAL, "oak", "overdue")));
    ok(&site.frameside(["bring-in", "oak"]));
    came.extend(all_until(&after, |m| is_signal(m, SIGNAL, "oak", "brought-in")));
    let signals: Vec<Value> = came.iter().map(Message::json).collect();
    // What the broker had not acknowledged when it died comes again, but nothing twice.
    let ids: BTreeSet<&str> = signals.iter().map(|signal| signal["id"].as_str().unwrap()).collect();
    assert_eq!(ids.len(), signals.len(), "{ids:?}");
    let kinds = |print: &str| -> Vec<&str> {
        let of_print = signals.iter().filter(|signal| signal["print"] == print);
        let kinds = of_print.map(|signal| signal["kind"].as_str().unwrap());
        // A machine that stood still for a moment has missed its sensor.
        kinds.filter(|kind| !["begun", "sensor-lost", "sensor-back"].contains(kind)).collect()
    };
    assert_eq!(kinds(&elm), ["brought-in"]);
    assert_eq!(kinds(&oak)[..2], ["due", "overdue"], "{signals:?}");
    // The broker is up again: from now on there is one each minute of the rig, a tenth of a second.
    let first = signals.iter().find(|signal| signal["kind"] == "overdue").unwrap();
    assert!(number(first, "dose_j_m2") > 190e3, "the newest: {first}");
    let due = signals.iter().find(|signal| signal["kind"] == "due").unwrap();
    let show = settled(&site, &oak);
    assert_eq!(due["at"], show["due"], "it says when it was, and not when it arrives");
    assert_within(number(due, "dose_j_m2"), due_of(&show));
    assert!(daemon.terminate().success());
}

/// Publishes a command and waits for its answer.
fn answer_to(broker: &Broker, replies: &Subscriber, topic: &str, payload: &str) -> Value {
    broker.publish(&Publish::new(format!("frameside/yard/{topic}"), payload));
    replies.wait_for(SOON, |message| message.topic == REPLY).json()
}

#[test]
fn commands_come_over_the_broker_once_and_never_retained() {
    let Some(broker) = Broker::start() else { return };
    let site = site(20, Some(broker.port()));
    let replies = broker.subscribe(&[REPLY, "my/answers", AVAILABILITY]);
    let daemon = site.run();
    let _ = replies.wait_for(SOON, |message| says(message, AVAILABILITY, "online"));
    let ask = |topic: &str, payload: &Value| answer_to(&broker, &replies, topic, &payload.to_string());

    let begin = json!({"id": "c1", "do": "expose", "frame": "oak", "target": "500kJ/m2"});
    let command = Publish::new("frameside/yard/command", begin.to_string());
    broker.publish(&command.property("response-topic", "my/answers").property("correlation-data", "7"));
    let first = replies.wait_for(SOON, |message| message.topic == "my/answers");
    assert_eq!((&first.json()["ok"], &first.json()["id"]), (&json!(true), &json!("c1")));
    assert_eq!(first.correlation, "7");
    assert_eq!(ask("command", &begin), first.json(), "answered again and not done again");

    // A bare verb, an object without its frame, and a target.
    assert_eq!(answer_to(&broker, &replies, "frame/oak/command", "cover")["state"], "covered");
    let uncover = json!({"id": "c2", "do": "uncover"});
    assert_eq!(ask("frame/oak/command", &uncover)["state"], "exposing");
    ok(&site.frameside(["cover", "oak"]));
    assert_eq!(ask("frame/oak/command", &uncover)["id"], "c2");
    assert_eq!(frame(&site, "oak")["state"], "covered", "the same id is not done twice");
    ok(&site.frameside(["uncover", "oak"]));
    let retargeted = ask("frame/oak/target/set", &json!({"value": 600}));
    assert_eq!(number(&retargeted, "target_j_m2"), 600_000.0);

    // Retained: neither when it is published nor when the daemon comes back and is given it.
    broker.publish(&Publish::new("frameside/yard/frame/oak/command", "cover").retained());
    let wrong = json!({"id": "c3", "do": "expose", "frame": "elm", "target": "5kJ"});
    let refused = ask("command", &wrong);
    assert_eq!(refused["ok"], false);
    let anew = json!({"id": "c3", "do": "expose", "frame": "elm", "target": "5kJ/m2"});
    assert_eq!(ask("command", &anew), refused, "the same id gets the same answer, refusals too");
    assert_eq!(
        (&frame(&site, "oak")["state"], &frame(&site, "elm")["state"]),
        (&json!("exposing"), &json!("empty"))
    );
    assert!(daemon.terminate().success());
    // Sent while nobody listened: it does not come later as if it were meant then.
    broker.publish(&Publish::new("frameside/yard/frame/oak/command", "cover"));
    let daemon = site.run();
    let _ = replies.wait_for(SOON, |message| says(message, AVAILABILITY, "online"));
    let unknown = answer_to(&broker, &replies, "frame/pine/command", "cover");
    assert_eq!(unknown["error"], "there is no frame 'pine'; the frames are: oak, elm");
    assert_eq!(frame(&site, "oak")["state"], "exposing");
    // Answered before the restart, answered the same after it.
    assert_eq!(ask("command", &begin), first.json());
    assert!(daemon.terminate().success());
}

#[test]
fn without_a_broker_and_with_a_second_daemon_the_prints_go_on() {
    // Nobody listens on port 1.
    let site = site(20, Some(1));
    let daemon = site.run();
    let print = expose(&site, "oak", "1kJ/m2");
    let (code, said) = refused(&site.frameside(["run"]));
    assert_eq!(code, 1);
    let last = said.lines().last().unwrap();
    assert!(
        last.contains("another daemon keeps the record") && last.contains("stop that one first"),
        "{said}"
    );
    wait_for_frame(&site, "oak", "due", |oak| oak["state"] == "due");
    ok(&site.frameside(["note", &print, "sky cleared", "--tone", "grey"]));
    ok(&site.frameside(["bring-in", "oak"]));
    let show = settled(&site, &print);
    assert_within(1000.0, due_of(&show));
    assert_eq!(
        (&show["notes"][0]["text"], &show["notes"][0]["tone"]),
        (&json!("sky cleared"), &json!("grey"))
    );
    assert!(number(&show["notes"][0], "dose_j_m2") >= number(&show, "dose_at_due_j_m2"), "{show}");
    assert!(daemon.terminate().success());
    assert!(!site.path("frameside.sock").exists(), "nothing is left that would seem to listen");
}

#[test]
fn a_covered_print_and_its_like_count_only_what_falls() {
    let site = site(20, None);
    let daemon = site.run();
    let first = ok(&site.frameside(["expose", "oak", "--target", "900kJ/m2", "--covered"])).trim().to_owned();
    let _ = wait_for("light", SOON, || json_of(&site, &["light"])["sensors"][0]["irradiance_w_m2"].as_f64());
    assert_eq!(number(&frame(&site, "oak"), "dose_j_m2"), 0.0);
    ok(&site.frameside(["uncover", "oak"]));
    wait_for_frame(&site, "oak", "some dose", |oak| number(oak, "dose_j_m2") > 300.0);
    let covered = json_of(&site, &["cover", "oak"]);
    let in_with = json_of(&site, &["bring-in", "oak"]);
    // The dose at the cover is a projection until the next reading settles it.
    let first = settled(&site, &first);
    assert_within(number(&covered, "dose_j_m2"), &first);
    assert_within(number(&in_with, "dose_j_m2"), &first);
    let [.., under_cover, at_bring_in] = &first["events"].as_array().unwrap()[..] else { panic!("{first}") };
    assert_eq!(under_cover["dose_j_m2"], at_bring_in["dose_j_m2"], "nothing falls under the cover: {first}");
    let second = json_of(&site, &["expose", "elm", "--like", first["print"].as_str().unwrap()]);
    assert_eq!(second["target_j_m2"], first["dose_j_m2"]);
    wait_for_frame(&site, "elm", "due", |elm| elm["state"] == "due");
    let show = settled(&site, second["print"].as_str().unwrap());
    assert_within(number(&second, "target_j_m2"), due_of(&show));
    assert!(daemon.terminate().success());
}
