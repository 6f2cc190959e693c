//! Light as it is stored, which is the light that every dose is computed from.

use crate::light::{Flags, Reading, Seen};
use crate::quantity::{Irradiance, Mono};
use crate::time::{Boot, Stamp};

/// A stored reading of a sensor, or the mark of one that was lost.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// The middle of its integration time.
    pub at: Stamp,
    /// What was seen, in the calibration in use then; `None` where light was dropped,
    /// damaged or is not believed. No line of light leads over such a mark.
    pub seen: Option<Seen>,
    /// Remarks on it.
    pub flags: Flags,
    /// How long the chip integrated, in seconds, zero or more.
    pub span_s: f32,
    /// When the next reading was expected, in seconds, above zero.
    pub period_s: f32,
}

/// The resolution of stored time.
const TICK_NS: i64 = 100_000;
/// The resolution of stored light.
const STEPS_PER_W_M2: f64 = 1000.0;

impl Sample {
    /// A mark that light was lost.
    #[must_use]
    pub const fn lost(at: Stamp) -> Self {
        Self { at, seen: None, flags: Flags::NONE, span_s: 0.0, period_s: 1.0 }
    }
}

/// Rounds the readings of one sensor to what is stored, 0.1 ms and 1 mW/m². What is left
/// over goes to the next reading: else steady light would be off by the same amount for
/// hours, and the dose with it.
#[derive(Debug, Clone, Copy, Default)]
pub struct Rounding {
    /// In steps of irradiance, -0.5 to 0.5.
    left_over: f64,
}

impl Rounding {
    /// The next reading as it is stored. A value that is not a number is a lost reading.
    pub fn sample(&mut self, boot: Boot, reading: &Reading, period_s: f32) -> Sample {
        debug_assert!(period_s > 0.0, "a period of {period_s} s");
        let at = Mono::from_nanos(reading.at.nanos().div_euclid(TICK_NS) * TICK_NS);
        let wanted = reading.seen.lowest().w_m2() * STEPS_PER_W_M2 + self.left_over;
        let steps = wanted.round();
        let seen = steps.is_finite().then(|| {
            self.left_over = wanted - steps;
            let light = Irradiance::from_w_m2(steps / STEPS_PER_W_M2);
            if reading.seen.is_bound() { Seen::AtLeast(light) } else { Seen::Exactly(light) }
        });
        let span_s = reading.span.as_secs_f32();
        Sample { at: Stamp::new(boot, at), seen, flags: reading.flags, span_s, period_s }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_are_rounded_and_nothing_is_lost_in_sum() {
        let mut rounding = Rounding::default();
        let mut sum = 0.0;
        for n in 0..10 {
            let at = Mono::from_nanos(1_000_000_000 * n + 149_999);
            let mut reading = Reading::of(at, Irradiance::from_w_m2(40.0003));
            reading.span = std::time::Duration::from_millis(250);
            let sample = rounding.sample(Boot(7), &reading, 5.0);
            assert_eq!(sample.at, Stamp::new(Boot(7), Mono::from_nanos(1_000_000_000 * n + 100_000)));
            assert_eq!((sample.span_s, sample.period_s), (0.25, 5.0));
            let light = sample.seen.unwrap().lowest().w_m2();
            assert!([40.0, 40.001].contains(&light), "{light}");
            sum += light;
        }
        assert!((sum - 400.003).abs() < 1e-9, "{sum}");
        // What is rounded once is rounded for good.
        let mut again = Rounding::default();
        let stored = Reading::of(Mono::from_nanos(-99_900_000), Irradiance::from_w_m2(0.123));
        let sample = again.sample(Boot(7), &stored, 1.0);
        assert_eq!((sample.at.at, sample.seen), (stored.at, Some(stored.seen)));
        assert_eq!(again.left_over, 0.0);
    }

    #[test]
    fn a_saturated_reading_stays_a_bound_and_no_number_is_lost() {
        let mut rounding = Rounding { left_over: 0.25 };
        let mut reading = Reading::of(Mono::default(), Irradiance::ZERO);
        reading.seen = Seen::AtLeast(Irradiance::from_w_m2(60.0));
        let sample = rounding.sample(Boot(1), &reading, 1.0);
        assert_eq!(sample.seen, Some(Seen::AtLeast(Irradiance::from_w_m2(60.0))));
        reading.seen = Seen::Exactly(Irradiance::from_w_m2(f64::NAN));
        assert_eq!(rounding.sample(Boot(1), &reading, 1.0).seen, None);
        assert_eq!(rounding.left_over, 0.25);
    }
}
