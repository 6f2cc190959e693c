//! Whether a lamp box with a relay is to be on.
//!
//! A lamp is on while an uncovered print under it still wants its dose and every
//! sensor beside such a print sees. Off is the safe side: a print in a dark box
//! keeps its dose and can go on later, so the lamp is cut on any doubt.
//!
//! It goes on for one reason only: [`Lamp::ask_for_light`] was called, and the next
//! [`Lamp::demand`] is for light. Every other demand while it is off is a [`Cut`].

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::SensorId;
use crate::quantity::{Irradiance, Mono};

/// For how long a lamp may be on or must be off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LampRules {
    /// Off for at least so many seconds before it is on again: a hot discharge lamp
    /// does not start, and ballasts wear.
    pub min_off_s: f64,
    /// On for at most so many seconds at a stretch.
    pub max_on_s: f64,
}

/// What the frames under a lamp want of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Demand {
    /// No uncovered print under it wants light.
    Rest,
    /// One or more do.
    Light,
    /// One of them lies beside a sensor that is silent.
    Blind,
}

/// Why a lamp that is wanted was switched off, or is not switched on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cut {
    /// The daemon has started: nobody may be there.
    Restarted,
    /// The daemon stops.
    Stopped,
    /// A sensor under it is silent.
    SensorLost,
    /// It was switched on, and no sensor under it saw more light.
    Unlit,
    /// Its light went away.
    WentOut,
    /// It was on for as long as it may.
    TooLong,
    /// The daemon stood still, and the relay's guard let go.
    Stalled,
    /// The relay cannot be switched.
    NoRelay,
    /// A print wants light, and no person has asked for it.
    Unasked,
}

/// What a lamp does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LampState {
    /// Off, and no print wants it.
    Off,
    /// Wanted, but it must be off until then.
    Waiting {
        /// When it goes on.
        until: Mono,
    },
    /// On.
    On,
    /// Wanted, but off until a person acts.
    Cut(Cut),
}

/// A lamp shows in a reading within this, in seconds.
const LIT_WITHIN_S: f64 = 60.0;
/// Less than this above the dark is no lamp, in the sensor's unit: at 0.1 W/m² a small
/// print would take a day.
const LEAST: f64 = 0.1;
/// A lamp below this share of its brightest ...
const OUT_SHARE: f64 = 0.1;
/// ... for so many seconds has gone out.
const OUT_FOR_S: f64 = 5.0;

/// The state machine of one lamp. It is told what happens and when; call
/// [`Lamp::demand`] whenever something may have changed and at
/// [`Lamp::next_deadline`]. Calls at other times are harmless.
#[derive(Debug, Clone)]
pub struct Lamp {
    rules: LampRules,
    state: LampState,
    since: Mono,
    /// Since when the relay is off, or when it was on last.
    off_since: Mono,
    /// A person asked for light, and no demand came since.
    asked: bool,
    seen: BTreeMap<SensorId, Seen>,
}

/// What a sensor has seen of it.
#[derive(Debug, Clone, Copy, Default)]
struct Seen {
    /// The last reading while it was off.
    dark: f64,
    /// The most above that since it is on.
    most: f64,
    /// Since when it has nearly nothing of that.
    out_since: Option<Mono>,
}

impl Lamp {
    /// A lamp that is off. It may have been on until now.
    #[must_use]
    pub const fn new(rules: LampRules, now: Mono) -> Self {
        Self { rules, state: LampState::Off, since: now, off_since: now, asked: false, seen: BTreeMap::new() }
    }

    /// What it does.
    #[must_use]
    pub const fn state(&self) -> LampState {
        self.state
    }

    /// Since when.
    #[must_use]
    pub const fn since(&self) -> Mono {
        self.since
    }

    /// Whether its relay is to be closed.
    #[must_use]
    pub fn is_on(&self) -> bool {
        self.state == LampState::On
    }

    /// A person beside it, or a command of now, asks for light: what cut it is over, and the
    /// next [`Lamp::demand`] may light it.
    pub fn ask_for_light(&mut self, now: Mono) {
        self.asked = true;
        if let LampState::Cut(_) = self.state {
            self.enter(now, LampState::Off);
        }
    }

