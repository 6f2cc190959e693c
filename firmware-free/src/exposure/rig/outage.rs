//! The power was gone, and it becomes known for how long: prints get what fell.

use super::super::print::{Print, Totals};
use super::super::{Event, EventKind, FrameId, Output, Refused, SensorId, SignalKind};
use super::{Rig, sky_alone};
use crate::light::{Estimate, Flags, Lasted, Response, Tear, Unplaced};
use crate::quantity::Mono;

/// An outage, if anything is or will ever be known of it.
type Known = Option<(Tear, Lasted)>;

/// An outage of a sensor as it is told.
#[derive(Clone, Copy)]
struct Outage {
    sensor: SensorId,
    after: Unplaced,
    known: Known,
    /// Whether a print that has left its frame, and still waits, lay under a lamp.
    has_left_a_lamp: bool,
}

impl Rig {
    /// Tells that what a sensor's integral goes on from, and its prints, belong to a
    /// boot that cannot be placed on this clock: its next reading closes a
    /// [`Tear`], told by [`Output::Torn`].
    ///
    /// # Errors
    /// [`Refused::Unknown`] when there is no such sensor.
    pub fn tear(&mut self, sensor: SensorId, after: Unplaced) -> Result<(), Refused> {
        self.expect_outage(sensor, after)?;
        let sensor = &mut self.sensors[usize::from(sensor.0)];
        sensor.torn.push(after);
        sensor.tallies.iter_mut().for_each(|tally| tally.integral.tear());
        Ok(())
    }

    /// Tells of a boot that ended while prints were out, and that a restart has
    /// already gone past: an [`Input::Outage`](super::super::Input::Outage) is to follow.
    ///
    /// # Errors
    /// [`Refused::Unknown`] when there is no such sensor.
    pub fn expect_outage(&mut self, sensor: SensorId, after: Unplaced) -> Result<(), Refused> {
        self.sensors.get_mut(usize::from(sensor.0)).ok_or(Refused::Unknown)?.tears.push(after);
        Ok(())
    }

    /// Whether a sensor has not seen light since a boot ended that cannot be placed.
    #[must_use]
    pub fn is_torn(&self, sensor: SensorId) -> bool {
        self.sensors.get(usize::from(sensor.0)).is_some_and(|sensor| sensor.plain().is_torn())
    }

    /// Every print that lay open over a tear gets what fell then. When the clock turns out to
    /// have been wrong, that replaces what it got before.
    pub(super) fn outage(
        &mut self,
        now: Mono,
        id: SensorId,
        after: Unplaced,
        known: Known,
    ) -> Result<(), Refused> {
        self.sensors.get(usize::from(id.0)).ok_or(Refused::Unknown)?;
        self.advance(now);
        let has_left_a_lamp = self.sensors[usize::from(id.0)].has_left_a_lamp();
        let outage = Outage { sensor: id, after, known, has_left_a_lamp };
        if let Some((tear, lasted)) = known {
            let (from, to) = (tear.to.plus_seconds(-lasted.best), tear.to.plus_seconds(-tear.counted_s()));
            let dose = self.missed(outage, Response::PLAIN);
            self.outputs.push_back(Output::Gap { sensor: id, from: from.min(to), to, dose });
        }
        for frame in 0..self.frames.len() {
            if self.frames[frame].sensor == id {
                self.count_missed(now, FrameId(frame as u32), outage);
            }
        }
        self.count_missed_by_those_that_left(now, outage);
        let sensor = &mut self.sensors[usize::from(id.0)];
        sensor.is_vague |= known.is_none() && sensor.last.is_none();
        sensor.torn.retain(|other| other.boot != after.boot);
        for tally in 0..sensor.tallies.len() {
            let mut leaving = std::mem::take(&mut sensor.tallies[tally].leaving);
            leaving.retain(|print| sensor.waits(print));
            sensor.tallies[tally].leaving = leaving;
        }
        Ok(())
    }

