//! What the tests of the chips share.

use super::emulated::{EmulatedBus, Light};
use super::{Chip, SensorFault, Step};
use crate::light::Reading;
use crate::quantity::Irradiance;

/// Light that never changes.
pub(super) fn steady(w_m2: f64) -> Light {
    Box::new(move |_| Irradiance::from_w_m2(w_m2))
}

/// One measurement, begun now; the bus's clock moves on to its end.
pub(super) fn measure(
    chip: &mut dyn Chip<EmulatedBus>,
    bus: &mut EmulatedBus,
) -> Result<Reading, SensorFault> {
    for _ in 0..100 {
        let now = bus.now();
        match chip.step(bus, now)? {
            Step::Wait(until) => bus.set_now(until),
            Step::Done(reading) => return Ok(reading),
        }
    }
    panic!("a measurement takes more than 100 steps");
}
