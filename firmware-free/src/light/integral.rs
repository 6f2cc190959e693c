//! The running integral of one sensor: dose as best estimate, low and high.
//!
//! One integral serves every print under a sensor: a print's dose is the
//! difference of the integral at two instants, times its glass. The integral
//! is the trapezoid rule on the real instants of the readings, or for a
//! [`Response`] other than the plain one that of the same straight lines. Where light was
//! not seen (the sensor was silent, or at the end of its range) the three
//! figures part: `low` and `high` bound what may have fallen in.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::{Response, Seen, Tear};
use crate::quantity::{Dose, Irradiance, Mono};

/// A dose with what is not known of it: `low <= best <= high`.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Estimate {
    /// The most likely value.
    pub best: Dose,
    /// At least this much.
    pub low: Dose,
    /// At most this much.
    pub high: Dose,
}

impl Estimate {
    /// Nothing, for certain.
    pub const ZERO: Self = Self::certain(Dose::ZERO);

    /// A dose of which all was seen.
    #[must_use]
    pub const fn certain(dose: Dose) -> Self {
        Self { best: dose, low: dose, high: dose }
    }

    /// What came since `earlier` of the same integral. In a part of an unseen
    /// stretch the line of the best figure may leave the bounds, which follow the
    /// sky or time: they give way to it. Light takes nothing away, although the lower
    /// bound of a silence begins anew when a reading is too long ago.
    #[must_use]
    pub fn since(self, earlier: Self) -> Self {
        let best = (self.best - earlier.best).max(Dose::ZERO);
        let (low, high) = ((self.low - earlier.low).max(Dose::ZERO), self.high - earlier.high);
        Self { best, low: low.min(best), high: high.max(best) }
    }

    /// Figure by figure sum.
    #[must_use]
    pub fn plus(self, other: Self) -> Self {
        Self { best: self.best + other.best, low: self.low + other.low, high: self.high + other.high }
    }

    /// Each figure times a factor of zero or more (the glass of a frame).
    #[must_use]
    pub fn scaled(self, factor: f64) -> Self {
        Self { best: self.best * factor, low: self.low * factor, high: self.high * factor }
    }

    /// Whether some of it was not seen: low and high differ by more than
    /// rounding.
    #[must_use]
    pub fn is_open(self) -> bool {
        (self.high - self.low).j_m2() > 1e-9 * self.high.j_m2().abs()
    }
}

/// The mean irradiance of an unseen stretch lies between these.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GapRates {
    /// At least, in mean.
    pub low: Irradiance,
    /// At most, in mean.
    pub high: Irradiance,
    /// How far the bounds rise above their mean meanwhile: 1 where they are even.
    pub peak_over_mean: f64,
    /// What they follow in parts of the stretch that last as long as each other, in any unit;
    /// `None` where they are even.
    pub profile: Option<[f32; Self::PARTS]>,
}

/// Nothing under the sun exceeds the UV-A outside the atmosphere by much:
/// 85.505 W/m² in 315-400 nm (ASTM G173 extraterrestrial column, trapezoid).
/// A saturated reading is bounded by this, or by the part's end of range
/// raised by [`GapRates::ABOVE_CLEAR`] where that is more.
const BEYOND_THE_AIR: Irradiance = Irradiance::from_w_m2(85.505);

/// What a saturated reading may have been, whose lower bound is known.
pub(super) fn ceiling(at_least: Irradiance) -> Irradiance {
    BEYOND_THE_AIR.max(at_least * GapRates::ABOVE_CLEAR)
}

impl GapRates {
    /// Of the clear-sky model, the share that 98 % of minute means exceed or
    /// stay under: 0.10 to 1.20, from a month of one-minute UV-A at Payerne
    /// (BSRN, June 2016) against the model.
    pub const BELOW_CLEAR: f64 = 0.10;
    /// See [`Self::BELOW_CLEAR`].
    pub const ABOVE_CLEAR: f64 = 1.20;
    /// So many parts of a stretch have bounds of their own, each of them even: half an hour or so
    /// of a day that was not seen.
    pub const PARTS: usize = 32;

    /// Bounds that are as good for any part of the stretch as for the whole.
    #[must_use]
    pub const fn even(low: Irradiance, high: Irradiance) -> Self {
        Self { low, high, peak_over_mean: 1.0, profile: None }
    }

    /// The bounds under a sky whose clear irradiance in mean is known, and how far it
    /// rose above that.
    #[must_use]
    pub fn of_clear_sky(clear: Irradiance, peak_over_mean: f64) -> Self {
        let (low, high) = (clear * Self::BELOW_CLEAR, clear * Self::ABOVE_CLEAR);
        Self { peak_over_mean, ..Self::even(low, high) }
    }

