//! The service on made-up time, with a real ledger and nothing else.

mod lamp_box;
mod taken_up;
mod wrong_clock;

use frameside_core::chips::SensorFault;
use frameside_core::exposure::{FrameState, Rules};
use frameside_core::light::{Flags, Reading};
use frameside_core::quantity::{Irradiance, TargetDose};
use tempfile::TempDir;
use tokio::sync::{mpsc, oneshot};

use serde_json::json;

use super::list::MOST_READERS;
use super::*;
use crate::clock::Clock;
use crate::devices::pins::{Buzzer, BuzzerKind, MemoryPins};
use crate::devices::relay::Relay;
use crate::ledger::{Boot, Filter, Judgement, Notebook, Recipe, Record, Verdict};
use crate::request::{Aim, Expose, Request};
use crate::socket::{Origin, Question};

const NOON: i64 = 1_784_023_200_000;

fn at(seconds: f64) -> Mono {
    Mono::from_seconds(seconds)
}

fn wall(seconds: f64) -> WallAnchor {
    WallAnchor { mono: at(seconds), unix_ms: NOON + (seconds * 1000.0) as i64, synchronised: true }
}

/// Two sensors, and a frame beside each.
fn setup(folder: &TempDir) -> Setup {
    let sensor = |name: &str| SensorPart { name: name.into(), period_s: 1.0, conversion: json!({}) };
    let frame = |name: &str, sensor, glass| FramePart { name: name.into(), label: None, sensor, glass };
    Setup {
        rig: "yard".into(),
        zone: TimeZone::UTC,
        site: None,
        sources: ["sun", "box", "arc"].map(String::from).to_vec(),
        lamps: vec!["box".into()],
        switched: Vec::new(),
        rules: Rules::default(),
        sensors: vec![sensor("sky"), sensor("wall")],
        frames: vec![frame("oak", SensorId(0), 0.5), frame("elm", SensorId(1), 1.0)],
        boot: "a".into(),
        discovery: Discovery::Off,
        discovery_prefix: "homeassistant".into(),
        ledger: folder.path().join("ledger.sqlite"),
        speed: 1.0,
    }
}

struct Bench {
    service: Service,
    events: mpsc::UnboundedReceiver<LedgerEvent>,
    told: std::sync::mpsc::Receiver<Told>,
}

impl Bench {
    fn start(setup: Setup, seconds: f64) -> Self {
        Self::booted(setup, "a", wall(seconds))
    }

    /// Starts in a boot of a name, at an instant of its clock and with what the wall shows.
    fn booted(setup: Setup, boot: &str, wall: WallAnchor) -> Self {
        Self::with_relays(setup, boot, wall, Vec::new())
    }

    fn with_relays(setup: Setup, boot: &str, wall: WallAnchor, relays: Vec<Relay>) -> Self {
        let (tell, events) = mpsc::unbounded_channel();
        let boot = Boot { id: boot.into(), wall };
        let (ledger, recovered) = Ledger::start(&setup.ledger, &boot, tell).unwrap();
        let (voice, told) = std::sync::mpsc::channel();
        let hands = Hands {
            buzzer: Buzzer::open(BuzzerKind::Active { pin: 18 }, &mut MemoryPins::default()).unwrap(),
            lights: Vec::new(),
            relays,
            link: None,
            hook: None,
            voice: Box::new(move |signal| voice.send(signal.clone()).unwrap()),
        };
        let service = Service::new(setup, ledger, recovered, hands, wall.mono, wall).unwrap();
        Self { service, events, told }
    }

    /// One reading a second from both sensors.
    fn shine(&mut self, from: u32, to: u32) {
        for now in (from..=to).map(|second| at(f64::from(second))) {
            for id in [SensorId(0), SensorId(1)] {
                let reading = Reading::of(now, Irradiance::from_w_m2(40.0));
                self.service.on_sensor(now, id, SensorEvent::Reading(reading));
            }
            self.service.wake(now);
        }
    }

    fn ask(&mut self, seconds: f64, request: Request) -> Value {
        let (answer, mut answered) = oneshot::channel();
        self.service.on_question(at(seconds), request, answer);
        while self.service.awaits_record() {
            self.find(seconds);
        }
        self.settle();
        answered.try_recv().unwrap()
    }

    /// Waits until the ledger has all that was asked of it.
    fn settle(&mut self) {
        while self.service.awaits_ledger() {
            let event = self.events.blocking_recv().unwrap();
            self.service.on_ledger(self.service.rig.now(), event);
        }
    }

    /// Waits until the record has been read for one request.
    fn found(&mut self) -> Found {
        assert!(self.service.awaits_record(), "nothing is asked of the record");
        let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
        runtime.block_on(self.service.found()).unwrap()
    }

    /// The same, and the service hears of it at an instant.
    fn find(&mut self, seconds: f64) {
        let found = self.found();
        self.service.on_found(at(seconds), found);
    }

    fn expose(&mut self, seconds: f64, frame: &str, target_j_m2: f64) -> String {
        let answer = self.ask(seconds, Request::Expose(aimed(frame, target_j_m2)));
        answer["print"].as_str().unwrap_or_else(|| panic!("{answer}")).to_owned()
    }

    fn frame(&self, seconds: f64, name: &str) -> crate::status::FrameStatus {
        self.service.status(at(seconds)).frames.into_iter().find(|f| f.frame == name).unwrap()
    }

    /// The power goes after the last commit: nothing is finished.
    fn kill(mut self) {
        self.settle();
        std::mem::forget(self.service);
    }
}

fn aimed_at(j_m2: f64) -> TargetDose {
    TargetDose::new(frameside_core::quantity::Dose::from_j_m2(j_m2)).unwrap()
}

fn aimed(frame: &str, target_j_m2: f64) -> Expose {
    Expose {
        frame: frame.into(),
        aim: Aim::Target(aimed_at(target_j_m2)),
        recipe: None,
        negative: None,
        source: None,
        note: None,
        covered: false,
    }
}

fn bring_in(frame: &str) -> Request {
    Request::BringIn { frame: frame.into() }
}

