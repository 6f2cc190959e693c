//! The machine: many frames under several sensors.
//!
//! Call [`Rig::handle`] with what happened and when, then [`Rig::poll`] until it
//! has nothing more to say, then wait for the next input or for
//! [`Rig::next_deadline`], whichever comes first, and hand in [`Input::Tick`] if
//! it was the deadline. Ticks at any other time change nothing. A late tick is
//! as good as one in time: a crossing is told with the instant it happened at.
//!
//! At one instant the order is: readings; then what is due by the light seen;
//! then commands in the order given.
//!
//! A reading costs the same for one frame as for a thousand: frames wait in
//! queues ordered by the level of the integral at which they want attention. A
//! print that does not count plainly waits on an integral of its own
//! [`Response`], which is there while such a print is.

mod held;
mod look_ahead;
mod lost;
mod outage;
mod sensor;

use std::collections::{BTreeSet, VecDeque};

use sensor::{Level, PLAIN, Sensor, Tally, Wants};

use super::print::{Lacks, Print, Steps, Totals};
use super::{
    Command, Event, EventKind, FrameId, FrameState, Input, MOST_SPANS, Mark, Output, PrintId, Refused,
    Resumed, SensorId, Signal, SignalKind,
};
use crate::chips::SensorFault;
use crate::light::{Estimate, Flags, Integral, Knot, LeftOff, Reading, Response};
use crate::outlook::{ClearSky, Outlook, Site, WallAnchor};
use crate::quantity::{Dose, Irradiance, Mono};

/// When to call.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rules {
    /// `nearly` comes this many seconds before the target in the light of the
    /// moment, or at 90 % of the dose, whichever is later.
    pub nearly_s: f64,
    /// `overdue` comes every so many seconds until somebody acts.
    pub overdue_every_s: f64,
    /// Whether it looks ahead: to what the day will still give, and between
    /// readings to each level, by the light of the last one. Live it does, so
    /// that no call waits for the next reading. Recorded light has no need to
    /// guess: each crossing is found in the step that holds it.
    pub foresee: bool,
}

impl Default for Rules {
    fn default() -> Self {
        Self { nearly_s: 60.0, overdue_every_s: 60.0, foresee: true }
    }
}

/// A sensor to be added.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SensorSetup {
    /// Seconds between readings, above zero.
    pub period_s: f64,
    /// Where its integral stood when it was last kept.
    pub left_off: Option<LeftOff>,
}

/// A frame to be added.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrameSetup {
    /// The sensor beside it.
    pub sensor: SensorId,
    /// What its cover glass passes of what the sensor sees, above 0, at most 2.
    pub glass: f64,
}

/// What a frame looks like at an instant.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameView {
    /// Its state.
    pub state: FrameState,
    /// The print in it.
    pub print: Option<PrintId>,
    /// The print's dose, as its response counts it.
    pub dose: Estimate,
    /// Why the dose is without the light of an outage; `None` where it has all light.
    pub lacks: Option<Lacks>,
    /// What it answers to.
    pub response: Response,
    /// Its plain dose, where it counts otherwise.
    pub plain: Option<Estimate>,
    /// What it aims at.
    pub target: Option<Dose>,
    /// When it will be due if the light stays, or was due; `None` while that
    /// cannot be told, or when it is not before the sun is too low.
    pub due: Option<Mono>,
    /// What else the sky may do, while it exposes in the sun.
    pub outlook: Option<Outlook>,
    /// Whether a call waits for somebody.
    pub waiting: bool,
    /// The next band of a strip, counting from 1, and its dose.
    pub next_band: Option<(u16, Dose)>,
}

/// What a sensor looks like at an instant.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorView {
    /// The last reading.
    pub last: Option<Reading>,
    /// Whether nothing has come for three periods.
    pub lost: bool,
    /// What the driver says is wrong.
    pub fault: Option<SensorFault>,
    /// Where the integral stands, to be kept for later.
    pub knot: Option<Knot>,
}

/// The share of the target at which `nearly` may come.
pub const NEARLY_SHARE: f64 = 0.9;

/// Responses beside the plain one that prints under one sensor may count by at a
/// time: each has an integral that every reading goes into.
pub const MOST_RESPONSES: usize = 8;

/// The state machine. See the module's description for the order of calls.
#[derive(Debug)]
pub struct Rig {
    rules: Rules,
    now: Mono,
    sensors: Vec<Sensor>,
    frames: Vec<Frame>,
    timers: BTreeSet<(Mono, FrameId, Timer)>,
    sky: Option<ClearSky>,
    outputs: VecDeque<Output>,
}

#[derive(Debug)]
struct Frame {
    sensor: SensorId,
    glass: f64,
    sunlit: bool,
    print: Option<Print>,
    due_at: Option<Mono>,
    queued: Queued,
}

/// The levels a frame was last put into its sensor's queues with, to find it
/// there again.
#[derive(Debug, Clone, Copy, Default)]
struct Queued {
    next: Option<Level>,
    nearly: Option<Level>,
    far: Option<Level>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Timer {
    Overdue,
    Fallback,
}

impl Rig {
    /// An empty rig at an instant.
    #[must_use]
    pub fn new(rules: Rules, now: Mono) -> Self {
        Self {
            rules,
            now,
            sensors: Vec::new(),
            frames: Vec::new(),
            timers: BTreeSet::new(),
            sky: None,
            outputs: VecDeque::new(),
        }
    }

