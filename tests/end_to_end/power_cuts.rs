//! The power goes at any instant while people are busy at the frames: nothing
//! that was acknowledged is lost, no file is damaged, no call is forgotten.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::time::Duration;

use frameside::ledger::{Boot, Ledger, Record};
use frameside_core::exposure::EventKind;
use frameside_core::outlook::WallAnchor;
use frameside_core::quantity::Mono;
use frameside_tests::power::{CALLS, Deed, Disk, deeds};
use frameside_tests::{Chance, Site, needs, wait_for};
use rusqlite::Connection;
use serde_json::{Value, json};
use tempfile::TempDir;

/// Cuts of an ordinary run; `FRAMESIDE_CUTS` for another number.
const CUTS: u64 = 300;

#[test]
fn a_power_cut_at_any_instant_loses_nothing_acknowledged() {
    let Some(deeds) = watched() else { return };
    let cuts = std::env::var("FRAMESIDE_CUTS").map_or(CUTS, |cuts| cuts.parse().unwrap());
    assert_eq!(losses(&deeds, cuts), Vec::<String>::new());
    // With synchronous=NORMAL the log is not synced at a commit: that has to show.
    let normal = |deed: &&Deed| !matches!(deed, Deed::Sync(name) if name.ends_with("-wal"));
    let normal: Vec<Deed> = deeds.iter().filter(normal).cloned().collect();
    assert!(losses(&normal, CUTS).len() > 10, "this test does not see what is lost");
}

/// What a busy daemon did to its ledger, and what it told people meanwhile.
fn watched() -> Option<Vec<Deed>> {
    let strace = needs::need(needs::program("strace"), "strace", "apt install strace")?;
    let site = Site::new(
        "[rig]\nname = \"yard\"\n\
         [[sensor]]\nname = \"sky\"\nchip = \"emulated:as7331\"\nlight = \"{dir}/light.csv\"\nspeed = 60\n\
         [[frame]]\nname = \"oak\"\nsensor = \"sky\"\n[[frame]]\nname = \"elm\"\nsensor = \"sky\"\n\
         [mqtt]\nbroker = \"127.0.0.1\"\nport = 1\n",
    );
    let light = "time,irradiance_w_m2\n2026-06-01T10:00:00Z,40\n2026-06-01T11:00:00Z,45\n";
    std::fs::write(site.path("light.csv"), light).unwrap();
    let trace = site.path("trace");
    let trace_calls = format!("trace={CALLS}");
    let mut tracer = std::process::Command::new(strace);
    tracer.args(["-D", "-f", "-y", "-xx", "-s", "1000000", "-q", "-e", &trace_calls, "-o"]);
    tracer.arg(&trace);
    let daemon = site.run_under(tracer);
    be_busy(&site.path("frameside.sock"));
    daemon.kill9();
    wait_for("the end of the trace", Duration::from_secs(20), || {
        std::fs::read_to_string(&trace).ok()?.contains("+++ killed by SIGKILL").then_some(())
    });
    Some(deeds(&std::fs::read_to_string(&trace).unwrap(), trace.parent()?))
}

/// Two frames, a few prints, and long notes, so that the log is also brought
/// into the database once or twice.
fn be_busy(socket: &Path) {
    let stream = UnixStream::connect(socket).unwrap();
    let mut answers = BufReader::new(stream.try_clone().unwrap());
    let mut ask = |request: Value| -> Value {
        writeln!(&stream, "{request}").unwrap();
        let mut line = String::new();
        answers.read_line(&mut line).unwrap();
        serde_json::from_str(&line).unwrap()
    };
    for _ in 0..8 {
        for frame in ["oak", "elm"] {
            let print = ask(json!({"do": "expose", "frame": frame, "target": "300J/m2"}))["print"].clone();
            for n in 0..4 {
                ask(json!({"do": "cover", "frame": frame}));
                ask(json!({"do": "uncover", "frame": frame}));
                ask(json!({"do": "note", "print": print, "text": format!("{n}").repeat(3000)}));
            }
            std::thread::sleep(Duration::from_millis(100));
            ask(json!({"do": "bring-in", "frame": frame}));
        }
    }
}

/// What was lost or damaged over so many cuts.
fn losses(deeds: &[Deed], cuts: u64) -> Vec<String> {
    let mut chance = Chance::new(1);
    let mut at: Vec<usize> = (0..cuts).map(|_| chance.below(deeds.len() as u64) as usize).collect();
    at.sort_unstable();
    let (mut disk, mut told, mut done) = (Disk::default(), BTreeMap::new(), 0);
    let mut losses = Vec::new();
    for cut in at {
        for deed in &deeds[done..cut] {
            disk.take(deed);
            hear(deed, &mut told);
        }
        done = cut;
        let folder = TempDir::new_in(if Path::new("/dev/shm").is_dir() { "/dev/shm" } else { "." }).unwrap();
        disk.cut(&mut chance, folder.path());
        if let Err(loss) = reopen(&folder.path().join("ledger.sqlite"), &told) {
            losses.push(format!("power cut before deed {cut}: {loss}"));
        }
    }
    losses
}

/// Counts what was acknowledged, by print: each is an event of it.
fn hear(deed: &Deed, told: &mut BTreeMap<String, usize>) {
    let Deed::Said(bytes) = deed else { return };
    let Ok(answer) = serde_json::from_slice::<Value>(bytes) else { return };
    if answer["ok"] == true
        && let Some(print) = answer["print"].as_str()
    {
        *told.entry(print.to_owned()).or_default() += 1;
    }
}

/// Opens what is left as the daemon would, and looks for what was told.
fn reopen(path: &Path, told: &BTreeMap<String, usize>) -> Result<(), String> {
    let (tell, _events) = tokio::sync::mpsc::unbounded_channel();
    let wall = WallAnchor { mono: Mono::from_seconds(10.0), unix_ms: 1_800_000_000_000, synchronised: true };
    let boot = Boot { id: "after the cut".into(), wall };
    let (mut ledger, recovered) = Ledger::start(path, &boot, tell).map_err(|error| error.to_string())?;
    ledger.finish().map_err(|error| error.to_string())?;
    let is_loss = |trouble: &&String| trouble.contains("damaged") || trouble.contains("-wal file");
    if let Some(loss) = recovered.troubles.iter().find(is_loss) {
        return Err(loss.clone());
    }
    let sqlite = Connection::open(path).unwrap();
    let sound: String = sqlite.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    if sound != "ok" {
        return Err(sound);
    }
    let record = Record::open(path).map_err(|error| error.to_string())?;
    for (print, acknowledged) in told {
        let detail = record.detail(print).map_err(|error| error.to_string())?;
        let is_call = |kind| matches!(kind, EventKind::Due | EventKind::Nearly);
        let kept = detail.row.events.iter().filter(|event| !is_call(event.kind)).count();
        if kept < *acknowledged {
            return Err(format!("{print}: {acknowledged} acknowledged, {kept} kept"));
        }
        for event in &detail.row.events {
            let dose = event.dose;
            assert!(dose.low <= dose.best && dose.best <= dose.high, "{event:?}");
            let is_waiting = |id: &String| id.starts_with(&format!("{print}-due-"));
            // Without a broker, a call is dropped once it is answered: by whatever was done next.
            let is_answered = detail.row.events.last().is_some_and(|last| last.kind != EventKind::Due);
            let is_kept = is_answered || recovered.outbox.iter().any(|row| is_waiting(&row.id));
            if event.kind == EventKind::Due && !is_kept {
                return Err(format!("{print} is due and its signal is lost"));
            }
        }
    }
    Ok(())
}
