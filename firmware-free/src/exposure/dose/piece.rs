//! The light of a sensor in pieces, from one reading or switch of a lamp to the next, and
//! what fell in a part of one.

use std::collections::VecDeque;

use crate::light::{LONGEST_STEP_PERIODS, Response, Seen};
use crate::quantity::{Irradiance, Mono};
use crate::time::{Boot, Clocks, Stamp, elapsed};

use super::lamps::Lamps;
use super::sample::Sample;
use super::sky::{Sky, SkyBounds};
use super::tally::Tally;

/// Under a lamp no light that was not seen is brighter than this share of what was
/// [common practice: a lamp that burns steadily varies by less with the mains].
const ABOVE_STEADY: f64 = 1.05;
/// How far back the brightest light says what may come, in seconds.
const HOUR_S: f64 = 3600.0;
const MINUTE_NS: i64 = 60_000_000_000;

/// What every dose depends on beside the light and the print.
#[derive(Debug, Clone, Copy)]
pub struct Facts<'a> {
    /// The clocks of the boots.
    pub clocks: &'a Clocks,
    /// The sky over the sensor.
    pub sky: &'a Sky,
    /// The lamps over it.
    pub lamps: &'a Lamps,
}

/// The brightest light of each minute of the last hour of a sensor.
#[derive(Debug, Clone, Default)]
struct LastHour(VecDeque<(Stamp, Irradiance)>);

impl LastHour {
    fn take(&mut self, clocks: &Clocks, at: Stamp, light: Irradiance) {
        // The end of its minute: what it saw may have come as late as that.
        let minute = at.at.nanos().div_euclid(MINUTE_NS) + 1;
        let end = Stamp { at: Mono::from_nanos(minute * MINUTE_NS), ..at };
        match self.0.back_mut() {
            Some((last, most)) if *last == end => *most = most.max(light),
            _ => {
                while self.0.front().is_some_and(|&(oldest, _)| !is_within_hour(clocks, oldest, at)) {
                    self.0.pop_front();
                }
                self.0.push_back((end, light));
            }
        }
    }

    /// The brightest light of the hour before an instant; `None` without any.
    fn brightest(&self, clocks: &Clocks, at: Stamp) -> Option<Irradiance> {
        let minutes = self.0.iter().filter(|&&(end, _)| is_within_hour(clocks, end, at));
        minutes.map(|&(_, light)| light).reduce(Irradiance::max)
    }
}

fn is_within_hour(clocks: &Clocks, from: Stamp, to: Stamp) -> bool {
    elapsed(clocks, from, to).low <= HOUR_S
}

/// What was seen of a sensor's light up to its last reading.
#[derive(Debug, Clone, Default)]
pub(super) struct SeenLight {
    last: Option<Sample>,
    /// Whether light was lost since the last reading.
    is_lost: bool,
    hour: LastHour,
}

/// A piece of time in which light is known in one way.
#[derive(Debug, Clone, Copy)]
pub(super) struct Piece {
    /// `None` before the first reading: such a piece has no begin of its own.
    from: Option<Stamp>,
    to: Stamp,
    /// The readings at its ends. Where one is missing the light is held from the other.
    ends: [Option<Sample>; 2],
    /// Whether its light was seen; else it is a gap.
    is_seen: bool,
    /// Until when the last light is held, where no reading has come since.
    held_until: Option<Stamp>,
}

impl SeenLight {
    /// So long before an instant light has a say in what comes after it, in seconds: the hour
    /// before it to the minute, and a little more.
    pub(super) const REACHES_BACK_S: f64 = HOUR_S + 120.0;

    /// The last reading.
    pub(super) const fn last(&self) -> Option<&Sample> {
        self.last.as_ref()
    }

    /// Whether a sample is a reading that light is known by. What is none is noted.
    pub(super) fn admit(&mut self, facts: Facts<'_>, sample: &Sample) -> bool {
        if sample.seen.is_none() {
            self.is_lost = true;
            let most = facts.lamps.highest(sample.at, Seen::AtLeast(Irradiance::ZERO));
            self.hour.take(facts.clocks, sample.at, most);
        }
        sample.seen.is_some() && !facts.lamps.is_spanned_by(sample)
    }

