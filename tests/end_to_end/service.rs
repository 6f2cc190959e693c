//! The real binary as a process, from `expose` to the record, with a real
//! Mosquitto; killed in the middle; asked wrongly.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::process::Output;
use std::time::Duration;

use frameside_tests::{Broker, Message, Publish, Site};
use serde_json::{Value, json};

const SOON: Duration = Duration::from_secs(30);

/// Two frames, one behind half a glass, before an emulated chip in steady light
/// at twenty times life's speed.
fn site(port: Option<u16>) -> Site {
    let broker =
        port.map(|port| format!("[mqtt]\nbroker = \"127.0.0.1\"\nport = {port}\n")).unwrap_or_default();
    let site = Site::new(&format!(
        "[rig]\nname = \"yard\"\ntimezone = \"UTC\"\n\
         [[sensor]]\nname = \"sky\"\nchip = \"emulated:as7331\"\nlight = \"light.csv\"\nspeed = 20\n\
         [[frame]]\nname = \"oak\"\nsensor = \"sky\"\n\
         [[frame]]\nname = \"elm\"\nsensor = \"sky\"\nglass = \"50%\"\n{broker}"
    ));
    let rows: String =
        (0..120).map(|m| format!("2026-06-01T{:02}:{:02}:00Z,40\n", 10 + m / 60, m % 60)).collect();
    std::fs::write(site.path("light.csv"), format!("time,irradiance_w_m2\n{rows}")).unwrap();
    site
}

fn ok(output: &Output) -> String {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout.clone()).unwrap()
}

/// The exit code and the first line of what was said.
fn refused(output: &Output) -> (i32, String) {
    let said = String::from_utf8_lossy(&output.stderr).lines().next().unwrap_or_default().to_owned();
    (output.status.code().unwrap(), said)
}

fn json_of(site: &Site, args: &[&str]) -> Value {
    serde_json::from_str(&ok(&site.frameside(args.iter().copied().chain(["--json"])))).unwrap()
}

fn is_kind(message: &Message, topic: &str, kind: &str) -> bool {
    message.topic == topic && message.json()["kind"] == kind
}

#[test]
fn two_frames_are_called_and_the_record_has_them() {
    let Some(broker) = Broker::start() else { return };
    let site = site(Some(broker.port()));
    let all = broker.subscribe(&["frameside/yard/#"]);
    let daemon = site.run();
    let _ = all.wait_for(SOON, |m| m.topic == "frameside/yard/availability" && m.text() == "online");
    let oak =
        ok(&site.frameside(["expose", "oak", "--target", "2kJ/m2", "--recipe", "citrate"])).trim().to_owned();
    ok(&site.frameside(["expose", "elm", "--target", "2kJ/m2"]));
    for frame in ["oak", "elm"] {
        let of_frame =
            all.wait_for(SOON, |m| is_kind(m, &format!("frameside/yard/frame/{frame}/signal"), "due"));
        let (signal, dose) = (of_frame.json(), of_frame.json()["dose_j_m2"].as_f64().unwrap());
        assert!((dose / 2000.0 - 1.0).abs() < 2e-3, "{dose}");
        assert_eq!(signal["event_type"], "due");
        assert!(signal["text"].as_str().unwrap().contains("Bring it in covered"));
        let of_rig = all.wait_for(SOON, |m| is_kind(m, "frameside/yard/signal", "due"));
        assert_eq!(of_rig.json()["id"], signal["id"]);
    }
    // Who comes late hears states and availability, and no signal.
    let late = broker.subscribe(&[
        "frameside/yard/frame/+/state",
        "frameside/yard/availability",
        "frameside/yard/signal",
    ]);
    let state = late.wait_for(SOON, |m| m.topic.ends_with("oak/state") && m.retained).json();
    assert_eq!((state["state"].as_str(), state["waiting"].as_bool()), (Some("due"), Some(true)));
    assert!(
        late.drain(Duration::from_millis(300))
            .iter()
            .all(|m| m.topic != "frameside/yard/signal" || !m.retained)
    );
    ok(&site.frameside(["bring-in", "oak"]));
    let show = json_of(&site, &["show", &oak]);
    for field in [
        "curve",
        "spans",
        "signals",
        "gaps",
        "calibration",
        "notes",
        "judgements",
        "dose_j_m2",
        "low_j_m2",
        "high_j_m2",
    ] {
        assert!(show.get(field).is_some(), "{field}");
    }
    assert!((show["dose_at_due_j_m2"].as_f64().unwrap() / 2000.0 - 1.0).abs() < 2e-3);
    assert!(show["dose_j_m2"].as_f64().unwrap() > 2000.0);
    for chart in ["oak.svg", "oak.png"] {
        ok(&site.frameside(["show", &oak, "--chart", site.path(chart).to_str().unwrap()]));
        assert!(std::fs::metadata(site.path(chart)).unwrap().len() > 3000);
    }
    let prints = json_of(&site, &["prints"]);
    assert_eq!((prints[0]["frame"].as_str(), prints[1]["print"].as_str()), (Some("elm"), Some(oak.as_str())));
    assert!(daemon.terminate().success());
    let _ = all.wait_for(SOON, |m| m.topic == "frameside/yard/availability" && m.text() == "offline");
}

