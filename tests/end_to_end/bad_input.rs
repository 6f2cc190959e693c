//! What is wrong, huge, cut off, not text, not a number or below zero: one line that names the
//! place and the fix, the right exit code, and nothing changed.

use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Write as _};
use std::net::Shutdown;
use std::os::unix::net::UnixStream;
use std::process::Output;

use frameside_tests::{Broker, Publish, Site, Subscriber, frameside, wait_for};
use serde_json::{Value, json};

use crate::yard::{SOON, expose, json_of, number, ok, refused, site};

/// The exit code and the one line that was said.
#[track_caller]
fn refused_in_one_line(output: &Output) -> (i32, String) {
    let (code, said) = refused(output);
    assert!(!said.contains('\n'), "more than one line: {said}");
    (code, said)
}

#[test]
fn targets_are_doses_above_zero() {
    let site = site(20, None);
    for target in
        ["15", "0kJ/m2", "-1kJ/m2", "NaNkJ/m2", "infkJ/m2", "1e9kJ/m2", "15kJ", "15kJ/m2 x", "", "½kJ/m2"]
    {
        for verb in [
            &["expose", "oak", "--target"][..],
            &["expose", "oak", "--strip"],
            &["replay", "x.csv", "--target"],
        ] {
            let glued = format!("{}={target}", verb[2]);
            let output = site.frameside([verb[0], verb[1], &glued]);
            let (code, said) = refused(&output);
            assert_eq!(code, 2, "{glued}: {said}");
            let first = said.lines().next().unwrap();
            let helps = first.contains("write it like 18kJ/m2") || first.contains("above zero and at most");
            assert!(helps && first.contains(verb[2]), "{glued}: {first}");
        }
    }
    for arguments in
        [&["bake"][..], &["expose"], &["cover"], &["show", "a", "b"], &["rehearse", "--speed", "0"]]
    {
        assert_eq!(refused(&site.frameside(arguments)).0, 2, "{arguments:?}");
    }
}

#[test]
fn every_problem_of_a_config_is_told_at_its_place() {
    let site = site(20, None);
    let config = site.path("wrong.toml");
    let wrong = "[rig]\nname = \"Yard\"\nnmae = 1\n\
                 [[sensor]]\nname = \"sky\"\nchip = \"as7331\"\nperiod = \"-1s\"\naddress = 300\n\
                 [[frame]]\nname = \"oak\"\nsensor = \"moon\"\nglass = \"NaN%\"\n\
                 [[frame]]\nname = \"oak\"\nsensor = \"sky\"\nbutton = 99\n";
    std::fs::write(&config, wrong).unwrap();
    for verb in ["check", "run", "status", "prints"] {
        let (code, said) = refused(&frameside(["--config", config.to_str().unwrap(), verb]));
        assert_eq!(code, 78, "{verb}: {said}");
        for place in ["2:8", "3:1", "7:10", "8:11", "11:10", "12:9", "14:8", "16:10"] {
            let at = format!("{}:{place}: ", config.display());
            assert!(said.lines().any(|line| line.starts_with(&at)), "{verb}: nothing at {place} in\n{said}");
        }
        assert_eq!(said.lines().count(), 8, "{verb}: {said}");
    }
    for (bytes, says) in [
        (&b"[rig\nname = 1"[..], ":1:5: not TOML"),
        (b"[rig]\nname = \"\xff\"", ":2:9: not UTF-8 text; save the file as UTF-8"),
        (b"", ":1:1: [rig] needs \"name\"; add for instance name = \"yard\""),
    ] {
        std::fs::write(&config, bytes).unwrap();
        let (code, said) = refused(&frameside(["check", "--config", config.to_str().unwrap()]));
        assert_eq!(code, 78, "{said}");
        assert!(said.starts_with(&format!("{}{says}", config.display())), "{said}");
    }
    std::fs::write(&config, "#".repeat(2 << 20)).unwrap();
    let (code, said) = refused_in_one_line(&frameside(["check", "--config", config.to_str().unwrap()]));
    assert_eq!((code, said), (78, format!("{}: over 1 MiB; this is not a config file", config.display())));
    let (code, said) = refused_in_one_line(&frameside(["check", "--config", "/nowhere/config.toml"]));
    assert!(code == 78 && said.starts_with("/nowhere/config.toml: "), "{said}");
}

