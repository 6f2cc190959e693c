//! Readings with the counts of the one before: true in steady light, or of a chip that is stuck.
//!
//! Calls go by them at once, as they go by the last reading between two. They enter the integral
//! when a reading with other counts comes. When the chip is found to be stuck they never do: the
//! light since the first of them is a gap, and what was called or done in it is settled by the
//! reading that ends it. A call is not taken back.

use super::super::{FrameId, SensorId};
use super::Rig;
use super::sensor::Sensor;
use crate::light::Reading;

impl Sensor {
    /// Keeps a reading until more is known.
    pub(super) fn hold(&mut self, reading: Reading) {
        self.held.push(reading);
        for tally in &mut self.tallies {
            tally.integral.hold_until(reading.at);
        }
    }
}

impl Rig {
    /// It is known now whether the readings held were true.
    pub(super) fn end_held(&mut self, id: SensorId, are_true: bool) {
        let held = std::mem::take(&mut self.sensors[usize::from(id.0)].held);
        if are_true {
            held.into_iter().for_each(|reading| self.take_in(id, reading));
        } else if !held.is_empty() {
            self.drop_held(id);
        }
    }

    /// What was projected from the readings held is projected anew without them.
    fn drop_held(&mut self, id: SensorId) {
        let sensor = &mut self.sensors[usize::from(id.0)];
        for tally in &mut sensor.tallies {
            tally.integral.drop_held();
        }
        let mut moved = Vec::new();
        for tally in 0..sensor.tallies.len() {
            let integrals = sensor.integrals(tally);
            for &frame in &sensor.tallies[tally].unsettled {
                if let Some(print) = self.frames[frame.0 as usize].print.as_mut() {
                    print.project(integrals);
                    moved.push(frame);
                }
            }
        }
        moved.into_iter().for_each(|frame: FrameId| self.queue(frame));
    }
}
