//! What must hold, found out from the record as anyone can read it.

use std::collections::{BTreeMap, BTreeSet};

use frameside_core::exposure::{EventKind, FrameState};
use frameside_core::light::Response;
use frameside_core::quantity::Irradiance;

use super::expected::{Act, Expected};
use super::record::{File, Kept};
use super::world::{BRIGHTEST, FRAMES, PERIOD, SENSORS, World};
use crate::ledger::Record;

/// Between two boots the wall clock's milliseconds place the light: so much
/// can be off by then, in J/m².
const ROUNDING_J_M2: f64 = 0.1;
/// A call between two readings relies on the light of the last one, for at most
/// one and a half periods.
const FORESEEN_PERIODS: f64 = 1.5;
/// A cover may go on, and a frame come in, before readings that wait for up to
/// four periods have told that the dose was reached.
const WAITING_PERIODS: f64 = FORESEEN_PERIODS + 4.0;

/// The most that so many periods can count as, in J/m².
fn most(periods: f64, response: &Response) -> f64 {
    let rate = response.rate(Irradiance::from_w_m2(BRIGHTEST)).w_m2();
    periods * rate * (PERIOD / 1_000_000_000) as f64
}

/// Whether the machine makes it by itself.
fn is_call(kind: EventKind) -> bool {
    matches!(kind, EventKind::Due | EventKind::Nearly | EventKind::Band { .. } | EventKind::Outage { .. })
}

/// What was counted of a print at an event, and was not known yet when that happened.
fn known_later(events: &[Kept], event: &Kept, passes: f64) -> f64 {
    let later = events.iter().skip_while(|other| !std::ptr::eq(*other, event));
    let missed = later.filter_map(|other| match other.kind {
        EventKind::Outage { after_boot, missed, .. } if event.boot_row > after_boot => {
            Some(missed.low.j_m2())
        }
        _ => None,
    });
    missed.sum::<f64>() * passes
}

impl World {
    /// After a kill the record must hold what was safe, and for each print may
    /// hold what was done since: nothing else, and no part of it.
    pub(super) fn resync(&mut self) -> (File, BTreeMap<String, Vec<Kept>>) {
        let file = File::open(&self.folder.path().join("ledger.sqlite"));
        let events = file.events();
        let names: BTreeSet<String> =
            self.safe.prints.keys().chain(self.known.prints.keys()).cloned().collect();
        let mut found = BTreeMap::new();
        let from_nowhere: Vec<_> = events.keys().filter(|name| !names.contains(*name)).collect();
        assert!(from_nowhere.is_empty(), "prints from nowhere: {from_nowhere:?}");
        for name in names {
            let acts = events.get(&name).map(|events| self.acts(events));
            let (safe, done) = (self.safe.prints.get(&name), self.known.prints.get(&name));
            let acts_of = |print: Option<&Expected>| print.map_or(Vec::new(), |print| print.acts.clone());
            let (kept, safe, done_acts) = (acts.unwrap_or_default(), acts_of(safe), acts_of(done));
            assert!(
                kept.starts_with(&safe) && done_acts.starts_with(&kept),
                "{name}: safe {safe:?}, done {done_acts:?}, the record holds {kept:?}"
            );
            if let Some(done) = done.filter(|_| !kept.is_empty()) {
                found.insert(name, Expected { acts: kept, ..done.clone() });
            }
        }
        self.known.prints = found;
        for (sensor, name) in SENSORS.iter().enumerate() {
            let (safe, done) = (self.safe.readings[sensor].len(), self.known.readings[sensor].len());
            let samples = file.samples(name);
            assert!((safe..=done).contains(&samples), "{name}: {samples} samples, safe {safe}, done {done}");
            self.known.readings[sensor].truncate(samples);
            let fresh = self.known.readings[sensor][safe..].to_vec();
            self.skies[sensor].record(fresh);
        }
        self.known.synchronised = self.safe.synchronised;
        self.safe = self.known.clone();
        (file, events)
    }

    fn acts(&self, events: &[Kept]) -> Vec<Act> {
        let of = |kept: &Kept| (kept.kind, self.at_ns(kept));
        events.iter().filter(|kept| !is_call(kept.kind)).map(of).collect()
    }

    /// The world's time of an event.
    fn at_ns(&self, kept: &Kept) -> i64 {
        let (power, _) = self.boots.iter().find(|(power, _)| power.name == kept.boot).unwrap();
        kept.at_ns + power.origin_ns
    }