#[test]
fn a_check_reads_the_light_that_sensors_look_at_and_has_its_problems_in_json() {
    let site = site(20, None);
    let config = site.path("dark.toml");
    std::fs::write(site.path("empty.csv"), "").unwrap();
    std::fs::write(site.path("latin.csv"), b"time,irradiance_w_m2\n\xff").unwrap();
    std::fs::create_dir(site.path("folder.csv")).unwrap();
    let mut text = "[rig]\nname = \"yard\"\n".to_owned();
    for name in ["missing", "empty", "latin", "folder"] {
        let keys = format!("name = \"{name}\"\nchip = \"recorded\"\nlight = \"{name}.csv\"\n");
        text += &format!("[[sensor]]\n{keys}");
    }
    std::fs::write(&config, text).unwrap();
    let check =
        |json: &[&str]| frameside([&["check", "--config", config.to_str().unwrap()][..], json].concat());
    let (code, said) = refused(&check(&[]));
    assert_eq!((code, said.lines().count()), (1, 4), "{said}");
    for (name, after) in [("missing", ": "), ("empty", ":1: "), ("latin", ":"), ("folder", ": ")] {
        let place = format!("sensor {name}: {}{after}", site.path(&format!("{name}.csv")).display());
        assert!(said.lines().any(|line| line.starts_with(&place)), "nothing on {place}: {said}");
    }
    let twin: Value = serde_json::from_slice(&check(&["--json"]).stdout).unwrap();
    assert_eq!(twin["problems"], json!(said.lines().collect::<Vec<_>>()));
    std::fs::write(&config, "[rig]\nname = 1\n").unwrap();
    let (code, said) = refused(&check(&[]));
    let twin: Value = serde_json::from_slice(&check(&["--json"]).stdout).unwrap();
    assert_eq!((code, &twin["problems"]), (78, &json!(said.lines().collect::<Vec<_>>())));
}

#[test]
fn a_wrong_line_of_recorded_light_is_named_and_nothing_is_computed() {
    let site = site(20, None);
    let file = site.path("light-of-a-day.csv");
    let head = "time,irradiance_w_m2\n2026-06-01T10:00:00Z,40\n";
    let rest = |line: &str| [head.as_bytes(), line.as_bytes()].concat();
    let cases: Vec<(&str, Vec<u8>, u32, &str)> = vec![
        ("empty", vec![], 1, "the file is empty"),
        (
            "no header",
            b"2026-06-01T10:00:00Z,40\n".to_vec(),
            1,
            "the first line must be time,irradiance_w_m2",
        ),
        ("word", rest("2026-06-01T10:01:00Z,sun\n"), 3, "'sun' is not an irradiance"),
        ("not a number", rest("2026-06-01T10:01:00Z,NaN\n"), 3, "'NaN' is not an irradiance"),
        ("infinite", rest("2026-06-01T10:01:00Z,inf\n"), 3, "'inf' is not an irradiance"),
        ("negative", rest("2026-06-01T10:01:00Z,-40\n"), 3, "-40 W/m² cannot be"),
        ("huge", rest("2026-06-01T10:01:00Z,1e300\n"), 3, ""),
        ("twice", rest("2026-06-01T10:00:00Z,40\n"), 3, "the time is not later than the one before it"),
        ("backwards", rest("2026-06-01T09:59:00Z,40\n"), 3, "the time is not later than the one before it"),
        ("no zone", rest("2026-06-01T10:01:00,40\n"), 3, "'2026-06-01T10:01:00' is not a time"),
        ("no such day", rest("2026-02-30T10:01:00Z,40\n"), 3, "'2026-02-30T10:01:00Z' is not a time"),
        ("cut off", rest("2026-06-01T10:0"), 3, "1 columns instead of 2"),
        ("too many columns", rest("2026-06-01T10:01:00Z,40,x,y\n"), 3, "4 columns instead of 2"),
        ("long", rest(&"x".repeat(100_000)), 3, "the line is longer than"),
        (
            "not text",
            [head.as_bytes(), b"2026-06-01T10:01:00Z,\xff\xfe\n"].concat(),
            3,
            "the line is not UTF-8",
        ),
    ];
    for (name, bytes, line, says) in cases {
        std::fs::write(&file, bytes).unwrap();
        let replay = ["replay", file.to_str().unwrap(), "--target", "15kJ/m2", "--json"];
        let (code, said) = refused_in_one_line(&frameside(replay));
        assert_eq!(code, 1, "{name}: {said}");
        assert!(said.starts_with(&format!("{}:{line}: {says}", file.display())), "{name}: {said}");
    }
    let (code, said) = refused_in_one_line(&frameside(["replay", "/nowhere.csv", "--target", "15kJ/m2"]));
    assert!(code == 1 && said.starts_with("/nowhere.csv: "), "{said}");
}