#[test]
fn a_print_keeps_the_glass_it_was_begun_under() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 0);
    bench.expose(0.0, "oak", 15_000.0);
    bench.shine(1, 100);
    bench.service.commit(at(100.0));
    let before = bench.frame(100.0, "oak").dose_j_m2;
    bench.kill();
    let mut changed = setup(&folder);
    changed.frames[0].glass = 0.9;
    let again = Bench::start(changed, 100.5);
    let after = again.frame(100.0, "oak").dose_j_m2;
    assert!((before - 2_000.0).abs() < 1e-9 && (after - before).abs() < 1e-9, "{before} {after}");
}

#[test]
fn a_print_is_not_counted_on_with_another_sensor() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 500);
    let print = bench.expose(500.0, "oak", 15_000.0);
    bench.service.commit(at(500.0));
    bench.kill();
    let mut changed = setup(&folder);
    changed.frames[0].sensor = SensorId(1);
    let again = Bench::start(changed, 501.0);
    assert_eq!(again.frame(501.0, "oak").state, FrameState::Empty);
    let troubles = again.service.status(at(501.0)).troubles;
    assert!(troubles[0].contains(&print) && troubles[0].contains("beside sensor sky"), "{troubles:?}");
    again.kill();
    // With the config as it was, it goes on.
    let back = Bench::start(setup(&folder), 502.0);
    assert_eq!(back.frame(502.0, "oak").state, FrameState::Exposing);
}

#[test]
fn a_dose_at_bring_in_is_settled_even_after_a_kill_and_another_print() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 10);
    let first = bench.expose(10.0, "elm", 15_000.0);
    bench.shine(11, 20);
    bench.ask(20.5, bring_in("elm"));
    bench.expose(20.6, "elm", 15_000.0);
    bench.kill();
    let settled = |folder: &TempDir| {
        let record = Record::open(&folder.path().join("ledger.sqlite")).unwrap();
        record.find(&first).unwrap().brought_in().unwrap().settled
    };
    assert!(!settled(&folder));
    let mut again = Bench::start(setup(&folder), 20.8);
    again.shine(21, 22);
    again.ask(22.0, bring_in("elm"));
    assert!(settled(&folder));
}

#[test]
fn the_reading_after_a_bring_in_puts_its_figures_into_the_record() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 10);
    let print = bench.expose(10.0, "elm", 15_000.0);
    bench.shine(11, 20);
    bench.ask(20.5, bring_in("elm"));
    bench.shine(21, 21);
    bench.kill();
    let detail = Record::open(&folder.path().join("ledger.sqlite")).unwrap().detail(&print).unwrap();
    let (last, end) = (*detail.curve.last().unwrap(), detail.row.brought_in().unwrap());
    assert!(end.settled);
    assert!((last.0 - 10.5).abs() < 1e-6 && (last.2 - end.dose.best.j_m2()).abs() < 0.01, "{last:?}");
}

#[test]
fn readings_that_wait_behind_a_stall_are_taken_before_anyone_finds_none() {
    let clock = Clock::real_time();
    for _ in 0..12 {
        let folder = TempDir::new().unwrap();
        let stalled = clock.now().plus_seconds(-100.0);
        let wall = WallAnchor { mono: stalled, unix_ms: NOON, synchronised: true };
        let mut bench = Bench::booted(setup(&folder), "a", wall);
        let reading = |at| SensorEvent::Reading(Reading::of(at, Irradiance::from_w_m2(40.0)));
        let sensors = [SensorId(0), SensorId(1)];
        sensors.into_iter().for_each(|id| bench.service.on_sensor(stalled, id, reading(stalled)));
        let (answer, _begun) = oneshot::channel();
        bench.service.on_question(stalled, Request::Expose(aimed("elm", 15_000.0)), answer);
        bench.settle();
        let (feed, feeds) = mpsc::channel(10);
        sensors.into_iter().for_each(|id| feed.try_send((id, reading(clock.now()))).unwrap());
        let (asker, questions) = mpsc::channel(10);
        let (answer, answered) = oneshot::channel();
        let from = Origin::Here;
        let question = Question { request: bring_in("elm"), from, answer };
        asker.try_send(question).ok().unwrap();
        let inputs = Inputs {
            sensors: feeds,
            questions,
            ledger: bench.events,
            link: mpsc::channel(1).1,
            buttons: mpsc::channel(1).1,
            panel: mpsc::channel(1).1,
            relays: mpsc::channel(1).1,
            clear_sky: mpsc::channel(1).1,
        };
        let ends = async { assert_eq!(answered.await.unwrap()["ok"], true) };
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
        runtime.block_on(run(bench.service, clock, inputs, || (), ends));
        let kinds: Vec<&str> = bench.told.try_iter().map(|told| told.kind).collect();
        assert_eq!(kinds, ["begun", "brought-in"]);
    }
}

#[test]
fn the_evening_matters_under_the_sun_and_not_under_a_lamp_also_after_a_restart() {
    let folder = TempDir::new().unwrap();
    // Far in the east the sun of this hour is about 35° high and sinking.
    let east = Site::flat(frameside_core::outlook::Place { latitude: 46.8, longitude: 95.0 });
    let setup = || Setup { site: Some(east), ..setup(&folder) };
    let mut bench = Bench::start(setup(), 0.0);
    bench.shine(0, 0);
    bench.expose(0.0, "oak", 5e6);
    let under_box = Expose { source: Some("box".into()), ..aimed("elm", 5e6) };
    bench.ask(0.0, Request::Expose(under_box));
    bench.shine(1, 700);
    let check = |bench: &Bench| {
        let oak = bench.frame(700.0, "oak");
        assert!(oak.too_slow && oak.due.is_none(), "{oak:?}");
        let elm = bench.frame(700.0, "elm");
        assert!(!elm.too_slow && elm.due_if_clear.is_none(), "{elm:?}");
        assert!((elm.remaining_s.unwrap() - (5e6 - 28_000.0) / 40.0).abs() < 1.0, "{elm:?}");
    };
    check(&bench);
    bench.ask(700.0, Request::Retarget { frame: "oak".into(), target: aimed_at(60_000.0) });
    let oak = bench.frame(700.0, "oak");
    assert!(oak.due_low < oak.due && oak.due < oak.due_high && oak.due_low.is_some(), "{oak:?}");
    bench.ask(700.0, Request::Retarget { frame: "oak".into(), target: aimed_at(5e6) });
    bench.kill();
    let mut again = Bench::start(setup(), 700.0);
    again.shine(701, 701);
    assert!(again.frame(701.0, "oak").too_slow);
    assert!(again.frame(701.0, "elm").remaining_s.is_some());
    assert!(again.frame(701.0, "elm").due_if_clear.is_none());
}