    /// After a start every print that was out is out.
    pub(super) fn check_taken_up(&mut self) {
        let now = self.mono();
        let status = self.service().status(now);
        for (frame, shown) in status.frames.iter().enumerate() {
            match self.known.out_in(frame) {
                Some((name, print)) => {
                    assert_eq!(shown.print.as_ref(), Some(name));
                    let shows_light = matches!(shown.state, FrameState::Exposing | FrameState::Due);
                    assert_eq!(shows_light, print.is_uncovered(), "{shown:?} {print:?}");
                }
                None => assert!(matches!(shown.state, FrameState::Empty | FrameState::In), "{shown:?}"),
            }
        }
    }

    /// At the end of the day.
    pub(super) fn check_record(&mut self) {
        let (file, events) = self.resync();
        assert_eq!(file.integrity(), "ok");
        assert_eq!(file.waiting_signals(), [""; 0]);
        let (torn, plans) = (file.torn(), file.plans());
        for (name, events) in &events {
            let Expected { response, frame, .. } = self.known.prints[name];
            let reference = (!response.is_plain()).then(|| response.reference().w_m2());
            assert_eq!(file.counts_by(name), (response.exponent(), reference), "{name}");
            self.check_doses(name, events, &torn);
            self.check_labels(name, events);
            self.check_calls(name, events, &plans[name], &response, FRAMES[frame]);
        }
        self.check_fold(&file, &events, true);
        self.check_signals(&events);
        self.check_light(&self.folder.path().join("ledger.sqlite"));
    }

    /// What really fell lies within the bounds, as it counts and as a plain dose; where no
    /// clock could tell how long the power was gone, only the lower one is known.
    fn check_doses(&self, name: &str, events: &[Kept], torn: &BTreeSet<String>) {
        let print = &self.known.prints[name];
        let (_, sensor, glass) = FRAMES[print.frame];
        let never_known = |event: &Kept| matches!(event.kind, EventKind::Outage { seconds: None, .. });
        let is_unknown = torn.contains(SENSORS[sensor]) || events.iter().any(never_known);
        let is_promised = self.is_promised(sensor);
        let spans = print.spans();
        for event in events {
            for [low, best, high] in [event.dose, event.plain] {
                assert!(low <= best && best <= high, "{name}: {event:?}");
            }
            assert!(event.settled, "{name}: {event:?} is not settled at the end of the day");
            let at = self.at_ns(event);
            let ends = |&(from, to): &(i64, Option<i64>)| (from, to.map_or(at, |to| to.min(at)));
            let spans: Vec<_> = spans.iter().map(ends).filter(|(from, to)| from < to).collect();
            let sky = &self.skies[sensor];
            let plain = spans.iter().map(|&(from, to)| sky.dose(from, to)).sum::<f64>() * glass;
            let counts = |&(from, to): &(i64, i64)| sky.counted(from, to, glass, &print.response);
            let off = ROUNDING_J_M2 * (1.0 + self.boots.len() as f64);
            for (fell, [low, _, high]) in [(plain, event.plain), (spans.iter().map(counts).sum(), event.dose)]
            {
                let is_within = low - off <= fell && (is_unknown || fell <= high + off);
                assert!(is_within || !is_promised, "{name}: {fell} J/m² fell, kept {event:?} of {events:?}");
            }
        }
    }

    /// Labels of a boot whose wall clock was right once are right.
    fn check_labels(&self, name: &str, events: &[Kept]) {
        for event in events {
            let (_, is_known) = self.boots.iter().find(|(power, _)| power.name == event.boot).unwrap();
            if *is_known {
                let off = event.at_ms - Self::true_ms(self.at_ns(event));
                assert!(event.synchronised && off.abs() <= 2, "{name}: {event:?} is labelled {off} ms off");
            }
        }
    }

    /// `due` comes once per target, not before its dose, and not never.
    fn check_calls(
        &self,
        name: &str,
        events: &[Kept],
        plan: &[f64],
        response: &Response,
        (_, sensor, glass): (&str, usize, f64),
    ) {
        let mut target = *plan.last().unwrap();
        let mut is_due = false;
        let mut is_uncovered = false;
        for event in events {
            let [low, _, high] = event.dose;
            match event.kind {
                EventKind::Retargeted { target: new } => {
                    (target, is_due) = (new.j_m2(), false);
                }
                EventKind::Due => {
                    assert!(!is_due, "{name} is called twice: {events:?}");
                    assert!(
                        high > target - most(FORESEEN_PERIODS, response),
                        "{name} is called before {target} J/m²: {event:?}"
                    );
                    is_due = true;
                }
                EventKind::Covered | EventKind::BroughtIn if is_uncovered => {
                    let low = low - known_later(events, event, response.of_factor(glass));
                    let was_seen = !self.waits_for_light(sensor, self.at_ns(event));
                    let missed = low > target + most(WAITING_PERIODS, response) && !is_due && was_seen;
                    assert!(!missed, "{name} passed {target} J/m² and was not called: {events:?}");
                    is_uncovered = false;
                }
                EventKind::Begun { covered: false } | EventKind::Uncovered => is_uncovered = true,
                _ => {}
            }
        }
    }

