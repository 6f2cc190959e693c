//! Choosing the range of a chip by what it just saw.

use super::SetupError;
use crate::light::Flags;

/// Who chooses the range.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Ranging {
    /// The driver, by what it sees.
    #[default]
    Free,
    /// Always this range; 0 is the least sensitive.
    Locked(u8),
}

/// Less sensitive above this share of full scale.
const TOO_MUCH: f64 = 0.8;
/// More sensitive below this share of the finer range's full scale: far enough
/// under [`TOO_MUCH`] that the two never chase each other.
const TOO_LITTLE: f64 = 0.3;
/// That many readings in a row must be too little.
const PATIENCE: u8 = 3;

/// The range wanted for the next measurement, with hysteresis.
#[derive(Debug, Clone)]
pub(super) struct AutoRange {
    /// Full scale of every range, falling: range 0 is the least sensitive.
    full_scales: &'static [f64],
    wanted: u8,
    locked: bool,
    reported: Option<u8>,
    low: u8,
    low_peak: f64,
}

impl AutoRange {
    /// Begins at the locked range, or at `first` when free.
    pub(super) fn new(
        part: &'static str,
        full_scales: &'static [f64],
        ranging: Ranging,
        first: u8,
    ) -> Result<Self, SetupError> {
        let (wanted, locked) = match ranging {
            Ranging::Free => (first, false),
            Ranging::Locked(range) => (range, true),
        };
        if usize::from(wanted) >= full_scales.len() {
            return Err(SetupError::Range { part, range: wanted, last: full_scales.len() as u8 - 1 });
        }
        Ok(Self { full_scales, wanted, locked, reported: None, low: 0, low_peak: 0.0 })
    }

    /// The range to measure in.
    pub(super) fn wanted(&self) -> u8 {
        self.wanted
    }

    /// Full scale of the wanted range.
    pub(super) fn full_scale(&self) -> f64 {
        self.full_scales[usize::from(self.wanted)]
    }

    /// After a saturated measurement: whether a less sensitive range is there
    /// to try at once. It is then the wanted one, and the least sensitive of
    /// all, since nothing is known of how much there is.
    pub(super) fn escape(&mut self) -> bool {
        let escapes = !self.locked && self.wanted > 0;
        if escapes {
            self.move_to(0);
        }
        escapes
    }

    /// Takes a value measured in the wanted range, in the unit of the full
    /// scales, chooses the range for the next one, and returns
    /// [`Flags::RANGE_CHANGED`] when this one's is not the last one's.
    pub(super) fn observe(&mut self, value: f64) -> Flags {
        let changed = self.reported.replace(self.wanted).is_some_and(|last| last != self.wanted);
        if !self.locked {
            self.choose(value);
        }
        if changed { Flags::RANGE_CHANGED } else { Flags::NONE }
    }

    fn choose(&mut self, value: f64) {
        if value > TOO_MUCH * self.full_scale() {
            self.move_to(self.wanted.saturating_sub(1));
            return;
        }
        self.low_peak = self.low_peak.max(value);
        match self.finest_for(self.low_peak) {
            Some(finer) => {
                self.low += 1;
                if self.low == PATIENCE {
                    self.move_to(finer);
                }
            }
            None => self.move_to(self.wanted),
        }
    }

    /// The most sensitive range, beyond the wanted one, that would be too
    /// little filled by `value`.
    fn finest_for(&self, value: f64) -> Option<u8> {
        let finer = self.full_scales.iter().skip(usize::from(self.wanted) + 1);
        let steps = finer.take_while(|&&full_scale| value < TOO_LITTLE * full_scale).count() as u8;
        (steps > 0).then(|| self.wanted + steps)
    }

    fn move_to(&mut self, range: u8) {
        self.wanted = range;
        self.low = 0;
        self.low_peak = 0.0;
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const SCALES: &[f64] = &[100.0, 50.0, 25.0, 12.5];

    fn free(first: u8) -> AutoRange {
        AutoRange::new("test part", SCALES, Ranging::Free, first).unwrap()
    }

    #[test]
    fn goes_down_at_once_above_eighty_per_cent() {
        let mut range = free(2);
        assert_eq!(range.observe(20.0), Flags::NONE);
        assert_eq!(range.wanted(), 2);
        assert_eq!(range.observe(20.1), Flags::NONE);
        assert_eq!(range.wanted(), 1);
        assert_eq!(range.observe(20.1), Flags::RANGE_CHANGED);
        assert_eq!(range.observe(20.1), Flags::NONE);
    }

    #[test]
    fn goes_up_only_after_three_readings_below_a_third_of_the_next_step() {
        let mut range = free(1);
        for value in [7.4, 7.4, 7.6, 7.4, 7.4] {
            range.observe(value);
            assert_eq!(range.wanted(), 1, "{value}");
        }
        range.observe(7.4);
        assert_eq!(range.wanted(), 2);
    }

    #[test]
    fn goes_up_as_far_as_the_brightest_of_the_three_allows() {
        let mut range = free(0);
        range.observe(0.0);
        range.observe(7.4);
        range.observe(0.0);
        assert_eq!(range.wanted(), 2);
    }

    #[test]
    fn escapes_saturation_to_the_least_sensitive() {
        let mut range = free(3);
        assert!(range.escape());
        assert_eq!(range.wanted(), 0);
        assert!(!range.escape());
    }

    #[test]
    fn a_locked_range_stays() {
        let mut range = AutoRange::new("test part", SCALES, Ranging::Locked(2), 0).unwrap();
        for value in [0.0, 0.0, 0.0, 0.0, 25.0] {
            range.observe(value);
        }
        assert!(!range.escape());
        assert_eq!(range.wanted(), 2);
        assert!(AutoRange::new("test part", SCALES, Ranging::Locked(4), 0).is_err());
    }

    proptest! {
        #[test]
        fn steady_light_settles_and_then_never_moves(value in 0.0..100.0, first in 0u8..4) {
            let mut range = free(first);
            for _ in 0..16 {
                range.observe(value);
            }
            let settled = range.wanted();
            for _ in 0..16 {
                range.observe(value);
                prop_assert_eq!(range.wanted(), settled);
            }
            prop_assert!(settled == 0 || value <= 0.8 * range.full_scale());
        }
    }
}
