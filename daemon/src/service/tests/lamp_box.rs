//! A lamp with a relay: it goes on when a person beside it, or a command of now, asks for light.

use frameside_core::exposure::{Cut, LampRules};
use proptest::prelude::*;

use super::*;
use crate::devices::relay::{Lit, RelayEvent, RelayTrouble};
use crate::issued::Issued;

/// One lamp box with both frames in it.
fn boxed(folder: &TempDir, min_off_s: f64) -> Setup {
    let rules = LampRules { min_off_s, max_on_s: 3600.0 };
    let lamp = LampPart { name: "box".into(), relay: None, rules };
    let mut setup = Setup { switched: vec![lamp], ..setup(folder) };
    setup.frames[1].sensor = SensorId(0);
    setup
}

struct Shed {
    bench: Bench,
    lit: Lit,
    /// Whether the rig's clock is right.
    synchronised: bool,
    ids: u32,
}

impl Shed {
    fn start(setup: Setup, seconds: f64) -> Self {
        let lit = Lit::default();
        let relays = vec![Relay::emulated(lit.clone())];
        let bench = Bench::with_relays(setup, "a", wall(seconds), relays);
        Self { bench, lit, synchronised: true, ids: 0 }
    }

    fn is_lit(&self) -> bool {
        self.lit.since().is_some()
    }

    fn set_synchronised(&mut self, seconds: f64, synchronised: bool) {
        self.synchronised = synchronised;
        self.bench.service.on_wall(at(seconds), WallAnchor { synchronised, ..wall(seconds) });
    }

    /// Over the page, as over the broker. Issued so long ago, if it says when.
    fn send(&mut self, seconds: f64, request: Request, age_s: Option<f64>) -> Value {
        self.ids += 1;
        let issued =
            |age: f64| jiff::Timestamp::from_millisecond(NOON + ((seconds - age) * 1000.0) as i64).unwrap();
        let (answer, mut answered) = oneshot::channel();
        let issued = Issued { request, at: age_s.map(issued) };
        self.bench.service.on_page(at(seconds), Some(self.ids.to_string()), issued, answer);
        self.bench.settle();
        answered.try_recv().unwrap()
    }

    fn press(&mut self, seconds: f64, frame: FrameId) {
        self.bench.service.on_button(at(seconds), frame);
        self.bench.settle();
    }

    /// The guard of the relay lets go.
    fn stall(&mut self, seconds: f64) {
        let trouble =
            RelayTrouble { lamp: 0, cut: Cut::Stalled, why: "it stood still".into(), has_no_pin: false };
        self.bench.service.on_relay(at(seconds), RelayEvent::Trouble(trouble));
    }

    /// No reading comes for so long.
    fn silence(&mut self, from: u32, to: u32) {
        (from..=to).for_each(|second| self.bench.service.wake(at(f64::from(second))));
    }

    fn is_waiting(&self, seconds: f64, frame: &str) -> bool {
        self.bench.frame(seconds, frame).waiting
    }

    /// The light of the lamp, each second.
    fn shine(&mut self, from: u32, to: u32) {
        for second in from..=to {
            let now = at(f64::from(second));
            let light = Irradiance::from_w_m2(if self.is_lit() { 40.0 } else { 0.0 });
            let reading = SensorEvent::Reading(Reading::of(now, light));
            self.bench.service.on_sensor(now, SensorId(0), reading);
            self.bench.service.wake(now);
        }
    }

    fn lamp(&self, seconds: f64) -> crate::status::LampStatus {
        self.bench.service.status(at(seconds)).lamps.remove(0)
    }

    fn kinds(&self) -> Vec<&'static str> {
        self.bench.told.try_iter().map(|told| told.kind).collect()
    }
}

const OAK: FrameId = FrameId(0);

fn expose(frame: &str, j_m2: f64) -> Request {
    Request::Expose(Expose { source: Some("box".into()), ..aimed(frame, j_m2) })
}

fn uncover(frame: &str) -> Request {
    Request::Uncover { frame: frame.into() }
}

fn cover(frame: &str) -> Request {
    Request::Cover { frame: frame.into() }
}

fn retarget(frame: &str, j_m2: f64) -> Request {
    Request::Retarget { frame: frame.into(), target: aimed_at(j_m2) }
}

fn hush(frame: Option<&str>) -> Request {
    Request::Hush { frame: frame.map(String::from) }
}

#[test]
fn what_was_issued_long_ago_or_says_not_when_lights_no_lamp() {
    let folder = TempDir::new().unwrap();
    let mut shed = Shed::start(boxed(&folder, 0.0), 0.0);
    shed.shine(0, 10);
    for age_s in [None, Some(7200.0), Some(5.1), Some(-2.1)] {
        let answer = shed.send(10.0, expose("oak", 9e5), age_s);
        assert_eq!((&answer["ok"], shed.is_lit()), (&json!(false), false), "{age_s:?}: {answer}");
    }
    assert_eq!(shed.send(10.0, expose("oak", 9e5), Some(1.0))["ok"], true);
    assert!(shed.is_lit());
    assert_eq!(shed.send(11.0, cover("oak"), None)["ok"], true);
    for age_s in [None, Some(7200.0)] {
        assert_eq!(shed.send(12.0, uncover("oak"), age_s)["ok"], false);
    }
    assert!(!shed.is_lit());
    assert_eq!(shed.send(12.0, uncover("oak"), Some(0.0))["ok"], true);
    assert!(shed.is_lit());
}

