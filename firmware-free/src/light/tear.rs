//! The power was gone, and no clock tells (yet) for how long.
//!
//! A boot's monotonic clock knows nothing of the boot before, and on a Pi the wall
//! clock comes with the network, after the first readings. Until then the
//! integral goes on as if no time had passed. [`Tear`] keeps what is needed to
//! bound what fell, once the wall clock tells how long it was.

use super::integral::{Estimate, GapRates, Integral};
use super::{Response, Seen};
use crate::quantity::{Irradiance, Mono};

/// An earlier boot of which nobody knows (yet) how long ago it ended. What it
/// left is laid close before this boot on its clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unplaced {
    /// Its number in the record.
    pub boot: i64,
    /// Where its end is laid on this clock.
    pub ended: Mono,
}

/// A tear in the light of a sensor: the power was gone, for a time that the
/// monotonic clock cannot tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tear {
    /// Where the last reading before it is laid on this clock.
    pub from: Mono,
    /// What that saw.
    pub left: Seen,
    /// The first reading after it.
    pub to: Mono,
    /// What that saw.
    pub found: Seen,
    /// The greatest irradiance of the hour before it, and of its ends.
    pub greatest: Irradiance,
}

/// When it was that light fell in a tear and is not in the integral, on this clock. The integral
/// has what came before the boot ended, and after the next began.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Missed {
    /// When the last reading before the tear was really taken.
    pub left_at: Mono,
    /// From when.
    pub from: Mono,
    /// Until when.
    pub to: Mono,
}

/// How long something took, in seconds: `low <= best <= high`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lasted {
    /// Most likely.
    pub best: f64,
    /// At least.
    pub low: f64,
    /// At most.
    pub high: f64,
}

impl Lasted {
    /// A time that is known.
    #[must_use]
    pub const fn exactly(seconds: f64) -> Self {
        Self { best: seconds, low: seconds, high: seconds }
    }
}

impl Tear {
    /// The seconds that the integral has counted for it: as its ends were laid.
    #[must_use]
    pub fn counted_s(&self) -> f64 {
        self.to.seconds_since(self.from)
    }

    /// The wider of bounds and those without a sky, for light that may be none of it.
    #[must_use]
    pub fn as_wide_as(&self, rates: GapRates) -> GapRates {
        GapRates { low: Irradiance::ZERO, high: rates.high.max(self.most()), ..rates }
    }

    /// The most that may have fallen, without a sky to tell.
    fn most(&self) -> Irradiance {
        Integral::most(self.greatest.w_m2(), self.left, self.found)
    }