    /// Takes in a reading that was admitted.
    pub(super) fn take(&mut self, facts: Facts<'_>, reading: &Sample) {
        debug_assert!(self.last.is_none_or(|last| last.at < reading.at), "readings rise");
        if let Some(seen) = reading.seen {
            self.hour.take(facts.clocks, reading.at, facts.lamps.highest(reading.at, seen));
        }
        self.last = Some(*reading);
        self.is_lost = false;
    }

    /// The pieces from the last reading to the next.
    pub(super) fn pieces_to<'a>(
        &'a self,
        facts: Facts<'a>,
        next: &'a Sample,
    ) -> impl Iterator<Item = Piece> + 'a {
        self.pieces(facts, next.at, Some(*next))
    }

    /// The pieces from the last reading up to an instant before the next.
    pub(super) fn pieces_until<'a>(
        &'a self,
        facts: Facts<'a>,
        at: Stamp,
    ) -> impl Iterator<Item = Piece> + 'a {
        self.pieces(facts, at, None)
    }

    fn pieces<'a>(
        &'a self,
        facts: Facts<'a>,
        to: Stamp,
        next: Option<Sample>,
    ) -> impl Iterator<Item = Piece> + 'a {
        let begins = self.last.map(|last| last.at);
        let ever = Stamp::new(Boot(i64::MIN), Mono::from_nanos(i64::MIN));
        let edges = facts.lamps.edges(begins.unwrap_or(ever), to);
        (0..=edges.len()).map(move |index| {
            let from = index.checked_sub(1).map_or(begins, |before| Some(edges[before]));
            let (is_first, is_last) = (index == 0, index == edges.len());
            let ends = [self.last.filter(|_| is_first), next.filter(|_| is_last)];
            let to = edges.get(index).copied().unwrap_or(to);
            let longest_s = self.last.map_or(0.0, |last| LONGEST_STEP_PERIODS * f64::from(last.period_s));
            let is_short = from.is_some_and(|from| from.boot == to.boot && seconds(from, to) <= longest_s);
            let is_seen = is_short && !self.is_lost && ends.iter().any(Option::is_some);
            let held_until = self.last.filter(|_| next.is_none());
            let held_until =
                held_until.map(|last| Stamp { at: last.at.at.plus_seconds(longest_s), ..last.at });
            Piece { from, to, ends, is_seen, held_until }
        })
    }

    /// The most that there may be at any instant of a gap.
    fn most(&self, facts: Facts<'_>, piece: &Piece, begin: Stamp) -> Irradiance {
        let lamps = facts.lamps;
        let of_end = |end: Sample| Some(lamps.highest(end.at, end.seen?));
        let ends = piece.ends.into_iter().flatten().filter_map(of_end).reduce(Irradiance::max);
        let hour = self.last.and_then(|last| self.hour.brightest(facts.clocks, last.at));
        let is_sky_alone = lamps.is_sky_alone(begin, piece.to);
        let ends = if is_sky_alone { ends } else { ends.map(|light| light * ABOVE_STEADY) };
        match (ends, hour) {
            // The lamp burned all the time or not at all: a switch would have ended the piece.
            (Some(ends), _) if lamps.is_switched(begin, piece.to) => ends,
            (Some(ends), Some(hour)) => hour.max(ends),
            (None, Some(hour)) if is_sky_alone => hour,
            (ends, hour) => {
                let seen = ends.into_iter().chain(hour).fold(Irradiance::ZERO, Irradiance::max);
                lamps.highest(begin, Seen::AtLeast(seen))
            }
        }
    }

    /// Adds what fell from `from` to `to`, which lie within a piece of [`Self::pieces`].
    pub(super) fn add(
        &self,
        facts: Facts<'_>,
        piece: &Piece,
        (from, to): (Stamp, Stamp),
        response: &Response,
        tally: &mut Tally,
    ) {
        debug_assert!(
            piece.from.is_none_or(|begin| begin <= from) && from <= to && to <= piece.to,
            "{piece:?}"
        );
        let Facts { clocks, sky, lamps } = facts;
        if piece.is_seen {
            return tally.add_seen(piece.area(lamps, (from, to), response));
        }
        let begin = piece.from.unwrap_or(from);
        let lit = elapsed(clocks, from, piece.held_until.map_or(to, |end| end.min(to)));
        let best = piece.guess(facts, (from, to), response) * lit.best;
        let is_sky_alone = lamps.is_sky_alone(begin, piece.to);
        let of_sky = || sky.bounds(clocks, piece.ends, (from, to), piece.to, response);
        let passage = clocks.passage(from, to);
        match is_sky_alone.then(of_sky).flatten() {
            Some(SkyBounds::Within(bounds)) => tally.add_within(best, bounds),
            Some(SkyBounds::Below(most)) => tally.add_below(best, most, &passage),
            None => {
                let most = response.rate(self.most(facts, piece, begin)).w_m2();
                tally.add_below(best, most, &passage);
            }
        }
    }
}

