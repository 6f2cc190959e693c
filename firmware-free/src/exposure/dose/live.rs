//! The doses of many prints under one sensor as its readings come in.
//!
//! Light that is seen is integrated once for all prints. A print's dose is what it had
//! at some reading, plus what was seen since, plus what moved since the last reading. A gap
//! belongs to the prints that were open in it: when it ends it costs one step for each of
//! them. So a reading costs the same for one print as for a thousand.
//!
//! At every instant it says what [`dose`](super::dose) says of the same facts. When facts
//! about the past change (a clock becomes right, a person corrects something), it is made
//! anew with [`Live::of`].

use std::collections::{BTreeMap, BTreeSet};

use crate::exposure::{Exposure, OpenSpan};
use crate::light::{Estimate, Response};
use crate::time::Stamp;

use super::piece::{Facts, Piece, SeenLight};
use super::sample::Sample;
use super::tally::Tally;

/// Which print, as the caller numbers them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct PrintKey(pub u64);

/// A sample that is not later than the last one. Nothing has changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a reading at {to:?} comes after one at {from:?}")]
pub struct Backwards {
    /// The last sample.
    pub from: Stamp,
    /// The one that was offered.
    pub to: Stamp,
}

/// The running doses under one sensor.
#[derive(Debug, Clone, Default)]
pub struct Live {
    seen: SeenLight,
    /// The last sample, reading or not.
    latest: Option<Stamp>,
    integrals: Vec<Integral>,
    prints: BTreeMap<PrintKey, Print>,
    /// Prints whose cover moved since the last reading.
    moved: BTreeSet<PrintKey>,
}

/// The light that was seen as one response counts it.
#[derive(Debug, Clone)]
struct Integral {
    response: Response,
    /// At least and at most.
    total: [Sum; 2],
}

/// A sum of many terms of which differences are exact: the rounding of each addition is kept
/// (Neumaier, ZAMM 54 (1974) 39).
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    rounded: f64,
    rest: f64,
}

impl Sum {
    /// Adds a term of zero or more.
    fn add(&mut self, term: f64) {
        let sum = self.rounded + term;
        let (more, less) = if self.rounded < term { (term, self.rounded) } else { (self.rounded, term) };
        self.rest += (more - sum) + less;
        self.rounded = sum;
    }

    fn since(self, earlier: Self) -> f64 {
        ((self.rounded - earlier.rounded) + (self.rest - earlier.rest)).max(0.0)
    }
}

#[derive(Debug, Clone)]
struct Print {
    /// Which of the integrals it counts by.
    integral: usize,
    passes: f64,
    /// What it had when `since` was the total of its integral.
    base: Tally,
    /// The total that it counts from; `None` while it was covered at the last reading.
    since: Option<[Sum; 2]>,
    /// Its spans after the last reading.
    moved: Vec<OpenSpan>,
}

impl Live {
    /// The doses of some prints by all facts up to now. Readings that come later are
    /// then to be [taken in](Self::take), and covers [moved](Self::uncover).
    #[must_use]
    pub fn of<'a>(
        facts: Facts<'_>,
        light: &[Sample],
        prints: impl IntoIterator<Item = (PrintKey, &'a Exposure)>,
    ) -> Self {
        let mut live = Self { latest: light.last().map(|last| last.at), ..Self::default() };
        for sample in light {
            if live.seen.admit(facts, sample) {
                live.seen.take(facts, sample);
            }
        }
        let last = live.seen.last().map(|last| last.at);
        for (key, exposure) in prints {
            live.begin(key, exposure);
            let Some(print) = live.prints.get_mut(&key) else { continue };
            if let Some(last) = last {
                print.base = super::tally(facts, light, exposure, last);
            }
            for span in exposure.open.as_slice() {
                match span.to {
                    None if last.is_some_and(|last| span.from <= last) => {
                        print.since = Some(live.integrals[print.integral].total);
                    }
                    Some(to) if last.is_some_and(|last| to <= last) => {}
                    _ => {
                        let from = last.map_or(span.from, |last| last.max(span.from));
                        print.moved.push(OpenSpan { from, ..*span });
                        live.moved.insert(key);
                    }
                }
            }
        }
        live
    }

    /// A print begins, covered. [`Self::uncover`] follows; spans that it has already are for
    /// [`Self::of`].
    pub fn begin(&mut self, key: PrintKey, exposure: &Exposure) {
        let response = exposure.response;
        let integral = self.integrals.iter().position(|integral| integral.response == response);
        let integral = integral.unwrap_or_else(|| {
            self.integrals.push(Integral { response, total: [Sum::default(); 2] });
            self.integrals.len() - 1
        });
        let passes = exposure.passes();
        let print = Print { integral, passes, base: Tally::default(), since: None, moved: Vec::new() };
        let before = self.prints.insert(key, print);
        debug_assert!(before.is_none(), "{key:?} is out already");
    }

    /// A print is not asked for any more.
    pub fn forget(&mut self, key: PrintKey) {
        self.prints.remove(&key);
        self.moved.remove(&key);
    }

    /// The cover of a print came off, not before the last reading: a correction of earlier
    /// times is for [`Self::of`].
    pub fn uncover(&mut self, key: PrintKey, at: Stamp) {
        self.debug_assert_follows(at);
        let Some(print) = self.prints.get_mut(&key) else { return };
        debug_assert!(!print.is_open(), "{key:?} is uncovered already");
        print.moved.push(OpenSpan { from: at, to: None });
        self.moved.insert(key);
    }