/// The answers of the control socket to raw bytes.
fn socket_says(site: &Site, bytes: &[u8]) -> Vec<Value> {
    let stream = UnixStream::connect(site.path("frameside.sock")).unwrap();
    std::thread::scope(|scope| {
        scope.spawn(|| {
            // A daemon that has said enough may close before it has read everything.
            let _ = (&stream).write_all(bytes);
            let _ = stream.shutdown(Shutdown::Write);
        });
        // Read meanwhile: a daemon waits for whoever does not take its answers.
        let lines = BufReader::new(&stream).lines().map_while(Result::ok);
        lines.map(|line| serde_json::from_str(&line).unwrap()).collect()
    })
}

/// What is wrong whichever way it comes, and what the answer to it contains.
fn wrong_requests() -> Vec<(Vec<u8>, &'static str)> {
    let long_note = format!(r#"{{"do":"note","print":"a","text":"{}"}}"#, "x".repeat(5000));
    let deep = "[".repeat(10_000);
    let mut wrong: Vec<(Vec<u8>, &str)> = [
        ("cover oak", "a request is one JSON object"),
        (r#"{"do":"cover","frame":"oak""#, "a request is one JSON object"),
        (r#"{"do":"retarget","frame":"oak","target":NaN}"#, "a request is one JSON object"),
        (r#"["cover"]"#, "a request is one JSON object"),
        (&deep, "a request is one JSON object"),
        ("{}", "needs \"do\""),
        (r#"{"do":"bake"}"#, "'bake' cannot be done; what can: status, prints, expose"),
        (r#"{"do":"cover","frame":"oak","x":1}"#, "'cover' does not take \"x\""),
        (r#"{"do":"cover","frame":["oak"]}"#, "\"frame\" must be text"),
        (r#"{"do":"cover","frame":"pine"}"#, "there is no frame 'pine'; the frames are: oak, elm"),
        (r#"{"do":"cover","frame":"elm"}"#, "elm: "),
        (
            r#"{"do":"retarget","frame":"oak","target":"-1kJ/m2"}"#,
            "must be above zero and at most 100000 kJ/m2",
        ),
        (
            r#"{"do":"retarget","frame":"oak","target":"0kJ/m2"}"#,
            "must be above zero and at most 100000 kJ/m2",
        ),
        (r#"{"do":"retarget","frame":"oak","target":"1e300kJ/m2"}"#, "write it like 18kJ/m2"),
        (r#"{"do":"retarget","frame":"oak","target":"NaNkJ/m2"}"#, "write it like 18kJ/m2"),
        (r#"{"do":"retarget","frame":"oak","target":900}"#, "\"target\" must be text"),
        (r#"{"do":"expose","frame":"elm","strip":["8kJ/m2","4kJ/m2"]}"#, ""),
        (r#"{"do":"expose","frame":"elm","like":"1999"}"#, "there is no print '1999'"),
        (&long_note, "\"text\" is too long: 5000 bytes, at most 4000"),
    ]
    .map(|(text, says)| (text.as_bytes().to_vec(), says))
    .into();
    wrong.push((b"{\"do\":\"cover\",\"frame\":\"o\xff\"}".to_vec(), ""));
    wrong
}

/// What must not change: each frame's print, state and target.
fn on_the_rig(site: &Site) -> Vec<[Value; 4]> {
    let status = json_of(site, &["status"]);
    let facts = |frame: &Value| ["frame", "print", "state", "target_j_m2"].map(|name| frame[name].clone());
    status["frames"].as_array().unwrap().iter().map(facts).collect()
}

#[track_caller]
fn assert_refusal(answer: &Value, says: &str, to: &[u8]) {
    let error = answer["error"].as_str().unwrap_or_default();
    let start = String::from_utf8_lossy(&to[..to.len().min(80)]);
    assert!(answer["ok"] == false && !error.is_empty() && error.contains(says), "{start}: {answer}");
    assert!(error.len() < 400 && !error.contains('\n'), "{start}: {error}");
}

#[test]
fn wrong_lines_at_the_socket_change_nothing() {
    let site = site(4, None);
    let (code, said) = refused_in_one_line(&site.frameside(["status"]));
    assert!(code == 3 && said.starts_with("the daemon is not running"), "{code}: {said}");
    assert_eq!(refused_in_one_line(&site.frameside(["show", "oak"])).0, 1, "there is no record yet");
    let daemon = site.run();
    let print = expose(&site, "oak", "900kJ/m2");
    let before = on_the_rig(&site);
    for (line, says) in wrong_requests() {
        let answers = socket_says(&site, &[&line[..], b"\n"].concat());
        assert_eq!(answers.len(), 1);
        assert_refusal(&answers[0], says, &line);
    }
    let huge = socket_says(
        &site,
        &[&b"x".repeat(1 << 20)[..], b"\n{\"do\":\"cover\",\"frame\":\"oak\"}\n"].concat(),
    );
    // What comes after a line that is too long is not taken for a line.
    assert!(huge.len() <= 1, "{huge:?}");
    // A line without its end is taken when the sender closes; one wrong line does not spoil the next.
    let answers = socket_says(&site, b"{}\n{\"do\":\"status\"}");
    assert_eq!((&answers[0]["ok"], &answers[1]["ok"]), (&json!(false), &json!(true)));
    assert_eq!(on_the_rig(&site), before);

    let (code, said) = refused_in_one_line(&site.frameside(["expose", "oak", "--target", "1kJ/m2"]));
    let busy = format!("oak: print {print} is still out in this frame (exposing); bring it in first");
    assert_eq!((code, said), (1, busy));
    for (arguments, says) in [
        (&["cover", "pine"][..], "there is no frame 'pine'; the frames are: oak, elm"),
        (&["bring-in", "elm"], "elm: "),
        (&["uncover", "oak"], "oak: "),
        (&["show", "1999"], "there is no print '1999'; 'frameside prints' lists them"),
        (&["note", "1999", "lost"], "there is no print '1999'"),
        (&["light", "--day", "today", "--sensor", "moon"], "there is no light of a sensor 'moon'"),
    ] {
        let (code, said) = refused_in_one_line(&site.frameside(arguments));
        assert!(code == 1 && said.starts_with(says), "{arguments:?}: {code}, {said}");
    }
    let (code, said) = refused_in_one_line(&site.frameside(["expose", "elm"]));
    assert!(code == 2 && said.starts_with("say what the print is to receive"), "{code}, {said}");
    let (code, said) = refused(&site.frameside(["show", &print, "--chart", "oak.gif"]));
    assert!(code == 2 && said.contains("end the file name in one of them"), "{code}, {said}");
    assert_eq!(on_the_rig(&site), before);
    // Two prints begin with the same letters.
    let other = expose(&site, "elm", "900kJ/m2");
    let (code, said) = refused_in_one_line(&site.frameside(["show", &print[..4]]));
    assert!(code == 1 && said.contains(&print) && said.contains(&other), "{said}");
    assert!(daemon.terminate().success());
    let (code, said) = refused_in_one_line(&site.frameside(["bring-in", "oak"]));
    assert!(code == 3 && said.contains("start it with 'frameside run'"), "{code}: {said}");
}

/// The answer to a payload.
fn broker_says(broker: &Broker, replies: &Subscriber, topic: &str, payload: &[u8]) -> Value {
    broker.publish(&Publish::new(format!("frameside/yard/{topic}"), payload));
    replies.wait_for(SOON, |message| message.topic == "frameside/yard/reply").json()
}

#[test]
fn wrong_messages_at_the_broker_change_nothing() {
    let Some(broker) = Broker::start() else { return };
    let site = site(4, Some(broker.port()));
    let replies = broker.subscribe(&["frameside/yard/reply", "frameside/yard/availability"]);
    let daemon = site.run();
    let _ = replies.wait_for(SOON, |message| message.payload == b"online");
    expose(&site, "oak", "900kJ/m2");
    let before = on_the_rig(&site);
    for (payload, says) in wrong_requests() {
        // What cannot be a JSON object is told so by the parser or by what comes before it.
        let answer = broker_says(&broker, &replies, "command", &payload);
        assert_refusal(&answer, says, &payload);
    }
    let huge = b"x".repeat(70_000);
    let whole = r#"{"do":"cover","frame":"oak"}"#.as_bytes();
    for (topic, payload, says) in [
        ("command", &huge[..], "a command holds at most 65536 bytes, not 70000"),
        ("command", br#"{"do":"cover","frame":"oak","id":""}"#, "\"id\" must be a text of 1 to 100 bytes"),
        (
            "command",
            br#"{"do":"cover","frame":"oak","issued_at":"soon"}"#,
            "\"issued_at\" must be a time with its offset",
        ),
        ("frame/oak/command", b"bake", "send cover, bring-in, hush"),
        ("frame/oak/command", b"\xff\xfe", "a command is UTF-8 text; byte 1 is not"),
        ("frame/oak/command", whole, "leave out \"frame\": the topic names it"),
        ("frame/OAK/command", b"cover", "the topic must name a frame"),
        ("frame/oak/target/set", b"15", "a target is an object with its kJ/m2"),
        ("frame/oak/target/set", br#"{"value":NaN}"#, "a target is an object"),
        ("frame/oak/target/set", br#"{"value":-15}"#, "must be above zero"),
        ("frame/oak/target/set", br#"{"value":1e300}"#, "must be above zero and at most 100000 kJ/m2"),
        ("frame/pine/target/set", br#"{"value":15}"#, "there is no frame 'pine'; the frames are: oak, elm"),
    ] {
        assert_refusal(&broker_says(&broker, &replies, topic, payload), says, payload);
    }
    assert_eq!(on_the_rig(&site), before);
    assert!(daemon.terminate().success());
}

/// Lines at the socket and commands at the broker in a flood.
const FLOOD: usize = 10_000;

#[test]
fn a_flood_of_nonsense_costs_no_sample() {
    let Some(broker) = Broker::start() else { return };
    let site = site(2, Some(broker.port()));
    let replies = broker.subscribe(&["frameside/yard/reply", "frameside/yard/availability"]);
    let daemon = site.run();
    let _ = replies.wait_for(SOON, |message| message.payload == b"online");
    let dose = || number(&json_of(&site, &["status"])["frames"][0], "dose_j_m2");
    expose(&site, "oak", "900kJ/m2");
    wait_for("light", SOON, || (dose() > 40.0).then_some(()));
    let wrong = wrong_requests();
    let lines = wrong.iter().map(|(line, _)| line).filter(|line| line.len() < 1000);
    let lines: Vec<u8> = lines.cycle().take(FLOOD).flat_map(|line| [&line[..], b"\n"].concat()).collect();
    let bakes = (0..FLOOD).fold(String::new(), |mut all, n| {
        let _ = writeln!(all, r#"{{"do":"bake","id":"{n}"}}"#);
        all
    });
    std::thread::scope(|scope| {
        let answers = scope.spawn(|| socket_says(&site, &lines));
        broker.publish_lines("frameside/yard/command", &bakes);
        let answers = answers.join().unwrap();
        assert_eq!(answers.len(), FLOOD);
        assert!(answers.iter().all(|answer| answer["ok"] == false));
    });
    for n in 0..FLOOD {
        let answer =
            replies.next(SOON).unwrap_or_else(|| panic!("{n} of {FLOOD} commands were answered")).json();
        assert_eq!((&answer["id"], &answer["ok"]), (&json!(n.to_string()), &json!(false)));
        assert!(answer["error"].as_str().unwrap().starts_with("'bake' cannot be done"), "{answer}");
    }
    let after = dose();
    wait_for("more light", SOON, || (dose() > after + 80.0).then_some(()));
    ok(&site.frameside(["bring-in", "oak"]));
    // A busy machine may read late; what was read is taken.
    let said = daemon.stderr();
    assert!(!said.contains("the service does not take readings"), "a sample was missed: {said}");
    assert!(daemon.terminate().success());
}

#[test]
fn nothing_is_written_over_what_is_read_or_written_by_the_same_command() {
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let table = "wedge_density,density\n0.1,1.4\n0.5,1.2\n1,0.7\n1.5,0.3\n2,0.1\n";
    let [wedge, svg, pdf] = ["w.csv", "w.svg", "w.pdf"].map(file);
    for path in [&wedge, &svg, &pdf] {
        std::fs::write(path, table).unwrap();
    }
    // The same file by another path.
    let around =
        format!("{}/../{}/w.csv", folder.path().display(), folder.path().file_name().unwrap().display());
    let new = file("new.svg");
    for all in [
        &["wedge", &wedge, "--dose", "30kJ/m2", "--tones", &wedge][..],
        &["wedge", &wedge, "--dose", "30kJ/m2", "--tones", &around],
        &["wedge", &svg, "--dose", "30kJ/m2", "--chart", &svg],
        &["wedge", &wedge, "--dose", "30kJ/m2", "--tones", &new, "--chart", &new],
        &[
            "wedge",
            "scan",
            &pdf,
            "--patches",
            "5",
            "--row",
            "0,0,9,9",
            "--reference",
            "0,0,1,1=0.1",
            "--out",
            &pdf,
        ],
        &["lamp", "warm-up", "--csv", &svg, "--chart", &svg],
        &["lamp", "evenness", &pdf, "--chart", &pdf],
        &["lamp", "ageing", "--csv", &pdf, "--chart", &pdf],
        &["show", "2026-07-14-oak-1", "--chart", &new, "--card", &new],
    ] {
        let (code, said) = refused(&frameside(all));
        assert!(code == 2 && said.contains("is read or written already by this command"), "{all:?}: {said}");
    }
    for path in [&wedge, &svg, &pdf] {
        assert_eq!(std::fs::read_to_string(path).unwrap(), table);
    }
    assert!(!std::path::Path::new(&new).exists());
}

#[test]
fn a_record_that_is_another_file_is_an_error_of_the_config() {
    let site = Site::new(
        "[rig]\nname = \"yard\"\n[[sensor]]\nname = \"sky\"\nchip = \"emulated:as7331\"\nlight = \"mine.csv\"\n\
         [[frame]]\nname = \"oak\"\nsensor = \"sky\"\n[ledger]\npath = \"{dir}/mine.csv\"\n",
    );
    let light = "time,irradiance_w_m2\n2026-06-01T10:00:00Z,40\n2026-06-01T12:00:00Z,40\n";
    std::fs::write(site.path("mine.csv"), light).unwrap();
    let (code, said) = refused(&site.frameside(["run"]));
    assert!(code == 78 && said.contains("mine.csv is there and is no record of frameside"), "{code} {said}");
    assert_eq!(std::fs::read_to_string(site.path("mine.csv")).unwrap(), light);
}