    /// Every event that calls was told to the broker on both topics, and no call was told that
    /// is not in the record. What the broker could not take at once it may lack, but for bring-ins:
    /// that none lacks while it waits for a person is looked at when that is so.
    fn check_signals(&self, events: &BTreeMap<String, Vec<Kept>>) {
        let mut expected: BTreeSet<String> = BTreeSet::new();
        let mut owed: BTreeSet<String> = BTreeSet::new();
        for (name, events) in events {
            for event in events {
                let kind = match event.kind {
                    EventKind::Begun { .. } => "begun",
                    EventKind::Covered => "covered",
                    EventKind::Uncovered => "uncovered",
                    EventKind::Nearly => "nearly",
                    EventKind::Band { .. } => "band",
                    EventKind::Due => "due",
                    EventKind::BroughtIn => "brought-in",
                    EventKind::Hushed
                    | EventKind::Noted
                    | EventKind::Retargeted { .. }
                    | EventKind::Outage { .. }
                    | EventKind::LampOn
                    | EventKind::LampOff { .. } => continue,
                };
                let id = format!("{name}-{kind}-{}", event.at_ns);
                let is_late = self.at_ns(event) <= self.broker.last_away_ns;
                if event.kind == EventKind::BroughtIn || !(is_late || self.broker.refused.contains(&id)) {
                    owed.insert(id.clone());
                }
                expected.insert(id);
            }
        }
        let of_no_event =
            ["-overdue-", "-too-slow-", "-sensor-lost-", "-sensor-back-", "-unjudged", "trouble-"];
        let told = |topic: fn(&str) -> bool| -> BTreeSet<String> {
            let ids = self.broker.got.iter().filter(|(t, _)| topic(t)).map(|(_, id)| id.clone());
            ids.filter(|id| !of_no_event.iter().any(|kind| id.contains(kind))).collect()
        };
        for told in [told(|topic| topic == "signal"), told(|topic| topic.starts_with("frame/"))] {
            let is_known = self.was_killed_when_full || told.is_subset(&expected);
            assert!(is_known, "not in the record: {:?}", told.difference(&expected));
            assert!(told.is_superset(&owed), "not told: {:?}", owed.difference(&told));
        }
    }

    /// Once the broker has taken all there is, it has the call of each print that waits for a
    /// person. One that comes out again after its call is overdue a little later.
    pub(super) fn check_calls_have_come(&mut self) {
        if !self.broker.up || !self.service().unsafe_yet.is_empty() || !self.service().outbox.is_empty() {
            return;
        }
        let now = self.mono();
        for frame in self.service().status(now).frames.into_iter().filter(|frame| frame.waiting) {
            let print = frame.print.unwrap();
            if self.known.prints[&print].acts.iter().any(|(kind, _)| *kind == EventKind::Covered) {
                continue;
            }
            let calls = ["due", "band"].map(|kind| format!("{print}-{kind}-"));
            let has_come = |topic: &str, id: &str| {
                topic == "signal" && calls.iter().any(|call| id.starts_with(call.as_str()))
            };
            assert!(self.broker.got.iter().any(|(topic, id)| has_come(topic, id)), "no call of {print}");
        }
    }

    /// Every reading that was safe is there, as it was.
    fn check_light(&self, path: &std::path::Path) {
        let record = Record::open(path).unwrap();
        for (sensor, name) in SENSORS.iter().enumerate() {
            let mut read: Vec<f64> = record
                .light(name, f64::MIN, f64::MAX)
                .unwrap()
                .iter()
                .map(|light| light.sample.seen.lowest().w_m2())
                .collect();
            let mut taken: Vec<f64> = self.known.readings[sensor].iter().map(|&(_, w_m2)| w_m2).collect();
            // Boots whose clock was never right may be sorted anywhere.
            read.sort_by(f64::total_cmp);
            taken.sort_by(f64::total_cmp);
            assert_eq!(read.len(), taken.len());
            let alike = read.iter().zip(&taken).all(|(read, taken)| (read - taken).abs() < 1.1e-3);
            assert!(alike, "{name}: the light reads back otherwise");
        }
        for print in self.known.prints.keys() {
            record.detail(print).unwrap();
        }
    }
}
