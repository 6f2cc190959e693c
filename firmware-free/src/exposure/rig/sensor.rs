//! What the rig keeps of each sensor: its integral, and who waits for what of it.

use std::collections::{BTreeSet, VecDeque};

use super::super::print::Print;
use super::super::{FrameId, Output, SensorId};
use crate::chips::SensorFault;
use crate::light::{Estimate, Integral, Interval, Reading, Unplaced};
use crate::outlook::LastHour;
use crate::quantity::{Dose, Mono};

/// No reading for this many periods: the sensor is lost.
const LOST_AFTER_PERIODS: f64 = 3.0;

#[derive(Debug)]
pub(super) struct Sensor {
    pub(super) integral: Integral,
    pub(super) last: Option<Reading>,
    /// Nothing has been heard since then.
    pub(super) quiet_since: Mono,
    pub(super) lost: bool,
    pub(super) fault: Option<SensorFault>,
    /// An unseen stretch that may still go on.
    pub(super) gap: Option<(Mono, Estimate)>,
    /// Who wants attention at which level of the integral.
    pub(super) queue: BTreeSet<(Level, FrameId, Wants)>,
    /// Who is more than the `nearly` time away from the level it is due at.
    pub(super) far: BTreeSet<(Level, FrameId)>,
    /// Frames with the cover off.
    pub(super) open: BTreeSet<FrameId>,
    /// Frames with figures that wait for the next reading.
    pub(super) unsettled: BTreeSet<FrameId>,
    /// Whether its light is measured against the sky.
    pub(super) under_sky: bool,
    /// How the light was in the last hour.
    pub(super) hour: LastHour,
    /// Where the integral will stand when the sun is too low, as it looked in
    /// each of the last minutes.
    pub(super) prospects: VecDeque<(Dose, Mono)>,
    /// Prints that have left their frame, but wait for the next reading, or to be
    /// told how long the power was gone.
    pub(super) leaving: Vec<Print>,
    /// Boots of which it is not known how long ago they ended.
    pub(super) tears: Vec<Unplaced>,
    /// Those of them after which no light was seen yet.
    pub(super) torn: Vec<Unplaced>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Wants {
    Nearly,
    Next,
}

/// A level of an integral that can be sorted by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Level(pub(super) Dose);

impl Eq for Level {}

impl PartialOrd for Level {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Level {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.0.j_m2().total_cmp(&other.0.j_m2())
    }
}

impl Sensor {
    /// A sensor that is first heard of at `now`.
    pub(super) fn new(integral: Integral, now: Mono) -> Self {
        Self {
            integral,
            last: None,
            quiet_since: now,
            lost: false,
            fault: None,
            gap: None,
            queue: BTreeSet::new(),
            far: BTreeSet::new(),
            open: BTreeSet::new(),
            unsettled: BTreeSet::new(),
            under_sky: false,
            hour: LastHour::default(),
            prospects: VecDeque::new(),
            leaving: Vec::new(),
            tears: Vec::new(),
            torn: Vec::new(),
        }
    }

    /// Whether figures of a print may still change.
    pub(super) fn waits(&self, print: &Print) -> bool {
        !print.is_settled() || self.tears.iter().any(|&boot| print.span_over(boot).is_some())
    }

    /// What was remembered of the light is in other units from now on.
    pub(super) fn forget_levels(&mut self) {
        self.hour.forget();
        self.prospects.clear();
    }

    /// When the first in the queue will have its level, while light is seen.
    pub(super) fn crossing(&self) -> Option<Mono> {
        let &(level, ..) = self.queue.first()?;
        let at = self.integral.when(level.0)?;
        (at <= self.integral.seen_until()?).then_some(at)
    }

    /// When it will count as lost.
    pub(super) fn losing(&self) -> Option<Mono> {
        let after = LOST_AFTER_PERIODS * self.integral.period_s();
        (!self.lost).then(|| self.quiet_since.plus_seconds(after))
    }

    /// Gathers unseen steps that follow each other, and tells of them once
    /// light is seen again.
    pub(super) fn follow_gap(&mut self, id: SensorId, step: &Interval) -> Option<Output> {
        if step.is_unseen() {
            let (from, dose) = self.gap.unwrap_or((step.from(), Estimate::ZERO));
            self.gap = Some((from, dose.plus(step.added())));
            return None;
        }
        let (from, dose) = self.gap.take()?;
        Some(Output::Gap { sensor: id, from, to: step.from(), dose })
    }
}
