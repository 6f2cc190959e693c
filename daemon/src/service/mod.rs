//! The service: what comes in goes to the [`Rig`], what comes out goes to the
//! ledger, the broker, the buzzer and whoever asked.
//!
//! It is told the time like everything else, so that the daemon drives it by
//! the clock and a rehearsal by made-up time. Nothing is acknowledged before the
//! ledger has it safe: answers and signals wait for the commit they belong to.

mod announce;
mod from_record;
mod lamps;
mod list;
mod outage;
mod requests;
mod run;
#[cfg(test)]
mod simulation;
mod slow_card;
mod tell;
#[cfg(test)]
mod tests;
mod unjudged;

use std::collections::{BTreeMap, VecDeque};
use std::path::PathBuf;
use std::time::Duration;

use frameside_core::chips::SensorEvent;
use frameside_core::exposure::{
    Command, FrameId, FrameSetup, Input, Refused, Resumed, Rig, Rules, SensorId, SensorSetup,
};
use frameside_core::light::{Calibration, Reading};
use frameside_core::outlook::{Doubt, LightWatch, Site, WallAnchor};
use frameside_core::quantity::{Irradiance, Mono};
use jiff::tz::TimeZone;
use serde_json::Value;

pub use from_record::Found;
pub use lamps::LampPart;
pub use requests::Asker;
pub use run::{Inputs, run};
pub use tell::{Hands, Told};

use crate::clock::WALL_STEP_MS;
use crate::config::Discovery;
use crate::devices::pins::Pattern;
use crate::ledger::{Entry, Ledger, LedgerEvent, OpenPrint, OutboxRow, Recovered};
use crate::mqtt::{Announcer, AtBroker, LinkEvent, Outbox, RemoteLight};
use outage::Outages;
use requests::Remembered;

/// What there is on the rig.
#[derive(Debug, Clone)]
pub struct Setup {
    /// Its name.
    pub rig: String,
    /// The zone its labels are in.
    pub zone: TimeZone,
    /// Where it stands and how its frames lie, if that is told.
    pub site: Option<Site>,
    /// Its sources of light, the sun among them.
    pub sources: Vec<String>,
    /// The sources that are lamp boxes. With one, no light is too much for the sky.
    pub lamps: Vec<String>,
    /// Those of them that are switched by a relay.
    pub switched: Vec<LampPart>,
    /// When to call.
    pub rules: Rules,
    /// Its sensors.
    pub sensors: Vec<SensorPart>,
    /// Its frames.
    pub frames: Vec<FramePart>,
    /// A name for the boot that its clock counts from.
    pub boot: String,
    /// How home automation is told of it.
    pub discovery: Discovery,
    /// The first level of the topics for that.
    pub discovery_prefix: String,
    /// Where the record is, to look up earlier prints.
    pub ledger: PathBuf,
    /// How many times faster than life the rig's clock runs.
    pub speed: f64,
}

/// A sensor of the rig.
#[derive(Debug, Clone)]
pub struct SensorPart {
    /// Its name.
    pub name: String,
    /// Seconds between readings.
    pub period_s: f64,
    /// How counts become irradiance, for the record.
    pub conversion: Value,
}

/// A frame of the rig.
#[derive(Debug, Clone)]
pub struct FramePart {
    /// Its name.
    pub name: String,
    /// Its name for people.
    pub label: Option<String>,
    /// Which sensor it lies beside.
    pub sensor: SensorId,
    /// What its cover passes of what the sensor sees.
    pub glass: f64,
}

impl FramePart {
    /// What people call it.
    fn shown(&self) -> &str {
        self.label.as_deref().unwrap_or(&self.name)
    }
}

/// Light reaches the card this often while a print is out, in seconds of life.
const FLUSH_BUSY_S: f64 = 10.0;
/// And this often while none is.
const FLUSH_IDLE_S: f64 = 60.0;

