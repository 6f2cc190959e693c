//! The ledger against a real machine.

use std::sync::Arc;

use frameside_core::exposure::{
    Command, Counted, FrameId, FrameSetup, FrameState, Input, Output, Rig, Rules, SensorId, SensorSetup,
};
use frameside_core::light::{Flags, Seen};
use frameside_core::quantity::{Irradiance, TargetDose};
use tempfile::TempDir;
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

mod missing;
mod rescue;
mod rot;

use super::record::{GapRow, LightSample, counted_lights};
use super::*;

const NOON: i64 = 1_784_023_200_000;

fn at(seconds: f64) -> Mono {
    Mono::from_seconds(seconds)
}

fn target(j_m2: f64) -> TargetDose {
    TargetDose::new(frameside_core::quantity::Dose::from_j_m2(j_m2)).unwrap()
}

fn boot(id: &str, seconds: f64, unix_ms: i64, synchronised: bool) -> Boot {
    Boot { id: id.to_owned(), wall: WallAnchor { mono: at(seconds), unix_ms, synchronised } }
}

fn light(t: f64) -> f64 {
    40.0 + 12.0 * (t / 11.0).sin() + 3.0 * (t * 1.7).cos()
}

/// A rig with one frame whose outputs go to a ledger.
struct Bench {
    rig: Rig,
    sensor: SensorId,
    frame: FrameId,
    ledger: Ledger,
    events: UnboundedReceiver<LedgerEvent>,
    token: u64,
}

impl Bench {
    fn start(folder: &TempDir, boot: &Boot) -> (Self, Recovered) {
        let (tell, events) = unbounded_channel();
        let (ledger, recovered) = Ledger::start(&folder.path().join("ledger.sqlite"), boot, tell).unwrap();
        let mut rig = Rig::new(Rules::default(), boot.wall.mono);
        let left_off = recovered.left_off.get("sky").copied();
        let sensor = rig.add_sensor(SensorSetup { period_s: 1.0, left_off });
        let frame = rig.add_frame(FrameSetup { sensor, glass: 0.9 }).unwrap();
        for (_, response, total) in &recovered.responses {
            rig.resume_response(sensor, *response, *total).unwrap();
        }
        for print in &recovered.prints {
            rig.resume(frame, print.resumed.clone()).unwrap();
        }
        (Self { rig, sensor, frame, ledger, events, token: 0 }, recovered)
    }

    fn expose(&mut self, seconds: f64, plan: Plan) -> PrintId {
        self.expose_at(seconds, plan, Response::PLAIN)
    }

    fn expose_at(&mut self, seconds: f64, plan: Plan, response: Response) -> PrintId {
        let id: PrintId = self.ledger.name_print("2026-07-14", "oak").into();
        self.ledger.write(Entry::Print(NewPrint {
            id: Arc::clone(&id),
            frame: "oak".into(),
            sensor: "sky".into(),
            glass: 0.9,
            factor: 1.0,
            response,
            source: "sun".into(),
            recipe: Some("citrate".into()),
            negative: None,
            note: None,
            plan: plan.clone(),
            calibration: "none".into(),
        }));
        self.tell(
            seconds,
            Command::Begin { print: Arc::clone(&id), plan, covered: false, factor: 1.0, response },
        );
        id
    }

    fn tell(&mut self, seconds: f64, command: Command) {
        self.rig.handle(at(seconds), Input::Command(self.frame, command)).unwrap();
        self.pump();
    }

    fn pump(&mut self) {
        while let Some(output) = self.rig.poll() {
            match output {
                Output::Event(event) => self.ledger.write(Entry::Event(event)),
                Output::Settled { print, seq, counted, plain } => {
                    self.ledger.write(Entry::Settled { print, seq, counted, plain });
                }
                Output::Gap { from, to, dose, .. } => {
                    self.ledger.write(Entry::Gap { sensor: "sky".into(), from, to, dose });
                }
                _ => {}
            }
        }
    }

    fn shine(&mut self, from: u32, to: u32) {
        for second in from..=to {
            let now = at(f64::from(second));
            let reading = Reading::of(now, Irradiance::from_w_m2(light(f64::from(second))));
            self.ledger.write(Entry::Light { sensor: "sky".into(), reading });
            self.rig.handle(now, Input::Reading(self.sensor, reading)).unwrap();
            self.pump();
        }
    }

    /// Waits until everything is safe.
    fn commit(&mut self) {
        let knot = self.rig.sensor(self.sensor).unwrap().knot.unwrap();
        let responses = self.rig.responses(self.sensor).collect();
        self.ledger.write(Entry::Knot { sensor: "sky".into(), knot, responses });
        self.token += 1;
        self.ledger.commit(self.token);
        loop {
            match self.events.blocking_recv().unwrap() {
                LedgerEvent::Committed(token) if token == self.token => return,
                LedgerEvent::Committed(_) => {}
                other => panic!("{other:?}"),
            }
        }
    }

    fn dose(&self, seconds: f64) -> f64 {
        self.rig.view(self.frame, at(seconds)).unwrap().dose.best.j_m2()
    }
}

fn record(folder: &TempDir) -> Record {
    Record::open(&folder.path().join("ledger.sqlite")).unwrap()
}

#[test]
fn a_print_goes_on_after_a_kill_on_the_same_boot() {
    let folder = TempDir::new().unwrap();
    let first = boot("a", 0.0, NOON, true);
    let (mut bench, _) = Bench::start(&folder, &first);
    bench.shine(0, 9);
    bench.expose(9.5, Plan::dose(target(15_000.0)));
    bench.shine(10, 100);
    bench.tell(100.25, Command::Cover);
    bench.tell(100.75, Command::Uncover);
    bench.commit();
    let before = bench.dose(100.75);
    // Ten more seconds that are never made safe.
    bench.shine(101, 110);
    std::mem::forget(bench.ledger);

    let (mut again, recovered) = Bench::start(&folder, &boot("a", 130.0, NOON + 130_000, true));
    assert_eq!(recovered.prints.len(), 1);
    assert_eq!(again.rig.view(again.frame, at(130.0)).unwrap().state, FrameState::Exposing);
    again.shine(131, 200);
    let dose = again.rig.view(again.frame, at(200.0)).unwrap().dose;
    // 30 s were not seen: the bounds part by no more and no less.
    assert!(dose.low.j_m2() > before && dose.low < dose.best && dose.best < dose.high);
    let exact = 0.9 * (integral(9.5, 100.25) + integral(100.75, 200.0));
    assert!((dose.low.j_m2()..dose.high.j_m2()).contains(&exact), "{exact} {dose:?}");
    again.tell(200.0, Command::BringIn);
    again.commit();
    let print = record(&folder).detail("2026-07-14-oak-1").unwrap();
    assert_eq!(print.row.state(), FrameState::In);
    assert_eq!(print.gaps.len(), 1);
    assert_eq!(print.spans, [(0.0, Some(90.75)), (91.25, Some(190.5))]);
    let events: Vec<u32> = print.row.events.iter().map(|event| event.seq).collect();
    assert_eq!(events, [0, 1, 2, 3]);
}

fn answering(exponent: f64) -> Response {
    Response::new(exponent, Irradiance::from_w_m2(30.0)).unwrap()
}

/// What [`light`] counts as through the glass, by a fine sum.
fn effective(exponent: f64, from: f64, to: f64) -> f64 {
    let steps = ((to - from) / 1e-3).round() as u32;
    let at = |second: f64| {
        light(second.floor()) + (light(second.floor() + 1.0) - light(second.floor())) * second.fract()
    };
    let step = |n: u32| 30.0 * (0.9 * at(from + (f64::from(n) + 0.5) * 1e-3) / 30.0).powf(exponent) * 1e-3;
    (0..steps).map(step).sum()
}