#[test]
fn a_killed_daemon_takes_its_print_up_again() {
    let Some(broker) = Broker::start() else { return };
    let site = site(Some(broker.port()));
    let all = broker.subscribe(&["frameside/yard/availability", "frameside/yard/signal"]);
    let daemon = site.run();
    let print = ok(&site.frameside(["expose", "oak", "--target", "6kJ/m2"])).trim().to_owned();
    std::thread::sleep(Duration::from_secs(1));
    daemon.kill9();
    let _ = all.wait_for(SOON, |m| m.topic == "frameside/yard/availability" && m.text() == "offline");
    let again = site.run();
    let oak = json_of(&site, &["status"])["frames"][0].clone();
    assert_eq!((oak["print"].as_str(), oak["state"].as_str()), (Some(print.as_str()), Some("exposing")));
    let _ = all.wait_for(SOON, |m| is_kind(m, "frameside/yard/signal", "due"));
    let more = all.drain(Duration::from_millis(500));
    assert!(!more.iter().any(|m| is_kind(m, "frameside/yard/signal", "due")), "called twice");
    ok(&site.frameside(["bring-in", "oak"]));
    let show = json_of(&site, &["show", &print]);
    let dose = |name: &str| show[name].as_f64().unwrap();
    assert!(dose("low_j_m2") <= dose("dose_j_m2") && dose("dose_j_m2") <= dose("high_j_m2"));
    assert!(!show["gaps"].as_array().unwrap().is_empty(), "{show}");
    assert!(again.terminate().success());
}

#[test]
fn commands_come_over_the_broker_once_and_never_retained() {
    let Some(broker) = Broker::start() else { return };
    let site = site(Some(broker.port()));
    let replies = broker.subscribe(&["frameside/yard/reply", "my/answers", "frameside/yard/availability"]);
    let daemon = site.run();
    let _ = replies.wait_for(SOON, |m| m.text() == "online");
    let command = |payload: &Value| Publish::new("frameside/yard/command", payload.to_string());
    broker.publish(&command(&json!({"do": "cover", "frame": "oak"})).retained());
    let expose = json!({"id": "c1", "do": "expose", "frame": "oak", "target": "500kJ/m2"});
    broker.publish(&command(&expose).property("response-topic", "my/answers"));
    let first = replies.wait_for(SOON, |m| m.topic == "my/answers").json();
    assert_eq!((first["ok"].as_bool(), first["id"].as_str()), (Some(true), Some("c1")));
    broker.publish(&command(&expose));
    let second = replies.wait_for(SOON, |m| m.topic == "frameside/yard/reply").json();
    assert_eq!(second["print"], first["print"], "done again instead of answered again");
    broker.publish(&Publish::new("frameside/yard/frame/pine/command", "cover"));
    let lists = replies.wait_for(SOON, |m| m.topic == "frameside/yard/reply").json();
    assert_eq!(lists["error"], "there is no frame 'pine'; the frames are: oak, elm");
    broker.publish(&Publish::new("frameside/yard/frame/oak/target/set", "600"));
    let _ =
        replies.wait_for(SOON, |m| m.topic == "frameside/yard/reply" && m.json()["target_j_m2"] == 600_000.0);
    // The retained cover was not carried out.
    assert_eq!(json_of(&site, &["status"])["frames"][0]["state"], "exposing");
    assert!(daemon.terminate().success());
}

