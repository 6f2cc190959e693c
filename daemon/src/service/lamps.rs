//! Lamp boxes that are switched by a relay: what the frames under them want, when they
//! are switched, and who hears of it.

use frameside_core::exposure::{
    Command, Cut, Demand, FrameId, FrameState, Input, Lamp, LampRules, LampState, SensorId,
};
use frameside_core::light::{Knot, LeftOff, Reading, Seen, Switched};
use frameside_core::quantity::{Irradiance, Mono};

use super::tell::Call;
use super::{FramePart, Service, Setup};
use crate::devices::pins::Pattern;
use crate::devices::relay::{Relay, RelayEvent, RelayTrouble};
use crate::ledger::{OpenPrint, OutboxRow};
use crate::status::LampStatus;
use crate::words;

const KIND: &str = "lamp-off";
/// A sensor that is read less often than this, in seconds, sees too late that its light is gone.
const LONGEST_PERIOD_S: f64 = 10.0;

/// A lamp box with a relay.
#[derive(Debug, Clone)]
pub struct LampPart {
    /// The source's name.
    pub name: String,
    /// BCM number of the relay's pin; `None` for one that is emulated.
    pub relay: Option<u8>,
    /// When it may be on.
    pub rules: LampRules,
}

/// A request that waited longer than this for the record lights no lamp, in seconds of life: who asked
/// may have gone.
const LIGHT_WITHIN_S: f64 = 5.0;

/// Whether a request may light a lamp: until an instant, or not at all.
#[derive(Debug, Clone, Copy)]
pub(super) struct MayLight(Option<Mono>);

impl MayLight {
    pub(super) const NEVER: Self = Self(None);

    fn at(self, now: Mono) -> bool {
        self.0.is_some_and(|until| now <= until)
    }
}

/// The lamps of the rig.
pub(super) struct Lamps {
    lamps: Vec<Lamp>,
    /// What was done last for each.
    acted: Vec<LampState>,
    /// What is wrong with each relay, as told last.
    wrong: Vec<Option<String>>,
    /// Those that have no pin, and cannot be switched until they have.
    dead: Vec<bool>,
    /// The lamp that the print in each frame is under.
    under: Vec<Option<usize>>,
    /// Whether a lamp that was cut calls to each frame, until it is hushed.
    calls: Vec<bool>,
    /// Where the light of each sensor was switched.
    switched: Vec<Switched>,
}

impl Lamps {
    pub(super) fn new(parts: &[LampPart], frames: usize, sensors: usize, now: Mono) -> Self {
        Self {
            lamps: parts.iter().map(|part| Lamp::new(part.rules, now)).collect(),
            acted: vec![LampState::Off; parts.len()],
            wrong: vec![None; parts.len()],
            dead: vec![false; parts.len()],
            under: vec![None; frames],
            calls: vec![false; frames],
            switched: vec![Switched::default(); sensors],
        }
    }

    pub(super) fn next_deadline(&self) -> Option<Mono> {
        self.lamps.iter().filter_map(Lamp::next_deadline).min()
    }

    fn state(&self, frame: FrameId) -> Option<LampState> {
        self.of(frame).map(|lamp| self.lamps[lamp].state())
    }

    fn of(&self, frame: FrameId) -> Option<usize> {
        self.under.get(frame.0 as usize).copied().flatten()
    }

    /// The frames whose print is under a lamp.
    fn frames(&self, lamp: usize) -> impl Iterator<Item = FrameId> {
        let frames = (0..).map(FrameId).zip(&self.under);
        frames.filter(move |(_, under)| **under == Some(lamp)).map(|(id, _)| id)
    }
}

impl Service {
    fn switched_lamp(&self, source: &str) -> Option<usize> {
        self.setup.switched.iter().position(|lamp| lamp.name == source)
    }

    /// The print in a frame is under a source.
    pub(super) fn put_under(&mut self, frame: FrameId, source: &str) {
        self.lamps.under[frame.0 as usize] = self.switched_lamp(source);
    }