#[test]
fn a_print_that_counts_otherwise_goes_on_after_a_kill() {
    let folder = TempDir::new().unwrap();
    let first = boot("a", 0.0, NOON, true);
    let (mut bench, _) = Bench::start(&folder, &first);
    bench.shine(0, 9);
    bench.expose_at(9.5, Plan::dose(target(15_000.0)), answering(0.7));
    bench.shine(10, 100);
    bench.tell(100.25, Command::Cover);
    bench.tell(100.75, Command::Uncover);
    bench.commit();
    std::mem::forget(bench.ledger);

    // Without a gap, so that what is kept has to be exact.
    let (mut again, recovered) = Bench::start(&folder, &boot("a", 100.9, NOON + 100_900, true));
    assert_eq!(recovered.responses.len(), 1);
    again.shine(101, 200);
    let view = again.rig.view(again.frame, at(200.0)).unwrap();
    let exact = effective(0.7, 9.5, 100.25) + effective(0.7, 100.75, 200.0);
    let dose = view.dose.best.j_m2();
    assert!((dose - exact).abs() < 1e-3, "{dose} {exact}");
    let plain = 0.9 * (integral(9.5, 100.25) + integral(100.75, 200.0));
    assert!((view.plain.unwrap().best.j_m2() - plain).abs() < 1e-3, "{:?} {plain}", view.plain);
    again.tell(200.0, Command::BringIn);
    again.commit();
    let print = record(&folder).detail("2026-07-14-oak-1").unwrap();
    assert_eq!(print.row.response, answering(0.7));
    assert!((print.row.dose_to_repeat().unwrap().j_m2() - exact).abs() < 1e-3);
    assert!((print.row.plain_dose().unwrap().j_m2() - plain).abs() < 1e-3);
    assert!((print.curve.last().unwrap().2 - exact).abs() < 0.01, "{:?}", print.curve.last());
    // Once nobody counts by it, its integral is not kept any more.
    assert_eq!(bench_sql::<i64>(&folder, "SELECT count(*) FROM response"), 0);
}

#[test]
fn a_print_is_recounted_from_the_light_that_fell_on_it() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 9);
    let strip = Plan::strip(vec![target(2_000.0), target(4_000.0), target(8_000.0)]).unwrap();
    bench.expose_at(9.5, strip, Response::PLAIN);
    bench.shine(10, 300);
    bench.tell(300.0, Command::BringIn);
    bench.shine(301, 305);
    bench.expose_at(305.5, Plan::dose(target(1_000.0)), answering(1.3));
    bench.shine(306, 400);
    bench.tell(400.0, Command::BringIn);
    bench.commit();
    let record = record(&folder);
    let (strip, print) = (record.find("2026-07-14-oak-1").unwrap(), record.find("2026-07-14-oak-2").unwrap());
    for exponent in [0.7, 1.3] {
        let counted = record.recounted(&strip, answering(exponent)).unwrap().unwrap();
        assert_eq!(counted.response, answering(exponent));
        let begun = strip.events[0].light_ms;
        for (event, was) in counted.events.iter().zip(&strip.events) {
            let exact = effective(exponent, 9.5, 9.5 + (was.light_ms - begun) / 1000.0);
            assert!((event.dose.best.j_m2() - exact).abs() < 0.05 + 1e-5 * exact, "{event:?} {exact}");
        }
        assert_eq!(counted.band_doses().len(), 3);
    }
    let plain = record.recounted(&print, Response::PLAIN).unwrap().unwrap();
    assert!((plain.dose_to_repeat().unwrap().j_m2() - 0.9 * integral(305.5, 400.0)).abs() < 1e-3);
    assert_eq!(record.recounted(&print, answering(1.3)).unwrap().unwrap(), print);
    // With its light damaged or gone, nothing can be said.
    let path = folder.path().join("ledger.sqlite");
    let sql = "UPDATE open_light SET samples = x'ff'";
    rusqlite::Connection::open(&path).unwrap().execute_batch(sql).unwrap();
    assert_eq!(record.recounted(&strip, answering(0.7)).unwrap(), None);
    let sql = "DELETE FROM open_light; DELETE FROM light";
    rusqlite::Connection::open(&path).unwrap().execute_batch(sql).unwrap();
    assert_eq!(record.recounted(&strip, answering(0.7)).unwrap(), None);
}

/// The integral of [`light`] as the sensor samples it, by a fine sum.
fn integral(from: f64, to: f64) -> f64 {
    let sampled = |t: f64| {
        let (t0, share) = (t.floor(), t.fract());
        light(t0) + (light(t0 + 1.0) - light(t0)) * share
    };
    let n = 200_000;
    let h = (to - from) / f64::from(n);
    (0..n).map(|i| sampled(from + (f64::from(i) + 0.5) * h)).sum::<f64>() * h
}

#[test]
fn another_boot_is_laid_close_before_this_one_whatever_its_wall_clock_shows() {
    for synchronised in [true, false] {
        let folder = TempDir::new().unwrap();
        let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
        bench.shine(0, 0);
        bench.expose(0.0, Plan::dose(target(50_000.0)));
        bench.shine(1, 60);
        bench.commit();
        std::mem::forget(bench.ledger);
        // The power comes back ten minutes later; the new boot's clock is at 20 s.
        let (again, recovered) = Bench::start(&folder, &boot("b", 20.0, NOON + 660_000, synchronised));
        let knot = recovered.left_off["sky"].knot;
        assert!((20.0 - knot.at.seconds()).abs() < 1e-3, "{}", knot.at.seconds());
        assert!(recovered.unplaced.contains_key("sky"));
        let view = again.rig.view(again.frame, at(20.0)).unwrap();
        assert_eq!(view.state, FrameState::Exposing);
    }
}

#[test]
fn what_an_earlier_version_believed_of_a_clock_is_not_believed_any_more() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("ledger.sqlite");
    let earlier = schema::create_earlier(&path, 8).unwrap();
    earlier.execute("INSERT INTO boot (kernel, offset_ms, synced) VALUES ('a', ?1, 1)", [NOON]).unwrap();
    drop(earlier);
    let (mut ledger, _) = Ledger::start(&path, &boot("a", 60.0, NOON, false), unbounded_channel().0).unwrap();
    // This boot's clock is believed as soon as it is said to be right.
    let believed = || bench_sql::<i64>(&folder, "SELECT count(*) FROM boot WHERE synced");
    assert_eq!(believed(), 0);
    ledger.write(Entry::Wall(WallAnchor { mono: at(60.0), unix_ms: NOON, synchronised: true }));
    ledger.finish().unwrap();
    assert_eq!(believed(), 1);
}

#[test]
fn due_strip_and_hushed_prints_come_back_as_they_were() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 0);
    bench.expose(0.0, Plan::strip(vec![target(400.0), target(900.0), target(90_000.0)]).unwrap());
    bench.shine(1, 40);
    bench.commit();
    std::mem::forget(bench.ledger);
    let (mut again, _) = Bench::start(&folder, &boot("a", 41.0, NOON + 41_000, true));
    let view = again.rig.view(again.frame, at(41.0)).unwrap();
    assert_eq!(view.next_band.unwrap().0, 3);
    assert!(view.waiting);
    again.shine(42, 43);
    again.tell(43.0, Command::BringIn);
    again.expose(43.0, Plan::dose(target(400.0)));
    again.shine(44, 80);
    again.tell(80.0, Command::Hush);
    again.commit();
    std::mem::forget(again.ledger);
    let (last, _) = Bench::start(&folder, &boot("a", 81.0, NOON + 81_000, true));
    let view = last.rig.view(last.frame, at(81.0)).unwrap();
    assert_eq!((view.state, view.waiting), (FrameState::Due, false));
    assert_eq!(view.print.unwrap().as_ref(), "2026-07-14-oak-2");
}