    /// The bounds of what a stretch counts as, in mean. The mean of `E^p` is at most
    /// the power of the mean for p below 1, and at least that above (Jensen); and for
    /// light that nowhere exceeds k times its mean, the power of the mean times
    /// `k^(p-1)` bounds it from the other side, as it would be in flashes of that
    /// strength.
    pub(super) fn counted(self, response: &Response) -> (Irradiance, Irradiance) {
        let (low, high) = (response.rate(self.low), response.rate(self.high));
        let in_flashes = self.peak_over_mean.max(1.0).powf(response.exponent() - 1.0);
        (low * in_flashes.min(1.0), high * in_flashes.max(1.0))
    }
}

/// How bounds grow over an unseen stretch: the share of them at the end of each part. Kept apart,
/// for steps are many and few of them need it.
#[derive(Debug, Clone, PartialEq)]
struct Growth(Option<Arc<[f32; GapRates::PARTS]>>);

impl Growth {
    const EVEN: Self = Self(None);

    /// As the power of the profile grows. The bounds of the whole are wider than those of the
    /// power at each instant (Jensen), and so is each part of them.
    fn of(profile: [f32; GapRates::PARTS], response: &Response) -> Self {
        let mut sum = 0.0;
        let sums = profile.map(|w_m2| {
            sum += response.rate(Irradiance::from_w_m2(f64::from(w_m2))).w_m2();
            sum
        });
        if sum > 0.0 { Self(Some(Arc::new(sums.map(|part| (part / sum) as f32)))) } else { Self::EVEN }
    }

    /// The share of the bounds in a share of the time, from 0 to 1.
    fn at(&self, of_time: f64) -> f64 {
        let Some(ends) = &self.0 else { return of_time };
        let parts = of_time * GapRates::PARTS as f64;
        let part = (parts as usize).min(GapRates::PARTS - 1);
        let begin = if part == 0 { 0.0 } else { f64::from(ends[part - 1]) };
        begin + (f64::from(ends[part]) - begin) * (parts - part as f64)
    }

    /// The share of the time in which a share of the bounds comes: [`Self::at`] turned round.
    fn reaches(&self, share: f64) -> f64 {
        let Some(ends) = &self.0 else { return share };
        let part = ends.partition_point(|&end| f64::from(end) < share).min(GapRates::PARTS - 1);
        let begin = if part == 0 { 0.0 } else { f64::from(ends[part - 1]) };
        let grows = f64::from(ends[part]) - begin;
        let into = if grows > 0.0 { (share - begin) / grows } else { 0.0 };
        (part as f64 + into.clamp(0.0, 1.0)) / GapRates::PARTS as f64
    }
}

/// The last reading taken in, and the integral up to it. This is all that has
/// to be kept to go on later.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Knot {
    /// The instant of the reading.
    pub at: Mono,
    /// What it saw.
    pub seen: Seen,
    /// The integral up to `at`.
    pub total: Estimate,
}

/// Where an integral was left when the power or the process went.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeftOff {
    /// The last reading that was kept, and the integral there.
    pub knot: Knot,
    /// The greatest irradiance that may have been seen in the hour before it.
    pub brightest: Irradiance,
    /// Whether its light ended there: no line leads from it to the next reading, however
    /// soon that comes.
    pub is_cut: bool,
}

/// One step of the integral, from a reading to the next.
#[derive(Debug, Clone, PartialEq)]
pub struct Interval {
    from: Mono,
    to: Mono,
    e0: f64,
    e1: f64,
    start: Estimate,
    added: Estimate,
    sight: Sight,
    growth: Growth,
    response: Response,
}

/// How much of the light of a step was seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sight {
    /// All of it: it follows the straight line between the readings.
    Whole,
    /// It lies above that line, by nobody knows how much.
    Saturated,
    /// Its ends.
    Gap,
}

impl Interval {
    fn seen(from: Knot, to: Mono, e1: f64, response: Response) -> Self {
        let e0 = from.seen.lowest().w_m2();
        let added = Estimate::certain(Dose::from_j_m2(response.ramp(e0, e1, to.seconds_since(from.at))));
        Self {
            from: from.at,
            to,
            e0,
            e1,
            start: from.total,
            added,
            sight: Sight::Whole,
            growth: Growth::EVEN,
            response,
        }
    }

    /// A step of which something was not seen. The best figure is the straight
    /// line between its ends, kept inside the bounds.
    fn unseen(from: Knot, to: Mono, seen: Seen, rates: GapRates, response: Response) -> Self {
        let step = Self::seen(from, to, seen.lowest().w_m2(), response);
        let seconds = to.seconds_since(from.at);
        let (low, high) = rates.counted(&response);
        let low = low.over_seconds(seconds);
        let high = high.over_seconds(seconds).max(low);
        let best = step.added.best.max(low).min(high);
        let growth = rates.profile.map_or(Growth::EVEN, |profile| Growth::of(profile, &response));
        Self { added: Estimate { best, low, high }, sight: Sight::Gap, growth, ..step }
    }