    /// A request that may light a lamp, if it is carried out soon.
    pub(super) fn may_light(&self, now: Mono) -> MayLight {
        MayLight(Some(now.plus_seconds(LIGHT_WITHIN_S * self.setup.speed)))
    }

    /// A print is begun under a source.
    pub(super) fn begin_under(&mut self, now: Mono, frame: FrameId, source: &str, may_light: MayLight) {
        self.put_under(frame, source);
        if self.rig.state(frame) == Some(FrameState::Exposing) {
            self.ask_for_light(now, frame, may_light);
        }
        // One that comes to others under a lamp has to know that it is on.
        if self.lamps.state(frame) == Some(LampState::On)
            && let Err(refused) = self.rig.handle(now, Input::Command(frame, Command::LampOn))
        {
            tracing::warn!("{refused}");
        }
    }

    /// Refuses a sensor that would see too late that the light of its lamp is gone.
    pub(super) fn refuse_slow_sensor(&self, source: &str, sensor: SensorId) -> Result<(), String> {
        let part = &self.setup.sensors[usize::from(sensor.0)];
        if self.switched_lamp(source).is_some() && part.period_s > LONGEST_PERIOD_S {
            let name = &part.name;
            return Err(format!(
                "sensor {name} is read too seldom for a lamp that is switched by a relay; \
                 set its period to {LONGEST_PERIOD_S} s or less"
            ));
        }
        Ok(())
    }

    /// A person beside a frame, or a command of now, asks for the light of its lamp.
    pub(super) fn ask_for_light(&mut self, now: Mono, frame: FrameId, may_light: MayLight) {
        if let Some(lamp) = self.lamps.of(frame)
            && may_light.at(now)
        {
            self.lamps.lamps[lamp].ask_for_light(now);
        }
    }

    /// Whether a call to a frame is not hushed yet.
    pub(super) fn is_calling(&self, now: Mono, frame: FrameId) -> bool {
        self.lamps.calls[frame.0 as usize] || self.rig.view(frame, now).is_some_and(|view| view.waiting)
    }

    /// Silences the call of a lamp that was cut; whether there was one.
    pub(super) fn hush_lamp(&mut self, now: Mono, frame: FrameId) -> bool {
        let was_calling = std::mem::take(&mut self.lamps.calls[frame.0 as usize]);
        if was_calling {
            self.frame_changed(now, frame);
        }
        was_calling
    }

    /// A call of a lamp is over once that is on, or its frame wants no light.
    fn end_lamp_calls(&mut self, now: Mono) {
        for frame in self.frame_ids() {
            let is_over = self.lamps.state(frame) == Some(LampState::On)
                || self.rig.state(frame) != Some(FrameState::Exposing);
            if is_over {
                self.hush_lamp(now, frame);
            }
        }
    }

    /// Whether a frame exposes but for its lamp, which was cut.
    pub(super) fn is_cut(&self, frame: FrameId) -> bool {
        self.rig.state(frame) == Some(FrameState::Exposing)
            && matches!(self.lamps.state(frame), Some(LampState::Cut(_)))
    }

    /// Whether the lamp above a frame is known to be off.
    pub(super) fn is_in_the_dark(&self, frame: FrameId) -> bool {
        self.lamps.state(frame).is_some_and(|state| state != LampState::On)
    }