#[test]
fn labels_follow_the_clock_once_it_is_right() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, 0, false));
    bench.shine(0, 1);
    let print = bench.expose(1.5, Plan::dose(target(100.0)));
    bench.commit();
    let begun = record(&folder).find(&print).unwrap().begun().unwrap().clone();
    assert_eq!((begun.unix_ms, begun.synchronised), (1500, false));
    // The network comes, decades later by the wall and a minute by the clock.
    bench.ledger.write(Entry::Wall(WallAnchor { mono: at(60.0), unix_ms: NOON, synchronised: true }));
    bench.commit();
    let begun = record(&folder).find(&print).unwrap().begun().unwrap().clone();
    assert_eq!((begun.unix_ms, begun.synchronised), (NOON - 58_500, true));
}

#[test]
fn the_stored_curve_gives_the_same_dose() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 9);
    bench.expose(9.37, Plan::dose(target(500_000.0)));
    bench.shine(10, 2000);
    bench.commit();
    // Enough to be packed on the way.
    bench.shine(2001, 4000);
    bench.tell(4000.6, Command::Cover);
    bench.shine(4001, 4100);
    bench.tell(4100.6, Command::BringIn);
    bench.shine(4101, 4102);
    bench.commit();
    let detail = record(&folder).detail("2026-07-14-oak").unwrap();
    let kept = detail.row.brought_in().unwrap();
    assert!(kept.settled);
    let curve = detail.curve.last().unwrap().2;
    assert!((curve / kept.dose.best.j_m2() - 1.0).abs() < 1e-6, "{curve} {}", kept.dose.best);
    assert!((kept.dose.best.j_m2() / (0.9 * integral(9.37, 4000.6)) - 1.0).abs() < 1e-6);
    let packed: i64 = bench_sql(&folder, "SELECT count(*) FROM light");
    assert_eq!(packed, 2, "each long flush is packed");
    assert_eq!(bench_sql::<String>(&folder, "PRAGMA integrity_check"), "ok");
}

fn bench_sql<T: rusqlite::types::FromSql>(folder: &TempDir, sql: &str) -> T {
    let connection = rusqlite::Connection::open(folder.path().join("ledger.sqlite")).unwrap();
    connection.query_row(sql, [], |row| row.get(0)).unwrap()
}

#[test]
fn names_are_given_out_once() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 1);
    for n in 1..=11 {
        let print = bench.expose(2.0 + f64::from(n), Plan::dose(target(1e6)));
        assert_eq!(&*print, format!("2026-07-14-oak-{n}"));
        bench.tell(2.5 + f64::from(n), Command::BringIn);
    }
    bench.commit();
    let name = |bench: &Bench, frame| bench.ledger.name_print("2026-07-14", frame);
    assert_eq!(name(&bench, "oak"), "2026-07-14-oak-12");
    assert_eq!(name(&bench, "oak"), "2026-07-14-oak-13");
    assert_eq!(name(&bench, "oak-1"), "2026-07-14-oak-1-1");
    bench.ledger.finish().unwrap();
    let (again, _) = Bench::start(&folder, &boot("b", 0.0, NOON, true));
    assert_eq!(name(&again, "oak"), "2026-07-14-oak-12");
    // Also once a wrong clock is put back by a day and goes on.
    assert_eq!(again.ledger.name_print("2026-07-13", "oak"), "2026-07-13-oak-1");
    assert_eq!(name(&again, "oak"), "2026-07-14-oak-13");
    assert!(matches!(record(&folder).find("2026-07-14-oak-1"), Ok(print) if print.id == "2026-07-14-oak-1"));
    assert!(matches!(record(&folder).find("2026"), Err(LedgerError::Ambiguous { .. })));
    assert!(matches!(record(&folder).find("2027"), Err(LedgerError::NoPrint(_))));
}

#[test]
fn a_print_is_found_by_its_frame_and_the_newest_of_all_by_a_word() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    assert!(matches!(record(&folder).find("last"), Err(LedgerError::NoPrint(_))));
    bench.shine(0, 1);
    for n in [2.0, 3.0] {
        bench.expose(n, Plan::dose(target(1e6)));
        bench.tell(n + 0.5, Command::BringIn);
    }
    bench.commit();
    let found = |name: &str| record(&folder).find(name).map(|print| print.id);
    for name in ["oak", "last", "2026-07-14-oak-2"] {
        assert_eq!(found(name).unwrap(), "2026-07-14-oak-2", "{name}");
    }
    assert!(matches!(found("elm"), Err(LedgerError::NoPrint(_))));
    assert!(matches!(found("2026"), Err(LedgerError::Ambiguous { .. })), "a beginning comes first");
}

#[test]
fn signals_wait_until_the_broker_has_them_and_answers_are_remembered() {
    let folder = TempDir::new().unwrap();
    let (mut bench, first) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 0);
    for n in 0..150 {
        let id = format!("s{n}");
        bench.ledger.write(Entry::Signal(OutboxRow { id, frame: "oak".into(), payload: "{}".into() }));
        bench
            .ledger
            .write(Entry::Answered { id: format!("c{n}"), answer: serde_json::json!({ "ok": true }) });
    }
    bench.ledger.write(Entry::Sent { id: "s0".into() });
    bench.commit();
    bench.ledger.finish().unwrap();
    let (_, recovered) = Bench::start(&folder, &boot("a", 1.0, NOON, true));
    assert_eq!((recovered.outbox.len(), recovered.outbox[0].id.as_str()), (149, "s1"));
    assert_eq!((recovered.answered.len(), recovered.answered[0].0.as_str()), (100, "c50"));
    assert_eq!(recovered.client_id, first.client_id);
    assert!(first.client_id.starts_with("frameside-"));
}

#[test]
fn a_note_on_a_print_that_is_out_carries_its_dose() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 0);
    let print = bench.expose(0.0, Plan::dose(target(1e6)));
    bench.shine(1, 50);
    let note = |text: &str, with_dose| Entry::Note {
        print: Arc::clone(&print),
        note: Note { text: text.into(), tone: Some("blue".into()), ..Note::default() },
        at: at(50.0),
        with_dose,
    };
    bench.tell(50.0, Command::Note);
    bench.ledger.write(note("turning", true));
    let dose = bench.dose(50.0);
    bench.tell(51.0, Command::BringIn);
    bench.ledger.write(note("dry", false));
    bench.commit();
    let notes = record(&folder).detail(&print).unwrap().notes;
    assert!((notes[0].dose.unwrap().j_m2() - dose).abs() < 1e-9);
    assert_eq!((notes[1].note.text.as_str(), notes[1].dose), ("dry", None));
}

#[test]
fn a_damaged_file_is_set_aside_and_a_later_one_refused() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("ledger.sqlite");
    std::fs::write(&path, vec![7u8; 5120]).unwrap();
    let (mut bench, recovered) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    assert!(recovered.troubles[0].contains("ledger.sqlite.damaged-1"), "{:?}", recovered.troubles);
    assert_eq!(std::fs::read(folder.path().join("ledger.sqlite.damaged-1")).unwrap(), vec![7u8; 5120]);
    bench.ledger.finish().unwrap();
    let later = format!("PRAGMA user_version = 99; PRAGMA application_id = {}", 0x4653_0000 + 99);
    rusqlite::Connection::open(&path).unwrap().execute_batch(&later).unwrap();
    let error = Ledger::start(&path, &boot("a", 0.0, NOON, true), unbounded_channel().0).unwrap_err();
    assert!(error.to_string().contains("later frameside (schema 99"), "{error}");
    assert!(Record::open(&path).unwrap_err().to_string().contains("later frameside"));
    let none = Record::open(&folder.path().join("none.sqlite")).unwrap_err();
    assert!(none.to_string().contains("there is no record"), "{none}");
}

