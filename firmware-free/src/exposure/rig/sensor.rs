//! What the rig keeps of each sensor: its integrals, and who waits for what of them.

use std::collections::{BTreeSet, VecDeque};

use super::super::print::{Integrals, Print, Steps};
use super::super::{FrameId, Output, SensorId};
use crate::chips::SensorFault;
use crate::light::{Estimate, Integral, Interval, Reading, Response, Unplaced};
use crate::outlook::LastHour;
use crate::quantity::{Dose, Mono};

/// No reading for this many periods: the sensor is lost.
const LOST_AFTER_PERIODS: f64 = 3.0;

#[derive(Debug)]
pub(super) struct Sensor {
    /// The plain one, and one for each other response that a print counts by.
    pub(super) tallies: Vec<Tally>,
    pub(super) last: Option<Reading>,
    /// Readings with the counts of the one before. They count once others come, and never if
    /// the chip turns out to be stuck.
    pub(super) held: Vec<Reading>,
    /// Nothing has been heard since then.
    pub(super) quiet_since: Mono,
    pub(super) lost: bool,
    pub(super) fault: Option<SensorFault>,
    /// An unseen stretch that may still go on.
    pub(super) gap: Option<(Mono, Estimate)>,
    /// Whether the gap that its first reading closes holds a boot that cannot be placed.
    pub(super) is_vague: bool,
    /// Whether its last step holds such a boot.
    pub(super) is_of_no_hour: bool,
    /// Frames with the cover off.
    pub(super) open: BTreeSet<FrameId>,
    /// Whether its light is measured against the sky.
    pub(super) under_sky: bool,
    /// The minute of the last reading that told nothing of the sky, counted on its clock.
    dim_minute: i64,
    /// How the light was in the last hour.
    pub(super) hour: LastHour,
    /// Boots of which it is not known how long ago they ended.
    pub(super) tears: Vec<Unplaced>,
    /// Those of them after which no light was seen yet.
    pub(super) torn: Vec<Unplaced>,
}

/// Where the plain tally is.
pub(super) const PLAIN: usize = 0;

/// An integral under a sensor, and who waits for what of it.
#[derive(Debug)]
pub(super) struct Tally {
    pub(super) integral: Integral,
    /// Its last step, which the next reading replaces.
    pub(super) step: Option<Interval>,
    /// Who wants attention at which level of the integral.
    pub(super) queue: BTreeSet<(Level, FrameId, Wants)>,
    /// Who is more than the `nearly` time away from the level it is due at.
    pub(super) far: BTreeSet<(Level, FrameId)>,
    /// Frames with figures that wait for the next reading.
    pub(super) unsettled: BTreeSet<FrameId>,
    /// Where the integral will stand when the sun is too low, as it looked in
    /// each of the last minutes.
    pub(super) prospects: VecDeque<(Dose, Mono)>,
    /// Prints that have left their frame, but wait for the next reading, or to be
    /// told how long the power was gone.
    pub(super) leaving: Vec<Print>,
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

impl Tally {
    pub(super) fn new(integral: Integral) -> Self {
        Self {
            integral,
            step: None,
            queue: BTreeSet::new(),
            far: BTreeSet::new(),
            unsettled: BTreeSet::new(),
            prospects: VecDeque::new(),
            leaving: Vec::new(),
        }
    }

    /// Whether the first in the queue has its level by the light seen.
    pub(super) fn is_reached(&self) -> bool {
        let reached = self.integral.knot().map_or(Dose::ZERO, |knot| knot.total.best);
        self.queue.first().is_some_and(|(level, ..)| level.0 <= reached)
    }

    /// When the first of those who are far from it will be within `nearly_s` of the level it is
    /// due at, while light is seen. A thousandth later, so that rounding does not matter.
    pub(super) fn nearing(&self, nearly_s: f64) -> Option<Mono> {
        let &(level, _) = self.far.first()?;
        let at = self.integral.when(level.0)?.plus_seconds(0.001 - nearly_s);
        (at <= self.integral.seen_until()?).then_some(at)
    }

