//! Light that is not what it seems: a shadow on one sensor, or more light than the sky gives.
//!
//! A passing cloud dims every sensor of a rig within seconds. What dims one alone, to about
//! the share that comes from the sky around the sun, is a shadow: a branch, a person, a leaf on
//! the diffuser. The frames beside that sensor may lie in the sun all the while.

use std::collections::VecDeque;

use super::may_be_sky;
use crate::quantity::{Irradiance, Mono};

/// Why the light of a sensor is doubted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Doubt {
    /// It fell at once to this share of what it was, and another sensor saw nothing of it.
    Shaded {
        /// The share left.
        share: f64,
    },
    /// It is far above what a clear sky gives.
    AboveClearSky {
        /// What a clear sky would give.
        clear: Irradiance,
    },
}

/// Means are taken over this long, in seconds.
const RECENT_S: f64 = 10.0;
/// What was before a fall lies this far back: longer than a cloud's edge takes to pass over a rig.
const BEFORE_S: f64 = 30.0;
/// A shadow takes the direct sun, which is at least this share of UV-A even under a hazy or low
/// sun [common practice]; what is left is the light of the sky.
const FALLEN: f64 = 0.7;
/// The other sensor has seen nothing if this share is left to it.
const UNMOVED: f64 = 0.9;
/// The shadow is gone when the two compare again as they did, within this share.
const AGAIN: f64 = 0.85;
/// Below this nothing casts a shadow, in W/m².
const DIM_W_M2: f64 = 2.0;

/// Watches the sensors of a rig.
#[derive(Debug, Clone)]
pub struct LightWatch {
    trails: Vec<Trail>,
}

/// The last readings of a sensor.
#[derive(Debug, Clone, Default)]
struct Trail {
    readings: VecDeque<(Mono, f64)>,
    /// In a shadow since it fell: how it compared with which sensor before.
    shaded: Option<Shadow>,
}

#[derive(Debug, Clone, Copy)]
struct Shadow {
    other: usize,
    ratio: f64,
    share: f64,
}

impl LightWatch {
    /// Watches so many sensors.
    #[must_use]
    pub fn new(sensors: usize) -> Self {
        Self { trails: vec![Trail::default(); sensors] }
    }

    /// Takes a reading of a sensor, by its place in the order they were counted in, and says
    /// whether it is to be doubted now. `clear` is what a clear sky would give it; where that
    /// is not known nothing is too much.
    pub fn take(
        &mut self,
        sensor: usize,
        at: Mono,
        light: Irradiance,
        clear: Option<Irradiance>,
    ) -> Option<Doubt> {
        let trail = self.trails.get_mut(sensor)?;
        trail.keep(at, light.w_m2());
        let shaded = match trail.shaded {
            Some(shadow) => self.still(sensor, shadow, at),
            None => self.falls(sensor, at),
        };
        self.trails[sensor].shaded = shaded;
        let shaded = shaded.map(|shadow| Doubt::Shaded { share: shadow.share });
        shaded.or_else(|| self.above(sensor, at, clear?))
    }

    /// A shadow that has just fallen on a sensor.
    fn falls(&self, sensor: usize, at: Mono) -> Option<Shadow> {
        let (before, now) = self.trails[sensor].before_and_now(at)?;
        let share = now / before;
        // All of the last seconds: a cloud has then had time to come to the others too.
        let most = self.trails[sensor].recent(at, 0.0).fold(0.0, f64::max);
        if before < DIM_W_M2 || most > FALLEN * before {
            return None;
        }
        let others = (0..self.trails.len()).filter(|&other| other != sensor);
        others
            .filter_map(|other| Some((other, self.trails[other].before_and_now(at)?)))
            .find(|(_, (b, n))| *b >= DIM_W_M2 && n / b >= UNMOVED)
            .map(|(other, (b, _))| Shadow { other, ratio: before / b, share })
    }

    /// A shadow that has not gone yet.
    fn still(&self, sensor: usize, shadow: Shadow, at: Mono) -> Option<Shadow> {
        let now = |sensor: usize| self.trails[sensor].mean(at, 0.0);
        let compared = now(sensor)? / now(shadow.other)?;
        (compared < AGAIN * shadow.ratio).then_some(shadow)
    }

    fn above(&self, sensor: usize, at: Mono, clear: Irradiance) -> Option<Doubt> {
        let now = self.trails[sensor].mean(at, 0.0)?;
        (!may_be_sky(Irradiance::from_w_m2(now), clear)).then_some(Doubt::AboveClearSky { clear })
    }
}