    /// A step no longer than usual with a saturated end: the line between the
    /// readings is a lower bound.
    fn saturated(from: Knot, to: Mono, seen: Seen, response: Response) -> Self {
        let step = Self::seen(from, to, seen.lowest().w_m2(), response);
        let ceiling = response.rate(ceiling(from.seen.lowest().max(seen.lowest())));
        let line = step.added.best;
        let high = ceiling.over_seconds(to.seconds_since(from.at)).max(line);
        Self { added: Estimate { best: line, low: line, high }, sight: Sight::Saturated, ..step }
    }

    /// Whether some of the light in this step was not seen.
    #[must_use]
    pub const fn is_unseen(&self) -> bool {
        !matches!(self.sight, Sight::Whole)
    }

    /// The instant the step begins at.
    #[must_use]
    pub const fn from(&self) -> Mono {
        self.from
    }

    /// The instant the step ends at.
    #[must_use]
    pub const fn to(&self) -> Mono {
        self.to
    }

    /// What the step added.
    #[must_use]
    pub const fn added(&self) -> Estimate {
        self.added
    }

    /// The integral at an instant of the step (held at its ends).
    #[must_use]
    pub fn total_at(&self, at: Mono) -> Estimate {
        let h = self.to.seconds_since(self.from);
        let tau = at.seconds_since(self.from).clamp(0.0, h);
        if tau <= 0.0 || h <= 0.0 {
            return self.start;
        }
        // Share of the straight line's area up to tau; of bounds, of what they follow.
        let line = self.response.ramp(self.e0, self.e1, h);
        let part = self.response.part_of_ramp(self.e0, self.e1, h, tau);
        let grown = self.growth.at(tau / h);
        let share = if line > 0.0 { (part / line).clamp(0.0, 1.0) } else { grown };
        let best = self.added.best * share;
        // Not held to the best figure here: a difference of two of these has to bound
        // what fell between them.
        let part = match self.sight {
            Sight::Whole => Estimate::certain(best),
            Sight::Saturated => Estimate { best, low: best, high: self.added.high * grown },
            Sight::Gap => Estimate { best, low: self.added.low * grown, high: self.added.high * grown },
        };
        self.start.plus(part)
    }

    /// The instant at which the best figure reaches `level`; `None` outside the step.
    /// Solved in closed form: see [`Response`].
    #[must_use]
    pub fn crossing(&self, level: Dose) -> Option<Mono> {
        let wanted = (level - self.start.best).j_m2();
        let added = self.added.best.j_m2();
        if wanted <= 0.0 {
            return (wanted == 0.0).then_some(self.from);
        }
        if wanted > added {
            return None;
        }
        let h = self.to.seconds_since(self.from);
        let line = self.response.ramp(self.e0, self.e1, h);
        if line <= 0.0 {
            // Bounds alone gave this dose, and it grew as they do.
            return Some(self.from.plus_seconds(h * self.growth.reaches(wanted / added)));
        }
        let tau = self.response.reaches(self.e0, self.e1, h, wanted * line / added);
        Some(self.from.plus_seconds(tau.min(h)))
    }
}

/// The running integral of a sensor for one [`Response`].
#[derive(Debug, Clone)]
pub struct Integral {
    response: Response,
    knot: Option<Knot>,
    /// Where counting began before there was a reading.
    origin: Option<Mono>,
    period_s: f64,
    /// Light that is not taken in yet has stayed at that of the last reading up to here.
    held_until: Option<Mono>,
    recent: RecentMax,
    /// The boot of the last reading cannot be placed on this clock: nothing is
    /// known of the light since, however short ago it seems.
    is_torn: bool,
    /// See [`LeftOff::is_cut`].
    is_cut: bool,
}

/// Beyond this many sample periods without a reading, light counts as unseen.
pub const LONGEST_STEP_PERIODS: f64 = 1.5;

impl Integral {
    /// An integral that expects a reading every `period_s` seconds (above zero).
    #[must_use]
    pub fn new(period_s: f64) -> Self {
        Self {
            response: Response::PLAIN,
            knot: None,
            origin: None,
            period_s,
            held_until: None,
            recent: RecentMax::default(),
            is_torn: false,
            is_cut: false,
        }
    }

    /// The same light for another response, counted on from `total` at the last reading.
    #[must_use]
    pub fn answering(&self, response: Response, total: Estimate) -> Self {
        Self { response, knot: self.knot.map(|knot| Knot { total, ..knot }), ..self.clone() }
    }

    /// What it answers to.
    #[must_use]
    pub const fn response(&self) -> Response {
        self.response
    }

    /// Goes on from where it was left: what came in between is a gap.
    #[must_use]
    pub fn resumed(period_s: f64, left_off: LeftOff) -> Self {
        let LeftOff { knot, brightest, is_cut } = left_off;
        let mut recent = RecentMax::default();
        recent.take(knot.at, knot.seen.highest().max(brightest).w_m2());
        Self { knot: Some(knot), recent, is_cut, ..Self::new(period_s) }
    }

