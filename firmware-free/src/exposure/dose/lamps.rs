//! The lamp over a sensor: whether there is one, and when it was switched.

use crate::light::Seen;
use crate::quantity::Irradiance;
use crate::time::Stamp;

use super::sample::Sample;

/// What shines on a sensor beside the sky.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lamp {
    /// Nothing: all its light is the sky's.
    None,
    /// A lamp that is switched by hand, so that it is not known when it burns.
    ByHand,
    /// A lamp that Frameside switches: it is off.
    Off,
    /// The same, on.
    On,
}

/// From when on that is so.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LampFact {
    /// Since when.
    pub at: Stamp,
    /// What shines since then.
    pub lamp: Lamp,
}

/// All that is known of the lamps over one sensor.
#[derive(Debug, Clone, Default)]
pub struct Lamps {
    facts: Vec<LampFact>,
    /// The instants at which the light steps: a lamp went on or off.
    edges: Vec<Stamp>,
    /// The most that it gives at the sensor; `None` where that was not measured.
    max: Option<Irradiance>,
}

impl Lamps {
    /// What shone when, in rising order; before the first fact nothing but the sky.
    #[must_use]
    pub fn new(facts: Vec<LampFact>, max: Option<Irradiance>) -> Self {
        let mut lamps = Self { max, ..Self::default() };
        facts.into_iter().for_each(|fact| lamps.note(fact));
        lamps
    }

    /// A fact that follows all others.
    pub fn note(&mut self, fact: LampFact) {
        let before = self.facts.last();
        debug_assert!(before.is_none_or(|before| before.at <= fact.at), "{fact:?} follows {before:?}");
        let is_on = |fact: &LampFact| fact.lamp == Lamp::On;
        if before.is_some_and(is_on) != is_on(&fact) {
            self.edges.push(fact.at);
        }
        self.facts.push(fact);
    }

    /// What shone at an instant.
    fn at(&self, at: Stamp) -> Lamp {
        let after = self.facts.partition_point(|fact| fact.at <= at);
        after.checked_sub(1).map_or(Lamp::None, |last| self.facts[last].lamp)
    }

    /// Whether one of these shone at any instant from `from` until before `to`.
    fn is_any(&self, from: Stamp, to: Stamp, which: impl Fn(Lamp) -> bool) -> bool {
        let first = self.facts.partition_point(|fact| fact.at <= from);
        let later = self.facts[first..].iter().take_while(|fact| fact.at < to);
        which(self.at(from)) || later.into_iter().any(|fact| which(fact.lamp))
    }

    /// Whether all light within a stretch is the sky's.
    pub(super) fn is_sky_alone(&self, from: Stamp, to: Stamp) -> bool {
        !self.is_any(from, to, |lamp| lamp != Lamp::None)
    }

    /// Whether it is known within a stretch when the lamp burned.
    pub(super) fn is_switched(&self, from: Stamp, to: Stamp) -> bool {
        !self.is_any(from, to, |lamp| matches!(lamp, Lamp::None | Lamp::ByHand))
    }

    /// The instants from `from` until before `to` at which the light stepped.
    pub(super) fn edges(&self, from: Stamp, to: Stamp) -> &[Stamp] {
        let index = |at: Stamp| self.edges.partition_point(|&edge| edge < at);
        let (first, end) = (index(from), index(to));
        &self.edges[first..end.max(first)]
    }

    /// Whether the light stepped while the chip integrated a reading, which is then of neither
    /// light.
    pub(super) fn is_spanned_by(&self, sample: &Sample) -> bool {
        let half_s = f64::from(sample.span_s) / 2.0;
        let at = |seconds| Stamp { at: sample.at.at.plus_seconds(seconds), ..sample.at };
        self.edges(at(-half_s), at(half_s)).iter().any(|&edge| edge != at(-half_s))
    }