/// The service. Drive it with its `on_…` methods and [`Service::wake`].
pub struct Service {
    setup: Setup,
    rig: Rig,
    ledger: Ledger,
    hands: Hands,
    wall: WallAnchor,
    outbox: Outbox,
    announcer: Announcer,
    /// What the ledger remembers of what the broker may keep.
    at_broker: AtBroker,
    /// When home automation, which has come up, is to be told of the rig.
    announce_at: Option<Mono>,
    /// Commands that were answered, the oldest first.
    answered: VecDeque<Remembered>,
    /// Answers that wait for a commit.
    promised: Vec<(u64, Asker, Value)>,
    /// Signals that wait for a commit.
    unsafe_yet: Vec<(u64, OutboxRow)>,
    /// The last commit asked for.
    token: u64,
    /// The last one the ledger has told of.
    told_token: u64,
    /// Whether something was written since.
    unwritten: bool,
    /// While a request is carried out: whether its commit at the end is owed.
    owed_commit: Option<bool>,
    flush_at: Mono,
    /// When the record is to be asked next for prints that wait to be judged.
    look_for_unjudged_at: Mono,
    /// When the state of each frame is to be published next.
    publish_at: Vec<Option<Mono>>,
    /// Sees shadows, and too much light.
    watch: LightWatch,
    /// Why the light of each sensor is doubted.
    doubts: Vec<Option<Doubt>>,
    /// How each sensor's readings are corrected, and the number of that in the record.
    corrections: Vec<(Option<i64>, Calibration)>,
    /// When the light of each sensor is to be published next.
    light_due: Vec<Mono>,
    /// The clocks behind those sensors that other rigs publish.
    remote: Vec<RemoteLight>,
    /// The power was gone, for nobody knows yet how long.
    outages: Outages,
    troubles: Vec<String>,
    /// How many troubles were called since the start.
    raised: u32,
    /// What the ledger cannot do at present.
    ledger_trouble: Option<String>,
    /// Why there is no link to the broker.
    link_trouble: Option<String>,
    /// What is missing of the buzzer, lights and buttons, and why.
    panel_trouble: Option<String>,
    /// The troubles that the broker has; `None` when it is to have them again.
    published_troubles: Option<Vec<String>>,
    /// The lamps that are switched.
    lamps: lamps::Lamps,
    /// Those who read the record for somebody.
    readers: list::Readers,
    /// Requests that wait for the record.
    lookups: from_record::Lookups,
    /// How many prints are out.
    out: usize,
}

impl Service {
    /// A service that takes up what the ledger recovered.
    ///
    /// # Errors
    /// [`Refused`] when the setup names a sensor that it does not have.
    pub fn new(
        setup: Setup,
        ledger: Ledger,
        recovered: Recovered,
        hands: Hands,
        now: Mono,
        wall: WallAnchor,
    ) -> Result<Self, Refused> {
        let mut rig = Rig::new(setup.rules, now);
        if let Some(site) = setup.site {
            rig.set_site(site);
        }
        rig.set_wall(wall);
        if let Some(amplitude) = recovered.clear_sky {
            rig.set_clear_amplitude(amplitude);
        }
        for part in &setup.sensors {
            let known = recovered.left_off.get(&part.name).copied();
            let left_off = known.map(|at| lamps::left_off(at, &part.name, &recovered.prints, &setup));
            rig.add_sensor(SensorSetup { period_s: part.period_s, left_off });
        }
        for (name, response, total) in &recovered.responses {
            let sensor = (0..).map(SensorId).zip(&setup.sensors).find(|(_, part)| part.name == *name);
            if let Some((sensor, _)) = sensor {
                rig.resume_response(sensor, *response, *total)?;
            }
        }
        for part in &setup.frames {
            rig.add_frame(FrameSetup { sensor: part.sensor, glass: part.glass })?;
        }
        let mut calibrations = recovered.calibrations;
        let mut troubles = recovered.troubles;
        let mut alarms = troubles.clone();
        alarms.extend(recovered.not_written.iter().map(|why| format!("the record cannot be written: {why}")));
        troubles.extend(hold_calibrations(&setup, &recovered.prints, &mut calibrations));
        let long_ago = Mono::from_nanos(i64::MIN);
        let mut service = Self {
            publish_at: vec![None; setup.frames.len()],
            light_due: vec![long_ago; setup.sensors.len()],
            outbox: Outbox::new(recovered.outbox),
            watch: LightWatch::new(setup.sensors.len()),
            doubts: vec![None; setup.sensors.len()],
            corrections: corrections(&setup, calibrations),
            announcer: announce::announcer(&setup, recovered.at_broker.clone()),
            at_broker: recovered.at_broker,
            announce_at: None,
            remote: vec![RemoteLight::default(); setup.sensors.len()],
            lamps: lamps::Lamps::new(&setup.switched, setup.frames.len(), setup.sensors.len(), now),
            answered: recovered.answered.into_iter().map(Remembered::from).collect(),
            setup,
            rig,
            ledger,
            hands,
            wall,
            promised: Vec::new(),
            unsafe_yet: Vec::new(),
            token: 0,
            told_token: 0,
            unwritten: false,
            owed_commit: None,
            flush_at: now,
            look_for_unjudged_at: now,
            outages: Outages::default(),
            troubles,
            raised: 0,
            ledger_trouble: recovered.not_written,
            link_trouble: None,
            panel_trouble: None,
            published_troubles: None,
            readers: list::Readers::default(),
            lookups: from_record::Lookups::default(),
            out: 0,
        };
        service.ledger.write(Entry::Wall(wall));
        service.expect_outages(&recovered.unplaced, recovered.outages, recovered.earlier)?;
        // Before the prints that are out, which take their place where both lay in one frame.
        for print in recovered.brought_in {
            service.show_again(print);
        }
        for print in recovered.unsettled {
            service.settle_later(print);
        }
        for print in recovered.prints {
            service.take_up(print);
        }
        service.leave_lamps_off(now);
        service.remember_what_is_at_the_broker();
        service.pump(now);
        service.settle_outages(now);
        // As one signal: of several that wait for the broker only the newest trouble is kept.
        if !alarms.is_empty() {
            service.raise(now, alarms.join(". "));
        }
        // A print may have been covered in the last instant of the run before.
        service.drop_stale_signals();
        Ok(service)
    }

