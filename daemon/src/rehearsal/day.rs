//! A made-up day of broken cloud, the same for the same seed.
//!
//! A clear-sky curve times the share that the clouds let through. Clouds and
//! openings follow each other with random lengths; between them the light
//! slides over some tens of seconds, and an opening next to a bright cloud edge
//! gives a little more than a clear sky does. The light is straight lines
//! between knots, so its integral is known exactly.

use frameside_core::outlook::{ClearSky, Place, Site, Tilt, WallAnchor};
use frameside_core::quantity::{Dose, Irradiance, Mono};

use crate::chance::Chance;

/// 2026-07-14T00:00:00+02:00, a day of our own choice.
pub const MIDNIGHT_UNIX_MS: i64 = 1_783_980_000_000;
/// The zone the day is told in.
pub const ZONE: &str = "Europe/Berlin";
/// A garden somewhere in the middle of Europe, its frames flat.
pub(super) const GARDEN: Site =
    Site { place: Place { latitude: 48.5, longitude: 9.0 }, tilt: Tilt { angle: 0.0, azimuth: 0.0 } };
/// Seconds from midnight: the day's first and last knot.
const DAWN: f64 = 6.0 * 3600.0;
const DUSK: f64 = 21.0 * 3600.0;
/// The clear-sky curve bends so little that a knot a minute follows it.
const LONGEST_LINE: f64 = 60.0;

/// The light of one day.
#[derive(Debug, Clone)]
pub struct Day {
    /// Rising in time.
    knots: Vec<Knot>,
}

/// Seconds from midnight, irradiance in W/m², dose so far in J/m².
type Knot = (f64, f64, f64);

impl Day {
    /// The day of a seed.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        let mut sky = ClearSky::new(GARDEN);
        sky.set_wall(WallAnchor { mono: Mono::default(), unix_ms: MIDNIGHT_UNIX_MS, synchronised: true });
        let clear = |t: f64| sky.irradiance(Mono::from_seconds(t)).map_or(0.0, Irradiance::w_m2);
        let mut knots: Vec<Knot> = Vec::new();
        let mut add = |t: f64, share: f64| {
            let e = clear(t) * share;
            let dose = knots.last().map_or(0.0, |&(t0, e0, dose)| dose + 0.5 * (e0 + e) * (t - t0));
            knots.push((t, e, dose));
        };
        let mut chance = Chance::new(seed);
        let (mut t, mut share, mut cloudy) = (DAWN, 0.9, false);
        while t < DUSK {
            // Slide over to the next stretch, then stay there for a while.
            let next = if cloudy { chance.between(0.18, 0.55) } else { chance.between(0.93, 1.12) };
            let slide = chance.between(8.0, 45.0);
            let stay = if cloudy { chance.between(30.0, 240.0) } else { chance.between(40.0, 280.0) };
            add(t, share);
            t += slide;
            let stay_from = t;
            while t < stay_from + stay {
                add(t, next * chance.between(0.985, 1.015));
                t += LONGEST_LINE.min(stay);
            }
            share = next;
            cloudy = !cloudy;
        }
        Self { knots }
    }

    /// The irradiance at an instant, in seconds from midnight; dark outside the day.
    #[must_use]
    pub fn irradiance(&self, t: f64) -> Irradiance {
        let e =
            self.line_at(t).map_or(0.0, |((t0, e0, _), (t1, e1, _))| e0 + (e1 - e0) * (t - t0) / (t1 - t0));
        Irradiance::from_w_m2(e)
    }

    /// The exact dose between two instants, in seconds from midnight.
    #[must_use]
    pub fn dose(&self, from: f64, to: f64) -> Dose {
        Dose::from_j_m2(self.dose_until(to) - self.dose_until(from))
    }

    fn dose_until(&self, t: f64) -> f64 {
        let past = if t < DAWN { 0.0 } else { self.knots.last().map_or(0.0, |&(.., dose)| dose) };
        self.line_at(t)
            .map_or(past, |((t0, e0, dose), _)| dose + 0.5 * (e0 + self.irradiance(t).w_m2()) * (t - t0))
    }

    fn line_at(&self, t: f64) -> Option<(Knot, Knot)> {
        let after = self.knots.partition_point(|&(knot, ..)| knot <= t);
        Some((*self.knots.get(after.checked_sub(1)?)?, *self.knots.get(after)?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_day() {
        let (a, b, c) = (Day::new(7), Day::new(7), Day::new(8));
        assert_eq!(a.knots, b.knots);
        assert_ne!(a.knots, c.knots);
    }

    #[test]
    fn the_light_is_that_of_a_broken_summer_day() {
        let day = Day::new(1);
        let noon: Vec<f64> = (0..3600).map(|s| day.irradiance(12.0 * 3600.0 + f64::from(s)).w_m2()).collect();
        let (least, most) = noon.iter().fold((f64::MAX, 0.0f64), |(a, b), &e| (a.min(e), b.max(e)));
        assert!(least > 5.0 && most < 60.0 && most / least > 1.6, "{least} {most}");
        assert_eq!(day.irradiance(3600.0), Irradiance::ZERO);
    }

    #[test]
    fn the_dose_is_the_integral_of_the_light() {
        let day = Day::new(3);
        let (from, to) = (36_123.4, 40_777.7);
        let steps = 2_000_000;
        let h = (to - from) / f64::from(steps);
        let sum: f64 = (0..steps).map(|i| day.irradiance(from + (f64::from(i) + 0.5) * h).w_m2()).sum();
        let exact = day.dose(from, to).j_m2();
        assert!((sum * h / exact - 1.0).abs() < 1e-7, "{} {exact}", sum * h);
    }
}