#[test]
fn nothing_from_afar_lights_a_lamp_while_the_clock_is_not_synchronised() {
    let folder = TempDir::new().unwrap();
    let mut shed = Shed::start(boxed(&folder, 0.0), 0.0);
    shed.shine(0, 10);
    shed.set_synchronised(10.0, false);
    let answer = shed.send(10.0, expose("oak", 9e5), Some(0.0));
    assert_eq!((&answer["ok"], shed.is_lit()), (&json!(true), false), "{answer}");
    assert!(answer["steps"][0].as_str().unwrap().starts_with("lamp box stays off"), "{answer}");
    assert!(shed.kinds().contains(&"lamp-off"));
    shed.send(11.0, uncover("oak"), None);
    assert!(!shed.is_lit());
    // Whoever is at the rig itself is there.
    assert_eq!(shed.bench.ask(12.0, uncover("oak"))["ok"], true);
    assert!(shed.is_lit());
}

#[test]
fn a_new_target_for_a_due_print_asks_for_an_uncover_and_lights_no_lamp() {
    let folder = TempDir::new().unwrap();
    let mut shed = Shed::start(boxed(&folder, 0.0), 0.0);
    shed.shine(0, 10);
    shed.bench.ask(10.0, expose("oak", 400.0));
    shed.shine(11, 35);
    assert_eq!((shed.bench.frame(35.0, "oak").state, shed.is_lit()), (FrameState::Due, false));
    let answer = shed.send(36.0, retarget("oak", 900.0), Some(0.0));
    assert_eq!((&answer["ok"], &answer["lamp"]), (&json!(true), &json!("cut")), "{answer}");
    assert!(answer["steps"][0].as_str().unwrap().contains("no person"), "{answer}");
    shed.shine(36, 40);
    assert!(!shed.is_lit());
    shed.bench.ask(40.0, retarget("oak", 1000.0));
    shed.shine(41, 42);
    assert!(!shed.is_lit(), "nor over the socket");
    shed.bench.ask(42.0, uncover("oak"));
    assert!(shed.is_lit());
}

#[test]
fn a_print_laid_ready_lights_no_lamp_that_was_cut_for_another() {
    let folder = TempDir::new().unwrap();
    let mut shed = Shed::start(boxed(&folder, 0.0), 0.0);
    shed.shine(0, 10);
    shed.bench.ask(10.0, expose("oak", 9e5));
    shed.stall(11.0);
    let ready = Expose { source: Some("box".into()), covered: true, ..aimed("elm", 9e5) };
    shed.bench.ask(12.0, Request::Expose(ready));
    assert!(!shed.is_lit());
}

#[test]
fn a_print_that_waited_long_for_the_record_lights_no_lamp() {
    for (waited_s, is_lit) in [(5.0, true), (5.1, false)] {
        let folder = TempDir::new().unwrap();
        let mut shed = Shed::start(boxed(&folder, 0.0), 0.0);
        let citrate = Recipe { targets: [("box".to_owned(), 15_000.0)].into(), ..Recipe::default() };
        Notebook::open(&boxed(&folder, 0.0).ledger).unwrap().keep_recipe("citrate", NOON, &citrate).unwrap();
        shed.shine(0, 10);
        let by_recipe = Expose { source: Some("box".into()), ..by_recipe("oak") };
        shed.bench.service.on_question(at(10.0), Request::Expose(by_recipe), oneshot::channel().0);
        shed.shine(11, 15);
        shed.bench.find(10.0 + waited_s);
        assert_eq!(shed.bench.frame(10.0 + waited_s, "oak").state, FrameState::Exposing);
        assert_eq!(shed.is_lit(), is_lit, "after {waited_s} s");
    }
}

#[test]
fn the_first_press_hushes_the_call_of_a_lamp_that_is_off_and_the_second_lights_it() {
    let folder = TempDir::new().unwrap();
    let mut shed = Shed::start(boxed(&folder, 0.0), 0.0);
    shed.shine(0, 10);
    shed.bench.ask(10.0, expose("oak", 9e5));
    shed.shine(11, 20);
    shed.stall(20.5);
    assert!(!shed.is_lit() && shed.is_waiting(20.5, "oak"));
    shed.press(21.0, OAK);
    assert!(!shed.is_lit() && !shed.is_waiting(21.0, "oak"));
    shed.press(22.0, OAK);
    assert!(shed.is_lit());
    assert_eq!(shed.bench.frame(22.0, "oak").state, FrameState::Exposing);
    shed.press(23.0, OAK);
    assert_eq!((shed.bench.frame(23.0, "oak").state, shed.is_lit()), (FrameState::Covered, false));
}