    /// A print that is in: its frame goes on showing it, if it still can.
    fn show_again(&mut self, print: OpenPrint) {
        let id = print.resumed.print.clone();
        let Ok(frame) = self.frame_of(&print) else {
            self.settle_later(print);
            return;
        };
        let resumed = self.resumed(print);
        if let Err(refused) = self.rig.resume(frame, resumed) {
            tracing::warn!(print = %id, "not shown again: {refused}");
        }
    }

    /// A print whose frame shows another, or is gone. Without its sensor its figures stay as they
    /// were told; whether that is there.
    fn settle_later(&mut self, print: OpenPrint) -> bool {
        let Some(sensor) = self.sensor_named(&print.sensor) else { return false };
        let resumed = self.resumed(print);
        let taken = self.rig.resume_left(sensor, resumed);
        if let Err(refused) = &taken {
            tracing::warn!("{refused}");
        }
        taken.is_ok()
    }

    /// What the rig is told of a print, and of its light as far as the config tells.
    fn resumed(&self, print: OpenPrint) -> Resumed {
        let mut resumed = print.resumed;
        resumed.sunlit = self.is_sun(&print.source);
        resumed
    }

    /// A print that is out goes on where it was.
    fn take_up(&mut self, print: OpenPrint) {
        let (id, frame) = (print.resumed.print.clone(), print.frame.clone());
        let resumed = self.resumed(print.clone());
        let taken = self.frame_of(&print).and_then(|at| {
            self.rig.resume(at, resumed).map_err(|refused| refused.to_string())?;
            Ok(at)
        });
        match taken {
            Ok(at) => {
                self.out += 1;
                self.put_under(at, &print.source);
                tracing::info!(print = %id, frame, "taken up again");
            }
            Err(why) => {
                let is_counted = self.settle_later(print);
                let so_far = if is_counted { "counted, but nobody is called to it" } else { "not counted" };
                let trouble = format!("print {id} is out in frame {frame}, {so_far}: {why}");
                tracing::warn!("{trouble}");
                self.troubles.push(trouble);
            }
        }
    }

    /// Whether a source is the sun. One that the config does not know any more was a lamp, maybe.
    fn is_sun(&self, source: &str) -> bool {
        let is_among = |names: &[String]| names.iter().any(|name| name == source);
        is_among(&self.setup.sources) && !is_among(&self.setup.lamps)
    }