    /// Something fails: off, until a person acts.
    pub fn cut(&mut self, now: Mono, why: Cut) {
        if !matches!(self.state, LampState::Cut(_)) {
            self.enter(now, LampState::Cut(why));
        }
    }

    /// What the frames under it want, at `now`.
    pub fn demand(&mut self, now: Mono, demand: Demand) {
        let asked = std::mem::take(&mut self.asked);
        match (demand, self.state) {
            (Demand::Rest, LampState::Off) | (Demand::Light | Demand::Blind, LampState::Cut(_)) => {}
            (Demand::Rest, _) => self.enter(now, LampState::Off),
            (Demand::Blind, _) => self.enter(now, LampState::Cut(Cut::SensorLost)),
            (Demand::Light, LampState::On) => {
                if now >= self.on_until() {
                    self.enter(now, LampState::Cut(Cut::TooLong));
                }
            }
            (Demand::Light, LampState::Off) if !asked => self.enter(now, LampState::Cut(Cut::Unasked)),
            (Demand::Light, LampState::Off | LampState::Waiting { .. }) => {
                let until = self.off_since.plus_seconds(self.rules.min_off_s);
                let next = if now >= until { LampState::On } else { LampState::Waiting { until } };
                if next != self.state {
                    self.enter(now, next);
                }
            }
        }
    }

    /// A sensor reads so much; while it is on, one beside a print under it.
    pub fn light(&mut self, now: Mono, sensor: SensorId, irradiance: Irradiance) {
        let (is_on, since) = (self.is_on(), self.since);
        let seen = self.seen.entry(sensor).or_default();
        if !is_on {
            *seen = Seen { dark: irradiance.w_m2(), ..Seen::default() };
            return;
        }
        let above = irradiance.w_m2() - seen.dark;
        seen.most = seen.most.max(above);
        let is_out = above < OUT_SHARE * seen.most;
        seen.out_since = is_out.then(|| seen.out_since.unwrap_or(now));
        if seen.most < LEAST {
            if now >= since.plus_seconds(LIT_WITHIN_S) {
                self.cut(now, Cut::Unlit);
            }
        } else if seen.out_since.is_some_and(|out| now >= out.plus_seconds(OUT_FOR_S)) {
            self.cut(now, Cut::WentOut);
        }
    }

    /// When it wants [`Lamp::demand`] again, unless something changes before.
    #[must_use]
    pub fn next_deadline(&self) -> Option<Mono> {
        match self.state {
            LampState::On => Some(self.on_until()),
            LampState::Waiting { until } => Some(until),
            LampState::Off | LampState::Cut(_) => None,
        }
    }

    fn on_until(&self) -> Mono {
        self.since.plus_seconds(self.rules.max_on_s)
    }

