//! A sensor goes silent and comes back: who is told, and the last light as a fallback.

use super::super::{FrameId, Output, Refused, SensorId, SignalKind};
use super::{Rig, Timer};
use crate::chips::SensorFault;
use crate::quantity::Mono;

impl Rig {
    pub(super) fn fault(&mut self, now: Mono, id: SensorId, fault: SensorFault) -> Result<(), Refused> {
        let sensor = self.sensors.get_mut(usize::from(id.0)).ok_or(Refused::Unknown)?;
        let lost = sensor.lost;
        sensor.fault = Some(fault);
        if matches!(fault, SensorFault::Stuck { .. }) {
            // What was seen since its counts stand still was not.
            self.end_held(id, false);
            if !lost {
                self.sensor_lost(now, id);
            }
        }
        if lost {
            self.outputs.push_back(Output::SensorChanged { sensor: id, lost: Some(Some(fault)) });
        }
        Ok(())
    }

    pub(super) fn sensor_lost(&mut self, now: Mono, id: SensorId) {
        let sensor = &mut self.sensors[usize::from(id.0)];
        sensor.lost = true;
        let lost = Some(sensor.fault);
        self.outputs.push_back(Output::SensorChanged { sensor: id, lost });
        for frame in self.sensors[usize::from(id.0)].open.clone() {
            self.warn_if_blind(now, frame);
        }
    }

    /// A print that light falls on while its sensor is silent: somebody has to
    /// know, and hears again when it would be due should the last light stay.
    pub(super) fn warn_if_blind(&mut self, now: Mono, id: FrameId) {
        self.forget_fallback(id);
        let sensor = self.sensor_of(id);
        if !sensor.lost || !sensor.open.contains(&id) {
            return;
        }
        let fallback = self.fallback(id);
        let reached = fallback.is_some_and(|at| at <= now);
        if let Some(totals) = self.project(id, now) {
            self.emit_signal(id, SignalKind::SensorLost { fallback, reached }, now, totals);
        }
        self.timers.extend(fallback.filter(|&at| at > now).map(|at| (at, id, Timer::Fallback)));
    }

    pub(super) fn forget_fallback(&mut self, id: FrameId) {
        self.timers.retain(|&(_, frame, timer)| !(frame == id && timer == Timer::Fallback));
    }

    /// The level that a print waits for has moved. What was told already is not told again.
    pub(super) fn renew_fallback(&mut self, now: Mono, id: FrameId) {
        if self.timers.iter().any(|&(_, frame, timer)| frame == id && timer == Timer::Fallback) {
            self.forget_fallback(id);
            let fallback = self.fallback(id);
            self.timers.extend(fallback.map(|at| (at.max(now), id, Timer::Fallback)));
        }
    }

    pub(super) fn sensor_back(&mut self, now: Mono, id: SensorId) {
        let sensor = &mut self.sensors[usize::from(id.0)];
        sensor.lost = false;
        self.outputs.push_back(Output::SensorChanged { sensor: id, lost: None });
        for frame in sensor.open.clone() {
            self.forget_fallback(frame);
            if let Some(totals) = self.project(frame, now) {
                self.emit_signal(frame, SignalKind::SensorBack, now, totals);
            }
        }
    }

    /// By the last light seen, the target would be reached by now.
    pub(super) fn fallback_reached(&mut self, at: Mono, id: FrameId) {
        // It may have been called meanwhile, and a strip then waits for its next band.
        let fallback = self.fallback(id);
        if let Some(later) = fallback.filter(|&fallback| fallback > at) {
            self.timers.insert((later, id, Timer::Fallback));
        } else if fallback.is_some()
            && let Some(totals) = self.project(id, at)
        {
            let kind = SignalKind::SensorLost { fallback: Some(at), reached: true };
            self.emit_signal(id, kind, at, totals);
        }
    }

    /// When the frame would reach what it waits for next, should the last light seen have stayed.
    fn fallback(&self, id: FrameId) -> Option<Mono> {
        let slot = self.frame(id).ok()?;
        let print = slot.print.as_ref().filter(|print| !print.is_due())?;
        let level = print.level(print.next_dose()?)?;
        self.integral_of(slot).when(level)
    }
}