    /// The rig's clear sky was fitted to its own clear hours.
    pub fn on_clear_sky(&mut self, amplitude: Irradiance) {
        tracing::info!(amplitude_w_m2 = amplitude.w_m2(), "the clear sky is known by its clear hours");
        self.rig.set_clear_amplitude(amplitude);
        // A gap that a start ends is bounded by it before it can be found again.
        self.ledger.write(Entry::ClearSky(amplitude));
        self.unwritten = true;
    }

    /// The frame of a print, if it still lies beside the same sensor: the
    /// figures of a print mean nothing on the integral of another.
    fn frame_of(&self, print: &OpenPrint) -> Result<FrameId, String> {
        let frame = self.frame_named(&print.frame).ok_or_else(|| {
            "this frame is not on the rig any more; put it back into the config to end the print".to_owned()
        })?;
        let beside = &self.setup.sensors[usize::from(self.setup.frames[frame.0 as usize].sensor.0)].name;
        if *beside != print.sensor {
            return Err(format!(
                "it was begun beside sensor {}, and the frame now lies beside {beside}; \
                 put that back in the config to end the print",
                print.sensor
            ));
        }
        Ok(frame)
    }

    /// A sensor has something to say.
    pub fn on_sensor(&mut self, now: Mono, id: SensorId, event: SensorEvent) {
        match event {
            SensorEvent::Reading(reading) => {
                let reading = self.corrections[usize::from(id.0)].1.apply(reading);
                for reading in self.after_switch(id, reading) {
                    self.take_reading(now, id, reading);
                }
                self.look_at_lamps(now, id, reading);
            }
            SensorEvent::Fault(fault) => {
                tracing::warn!(sensor = self.setup.sensors[usize::from(id.0)].name, "{fault}");
                if let Err(refused) = self.rig.handle(now, Input::Fault(id, fault)) {
                    tracing::warn!("{refused}");
                }
            }
            SensorEvent::Recovered => {
                tracing::info!(sensor = self.setup.sensors[usize::from(id.0)].name, "measures again");
                return;
            }
        }
        self.pump(now);
        self.settle_outages(now);
        self.tell_light(id);
    }

    fn take_reading(&mut self, now: Mono, id: SensorId, reading: Reading) {
        match self.rig.handle(now, Input::Reading(id, reading)) {
            Ok(()) => {
                self.keep_light(id, reading);
                self.doubt(id, &reading);
            }
            Err(refused) => tracing::warn!("{refused}"),
        }
    }

    /// The wall clock shows something.
    pub fn on_wall(&mut self, now: Mono, wall: WallAnchor) {
        let expected = self.wall.unix_ms_at(wall.mono);
        let moved = expected.abs_diff(wall.unix_ms) > WALL_STEP_MS;
        if moved || wall.synchronised != self.wall.synchronised {
            tracing::info!(synchronised = wall.synchronised, "the wall clock was set; labels follow");
            self.wall = wall;
            self.rig.set_wall(wall);
            self.ledger.write(Entry::Wall(wall));
            self.commit(now);
            self.settle_outages(now);
        }
    }

    /// The ledger has made something safe, or could not.
    pub fn on_ledger(&mut self, now: Mono, event: LedgerEvent) {
        // What cannot be written is kept in memory and said loudly; nobody is
        // left waiting.
        let (token, trouble) = match event {
            LedgerEvent::Committed(token) => (token, None),
            LedgerEvent::Trouble(token, trouble) => (token, Some(trouble)),
            LedgerEvent::LeftOut(print, why) => return self.fail_answers(print.as_deref(), &why),
            LedgerEvent::Rescued(trouble) => {
                self.troubles.push(trouble.clone());
                return self.raise(now, trouble);
            }
            LedgerEvent::Unjudged(prints) => return self.tell_unjudged(now, &prints),
        };
        self.told_token = token;
        let before = std::mem::replace(&mut self.ledger_trouble, trouble);
        if let (None, Some(trouble)) = (before, &self.ledger_trouble) {
            self.raise(now, format!("the record cannot be written: {trouble}"));
        }
        self.keep_promises(token);
        self.release_signals(token);
    }