    /// What fell in an outage and is not in an integral.
    fn missed(&self, outage: Outage, response: Response) -> Estimate {
        let Some((tear, lasted)) = outage.known else { return Estimate::ZERO };
        let last = self.sensors[usize::from(outage.sensor.0)].last;
        tear.missed(outage.after.ended, lasted, &response, |missed| {
            let flags = last.map_or(Flags::NONE, |last| last.flags);
            let sky =
                sky_alone(self.sky.as_ref(), &self.frames, outage.sensor, flags, outage.has_left_a_lamp)?;
            let (left, found) = (tear.left.lowest(), tear.found.lowest());
            let rates = match missed {
                None => sky.rates_at_any_hour([left, found]),
                Some(missed) => {
                    let is_of_it = sky.may_give((missed.left_at, left)) && sky.may_give((tear.to, found));
                    is_of_it.then(|| sky.rates(missed.from, missed.to)).flatten()
                }
            };
            // Before its first reading nobody knows whether a sensor's units are the sky's.
            rates.map(|rates| if last.is_some() { rates } else { tear.as_wide_as(rates) })
        })
    }

    fn miss(&self, print: &mut Print, outage: Outage) -> Option<EventKind> {
        let Outage { after, known, .. } = outage;
        let span = print.span_over(after)?;
        let (missed, plain) = (self.missed(outage, print.response), self.missed(outage, Response::PLAIN));
        let totals = known.map(|_| Totals { own: missed, plain });
        if print.has_counted_so(after.boot, totals) {
            return None;
        }
        print.count_missed(after.boot, span, totals);
        let seconds = known.map(|(_, lasted)| lasted.best);
        Some(EventKind::Outage { after_boot: after.boot, span, seconds, missed, plain })
    }

    fn count_missed(&mut self, now: Mono, id: FrameId, outage: Outage) {
        let Some(mut print) = self.frames[id.0 as usize].print.take() else { return };
        let is_corrected = print.has_counted(outage.after.boot);
        let kind = self.miss(&mut print, outage);
        let (passes, is_final) = (print.passes, print.is_final());
        self.frames[id.0 as usize].print = Some(print);
        let Some(kind @ EventKind::Outage { seconds, missed, .. }) = kind else { return };
        // No reading changes a final print. A mark would wait for one in the name of the frame, and
        // what the next print there gets would be counted with it.
        let (totals, settled) = match self.project(id, now).filter(|_| is_final) {
            Some(totals) => (totals, true),
            None => {
                let mark = self.mark(now, id);
                (mark.totals, mark.settled)
            }
        };
        self.keep_event(id, kind, now, totals, settled);
        let missed = missed.scaled(passes);
        self.emit_signal(id, SignalKind::Outage { seconds, missed, is_corrected }, now, totals);
        if is_corrected {
            self.wait_again(now, id);
        }
        // What it waits for is nearer by what it has had.
        self.queue(id);
        self.renew_fallback(now, id);
    }

    /// A print that was called by a wrong clock, and cannot have reached its target, waits for
    /// it again. A band that was called has been covered, or is looked at: its call stands.
    fn wait_again(&mut self, now: Mono, id: FrameId) {
        let Some(print) = &self.frames[id.0 as usize].print else { return };
        let target = print.plan.target();
        if print.ended || !print.is_due() || print.plan.is_strip() {
            return;
        }
        if self.view(id, now).is_some_and(|view| view.dose.high < target.dose())
            && let Err(refused) = self.retarget(now, id, target)
        {
            debug_assert!(false, "a print that is out and no strip takes a target: {refused}");
        }
    }

    fn count_missed_by_those_that_left(&mut self, now: Mono, outage: Outage) {
        let id = outage.sensor;
        for tally in 0..self.sensors[usize::from(id.0)].tallies.len() {
            let sensor = &mut self.sensors[usize::from(id.0)];
            let totals = sensor.integrals(tally).peek(now);
            let mut leaving = std::mem::take(&mut sensor.tallies[tally].leaving);
            for print in &mut leaving {
                let Some(kind) = self.miss(print, outage) else { continue };
                let settled = print.is_final();
                let (seq, (counted, plain)) = (print.number_event(now, settled), print.counted(now, totals));
                let print = print.id.clone();
                let event = Event { print, frame: None, seq, kind, at: now, counted, plain, settled };
                self.outputs.push_back(Output::Event(event));
            }
            self.sensors[usize::from(id.0)].tallies[tally].leaving = leaving;
        }
    }
}
