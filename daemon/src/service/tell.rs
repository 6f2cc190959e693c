//! What comes out of the rig, and where it goes.

use std::collections::BTreeMap;

use frameside_core::exposure::{
    Event, EventKind, FrameId, FrameState, Lacks, Output, SensorId, Signal, SignalKind,
};
use frameside_core::light::{Flags, Reading};
use frameside_core::quantity::{Dose, Mono};
use serde_json::Value;

use super::{Asker, Service};
use crate::devices::panel::PanelChange;
use crate::devices::pins::{Buzzer, Pattern, Switch};
use crate::devices::relay::Relay;
use crate::hook::Hook;
use crate::ledger::{Entry, OutboxRow};
use crate::mqtt::{LightMessage, Link, Publication, SignalPayload, Standing, topics};
use crate::request::refusal;
use crate::status::{FrameStatus, SensorStatus, Status};
use crate::words;

/// What the service acts with.
pub struct Hands {
    /// What calls by sound.
    pub buzzer: Buzzer,
    /// A light for each frame that has one.
    pub lights: Vec<Option<Box<dyn Switch>>>,
    /// The relay of each switched lamp.
    pub relays: Vec<Relay>,
    /// The way to the broker.
    pub link: Option<Link>,
    /// What is run on each signal.
    pub hook: Option<Hook>,
    /// Hears every signal as a person would read it.
    pub voice: Box<dyn FnMut(&Told) + Send>,
}

/// A signal as a person reads it.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// When.
    pub at: Mono,
    /// The word of the contract for its kind.
    pub kind: &'static str,
    /// The frame's name.
    pub frame: String,
    /// The text.
    pub text: String,
}

/// A signal, whoever it comes from.
pub(super) struct Call {
    /// The same however often it is sent.
    pub(super) id: String,
    /// The word of the contract for its kind.
    pub(super) kind: &'static str,
    /// When what it tells of happened.
    pub(super) at: Mono,
    /// The frame's name.
    pub(super) frame: String,
    /// The print's name.
    pub(super) print: String,
    /// The print's dose then.
    pub(super) dose: Dose,
    /// What it aims at.
    pub(super) target: Dose,
    /// What a person reads.
    pub(super) text: String,
}

/// The state of a frame goes out at most this often while it changes, in
/// seconds of life.
const STATE_EVERY_S: f64 = 5.0;
/// Irradiance goes out at most this often, in seconds of life.
pub(super) const LIGHT_EVERY_S: f64 = 1.0;

impl Service {
    /// Takes everything the rig has to say.
    pub(super) fn pump(&mut self, now: Mono) {
        let mut urgent = false;
        let mut signals = self.mind_lamps(now);
        while let Some(output) = self.rig.poll() {
            match output {
                Output::Signal(signal) => signals.extend(self.signal(&signal)),
                Output::Event(event) => {
                    urgent = true;
                    self.event(event);
                }
                Output::Settled { print, seq, counted, plain } => {
                    self.ledger.write(Entry::Settled { print, seq, counted, plain });
                    // Until it is kept, the record shows the figures of the moment; after
                    // the last print came in that would be a minute.
                    urgent = true;
                }
                Output::Gap { sensor, from, to, dose } => {
                    let sensor = self.setup.sensors[usize::from(sensor.0)].name.clone();
                    tracing::warn!(
                        sensor,
                        seconds = to.seconds_since(from),
                        "light was not seen for a while"
                    );
                    self.ledger.write(Entry::Gap { sensor, from, to, dose });
                    // Until it is kept, the record shows a line where nothing was seen.
                    urgent = true;
                }
                Output::Torn(sensor, after, tear) => self.torn(sensor, after, tear),
                Output::Changed(frame) => self.frame_changed(now, frame),
                Output::SensorChanged { sensor, .. } => self.tell_problem(sensor),
            }
        }
        if urgent || !signals.is_empty() {
            let token = match &mut self.owed_commit {
                Some(is_owed) => {
                    *is_owed = true;
                    self.token + 1
                }
                None => self.commit(now),
            };
            self.unsafe_yet.extend(signals.into_iter().map(|row| (token, row)));
        }
    }