#[test]
fn wrong_questions_are_refused_in_one_line_and_change_nothing() {
    let site = site(None);
    let not_running = refused(&site.frameside(["status"]));
    assert_eq!(not_running.0, 3);
    assert!(not_running.1.starts_with("the daemon is not running"), "{}", not_running.1);
    let daemon = site.run();
    let print = ok(&site.frameside(["expose", "oak", "--target", "900kJ/m2"])).trim().to_owned();
    let busy = refused(&site.frameside(["expose", "oak", "--target", "1kJ/m2"]));
    assert_eq!(
        busy,
        (1, format!("oak: print {print} is still out in this frame (exposing); bring it in first"))
    );
    let unknown = refused(&site.frameside(["cover", "pine"]));
    assert_eq!(unknown, (1, "there is no frame 'pine'; the frames are: oak, elm".to_owned()));
    assert_eq!(refused(&site.frameside(["expose", "elm", "--target", "15"])).0, 2);
    assert_eq!(refused(&site.frameside(["show", "1999"])).0, 1);
    std::fs::write(site.path("wrong.toml"), "[rig]\nname = \"Yard\"\nnmae = 1\n").unwrap();
    let wrong = site.frameside(["check", "--config", site.path("wrong.toml").to_str().unwrap()]);
    assert_eq!(refused(&wrong).0, 78);
    let said = String::from_utf8_lossy(&wrong.stderr).into_owned();
    assert!(said.contains("wrong.toml:2:8:") && said.contains("wrong.toml:3:1:"), "{said}");
    let huge = format!("{}\n", "x".repeat(70_000));
    for line in
        ["\n", "{}\n", "\u{feff}{\n", "{\"do\":\"cover\",\"frame\":\"oak\",\"x\":1}\n", "[1e999]\n", &huge]
    {
        let mut stream = UnixStream::connect(site.path("frameside.sock")).unwrap();
        stream.write_all(line.as_bytes()).unwrap();
        let mut answer = String::new();
        BufReader::new(stream).read_line(&mut answer).unwrap();
        assert_eq!(serde_json::from_str::<Value>(&answer).unwrap()["ok"], false, "{line:.60}");
    }
    let oak = json_of(&site, &["status"])["frames"][0].clone();
    assert_eq!((oak["print"].as_str(), oak["state"].as_str()), (Some(print.as_str()), Some("exposing")));
    assert!(daemon.terminate().success());
}

#[test]
fn the_rehearsal_tells_the_truth_and_the_same_each_time() {
    let site = site(None);
    let rehearse = |folder: &str| {
        let out = site.path(folder);
        json_of(&site, &["rehearse", "--speed", "100000", "--seed", "4", "--out", out.to_str().unwrap()])
    };
    let (one, two) = (rehearse("one"), rehearse("two"));
    assert_eq!(one["prints"], two["prints"]);
    let prints = one["prints"].as_array().unwrap();
    assert_eq!(prints.len(), 4);
    for print in prints {
        let f = |name: &str| print[name].as_f64().unwrap();
        assert!((f("dose_at_due_j_m2") / f("target_j_m2") - 1.0).abs() < 2e-3, "{print}");
        assert!(
            f("low_j_m2") * 0.999 <= f("fell_j_m2") && f("fell_j_m2") <= f("high_j_m2") * 1.001,
            "{print}"
        );
        let picture = site.path("one").join(format!("{}.png", print["print"].as_str().unwrap()));
        assert!(std::fs::metadata(picture).unwrap().len() > 3000);
    }
    let again = site.frameside(["rehearse", "--out", site.path("one").to_str().unwrap()]);
    assert_eq!(again.status.code(), Some(1), "a folder with something in it is left alone");
}