    /// What it goes on from belongs to a boot that cannot be placed: no line of
    /// light leads from there to the next reading.
    pub fn tear(&mut self) {
        self.is_torn = true;
    }

    /// Whether the next reading closes a tear.
    #[must_use]
    pub const fn is_torn(&self) -> bool {
        self.is_torn
    }

    /// The tear that a reading closes which is now to be taken in.
    #[must_use]
    pub fn tear_before(&self, to: Mono, found: Seen) -> Option<Tear> {
        let (from, left, greatest) = match self.knot {
            Some(knot) => (knot.at, knot.seen, Irradiance::from_w_m2(self.recent.greatest())),
            None => (self.origin?, found, ceiling(found.lowest())),
        };
        let greatest = greatest.max(left.lowest()).max(found.lowest());
        (self.is_torn && from < to).then_some(Tear { from, left, to, found, greatest })
    }

    /// The last reading and the integral there.
    #[must_use]
    pub const fn knot(&self) -> Option<Knot> {
        self.knot
    }

    /// The same, to be kept for later; `None` while its instant is not known on
    /// this clock.
    #[must_use]
    pub fn knot_to_keep(&self) -> Option<Knot> {
        self.knot.filter(|_| !self.is_torn)
    }

    /// The expected time between readings, in seconds.
    #[must_use]
    pub const fn period_s(&self) -> f64 {
        self.period_s
    }

    /// The instant after which light counts as unseen unless a reading comes.
    #[must_use]
    pub fn seen_until(&self) -> Option<Mono> {
        let knot = self.knot?;
        Some(self.held_until.unwrap_or(knot.at).plus_seconds(self.longest_step_s()))
    }

    /// Readings up to `at` have the light of the last one and are to be taken in later, if they
    /// turn out to be true; [`Integral::take`] or [`Integral::drop_held`] ends that.
    pub fn hold_until(&mut self, at: Mono) {
        self.held_until = Some(at);
    }

    /// The light since the last reading was not seen after all.
    pub fn drop_held(&mut self) {
        self.held_until = None;
    }

    fn longest_step_s(&self) -> f64 {
        if self.is_torn || self.is_cut { 0.0 } else { LONGEST_STEP_PERIODS * self.period_s }
    }

    /// Takes in a reading later than all before it and returns the step it
    /// closes, `None` when there is nothing before it. `sky` tells the bounds
    /// of an unseen stretch where a clear-sky model is at hand; without one
    /// they are zero to the greatest irradiance of the hour before it, and
    /// before any reading to what the sun gives outside the air.
    ///
    /// A reading that is not later than the last is ignored.
    pub fn take(
        &mut self,
        at: Mono,
        seen: Seen,
        sky: impl FnOnce(Mono, Mono) -> Option<GapRates>,
    ) -> Option<Interval> {
        self.held_until = None;
        let e1 = seen.lowest().w_m2();
        let from = match self.knot {
            Some(knot) if knot.at >= at => return None,
            Some(knot) => knot,
            // No reading yet. If somebody counts already, the first value is
            // the best there is for the time before it.
            None => Knot { at: self.origin.take().unwrap_or(at), seen, total: Estimate::ZERO },
        };
        if from.at >= at {
            self.recent.take(at, seen.highest().w_m2());
            self.knot = Some(Knot { at, ..from });
            self.is_torn = false;
            return None;
        }
        // Before the first reading nothing was seen, however soon that comes.
        let usual = self.knot.is_some() && at.seconds_since(from.at) <= self.longest_step_s();
        (self.is_torn, self.is_cut) = (false, false);
        // Of the hour before a gap, however long that was.
        let greatest = match self.knot {
            Some(_) => self.recent.greatest(),
            None => ceiling(seen.lowest()).w_m2(),
        };
        self.recent.take(at, seen.highest().w_m2());
        let response = self.response;
        let step = match (usual, from.seen, seen) {
            (true, Seen::Exactly(_), Seen::Exactly(_)) => Interval::seen(from, at, e1, response),
            (true, _, _) => Interval::saturated(from, at, seen, response),
            (false, _, _) => {
                let unseen = || GapRates::even(Irradiance::ZERO, Self::most(greatest, from.seen, seen));
                let rates = sky(from.at, at).unwrap_or_else(unseen);
                Interval::unseen(from, at, seen, rates, response)
            }
        };
        self.knot = Some(Knot { at, seen, total: from.total.plus(step.added) });
        Some(step)
    }

    /// The most that may have fallen in a gap between two readings.
    pub(super) fn most(greatest: f64, from: Seen, to: Seen) -> Irradiance {
        Irradiance::from_w_m2(greatest).max(from.highest()).max(to.highest())
    }