    fn event(&mut self, event: Event) {
        // A print whose frame is gone was not counted as out.
        match event.kind {
            EventKind::Begun { .. } if event.frame.is_some() => self.out += 1,
            EventKind::BroughtIn if event.frame.is_some() => self.out = self.out.saturating_sub(1),
            _ => {}
        }
        self.ledger.write(Entry::Event(event));
    }

    /// Light is kept whether a print is out or not: the hour before a print bounds its gaps.
    pub(super) fn keep_light(&mut self, id: SensorId, reading: Reading) {
        let sensor = self.setup.sensors[usize::from(id.0)].name.clone();
        let flags = reading.flags.without(Flags::REPEATED).without(Flags::ANEW);
        self.ledger.write(Entry::Light { sensor, reading: Reading { flags, ..reading } });
        self.unwritten = true;
    }

    /// Tells of a signal by sound and words at once; the broker gets it when
    /// the ledger has it.
    fn signal(&mut self, signal: &Signal) -> Option<OutboxRow> {
        let part = &self.setup.frames[signal.frame.0 as usize];
        // In the dark nothing gets too much, and nothing is due by the last light.
        let is_moot =
            matches!(signal.kind, SignalKind::Overdue { .. } | SignalKind::SensorLost { reached: true, .. });
        if is_moot && self.is_in_the_dark(signal.frame) {
            return None;
        }
        let clock = |at| words::clock(self.wall.unix_ms_at(at), &self.setup.zone);
        let text = self
            .above(signal.frame)
            .and_then(|above| words::under_lamp(signal, part.shown(), &above))
            .unwrap_or_else(|| words::signal(signal, part.shown(), clock));
        let kind = signal.kind.word();
        match signal.kind {
            SignalKind::Nearly { .. } | SignalKind::TooSlow { .. } => {
                self.hands.buzzer.play(&Pattern::beep());
            }
            SignalKind::Due
            | SignalKind::Overdue { .. }
            | SignalKind::Band { .. }
            | SignalKind::SensorLost { .. } => {
                self.hands.buzzer.play(&Pattern::call(signal.frame.0 as usize + 1));
            }
            _ => {}
        }
        // The same print cannot come to the same kind twice within a nanosecond.
        let id = format!("{}-{kind}-{}", signal.print, signal.at.nanos());
        let (frame, print) = (part.name.clone(), signal.print.to_string());
        let (dose, target) = (signal.dose.best, signal.target);
        self.tell_everyone(Call { id, kind, at: signal.at, frame, print, dose, target, text })
    }

    /// Tells of a signal by words at once; the row is for the broker, once it is safe.
    pub(super) fn tell_everyone(&mut self, call: Call) -> Option<OutboxRow> {
        let Call { id, kind, at, frame, print, dose, target, text } = call;
        (self.hands.voice)(&Told { at, kind, frame: frame.clone(), text: text.clone() });
        let payload = SignalPayload {
            id: id.clone(),
            kind: kind.to_owned(),
            event_type: kind.to_owned(),
            rig: self.setup.rig.clone(),
            frame: frame.clone(),
            print,
            at: words::rfc3339(self.wall.unix_ms_at(at), &self.setup.zone),
            dose_j_m2: dose.j_m2(),
            target_j_m2: target.j_m2(),
            text,
        };
        if let Some(hook) = &self.hands.hook {
            hook.call(&payload);
        }
        let row = OutboxRow { id, frame, payload: payload.to_json() };
        // Without a broker in the config there is nobody to keep it for.
        self.hands.link.as_ref()?;
        self.ledger.write(Entry::Signal(row.clone()));
        Some(row)
    }

    /// Calls a person to something that is wrong with the rig itself.
    pub(super) fn raise(&mut self, now: Mono, text: String) {
        self.hands.buzzer.play(&Pattern::beep());
        let id = format!("trouble-{}-{}", self.wall.unix_ms_at(now), self.raised);
        self.raised += 1;
        let (frame, print) = (String::new(), String::new());
        let (dose, target) = (Dose::ZERO, Dose::ZERO);
        let signal =
            self.tell_everyone(Call { id, kind: "trouble", at: now, frame, print, dose, target, text });
        if let Some(row) = signal {
            let token = self.commit(now);
            self.unsafe_yet.push((token, row));
        }
    }

