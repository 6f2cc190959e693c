//! Light that is switched at a known instant between two readings.
//!
//! A straight line from the last reading of a lit lamp to the first of a dark one would
//! give a print light that never fell. So the light is held as it was up to the switch,
//! and is from there on what the next reading says.

use crate::light::{Flags, Reading};
use crate::quantity::Mono;

/// Seconds from the switch to where the new light begins: a relay opens in about 10 ms
/// [common practice, no source].
const EDGE_S: f64 = 0.001;

/// Where a sensor's light was switched, until a reading from after it has come.
#[derive(Debug, Clone, Copy, Default)]
pub struct Switched(Option<Mono>);

impl Switched {
    /// The light is switched at `now`; `last` is the sensor's last reading, if light
    /// is seen. Returns it as it was held up to now.
    pub fn at(&mut self, now: Mono, last: Option<Reading>) -> Option<Reading> {
        let last = last.filter(|last| last.at < now)?;
        self.0 = Some(now);
        Some(artificial(now, last))
    }

    /// A reading has come: the light from the switch on, if it is the first after it, and
    /// the reading itself, unless its integration began before the switch.
    pub fn take(&mut self, reading: Reading) -> (Option<Reading>, Option<Reading>) {
        let Some(switched) = self.0 else { return (None, Some(reading)) };
        if reading.at.plus_seconds(-reading.span.as_secs_f64() / 2.0) < switched {
            return (None, None);
        }
        self.0 = None;
        let edge = switched.plus_seconds(EDGE_S);
        let begins = (edge < reading.at).then(|| artificial(edge, reading));
        (begins, Some(reading))
    }
}

/// What another reading saw, at another instant.
fn artificial(at: Mono, of: Reading) -> Reading {
    Reading { at, span: std::time::Duration::ZERO, flags: of.flags.with(Flags::SWITCHED), ..of }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::light::{Integral, Seen};
    use crate::quantity::Irradiance;

    fn reading(seconds: f64, w_m2: f64, span_s: f64) -> Reading {
        let reading = Reading::of(Mono::from_seconds(seconds), Irradiance::from_w_m2(w_m2));
        Reading { span: Duration::from_secs_f64(span_s), ..reading }
    }

    /// The dose of a lamp of 40 W/m² that is lit from 10.3 s to 70.6 s, read once a second
    /// over `span_s`, a reading being the mean over that time.
    fn dose(span_s: f64, tells: bool) -> f64 {
        let (on, off) = (10.3, 70.6);
        let lit = |from: f64, to: f64| (to.min(off) - from.max(on)).max(0.0) / (to - from);
        let window = span_s.max(1e-6);
        let (mut integral, mut switched) = (Integral::new(1.0), Switched::default());
        let mut last: Option<Reading> = None;
        let mut total = 0.0;
        for second in 0..=90 {
            let middle = f64::from(second) + 0.05;
            let mean = 40.0 * lit(middle - window / 2.0, middle + window / 2.0);
            let now = reading(middle, mean, span_s);
            let arrives = middle + span_s / 2.0;
            let mut taken = Vec::new();
            for at in [on, off] {
                // Switches between the arrival of the last reading and this one's.
                if tells && at <= arrives && arrives - 1.0 < at {
                    taken.extend(switched.at(Mono::from_seconds(at), last));
                }
            }
            let (begins, itself) = switched.take(now);
            taken.extend(begins.into_iter().chain(itself));
            for taken in taken {
                if last.is_some_and(|last| taken.at <= last.at) {
                    continue;
                }
                let step = integral.take(taken.at, taken.seen, |_, _| None);
                total += step.map_or(0.0, |step| step.added().best.j_m2());
                last = Some(taken);
            }
        }
        total
    }

    #[test]
    fn a_dose_under_a_switched_lamp_is_that_of_its_time() {
        let truth = 40.0 * 60.3;
        for span_s in [0.0, 0.064, 0.4] {
            let told = dose(span_s, true);
            assert!((told - truth).abs() < 0.1, "{told} J/m² with {span_s} s");
        }
        // Without being told it is off by what falls within half a period.
        assert!((dose(0.0, false) - truth).abs() > 5.0);
    }

    #[test]
    fn without_light_before_there_is_no_step() {
        let mut switched = Switched::default();
        assert_eq!(switched.at(Mono::from_seconds(5.0), None), None);
        let after = reading(6.0, 40.0, 0.0);
        assert_eq!(switched.take(after), (None, Some(after)));
        let held = switched.at(Mono::from_seconds(6.5), Some(after)).unwrap();
        assert_eq!((held.seen, held.flags), (Seen::Exactly(Irradiance::from_w_m2(40.0)), Flags::SWITCHED));
    }
}