    /// Tells where the rig stands, so that unseen light is bounded by the clear
    /// sky once a [`Rig::set_wall`] has come.
    pub fn set_site(&mut self, site: Site) {
        self.sky = Some(ClearSky::new(site));
    }

    /// Tells what the wall clock shows. Doses never read it; only the bounds of
    /// gaps do, by way of the sun's height, and only if it is synchronised.
    pub fn set_wall(&mut self, wall: WallAnchor) {
        if let Some(sky) = &mut self.sky {
            sky.set_wall(wall);
            self.forget_levels();
        }
    }

    /// Tells how bright the clear sky is to the sensors of this rig: UV-A with
    /// the sun straight above at mean distance.
    pub fn set_clear_amplitude(&mut self, amplitude: Irradiance) {
        if let Some(sky) = &mut self.sky {
            sky.set_amplitude(amplitude);
            self.forget_levels();
        }
    }

    /// What a clear sky gives the sensors of this rig; `None` without a site, and
    /// while the time is unknown.
    #[must_use]
    pub fn clear_light(&self, at: Mono) -> Option<Irradiance> {
        self.sky.as_ref()?.irradiance(at)
    }

    /// Tells whether the sun shines on a frame, or a lamp. It does unless told.
    ///
    /// # Errors
    /// [`Refused::Unknown`] when there is no such frame.
    pub fn set_sunlit(&mut self, frame: FrameId, sunlit: bool) -> Result<(), Refused> {
        let slot = self.frame_mut(frame)?;
        slot.sunlit = sunlit;
        // A print that came in keeps what it was lit by.
        if let Some(print) = slot.print.as_mut().filter(|print| !print.ended) {
            print.sunlit = sunlit;
        }
        Ok(())
    }

    /// Adds a sensor.
    pub fn add_sensor(&mut self, setup: SensorSetup) -> SensorId {
        let integral = match setup.left_off {
            Some(left_off) => Integral::resumed(setup.period_s, left_off),
            None => Integral::new(setup.period_s),
        };
        self.sensors.push(Sensor::new(integral, self.now));
        SensorId(u16::try_from(self.sensors.len() - 1).expect("a rig has fewer than 65536 sensors"))
    }

    /// Adds a frame.
    ///
    /// # Errors
    /// [`Refused::Unknown`] when its sensor has not been added.
    pub fn add_frame(&mut self, setup: FrameSetup) -> Result<FrameId, Refused> {
        self.sensors.get(usize::from(setup.sensor.0)).ok_or(Refused::Unknown)?;
        self.frames.push(Frame {
            sensor: setup.sensor,
            glass: setup.glass,
            sunlit: true,
            print: None,
            due_at: None,
            queued: Queued::default(),
        });
        Ok(FrameId(u32::try_from(self.frames.len() - 1).expect("a rig has fewer than 2^32 frames")))
    }

    /// Tells where the integral of a response stood at the reading that a sensor was
    /// added with. It is to be told before the prints that count by it.
    ///
    /// # Errors
    /// [`Refused::Unknown`] when there is no such sensor.
    pub fn resume_response(
        &mut self,
        sensor: SensorId,
        response: Response,
        total: Estimate,
    ) -> Result<(), Refused> {
        let sensor = self.sensors.get_mut(usize::from(sensor.0)).ok_or(Refused::Unknown)?;
        sensor.make_tally(response, total);
        Ok(())
    }

    /// Where the integrals of a sensor beside the plain one stand at the reading of
    /// [`SensorView::knot`], to be kept for later.
    pub fn responses(&self, sensor: SensorId) -> impl Iterator<Item = (Response, Estimate)> {
        let tallies = self.sensors.get(usize::from(sensor.0)).map(|sensor| &sensor.tallies[PLAIN + 1..]);
        let stands = |tally: &Tally| Some((tally.integral.response(), tally.integral.knot()?.total));
        tallies.unwrap_or_default().iter().filter_map(stands)
    }

    /// Puts a print back into its frame after a restart. Its marks belong to
    /// the integrals that the sensor was added with.
    ///
    /// # Errors
    /// [`Refused::Unknown`] or [`Refused::Busy`].
    pub fn resume(&mut self, frame: FrameId, resumed: Resumed) -> Result<(), Refused> {
        self.refuse_if_busy(frame)?;
        let now = self.now;
        let begun = resumed.spans.first().map(|first| first.from.at);
        let due_at = resumed.due_at;
        let mut print = Print::resumed(resumed);
        self.frame_mut(frame)?.sunlit = print.sunlit;
        let sensor = self.sensor_of(frame);
        if !print.ended || !print.is_settled() {
            sensor.make_tally(print.response, Estimate::ZERO);
        }
        let tally = sensor.tally_of(print.response);
        sensor.count_from(tally, begun);
        // The integral may have gone on since its marks were kept.
        print.project(sensor.integrals(tally));
        let slot = self.frame_mut(frame)?;
        slot.due_at = due_at;
        let state = print.state();
        let calling = print.waiting && state == FrameState::Due;
        let settled = print.is_settled();
        slot.print = Some(print);
        if !settled {
            self.tally_of(frame).unsettled.insert(frame);
        }
        if matches!(state, FrameState::Exposing | FrameState::Due) {
            self.sensor_of(frame).open.insert(frame);
        }
        if calling {
            self.timers.insert((now.plus_seconds(self.rules.overdue_every_s), frame, Timer::Overdue));
        }
        self.queue(frame);
        self.outputs.push_back(Output::Changed(frame));
        Ok(())
    }