#[test]
fn light_is_kept_before_during_and_after_a_print() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 20);
    let print = bench.expose(20.5, "elm", 15_000.0);
    bench.shine(21, 30);
    bench.ask(30.5, bring_in("elm"));
    bench.shine(31, 50);
    bench.service.commit(at(50.0));
    bench.service.ledger.finish().unwrap();
    let record = Record::open(&folder.path().join("ledger.sqlite")).unwrap();
    let curve = record.detail(&print).unwrap().curve;
    let (first, last) = (curve[0], curve[curve.len() - 1]);
    assert_eq!((first.0, last.0), (0.0, 10.0));
    assert!((last.2 - 400.0).abs() < 1e-6, "{last:?}");
    let light = record.light("wall", 0.0, 4e12).unwrap();
    let seconds: Vec<i64> = light.iter().map(|l| (l.unix_ms as i64 - NOON) / 1000).collect();
    assert_eq!(seconds, (0..=50).collect::<Vec<_>>());
}

#[test]
fn a_refused_reading_is_not_kept() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 10);
    let late = Reading::of(at(4.0), Irradiance::from_w_m2(40.0));
    bench.service.on_sensor(at(10.5), SensorId(0), SensorEvent::Reading(late));
    bench.service.commit(at(11.0));
    bench.service.ledger.finish().unwrap();
    let record = Record::open(&folder.path().join("ledger.sqlite")).unwrap();
    assert_eq!(record.light("sky", 0.0, 4e12).unwrap().len(), 11);
}

#[test]
fn a_quiet_frame_cannot_hush_another() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 0);
    bench.expose(0.0, "oak", 15_000.0);
    bench.expose(0.0, "elm", 41.0);
    bench.shine(1, 2);
    assert!(bench.frame(2.0, "elm").waiting);
    let sounds = |bench: &mut Bench| bench.service.hands.buzzer.poll(at(2.0)).is_some();
    assert!(sounds(&mut bench));
    let answer = bench.ask(2.0, Request::Hush { frame: Some("oak".into()) });
    assert_eq!(answer["error"], "oak: nothing is calling from this frame");
    assert!(sounds(&mut bench));
    bench.ask(2.0, Request::Hush { frame: Some("elm".into()) });
    assert!(!sounds(&mut bench));
}

#[test]
fn what_is_done_before_the_end_is_acknowledged() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 0);
    let (answer, mut answered) = oneshot::channel();
    bench.service.on_question(at(0.5), Request::Expose(aimed("oak", 15_000.0)), answer);
    assert!(answered.try_recv().is_err(), "acknowledged before it was safe");
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
    bench.service.stop(at(0.6));
    runtime.block_on(bench.service.close());
    assert_eq!(answered.try_recv().unwrap()["ok"], true);
}

#[test]
fn a_source_out_of_the_config_is_refused_but_what_was_printed_under_it_stays() {
    let folder = TempDir::new().unwrap();
    let under_box = || Request::Expose(Expose { source: Some("box".into()), ..aimed("elm", 15_000.0) });
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 1);
    let print = bench.ask(1.0, under_box())["print"].as_str().unwrap().to_owned();
    bench.shine(2, 20);
    bench.ask(20.0, bring_in("elm"));
    bench.kill();
    let without = Setup { sources: vec!["sun".into()], lamps: Vec::new(), ..setup(&folder) };
    let mut bench = Bench::start(without, 20.5);
    let like = Expose { aim: Aim::Like(print.clone()), ..aimed("elm", 1.0) };
    for expose in [under_box(), Request::Expose(like)] {
        let said = bench.ask(21.0, expose)["error"].as_str().unwrap().to_owned();
        assert!(said.starts_with("there is no source 'box'; the sources are: sun; "), "{said}");
    }
    assert_eq!(Record::open(&setup(&folder).ledger).unwrap().detail(&print).unwrap().row.source, "box");
}

#[test]
fn a_recipe_that_is_nearly_another_is_asked_about() {
    let folder = TempDir::new().unwrap();
    Bench::start(setup(&folder), 0.0).kill();
    let recipe = Recipe::default();
    Notebook::open(&setup(&folder).ledger).unwrap().keep_recipe("citrate", NOON, &recipe).unwrap();
    let mut bench = Bench::start(setup(&folder), 1.0);
    bench.shine(1, 2);
    let mut warning = |name: &str| {
        let expose = Expose { recipe: Some(name.into()), ..aimed("oak", 15_000.0) };
        let begun = bench.ask(2.0, Request::Expose(expose));
        assert_eq!(begun["ok"], true, "{begun}");
        bench.ask(2.0, bring_in("oak"));
        begun["warning"].clone()
    };
    assert!(warning("citrat").as_str().unwrap().ends_with("did you mean 'citrate'?"));
    assert_eq!((warning("citrate"), warning("oxalate")), (Value::Null, Value::Null));
}