    /// The link to the broker has something to say.
    pub fn on_link(&mut self, now: Mono, event: LinkEvent) {
        match event {
            LinkEvent::Up => {
                self.link_trouble = None;
                self.begin_to_announce(now);
            }
            LinkEvent::Down(reason) => {
                tracing::warn!("{reason}");
                self.link_trouble = Some(reason);
                self.announcer.stop();
                self.outbox.link_down();
                self.drop_stale_signals();
            }
            LinkEvent::Light(id, message) => {
                if let Some(reading) = self.remote[usize::from(id.0)].reading(now, &message) {
                    self.on_sensor(now, id, SensorEvent::Reading(reading));
                }
            }
            LinkEvent::HomeCameUp => self.announce_soon(now),
            LinkEvent::Delivered(id) if self.announcer.delivered(&id) => self.announce(now),
            LinkEvent::Refused(id, reason) if self.announcer.refused(&id) => {
                tracing::warn!("the broker refuses an announcement ({reason}); check its access list");
                self.announce(now);
            }
            LinkEvent::Delivered(id) => {
                if let Some(id) = self.outbox.delivered(&id) {
                    self.ledger.write(Entry::Sent { id });
                    self.unwritten = true;
                }
                self.send_signals();
            }
            LinkEvent::Refused(id, reason) => {
                tracing::warn!("the broker refused a signal: {reason}");
                self.outbox.refused(&id);
                self.drop_stale_signals();
                self.send_signals();
            }
            LinkEvent::Incoming(incoming) => self.on_command(now, *incoming),
        }
    }

    /// A frame's button was pressed: do what is next.
    pub fn on_button(&mut self, now: Mono, frame: FrameId) {
        let Some(view) = self.rig.view(frame, now) else { return };
        let may_light = self.may_light(now);
        if self.is_calling(now, frame) {
            if let Err(refused) = self.hush_frame(now, frame) {
                tracing::info!("{refused}");
            }
        } else if self.is_cut(frame) {
            self.ask_for_light(now, frame, may_light);
            self.pump(now);
        } else if let Some(command) = requests::next_by_button(&view) {
            let uncovers = command == Command::Uncover;
            if let Err(refused) = self.rig.handle(now, Input::Command(frame, command)) {
                tracing::info!("{refused}");
            } else if uncovers {
                self.ask_for_light(now, frame, may_light);
            }
            self.pump(now);
        } else {
            // There is nothing to do: say that the press was heard.
            self.hands.buzzer.play(&Pattern::beep());
        }
    }

    /// Does what is due at `now`; harmless at any other time.
    pub fn wake(&mut self, now: Mono) {
        if self.rig.next_deadline().is_some_and(|at| at <= now)
            && let Err(refused) = self.rig.handle(now, Input::Tick)
        {
            tracing::warn!("{refused}");
        }
        // A lamp has its own times.
        self.pump(now);
        self.hold_relays(now);
        if now >= self.flush_at && self.unwritten {
            self.commit(now);
        }
        self.tell_waiting_frames(now);
        self.announce_if_it_is_time(now);
        self.look_for_unjudged(now);
        self.publish_troubles();
        self.release_if_stuck();
        self.offer_checkpoint(now);
        self.send_signals();
        self.hands.buzzer.poll(self.of_life(now));
    }

    /// Whether a commit was asked for that the ledger has not told of.
    #[must_use]
    pub const fn awaits_ledger(&self) -> bool {
        self.told_token < self.token
    }

    /// When it wants to be woken.
    pub fn next_wake(&mut self, now: Mono) -> Mono {
        let life = self.of_life(now);
        let buzzer = self
            .hands
            .buzzer
            .poll(life)
            .map(|at| now.plus_seconds(at.seconds_since(life) * self.setup.speed));
        let flush = self.unwritten.then_some(self.flush_at);
        let frames = self.publish_at.iter().copied().flatten().min();
        let lamps = [self.lamps.next_deadline(), self.next_beat(now), self.next_look_at_card(now)];
        [self.rig.next_deadline(), buzzer, flush, frames, self.announce_at]
            .into_iter()
            .chain(lamps)
            .flatten()
            .min()
            .unwrap_or_else(|| now.plus_seconds(60.0))
    }