#[test]
fn another_programs_file_is_refused_and_left_as_it_is() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("ledger.sqlite");
    let refused = || {
        let before = std::fs::read(&path).unwrap();
        let error = Ledger::start(&path, &boot("a", 0.0, NOON, true), unbounded_channel().0).unwrap_err();
        assert!(error.to_string().contains("is no record of frameside; it is left as it is"), "{error}");
        assert_eq!(std::fs::read(&path).unwrap(), before);
        let names: Vec<_> = std::fs::read_dir(&folder).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert_eq!(names, ["ledger.sqlite"]);
    };
    let table = "time,irradiance_w_m2\n2026-06-01T10:00:00Z,40 \u{b5}\n";
    // Text, and as long as pages; a picture.
    for bytes in [table.as_bytes(), &table.repeat(512).into_bytes(), b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0"] {
        std::fs::write(&path, bytes).unwrap();
        refused();
    }
    std::fs::remove_file(&path).unwrap();
    let other = rusqlite::Connection::open(&path).unwrap();
    other.execute_batch("CREATE TABLE song (title TEXT)").unwrap();
    refused();
    other.pragma_update(None, "user_version", 3).unwrap();
    refused();
}

#[test]
fn a_record_whose_first_page_is_torn_is_set_aside() {
    for (tear, is_closed) in [(0xA5, true), (0, true), (b'a', false)] {
        let folder = TempDir::new().unwrap();
        let path = folder.path().join("ledger.sqlite");
        let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
        bench.shine(0, 1);
        bench.commit();
        bench.ledger.finish().unwrap();
        let mut bytes = std::fs::read(&path).unwrap();
        bytes[..1024].fill(tear);
        std::fs::write(&path, &bytes).unwrap();
        if !is_closed {
            std::fs::write(folder.path().join("ledger.sqlite-wal"), b"log").unwrap();
        }
        let (_, recovered) = Bench::start(&folder, &boot("a", 300.0, NOON, true));
        assert!(recovered.troubles[0].contains("ledger.sqlite.damaged-1"), "{:?}", recovered.troubles);
        assert_eq!(std::fs::read(folder.path().join("ledger.sqlite.damaged-1")).unwrap(), bytes);
    }
}

#[test]
fn nothing_is_lost_while_the_file_cannot_be_written() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 1);
    bench.commit();
    // Somebody else holds the write lock for longer than the writer waits.
    let other = rusqlite::Connection::open(folder.path().join("ledger.sqlite")).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let print = bench.expose(1.0, Plan::dose(target(1e6)));
    bench.ledger.commit(900);
    let told = bench.events.blocking_recv().unwrap();
    assert!(matches!(told, LedgerEvent::Trouble(900, _)), "{told:?}");
    other.execute_batch("ROLLBACK").unwrap();
    bench.ledger.commit(901);
    assert_eq!(bench.events.blocking_recv().unwrap(), LedgerEvent::Committed(901));
    assert!(record(&folder).find(&print).is_ok());
}

#[test]
fn nothing_waits_for_a_card_that_is_stuck_and_one_commit_then_holds_all() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 1);
    let disk = bench.ledger.disk();
    disk.hold();
    bench.ledger.commit(1);
    disk.wait_for_a_commit();
    let print = bench.expose(1.0, Plan::dose(target(1e6)));
    // More than any queue holds.
    for token in 2..=10_000 {
        bench.ledger.write(Entry::Reminded { print: token.to_string() });
        bench.ledger.commit(token);
    }
    bench.ledger.write(Entry::Reminded { print: "half of something".into() });
    disk.release();
    let answers = [(); 2].map(|()| bench.events.blocking_recv().unwrap());
    assert_eq!(answers, [1, 10_000].map(LedgerEvent::Committed));
    assert!(record(&folder).find(&print).is_ok());
}

#[test]
fn the_log_is_copied_into_the_file_when_that_is_offered_and_else_when_it_is_very_long() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    let log = folder.path().join("ledger.sqlite-wal");
    let length = || std::fs::metadata(&log).unwrap().len();
    bench.shine(0, 1);
    // Long answers fill it.
    let fill = |bench: &mut Bench, id: String| {
        bench.ledger.write(Entry::Answered { id, answer: serde_json::json!("x".repeat(50_000)) });
        bench.commit();
    };
    for n in 0..40 {
        fill(&mut bench, format!("a{n}"));
    }
    let before = length();
    assert!(before > 2_000_000, "{before} bytes: it was copied unasked");
    bench.ledger.checkpoint();
    while length() >= before {
        std::thread::sleep(Duration::from_millis(5));
    }
    bench.commit();
    assert!(length() < 100_000, "{} bytes", length());
    while bench.ledger.wants_checkpoint() {
        std::thread::sleep(Duration::from_millis(5));
    }
    let mut longest = 0;
    for n in 0..600 {
        fill(&mut bench, format!("b{n}"));
        longest = longest.max(length());
    }
    assert!((16_000_000..18_000_000).contains(&longest), "{longest} bytes");
}

#[test]
fn a_restart_without_lost_light_changes_no_figure() {
    // Commands between readings, and a commit before the next reading settles them.
    let lay_out = |bench: &mut Bench| {
        bench.shine(0, 9);
        bench.expose(9.5, Plan::dose(target(3_000.0)));
        bench.shine(10, 40);
        bench.tell(40.25, Command::Cover);
        bench.tell(40.5, Command::Uncover);
        bench.commit();
    };
    let finish = |bench: &mut Bench, folder: &TempDir| {
        bench.shine(41, 120);
        bench.tell(120.5, Command::BringIn);
        bench.shine(121, 121);
        bench.commit();
        record(folder).detail("2026-07-14-oak-1").unwrap()
    };
    let whole = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&whole, &boot("a", 0.0, NOON, true));
    lay_out(&mut bench);
    let whole = finish(&mut bench, &whole);

    let parted = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&parted, &boot("a", 0.0, NOON, true));
    lay_out(&mut bench);
    std::mem::forget(bench.ledger);
    let (mut again, _) = Bench::start(&parted, &boot("a", 40.75, NOON + 40_750, true));
    let parted = finish(&mut again, &parted);

    assert_eq!(whole.row.events.len(), parted.row.events.len());
    for (whole, parted) in whole.row.events.iter().zip(&parted.row.events) {
        assert_eq!((whole.kind, whole.unix_ms, whole.settled), (parted.kind, parted.unix_ms, true));
        assert!((whole.dose.best - parted.dose.best).j_m2().abs() < 1e-9, "{whole:?} {parted:?}");
        assert!(!parted.dose.is_open());
    }
    assert_eq!(whole.curve, parted.curve);
}

#[test]
fn an_event_and_its_signal_are_kept_together_or_not_at_all() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 0);
    let print = bench.expose(0.0, Plan::dose(target(1e6)));
    bench.commit();
    bench.tell(0.5, Command::BringIn);
    bench.ledger.write(Entry::Signal(OutboxRow {
        id: "s".into(),
        frame: "oak".into(),
        payload: "{}".into(),
    }));
    std::mem::forget(bench.ledger);
    let (_, recovered) = Bench::start(&folder, &boot("a", 1.0, NOON + 1000, true));
    assert!(recovered.outbox.is_empty());
    assert_eq!(record(&folder).find(&print).unwrap().events.len(), 1);
}

