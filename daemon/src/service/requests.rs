//! What people ask of the rig, over the socket or the broker.

use frameside_core::exposure::{Command, FrameId, FrameState, FrameView, Input, PrintId, Refused};
use frameside_core::quantity::Mono;
use serde_json::{Value, json};
use tokio::sync::oneshot;

use super::from_record::{self, Aimed, Asked, UnderWay, Wanted};
use super::lamps::MayLight;
use super::list::Lookup;
use super::{FramePart, SensorPart, Service};
use crate::advice;
use crate::issued::Issued;
use crate::ledger::{Entry, Judgement, NewPrint, Verdict};
use crate::mqtt::{Incoming, ReplyTo};
use crate::request::{Expose, Note, Request, refusal};
use crate::words;

/// Who asked, and how the answer gets there.
#[derive(Debug)]
pub enum Asker {
    /// Somebody at the control socket.
    Socket(oneshot::Sender<Value>),
    /// Somebody at the broker.
    Broker(ReplyTo),
}

/// Answers to this many commands are kept, to answer again instead of doing
/// again.
const ANSWERS_KEPT: usize = 100;

/// A command and its answer.
#[derive(Debug, Clone)]
pub(super) struct Remembered {
    pub(super) id: String,
    pub(super) answer: Value,
    /// The commit that the answer waits for.
    pub(super) token: u64,
}

impl From<(String, Value)> for Remembered {
    /// One that the ledger remembered, and so has safe.
    fn from((id, answer): (String, Value)) -> Self {
        Self { id, answer, token: 0 }
    }
}

/// A request that was carried out, or is going to be.
pub(super) enum Done {
    /// The ledger has to hear of it before it is acknowledged.
    Kept(Value),
    /// Nothing has changed.
    Told(Value),
    /// The record answers, in its own time.
    Lookup(Lookup),
    /// The record has to say something first.
    Awaited(UnderWay),
}

impl Service {
    /// A person at the rig's own machine asks over the control socket.
    pub fn on_question(&mut self, now: Mono, request: Request, answer: oneshot::Sender<Value>) {
        let may_light = self.may_light(now);
        self.ask(now, request, Asker::Socket(answer), None, may_light);
    }

    /// A person asks over the page.
    pub fn on_page(
        &mut self,
        now: Mono,
        id: Option<String>,
        command: Issued,
        answer: oneshot::Sender<Value>,
    ) {
        self.ask_from_afar(now, id, Asker::Socket(answer), Ok(command));
    }

    /// A command came from the broker.
    pub(super) fn on_command(&mut self, now: Mono, incoming: Incoming) {
        let Incoming { id, reply, request } = incoming;
        self.ask_from_afar(now, id, Asker::Broker(reply), request.map_err(|error| error.to_string()));
    }

    fn ask_from_afar(
        &mut self,
        now: Mono,
        id: Option<String>,
        asker: Asker,
        command: Result<Issued, String>,
    ) {
        let Some(asker) = self.answer_as_before(id.as_ref(), asker) else { return };
        let Some(asker) = self.lookups.join(id.as_ref(), asker) else { return };
        let unix_ms = self.wall.unix_ms_at(now);
        let is_synchronised = self.wall.synchronised;
        // A clock that runs faster than life's cannot be compared with the sender's.
        let is_dated = is_synchronised && self.setup.speed == 1.0;
        let in_time = |command: Issued| command.in_time(unix_ms, is_dated).map_err(|error| error.to_string());
        match command.and_then(in_time) {
            Ok(request) => {
                tracing::info!("asked from afar: {request}");
                // Without the time a command may be of any age.
                let may_light = if is_synchronised { self.may_light(now) } else { MayLight::NEVER };
                self.ask(now, request, asker, id, may_light);
            }
            Err(error) => {
                tracing::warn!("a command was refused: {error}");
                let answer = refusal(&error);
                self.remember(id, &answer, self.told_token);
                self.answer(asker, answer);
            }
        }
    }

    /// Answers a command that was answered before; gives the asker back where it was not.
    pub(super) fn answer_as_before(&mut self, id: Option<&String>, asker: Asker) -> Option<Asker> {
        let Some(before) = self.answered.iter().find(|before| Some(&before.id) == id) else {
            return Some(asker);
        };
        // The first may still wait for the ledger; the second then waits with it.
        let (token, answer) = (before.token, before.answer.clone());
        self.answer_when_safe(token, asker, answer);
        None
    }

    fn ask(&mut self, now: Mono, request: Request, asker: Asker, id: Option<String>, may_light: MayLight) {
        self.attempt(now, asker, id, |service| service.carry_out(now, request, may_light));
    }