    pub(super) fn frame_changed(&mut self, now: Mono, frame: FrameId) {
        let is_lit = self.is_lit(now, frame);
        if let Some(Some(light)) = self.hands.lights.get_mut(frame.0 as usize) {
            light.set(is_lit);
        }
        self.tell_frame(now, frame);
    }

    /// Whether the light of a frame is on.
    fn is_lit(&self, now: Mono, frame: FrameId) -> bool {
        self.is_calling(now, frame) || self.rig.state(frame) == Some(FrameState::Due)
    }

    /// Parts of the panel got their pins, or did not.
    pub(crate) fn on_panel(&mut self, now: Mono, change: PanelChange) {
        let PanelChange { buzzer, lights, trouble } = change;
        self.panel_trouble = trouble;
        if let Some(switch) = buzzer {
            self.hands.buzzer.connect(switch);
        }
        for (frame, mut light) in lights {
            light.set(self.is_lit(now, frame));
            self.hands.lights[frame.0 as usize] = Some(light);
        }
    }

    /// Looks whether the light of a sensor is to be believed.
    pub(super) fn doubt(&mut self, id: SensorId, reading: &Reading) {
        if !self.setup.switched.is_empty() {
            // A lamp that is switched looks like a shadow on the sensor in its box.
            return;
        }
        let index = usize::from(id.0);
        // By a lamp there may be any light.
        let clear = self.setup.lamps.is_empty().then(|| self.rig.clear_light(reading.at)).flatten();
        let doubt = self.watch.take(index, reading.at, reading.seen.lowest(), clear);
        let before = std::mem::replace(&mut self.doubts[index], doubt);
        if doubt.is_some() == before.is_some() {
            return;
        }
        let sensor = &self.setup.sensors[index].name;
        match doubt {
            Some(doubt) => tracing::warn!(sensor, "{}", words::doubt(doubt)),
            None => tracing::info!(sensor, "its light is as it should be again"),
        }
        self.tell_problem(id);
    }

    /// What is wrong with a sensor, if anything.
    fn problem(&self, id: SensorId) -> Option<String> {
        let view = self.rig.sensor(id)?;
        if view.lost {
            let unknown = || "no readings come from it".to_owned();
            return Some(view.fault.map_or_else(unknown, |fault| fault.to_string()));
        }
        self.doubts[usize::from(id.0)].map(words::doubt)
    }

    pub(super) fn tell_problem(&mut self, id: SensorId) {
        let name = &self.setup.sensors[usize::from(id.0)].name;
        let payload = if self.problem(id).is_some() { "ON" } else { "OFF" };
        self.publish(Publication::retained(topics::sensor_problem(name), payload));
    }

    /// Publishes a frame's state now.
    pub(super) fn tell_frame(&mut self, now: Mono, frame: FrameId) {
        let Some(status) = self.frame_status(now, frame) else { return };
        let again = matches!(status.state, FrameState::Exposing | FrameState::Due);
        let next = now.plus_seconds(STATE_EVERY_S * self.setup.speed);
        self.publish_at[frame.0 as usize] = again.then_some(next);
        if self.hands.link.is_some() {
            let payload = serde_json::to_string(&status).unwrap_or_default();
            self.publish(Publication::retained(topics::frame_state(&status.frame), payload));
        }
    }

    /// Publishes the states whose turn has come.
    pub(super) fn tell_waiting_frames(&mut self, now: Mono) {
        for frame in self.frame_ids() {
            if self.publish_at[frame.0 as usize].is_some_and(|at| at <= now) {
                self.tell_frame(now, frame);
            }
        }
    }

    /// Publishes the light.
    pub(super) fn tell_light(&mut self, sensor: SensorId) {
        let Some(reading) = self.rig.sensor(sensor).and_then(|s| s.last) else { return };
        if self.hands.link.is_none() {
            return;
        }
        let due = &mut self.light_due[usize::from(sensor.0)];
        let pause = LIGHT_EVERY_S * self.setup.speed;
        // Readings come a little early or late; half a pause is in time, but not again and again.
        if reading.at < due.plus_seconds(-pause / 2.0) {
            return;
        }
        *due = reading.at.max(*due).plus_seconds(pause);
        let topic = topics::sensor_irradiance(&self.setup.sensors[usize::from(sensor.0)].name);
        let light = LightMessage::of(&reading, &self.setup.boot);
        let user_properties = light.properties();
        self.publish(Publication { user_properties, ..Publication::fleeting(topic, light.payload()) });
    }