#[test]
fn a_print_brought_in_today_is_still_shown_in_its_frame() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 0);
    bench.expose(0.0, Plan::dose(target(1_000.0)));
    bench.shine(1, 30);
    bench.tell(30.0, Command::BringIn);
    bench.commit();
    let dose = bench.dose(30.0);
    bench.ledger.finish().unwrap();
    let hours = |h: i64| boot("b", 5.0, NOON + h * 3_600_000, true);
    let (mut again, recovered) = Bench::start(&folder, &hours(11));
    assert!(recovered.prints.is_empty());
    assert_eq!(recovered.brought_in[0].frame, "oak");
    again.rig.resume(again.frame, recovered.brought_in[0].resumed.clone()).unwrap();
    let view = again.rig.view(again.frame, at(5.0)).unwrap();
    assert_eq!((view.state, view.waiting), (FrameState::In, false));
    assert!((view.dose.best.j_m2() - dose).abs() < 1e-9);
    again.ledger.finish().unwrap();
    assert!(Bench::start(&folder, &hours(13)).1.brought_in.is_empty());
}

#[test]
fn a_clock_that_was_set_back_counts_as_another_boot() {
    let folder = TempDir::new().unwrap();
    // Light played at sixty times life's speed, then at life's.
    let (mut bench, _) = Bench::start(&folder, &boot("a", 6000.0, NOON, true));
    bench.shine(6000, 6000);
    bench.expose(6000.0, Plan::dose(target(1e6)));
    bench.shine(6001, 6060);
    bench.commit();
    let dose = bench.dose(6060.0);
    bench.ledger.finish().unwrap();
    let (mut again, recovered) = Bench::start(&folder, &boot("a", 102.0, NOON + 1_000, true));
    assert!(recovered.unplaced.contains_key("sky"));
    assert!(recovered.left_off["sky"].knot.at < at(102.0));
    again.shine(103, 110);
    assert!(again.dose(110.0) > dose);
    again.commit();
    // And at life's speed once more: that is the boot it knows.
    again.ledger.finish().unwrap();
    let (_, recovered) = Bench::start(&folder, &boot("a", 120.0, NOON + 19_000, true));
    assert!(recovered.unplaced.is_empty());
    assert_eq!(recovered.left_off["sky"].knot.at, at(110.0));
}

#[test]
fn what_the_tables_refuse_does_not_keep_the_rest_out() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 0);
    let print = bench.expose(0.0, Plan::dose(target(1e6)));
    let nothing = Estimate::certain(frameside_core::quantity::Dose::from_j_m2(f64::NAN));
    let nothing = Counted { dose: nothing, total: nothing };
    bench.ledger.write(Entry::Settled { print: Arc::clone(&print), seq: 0, counted: nothing, plain: None });
    bench.shine(1, 10);
    bench.ledger.commit(900);
    let refused = bench.events.blocking_recv().unwrap();
    assert!(matches!(&refused, LedgerEvent::LeftOut(Some(of), _) if **of == *print), "{refused:?}");
    assert_eq!(bench.events.blocking_recv().unwrap(), LedgerEvent::Committed(900));
    let begun = record(&folder).find(&print).unwrap().begun().unwrap().dose.best.j_m2();
    assert_eq!(begun, 0.0);
    assert_eq!(record(&folder).light("sky", f64::MIN, f64::MAX).unwrap().len(), 11);
}

#[test]
fn light_of_a_boot_that_is_over_is_packed() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    for minute in 0..5 {
        bench.shine(minute * 60, minute * 60 + 59);
        bench.commit();
    }
    bench.ledger.finish().unwrap();
    let (mut again, _) = Bench::start(&folder, &boot("b", 0.0, NOON + 400_000, true));
    again.shine(1, 10);
    again.commit();
    assert_eq!(bench_sql::<i64>(&folder, "SELECT sum(n) FROM light"), 300);
    assert_eq!(bench_sql::<i64>(&folder, "SELECT sum(n) FROM open_light"), 10);
    assert_eq!(record(&folder).light("sky", f64::MIN, f64::MAX).unwrap().len(), 310);
}

#[test]
fn light_of_a_time_is_found_by_the_index_to_its_very_ends() {
    let folder = TempDir::new().unwrap();
    for (name, hours) in [("a", 0), ("b", 1), ("c", 2)] {
        let (mut bench, _) = Bench::start(&folder, &boot(name, 0.0, NOON + hours * 3_600_000, true));
        bench.shine(0, 59);
        bench.commit();
        bench.ledger.finish().unwrap();
    }
    let record = record(&folder);
    let seconds = |from: f64, to: f64| -> Vec<f64> {
        let light = record.light("sky", NOON as f64 + 1000.0 * from, NOON as f64 + 1000.0 * to).unwrap();
        light.iter().map(|light| (light.unix_ms - NOON as f64) / 1000.0).collect()
    };
    // Packed light of boots that are over, and what comes last.
    for begun in [0.0, 3_600.0, 7_200.0] {
        assert_eq!(seconds(begun - 100.0, begun), [begun]);
        assert_eq!(seconds(begun + 59.0, begun + 100.0), [begun + 59.0]);
        assert_eq!(seconds(begun + 20.0, begun + 22.0), [begun + 20.0, begun + 21.0, begun + 22.0]);
    }
    assert_eq!(seconds(59.0, 3_600.0), [59.0, 3_600.0]);
    let how = record
        .select(&format!("EXPLAIN QUERY PLAN {}", record::CHUNKS), ["sky", "0", "1"], |row| {
            row.get::<_, String>(3)
        })
        .unwrap();
    let by_index = "SEARCH light USING INDEX light_by_time (sensor=? AND boot=? AND to_ns>?)";
    assert!(how.iter().any(|step| step == by_index), "{how:?}");
}

#[test]
fn more_light_than_a_chunk_holds_can_be_read_back() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    // As after a day in which nothing could be written.
    let most = chunk::MOST_SAMPLES as u32;
    bench.shine(0, most);
    bench.commit();
    let light = record(&folder).light("sky", f64::MIN, f64::MAX).unwrap();
    assert_eq!(light.len(), most as usize + 1);
}

#[test]
fn a_curve_ends_with_the_dose_of_the_print() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 9);
    bench.expose(9.7, Plan::dose(target(1e6)));
    bench.shine(10, 50);
    bench.tell(50.4, Command::Cover);
    bench.shine(51, 60);
    bench.tell(60.2, Command::Uncover);
    bench.shine(61, 99);
    bench.tell(99.6, Command::BringIn);
    bench.shine(100, 101);
    bench.commit();
    let detail = record(&folder).detail("2026-07-14-oak-1").unwrap();
    let (first, last) = (detail.curve[0], *detail.curve.last().unwrap());
    assert!(first.0.abs() < 1e-6 && (last.0 - 89.9).abs() < 1e-6, "{first:?} {last:?}");
    let kept = detail.row.brought_in().unwrap().dose.best.j_m2();
    assert!((last.2 - kept).abs() < 0.001, "{} {kept}", last.2);
    let covered: Vec<f64> =
        detail.curve.iter().filter(|point| (40.75..50.45).contains(&point.0)).map(|point| point.2).collect();
    assert!(covered.len() >= 10 && covered.iter().all(|&dose| dose == covered[0]), "{covered:?}");
}

#[test]
fn a_curve_ends_with_its_print_before_the_next_reading_too() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 9);
    bench.expose(9.7, Plan::dose(target(1e6)));
    bench.shine(10, 50);
    bench.tell(50.9, Command::BringIn);
    bench.commit();
    let detail = record(&folder).detail("2026-07-14-oak-1").unwrap();
    let (last, end) = (*detail.curve.last().unwrap(), detail.row.brought_in().unwrap());
    assert!(!end.settled);
    assert!((last.0 - 41.2).abs() < 1e-6, "{last:?}");
    assert!((last.2 - end.dose.best.j_m2()).abs() < 1e-9, "{} {}", last.2, end.dose.best);
}