    /// Takes up a print that has no frame: it has left that to another, but its figures
    /// still wait for the sensor's next reading, or its frame is gone while it is out.
    /// What it counts by is kept, and nobody is called to it.
    ///
    /// # Errors
    /// [`Refused::Unknown`] when there is no such sensor.
    pub fn resume_left(&mut self, sensor: SensorId, resumed: Resumed) -> Result<(), Refused> {
        let sensor = self.sensors.get_mut(usize::from(sensor.0)).ok_or(Refused::Unknown)?;
        sensor.make_tally(resumed.response, Estimate::ZERO);
        let tally = sensor.tally_of(resumed.response);
        let begun = resumed.spans.first().map(|first| first.from.at);
        let mut print = Print::resumed(resumed);
        sensor.count_from(tally, begun);
        print.project(sensor.integrals(tally));
        sensor.tallies[tally].leaving.push(print);
        Ok(())
    }

    /// Takes in what happened at `now`.
    ///
    /// # Errors
    /// [`Refused`] with nothing changed: time ran backwards, there is no such
    /// frame or sensor, or the frame's state does not allow the command.
    pub fn handle(&mut self, now: Mono, input: Input) -> Result<(), Refused> {
        if now < self.now {
            return Err(Refused::Backwards { from: self.now, to: now });
        }
        match input {
            Input::Reading(sensor, reading) => {
                self.reading(now, sensor, reading)?;
                // Those of the other sensors may wait behind it: it finds none of them lost.
                self.reach(now);
                self.end_timers(now);
                return Ok(());
            }
            Input::Fault(sensor, fault) => self.fault(now, sensor, fault)?,
            Input::Command(frame, command) => {
                self.frame(frame)?;
                self.advance(now);
                self.command(now, frame, command)?;
            }
            Input::Outage(sensor, after, known) => self.outage(now, sensor, after, known)?,
            Input::Tick => {}
        }
        self.advance(now);
        Ok(())
    }