    /// Carries something out for somebody. It is acknowledged when the ledger has it.
    pub(super) fn attempt(
        &mut self,
        now: Mono,
        asker: Asker,
        id: Option<String>,
        act: impl FnOnce(&mut Self) -> Result<Done, String>,
    ) {
        // What follows from it and its answer are one commit: none is kept without the other.
        self.owed_commit = Some(false);
        let done = act(self);
        let is_owed = self.owed_commit.take() == Some(true);
        let (answer, kept) = match done {
            Ok(Done::Kept(answer)) => (answer, true),
            // They change nothing, so there is no harm in doing them again.
            Ok(Done::Told(answer)) => return self.answer(asker, answer),
            Ok(Done::Lookup(lookup)) => return self.look_up(lookup, asker),
            Ok(Done::Awaited(under_way)) => return self.lookups.wait(under_way, asker, id),
            Err(error) => (refusal(&error), false),
        };
        // With the commit that it waits for, if any.
        let token = if kept { self.token + 1 } else { self.told_token };
        self.remember(id, &answer, token);
        if kept || is_owed {
            self.commit(now);
        }
        self.answer_when_safe(token, asker, answer);
    }

    /// Keeps what a command was answered, to answer the same again.
    fn remember(&mut self, id: Option<String>, answer: &Value, token: u64) {
        let Some(id) = id else { return };
        self.ledger.write(Entry::Answered { id: id.clone(), answer: answer.clone() });
        self.unwritten = true;
        self.answered.push_back(Remembered { id, answer: answer.clone(), token });
        if self.answered.len() > ANSWERS_KEPT {
            self.answered.pop_front();
        }
    }

    fn answer_when_safe(&mut self, token: u64, asker: Asker, answer: Value) {
        if token > self.told_token {
            self.promised.push((token, asker, answer));
        } else {
            self.answer(asker, answer);
        }
    }

    fn carry_out(&mut self, now: Mono, request: Request, may_light: MayLight) -> Result<Done, String> {
        match request {
            Request::Status => {
                let mut status = serde_json::to_value(self.status(now)).map_err(|e| e.to_string())?;
                status["ok"] = Value::Bool(true);
                Ok(Done::Told(status))
            }
            Request::Prints { recipe, since, unjudged } => {
                Ok(Done::Lookup(Lookup { recipe, since, unjudged }))
            }
            Request::Expose(expose) => self.expose(now, expose, may_light),
            Request::Cover { frame } => self.at_frame(now, &frame, Command::Cover, may_light),
            Request::Uncover { frame } => self.at_frame(now, &frame, Command::Uncover, may_light),
            Request::BringIn { frame } => self.at_frame(now, &frame, Command::BringIn, may_light),
            Request::Retarget { frame, target } => {
                self.at_frame(now, &frame, Command::Retarget(target), may_light)
            }
            Request::Hush { frame: Some(frame) } => self.at_frame(now, &frame, Command::Hush, may_light),
            Request::Hush { frame: None } => self.hush_all(now),
            Request::Note { print, note } => self.note(now, print, note),
            Request::Judge { print, off, dry, oxidised } => {
                let unix_ms = self.wall.unix_ms_at(now);
                let verdict = Verdict::Off { stops: off };
                let judgement = Judgement { unix_ms, verdict, dry, oxidised };
                self.want(Wanted::Judge { print, judgement }).map(Done::Awaited)
            }
        }
    }

    fn expose(&mut self, now: Mono, expose: Expose, may_light: MayLight) -> Result<Done, String> {
        let frame = self.frame_or_list(&expose.frame)?;
        self.refuse_if_busy(now, frame)?;
        if let Some(source) = &expose.source {
            self.refuse_unknown_source(source)?;
        }
        let glass = self.setup.frames[frame.0 as usize].glass;
        let asked = Asked { expose, glass, unix_ms: self.wall.unix_ms_at(now), may_light };
        if asked.needs_record() {
            return self.want(Wanted::Aim(asked)).map(Done::Awaited);
        }
        let aimed = from_record::aim(&self.setup.ledger, &self.setup.zone, asked)?;
        self.begin(now, aimed)
    }