    /// When the first in the queue will have its level, while light is seen.
    pub(super) fn crossing(&self) -> Option<Mono> {
        let &(level, ..) = self.queue.first()?;
        let at = self.integral.when(level.0)?;
        (at <= self.integral.seen_until()?).then_some(at)
    }
}

impl Sensor {
    /// A sensor that is first heard of at `now`.
    pub(super) fn new(integral: Integral, now: Mono) -> Self {
        Self {
            tallies: vec![Tally::new(integral)],
            last: None,
            held: Vec::new(),
            quiet_since: now,
            lost: false,
            fault: None,
            gap: None,
            is_vague: false,
            is_of_no_hour: false,
            open: BTreeSet::new(),
            under_sky: false,
            dim_minute: i64::MIN,
            hour: LastHour::default(),
            tears: Vec::new(),
            torn: Vec::new(),
        }
    }

    /// A print that was taken up counts from its beginning on: the power may have gone before
    /// the sensor's first reading was kept.
    pub(super) fn count_from(&mut self, tally: usize, begun: Option<Mono>) {
        let Some(begun) = begun else { return };
        self.tallies[PLAIN].integral.count_from(begun);
        self.tallies[tally].integral.count_from(begun);
    }

    /// Whether figures of a print may still change.
    pub(super) fn waits(&self, print: &Print) -> bool {
        !print.ended || !print.is_settled() || print.lies_over(&self.tears)
    }

    /// Whether a print that has left its frame, and still waits, lay under a lamp.
    pub(super) fn has_left_a_lamp(&self) -> bool {
        self.tallies.iter().any(|tally| tally.leaving.iter().any(|print| !print.sunlit))
    }

    /// The latest instant that it has seen something of.
    pub(super) fn seen_at(&self) -> Option<Mono> {
        self.held.last().map(|held| held.at).or(self.plain().knot().map(|knot| knot.at))
    }

    /// The integral of the plain dose.
    pub(super) fn plain(&self) -> &Integral {
        &self.tallies[PLAIN].integral
    }

    /// Where the tally of a response is. That of a print that came in may be gone;
    /// nothing of such a print waits, and the plain one does as well.
    pub(super) fn tally_of(&self, response: Response) -> usize {
        self.tallies.iter().position(|tally| tally.integral.response() == response).unwrap_or(PLAIN)
    }

    /// Makes a tally for a response unless it is there.
    pub(super) fn make_tally(&mut self, response: Response, total: Estimate) {
        if self.tallies[self.tally_of(response)].integral.response() != response {
            self.tallies.push(Tally::new(self.plain().answering(response, total)));
        }
    }

    /// What the figures of a tally's prints come from.
    pub(super) fn integrals(&self, tally: usize) -> Integrals<'_> {
        Integrals { own: &self.tallies[tally].integral, plain: self.plain() }
    }

    /// The last steps of the same.
    pub(super) fn steps(&self, tally: usize) -> Option<Steps> {
        Some(Steps { own: self.tallies[tally].step.clone()?, plain: self.tallies[PLAIN].step.clone()? })
    }

    /// What was remembered of the light is in other units from now on.
    pub(super) fn forget_levels(&mut self) {
        self.hour.forget();
        self.tallies.iter_mut().for_each(|tally| tally.prospects.clear());
    }

    /// When it will count as lost.
    pub(super) fn losing(&self) -> Option<Mono> {
        let after = LOST_AFTER_PERIODS * self.plain().period_s();
        (!self.lost).then(|| self.quiet_since.plus_seconds(after))
    }

    /// Whether a reading is the first of its minute.
    pub(super) fn is_another_minute(&mut self, at: Mono) -> bool {
        let minute = at.nanos().div_euclid(60_000_000_000);
        std::mem::replace(&mut self.dim_minute, minute) != minute
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
