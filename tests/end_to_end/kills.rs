//! The real daemon before an emulated chip, killed by SIGKILL at random instants
//! while people are busy at the frames.
//!
//! 50 kills in an ordinary run, `FRAMESIDE_KILLS` for another number. It proves
//! what a dying process loses.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::time::Duration;

use frameside::ledger::{EventRow, PrintRow, Record};
use frameside_core::exposure::EventKind;
use frameside_tests::{Chance, Site};
use serde_json::{Value, json};

/// What the emulated light is, in W/m², at all times.
const LIGHT_W_M2: f64 = 40.0;
/// How many times faster than life.
const SPEED: u32 = 60;
const FRAMES: [(&str, f64); 2] = [("oak", 1.0), ("elm", 0.5)];
/// Sites at once.
const SITES: u64 = 5;

#[test]
fn a_kill_at_any_instant_loses_nothing_acknowledged() {
    let kills = std::env::var("FRAMESIDE_KILLS").map_or(50, |kills| kills.parse().unwrap());
    std::thread::scope(|scope| {
        for seed in 0..SITES {
            scope.spawn(move || kill_again_and_again(seed, kills / SITES));
        }
    });
}

fn kill_again_and_again(seed: u64, kills: u64) {
    let mut chance = Chance::new(seed);
    let site = Site::new(&format!(
        "[rig]\nname = \"yard\"\n\
         [[sensor]]\nname = \"sky\"\nchip = \"emulated:as7331\"\nlight = \"{{dir}}/light.csv\"\nspeed = {SPEED}\n\
         [[frame]]\nname = \"oak\"\nsensor = \"sky\"\n\
         [[frame]]\nname = \"elm\"\nsensor = \"sky\"\nglass = \"50%\"\n"
    ));
    let rows: String =
        (0..60).map(|minute| format!("2026-06-01T10:{minute:02}:00Z,{LIGHT_W_M2}\n")).collect();
    std::fs::write(site.path("light.csv"), format!("time,irradiance_w_m2\n{rows}")).unwrap();
    let mut acknowledged: Vec<(String, EventKind)> = Vec::new();
    for kill in 0..kills {
        let daemon = site.run();
        let after = Duration::from_micros(chance.below(400_000));
        std::thread::scope(|scope| {
            scope.spawn(move || {
                std::thread::sleep(after);
                daemon.kill9();
            });
            be_busy(&site.path("frameside.sock"), &mut chance, &mut acknowledged);
        });
        let prints = Record::open(&site.path("ledger.sqlite")).unwrap().prints(&Default::default()).unwrap();
        for (print, kind) in &acknowledged {
            let row = prints.iter().find(|row| row.id == *print);
            let is_kept = row.is_some_and(|row| row.events.iter().any(|event| event.kind == *kind));
            assert!(is_kept, "site {seed}, kill {kill}: {print} lost {kind:?}: {row:?}");
        }
        prints.iter().for_each(|print| check(seed, print));
    }
    let last = site.run();
    assert!(last.terminate().success());
    assert!(acknowledged.len() as u64 >= kills / 4, "there was hardly anything to lose: {acknowledged:?}");
}

/// Asks for this and that until the daemon is gone.
fn be_busy(socket: &Path, chance: &mut Chance, acknowledged: &mut Vec<(String, EventKind)>) {
    let Ok(stream) = UnixStream::connect(socket) else { return };
    let mut answers = BufReader::new(stream.try_clone().unwrap());
    let mut ask = |request: Value| -> Option<Value> {
        writeln!(&stream, "{request}").ok()?;
        let mut line = String::new();
        answers.read_line(&mut line).ok().filter(|&read| read > 0)?;
        serde_json::from_str(&line).ok()
    };
    loop {
        let (frame, _) = FRAMES[chance.below(2) as usize];
        let (request, kind) = match chance.below(6) {
            0 | 1 => {
                let target = format!("{}J/m2", 200 + chance.below(3000));
                let request = json!({"do": "expose", "frame": frame, "target": target});
                (request, EventKind::Begun { covered: false })
            }
            2 => (json!({"do": "cover", "frame": frame}), EventKind::Covered),
            3 => (json!({"do": "uncover", "frame": frame}), EventKind::Uncovered),
            4 => (json!({"do": "hush", "frame": frame}), EventKind::Hushed),
            _ => (json!({"do": "bring-in", "frame": frame}), EventKind::BroughtIn),
        };
        let Some(answer) = ask(request) else { return };
        if answer["ok"] == true {
            // A busy machine may keep a reading waiting, which is warned of; the record never is.
            let warning = answer["warning"].as_str().unwrap_or_default();
            assert!(!warning.contains("record"), "{answer}");
            acknowledged.push((answer["print"].as_str().unwrap().to_owned(), kind));
        }
        std::thread::sleep(Duration::from_millis(chance.below(20)));
    }
}

/// The light never changed, so the dose is known from the times alone.
fn check(seed: u64, print: &PrintRow) {
    let (_, glass) = FRAMES.into_iter().find(|(name, _)| *name == print.frame).unwrap();
    let dues = print.events.iter().filter(|event| event.kind == EventKind::Due).count();
    assert!(dues <= 1, "site {seed}: {} was called {dues} times: {print:?}", print.id);
    let mut uncovered_ms = 0;
    let mut since: Option<&EventRow> = None;
    for event in &print.events {
        let open_ms = since.map_or(0, |from| event.unix_ms - from.unix_ms);
        let fell = LIGHT_W_M2 * glass * (uncovered_ms + open_ms) as f64 / 1000.0;
        let (low, best, high) = (event.dose.low.j_m2(), event.dose.best.j_m2(), event.dose.high.j_m2());
        // The chip's counts are within 0.1 %, and the labels within 1 ms at each end.
        let off = 0.002 * fell + 0.1 * print.events.len() as f64;
        assert!(low <= best && best <= high, "{print:?}");
        assert!(
            low - off <= fell && (!event.settled || fell <= high + off),
            "site {seed}: {fell} J/m² fell: {event:?} of {print:?}"
        );
        match event.kind {
            EventKind::Begun { covered: false } | EventKind::Uncovered => since = Some(event),
            EventKind::Covered | EventKind::BroughtIn => {
                uncovered_ms += open_ms;
                since = None;
            }
            _ => {}
        }
    }
}