#[test]
fn a_hush_silences_the_call_of_a_lamp_that_is_off() {
    let folder = TempDir::new().unwrap();
    let mut shed = Shed::start(boxed(&folder, 0.0), 0.0);
    shed.shine(0, 10);
    shed.bench.ask(10.0, expose("oak", 9e5));
    shed.bench.ask(10.0, expose("elm", 9e5));
    shed.shine(11, 20);
    for (from, who) in [(21, Some("oak")), (41, None)] {
        let time = f64::from(from);
        shed.stall(time);
        let hushed = shed.bench.ask(time, hush(who));
        assert_eq!(hushed["ok"], true, "{hushed}");
        assert_eq!((shed.is_waiting(time, "oak"), shed.is_waiting(time, "elm")), (false, who.is_some()));
        assert_eq!(shed.bench.ask(time, hush(Some("oak")))["ok"], false, "nothing calls");
        assert!(!shed.is_lit());
        // Light ends the other's call too.
        shed.bench.ask(time + 1.0, uncover("oak"));
        assert!(shed.is_lit() && !shed.is_waiting(time + 1.0, "elm"));
        shed.shine(from + 2, from + 10);
    }
}

#[test]
fn a_press_that_silences_the_call_of_a_lost_sensor_lights_no_lamp() {
    let folder = TempDir::new().unwrap();
    let mut shed = Shed::start(boxed(&folder, 0.0), 0.0);
    shed.shine(0, 10);
    shed.bench.ask(10.0, expose("oak", 9e5));
    shed.shine(11, 20);
    shed.silence(21, 60);
    assert_eq!(shed.lamp(60.0).cut, Some(Cut::SensorLost));
    shed.shine(61, 63);
    assert!(!shed.is_lit() && shed.is_waiting(63.0, "oak"));
    shed.press(64.0, OAK);
    assert!(!shed.is_lit());
    shed.press(65.0, OAK);
    assert!(shed.is_lit());
}

#[derive(Debug, Clone)]
enum Step {
    Here(Request),
    Afar(Request, Option<f64>),
    Press(FrameId),
    Shine(u32),
    Silence(u32),
    Stall,
    Synchronised(bool),
}

fn requests() -> impl Strategy<Value = Request> {
    let frame = prop::sample::select(vec!["oak", "elm"]);
    let dose = prop::sample::select(vec![40.0, 400.0, 9e5]);
    (frame, dose, 0..8).prop_map(|(frame, dose, which)| match which {
        0 | 1 => expose(frame, dose),
        2 => Request::Expose(Expose { source: Some("box".into()), covered: true, ..aimed(frame, dose) }),
        3 => cover(frame),
        4 => uncover(frame),
        5 => bring_in(frame),
        6 => retarget(frame, dose),
        _ => hush(Some(frame)),
    })
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let ages = prop::sample::select(vec![None, Some(0.0), Some(4.0), Some(6.0), Some(7200.0), Some(-3.0)]);
    let step = prop_oneof![
        4 => requests().prop_map(Step::Here),
        4 => (requests(), ages).prop_map(|(request, age_s)| Step::Afar(request, age_s)),
        2 => (0..2_u32).prop_map(|frame| Step::Press(FrameId(frame))),
        3 => (1..20_u32).prop_map(Step::Shine),
        1 => (5..20_u32).prop_map(Step::Silence),
        1 => Just(Step::Stall),
        1 => any::<bool>().prop_map(Step::Synchronised),
    ];
    prop::collection::vec(step, 1..40)
}

/// Whether a request asks for light.
fn asks_for_light(request: &Request) -> bool {
    matches!(request, Request::Uncover { .. } | Request::Expose(Expose { covered: false, .. }))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn a_lamp_goes_on_only_for_a_person_beside_it_or_a_command_of_now(steps in steps()) {
        let folder = TempDir::new().unwrap();
        let mut shed = Shed::start(boxed(&folder, 0.0), 0.0);
        let mut second = 0;
        for step in steps {
            second += 1;
            let (now, was_lit) = (f64::from(second), shed.is_lit());
            let may_light = match step.clone() {
                Step::Here(request) => {
                    let asks = asks_for_light(&request);
                    shed.bench.ask(now, request);
                    asks
                }
                Step::Afar(request, age_s) => {
                    let is_of_now = age_s.is_some_and(|age| (-2.0..=5.0).contains(&age));
                    let may_light = shed.synchronised && is_of_now && asks_for_light(&request);
                    shed.send(now, request, age_s);
                    may_light
                }
                Step::Press(frame) => {
                    let calls = shed.is_waiting(now, ["oak", "elm"][frame.0 as usize]);
                    shed.press(now, frame);
                    !calls
                }
                Step::Shine(seconds) => {
                    shed.shine(second, second + seconds);
                    second += seconds;
                    false
                }
                Step::Silence(seconds) => {
                    shed.silence(second, second + seconds);
                    second += seconds;
                    false
                }
                Step::Stall => {
                    shed.stall(now);
                    false
                }
                Step::Synchronised(synchronised) => {
                    shed.set_synchronised(now, synchronised);
                    false
                }
            };
            shed.bench.settle();
            prop_assert!(may_light || was_lit || !shed.is_lit(), "lit by {step:?}");
        }
    }
}