    /// Signals whose commit is safe may go out.
    pub(super) fn release_signals(&mut self, token: u64) {
        let safe: Vec<_> = self.unsafe_yet.extract_if(.., |(t, _)| *t <= token).collect();
        for (_, row) in safe {
            self.outbox.push(row);
        }
        self.drop_stale_signals();
        self.send_signals();
    }

    /// Of what the broker does not take, only what still matters is kept for it.
    pub(super) fn drop_stale_signals(&mut self) {
        let out: BTreeMap<&str, bool> = self.rig.prints_out().collect();
        let stale = self.outbox.drop_stale(|print| match out.get(print) {
            Some(true) => Standing::Calling,
            Some(false) => Standing::Out,
            None => Standing::In,
        });
        for id in stale {
            tracing::debug!(id, "no longer of use to the broker");
            self.ledger.write(Entry::Sent { id });
            self.unwritten = true;
        }
    }

    /// Sends the next signal that waits, if none is under way. The state that
    /// belongs to it went out when it changed, before the commit.
    pub(super) fn send_signals(&mut self) {
        let Some(signal) = self.outbox.next_to_send() else { return };
        if let Some(link) = &self.hands.link {
            match link.publish(signal) {
                Ok(()) => self.outbox.sent(),
                // It stays first in the outbox; the next event tries again.
                Err(error) => tracing::debug!("{error}"),
            }
        }
    }

    fn publish(&self, publication: Publication) {
        if let Some(link) = &self.hands.link
            && let Err(error) = link.publish(publication)
        {
            // States come again and light is replaced by the next.
            tracing::debug!("{error}");
        }
    }

    /// The rig as it stands.
    #[must_use]
    pub fn status(&self, now: Mono) -> Status {
        let sensors = (0..)
            .zip(&self.setup.sensors)
            .filter_map(|(id, part)| {
                let view = self.rig.sensor(SensorId(id))?;
                Some(SensorStatus {
                    name: part.name.clone(),
                    irradiance_w_m2: view.last.map(|r| r.seen.lowest().w_m2()),
                    uv_index: view.last.and_then(|reading| {
                        // Of the part itself, whatever its readings were made to agree with.
                        let base = self.corrections[usize::from(id)].1.base_factor();
                        uv_index(&part.conversion, reading.seen.lowest().w_m2() / base)
                    }),
                    age_s: view.last.map(|r| now.seconds_since(r.at)),
                    flags: view
                        .last
                        .map(|r| r.flags.names().map(str::to_owned).collect())
                        .unwrap_or_default(),
                    problem: self.problem(SensorId(id)),
                })
            })
            .collect();
        let frames = self.frame_ids().filter_map(|id| self.frame_status(now, id)).collect();
        let lamps = self.lamp_statuses(now);
        Status { rig: self.setup.rig.clone(), sensors, lamps, frames, troubles: self.current_troubles() }
    }

    /// What needs a person's attention beside the frames.
    fn current_troubles(&self) -> Vec<String> {
        let mut troubles = self.troubles.clone();
        troubles.extend(self.waiting_for_the_clock());
        troubles.extend(self.ledger_trouble.as_ref().map(|t| format!("the record cannot be written: {t}")));
        troubles.extend(self.ledger.troubles());
        troubles.extend(self.link_trouble.clone());
        troubles.extend(self.panel_trouble.clone());
        troubles
    }

    /// Publishes the troubles, if they have changed.
    pub(super) fn publish_troubles(&mut self) {
        let Some(link) = &self.hands.link else { return };
        let troubles = self.current_troubles();
        if self.published_troubles.as_ref() == Some(&troubles) {
            return;
        }
        let payload = serde_json::to_string(&troubles).unwrap_or_default();
        // Without a link they are published when it comes up.
        if link.publish(Publication::retained(topics::TROUBLES, payload)).is_ok() {
            self.published_troubles = Some(troubles);
        }
    }