    /// The most that a reading may have seen.
    pub(super) fn highest(&self, at: Stamp, seen: Seen) -> Irradiance {
        match (self.at(at), self.max) {
            (Lamp::None, _) | (_, None) => seen.highest(),
            (_, Some(max)) if seen.is_bound() => max.max(seen.lowest()),
            _ => seen.lowest(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::light::Flags;
    use crate::quantity::Mono;
    use crate::time::Boot;

    fn at(seconds: f64) -> Stamp {
        Stamp::new(Boot(1), Mono::from_seconds(seconds))
    }

    fn lamps(facts: &[(f64, Lamp)], max: Option<f64>) -> Lamps {
        let fact = |&(seconds, lamp): &(f64, Lamp)| LampFact { at: at(seconds), lamp };
        Lamps::new(facts.iter().map(fact).collect(), max.map(Irradiance::from_w_m2))
    }

    #[test]
    fn only_a_switch_is_an_edge() {
        let facts = [(1.0, Lamp::Off), (2.0, Lamp::On), (3.0, Lamp::On), (4.0, Lamp::Off), (5.0, Lamp::None)];
        let lamps = lamps(&facts, None);
        assert_eq!(lamps.edges(at(0.0), at(9.0)), [at(2.0), at(4.0)]);
        assert_eq!(lamps.edges(at(2.0), at(4.0)), [at(2.0)]);
        assert_eq!(lamps.edges(at(4.5), at(9.0)), []);
        assert_eq!(lamps.edges(at(9.0), at(1.0)), []);
        assert_eq!(Lamps::default().edges(at(0.0), at(9.0)), []);
    }

    #[test]
    fn what_shines_within_a_stretch() {
        let lamps = lamps(&[(2.0, Lamp::ByHand), (4.0, Lamp::None), (6.0, Lamp::Off), (8.0, Lamp::On)], None);
        assert!(lamps.is_sky_alone(at(0.0), at(2.0)) && lamps.is_sky_alone(at(4.0), at(6.0)));
        assert!(!lamps.is_sky_alone(at(0.0), at(2.5)) && !lamps.is_sky_alone(at(3.0), at(5.0)));
        assert!(lamps.is_switched(at(6.0), at(9.0)) && lamps.is_switched(at(8.5), at(9.0)));
        assert!(!lamps.is_switched(at(5.0), at(9.0)) && !lamps.is_switched(at(2.0), at(3.0)));
        assert!(!lamps.is_switched(at(0.0), at(1.0)));
    }

    #[test]
    fn a_reading_that_spans_an_edge_is_of_neither_light() {
        let lamps = lamps(&[(5.0, Lamp::On)], None);
        let sample = |seconds| Sample { span_s: 1.0, flags: Flags::NONE, ..Sample::lost(at(seconds)) };
        assert!(lamps.is_spanned_by(&sample(5.0)) && lamps.is_spanned_by(&sample(4.75)));
        assert!(lamps.is_spanned_by(&sample(5.25)));
        // From the edge on, and up to it.
        assert!(!lamps.is_spanned_by(&sample(5.5)) && !lamps.is_spanned_by(&sample(4.5)));
        assert!(!lamps.is_spanned_by(&Sample { span_s: 0.0, ..sample(5.0) }));
    }

    #[test]
    fn saturation_is_bounded_by_the_lamp_where_one_shines() {
        let lamps = lamps(&[(5.0, Lamp::On)], Some(120.0));
        let w_m2 = Irradiance::from_w_m2;
        assert_eq!(lamps.highest(at(6.0), Seen::AtLeast(w_m2(60.0))), w_m2(120.0));
        assert_eq!(lamps.highest(at(6.0), Seen::AtLeast(w_m2(130.0))), w_m2(130.0));
        assert_eq!(lamps.highest(at(6.0), Seen::Exactly(w_m2(60.0))), w_m2(60.0));
        // Of the sun: what is outside the air, or a fifth above what was seen.
        assert_eq!(lamps.highest(at(4.0), Seen::AtLeast(w_m2(60.0))), w_m2(85.505));
    }
}