#[test]
fn readings_are_corrected_and_prints_remember_how() {
    let folder = TempDir::new().unwrap();
    Bench::start(setup(&folder), 0.0).kill();
    let factors = BTreeMap::from([("sun".to_owned(), 1.25), ("box".to_owned(), 2.5)]);
    let correction = Calibration { factors, ..Calibration::default() };
    let mut notebook = Notebook::open(&setup(&folder).ledger).unwrap();
    let id = notebook.keep_calibration("wall", NOON, "by hand", &correction).unwrap();
    let mut bench = Bench::start(setup(&folder), 1.0);
    bench.shine(1, 10);
    // 40 W/m² by the part are 50 in the sun and 100 in the box.
    assert_eq!(bench.service.status(at(10.0)).sensors[1].irradiance_w_m2, Some(50.0));
    let expose =
        |source: &str| Request::Expose(Expose { source: Some(source.into()), ..aimed("elm", 15_000.0) });
    let begun = bench.ask(10.0, expose("box"));
    assert_eq!(begun["warning"], Value::Null);
    let print = begun["print"].as_str().unwrap().to_owned();
    bench.shine(11, 20);
    assert!((bench.frame(20.0, "elm").dose_j_m2 - 1_000.0).abs() < 1e-9);
    bench.kill();
    let mut again = Bench::start(setup(&folder), 20.5);
    assert!((again.frame(20.0, "elm").dose_j_m2 - 1_000.0).abs() < 1e-9);
    again.shine(21, 22);
    again.ask(22.0, bring_in("elm"));
    let detail = Record::open(&setup(&folder).ledger).unwrap().detail(&print).unwrap();
    let remembered: Value = serde_json::from_str(&detail.row.calibration).unwrap();
    assert_eq!((&remembered["id"], &remembered["correction"]["factors"]["box"]), (&json!(id), &json!(2.5)));
    assert!((detail.curve.last().unwrap().2 - 1_200.0).abs() < 1e-6);
    let doubtful = again.ask(23.0, expose("arc"));
    assert!(doubtful["warning"].as_str().unwrap().contains("calibrated for another source than arc"));
}

#[test]
fn a_print_that_nobody_judges_is_told_of_once() {
    const DAY: f64 = 86_400.0;
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 0);
    let prints = ["oak", "elm"].map(|frame| bench.expose(0.0, frame, 15_000.0));
    bench.shine(1, 20);
    let good = Verdict::Off { stops: frameside_core::quantity::Stops::default() };
    let judgement = Judgement { unix_ms: NOON, verdict: good, dry: true, oxidised: true };
    for frame in ["oak", "elm"] {
        bench.ask(20.0, bring_in(frame));
    }
    Notebook::open(&setup(&folder).ledger).unwrap().keep_judgement(&prints[1], &judgement).unwrap();
    // What was told since, when the record was looked at that many seconds after noon.
    let told = |bench: &mut Bench, seconds: f64| -> Vec<Told> {
        bench.told.try_iter().for_each(drop);
        bench.service.look_for_unjudged_at = at(seconds);
        bench.service.wake(at(seconds));
        // The writer answers one thing after the other, so that this comes behind its findings.
        bench.service.commit(at(seconds));
        bench.settle();
        bench.told.try_iter().collect()
    };
    assert_eq!(told(&mut bench, DAY - 60.0), []);
    let found = told(&mut bench, DAY + 60.0);
    assert_eq!(
        found.iter().map(|told| (told.kind, told.frame.as_str())).collect::<Vec<_>>(),
        [("unjudged", "oak")]
    );
    assert!(found[0].text.contains(&prints[0]), "{found:?}");
    assert!(bench.service.hands.buzzer.poll(at(DAY + 60.0)).is_none(), "it is no call");
    assert_eq!(told(&mut bench, DAY + 3_700.0), []);
    bench.kill();
    assert_eq!(told(&mut Bench::start(setup(&folder), DAY + 7_400.0), DAY + 7_400.0), []);
}

#[test]
fn a_shadow_on_a_sensor_is_told_while_it_lasts() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    let mut shine = |from: u32, to: u32, sky: f64| {
        for now in (from..=to).map(|second| at(f64::from(second))) {
            for (id, w_m2) in [(SensorId(0), sky), (SensorId(1), 40.0)] {
                let reading = Reading::of(now, Irradiance::from_w_m2(w_m2));
                bench.service.on_sensor(now, id, SensorEvent::Reading(reading));
            }
        }
        let sensors = bench.service.status(at(f64::from(to))).sensors;
        sensors.into_iter().map(|sensor| sensor.problem).collect::<Vec<_>>()
    };
    assert_eq!(shine(0, 60, 42.0), [None, None]);
    let shaded = shine(61, 80, 18.0);
    assert!(shaded[0].as_ref().unwrap().starts_with("something may be shading it"), "{shaded:?}");
    assert_eq!(shaded[1], None);
    assert_eq!(shine(81, 110, 42.0), [None, None]);
}

/// A Pi has no clock of its own: after a power cut it wakes in 1970, and the time
/// comes with the network.
#[test]
fn an_outage_is_counted_and_told_once_the_clock_is_right() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 0);
    let print = bench.expose(0.0, "oak", 15_000.0);
    bench.shine(1, 100);
    bench.service.commit(at(100.0));
    bench.kill();
    // Ten minutes after the last reading, 5 s after the boot.
    let mut again = Bench::booted(setup(&folder), "b", WallAnchor { synchronised: false, ..wall_of(5.0, 0) });
    again.shine(5, 20);
    // Half of 115 s of 40 W/m2, and nothing is believed of the time between.
    assert!((again.frame(20.0, "oak").dose_j_m2 - 2_300.0).abs() < 0.1, "{:?}", again.frame(20.0, "oak"));
    assert!(again.service.status(at(20.0)).troubles[0].contains("once the clock is right"));
    assert!(again.told.try_iter().all(|told| told.kind != "due"));
    // A restart on the way does not lose what is waited for.
    again.service.commit(at(20.0));
    again.kill();
    let mut again =
        Bench::booted(setup(&folder), "b", WallAnchor { synchronised: false, ..wall_of(21.0, 0) });
    again.shine(21, 30);
    again.service.on_wall(at(30.0), wall_of(30.0, NOON + 725_000));
    again.settle();
    // The first reading of the boot was at 700 s of the wall, the last one before at 100 s.
    let oak = again.frame(30.0, "oak");
    assert!((oak.dose_j_m2 - (2_500.0 + 12_000.0)).abs() < 1.0, "{oak:?}");
    assert!((oak.low_j_m2 - 2_500.0).abs() < 50.0 && (oak.high_j_m2 - 14_500.0).abs() < 50.0, "{oak:?}");
    assert!(again.service.status(at(30.0)).troubles.is_empty());
    let told: Vec<Told> = again.told.try_iter().filter(|told| told.frame == "oak").collect();
    assert_eq!(told.iter().map(|told| told.kind).collect::<Vec<_>>(), ["sensor-back", "nearly"], "{told:?}");
    assert!(told[0].text.contains("The power was gone for 10 min while oak was out"), "{}", told[0].text);
    again.shine(31, 60);
    assert!(again.told.try_iter().any(|told| told.kind == "due" && told.text.contains("between")));
    assert_eq!(again.frame(60.0, "oak").state, FrameState::Due);
    again.ask(60.0, bring_in("oak"));
    again.service.commit(at(60.0));
    again.kill();
    // And it is counted once, whoever starts next.
    let mut last = Bench::booted(setup(&folder), "b", wall_of(61.0, NOON + 756_000));
    last.shine(61, 62);
    assert!(last.told.try_iter().next().is_none());
    let detail = Record::open(&setup(&folder).ledger).unwrap().detail(&print).unwrap();
    let dose = detail.row.dose_to_repeat().unwrap().j_m2();
    assert!((dose - (2_500.0 + 12_000.0 + 600.0)).abs() < 1.0, "{dose}");
    // The curve's line over the outage comes to the same.
    assert!((detail.curve.last().unwrap().2 / dose - 1.0).abs() < 1e-3, "{:?}", detail.curve.last());
}