    /// The lamp above a frame, its state, and the other frames that it is on for.
    pub(super) fn above(&self, frame: FrameId) -> Option<words::Above<'_>> {
        let lamp = self.lamps.of(frame)?;
        let part = |id: FrameId| &self.setup.frames[id.0 as usize];
        let others = self.lamps.frames(lamp).filter(|&id| id != frame);
        let exposing = others.filter(|&id| self.rig.state(id) == Some(FrameState::Exposing));
        Some(words::Above {
            lamp: &self.setup.switched[lamp].name,
            state: self.lamps.lamps[lamp].state(),
            is_going_off: self.is_going_off(lamp),
            frame: &part(frame).name,
            others: exposing.map(|id| part(id).shown()).collect(),
        })
    }

    /// What is read of a lamp.
    pub(super) fn look_at_lamps(&mut self, now: Mono, sensor: SensorId, reading: Reading) {
        for lamp in 0..self.lamps.lamps.len() {
            let is_beside = self.lamps.frames(lamp).any(|id| {
                self.setup.frames[id.0 as usize].sensor == sensor
                    && self.rig.state(id) == Some(FrameState::Exposing)
            });
            let lamp = &mut self.lamps.lamps[lamp];
            if is_beside || !lamp.is_on() {
                lamp.light(now, sensor, reading.seen.lowest());
            }
        }
    }

    /// A reading with the light from the switch of a lamp on, where that was just switched;
    /// nothing for one that was taken before.
    pub(super) fn after_switch(&mut self, sensor: SensorId, reading: Reading) -> Vec<Reading> {
        let (begins, itself) = self.lamps.switched[usize::from(sensor.0)].take(reading);
        begins.into_iter().chain(itself).collect()
    }

    /// A relay has something to say.
    pub fn on_relay(&mut self, now: Mono, event: RelayEvent) {
        match event {
            RelayEvent::Trouble(trouble) => self.on_relay_trouble(now, trouble),
            RelayEvent::Changed { lamp } => {
                self.hold_relays(now);
                if self.lamps.dead[lamp] && !self.hands.relays[lamp].has_no_pin() {
                    tracing::info!(lamp = self.setup.switched[lamp].name, "its relay can be switched now");
                    self.lamps.dead[lamp] = false;
                    self.lamps.wrong[lamp] = None;
                }
                for frame in self.lamps.frames(lamp).collect::<Vec<_>>() {
                    self.tell_frame(now, frame);
                }
            }
        }
    }

    fn on_relay_trouble(&mut self, now: Mono, trouble: RelayTrouble) {
        let RelayTrouble { lamp, cut, why, has_no_pin } = trouble;
        self.lamps.dead[lamp] |= has_no_pin;
        if self.lamps.wrong[lamp].as_ref() != Some(&why) {
            tracing::error!(lamp = self.setup.switched[lamp].name, "{why}");
        }
        self.lamps.wrong[lamp] = Some(why);
        // What it holds is not known any more; only off is safe.
        if self.demand(lamp) != Demand::Rest {
            self.lamps.lamps[lamp].cut(now, cut);
        }
        self.pump(now);
    }

    fn demand(&self, lamp: usize) -> Demand {
        let mut demand = Demand::Rest;
        for frame in self.lamps.frames(lamp) {
            if self.rig.state(frame) == Some(FrameState::Exposing) {
                let sensor = self.setup.frames[frame.0 as usize].sensor;
                if self.rig.sensor(sensor).is_some_and(|sensor| sensor.lost) {
                    return Demand::Blind;
                }
                demand = Demand::Light;
            }
        }
        demand
    }

    /// Switches what is to be switched; returns the signals that follow.
    pub(super) fn mind_lamps(&mut self, now: Mono) -> Vec<OutboxRow> {
        let mut signals = Vec::new();
        for lamp in 0..self.lamps.lamps.len() {
            let demand = self.demand(lamp);
            if self.lamps.dead[lamp] && demand != Demand::Rest {
                self.lamps.lamps[lamp].cut(now, Cut::NoRelay);
            }
            self.lamps.lamps[lamp].demand(now, demand);
            let state = self.lamps.lamps[lamp].state();
            let before = std::mem::replace(&mut self.lamps.acted[lamp], state);
            if state == before {
                continue;
            }
            let is_on = state == LampState::On;
            if is_on {
                self.lamps.wrong[lamp] = None;
            }
            // What was out at the start was under a lamp that went off with the daemon.
            if is_on != (before == LampState::On) || state == LampState::Cut(Cut::Restarted) {
                self.switch(now, lamp, state);
            }
            if let LampState::Cut(cut) = state {
                signals.extend(self.tell_cut(now, lamp, cut));
            }
        }
        self.end_lamp_calls(now);
        signals
    }

    /// Holds each relay as it is to be; while it is on its guard has to hear so again and again.
    pub(super) fn hold_relays(&mut self, now: Mono) {
        for (relay, lamp) in self.hands.relays.iter_mut().zip(&self.lamps.lamps) {
            relay.hold(now, lamp.is_on());
        }
    }

    /// Whether a lamp is to be off, and may be on yet.
    fn is_going_off(&self, lamp: usize) -> bool {
        !self.lamps.lamps[lamp].is_on() && self.hands.relays.get(lamp).is_some_and(Relay::is_going_off)
    }

    /// When the relays are to be held again.
    pub(super) fn next_beat(&self, now: Mono) -> Option<Mono> {
        let within = self.hands.relays.iter().filter_map(Relay::hold_within).min()?;
        Some(now.plus_seconds(within.as_secs_f64() * self.setup.speed))
    }

    fn switch(&mut self, now: Mono, lamp: usize, state: LampState) {
        self.hold_relays(now);
        let name = &self.setup.switched[lamp].name;
        tracing::info!(lamp = name, "the lamp goes {}", if state == LampState::On { "on" } else { "off" });
        let frames: Vec<FrameId> = self.lamps.frames(lamp).collect();
        let mut sensors: Vec<SensorId> =
            frames.iter().map(|id| self.setup.frames[id.0 as usize].sensor).collect();
        sensors.sort_unstable();
        sensors.dedup();
        for sensor in sensors {
            self.step(now, sensor);
        }
        let command = match state {
            LampState::On => Command::LampOn,
            LampState::Cut(cut) => Command::LampOff(Some(cut)),
            LampState::Off | LampState::Waiting { .. } => Command::LampOff(None),
        };
        for frame in frames {
            let is_out = !matches!(self.rig.state(frame), Some(FrameState::Empty | FrameState::In) | None);
            if is_out && let Err(refused) = self.rig.handle(now, Input::Command(frame, command.clone())) {
                tracing::warn!("{refused}");
            }
        }
    }

    /// The light beside a sensor changes at once, now.
    fn step(&mut self, now: Mono, sensor: SensorId) {
        let last = self.rig.sensor(sensor).filter(|view| !view.lost).and_then(|view| view.last);
        let Some(held) = self.lamps.switched[usize::from(sensor.0)].at(now, last) else { return };
        match self.rig.handle(now, Input::Reading(sensor, held)) {
            Ok(()) => self.keep_light(sensor, held),
            Err(refused) => tracing::warn!("{refused}"),
        }
    }

    /// Calls to each frame that the lamp was on for.
    fn tell_cut(&mut self, now: Mono, lamp: usize, cut: Cut) -> Vec<OutboxRow> {
        if cut == Cut::Stopped {
            return Vec::new();
        }
        let frames: Vec<FrameId> = self.lamps.frames(lamp).collect();
        let left = frames.into_iter().filter(|&id| self.rig.state(id) == Some(FrameState::Exposing));
        let mut rows = Vec::new();
        for frame in left.collect::<Vec<_>>() {
            self.lamps.calls[frame.0 as usize] = true;
            // The rig itself calls when a sensor is silent.
            if cut == Cut::SensorLost {
                continue;
            }
            let Some(view) = self.rig.view(frame, now) else { continue };
            let (Some(print), Some(target)) = (view.print, view.target) else { continue };
            let FramePart { name, .. } = &self.setup.frames[frame.0 as usize];
            let (dose, why) = (view.dose, self.lamps.wrong[lamp].as_deref());
            let shown = self.setup.frames[frame.0 as usize].shown();
            let text = words::lamp_off(&self.setup.switched[lamp], cut, why, (shown, name), dose, target);
            let call = Call {
                id: format!("{print}-{KIND}-{}", now.nanos()),
                kind: KIND,
                at: now,
                frame: name.clone(),
                print: print.to_string(),
                dose: dose.best,
                target,
                text,
            };
            self.hands.buzzer.play(&Pattern::call(frame.0 as usize + 1));
            self.frame_changed(now, frame);
            rows.extend(self.tell_everyone(call));
        }
        rows
    }

    /// After a start: prints are out that want a lamp, and nobody may be there.
    pub(super) fn leave_lamps_off(&mut self, now: Mono) {
        for lamp in 0..self.lamps.lamps.len() {
            if self.demand(lamp) != Demand::Rest {
                self.lamps.lamps[lamp].cut(now, Cut::Restarted);
            }
        }
    }

    /// The daemon stops.
    pub(super) fn lamps_off(&mut self, now: Mono) {
        for lamp in &mut self.lamps.lamps {
            if lamp.is_on() {
                lamp.cut(now, Cut::Stopped);
            }
        }
        self.pump(now);
    }

    /// The lamps as they stand.
    pub(super) fn lamp_statuses(&self, now: Mono) -> Vec<LampStatus> {
        let label = |at: Mono| words::rfc3339(self.wall.unix_ms_at(at), &self.setup.zone);
        let lamps = self.setup.switched.iter().zip(&self.lamps.lamps).zip(&self.lamps.wrong);
        lamps
            .enumerate()
            .map(|(number, ((part, lamp), wrong))| {
                let (cut, until) = match lamp.state() {
                    LampState::Off | LampState::On => (None, None),
                    LampState::Waiting { until } => (None, Some(label(until))),
                    LampState::Cut(cut) => (Some(cut), None),
                };
                let is_going_off = self.is_going_off(number);
                LampStatus {
                    source: part.name.clone(),
                    relay: part.relay,
                    state: words::lamp_state(lamp.state(), is_going_off).to_owned(),
                    on: lamp.is_on() || is_going_off,
                    since: label(lamp.since()),
                    seconds: now.seconds_since(lamp.since()),
                    until,
                    cut,
                    why: wrong.clone().or_else(|| cut.map(|cut| words::cut(cut).to_owned())),
                    min_off_s: part.rules.min_off_s,
                    max_on_s: part.rules.max_on_s,
                }
            })
            .collect()
    }

    /// What a person who has begun or uncovered a print should know of its lamp.
    pub(super) fn lamp_news(&self, frame: FrameId) -> Option<String> {
        let lamp = self.lamps.of(frame)?;
        let LampPart { name, rules, .. } = &self.setup.switched[lamp];
        let at = |at| words::clock_s(self.wall.unix_ms_at(at), &self.setup.zone);
        match self.lamps.lamps[lamp].state() {
            LampState::Off if self.is_going_off(lamp) => Some(format!(
                "lamp {name} is going off; its relay has not confirmed it yet: see 'frameside status'"
            )),
            LampState::Off => None,
            LampState::On => Some(format!("lamp {name} is on")),
            LampState::Waiting { until } => Some(format!(
                "lamp {name} goes on at {}: once off, it is off for at least {}",
                at(until),
                words::span(rules.min_off_s)
            )),
            LampState::Cut(cut) => {
                let why = self.lamps.wrong[lamp].as_deref().unwrap_or(words::cut(cut));
                Some(format!("lamp {name} stays off: {why}"))
            }
        }
    }
}

/// Where a sensor's integral goes on. If all prints beside it are under switched lamps,
/// their light ended with the daemon.
pub(super) fn left_off(left_off: LeftOff, sensor: &str, prints: &[OpenPrint], setup: &Setup) -> LeftOff {
    let is_switched = |print: &OpenPrint| setup.switched.iter().any(|lamp| lamp.name == print.source);
    let mut beside = prints.iter().filter(|print| print.sensor == sensor).peekable();
    if beside.peek().is_none() || !beside.all(is_switched) {
        return left_off;
    }
    let dark = Seen::Exactly(Irradiance::ZERO);
    LeftOff { knot: Knot { seen: dark, ..left_off.knot }, is_cut: true, ..left_off }
}