    /// Begins a print.
    pub(super) fn begin(&mut self, now: Mono, aimed: Aimed) -> Result<Done, String> {
        let Aimed { expose, response, plan, source, mut steps, may_light, slip } = aimed;
        let frame = self.frame_or_list(&expose.frame)?;
        // Before a name is given out. The frame may have been taken while the record was read.
        self.refuse_if_busy(now, frame)?;
        self.refuse_unknown_source(&source)?;
        self.refuse_slow_sensor(&source, self.setup.frames[frame.0 as usize].sensor)?;
        steps.extend(advice::how_counted(&response));
        let day = words::day(self.wall.unix_ms_at(now), &self.setup.zone);
        let part = &self.setup.frames[frame.0 as usize];
        let print: PrintId = self.ledger.name_print(&day, &part.name).into();
        let sensor = &self.setup.sensors[usize::from(part.sensor.0)];
        let (id, correction) = &self.corrections[usize::from(part.sensor.0)];
        let factor = correction.for_source(&source);
        let calibration = json!({ "id": id, "part": sensor.conversion, "correction": correction });
        let command = Command::Begin {
            print: print.clone(),
            plan: plan.clone(),
            covered: expose.covered,
            factor: factor.unwrap_or(1.0),
            response,
        };
        let is_sunlit = self.is_sun(&source);
        self.rig.handle(now, Input::Command(frame, command)).map_err(|e| format!("{}: {e}", part.name))?;
        self.rig.set_sunlit(frame, is_sunlit).map_err(|e| e.to_string())?;
        // The print comes before its first event, which the pump writes.
        self.ledger.write(Entry::Print(NewPrint {
            id: print.clone(),
            frame: part.name.clone(),
            sensor: sensor.name.clone(),
            glass: part.glass,
            factor: factor.unwrap_or(1.0),
            response,
            source: source.clone(),
            recipe: expose.recipe.clone(),
            negative: expose.negative.clone(),
            note: expose.note.clone(),
            plan: plan.clone(),
            calibration: calibration.to_string(),
        }));
        self.begin_under(now, frame, &source, may_light);
        let mut warnings = self.doubts(&self.setup.frames[frame.0 as usize], &source, factor);
        warnings.extend(slip);
        self.pump(now);
        steps.extend(self.lamp_news(frame));
        let mut answer = json!({ "ok": true, "print": &*print, "target_j_m2": plan.target() });
        if !response.is_plain() {
            answer["exponent"] = response.exponent().into();
            answer["reference_w_m2"] = response.reference().w_m2().into();
        }
        if !steps.is_empty() {
            answer["steps"] = steps.into();
        }
        if !warnings.is_empty() {
            answer["warning"] = warnings.join("; ").into();
        }
        Ok(Done::Kept(answer))
    }

    /// What whoever begins a print should know of its sensor.
    fn doubts(&self, part: &FramePart, source: &str, factor: Option<f64>) -> Vec<String> {
        let index = usize::from(part.sensor.0);
        let SensorPart { name, conversion, .. } = &self.setup.sensors[index];
        let mut doubts = Vec::new();
        if self.rig.sensor(part.sensor).is_some_and(|sensor| sensor.lost) {
            doubts
                .push(format!("sensor {name} is silent, so that no dose is counted; see 'frameside status'"));
        }
        if conversion["from"] == "uncalibrated" && self.corrections[index].1.factors.is_empty() {
            doubts.push(format!(
                "sensor {name} is not calibrated: its doses are in its own unit and compare only with each other"
            ));
        }
        if factor.is_none() {
            doubts.push(format!(
                "sensor {name} is calibrated for another source than {source}; 'frameside sensor calibrate {name} --source {source}' makes doses comparable"
            ));
        }
        doubts
    }

    fn refuse_unknown_source(&self, source: &str) -> Result<(), String> {
        words::known_source(source, self.setup.sources.iter().map(String::as_str))
    }

    /// A print that is out has a note also while the record cannot be read.
    fn note(&mut self, now: Mono, print: String, note: Note) -> Result<Done, String> {
        match self.frame_of_print(now, &print) {
            Some(_) => self.noted(now, print, note),
            None => self.want(Wanted::Note { print, note }).map(Done::Awaited),
        }
    }

    /// The frame that a print is out in.
    fn frame_of_print(&self, now: Mono, print: &str) -> Option<FrameId> {
        self.frame_ids().find(|&id| {
            let is_of = |v: FrameView| v.state != FrameState::In && v.print.as_deref() == Some(print);
            self.rig.view(id, now).is_some_and(is_of)
        })
    }

    /// Keeps a note on a print of this name.
    pub(super) fn noted(&mut self, now: Mono, print: String, note: Note) -> Result<Done, String> {
        let Some(frame) = self.frame_of_print(now, &print) else {
            self.ledger.write(Entry::Note { print: print.clone().into(), note, at: now, with_dose: false });
            return Ok(Done::Kept(json!({ "ok": true, "print": print })));
        };
        if note.step.is_some() {
            return Err(format!(
                "print {print} is still out; bring it in before you note a step of the work"
            ));
        }
        self.tell_rig(now, frame, Command::Note)?;
        self.ledger.write(Entry::Note { print: print.clone().into(), note, at: now, with_dose: true });
        let dose = self.rig.view(frame, now).map(|v| v.dose.best.j_m2());
        Ok(Done::Kept(json!({ "ok": true, "print": print, "dose_j_m2": dose })))
    }