    /// The cover of a print went on, not before the last reading.
    pub fn cover(&mut self, key: PrintKey, at: Stamp) {
        self.debug_assert_follows(at);
        let last = self.seen.last().map(|last| last.at);
        let Some(print) = self.prints.get_mut(&key) else { return };
        debug_assert!(print.is_open(), "{key:?} is covered already");
        match print.since.take().zip(last) {
            Some((since, last)) => {
                print.base.add_seen(self.integrals[print.integral].since(since));
                print.moved.push(OpenSpan { from: last, to: Some(at) });
                self.moved.insert(key);
            }
            None => {
                let open = print.moved.last_mut().filter(|span| span.to.is_none());
                open.into_iter().for_each(|span| span.to = Some(at));
            }
        }
    }

    fn debug_assert_follows(&self, at: Stamp) {
        debug_assert!(self.seen.last().is_none_or(|last| last.at <= at), "{at:?} lies before a reading");
    }

    /// Takes in the next sample.
    ///
    /// # Errors
    /// [`Backwards`] when it is not later than the last one.
    pub fn take(&mut self, facts: Facts<'_>, sample: &Sample) -> Result<(), Backwards> {
        if let Some(from) = self.latest.filter(|&latest| sample.at <= latest) {
            return Err(Backwards { from, to: sample.at });
        }
        self.latest = Some(sample.at);
        if !self.seen.admit(facts, sample) {
            return Ok(());
        }
        if self.seen.pieces_to(facts, sample).all(|piece| piece.is_seen()) {
            self.follow_light(facts, sample);
        } else {
            self.close_gap(facts, sample);
        }
        self.settle_moved(facts, sample);
        self.seen.take(facts, sample);
        Ok(())
    }

    /// The usual case: all light since the last reading was seen.
    fn follow_light(&mut self, facts: Facts<'_>, sample: &Sample) {
        for integral in &mut self.integrals {
            for piece in self.seen.pieces_to(facts, sample) {
                let added = piece.whole().map(|whole| piece.area(facts.lamps, whole, &integral.response));
                let terms = added.into_iter().flatten();
                integral.total.iter_mut().zip(terms).for_each(|(total, term)| total.add(term));
            }
        }
    }

    /// Light was not seen since the last reading: a step for each print that was open.
    fn close_gap(&mut self, facts: Facts<'_>, sample: &Sample) {
        let pieces: Vec<Piece> = self.seen.pieces_to(facts, sample).collect();
        let of_whole = |integral: &Integral| {
            let mut tally = Tally::default();
            for (piece, whole) in pieces.iter().filter_map(|piece| Some((piece, piece.whole()?))) {
                self.seen.add(facts, piece, whole, &integral.response, &mut tally);
            }
            tally
        };
        let gaps: Vec<Tally> = self.integrals.iter().map(of_whole).collect();
        for print in self.prints.values_mut() {
            if let Some(since) = &mut print.since {
                let total = self.integrals[print.integral].total;
                print.base.add_seen(self.integrals[print.integral].since(*since));
                print.base.add(&gaps[print.integral]);
                *since = total;
            }
        }
    }

    /// What fell on prints whose cover moved is now facts up to a reading. Those that are open
    /// at it count by the shared integral from there on.
    fn settle_moved(&mut self, facts: Facts<'_>, sample: &Sample) {
        self.moved.retain(|key| {
            let Some(print) = self.prints.get_mut(key) else { return false };
            let integral = &self.integrals[print.integral];
            for piece in self.seen.pieces_to(facts, sample) {
                for part in print.moved.iter().filter_map(|span| piece.overlap(span.until(sample.at))) {
                    self.seen.add(facts, &piece, part, &integral.response, &mut print.base);
                }
            }
            print.moved.retain_mut(|span| {
                let is_open = span.from <= sample.at && span.to.is_none();
                if is_open {
                    print.since = Some(integral.total);
                }
                span.from = span.from.max(sample.at);
                !is_open && span.to.is_none_or(|to| sample.at < to)
            });
            !print.moved.is_empty()
        });
    }

    /// The dose of a print at an instant, at or after the last reading, in J/m² behind its
    /// glass; `None` when there is no such print.
    #[must_use]
    pub fn dose(&self, facts: Facts<'_>, key: PrintKey, at: Stamp) -> Option<Estimate> {
        let print = self.prints.get(&key)?;
        let integral = &self.integrals[print.integral];
        let mut tally = print.base.clone();
        let open = print.since.zip(self.seen.last()).map(|(since, last)| {
            tally.add_seen(integral.since(since));
            OpenSpan { from: last.at, to: None }
        });
        for piece in self.seen.pieces_until(facts, at) {
            for span in open.iter().chain(&print.moved) {
                if let Some(part) = piece.overlap(span.until(at)) {
                    self.seen.add(facts, &piece, part, &integral.response, &mut tally);
                }
            }
        }
        Some(tally.estimate(print.passes))
    }
}

impl Print {
    fn is_open(&self) -> bool {
        self.since.is_some() || self.moved.last().is_some_and(|span| span.to.is_none())
    }
}

impl Integral {
    fn since(&self, earlier: [Sum; 2]) -> [f64; 2] {
        let [low, high] = [0, 1].map(|of| self.total[of].since(earlier[of]));
        [low, high.max(low)]
    }
}