    /// The next thing it has to say, oldest first.
    pub fn poll(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// When it wants an [`Input::Tick`], unless something comes before.
    #[must_use]
    pub fn next_deadline(&self) -> Option<Mono> {
        let of_sensor = |s: &Sensor| [self.foreseen(s).map(|(at, _)| at), self.nearing(s), s.losing()];
        let of_sensors = self.sensors.iter().flat_map(of_sensor).flatten();
        of_sensors.chain(self.timers.first().map(|&(at, ..)| at)).min()
    }

    /// The latest instant it was told of.
    #[must_use]
    pub const fn now(&self) -> Mono {
        self.now
    }

    /// A frame as it stands at `now`.
    #[must_use]
    pub fn view(&self, frame: FrameId, now: Mono) -> Option<FrameView> {
        let slot = self.frame(frame).ok()?;
        let sensor = &self.sensors[usize::from(slot.sensor.0)];
        let Some(print) = &slot.print else {
            return Some(FrameView {
                state: FrameState::Empty,
                print: None,
                dose: Estimate::ZERO,
                lacks: None,
                response: Response::PLAIN,
                plain: None,
                target: None,
                due: None,
                outlook: None,
                waiting: false,
                next_band: None,
            });
        };
        let target = print.plan.target().dose();
        let outlook = self.outlook(slot, print, now);
        let projected = || match outlook {
            Some(outlook) => outlook.due,
            None => self.integral_of(slot).when(print.level(target)?).filter(|_| !sensor.lost),
        };
        let (counted, plain) =
            print.counted(now, sensor.integrals(sensor.tally_of(print.response)).peek(now));
        let band = print.next_dose().filter(|_| print.plan.is_strip());
        Some(FrameView {
            state: print.state(),
            print: Some(print.id.clone()),
            dose: counted.dose,
            lacks: print.lacks(&sensor.tears),
            response: print.response,
            plain: plain.map(|plain| plain.dose),
            target: Some(target),
            due: slot.due_at.or_else(projected),
            outlook,
            waiting: print.waiting,
            next_band: band.map(|dose| (band_number(print.called), dose)),
        })
    }

    /// What a frame is doing, without the rest of its [`FrameView`].
    #[must_use]
    pub fn state(&self, frame: FrameId) -> Option<FrameState> {
        let slot = self.frame(frame).ok()?;
        Some(slot.print.as_ref().map_or(FrameState::Empty, Print::state))
    }

    /// The prints that are out, and whether a call of each waits for a person.
    pub fn prints_out(&self) -> impl Iterator<Item = (&str, bool)> {
        let prints = self.frames.iter().filter_map(|frame| frame.print.as_ref());
        prints.filter(|print| !print.ended).map(|print| (&*print.id, print.waiting))
    }

    /// A sensor as it stands.
    #[must_use]
    pub fn sensor(&self, sensor: SensorId) -> Option<SensorView> {
        let s = self.sensors.get(usize::from(sensor.0))?;
        Some(SensorView { last: s.last, lost: s.lost, fault: s.fault, knot: s.plain().knot_to_keep() })
    }

    fn reading(&mut self, now: Mono, id: SensorId, reading: Reading) -> Result<(), Refused> {
        let sensor = self.sensors.get_mut(usize::from(id.0)).ok_or(Refused::Unknown)?;
        if let Some(seen_at) = sensor.seen_at().filter(|&seen_at| reading.at <= seen_at) {
            return Err(Refused::Backwards { from: seen_at, to: reading.at });
        }
        if reading.at > now {
            return Err(Refused::Backwards { from: reading.at, to: now });
        }
        self.now = now;
        if reading.flags.has(Flags::REPEATED) && sensor.plain().knot().is_some() {
            sensor.hold(reading);
        } else {
            self.end_held(id, !reading.flags.has(Flags::ANEW));
            self.take_in(id, reading);
        }
        let sensor = &mut self.sensors[usize::from(id.0)];
        sensor.last = Some(reading);
        sensor.quiet_since = now;
        sensor.fault = None;
        if self.rules.foresee {
            self.look_ahead(now, id, reading);
        }
        if self.sensors[usize::from(id.0)].lost {
            self.sensor_back(now, id);
        }
        Ok(())
    }

    /// The light of a reading is believed.
    fn take_in(&mut self, id: SensorId, reading: Reading) {
        let sensor = &mut self.sensors[usize::from(id.0)];
        let tear = sensor.plain().tear_before(reading.at, reading.seen);
        for after in sensor.torn.drain(..) {
            self.outputs.extend(tear.map(|tear| Output::Torn(id, after, tear)));
        }
        let (frames, sky) = (&self.frames, &self.sky);
        let found = reading.seen.lowest();
        let left = sensor.plain().knot().map_or(found, |knot| knot.seen.lowest());
        // What was in a boot that cannot be placed was at another hour than it is laid to.
        let is_of_no_hour = tear.is_some() | std::mem::take(&mut sensor.is_vague);
        sensor.is_of_no_hour = is_of_no_hour;
        let has_left_a_lamp = sensor.has_left_a_lamp();
        for tally in &mut sensor.tallies {
            let rates = |from, to| {
                let sky = sky_alone(sky.as_ref(), frames, id, reading.flags, has_left_a_lamp)?;
                if is_of_no_hour {
                    return sky.rates_at_any_hour([left, found]);
                }
                sky.rates_between((from, left), (to, found))
            };
            tally.step = tally.integral.take(reading.at, reading.seen, rates);
        }
        if let Some(gap) = sensor.tallies[PLAIN].step.clone().and_then(|step| sensor.follow_gap(id, &step)) {
            self.outputs.push_back(gap);
        }
        let mut is_any_settled = false;
        for tally in 0..self.sensors[usize::from(id.0)].tallies.len() {
            is_any_settled |= self.follow(id, tally);
        }
        if is_any_settled {
            self.forget_unused(id);
        }
    }

    /// What the last step of an integral settles, if anything, and who is to be
    /// called in it.
    fn follow(&mut self, id: SensorId, tally: usize) -> bool {
        let sensor = &self.sensors[usize::from(id.0)];
        let Tally { unsettled, leaving, .. } = &sensor.tallies[tally];
        let settles = !unsettled.is_empty() || !leaving.is_empty();
        if settles && let Some(steps) = sensor.steps(tally) {
            self.settle(id, tally, &steps);
        }
        let sensor = &self.sensors[usize::from(id.0)];
        if sensor.tallies[tally].is_reached()
            && let Some(steps) = sensor.steps(tally)
        {
            self.cross(id, tally, &steps);
        }
        if let Some(knot) = self.sensors[usize::from(id.0)].tallies[tally].integral.knot() {
            self.call_nearly(id, tally, knot.at);
        }
        settles
    }

    /// Makes figures final that a step of the integrals has caught up with.
    fn settle(&mut self, id: SensorId, tally: usize, steps: &Steps) {
        let sensor = &mut self.sensors[usize::from(id.0)];
        let mut leaving = std::mem::take(&mut sensor.tallies[tally].leaving);
        let mut unsettled = std::mem::take(&mut sensor.tallies[tally].unsettled);
        let (outputs, integrals, tears) = (&mut self.outputs, sensor.integrals(tally), &sensor.tears);
        let mut tell = |print: &mut Print| {
            for (event, counted, plain) in print.settle(steps, integrals) {
                let print = print.id.clone();
                outputs.push_back(Output::Settled { print, seq: event.seq, counted, plain });
            }
            !print.is_settled()
        };
        leaving.retain_mut(|print| tell(print) || !print.ended || print.lies_over(tears));
        let mut moved = Vec::new();
        let frames = &mut self.frames;
        unsettled.retain(|&frame| {
            moved.push(frame);
            frames[frame.0 as usize].print.as_mut().is_some_and(&mut tell)
        });
        sensor.tallies[tally].leaving = leaving;
        sensor.tallies[tally].unsettled = unsettled;
        // Their marks have moved, and with them the levels they wait for.
        for frame in moved {
            self.queue(frame);
        }
    }

    /// Calls whoever's level lies within the step.
    fn cross(&mut self, id: SensorId, tally: usize, steps: &Steps) {
        loop {
            let waiting = &mut self.sensors[usize::from(id.0)].tallies[tally];
            if !waiting.is_reached() {
                return;
            }
            let Some((level, frame, wants)) = waiting.queue.pop_first() else { return };
            let end = steps.own.to();
            // In a boot that cannot be placed it was nobody knows when; by the end it was.
            let is_placed = !self.sensors[usize::from(id.0)].is_of_no_hour;
            let crossing = steps.own.crossing(level.0).filter(|_| is_placed).unwrap_or(end);
            let at = self.not_before_aim(frame, crossing);
            // A target given after a reading that comes late is reached after it, too.
            let settled = at <= end;
            let sensor = &self.sensors[usize::from(id.0)];
            let totals = if settled { steps.totals_at(at) } else { sensor.integrals(tally).peek(at) };
            self.call(frame, wants, at, totals, settled);
        }
    }

    /// Moves frames whose target has come within the `nearly` time at an instant.
    fn call_nearly(&mut self, id: SensorId, tally: usize, at: Mono) {
        let tally = &mut self.sensors[usize::from(id.0)].tallies[tally];
        let Some(pace) = tally.integral.pace() else { return };
        let (total, ahead) = (tally.integral.peek(at).best, pace.over_seconds(self.rules.nearly_s));
        loop {
            match tally.far.first() {
                Some(&(level, frame)) if level.0 - total <= ahead => {
                    tally.far.pop_first();
                    let slot = &mut self.frames[frame.0 as usize];
                    slot.queued.nearly = slot.nearly_level();
                    tally.queue.extend(slot.queued.nearly.map(|share| (share, frame, Wants::Nearly)));
                }
                _ => return,
            }
        }
    }

    /// Lets time pass up to `now`: projected crossings, lost sensors, timers.
    fn advance(&mut self, now: Mono) {
        self.reach(now);
        for index in 0..self.sensors.len() {
            if self.sensors[index].losing().is_some_and(|at| at <= now) {
                self.sensor_lost(now, SensorId(index as u16));
            }
        }
        self.end_timers(now);
    }

    /// Calls those whose level is crossed by `now` in the light of the last readings.
    fn reach(&mut self, now: Mono) {
        self.now = now;
        for index in 0..self.sensors.len() {
            if self.rules.foresee
                && let Some(seen_until) = self.sensors[index].plain().seen_until()
            {
                for tally in 0..self.sensors[index].tallies.len() {
                    self.call_nearly(SensorId(index as u16), tally, now.min(seen_until));
                }
            }
            while let Some((at, tally)) = self.foreseen(&self.sensors[index]).filter(|&(at, _)| at <= now) {
                let Some((_, frame, wants)) = self.sensors[index].tallies[tally].queue.pop_first() else {
                    break;
                };
                let at = if wants == Wants::Nearly { self.not_before_near(frame, at) } else { at };
                let at = self.not_before_aim(frame, at);
                let totals = self.sensors[index].integrals(tally).peek(at);
                self.call(frame, wants, at, totals, false);
            }
        }
    }

    fn end_timers(&mut self, now: Mono) {
        while let Some(&(at, frame, timer)) = self.timers.first().filter(|&&(at, ..)| at <= now) {
            self.timers.pop_first();
            match timer {
                Timer::Overdue => self.overdue(now, frame),
                Timer::Fallback => self.fallback_reached(at, frame),
            }
        }
    }

    /// When the first in a sensor's queues is to be called before the next reading,
    /// and in which.
    fn foreseen(&self, sensor: &Sensor) -> Option<(Mono, usize)> {
        let crossings = (0..).zip(&sensor.tallies).filter_map(|(i, tally)| Some((tally.crossing()?, i)));
        if self.rules.foresee { crossings.min() } else { None }
    }

    /// When the first of those who are far from being due will be near, before the next reading.
    fn nearing(&self, sensor: &Sensor) -> Option<Mono> {
        let nearing = sensor.tallies.iter().filter_map(|tally| tally.nearing(self.rules.nearly_s));
        // Those of this instant were called at it.
        nearing.min().filter(|&at| self.rules.foresee && at > self.now)
    }

    /// Its share of the dose may have come before its target was within the `nearly` time.
    fn not_before_near(&self, frame: FrameId, at: Mono) -> Mono {
        let slot = &self.frames[frame.0 as usize];
        let level = slot.print.as_ref().and_then(|print| print.level(print.plan.target().dose()));
        let due = level.and_then(|level| self.integral_of(slot).when(level));
        due.map_or(at, |due| due.plus_seconds(-self.rules.nearly_s).clamp(at, self.now.max(at)))
    }

    /// A target below the dose it is given at is reached when it is given.
    fn not_before_aim(&self, frame: FrameId, at: Mono) -> Mono {
        let aimed_at = self.frames[frame.0 as usize].print.as_ref().and_then(|print| print.aimed_at);
        aimed_at.map_or(at, |aimed_at| at.max(aimed_at))
    }

    /// A frame has reached a level it waited for.
    fn call(&mut self, frame: FrameId, wants: Wants, at: Mono, totals: Totals, settled: bool) {
        match wants {
            Wants::Nearly => self.nearly(frame, at, totals, settled),
            Wants::Next => self.next_dose_reached(frame, at, totals, settled),
        }
    }

    fn nearly(&mut self, id: FrameId, at: Mono, totals: Totals, settled: bool) {
        let Some(slot) = self.frames.get_mut(id.0 as usize) else { return };
        let Some(print) = &mut slot.print else { return };
        let Some(level) = print.level(print.plan.target().dose()) else { return };
        let sensor = &mut self.sensors[usize::from(slot.sensor.0)];
        let tally = sensor.tally_of(print.response);
        let tally = &mut sensor.tallies[tally];
        let rate = tally.integral.pace().map_or(0.0, |pace| pace.w_m2());
        let remaining_s = (level - totals.own.best).j_m2() / rate;
        if remaining_s > self.rules.nearly_s * (1.0 + 1e-9) || remaining_s.is_nan() {
            // The light has dropped since: wait until it is near again.
            slot.queued.far = Some(Level(level));
            tally.far.insert((Level(level), id));
            return;
        }
        print.nearly = true;
        // A step that also holds the crossing itself needs no warning.
        let reached = tally.integral.peek(self.now).best >= level;
        if !reached {
            self.keep_event(id, EventKind::Nearly, at, totals, settled);
            self.emit_signal(id, SignalKind::Nearly { remaining_s }, at, totals);
        }
    }

    fn next_dose_reached(&mut self, id: FrameId, at: Mono, totals: Totals, settled: bool) {
        let Some(slot) = self.frames.get_mut(id.0 as usize) else { return };
        let Some(print) = &mut slot.print else { return };
        print.called += 1;
        print.waiting = true;
        let of = band_number(print.plan.doses().len() - 1);
        let (event, kind) = if print.is_due() {
            slot.due_at = Some(at);
            // From now, since a crossing inside a gap may lie long ago.
            self.timers.insert((self.now.plus_seconds(self.rules.overdue_every_s), id, Timer::Overdue));
            (EventKind::Due, SignalKind::Due)
        } else {
            let band = band_number(print.called - 1);
            (EventKind::Band { band }, SignalKind::Band { band, of })
        };
        self.keep_event(id, event, at, totals, settled);
        self.emit_signal(id, kind, at, totals);
        self.queue(id);
    }

    fn overdue(&mut self, now: Mono, id: FrameId) {
        let Some(totals) = self.project(id, now) else { return };
        let Some(print) = self.frames[id.0 as usize].print.as_ref() else { return };
        let over = print.dose(now, totals.own).best.stops_over(print.plan.target().dose());
        self.emit_signal(id, SignalKind::Overdue { over }, now, totals);
        self.timers.insert((now.plus_seconds(self.rules.overdue_every_s), id, Timer::Overdue));
    }

    fn command(&mut self, now: Mono, id: FrameId, command: Command) -> Result<(), Refused> {
        match command {
            Command::Begin { print, plan, covered, factor, response } => {
                let glass = self.frame(id)?.glass * factor;
                self.begin(now, id, Print::new(print, plan, glass, response), covered)
            }
            Command::Cover => self.cover(now, id),
            Command::Uncover => self.uncover(now, id),
            Command::BringIn => self.bring_in(now, id),
            Command::Hush => {
                let print = self.print_out(id)?;
                if !print.waiting {
                    return Err(Refused::Quiet);
                }
                self.quieten(id);
                self.record(now, id, EventKind::Hushed, None);
                Ok(())
            }
            Command::Retarget(target) => self.retarget(now, id, target),
            Command::Note => self.fix(now, id, EventKind::Noted),
            Command::LampOn => self.fix(now, id, EventKind::LampOn),
            Command::LampOff(cut) => self.fix(now, id, EventKind::LampOff { cut }),
        }
    }

    /// Keeps the dose of this instant.
    fn fix(&mut self, now: Mono, id: FrameId, kind: EventKind) -> Result<(), Refused> {
        self.print_out(id)?;
        self.record(now, id, kind, None);
        Ok(())
    }

    fn begin(&mut self, now: Mono, id: FrameId, mut print: Print, covered: bool) -> Result<(), Refused> {
        self.refuse_if_busy(id)?;
        self.forget_unused(self.frame(id)?.sensor);
        let sensor = self.sensor_of(id);
        let is_new = sensor.tallies.iter().all(|tally| tally.integral.response() != print.response);
        if is_new && sensor.tallies.len() > MOST_RESPONSES {
            return Err(Refused::TooManyResponses);
        }
        sensor.make_tally(print.response, Estimate::ZERO);
        // Of the print before it.
        let tally = self.tally_of(id);
        tally.unsettled.remove(&id);
        let slot = self.frame_mut(id)?;
        slot.due_at = None;
        print.sunlit = slot.sunlit;
        if let Some(old) = slot.print.replace(print) {
            let sensor = self.sensor_of(id);
            if sensor.waits(&old) {
                let tally = sensor.tally_of(old.response);
                sensor.tallies[tally].leaving.push(old);
            }
        }
        if !covered {
            self.lay_open(now, id);
        }
        self.record(now, id, EventKind::Begun { covered }, Some(SignalKind::Begun));
        self.warn_if_blind(now, id);
        Ok(())
    }

    fn cover(&mut self, now: Mono, id: FrameId) -> Result<(), Refused> {
        if !self.print_out(id)?.is_uncovered() {
            return Err(Refused::Already { covered: true });
        }
        self.lay_shut(now, id);
        self.record(now, id, EventKind::Covered, Some(SignalKind::Covered));
        Ok(())
    }

    fn uncover(&mut self, now: Mono, id: FrameId) -> Result<(), Refused> {
        let print = self.print_out(id)?;
        if print.is_uncovered() {
            return Err(Refused::Already { covered: false });
        }
        if print.spans() >= MOST_SPANS {
            return Err(Refused::TooManySpans);
        }
        self.lay_open(now, id);
        self.record(now, id, EventKind::Uncovered, Some(SignalKind::Uncovered));
        self.warn_if_blind(now, id);
        Ok(())
    }

    fn bring_in(&mut self, now: Mono, id: FrameId) -> Result<(), Refused> {
        if self.print_out(id)?.is_uncovered() {
            self.lay_shut(now, id);
        }
        self.print_out(id)?.ended = true;
        self.record(now, id, EventKind::BroughtIn, Some(SignalKind::BroughtIn));
        self.forget_unused(self.frame(id)?.sensor);
        Ok(())
    }

    fn retarget(
        &mut self,
        now: Mono,
        id: FrameId,
        target: crate::quantity::TargetDose,
    ) -> Result<(), Refused> {
        let print = self.print_out(id)?;
        if print.plan.is_strip() {
            return Err(Refused::StripIsFixed);
        }
        print.plan = super::Plan::dose(target);
        print.aimed_at = Some(now);
        print.called = 0;
        print.nearly = false;
        print.told_slow = false;
        self.frame_mut(id)?.due_at = None;
        self.quieten(id);
        self.record(now, id, EventKind::Retargeted { target: target.dose() }, None);
        self.queue(id);
        self.warn_if_blind(now, id);
        Ok(())
    }

    /// The cover comes off.
    fn lay_open(&mut self, now: Mono, id: FrameId) {
        let mark = self.mark(now, id);
        self.sensor_of(id).open.insert(id);
        if let Some(print) = &mut self.frames[id.0 as usize].print {
            print.uncover(mark);
            // A due print that comes out again goes on being due.
            if print.is_due() {
                print.waiting = true;
                self.timers.insert((now.plus_seconds(self.rules.overdue_every_s), id, Timer::Overdue));
            }
        }
        self.queue(id);
    }

    /// The cover goes on, or the frame comes in.
    fn lay_shut(&mut self, now: Mono, id: FrameId) {
        let mark = self.mark(now, id);
        self.sensor_of(id).open.remove(&id);
        if let Some(print) = &mut self.frames[id.0 as usize].print {
            print.cover(mark);
        }
        self.quieten(id);
        self.forget_fallback(id);
        self.queue(id);
    }

    /// Where the integrals of the frame's print stand at `now`.
    fn mark(&mut self, now: Mono, id: FrameId) -> Mark {
        let response = self.response_of(id);
        let sensor = self.sensor_of(id);
        let tally = sensor.tally_of(response);
        let totals = Totals {
            own: sensor.tallies[tally].integral.project(now),
            plain: sensor.tallies[PLAIN].integral.project(now),
        };
        let settled = sensor.plain().knot().is_some_and(|knot| knot.at == now);
        if !settled {
            sensor.tallies[tally].unsettled.insert(id);
        }
        Mark { at: now, totals, settled }
    }

    /// Nobody needs to be called to this frame for now.
    fn quieten(&mut self, id: FrameId) {
        if let Some(print) = &mut self.frames[id.0 as usize].print {
            print.waiting = false;
        }
        self.timers.retain(|&(_, frame, timer)| !(frame == id && timer == Timer::Overdue));
    }

    /// Keeps an event of this instant and tells of it.
    fn record(&mut self, now: Mono, id: FrameId, kind: EventKind, signal: Option<SignalKind>) {
        let mark = self.mark(now, id);
        self.keep_event(id, kind, now, mark.totals, mark.settled);
        match signal {
            Some(signal) => self.emit_signal(id, signal, now, mark.totals),
            None => self.outputs.push_back(Output::Changed(id)),
        }
    }

    fn keep_event(&mut self, id: FrameId, kind: EventKind, at: Mono, totals: Totals, settled: bool) {
        let slot = &mut self.frames[id.0 as usize];
        let Some(print) = &mut slot.print else { return };
        let seq = print.number_event(at, settled);
        let (print, (counted, plain)) = (print.id.clone(), print.counted(at, totals));
        if !settled {
            self.tally_of(id).unsettled.insert(id);
        }
        self.outputs.push_back(Output::Event(Event {
            print,
            frame: Some(id),
            seq,
            kind,
            at,
            counted,
            plain,
            settled,
        }));
    }

    /// Tells the new state first, then the signal.
    fn emit_signal(&mut self, id: FrameId, kind: SignalKind, at: Mono, totals: Totals) {
        let Some(print) = &self.frames[id.0 as usize].print else { return };
        let (dose, target) = (print.dose(at, totals.own), print.plan.target().dose());
        let signal = Signal { kind, frame: id, print: print.id.clone(), at, dose, target };
        self.outputs.push_back(Output::Changed(id));
        self.outputs.push_back(Output::Signal(signal));
    }

    /// Puts a frame into the queues of its sensor by what it waits for now.
    fn queue(&mut self, id: FrameId) {
        let response = self.response_of(id);
        let slot = &mut self.frames[id.0 as usize];
        let sensor = &mut self.sensors[usize::from(slot.sensor.0)];
        let tally = sensor.tally_of(response);
        let Tally { queue, far, .. } = &mut sensor.tallies[tally];
        let before = std::mem::take(&mut slot.queued);
        before.next.map(|level| queue.remove(&(level, id, Wants::Next)));
        before.nearly.map(|level| queue.remove(&(level, id, Wants::Nearly)));
        before.far.map(|level| far.remove(&(level, id)));
        let Some(print) = slot.print.as_ref().filter(|print| !print.ended && !print.is_due()) else { return };
        slot.queued.next = print.next_dose().and_then(|dose| print.level(dose)).map(Level);
        slot.queued.far = print.level(print.plan.target().dose()).filter(|_| !print.nearly).map(Level);
        queue.extend(slot.queued.next.map(|level| (level, id, Wants::Next)));
        far.extend(slot.queued.far.map(|level| (level, id)));
    }

    fn project(&self, id: FrameId, at: Mono) -> Option<Totals> {
        let slot = self.frame(id).ok()?;
        let sensor = &self.sensors[usize::from(slot.sensor.0)];
        Some(sensor.integrals(sensor.tally_of(self.response_of(id))).peek(at))
    }

    /// Lets go of the integrals that no print counts by any more.
    fn forget_unused(&mut self, id: SensorId) {
        let frames = &self.frames;
        let counts_by = |response: Response| {
            let prints = frames.iter().filter(|frame| frame.sensor == id).filter_map(|f| f.print.as_ref());
            let mut waiting = prints.filter(|print| !print.ended || !print.is_settled());
            waiting.any(|print| print.response == response)
        };
        let is_used = |tally: &Tally| {
            let response = tally.integral.response();
            response.is_plain() || !tally.leaving.is_empty() || counts_by(response)
        };
        let tallies = &mut self.sensors[usize::from(id.0)].tallies;
        if tallies.len() > PLAIN + 1 {
            tallies.retain(is_used);
        }
    }

    /// What the print in a frame answers to.
    fn response_of(&self, id: FrameId) -> Response {
        let print = self.frames.get(id.0 as usize).and_then(|frame| frame.print.as_ref());
        print.map_or(Response::PLAIN, |print| print.response)
    }

    /// The integral that the print in a frame counts by.
    fn integral_of(&self, slot: &Frame) -> &Integral {
        let sensor = &self.sensors[usize::from(slot.sensor.0)];
        let response = slot.print.as_ref().map_or(Response::PLAIN, |print| print.response);
        &sensor.tallies[sensor.tally_of(response)].integral
    }

    /// The tally of the print in a frame that is known to exist.
    fn tally_of(&mut self, id: FrameId) -> &mut Tally {
        let response = self.response_of(id);
        let sensor = self.sensor_of(id);
        let tally = sensor.tally_of(response);
        &mut sensor.tallies[tally]
    }

    fn frame(&self, id: FrameId) -> Result<&Frame, Refused> {
        self.frames.get(id.0 as usize).ok_or(Refused::Unknown)
    }

    fn frame_mut(&mut self, id: FrameId) -> Result<&mut Frame, Refused> {
        self.frames.get_mut(id.0 as usize).ok_or(Refused::Unknown)
    }

    /// The sensor beside a frame that is known to exist.
    fn sensor_of(&mut self, id: FrameId) -> &mut Sensor {
        &mut self.sensors[usize::from(self.frames[id.0 as usize].sensor.0)]
    }

    fn print_out(&mut self, id: FrameId) -> Result<&mut Print, Refused> {
        self.frame_mut(id)?.print.as_mut().filter(|print| !print.ended).ok_or(Refused::NoPrint)
    }

    fn refuse_if_busy(&self, id: FrameId) -> Result<(), Refused> {
        match &self.frame(id)?.print {
            Some(print) if !print.ended => {
                Err(Refused::Busy { print: print.id.clone(), state: print.state() })
            }
            _ => Ok(()),
        }
    }
}

impl Frame {
    /// The level at which `nearly` may come.
    fn nearly_level(&self) -> Option<Level> {
        let print = self.print.as_ref()?;
        print.level(print.plan.target().dose() * NEARLY_SHARE).map(Level)
    }
}

/// The number of a band for people, who count from 1.
fn band_number(index: usize) -> u16 {
    u16::try_from(index + 1).unwrap_or(u16::MAX)
}

/// The sky, if it is all that a sensor sees: not beside a frame whose last print is or
/// was under a lamp, nor while one that has left a lamp still waits, and not in a unit that is none of the sky's.
fn sky_alone<'a>(
    sky: Option<&'a ClearSky>,
    frames: &[Frame],
    sensor: SensorId,
    flags: Flags,
    has_left_a_lamp: bool,
) -> Option<&'a ClearSky> {
    let is_lit = |frame: &Frame| frame.sensor == sensor && !frame.sunlit;
    let is_lit = || has_left_a_lamp || frames.iter().any(is_lit);
    sky.filter(|_| !flags.has(Flags::UNCALIBRATED) && !is_lit())
}

#[cfg(test)]
mod tests;