    pub(super) fn frame_status(&self, now: Mono, id: FrameId) -> Option<FrameStatus> {
        let part = self.setup.frames.get(id.0 as usize)?;
        let view = self.rig.view(id, now)?;
        let target = view.target.map(|t| t.j_m2());
        let label =
            |at: Option<Mono>| at.map(|at| words::rfc3339(self.wall.unix_ms_at(at), &self.setup.zone));
        let outlook = view.outlook.unwrap_or_default();
        Some(FrameStatus {
            frame: part.name.clone(),
            label: part.label.clone(),
            print: view.print.map(|p| p.to_string()),
            state: view.state,
            dose_j_m2: view.dose.best.j_m2(),
            low_j_m2: view.dose.low.j_m2(),
            high_j_m2: view.dose.high.j_m2(),
            lacks: view.lacks.map(|lacks| {
                match lacks {
                    Lacks::LengthToCome => "length-to-come",
                    Lacks::UnknownLength => "unknown-length",
                }
                .to_owned()
            }),
            target_j_m2: target,
            exponent: view.plain.map(|_| view.response.exponent()),
            reference_w_m2: view.plain.map(|_| view.response.reference().w_m2()),
            plain_dose_j_m2: view.plain.map(|plain| plain.best.j_m2()),
            fraction: target.map(|t| view.dose.best.j_m2() / t),
            due: label(view.due),
            due_if_clear: label(outlook.if_clear),
            due_low: label(outlook.low),
            due_high: label(outlook.high),
            too_slow: outlook.too_slow,
            remaining_s: view
                .due
                .filter(|_| view.state == FrameState::Exposing)
                .map(|at| at.seconds_since(now).max(0.0)),
            lamp: self.above(id).map(|above| above.state_word().to_owned()),
            waiting: self.is_calling(now, id),
            next_band: view.next_band.map(|(band, _)| band),
            next_band_j_m2: view.next_band.map(|(_, dose)| dose.j_m2()),
        })
    }

    /// Gives the answers that waited for a commit.
    pub(super) fn keep_promises(&mut self, token: u64) {
        let kept: Vec<_> = self.promised.extract_if(.., |(t, ..)| *t <= token).collect();
        for (_, asker, mut answer) in kept {
            if let Some(trouble) = &self.ledger_trouble {
                let mut warning = format!("this is in memory only; the record cannot be written: {trouble}");
                if let Some(other) = answer["warning"].as_str() {
                    warning = format!("{warning}; {other}");
                }
                answer["warning"] = warning.into();
            }
            self.answer(asker, answer);
        }
    }

    /// The record refused something of a print: whoever waits for an answer about it must not
    /// hear that it was done. Without a print, everybody who waits.
    pub(super) fn fail_answers(&mut self, print: Option<&str>, why: &str) {
        let of = print.map(|print| format!(" of print {print}")).unwrap_or_default();
        let trouble = format!(
            "the record refused an entry{of} ({why}); it goes on in memory only: note its dose by hand, \
             and keep a copy of the record"
        );
        let is_of = |answer: &Value| print.is_none_or(|print| answer["print"] == *print);
        for (.., answer) in self.promised.iter_mut().filter(|(.., answer)| is_of(answer)) {
            *answer = refusal(&trouble);
        }
        let failed = self.answered.iter_mut().filter(|before| before.token > self.told_token);
        for before in failed.filter(|before| is_of(&before.answer)) {
            before.answer = refusal(&trouble);
            let (id, answer) = (before.id.clone(), before.answer.clone());
            self.ledger.write(Entry::Answered { id, answer });
            self.unwritten = true;
        }
        self.troubles.push(trouble);
    }

    pub(super) fn answer(&mut self, asker: Asker, answer: Value) {
        match asker {
            Asker::Socket(to) => {
                // Whoever asked may have gone; what was done stays done.
                let _ = to.send(answer);
            }
            Asker::Broker(reply) => {
                if let Some(link) = &self.hands.link
                    && let Err(error) = link.answer(reply.with(answer))
                {
                    tracing::warn!("an answer: {error}");
                }
            }
        }
    }
}

/// The UV index behind a reading; none of a part that does not know it.
fn uv_index(conversion: &Value, reading: f64) -> Option<f64> {
    conversion.get("counts_per_uvi")?;
    // Without a factor to W/m² the part's own unit is the index.
    Some(reading / conversion["w_m2_per_uvi"].as_f64().unwrap_or(1.0))
}