impl Piece {
    /// Whether its light was seen.
    pub(super) const fn is_seen(&self) -> bool {
        self.is_seen
    }

    /// Its own ends; `None` before the first reading, and where it is empty.
    pub(super) fn whole(&self) -> Option<(Stamp, Stamp)> {
        self.from.filter(|&from| from < self.to).map(|from| (from, self.to))
    }

    /// The part of a stretch that lies in it; `None` if that is empty.
    pub(super) fn overlap(&self, (from, to): (Stamp, Stamp)) -> Option<(Stamp, Stamp)> {
        let (from, to) = (self.from.map_or(from, |begin| begin.max(from)), self.to.min(to));
        (from < to).then_some((from, to))
    }

    /// What the least and the most that its readings saw count as, at its two ends; `None`
    /// without a reading.
    fn rates(&self, lamps: &Lamps, response: &Response) -> Option<[[f64; 2]; 2]> {
        let rate = |end: Option<Sample>| {
            let end = end?;
            let seen = end.seen?;
            Some([seen.lowest(), lamps.highest(end.at, seen)].map(|light| response.rate(light).w_m2()))
        };
        let [left, right] = self.ends.map(rate);
        Some([left.or(right)?, right.or(left)?])
    }

    /// What fell by the straight line between its ends: at least and at most, in J/m².
    pub(super) fn area(&self, lamps: &Lamps, (from, to): (Stamp, Stamp), response: &Response) -> [f64; 2] {
        let (Some(begin), Some([left, right])) = (self.from, self.rates(lamps, response)) else {
            debug_assert!(false, "a piece that was seen has a begin and a reading: {self:?}");
            return [0.0; 2];
        };
        let whole_s = seconds(begin, self.to);
        let share = |at: Stamp| seconds(begin, at) / whole_s;
        let (first, last) = (share(from), share(to));
        std::array::from_fn(|of| {
            let line = |share: f64| left[of] + (right[of] - left[of]) * share;
            0.5 * (line(first) + line(last)) * seconds(from, to)
        })
    }

    /// The most likely mean from `from` to `to` of a gap, in W/m² as the response counts it: by
    /// the line between its ends.
    fn guess(&self, facts: Facts<'_>, (from, to): (Stamp, Stamp), response: &Response) -> f64 {
        let Some([[left, _], [right, _]]) = self.rates(facts.lamps, response) else { return 0.0 };
        let begin = self.from.unwrap_or(from);
        let until = |at| elapsed(facts.clocks, begin, at).best;
        let whole_s = until(self.to);
        if whole_s <= 0.0 {
            return f64::midpoint(left, right);
        }
        let line = |at| left + (right - left) * (until(at) / whole_s).min(1.0);
        f64::midpoint(line(from), line(to))
    }
}

/// Seconds between two instants of one boot.
fn seconds(from: Stamp, to: Stamp) -> f64 {
    debug_assert!(from.boot == to.boot, "{from:?} to {to:?}");
    to.at.seconds_since(from.at)
}
