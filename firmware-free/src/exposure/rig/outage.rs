//! The power was gone, and it becomes known for how long: prints get what fell.

use super::super::print::Print;
use super::super::{Event, EventKind, FrameId, Output, Refused, SensorId, SignalKind};
use super::Rig;
use crate::light::{Estimate, Lasted, Tear, Unplaced};
use crate::quantity::Mono;

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
        sensor.integral.tear();
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
        self.sensors.get(usize::from(sensor.0)).is_some_and(|sensor| sensor.integral.is_torn())
    }

    /// Every print that lay open over a tear gets what fell then, once.
    pub(super) fn outage(
        &mut self,
        now: Mono,
        id: SensorId,
        after: Unplaced,
        known: Option<(Tear, Lasted)>,
    ) -> Result<(), Refused> {
        self.sensors.get(usize::from(id.0)).ok_or(Refused::Unknown)?;
        self.advance(now);
        let sky = &self.sky;
        let missed = known.map_or(Estimate::ZERO, |(tear, lasted)| {
            tear.missed(lasted, |from, to| sky.as_ref().and_then(|sky| sky.rates(from, to)))
        });
        let seconds = known.map(|(_, lasted)| lasted.best);
        if let Some((tear, lasted)) = known {
            let (from, to) = (tear.to.plus_seconds(-lasted.best), tear.to.plus_seconds(-tear.counted_s()));
            self.outputs.push_back(Output::Gap { sensor: id, from: from.min(to), to, dose: missed });
        }
        for frame in 0..self.frames.len() {
            if self.frames[frame].sensor == id {
                self.count_missed(now, FrameId(frame as u32), after, seconds, missed);
            }
        }
        let sensor = &mut self.sensors[usize::from(id.0)];
        let total = sensor.integral.peek(now);
        for print in &mut sensor.leaving {
            let Some(kind) = miss(print, after, seconds, missed) else { continue };
            let (seq, dose) = (print.number_event(now, true), print.dose(now, total));
            let print = print.id.clone();
            let event = Event { print, frame: None, seq, kind, at: now, dose, total, settled: true };
            self.outputs.push_back(Output::Event(event));
        }
        sensor.tears.retain(|other| other.boot != after.boot);
        sensor.torn.retain(|other| other.boot != after.boot);
        let mut leaving = std::mem::take(&mut sensor.leaving);
        leaving.retain(|print| sensor.waits(print));
        sensor.leaving = leaving;
        Ok(())
    }

    fn count_missed(
        &mut self,
        now: Mono,
        id: FrameId,
        after: Unplaced,
        seconds: Option<f64>,
        missed: Estimate,
    ) {
        let Some(print) = self.frames[id.0 as usize].print.as_mut() else { return };
        let Some(kind) = miss(print, after, seconds, missed) else { return };
        let (missed, is_final) = (missed.scaled(print.glass), !print.is_uncovered());
        let mark = self.mark(now, id);
        self.keep_event(id, kind, now, mark.total, mark.settled || is_final);
        self.emit_signal(id, SignalKind::Outage { seconds, missed }, now, mark.total);
        // What it waits for is nearer by what it has had.
        self.queue(id);
    }
}

/// Counts what a print missed after a boot, if it lay open over its end.
fn miss(print: &mut Print, after: Unplaced, seconds: Option<f64>, missed: Estimate) -> Option<EventKind> {
    let span = print.span_over(after)?;
    print.count_missed(after.boot, span, missed);
    Some(EventKind::Outage { after_boot: after.boot, span, seconds, missed })
}