    /// The integral at `at`, at or after the last reading: the last irradiance
    /// is held for at most [`LONGEST_STEP_PERIODS`]; beyond that nothing is seen,
    /// and since the last reading anything from darkness to the greatest
    /// irradiance of the last hour may have been. Before any reading it begins
    /// to count, and up to what the sun gives outside the air may have been.
    pub fn project(&mut self, at: Mono) -> Estimate {
        self.count_from(at);
        self.peek(at)
    }

    /// As [`Self::project`], without beginning to count.
    #[must_use]
    pub fn peek(&self, at: Mono) -> Estimate {
        let Some(knot) = self.knot else { return self.before_any_reading(at) };
        let ahead = at.seconds_since(knot.at).max(0.0);
        let held_s = self.held_until.map_or(0.0, |until| until.seconds_since(knot.at));
        let sure_s = held_s + self.longest_step_s();
        let held = self.rate(knot.seen).over_seconds(ahead.min(sure_s));
        if ahead <= sure_s {
            return knot.total.plus(Estimate::certain(held));
        }
        let most = self.response.rate(Self::most(self.recent.greatest(), knot.seen, knot.seen));
        knot.total.plus(Estimate { best: held, low: Dose::ZERO, high: most.over_seconds(ahead) })
    }

    fn before_any_reading(&self, at: Mono) -> Estimate {
        let Some(origin) = self.origin else { return Estimate::ZERO };
        let most = self.response.rate(BEYOND_THE_AIR);
        Estimate { high: most.over_seconds(at.seconds_since(origin).max(0.0)), ..Estimate::ZERO }
    }

    /// Somebody counts from `at` on, which may lie back: if no reading has come
    /// yet, the time from there to the first one counts as unseen.
    pub fn count_from(&mut self, at: Mono) {
        if self.knot.is_none() {
            self.origin = Some(self.origin.map_or(at, |origin| origin.min(at)));
        }
    }

    /// What it grows by each second in the light of the last reading; `None` before one.
    #[must_use]
    pub fn pace(&self) -> Option<Irradiance> {
        self.knot.map(|knot| self.rate(knot.seen))
    }

    fn rate(&self, seen: Seen) -> Irradiance {
        self.response.rate(seen.lowest())
    }

    /// When the best figure reaches `level` if the last irradiance stays;
    /// `None` in the dark or before a reading.
    #[must_use]
    pub fn when(&self, level: Dose) -> Option<Mono> {
        let knot = self.knot?;
        let rate = self.rate(knot.seen).w_m2();
        let wanted = (level - knot.total.best).j_m2();
        if wanted <= 0.0 {
            return Some(knot.at);
        }
        let seconds = wanted / rate;
        // A wait of ten years is "never"; it also keeps Mono in range.
        (seconds < 3.2e8).then(|| knot.at.plus_seconds(seconds))
    }
}

/// The greatest irradiance of the last hour, kept as sixty minute maxima.
#[derive(Debug, Clone)]
struct RecentMax {
    minutes: [f64; Self::MINUTES],
    newest: i64,
}

impl Default for RecentMax {
    fn default() -> Self {
        Self { minutes: [0.0; Self::MINUTES], newest: i64::MIN }
    }
}

impl RecentMax {
    const MINUTES: usize = 60;

    fn take(&mut self, at: Mono, w_m2: f64) {
        let minute = at.nanos().div_euclid(60_000_000_000);
        if minute != self.newest {
            let stale = minute.saturating_sub(self.newest).clamp(0, Self::MINUTES as i64);
            for back in 0..stale {
                self.minutes[Self::slot(minute - back)] = 0.0;
            }
            self.newest = minute;
        }
        let slot = &mut self.minutes[Self::slot(minute)];
        *slot = slot.max(w_m2);
    }

    fn slot(minute: i64) -> usize {
        minute.rem_euclid(Self::MINUTES as i64) as usize
    }