    /// Keeps a judgement.
    pub(super) fn judged(
        &mut self,
        print: String,
        judgement: Judgement,
        answer: Value,
    ) -> Result<Done, String> {
        self.ledger.write(Entry::Judgement { print: print.into(), judgement });
        Ok(Done::Kept(answer))
    }

    fn hush_all(&mut self, now: Mono) -> Result<Done, String> {
        let waiting: Vec<FrameId> = self.frame_ids().filter(|&id| self.is_calling(now, id)).collect();
        if waiting.is_empty() {
            return Err("nothing is calling".to_owned());
        }
        for &frame in &waiting {
            self.hush_frame(now, frame)?;
        }
        self.hands.buzzer.hush();
        Ok(Done::Kept(json!({ "ok": true, "hushed": waiting.len() })))
    }

    fn at_frame(
        &mut self,
        now: Mono,
        name: &str,
        command: Command,
        may_light: MayLight,
    ) -> Result<Done, String> {
        let frame = self.frame_or_list(name)?;
        match command {
            Command::Uncover => self.uncover(now, frame, may_light)?,
            Command::Hush => self.hush_frame(now, frame)?,
            command => self.tell_rig(now, frame, command)?,
        }
        self.quiet_buzzer(now);
        self.frame_answer(now, frame)
    }

    fn uncover(&mut self, now: Mono, frame: FrameId, may_light: MayLight) -> Result<(), String> {
        // With the cover off already, what is asked for is the lamp.
        let done = if self.is_cut(frame) { Ok(()) } else { self.command_rig(now, frame, Command::Uncover) };
        if done.is_ok() {
            self.ask_for_light(now, frame, may_light);
        }
        self.pump(now);
        done
    }

    /// Silences what calls to a frame: its print, or its lamp.
    pub(super) fn hush_frame(&mut self, now: Mono, frame: FrameId) -> Result<(), String> {
        let was_lamp = self.hush_lamp(now, frame);
        let is_print = self.rig.view(frame, now).is_some_and(|view| view.waiting);
        if is_print || !was_lamp {
            self.tell_rig(now, frame, Command::Hush)?;
        }
        self.quiet_buzzer(now);
        Ok(())
    }

    /// Ends the noise, unless another frame calls.
    fn quiet_buzzer(&mut self, now: Mono) {
        if !self.frame_ids().any(|id| self.is_calling(now, id)) {
            self.hands.buzzer.hush();
        }
    }

    /// How a frame stands now.
    fn frame_answer(&self, now: Mono, frame: FrameId) -> Result<Done, String> {
        let mut answer = serde_json::to_value(self.frame_status(now, frame)).map_err(|e| e.to_string())?;
        answer["ok"] = Value::Bool(true);
        if let Some(news) = self.lamp_news(frame) {
            answer["steps"] = vec![news].into();
        }
        Ok(Done::Kept(answer))
    }

    fn tell_rig(&mut self, now: Mono, frame: FrameId, command: Command) -> Result<(), String> {
        let done = self.command_rig(now, frame, command);
        self.pump(now);
        done
    }

    /// Leaves it to the caller to [`pump`](Self::pump) what follows.
    fn command_rig(&mut self, now: Mono, frame: FrameId, command: Command) -> Result<(), String> {
        let name = &self.setup.frames[frame.0 as usize].name;
        self.rig.handle(now, Input::Command(frame, command)).map_err(|e| format!("{name}: {e}"))
    }

    fn refuse_if_busy(&self, now: Mono, frame: FrameId) -> Result<(), String> {
        let name = &self.setup.frames[frame.0 as usize].name;
        match self.rig.view(frame, now) {
            Some(FrameView { state, print: Some(print), .. }) if state != FrameState::In => {
                Err(format!("{name}: {}", Refused::Busy { print, state }))
            }
            _ => Ok(()),
        }
    }

    fn frame_or_list(&self, name: &str) -> Result<FrameId, String> {
        self.frame_named(name).ok_or_else(|| {
            let names: Vec<&str> = self.setup.frames.iter().map(|f| f.name.as_str()).collect();
            format!("there is no frame '{}'; the frames are: {}", name.escape_default(), names.join(", "))
        })
    }
}

/// What a press of a frame's button means while nothing calls to it.
pub(super) fn next_by_button(view: &FrameView) -> Option<Command> {
    match view.state {
        FrameState::Due => Some(Command::BringIn),
        FrameState::Exposing => Some(Command::Cover),
        FrameState::Covered => Some(Command::Uncover),
        FrameState::Empty | FrameState::In => None,
    }
}