    /// Makes everything safe that was written so far. Returns the token that
    /// the ledger will name when it is.
    fn commit(&mut self, now: Mono) -> u64 {
        for (id, part) in (0..).zip(&self.setup.sensors) {
            if let Some(knot) = self.rig.sensor(SensorId(id)).and_then(|s| s.knot) {
                let responses = self.rig.responses(SensorId(id)).collect();
                self.ledger.write(Entry::Knot { sensor: part.name.clone(), knot, responses });
            }
        }
        self.token += 1;
        self.ledger.commit(self.token);
        self.unwritten = false;
        let pause = if self.is_busy() { FLUSH_BUSY_S } else { FLUSH_IDLE_S };
        self.flush_at = now.plus_seconds(pause * self.setup.speed);
        self.token
    }

    /// Whether a print is out.
    fn is_busy(&self) -> bool {
        self.out > 0
    }

    fn frame_ids(&self) -> impl Iterator<Item = FrameId> + use<> {
        (0..self.setup.frames.len() as u32).map(FrameId)
    }

    fn sensor_named(&self, name: &str) -> Option<SensorId> {
        let index = self.setup.sensors.iter().position(|sensor| sensor.name == name)?;
        u16::try_from(index).ok().map(SensorId)
    }

    fn frame_named(&self, name: &str) -> Option<FrameId> {
        let index = self.setup.frames.iter().position(|frame| frame.name == name)?;
        u32::try_from(index).ok().map(FrameId)
    }

    /// An instant of the rig's clock in life's time, for what a person hears.
    fn of_life(&self, now: Mono) -> Mono {
        Mono::from_seconds(now.seconds() / self.setup.speed)
    }

    /// Begins to end: lamps go off, pins fall silent, and a commit of everything is asked for.
    pub fn stop(&mut self, now: Mono) {
        self.lamps_off(now);
        self.commit(now);
        self.hands.buzzer.hush();
    }

    /// The end, after [`Service::stop`]: everything is made safe, the broker is told.
    pub async fn close(mut self) {
        match self.ledger.finish() {
            // What was done up to now is acknowledged; the rest hears that the daemon stops.
            Ok(()) => self.keep_promises(self.token),
            Err(error) => tracing::error!("{error}"),
        }
        if let Some(link) = self.hands.link {
            link.close(END_WITHIN).await;
        }
        tokio::time::sleep(LAST_WORDS).await;
    }
}

/// Prints that are out go on by the calibration that they were begun under: their factor belongs
/// to that, and their dose so far. What people should know of it.
fn hold_calibrations(
    setup: &Setup,
    prints: &[OpenPrint],
    known: &mut BTreeMap<String, (i64, Calibration)>,
) -> Vec<String> {
    let mut held = BTreeMap::new();
    for print in prints {
        let is_there = |part: &FramePart| {
            part.name == print.frame && setup.sensors[usize::from(part.sensor.0)].name == print.sensor
        };
        let now = known.get(&print.sensor).map(|&(id, _)| id);
        if let Some((begun, calibration)) = print.begun_under.clone().filter(|&(begun, _)| begun != now)
            && setup.frames.iter().any(is_there)
        {
            held.entry(print.sensor.clone()).or_insert((&print.resumed.print, begun, calibration));
        }
    }
    let mut troubles = Vec::new();
    for (sensor, (print, begun, calibration)) in held {
        troubles.push(format!(
            "sensor {sensor} was calibrated while print {print} is out, which goes on by the calibration \
             before; bring it in and start frameside again, then the new one counts"
        ));
        match begun {
            Some(id) => known.insert(sensor, (id, calibration)),
            None => known.remove(&sensor),
        };
    }
    troubles
}

/// What the record has for each sensor of the setup; without anything, no correction.
fn corrections(
    setup: &Setup,
    mut known: BTreeMap<String, (i64, Calibration)>,
) -> Vec<(Option<i64>, Calibration)> {
    let of = |sensor: &SensorPart| match known.remove(&sensor.name) {
        Some((id, calibration)) => (Some(id), calibration),
        None => (None, Calibration::default()),
    };
    setup.sensors.iter().map(of).collect()
}

/// How long the broker may take to hear that the rig goes.
const END_WITHIN: Duration = Duration::from_secs(2);
/// How long those at the control socket have to take their answers.
const LAST_WORDS: Duration = Duration::from_millis(20);
