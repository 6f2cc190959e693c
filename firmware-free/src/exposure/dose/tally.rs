//! A dose as it is summed up.

use std::collections::BTreeMap;

use crate::light::Estimate;
use crate::quantity::Dose;
use crate::time::{Boot, Passage};

/// What fell on a print before its glass, in J/m², as its response counts it.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Tally {
    low: f64,
    best: f64,
    /// At most so much, without what fell in times of which only the sum is known.
    high: f64,
    /// Times off between two dated boots, by the boot that they follow.
    shared: BTreeMap<Boot, Shared>,
}

/// A time of which several gaps have unknown parts. All of them together have it once.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Shared {
    seconds: f64,
    /// The most that may have fallen each second in any of the gaps, in W/m².
    most: f64,
}

impl Shared {
    fn dose(self) -> f64 {
        // In a time without end anything may have fallen, whatever was seen before it.
        if self.seconds.is_finite() { self.seconds * self.most } else { f64::INFINITY }
    }
}

impl Tally {
    /// Light of which all was seen: at least and at most so much.
    pub(super) fn add_seen(&mut self, [low, high]: [f64; 2]) {
        debug_assert!(0.0 <= low && low <= high, "{low} to {high} J/m2");
        self.low += low;
        self.best += low;
        self.high += high;
    }

    /// A gap of which the dose is bounded.
    pub(super) fn add_within(&mut self, best: f64, [low, high]: [f64; 2]) {
        debug_assert!(0.0 <= low && low <= high, "{low} to {high} J/m2");
        self.low += low;
        self.best += best.clamp(low, high);
        self.high += high;
    }

    /// A gap with light of at most `most` W/m² at every instant.
    pub(super) fn add_below(&mut self, best: f64, most: f64, passage: &Passage) {
        debug_assert!(0.0 <= most, "{most} W/m2");
        self.best += best.min(most * passage.elapsed().best);
        self.high += most * passage.known_s;
        for off in &passage.off {
            self.share(off.after, Shared { seconds: off.total_s, most });
        }
    }

    fn share(&mut self, after: Boot, share: Shared) {
        let kept = self.shared.entry(after).or_insert(share);
        debug_assert!(kept.seconds == share.seconds, "of one set of clocks: {kept:?} {share:?}");
        kept.most = kept.most.max(share.most);
    }

    /// Both together.
    pub(super) fn add(&mut self, other: &Self) {
        self.low += other.low;
        self.best += other.best;
        self.high += other.high;
        other.shared.iter().for_each(|(&after, &share)| self.share(after, share));
    }

    /// Behind a glass that passes a share of it.
    pub(super) fn estimate(&self, passes: f64) -> Estimate {
        let high = self.high + self.shared.values().map(|shared| shared.dose()).sum::<f64>();
        // The sums are rounded each in its own way.
        let (low, high) = (self.low.min(self.best), high.max(self.best));
        debug_assert!(self.low - low <= 1e-9 * (1.0 + low), "{self:?}");
        let dose = |sum: f64| Dose::from_j_m2(sum * passes);
        Estimate { low: dose(low), best: dose(self.best), high: dose(high) }
    }
}
