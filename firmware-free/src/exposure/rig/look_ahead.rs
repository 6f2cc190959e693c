//! What the sky will do to the frames, and who will not be done before dusk.

use super::super::print::Print;
use super::super::{FrameState, SensorId, SignalKind};
use super::{Frame, Rig};
use crate::light::Reading;
use crate::outlook::{Outlook, level, may_be_sky, outlook, prospect};
use crate::quantity::Mono;

/// A frame is too slow when it was so in each of this many minutes: a passing
/// cloud is no evening.
const LASTING_MINUTES: usize = 5;

impl Rig {
    /// Remembers how the light is. Once a minute it looks whose target lies
    /// beyond what the day will still give.
    pub(super) fn look_ahead(&mut self, now: Mono, id: SensorId, reading: Reading) {
        if let Some(sky) = &mut self.sky {
            sky.look_ahead(now);
        }
        let light = reading.seen.lowest();
        let day = self.sky.as_ref().and_then(|sky| sky.ahead());
        let day = day.filter(|day| may_be_sky(light, day.irradiance(reading.at)));
        let sensor = &mut self.sensors[usize::from(id.0)];
        if sensor.under_sky != day.is_some() {
            sensor.under_sky = day.is_some();
            sensor.forget_levels();
        }
        let is_minute_over = match level(day, reading.at, light) {
            Some(level) => sensor.hour.take(reading.at, level),
            // About dawn and dusk the level means nothing, but time goes on.
            None => sensor.is_another_minute(reading.at),
        };
        if !is_minute_over {
            return;
        }
        let Some(day) = day else { return };
        for tally in &mut sensor.tallies {
            let Some(knot) = tally.integral.knot() else { return };
            match prospect(now, light, &sensor.hour, day, &tally.integral.response()) {
                Some(prospect) => {
                    tally.prospects.push_back((knot.total.best + prospect.dose, prospect.dusk));
                    if tally.prospects.len() > LASTING_MINUTES {
                        tally.prospects.pop_front();
                    }
                }
                None => tally.prospects.clear(),
            }
        }
        for tally in 0..self.sensors[usize::from(id.0)].tallies.len() {
            self.warn_too_slow(now, id, tally);
        }
    }

    /// Tells the frames that lie beyond all the prospects of the last minutes.
    fn warn_too_slow(&mut self, now: Mono, id: SensorId, tally: usize) {
        let tally = &self.sensors[usize::from(id.0)].tallies[tally];
        let best = tally.prospects.iter().copied().max_by(|a, b| a.0.j_m2().total_cmp(&b.0.j_m2()));
        let Some((reach, dusk)) = best.filter(|_| tally.prospects.len() == LASTING_MINUTES) else { return };
        let beyond = tally.far.iter().rev().take_while(|(level, _)| level.0 > reach);
        let slow: Vec<_> = beyond.map(|&(_, frame)| frame).collect();
        for frame in slow {
            let slot = &mut self.frames[frame.0 as usize];
            let Some(print) = slot.print.as_mut().filter(|print| slot.sunlit && !print.told_slow) else {
                continue;
            };
            let Some(level) = print.level(print.plan.target().dose()) else { continue };
            print.told_slow = true;
            let short = (level - reach) * print.passes;
            let by_dusk = print.plan.target().dose() - short;
            if let Some(totals) = self.project(frame, now) {
                self.emit_signal(frame, SignalKind::TooSlow { by_dusk, dusk }, now, totals);
            }
        }
    }

    /// The outlook of a print that exposes in the sun.
    pub(super) fn outlook(&self, slot: &Frame, print: &Print, now: Mono) -> Option<Outlook> {
        let sensor = &self.sensors[usize::from(slot.sensor.0)];
        if !slot.sunlit || sensor.lost || print.state() != FrameState::Exposing {
            return None;
        }
        let integral = self.integral_of(slot);
        let knot = integral.knot()?;
        let needs = print.level(print.plan.target().dose())? - integral.peek(now).best;
        let day = self.sky.as_ref().and_then(|sky| sky.ahead()).filter(|_| sensor.under_sky);
        Some(outlook(now, needs, knot.seen.lowest(), &sensor.hour, day, &print.response))
    }

    /// What was remembered of the light is in other units from now on.
    pub(super) fn forget_levels(&mut self) {
        for sensor in &mut self.sensors {
            sensor.forget_levels();
        }
    }
}