/// A sensor is silent for two boots. A print lay open in the first, whose clock was never
/// right; the clock of the second was, so that it knows how long ago the last light was.
#[test]
fn a_print_of_a_boot_without_a_clock_stays_behind_the_light_it_goes_on_from() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 30);
    bench.service.commit(at(30.0));
    bench.kill();
    let not_right = |seconds| WallAnchor { synchronised: false, ..wall_of(seconds, 0) };
    let mut blind = Bench::booted(setup(&folder), "b", not_right(5.0));
    let print = blind.expose(10.0, "oak", 15_000.0);
    blind.ask(14.0, Request::Cover { frame: "oak".into() });
    blind.kill();
    let mut known = Bench::booted(setup(&folder), "c", wall_of(3.0, NOON + 300_000));
    known.service.commit(at(4.0));
    known.kill();
    let mut last = Bench::booted(setup(&folder), "d", not_right(2.0));
    last.shine(3, 6);
    last.ask(6.0, bring_in("oak"));
    last.shine(7, 8);
    last.settle();
    let detail = Record::open(&setup(&folder).ledger).unwrap().detail(&print).unwrap();
    // Up to 40 W/m² for 4 s by half a glass.
    let dose = detail.row.brought_in().unwrap().dose;
    assert!(dose.low.j_m2() <= 1e-9 && (dose.high.j_m2() - 80.0).abs() < 1e-6, "{dose:?}");
}

/// A sensor is silent for a boot without a clock, in which the print is covered; the next, that
/// has none either, sees light again, and the one after that knows the time.
#[test]
fn a_print_lay_over_the_end_of_a_boot_however_often_that_is_laid_anew() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 10);
    let print = bench.expose(10.0, "oak", 50_000.0);
    bench.shine(11, 30);
    bench.service.commit(at(30.0));
    bench.kill();
    let not_right = |seconds| WallAnchor { synchronised: false, ..wall_of(seconds, 0) };
    let mut blind = Bench::booted(setup(&folder), "b", not_right(5.0));
    blind.ask(8.0, Request::Cover { frame: "oak".into() });
    blind.kill();
    let mut seeing = Bench::booted(setup(&folder), "c", not_right(2.0));
    seeing.shine(3, 6);
    seeing.service.commit(at(6.0));
    seeing.kill();
    // All that was 400 s, of which the print lay in the light for up to 390.
    let mut last = Bench::booted(setup(&folder), "d", wall_of(2.0, NOON + 400_000));
    last.shine(3, 6);
    last.ask(6.0, bring_in("oak"));
    last.settle();
    let detail = Record::open(&setup(&folder).ledger).unwrap().detail(&print).unwrap();
    let dose = detail.row.brought_in().unwrap().dose;
    assert!(dose.low.j_m2() <= 0.5 * 40.0 * 20.0 + 1e-6, "{dose:?}");
    assert!(dose.high.j_m2() >= 0.5 * 40.0 * 380.0, "{dose:?}");
}

/// Two boots without a clock, each of which saw light, and a restart before the time is known.
#[test]
fn what_was_seen_between_two_outages_is_counted_once_however_they_are_laid() {
    let folder = TempDir::new().unwrap();
    let not_right = |seconds| WallAnchor { synchronised: false, ..wall_of(seconds, 0) };
    let live = |boot, wall: WallAnchor, from: u32, to: u32| {
        let mut bench = Bench::booted(setup(&folder), boot, wall);
        bench.shine(from, to);
        bench.service.commit(at(f64::from(to)));
        bench
    };
    let mut bench = live("a", wall_of(0.0, NOON), 0, 10);
    bench.expose(10.0, "oak", 50_000.0);
    bench.shine(11, 100);
    bench.service.commit(at(100.0));
    bench.kill();
    // In the dark until 163 s, in the light until 363 s, in the dark until 423 s.
    live("b", not_right(2.0), 3, 203).kill();
    live("c", not_right(5.0), 6, 10).kill();
    let mut last = live("c", not_right(11.0), 11, 12);
    last.service.on_wall(at(12.0), wall_of(12.0, NOON + 429_000));
    last.settle();
    let oak = last.frame(12.0, "oak");
    assert!((oak.dose_j_m2 - 20.0 * 419.0).abs() < 1.0, "{oak:?}");
    // Of the 123 s between the readings three are counted for certain, or so it seems.
    assert!((oak.high_j_m2 - oak.dose_j_m2 - 20.0 * 123.0).abs() < 100.0, "{oak:?}");
}

/// The wall shows a time at an instant of the clock.
fn wall_of(seconds: f64, unix_ms: i64) -> WallAnchor {
    WallAnchor { mono: at(seconds), unix_ms, synchronised: true }
}