#[test]
fn a_curve_crosses_a_gap_with_what_was_counted_in_it() {
    let sample = |seconds: f64, w_m2, boot| {
        let seen = Seen::Exactly(Irradiance::from_w_m2(w_m2));
        let sample = Sample { at: at(seconds), seen, flags: Flags::NONE };
        LightSample { unix_ms: 1000.0 * seconds, sample, boot }
    };
    let gap = |from: f64, to: f64, best| GapRow {
        from_ms: 1000.0 * from,
        to_ms: 1000.0 * to,
        dose: Estimate::certain(frameside_core::quantity::Dose::from_j_m2(best)),
    };
    // The lamp was off while the power was gone, although it shone before and after.
    let light = [sample(0.0, 40.0, 1), sample(1.0, 40.0, 1), sample(61.0, 40.0, 2), sample(62.0, 20.0, 2)];
    let whole = (40.0, 20.0);
    let lines = counted_lights(&light, &[gap(1.0, 61.0, 0.0)]);
    assert_eq!(lines, [(40.0, 40.0), (0.0, 0.0), whole]);
    // Told in two parts, by clocks that agree to some milliseconds: 900 of 2400 J/m².
    let lines = counted_lights(&light, &[gap(0.998, 31.0, 600.0), gap(31.002, 61.0, 300.0)]);
    assert_eq!(lines, [(40.0, 40.0), (15.0, 15.0), whole]);
    // Nobody knows how long the power was gone: what the gap tells, and nothing else.
    assert_eq!(counted_lights(&light, &[gap(60.0, 61.0, 120.0)]), [(40.0, 40.0), (2.0, 2.0), whole]);
    let quick = [sample(0.0, 40.0, 1), sample(1.0, 40.0, 2), sample(11.0, 40.0, 2)];
    assert_eq!(counted_lights(&quick, &[gap(1.0, 11.0, 100.0)]), [(40.0, 40.0), (10.0, 10.0)]);
    // A boot that follows within a step is seen; decades between wrong clocks are not.
    assert_eq!(counted_lights(&light, &[])[1], (40.0, 40.0));
    let late = [sample(0.0, 40.0, 1), sample(1e9, 40.0, 2)];
    assert_eq!(counted_lights(&late, &[]), [(0.0, 0.0)]);
    // Dark at both ends, it was counted as even; several lines of a gap share it by their light.
    let night = [sample(0.0, 0.0, 1), sample(10.0, 0.0, 1), sample(20.0, 30.0, 1)];
    assert_eq!(counted_lights(&night, &[gap(0.0, 10.0, 50.0)]), [(5.0, 5.0), (0.0, 30.0)]);
    assert_eq!(counted_lights(&night, &[gap(0.0, 20.0, 300.0)]), [(0.0, 0.0), (0.0, 60.0)]);
}

/// Spoils so many bytes of the page that a query finds; gives the file as it is then.
fn tear_page(folder: &TempDir, query: &str, length: usize) -> Vec<u8> {
    let path = folder.path().join("ledger.sqlite");
    let page = usize::try_from(bench_sql::<i64>(folder, query) - 1).unwrap() * 1024;
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[page..page + length].fill(0xFF);
    std::fs::write(&path, &bytes).unwrap();
    bytes
}

#[test]
fn a_table_torn_in_its_middle_is_noticed_at_the_start() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 0);
    for n in 1..200 {
        bench.expose(f64::from(n), Plan::dose(target(1e6)));
        bench.tell(f64::from(n) + 0.5, Command::BringIn);
    }
    bench.commit();
    bench.ledger.finish().unwrap();
    let bytes = tear_page(&folder, "SELECT rootpage FROM sqlite_schema WHERE name = 'event'", 200);
    let path = folder.path().join("ledger.sqlite");
    let (_ledger, recovered) =
        Ledger::start(&path, &boot("a", 300.0, NOON, true), unbounded_channel().0).unwrap();
    assert!(recovered.troubles[0].contains("ledger.sqlite.damaged-1"), "{:?}", recovered.troubles);
    assert_eq!(std::fs::read(folder.path().join("ledger.sqlite.damaged-1")).unwrap(), bytes);
}

#[test]
fn a_torn_index_of_light_is_noticed_at_the_start_and_no_light_is_lost() {
    let folder = TempDir::new().unwrap();
    for name in ["a", "b"] {
        let (mut bench, _) = Bench::start(&folder, &boot(name, 0.0, NOON, true));
        bench.shine(0, 59);
        bench.commit();
        bench.ledger.finish().unwrap();
    }
    tear_page(&folder, "SELECT rootpage FROM sqlite_schema WHERE name = 'light_by_time'", 1024);
    let (_, recovered) = Bench::start(&folder, &boot("c", 0.0, NOON, true));
    assert!(recovered.troubles[0].contains("nothing is missing"), "{:?}", recovered.troubles);
    assert_eq!(record(&folder).light("sky", 0.0, 4e12).unwrap().len(), 120);
}

#[test]
fn what_a_damaged_record_still_gives_becomes_the_record() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 0);
    for n in 1..200 {
        bench.expose(f64::from(n), Plan::dose(target(1e6)));
        bench.tell(f64::from(n) + 0.5, Command::BringIn);
    }
    bench.shine(200, 260);
    bench.commit();
    bench.ledger.finish().unwrap();
    let events: i64 = bench_sql(&folder, "SELECT count(*) FROM event");
    let leaf = "SELECT pageno FROM dbstat WHERE name = 'event' AND pagetype = 'leaf' LIMIT 1 OFFSET 10";
    tear_page(&folder, leaf, 1024);
    let path = folder.path().join("ledger.sqlite");
    let (_ledger, recovered) =
        Ledger::start(&path, &boot("a", 300.0, NOON, true), unbounded_channel().0).unwrap();
    let trouble = &recovered.troubles[0];
    assert!(trouble.contains("ledger.sqlite.damaged-1") && trouble.contains("of: event"), "{trouble}");
    assert_eq!(record(&folder).prints(&Filter::default()).unwrap().len(), 199);
    assert_eq!(record(&folder).light("sky", 0.0, 4e12).unwrap().len(), 62);
    let prints = record(&folder).prints(&Filter::default()).unwrap();
    let kept: usize = prints.iter().map(|print| print.events.len()).sum();
    assert!(kept > 370 && kept < usize::try_from(events).unwrap(), "{kept} of {events} events");
    // It is said once.
    assert!(!recovered.troubles.iter().any(|trouble| trouble.contains("-wal file")), "{recovered:?}");
    // Those whose end is lost may be out.
    for OpenPrint { resumed, .. } in &recovered.prints {
        assert!(recovered.troubles.iter().any(|trouble| trouble.contains(&*resumed.print)), "{resumed:?}");
    }
    assert!((1..9).contains(&recovered.prints.len()), "{:?}", recovered.prints);
}

#[test]
fn a_record_at_rest_is_read_by_who_may_not_write_beside_it() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = TempDir::new().unwrap();
    let inner = folder.path().join("no room? 100 %");
    let path = inner.join("ledger.sqlite");
    let (mut ledger, _) = Ledger::start(&path, &boot("a", 0.0, NOON, true), unbounded_channel().0).unwrap();
    ledger.finish().unwrap();
    std::fs::set_permissions(&inner, std::fs::Permissions::from_mode(0o555)).unwrap();
    let prints = Record::open(&path).and_then(|record| record.prints(&Filter::default()));
    std::fs::set_permissions(&inner, std::fs::Permissions::from_mode(0o755)).unwrap();
    assert!(prints.unwrap().is_empty());
}