    fn enter(&mut self, now: Mono, state: LampState) {
        if self.is_on() {
            self.off_since = now;
        }
        self.state = state;
        self.since = now;
        for seen in self.seen.values_mut() {
            *seen = Seen { dark: seen.dark, ..Seen::default() };
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const RULES: LampRules = LampRules { min_off_s: 30.0, max_on_s: 600.0 };
    const SENSOR: SensorId = SensorId(0);

    fn at(seconds: f64) -> Mono {
        Mono::from_seconds(seconds)
    }

    /// On since 100 s, in a box that is dark but for 0.02 W/m².
    fn lit() -> Lamp {
        let mut lamp = Lamp::new(RULES, at(0.0));
        lamp.light(at(99.0), SENSOR, Irradiance::from_w_m2(0.02));
        ask(&mut lamp, 100.0);
        assert!(lamp.is_on());
        lamp
    }

    /// A person asks for light.
    fn ask(lamp: &mut Lamp, seconds: f64) {
        lamp.ask_for_light(at(seconds));
        lamp.demand(at(seconds), Demand::Light);
    }

    #[test]
    fn it_stays_off_when_a_print_wants_light_and_no_person_asked() {
        let mut lamp = lit();
        lamp.demand(at(200.0), Demand::Rest);
        lamp.demand(at(300.0), Demand::Light);
        assert_eq!(lamp.state(), LampState::Cut(Cut::Unasked));
        // What was asked for while nothing wanted light is over.
        lamp.demand(at(301.0), Demand::Rest);
        lamp.ask_for_light(at(302.0));
        lamp.demand(at(302.0), Demand::Rest);
        lamp.demand(at(303.0), Demand::Light);
        assert_eq!(lamp.state(), LampState::Cut(Cut::Unasked));
        ask(&mut lamp, 304.0);
        assert!(lamp.is_on());
    }

    #[test]
    fn it_is_on_while_it_is_wanted() {
        let mut lamp = lit();
        lamp.demand(at(200.0), Demand::Light);
        assert_eq!((lamp.is_on(), lamp.since()), (true, at(100.0)));
        lamp.demand(at(250.0), Demand::Rest);
        assert_eq!((lamp.state(), lamp.since()), (LampState::Off, at(250.0)));
    }

    #[test]
    fn it_waits_for_its_time_off_also_after_a_start() {
        let mut lamp = Lamp::new(RULES, at(0.0));
        ask(&mut lamp, 10.0);
        assert_eq!(lamp.state(), LampState::Waiting { until: at(30.0) });
        assert_eq!(lamp.next_deadline(), Some(at(30.0)));
        lamp.demand(at(30.0), Demand::Light);
        assert!(lamp.is_on());
        lamp.demand(at(40.0), Demand::Rest);
        ask(&mut lamp, 41.0);
        assert_eq!((lamp.state(), lamp.since()), (LampState::Waiting { until: at(70.0) }, at(41.0)));
        lamp.demand(at(42.0), Demand::Rest);
        assert_eq!(lamp.state(), LampState::Off);
    }

    #[test]
    fn after_its_longest_time_it_is_cut_until_a_person_acts() {
        let mut lamp = lit();
        assert_eq!(lamp.next_deadline(), Some(at(700.0)));
        lamp.demand(at(700.0), Demand::Light);
        assert_eq!(lamp.state(), LampState::Cut(Cut::TooLong));
        lamp.demand(at(5000.0), Demand::Light);
        assert!(!lamp.is_on());
        ask(&mut lamp, 5000.0);
        assert!(lamp.is_on());
    }

    #[test]
    fn a_silent_sensor_cuts_it_and_its_return_does_not_switch_it_on() {
        let mut lamp = lit();
        lamp.demand(at(150.0), Demand::Blind);
        assert_eq!(lamp.state(), LampState::Cut(Cut::SensorLost));
        lamp.demand(at(300.0), Demand::Light);
        assert!(!lamp.is_on());
        // Who acts while it is still silent gets no light either.
        lamp.ask_for_light(at(301.0));
        lamp.demand(at(301.0), Demand::Blind);
        assert_eq!(lamp.state(), LampState::Cut(Cut::SensorLost));
        // With nothing under it the matter is over.
        lamp.demand(at(302.0), Demand::Rest);
        ask(&mut lamp, 303.0);
        assert!(lamp.is_on());
    }

    #[test]
    fn a_lamp_that_no_sensor_sees_is_cut() {
        let mut lamp = lit();
        let dark = Irradiance::from_w_m2(0.05);
        lamp.light(at(159.0), SENSOR, dark);
        assert!(lamp.is_on());
        lamp.light(at(160.0), SENSOR, dark);
        assert_eq!(lamp.state(), LampState::Cut(Cut::Unlit));
    }

    #[test]
    fn a_lamp_that_goes_out_is_cut_and_one_dim_reading_is_not_enough() {
        let mut lamp = lit();
        let read = |lamp: &mut Lamp, seconds, w_m2| {
            lamp.light(at(seconds), SENSOR, Irradiance::from_w_m2(w_m2));
        };
        // Warming up, then a hand over the sensor.
        for (seconds, w_m2) in [(101.0, 5.0), (200.0, 30.0), (201.0, 0.5), (203.0, 30.0)] {
            read(&mut lamp, seconds, w_m2);
        }
        for seconds in [204.0, 206.0, 208.0] {
            read(&mut lamp, seconds, 0.02);
            assert!(lamp.is_on());
        }
        read(&mut lamp, 209.0, 0.02);
        assert_eq!(lamp.state(), LampState::Cut(Cut::WentOut));
    }

    #[test]
    fn a_dim_sensor_beside_a_bright_one_is_no_fault() {
        let mut lamp = lit();
        for second in 101..400 {
            lamp.light(at(f64::from(second)), SensorId(0), Irradiance::from_w_m2(30.0));
            lamp.light(at(f64::from(second)), SensorId(1), Irradiance::from_w_m2(1.0));
        }
        assert!(lamp.is_on());
    }

    #[derive(Debug, Clone)]
    enum Step {
        Demand(Demand),
        Ask,
        Cut,
        Light(f64),
    }

    fn steps() -> impl Strategy<Value = Vec<(f64, Step)>> {
        let step = prop_oneof![
            4 => Just(Step::Demand(Demand::Light)),
            2 => Just(Step::Demand(Demand::Rest)),
            1 => Just(Step::Demand(Demand::Blind)),
            3 => Just(Step::Ask),
            1 => Just(Step::Cut),
            3 => (0.0f64..40.0).prop_map(Step::Light),
        ];
        prop::collection::vec((0.0f64..200.0, step), 1..120)
    }

    fn may_light(before: LampState, lamp: &Lamp, asked: bool) -> bool {
        let is_lit = |state| matches!(state, LampState::On | LampState::Waiting { .. });
        asked || is_lit(before) || !is_lit(lamp.state())
    }

    /// Lives through steps; gives each change of the relay, and when a person or a rest
    /// last ended a cut. `ticks` asks at needless times, too. It goes on only when a person
    /// asks, or after the time off that they were told to wait for.
    fn live(steps: &[(f64, Step)], ticks: bool) -> Vec<(f64, bool, Option<Cut>)> {
        let mut lamp = Lamp::new(RULES, at(0.0));
        let (mut now, mut demand, mut changes) = (0.0, Demand::Rest, Vec::new());
        let mut note = |lamp: &Lamp, now: f64| {
            let cut = if let LampState::Cut(cut) = lamp.state() { Some(cut) } else { None };
            if changes.last().is_none_or(|&(_, on, was)| (on, was) != (lamp.is_on(), cut)) {
                changes.push((now, lamp.is_on(), cut));
            }
        };
        for (wait, step) in steps {
            let end = now + wait;
            while let Some(deadline) = lamp.next_deadline().map(Mono::seconds).filter(|&d| d <= end) {
                if ticks {
                    lamp.demand(at(f64::midpoint(now, deadline)), demand);
                    note(&lamp, f64::midpoint(now, deadline));
                }
                now = deadline;
                let before = lamp.state();
                lamp.demand(at(now), demand);
                assert!(may_light(before, &lamp, false), "by itself");
                note(&lamp, now);
            }
            now = end;
            match step {
                Step::Demand(wanted) => demand = *wanted,
                Step::Ask => lamp.ask_for_light(at(now)),
                Step::Cut => lamp.cut(at(now), Cut::Stalled),
                Step::Light(w_m2) => lamp.light(at(now), SENSOR, Irradiance::from_w_m2(*w_m2)),
            }
            note(&lamp, now);
            let before = lamp.state();
            lamp.demand(at(now), demand);
            assert!(may_light(before, &lamp, matches!(step, Step::Ask)), "after {step:?} in {before:?}");
            note(&lamp, now);
            assert!(!lamp.is_on() || demand == Demand::Light, "on for nobody");
        }
        changes
    }

    proptest! {
        #[test]
        fn it_keeps_its_times_and_never_comes_on_by_itself(steps in steps()) {
            let mut off_since = 0.0;
            let mut on_since = None;
            let changes = live(&steps, false);
            for pair in changes.windows(2) {
                let ((_, was_on, cut), (now, is_on, _)) = (pair[0], pair[1]);
                // From a cut the way leads through off.
                prop_assert!(!(is_on && cut.is_some()), "on out of a cut: {changes:?}");
                if is_on {
                    prop_assert!(now >= off_since + RULES.min_off_s - 1e-6, "too soon: {changes:?}");
                    on_since = Some(now);
                } else if was_on {
                    let on = now - on_since.unwrap_or(now);
                    prop_assert!(on <= RULES.max_on_s + 1e-6, "too long: {changes:?}");
                    off_since = now;
                }
            }
        }

        #[test]
        fn needless_calls_change_nothing(steps in steps()) {
            prop_assert_eq!(live(&steps, true), live(&steps, false));
        }
    }
}