#[test]
fn what_only_asks_is_not_remembered() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 0);
    let mut command = |payload: &str| {
        let incoming = crate::mqtt::understood("frameside/yard", "frameside/yard/command", payload);
        bench.service.on_link(at(1.0), LinkEvent::Incoming(Box::new(incoming)));
        bench.service.answered.len()
    };
    assert_eq!(command(r#"{"id":"1","do":"status"}"#), 0);
    assert_eq!(command(r#"{"id":"1","do":"prints"}"#), 0);
    assert_eq!(command(r#"{"id":"1","do":"cover","frame":"oak"}"#), 1);
    assert_eq!(command(r#"{"id":"1","do":"cover","frame":"oak"}"#), 1);
}

/// A rig whose record has the recipe `citrate` with 15 kJ/m² in the sun.
fn with_a_recipe(folder: &TempDir) -> Bench {
    let bench = Bench::start(setup(folder), 0.0);
    let citrate = Recipe { targets: [("sun".to_owned(), 15_000.0)].into(), ..Recipe::default() };
    Notebook::open(&setup(folder).ledger).unwrap().keep_recipe("citrate", NOON, &citrate).unwrap();
    bench
}

fn by_recipe(frame: &str) -> Expose {
    Expose { aim: Aim::Recipe, recipe: Some("citrate".into()), ..aimed(frame, 1.0) }
}

#[test]
fn no_call_waits_while_the_record_is_read_for_a_request() {
    let folder = TempDir::new().unwrap();
    let mut bench = with_a_recipe(&folder);
    bench.shine(0, 1);
    bench.expose(1.0, "elm", 400.0);
    let (answer, mut answered) = oneshot::channel();
    bench.service.on_question(at(2.0), Request::Expose(by_recipe("oak")), answer);
    bench.shine(2, 20);
    assert_eq!(bench.told.try_iter().filter(|told| told.kind == "due").count(), 1);
    assert_eq!(bench.frame(20.0, "oak").state, FrameState::Empty);
    // It begins when that is done, and is acknowledged when it is safe.
    bench.find(20.5);
    assert_eq!(bench.frame(20.5, "oak").state, FrameState::Exposing);
    assert!(answered.try_recv().is_err(), "acknowledged before it was safe");
    bench.settle();
    let answer = answered.try_recv().unwrap();
    assert_eq!((&answer["ok"], &answer["target_j_m2"]), (&json!(true), &json!(15_000.0)), "{answer}");
    let record = Record::open(&bench.service.setup.ledger).unwrap();
    let print = record.find(answer["print"].as_str().unwrap()).unwrap();
    assert_eq!((print.begun().unwrap().unix_ms, print.recipe_version), (NOON + 20_500, Some(1)));
}

#[test]
fn a_frame_taken_while_the_record_is_read_is_not_taken_again() {
    let folder = TempDir::new().unwrap();
    let mut bench = with_a_recipe(&folder);
    bench.shine(0, 1);
    let mut asked = [0; MOST_READERS + 1].map(|_| {
        let (answer, answered) = oneshot::channel();
        bench.service.on_question(at(1.0), Request::Expose(by_recipe("oak")), answer);
        answered
    });
    // Only so many wait at once.
    let too_many = asked[MOST_READERS].try_recv().unwrap();
    assert!(too_many["error"].as_str().unwrap().contains("too many"), "{too_many}");
    for _ in 0..MOST_READERS {
        bench.find(2.0);
    }
    assert!(!bench.service.awaits_record());
    bench.settle();
    let answers: Vec<Value> =
        asked[..MOST_READERS].iter_mut().map(|answered| answered.try_recv().unwrap()).collect();
    assert_eq!(answers[0]["ok"], true, "{}", answers[0]);
    for refused in &answers[1..] {
        assert!(refused["error"].as_str().unwrap().starts_with("oak: "), "{refused}");
    }
    // Those who were answered make room for others.
    let busy = bench.ask(3.0, Request::Expose(by_recipe("elm")));
    assert_eq!(busy["ok"], true, "{busy}");
}

#[test]
fn a_command_repeated_while_the_record_is_read_is_done_once_and_answered_the_same() {
    let folder = TempDir::new().unwrap();
    let mut bench = with_a_recipe(&folder);
    bench.shine(0, 1);
    let command =
        r#"{"id":"1","do":"expose","frame":"oak","recipe":"citrate","issued_at":"2026-07-14T10:00:01Z"}"#;
    let send = |bench: &mut Bench| {
        let incoming = crate::mqtt::understood("frameside/yard", "frameside/yard/command", command);
        bench.service.on_link(at(1.0), LinkEvent::Incoming(Box::new(incoming)));
    };
    send(&mut bench);
    send(&mut bench);
    bench.find(2.0);
    assert!(!bench.service.awaits_record());
    send(&mut bench);
    let promised: Vec<&Value> = bench.service.promised.iter().map(|(_, _, answer)| answer).collect();
    assert_eq!(promised.len(), 3);
    assert!(promised.iter().all(|&answer| answer == promised[0] && answer["ok"] == true), "{promised:?}");
    assert_eq!(bench.service.answered.len(), 1);
    bench.settle();
    let prints = Record::open(&bench.service.setup.ledger).unwrap().prints(&Filter::default()).unwrap();
    assert_eq!(prints.len(), 1);
}

#[test]
fn what_waits_for_the_record_is_carried_out_in_the_order_asked() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 2);
    let print = bench.expose(2.0, "elm", 900.0);
    bench.shine(3, 12);
    bench.ask(12.0, bring_in("elm"));
    for (seconds, off) in [(13.0, 0.5), (14.0, -0.5)] {
        let off = frameside_core::quantity::Stops::new(off);
        let judge = Request::Judge { print: print.clone(), off, dry: true, oxidised: true };
        bench.service.on_question(at(seconds), judge, oneshot::channel().0);
    }
    let mut found = [bench.found(), bench.found()];
    found.sort_by_key(Found::number);
    let [first, second] = found;
    bench.service.on_found(at(15.0), second);
    assert!(bench.service.awaits_record());
    bench.service.on_found(at(15.0), first);
    bench.settle();
    let record = Record::open(&bench.service.setup.ledger).unwrap();
    let kept = record.judgements(&record.find(&print).unwrap()).unwrap();
    let asked: Vec<i64> = kept.iter().map(|judgement| judgement.unix_ms - NOON).collect();
    assert_eq!(asked, [13_000, 14_000]);
}

#[test]
fn too_much_light_is_measured_by_the_clear_sky_of_the_rig() {
    let folder = TempDir::new().unwrap();
    let garden = Site::flat(frameside_core::outlook::Place { latitude: 48.5, longitude: 9.0 });
    let mut bench = Bench::start(Setup { site: Some(garden), lamps: Vec::new(), ..setup(&folder) }, 0.0);
    let problem = |service: &mut Service, second: f64| {
        let reading = Reading::of(at(second), Irradiance::from_w_m2(200.0));
        service.on_sensor(at(second), SensorId(0), SensorEvent::Reading(reading));
        service.status(at(second)).sensors[0].problem.clone()
    };
    // The usual clear sky gives some 45 W/m² at noon in July.
    let too_much = problem(&mut bench.service, 0.0);
    assert!(too_much.is_some_and(|problem| problem.contains("clear sky")));
    // An uncalibrated sensor shows three times that under the same sky.
    bench.service.on_clear_sky(Irradiance::from_w_m2(3.0 * 55.2));
    assert_eq!(problem(&mut bench.service, 20.0), None);
}

#[test]
fn no_reminder_goes_by_a_clock_that_may_be_wrong() {
    const DAY: f64 = 86_400.0;
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 0);
    bench.expose(0.0, "oak", 15_000.0);
    bench.shine(1, 20);
    bench.ask(20.0, bring_in("oak"));
    let mut reminders = |seconds: f64, wall: WallAnchor| {
        bench.service.on_wall(at(seconds), wall);
        bench.service.wake(at(seconds));
        // The writer answers one thing after the other, so that this comes behind its findings.
        bench.service.commit(at(seconds));
        bench.settle();
        bench.told.try_iter().filter(|told| told.kind == "unjudged").count()
    };
    let ahead = WallAnchor { unix_ms: NOON + (40.0 * DAY * 1000.0) as i64, ..wall(4_000.0) };
    assert_eq!(reminders(4_000.0, WallAnchor { synchronised: false, ..ahead }), 0);
    assert_eq!(reminders(4_060.0, wall(4_060.0)), 0);
    // It did not wait for another hour when the clock came.
    assert_eq!(reminders(DAY + 30.0, WallAnchor { synchronised: false, ..wall(DAY + 30.0) }), 0);
    assert_eq!(reminders(DAY + 60.0, wall(DAY + 60.0)), 1);
}

#[test]
fn nearly_is_not_told_again_after_a_restart() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 0);
    bench.expose(0.0, "elm", 15_000.0);
    // 40 W/m² make 14 kJ/m² in 350 s, and 15 in 375 s.
    bench.shine(1, 350);
    let kinds = |bench: &Bench| bench.told.try_iter().map(|told| told.kind).collect::<Vec<_>>();
    let count = |kinds: &[&str], kind| kinds.iter().filter(|&&told| told == kind).count();
    let told = kinds(&bench);
    assert_eq!((count(&told, "nearly"), count(&told, "due")), (1, 0), "{told:?}");
    bench.service.commit(at(350.0));
    bench.kill();
    let mut again = Bench::start(setup(&folder), 350.5);
    again.shine(351, 380);
    let told = kinds(&again);
    assert_eq!((count(&told, "nearly"), count(&told, "due")), (0, 1), "{told:?}");
}

#[test]
fn a_note_of_a_frame_goes_to_its_newest_print_with_its_dose_while_that_is_out() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 2);
    let print = bench.expose(2.0, "elm", 900.0);
    bench.shine(3, 12);
    let note = |name: &str| Request::Note {
        print: name.into(),
        note: crate::request::Note { text: "blue".into(), ..Default::default() },
    };
    for name in [&print[..], "elm", "last", &print[..12]] {
        let told = bench.ask(12.0, note(name));
        assert_eq!(told["print"], print.as_str(), "{name}");
        assert!(told["dose_j_m2"].as_f64().is_some(), "{name}: {told}");
    }
    bench.ask(13.0, Request::BringIn { frame: "elm".into() });
    let told = bench.ask(14.0, note("elm"));
    assert_eq!((&told["print"], told.get("dose_j_m2")), (&json!(print), None));
}