#[test]
fn a_damaged_chunk_of_light_takes_no_other_with_it() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    for part in 0..3 {
        bench.shine(part * 100, part * 100 + 99);
        bench.commit();
    }
    let other = rusqlite::Connection::open(folder.path().join("ledger.sqlite")).unwrap();
    other.execute("UPDATE open_light SET samples = x'00' WHERE id = 2", []).unwrap();
    bench.shine(300, 2000);
    bench.commit();
    assert_eq!(bench_sql::<i64>(&folder, "SELECT count(*) FROM open_light"), 0);
    assert_eq!(bench_sql::<i64>(&folder, "SELECT n FROM light WHERE codec = 0"), 100);
    let light = record(&folder).light("sky", (NOON + 150_000) as f64, f64::MAX);
    assert!(matches!(light, Err(LedgerError::Damaged(_))), "whoever asks for it is told");
    other.execute("DELETE FROM light WHERE codec = 0", []).unwrap();
    assert_eq!(record(&folder).light("sky", f64::MIN, f64::MAX).unwrap().len(), 1901);
}

/// What a rehearsal left when there were no recipes and no judgements.
const FIRST_SCHEMA: &str = include_str!("v1.sql");

fn first_ledger(folder: &TempDir) -> PathBuf {
    let path = folder.path().join("ledger.sqlite");
    let connection = rusqlite::Connection::open(&path).unwrap();
    connection.execute_batch(FIRST_SCHEMA).unwrap();
    path
}

/// What a print is known by, of every schema.
fn facts(prints: &[PrintRow]) -> Vec<(String, Option<String>, usize, Option<f64>)> {
    let fact = |print: &PrintRow| {
        let dose = print.dose_to_repeat().map(|dose| dose.j_m2());
        (print.id.clone(), print.recipe.clone(), print.events.len(), dose)
    };
    prints.iter().map(fact).collect()
}

#[test]
fn a_ledger_of_the_first_schema_is_brought_up_to_date_and_loses_nothing() {
    let folder = TempDir::new().unwrap();
    let path = first_ledger(&folder);
    assert_eq!(bench_sql::<i64>(&folder, "PRAGMA user_version"), 1);
    let events: i64 = bench_sql(&folder, "SELECT count(*) FROM event");
    let (mut ledger, recovered) =
        Ledger::start(&path, &boot("a", 0.0, NOON, true), unbounded_channel().0).unwrap();
    assert!(recovered.troubles.is_empty(), "{:?}", recovered.troubles);
    ledger.finish().unwrap();
    assert_eq!(bench_sql::<i64>(&folder, "PRAGMA user_version"), 10);
    assert_eq!(bench_sql::<i64>(&folder, "SELECT count(*) FROM event"), events);
    let prints = record(&folder).prints(&Filter::default()).unwrap();
    let names: Vec<&str> = prints.iter().map(|print| print.id.as_str()).collect();
    assert_eq!(names, ["2026-07-14-fir-1", "2026-07-14-ash-1", "2026-07-14-elm-1", "2026-07-14-oak-1"]);
    assert!(prints.iter().all(|print| print.recipe_version.is_none() && print.brought_in().is_some()));
    let is_indexed = "SELECT count(*) FROM sqlite_schema WHERE name = 'light_by_time'";
    assert_eq!(bench_sql::<i64>(&folder, is_indexed), 1);
    let curve = record(&folder).detail("2026-07-14-oak-1").unwrap().curve;
    let dose = prints[3].dose_to_repeat().unwrap().j_m2();
    assert!((curve.last().unwrap().2 / dose - 1.0).abs() < 1e-3);
}

#[test]
fn who_only_reads_brings_a_first_ledger_up_to_date_or_says_who_can() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = TempDir::new().unwrap();
    let path = first_ledger(&folder);
    let read = facts(&record(&folder).prints(&Filter { unjudged: true, ..Filter::default() }).unwrap());
    assert_eq!(read.len(), 4);
    assert_eq!(bench_sql::<i64>(&folder, "PRAGMA user_version"), 10);
    // Root may write anything, so that there is nothing to see for it.
    std::fs::write(&path, "").unwrap();
    rusqlite::Connection::open(&path).unwrap().execute_batch(FIRST_SCHEMA).unwrap();
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o444)).unwrap();
    match Record::open(&path) {
        Ok(record) => assert_eq!(facts(&record.prints(&Filter::default()).unwrap()), read),
        Err(error) => assert!(error.to_string().contains("start 'frameside run' once"), "{error}"),
    }
}

#[test]
fn a_print_that_was_out_under_schema_4_goes_on_plainly() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("ledger.sqlite");
    rusqlite::Connection::open(&path).unwrap().execute_batch(include_str!("v4.sql")).unwrap();
    let kept: f64 = bench_sql(&folder, "SELECT best FROM sensor");
    let newest: i64 = bench_sql(&folder, "SELECT at_ns FROM sensor");
    let now = boot("boot-a", newest as f64 / 1e9 + 60.0, NOON, true);
    let (mut ledger, recovered) = Ledger::start(&path, &now, unbounded_channel().0).unwrap();
    assert!(recovered.troubles.is_empty() && recovered.responses.is_empty(), "{recovered:?}");
    assert_eq!(recovered.left_off["sky"].knot.total.best.j_m2(), kept);
    let [elm] = &recovered.prints[..] else { panic!("{recovered:?}") };
    assert_eq!((elm.frame.as_str(), elm.resumed.response), ("elm", Response::PLAIN));
    let from = elm.resumed.spans[0].from;
    assert_eq!(from.totals.own, from.totals.plain);
    ledger.finish().unwrap();
    assert_eq!(bench_sql::<i64>(&folder, "PRAGMA user_version"), 10);
    let record = record(&folder);
    let oak = &record.prints(&Filter { unjudged: false, ..Filter::default() }).unwrap()[1];
    assert_eq!((oak.frame.as_str(), oak.recipe_version, oak.response), ("oak", Some(1), Response::PLAIN));
    assert_eq!(oak.plain_dose(), oak.dose_to_repeat());
    assert_eq!(record.judgements(oak).unwrap().len(), 1);
    // Its exponent was kept then, but never counted at: it has no reference.
    let facts = &record.recipe("citrate").unwrap()[0].recipe.facts;
    assert_eq!((facts.exponent, facts.response()), (Some(0.85), Response::PLAIN));
}

fn described(support: &str, target_j_m2: f64) -> Recipe {
    Recipe {
        facts: Facts { support: Some(support.to_owned()), ..Facts::default() },
        targets: [("sun".to_owned(), target_j_m2)].into(),
    }
}

#[test]
fn a_print_belongs_to_the_version_of_its_recipe() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 1);
    let before = bench.expose(1.0, Plan::dose(target(1e6)));
    bench.tell(1.5, Command::BringIn);
    bench.commit();
    // The daemon goes on writing while the command line does.
    let mut notebook = Notebook::open(&folder.path().join("ledger.sqlite")).unwrap();
    assert_eq!(notebook.keep_recipe("citrate", NOON, &described("rag", 15_000.0)).unwrap(), 1);
    let first = bench.expose(2.0, Plan::dose(target(1e6)));
    bench.tell(2.5, Command::BringIn);
    bench.commit();
    let changed = described("rag", 15_000.0).changed_by(described("washi", 18_000.0));
    assert_eq!(notebook.keep_recipe("citrate", NOON, &changed).unwrap(), 2);
    let second = bench.expose(3.0, Plan::dose(target(1e6)));
    bench.commit();
    let version = |print: &str| record(&folder).find(print).unwrap().recipe_version;
    assert_eq!([version(&before), version(&first), version(&second)], [None, Some(1), Some(2)]);
    let versions = record(&folder).recipe("citrate").unwrap();
    assert_eq!(versions.iter().map(|known| known.version).collect::<Vec<_>>(), [1, 2]);
    assert_eq!(versions[1].recipe, described("washi", 18_000.0));
    assert_eq!(versions[1].recipe.facts.differing(&versions[0].recipe.facts), ["support"]);
    assert_eq!(record(&folder).recipes().unwrap(), versions[1..]);
}