    fn greatest(&self) -> f64 {
        self.minutes.iter().fold(0.0, |most, &m| m.max(most))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn exactly(w_m2: f64) -> Seen {
        Seen::Exactly(Irradiance::from_w_m2(w_m2))
    }

    fn at(seconds: f64) -> Mono {
        Mono::from_seconds(seconds)
    }

    fn no_sky(_: Mono, _: Mono) -> Option<GapRates> {
        None
    }

    fn step(e0: f64, e1: f64, h: f64) -> Interval {
        let mut integral = Integral::new(h);
        integral.take(at(0.0), exactly(e0), no_sky);
        integral.take(at(h), exactly(e1), no_sky).unwrap()
    }

    #[test]
    fn crossing_is_solved_exactly() {
        // (dose so far, E0 -> E1, h, target) and seconds into the interval.
        // 0.375 and 0.5 by hand; 36.602540378 = 60 (sqrt(3) - 1) / 1.2 solved
        // with scipy.optimize.brentq.
        for (so_far, e0, e1, h, target, expected) in [
            (14_985.0, 40.0, 40.0, 1.0, 15_000.0, 0.375),
            (14_980.0, 50.0, 10.0, 1.0, 15_000.0, 0.5),
            (14_000.0, 20.0, 44.0, 60.0, 15_000.0, 36.602_540_378),
        ] {
            let due = step(e0, e1, h).crossing(Dose::from_j_m2(target - so_far)).unwrap();
            assert!((due.seconds() - expected).abs() < 2e-9, "{} {expected}", due.seconds());
        }
        assert_eq!(step(40.0, 40.0, 1.0).crossing(Dose::from_j_m2(40.1)), None);
    }

    #[test]
    fn gap_bounds_follow_the_clear_sky() {
        // Clear 45 W/m², bounds 0.10 and 1.20, by hand.
        for (e0, e1, h, best, low, high) in
            [(40.0, 40.0, 120.0, 4800.0, 540.0, 6480.0), (40.0, 10.0, 300.0, 7500.0, 1350.0, 16_200.0)]
        {
            let mut integral = Integral::new(1.0);
            integral.take(at(0.0), exactly(e0), no_sky);
            let sky = |_, _| Some(GapRates::of_clear_sky(Irradiance::from_w_m2(45.0), 1.0));
            let gap = integral.take(at(h), exactly(e1), sky).unwrap();
            let added = gap.added();
            for (got, expected) in [(added.best, best), (added.low, low), (added.high, high)] {
                assert!((got.j_m2() - expected).abs() < 1e-9, "{got:?} {expected}");
            }
            assert!(gap.is_unseen());
        }
    }

    #[test]
    fn a_gap_without_a_sky_is_bounded_by_the_last_hour() {
        let mut integral = Integral::new(1.0);
        integral.take(at(0.0), exactly(30.0), no_sky);
        integral.take(at(1.0), exactly(50.0), no_sky);
        let gap = integral.take(at(101.0), exactly(10.0), no_sky).unwrap().added();
        assert_eq!((gap.low.j_m2(), gap.best.j_m2(), gap.high.j_m2()), (0.0, 3000.0, 5000.0));
        // An hour later the 50 is forgotten.
        for second in 102..3_800 {
            integral.take(at(f64::from(second)), exactly(10.0), no_sky);
        }
        let gap = integral.take(at(3_899.0), exactly(10.0), no_sky).unwrap().added();
        assert_eq!(gap.high.j_m2(), 1000.0);
    }

    #[test]
    fn a_gap_is_bounded_by_the_hour_before_it() {
        let mut integral = Integral::new(1.0);
        integral.take(at(0.0), exactly(50.0), no_sky);
        integral.take(at(1.0), exactly(10.0), no_sky);
        let gap = integral.take(at(7_201.0), exactly(10.0), no_sky).unwrap().added();
        assert_eq!(gap.high.j_m2(), 360_000.0);
        // And so it is after a restart.
        let knot = Knot { at: at(1.0), seen: exactly(10.0), total: Estimate::ZERO };
        let brightest = Irradiance::from_w_m2(50.0);
        let left_off = LeftOff { knot, brightest, is_cut: false };
        let mut again = Integral::resumed(1.0, left_off);
        assert_eq!(again.take(at(101.0), exactly(10.0), no_sky).unwrap().added().high.j_m2(), 5_000.0);
        // Where it was left nobody knows when, even a short step is a gap.
        let mut torn = Integral::resumed(1.0, left_off);
        torn.tear();
        // Nor does a line lead from a light that ended.
        let cut = Integral::resumed(1.0, LeftOff { is_cut: true, ..left_off });
        for mut broken in [torn, cut] {
            assert_eq!((broken.peek(at(1.5)).best, broken.seen_until()), (Dose::ZERO, Some(at(1.0))));
            let step = broken.take(at(2.0), exactly(10.0), no_sky).unwrap();
            assert_eq!((step.added().low.j_m2(), step.added().high.j_m2()), (0.0, 50.0));
            assert_eq!(broken.seen_until(), Some(at(3.5)));
        }
    }

    #[test]
    fn a_gap_after_saturated_readings_is_bounded_by_what_those_may_have_been() {
        let bound = Seen::AtLeast(Irradiance::from_w_m2(60.0));
        let mut integral = Integral::new(1.0);
        integral.take(at(0.0), bound, no_sky);
        // A gap that has not ended is no better known than one that has.
        assert_eq!(integral.peek(at(10.0)).high.j_m2(), 855.05);
        integral.take(at(1.0), exactly(50.0), no_sky);
        let gap = integral.take(at(11.0), exactly(50.0), no_sky).unwrap().added();
        assert_eq!((gap.low.j_m2(), gap.best.j_m2(), gap.high.j_m2()), (0.0, 500.0, 855.05));
    }

    #[test]
    fn a_gap_at_a_saturated_reading_is_bounded_by_what_that_may_have_been() {
        let mut integral = Integral::new(1.0);
        integral.take(at(0.0), exactly(20.0), no_sky);
        let bound = Seen::AtLeast(Irradiance::from_w_m2(60.0));
        let gap = integral.take(at(10.0), bound, no_sky).unwrap().added();
        assert_eq!((gap.low.j_m2(), gap.best.j_m2(), gap.high.j_m2()), (0.0, 400.0, 855.05));
    }

    #[test]
    fn the_lower_bound_within_a_step_from_a_saturated_reading_follows_the_line() {
        let mut integral = Integral::new(10.0);
        integral.take(at(0.0), Seen::AtLeast(Irradiance::from_w_m2(1.0)), no_sky);
        let step = integral.take(at(10.0), exactly(61.0), no_sky).unwrap();
        // If it was 1 W/m², the light rose to 31 in the first half: 80 of 310 J/m² fell then.
        let half = step.total_at(at(5.0));
        assert!((half.low.j_m2() - 80.0).abs() < 1e-9, "{half:?}");
        assert!((half.best.j_m2() - 80.0).abs() < 1e-9 && half.high.j_m2() > 400.0, "{half:?}");
        let rest = step.total_at(at(10.0)).since(half);
        assert!((rest.low.j_m2() - 230.0).abs() < 1e-9, "{rest:?}");
    }

    #[test]
    fn a_silence_takes_no_light_away() {
        let mut integral = Integral::new(1.0);
        integral.take(at(0.0), exactly(40.0), no_sky);
        // Uncovered within the time that the last light is held for; then nothing came.
        let uncovered = integral.peek(at(1.2));
        let dose = integral.peek(at(10.0)).since(uncovered);
        assert!(dose.low == Dose::ZERO && (dose.best.j_m2() - 12.0).abs() < 1e-9, "{dose:?}");
        assert!((dose.high.j_m2() - 352.0).abs() < 1e-9, "{dose:?}");
    }

    #[test]
    fn a_saturated_reading_is_a_lower_bound() {
        let mut integral = Integral::new(1.0);
        integral.take(at(0.0), exactly(50.0), no_sky);
        let bound = Seen::AtLeast(Irradiance::from_w_m2(60.0));
        let step = integral.take(at(1.0), bound, no_sky).unwrap().added();
        assert_eq!((step.low.j_m2(), step.best.j_m2(), step.high.j_m2()), (55.0, 55.0, 85.505));
    }

    #[test]
    fn counting_before_the_first_reading_is_a_gap() {
        let mut integral = Integral::new(1.0);
        assert_eq!(integral.project(at(0.0)), Estimate::ZERO);
        let gap = integral.take(at(10.0), exactly(20.0), no_sky).unwrap();
        assert_eq!((gap.added().low.j_m2(), gap.added().best.j_m2()), (0.0, 200.0));
    }

    #[test]
    fn projection_holds_the_last_light_for_a_period_and_a_half() {
        let mut integral = Integral::new(1.0);
        integral.take(at(0.0), exactly(40.0), no_sky);
        assert_eq!(integral.peek(at(1.0)), Estimate::certain(Dose::from_j_m2(40.0)));
        let blind = integral.peek(at(10.0));
        assert_eq!((blind.best.j_m2(), blind.low.j_m2(), blind.high.j_m2()), (60.0, 0.0, 400.0));
        assert_eq!(integral.when(Dose::from_j_m2(400.0)), Some(at(10.0)));
        integral.take(at(11.0), exactly(0.0), no_sky);
        assert_eq!(integral.when(Dose::from_j_m2(4000.0)), None);
    }

    fn series() -> impl Strategy<Value = Vec<(f64, f64)>> {
        prop::collection::vec((0.05f64..5.0, 0.0f64..80.0), 2..60)
    }

    proptest! {
        #[test]
        fn dose_never_falls_and_stays_between_its_bounds(
            steps in series(), clear in prop::option::of(0.0f64..60.0),
        ) {
            let mut integral = Integral::new(1.0);
            let (mut t, mut last) = (0.0, Estimate::ZERO);
            for (dt, e) in steps {
                t += dt;
                let sky = |_, _| clear.map(|e| GapRates::of_clear_sky(Irradiance::from_w_m2(e), 1.0));
                if let Some(step) = integral.take(at(t), exactly(e), sky) {
                    let middle = step.total_at(at(t - dt / 3.0));
                    prop_assert!(middle.best >= last.best && middle.low >= last.low);
                    let total = integral.knot().unwrap().total;
                    prop_assert!(total.best >= middle.best && total.high >= middle.high);
                    for part in [total, middle.since(last), total.since(middle)] {
                        prop_assert!(part.low <= part.best && part.best <= part.high, "{part:?}");
                    }
                    last = total;
                }
            }
        }

        #[test]
        fn any_part_of_a_gap_is_bounded(
            e0 in 0.0f64..54.0, e1 in 0.0f64..54.0, share in prop::array::uniform2(0.0f64..1.0),
            true_w_m2 in 4.5f64..54.0,
        ) {
            // Clear 45 W/m²: the bounds are 4.5 and 54, and what fell was even.
            let mut integral = Integral::new(1.0);
            integral.take(at(0.0), exactly(e0), no_sky);
            let sky = |_, _| Some(GapRates::of_clear_sky(Irradiance::from_w_m2(45.0), 1.0));
            let gap = integral.take(at(120.0), exactly(e1), sky).unwrap();
            let (from, to) = (120.0 * share[0].min(share[1]), 120.0 * share[0].max(share[1]));
            let part = gap.total_at(at(to)).since(gap.total_at(at(from)));
            let fell = true_w_m2 * (to - from);
            prop_assert!(part.low.j_m2() <= fell + 1e-6 && fell <= part.high.j_m2() + 1e-6, "{part:?} {fell}");
        }

        #[test]
        fn a_part_of_a_day_that_was_not_seen_is_bounded_by_its_own_sky(
            share in prop::array::uniform2(0.0f64..1.0), of_clear in 0.12f64..1.1, exponent in 0.6f64..1.5,
        ) {
            // Fourteen hours from dawn to dusk, the clear sky a sine of 45 W/m².
            let (from, to) = (share[0].min(share[1]), share[0].max(share[1]));
            prop_assume!(to - from > 0.1);
            let hours = 14.0 * 3600.0;
            let clear = |share: f64| 45.0 * (std::f64::consts::PI * share).sin();
            let parts = GapRates::PARTS as f64;
            let profile = std::array::from_fn(|part| clear((part as f64 + 0.5) / parts) as f32);
            let sky = |_, _| Some(GapRates {
                profile: Some(profile),
                ..GapRates::of_clear_sky(
                    Irradiance::from_w_m2(45.0 * std::f64::consts::FRAC_2_PI),
                    std::f64::consts::FRAC_PI_2,
                )
            });
            let response = Response::new(exponent, Irradiance::from_w_m2(20.0)).unwrap();
            let mut integral = Integral::new(1.0).answering(response, Estimate::ZERO);
            integral.take(at(0.0), exactly(0.0), no_sky);
            let gap = integral.take(at(hours), exactly(0.0), sky).unwrap();
            let part = gap.total_at(at(hours * to)).since(gap.total_at(at(hours * from)));
            let steps = 2000;
            let middle = |n: i32| from + (to - from) * (f64::from(n) + 0.5) / f64::from(steps);
            let rate = |n| response.rate(Irradiance::from_w_m2(of_clear * clear(middle(n)))).w_m2();
            let fell = (0..steps).map(rate).sum::<f64>() / f64::from(steps) * hours * (to - from);
            prop_assert!(part.low.j_m2() <= fell && fell <= part.high.j_m2(), "{part:?} {fell}");
        }

        #[test]
        fn a_dose_of_bounds_alone_is_crossed_where_it_has_grown_so_far(share in 0.0f64..1.0) {
            // Dark at both ends of a day: all there is comes from the sky.
            let profile = std::array::from_fn(|part| (part as f32 - 12.0).max(0.0));
            let even = GapRates::of_clear_sky(Irradiance::from_w_m2(20.0), 2.0);
            let sky = |_, _| Some(GapRates { profile: Some(profile), ..even });
            let mut integral = Integral::new(1.0);
            integral.take(at(0.0), exactly(0.0), no_sky);
            let gap = integral.take(at(50_000.0), exactly(0.0), sky).unwrap();
            let level = gap.added().best * share;
            let due = gap.crossing(level).unwrap();
            prop_assert!((gap.total_at(due).best - level).j_m2().abs() < 1e-3, "{due:?}");
            prop_assert!(share < 1e-6 || due.seconds() > 50_000.0 * 12.0 / 32.0);
        }

        #[test]
        fn splitting_a_step_changes_nothing(e0 in 0.0f64..80.0, e1 in 0.0f64..80.0, share in 0.01f64..0.99) {
            let whole = step(e0, e1, 1.0);
            let mut split = Integral::new(1.0);
            split.take(at(0.0), exactly(e0), no_sky);
            split.take(at(share), exactly(e0 + (e1 - e0) * at(share).seconds()), no_sky);
            let part = split.knot().unwrap().total.best.j_m2();
            split.take(at(1.0), exactly(e1), no_sky);
            let total = split.knot().unwrap().total.best.j_m2();
            prop_assert!((total - whole.added().best.j_m2()).abs() < 1e-9);
            prop_assert!((part - whole.total_at(at(share)).best.j_m2()).abs() < 1e-9);
        }

        #[test]
        fn crossing_and_total_are_inverse(e0 in 0.0f64..80.0, e1 in 0.0f64..80.0, share in 0.0f64..1.0) {
            let step = step(e0, e1, 60.0);
            let level = step.added().best * share;
            let due = step.crossing(level).unwrap();
            // A nanosecond of rounding at up to 80 W/m².
            prop_assert!((step.total_at(due).best.j_m2() - level.j_m2()).abs() < 1e-6);
        }
    }
}