#[test]
fn a_print_is_judged_over_the_same_way_as_it_is_begun() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 2);
    let print = bench.expose(2.0, "elm", 900.0);
    let judge = |off: f64, dry| Request::Judge {
        print: print.clone(),
        off: frameside_core::quantity::Stops::new(off),
        dry,
        oxidised: dry,
    };
    let out = bench.ask(3.0, judge(0.0, true));
    assert_eq!(out["error"], format!("print {print} is still out; bring it in first"));
    bench.shine(3, 12);
    bench.ask(12.0, Request::BringIn { frame: "elm".into() });
    let wet = bench.ask(13.0, judge(1.0 / 3.0, false));
    assert_eq!(wet["steps"][0], "too light by 0.33 stops; the next gets 0.50 kJ/m²", "{wet}");
    assert!(wet["warning"].as_str().unwrap().starts_with("judged wet"), "{wet}");
    let dry = bench.ask(14.0, judge(-1.0, true));
    assert_eq!(
        (&dry["steps"][0], dry.get("warning")),
        (&json!("too dark by 1.00 stop; the next gets 0.20 kJ/m²"), None)
    );
    let record = Record::open(&bench.service.setup.ledger).unwrap();
    let kept = record.judgements(&record.find(&print).unwrap()).unwrap();
    let stops: Vec<&Verdict> = kept.iter().map(|judgement| &judgement.verdict).collect();
    let off = |stops| Verdict::Off { stops: frameside_core::quantity::Stops::new(stops) };
    assert_eq!(stops, [&off(1.0 / 3.0), &off(-1.0)]);
    assert_eq!((kept[0].is_final(), kept[1].is_final()), (false, true));
    assert_eq!(kept[1].unix_ms, NOON + 14_000);
}