    /// What fell while the power was gone and is not in the integral, now that
    /// it is known how long passed between its two readings: bounded like any
    /// light that was not seen. `ended` is where the end of the boot before is laid.
    /// `sky` is asked for the [`Missed`] stretch if it is known when that was.
    pub fn missed(
        &self,
        ended: Mono,
        lasted: Lasted,
        response: &Response,
        sky: impl FnOnce(Option<Missed>) -> Option<GapRates>,
    ) -> Estimate {
        let when = (lasted.low == lasted.high).then(|| {
            let seconds = (lasted.high - self.counted_s()).max(0.0);
            // Once the wall clock tells, the end of the boot is laid where it was, long before
            // what the tear goes on from; until then close before this boot.
            let (from, to) = if ended < self.from {
                (ended, ended.plus_seconds(seconds))
            } else {
                (ended.min(self.to).plus_seconds(-seconds), ended.min(self.to))
            };
            Missed { left_at: self.to.plus_seconds(-lasted.high), from, to }
        });
        let rates = sky(when).unwrap_or_else(|| GapRates::even(Irradiance::ZERO, self.most()));
        let (low, high) = rates.counted(response);
        let line = response.ramp(self.left.lowest().w_m2(), self.found.lowest().w_m2(), 1.0);
        let rate = Irradiance::from_w_m2(line.max(low.w_m2()).min(high.max(low).w_m2()));
        let beyond = |seconds: f64| (seconds - self.counted_s()).max(0.0);
        let best = rate.over_seconds(beyond(lasted.best));
        Estimate {
            best,
            low: low.over_seconds(beyond(lasted.low)).min(best),
            high: high.over_seconds(beyond(lasted.high)).max(best),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn exactly(w_m2: f64) -> Seen {
        Seen::Exactly(Irradiance::from_w_m2(w_m2))
    }

    fn tear() -> Tear {
        Tear {
            from: Mono::from_seconds(99.0),
            left: exactly(40.0),
            to: Mono::from_seconds(101.0),
            found: exactly(10.0),
            greatest: Irradiance::from_w_m2(50.0),
        }
    }

    /// The boot before ended half a second after its last reading.
    fn missed(
        lasted: Lasted,
        response: &Response,
        sky: impl FnOnce(Option<Missed>) -> Option<GapRates>,
    ) -> Estimate {
        tear().missed(Mono::from_seconds(99.5), lasted, response, sky)
    }

    fn figures(missed: Estimate) -> [f64; 3] {
        [missed.low, missed.best, missed.high].map(|dose| dose.j_m2())
    }

    #[test]
    fn what_fell_in_a_time_that_is_known_is_bounded_like_any_gap() {
        // 302 s between the two readings, of which 2 are counted. A gap of the same
        // ends and 300 s under a clear sky of 45 W/m² has 7500, 1350, 16200 J/m².
        let lasted = Lasted::exactly(302.0);
        let sky = |missed: Option<Missed>| {
            let Missed { left_at, from, to } = missed.unwrap();
            // Half a second after the last reading until half a second after it on this clock.
            assert_eq!([left_at, from, to].map(Mono::seconds), [-201.0, -200.5, 99.5]);
            Some(GapRates::of_clear_sky(Irradiance::from_w_m2(45.0), 1.0))
        };
        assert_eq!(figures(missed(lasted, &Response::PLAIN, sky)), [1350.0, 7500.0, 16200.0]);
        assert_eq!(figures(missed(lasted, &Response::PLAIN, |_| None)), [0.0, 7500.0, 15000.0]);
    }

    #[test]
    fn what_is_laid_where_it_was_missed_what_came_after() {
        let sky = |missed: Option<Missed>| {
            let Missed { left_at, from, to } = missed.unwrap();
            assert_eq!([left_at, from, to].map(Mono::seconds), [-201.0, -190.0, 110.0]);
            None
        };
        tear().missed(Mono::from_seconds(-190.0), Lasted::exactly(302.0), &Response::PLAIN, sky);
    }

    #[test]
    fn a_time_between_two_bounds_gives_a_wider_estimate() {
        let lasted = Lasted { best: 152.0, low: 0.0, high: 302.0 };
        assert_eq!(figures(missed(lasted, &Response::PLAIN, |_| None)), [0.0, 3750.0, 15000.0]);
        let sky = |missed: Option<Missed>| {
            assert_eq!(missed, None, "at what hour it was nobody knows");
            Some(GapRates::of_clear_sky(Irradiance::from_w_m2(45.0), 1.0))
        };
        assert_eq!(figures(missed(lasted, &Response::PLAIN, sky)), [0.0, 3750.0, 16200.0]);
    }

    #[test]
    fn what_fell_counts_by_its_strength_where_a_print_does() {
        // 300 s of 30 (E / 30)^0.5 along the line from 40 to 10 W/m², by the integral of E^0.5.
        let response = Response::new(0.5, Irradiance::from_w_m2(30.0)).unwrap();
        let missed = figures(missed(Lasted::exactly(302.0), &response, |_| None));
        let mean = 30.0f64.sqrt() * (40.0f64.powf(1.5) - 10.0f64.powf(1.5)) / 1.5 / 30.0;
        let expected = [0.0, 300.0 * mean, 300.0 * (30.0 * 50.0f64).sqrt()];
        for (ours, expected) in missed.iter().zip(expected) {
            assert!((ours - expected).abs() < 1e-6, "{missed:?} {expected}");
        }
    }

    #[test]
    fn nothing_is_missed_in_no_time() {
        assert_eq!(figures(missed(Lasted::exactly(1.0), &Response::PLAIN, |_| None)), [0.0, 0.0, 0.0]);
    }
}