impl Trail {
    fn keep(&mut self, at: Mono, w_m2: f64) {
        self.readings.push_back((at, w_m2));
        while self.readings.front().is_some_and(|(old, _)| at.seconds_since(*old) > BEFORE_S + RECENT_S) {
            self.readings.pop_front();
        }
    }

    fn before_and_now(&self, at: Mono) -> Option<(f64, f64)> {
        Some((self.mean(at, BEFORE_S)?, self.mean(at, 0.0)?))
    }

    /// The mean of the readings that are `back` to `back` + 10 s old.
    fn mean(&self, at: Mono, back: f64) -> Option<f64> {
        let add = |(sum, count), w_m2| (sum + w_m2, count + 1.0);
        let (sum, count) = self.recent(at, back).fold((0.0, 0.0), add);
        (count > 0.0).then(|| sum / count)
    }

    fn recent(&self, at: Mono, back: f64) -> impl Iterator<Item = f64> {
        let age = move |then: Mono| at.seconds_since(then) - back;
        let readings = self.readings.iter();
        readings.filter(move |(then, _)| (0.0..=RECENT_S).contains(&age(*then))).map(|&(_, w_m2)| w_m2)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Two sensors at 1 Hz; every change of what is thought of the first.
    fn doubts(seconds: u32, light: impl Fn(f64) -> (f64, f64)) -> Vec<(u32, Option<Doubt>)> {
        let mut watch = LightWatch::new(2);
        let mut changes: Vec<(u32, Option<Doubt>)> = Vec::new();
        for second in 0..seconds {
            let at = Mono::from_seconds(f64::from(second));
            let (first, second_light) = light(f64::from(second));
            watch.take(1, at, Irradiance::from_w_m2(second_light), None);
            let doubt = watch.take(0, at, Irradiance::from_w_m2(first), None);
            let before = changes.last().and_then(|(_, doubt)| *doubt);
            if doubt.is_some() != before.is_some() {
                changes.push((second, doubt));
            }
        }
        changes
    }

    #[test]
    fn a_shadow_on_one_sensor_is_told_and_taken_back() {
        // 40 W/m² falls to the sky's share of a half between 100 and 400 s; the other sensor,
        // which reads a fifth more, sees nothing.
        let light = |t: f64| (if (100.0..400.0).contains(&t) { 20.0 } else { 40.0 }, 48.0);
        let changes = doubts(600, light);
        assert_eq!(changes.len(), 2, "{changes:?}");
        let (fell, Some(Doubt::Shaded { share })) = changes[0] else { panic!("{changes:?}") };
        assert!((101..=115).contains(&fell) && share < 0.7, "{fell} {share}");
        assert!((401..=415).contains(&changes[1].0), "{changes:?}");
    }

    #[test]
    fn a_cloud_dims_both_and_is_no_shadow() {
        // It comes to the second sensor five seconds later.
        let cloud = |t: f64| if (100.0..200.0).contains(&t) { 12.0 } else { 42.0 };
        assert_eq!(doubts(400, |t| (cloud(t), cloud(t - 5.0))), []);
    }

    #[test]
    fn one_sensor_alone_cannot_tell() {
        let mut watch = LightWatch::new(1);
        for second in 0..200u32 {
            let light = if second < 100 { 40.0 } else { 10.0 };
            let at = Mono::from_seconds(f64::from(second));
            assert_eq!(watch.take(0, at, Irradiance::from_w_m2(light), None), None);
        }
    }

    #[test]
    fn far_more_than_a_clear_sky_is_doubted() {
        let take = |w_m2: f64, clear: Option<f64>| {
            let light = Irradiance::from_w_m2(w_m2);
            LightWatch::new(1).take(0, Mono::default(), light, clear.map(Irradiance::from_w_m2))
        };
        assert_eq!(take(400.0, None), None);
        assert_eq!(take(60.0, Some(47.0)), None);
        let clear = Irradiance::from_w_m2(47.0);
        assert_eq!(take(400.0, Some(47.0)), Some(Doubt::AboveClearSky { clear }));
    }

    proptest! {
        #[test]
        fn the_same_light_on_both_is_never_doubted(
            light in prop::collection::vec(0.0f64..60.0, 60..200), ratio in 0.5f64..2.0,
        ) {
            let at = |t: f64| light[(t as usize / 3).min(light.len() - 1)];
            prop_assert_eq!(doubts(300, |t| (at(t), ratio * at(t))), []);
        }
    }
}