#[test]
fn nothing_waits_for_a_card_that_is_stuck_but_answers_and_they_come_when_it_goes_on() {
    let folder = TempDir::new().unwrap();
    let mut bench = with_a_recipe(&folder);
    bench.shine(0, 1);
    bench.settle();
    let disk = bench.service.ledger.disk();
    disk.hold();
    let mut asked = Vec::new();
    let mut ask = |bench: &mut Bench, seconds: f64, request: Request| {
        let (answer, answered) = oneshot::channel();
        bench.service.on_question(at(seconds), request, answer);
        asked.push(answered);
    };
    ask(&mut bench, 1.0, Request::Expose(by_recipe("oak")));
    bench.find(1.0);
    disk.wait_for_a_commit();
    ask(&mut bench, 1.0, Request::Expose(aimed("elm", 1e6)));
    // Each is a commit of its own.
    for n in 0..300_u32 {
        let seconds = 2.0 + f64::from(n);
        bench.shine(n + 2, n + 2);
        ask(&mut bench, seconds, Request::Cover { frame: "elm".into() });
        ask(&mut bench, seconds + 0.5, Request::Uncover { frame: "elm".into() });
    }
    assert_eq!(bench.frame(302.0, "elm").state, FrameState::Exposing);
    assert!(asked.iter_mut().all(|answered| answered.try_recv().is_err()), "acknowledged before it was safe");
    disk.release();
    bench.settle();
    for mut answered in asked {
        let answer = answered.try_recv().unwrap();
        assert_eq!((&answer["ok"], &answer["warning"]), (&json!(true), &Value::Null), "{answer}");
    }
}

#[test]
fn a_flood_of_readings_keeps_neither_a_question_nor_the_end_waiting() {
    let folder = TempDir::new().unwrap();
    let Bench { service, events: ledger, .. } = Bench::start(setup(&folder), 0.0);
    let (flood, sensors) = mpsc::channel(256);
    let (ask, questions) = mpsc::channel(1);
    let inputs = Inputs {
        sensors,
        questions,
        ledger,
        link: mpsc::channel(1).1,
        buttons: mpsc::channel(1).1,
        relays: mpsc::channel(1).1,
        panel: mpsc::channel(1).1,
        clear_sky: mpsc::channel(1).1,
    };
    let clock = Clock::real_time();
    // As fast as they are taken.
    std::thread::spawn(move || {
        loop {
            let reading = Reading::of(clock.now(), Irradiance::from_w_m2(40.0));
            if flood.blocking_send((SensorId(0), SensorEvent::Reading(reading))).is_err() {
                return;
            }
        }
    });
    let (stop, stopped) = oneshot::channel::<()>();
    let (answer, answered) = oneshot::channel();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let limit = Duration::from_secs(60);
    runtime.block_on(async {
        let ask = async {
            tokio::time::sleep(Duration::from_millis(300)).await;
            ask.send(Question { request: Request::Status, from: Origin::Here, answer }).await.unwrap();
            assert_eq!(answered.await.unwrap()["ok"], true);
            stop.send(()).unwrap();
        };
        let run = run(service, clock, inputs, || (), async { stopped.await.unwrap() });
        tokio::time::timeout(limit, async { tokio::join!(ask, run) }).await.expect("it hears nothing");
    });
}

/// Readings of the sensor beside elm, one a second, marked as the sampler does.
fn shine_marked(bench: &mut Bench, seconds: std::ops::RangeInclusive<u32>, w_m2: f64, flags: Flags) {
    for now in seconds.map(|second| at(f64::from(second))) {
        let reading = Reading { flags, ..Reading::of(now, Irradiance::from_w_m2(w_m2)) };
        bench.service.on_sensor(now, SensorId(1), SensorEvent::Reading(reading));
        bench.service.wake(now);
    }
}

#[test]
fn the_record_has_the_light_of_a_stuck_chip_as_a_gap_also_if_it_was_killed_meanwhile() {
    for is_killed in [false, true] {
        let folder = TempDir::new().unwrap();
        let mut bench = Bench::start(setup(&folder), 0.0);
        shine_marked(&mut bench, 0..=9, 44.0, Flags::NONE);
        shine_marked(&mut bench, 10..=10, 45.0, Flags::NONE);
        let print = bench.expose(10.0, "elm", 450.0);
        shine_marked(&mut bench, 11..=25, 45.0, Flags::REPEATED);
        assert_eq!(bench.frame(25.0, "elm").state, FrameState::Due);
        if is_killed {
            bench.service.commit(at(25.0));
            bench.kill();
            bench = Bench::start(setup(&folder), 25.5);
        } else {
            let stuck = SensorFault::Stuck { counts: 9_000 };
            bench.service.on_sensor(at(29.0), SensorId(1), SensorEvent::Fault(stuck));
            assert!(bench.service.status(at(29.0)).sensors[1].problem.is_some(), "at once");
        }
        shine_marked(&mut bench, 30..=30, 10.0, Flags::ANEW);
        shine_marked(&mut bench, 31..=40, 10.0, Flags::NONE);
        bench.ask(40.0, bring_in("elm"));
        shine_marked(&mut bench, 41..=42, 10.0, Flags::NONE);
        bench.service.commit(at(42.0));
        bench.kill();
        let detail = Record::open(&folder.path().join("ledger.sqlite")).unwrap().detail(&print).unwrap();
        let (due, end) = (detail.row.due().unwrap(), detail.row.brought_in().unwrap());
        assert!(due.settled && end.settled, "{due:?} {end:?}");
        // Nothing was seen for 20 s, and then 10 W/m² for 10 s.
        let [low, high] = [due.dose.low, due.dose.high].map(|dose| dose.j_m2());
        assert!(low == 0.0 && high >= 450.0 - 1e-6, "killed {is_killed}: {due:?}");
        let [low, high] = [end.dose.low, end.dose.high].map(|dose| dose.j_m2());
        assert!((low - 100.0).abs() < 0.1 && (high - 1_000.0).abs() < 0.1, "killed {is_killed}: {end:?}");
        assert_eq!(detail.gaps.len(), 1, "{:?}", detail.gaps);
        let (last, best) = (detail.curve.last().unwrap().2, end.dose.best.j_m2());
        assert!((last / best - 1.0).abs() < 1e-3, "killed {is_killed}: {last} and {best}");
    }
}