#[test]
fn judgements_and_wedges_read_back() {
    use frameside_core::quantity::{Dose, Stops};
    use frameside_core::sensitometry::{Density, WedgeStep};
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 1);
    let print = bench.expose(1.0, Plan::dose(target(1e6)));
    bench.commit();
    let unjudged = Filter { unjudged: true, ..Filter::default() };
    assert!(record(&folder).prints(&unjudged).unwrap().is_empty(), "it is still out");
    bench.tell(1.5, Command::BringIn);
    bench.commit();
    assert_eq!(record(&folder).prints(&unjudged).unwrap().len(), 1);

    let mut notebook = Notebook::open(&folder.path().join("ledger.sqlite")).unwrap();
    let judged = |verdict, dry| Judgement { unix_ms: NOON, verdict, dry, oxidised: true };
    let judgements = [
        judged(Verdict::Off { stops: Stops::new(-0.5) }, false),
        judged(Verdict::Density { got: Density::new(0.55), want: Density::new(0.4) }, true),
        judged(Verdict::FirstFull { band: 3 }, true),
        judged(Verdict::Bands { densities: vec![Density::new(0.1), Density::new(1.0 / 3.0)] }, true),
    ];
    for judgement in &judgements {
        notebook.keep_judgement(&print, judgement).unwrap();
    }
    assert_eq!(record(&folder).detail(&print).unwrap().judgements, judgements);
    assert!(record(&folder).prints(&unjudged).unwrap().is_empty());

    let step = |wedge, print| WedgeStep { wedge: Density::new(wedge), print: Density::new(print) };
    let wedge = WedgeRow {
        name: "may".to_owned(),
        version: Some(1),
        source: "sun".to_owned(),
        unix_ms: NOON,
        dose: Dose::from_j_m2(30_000.0),
        steps: vec![step(0.05, 1.4), step(0.2, 1.39)],
    };
    notebook.keep_wedge("citrate", &wedge).unwrap();
    // Read again, it takes its own place.
    let again = WedgeRow { dose: Dose::from_j_m2(60_000.0), ..wedge.clone() };
    let other = WedgeRow { source: "box".to_owned(), ..wedge };
    for wedge in [&again, &other] {
        notebook.keep_wedge("citrate", wedge).unwrap();
    }
    assert_eq!(record(&folder).wedges("citrate").unwrap(), [again, other]);
    assert!(record(&folder).wedges("oxalate").unwrap().is_empty());
    let none = Notebook::open(&folder.path().join("none.sqlite")).unwrap_err();
    assert!(matches!(none, LedgerError::Missing(_)), "{none}");
}

/// A record with a bit of everything in it.
fn lived_in(folder: &TempDir) {
    let (mut bench, _) = Bench::start(folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 9);
    let print = bench.expose(9.5, Plan::dose(target(300.0)));
    bench.shine(10, 40);
    bench.tell(40.5, Command::Note);
    let text = "edge \"turning\"\n".to_owned();
    bench.ledger.write(Entry::Note {
        print,
        note: Note { text, ..Note::default() },
        at: at(40.5),
        with_dose: true,
    });
    bench.ledger.write(Entry::Signal(OutboxRow {
        id: "1".into(),
        frame: "oak".into(),
        payload: "{}".into(),
    }));
    bench.shine(41, 50);
    bench.commit();
    bench.ledger.finish().unwrap();
}

fn whole(path: &Path) -> String {
    let mut json = b"[".to_vec();
    write_json(path, &mut json).unwrap();
    String::from_utf8(json).unwrap()
}

#[test]
fn a_backup_exports_whole_as_the_record_does() {
    let (folder, other) = (TempDir::new().unwrap(), TempDir::new().unwrap());
    lived_in(&folder);
    let from = folder.path().join("ledger.sqlite");
    let first = whole(&from);
    serde_json::from_str::<Value>(&first).unwrap();
    let (copy, to) = (other.path().join("copy.sqlite"), other.path().join("ledger.sqlite"));
    backup(&from, &copy, false).unwrap();
    assert_eq!(restore(&copy, &to, false).unwrap(), None);
    assert_eq!(whole(&to), first);
    let (_, recovered) = Bench::start(&other, &boot("a", 60.0, NOON + 60_000, true));
    assert_eq!((recovered.prints.len(), recovered.outbox.len()), (1, 1));
    // An export is no backup: it is refused, and nothing is left of the attempt.
    let (json, third) = (other.path().join("ledger.json"), other.path().join("third.sqlite"));
    std::fs::write(&json, &first).unwrap();
    let refused = restore(&json, &third, false).unwrap_err().to_string();
    assert!(refused.contains("ledger.json is not a sound record"), "{refused}");
    assert!(!third.exists());
}

#[test]
fn a_backup_of_a_running_ledger_is_restored() {
    let (folder, other) = (TempDir::new().unwrap(), TempDir::new().unwrap());
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 9);
    bench.expose(9.5, Plan::dose(target(15_000.0)));
    bench.commit();
    let (from, copy) = (folder.path().join("ledger.sqlite"), other.path().join("copy.sqlite"));
    backup(&from, &copy, false).unwrap();
    bench.shine(10, 12);
    bench.commit();
    assert!(matches!(backup(&from, &copy, false), Err(LedgerError::Exists(_))));
    // Not over itself, by whatever name.
    let (link, hard) = (other.path().join("link"), other.path().join("hard"));
    std::os::unix::fs::symlink(&from, &link).unwrap();
    std::fs::hard_link(&from, &hard).unwrap();
    let wal = folder.path().join("ledger.sqlite-wal");
    for itself in [&from, &link, &hard, &wal] {
        assert!(matches!(backup(&from, itself, true), Err(LedgerError::Itself(_))), "{itself:?}");
    }
    assert!(matches!(restore(&link, &from, true), Err(LedgerError::Itself(_))));
    let to = other.path().join("ledger.sqlite");
    restore(&copy, &to, false).unwrap();
    assert_eq!(whole(&to), whole(&copy));
    assert_ne!(whole(&to), whole(&from), "the backup is older");
    backup(&from, &copy, true).unwrap();
    assert!(matches!(restore(&copy, &to, false), Err(LedgerError::Exists(_))));
    let before = whole(&to);
    let aside = restore(&copy, &to, true).unwrap().unwrap();
    assert_eq!((whole(&aside), whole(&to)), (before, whole(&from)));
}

#[test]
fn what_is_no_record_is_not_restored() {
    let folder = TempDir::new().unwrap();
    lived_in(&folder);
    let (to, from) = (folder.path().join("ledger.sqlite"), folder.path().join("from"));
    let before = whole(&to);
    let mut damaged = std::fs::read(&to).unwrap();
    let middle = damaged.len() / 2;
    damaged[middle..].fill(0xA5);
    for (content, why) in [
        (b"not a database at all, but quite long enough to be read as one".to_vec(), "not a database"),
        (damaged, "not a sound record"),
    ] {
        std::fs::write(&from, content).unwrap();
        let refused = restore(&from, &to, true).unwrap_err().to_string();
        assert!(refused.contains(why), "{refused}");
    }
    assert_eq!(whole(&to), before);
}

#[test]
fn a_copy_that_cannot_be_made_says_why_and_leaves_nothing() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.ledger.finish().unwrap();
    let record = folder.path().join("ledger.sqlite");
    let stick = folder.path().join("stick");
    std::fs::create_dir(&stick).unwrap();
    let told = |to: &Path| backup(&record, to, true).unwrap_err().to_string();
    assert!(told(&stick).contains("is a folder"), "{}", told(&stick));
    assert!(!folder.path().join("stick.part").exists());
    let nowhere = folder.path().join("missing").join("copy.sqlite");
    assert!(told(&nowhere).contains("there is no folder"), "{}", told(&nowhere));
    let restored = restore(&nowhere, &record, true).unwrap_err().to_string();
    assert!(restored.starts_with("there is no file"), "{restored}");
}
