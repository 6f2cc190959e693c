//! The next target of a recipe, from all that its prints, strips and wedges say.
//!
//! Each piece of evidence says "the right dose was this, give or take that". The right dose of
//! a recipe is no constant: new chemistry, another batch of paper and the season move it. So it
//! walks at random in log2 of the dose, where a third of a stop is the same mistake at 5 and at
//! 50 kJ/m², by 0.15 stop in 30 days unless the pieces say otherwise; all evidence of one time
//! shares what the walk did since. [`Walk`] follows it, with robust weights. While nothing is
//! printed the interval widens.
//!
//! Errors are multiplied by a common scale, the median absolute deviation of the pieces in
//! units of their own errors (times 1.4826, so that it is 1 for normal errors), never less than
//! 1: pieces that contradict one another widen the answer instead of being averaged away.
//!
//! What makes a piece unsure beside the walk, as standard errors added in squares:
//! - the judgement itself: [`Correction::sigma`], [`LeastDose::sigma`];
//! - 0.05 stop from print to print (coating, humidity, paper);
//! - 0.25 stop when judged before it was dry and oxidised.
//!
//! A starting dose that was not tried yet is one more piece ([`Evidence::of_start`]). These
//! figures and that of the walk are common practice without a source.

use super::walk::{Reading, Walk};
use super::{Correction, LeastDose, is_a_dose};
use crate::quantity::{Dose, Stops};

/// From print to print, in stops.
const PROCESS: f64 = 0.05;
/// After [`DRIFT_DAYS`], in stops.
const DRIFT: f64 = 0.15;
const DRIFT_DAYS: f64 = 30.0;
/// The same as variance a day.
const USUAL_RATE: f64 = DRIFT * DRIFT / DRIFT_DAYS;
/// Judged wet or before oxidation, in stops.
const UNFINISHED: f64 = 0.25;
/// A starting dose that was not tried, in stops: citrate's 15 kJ/m² is 7 to 30 in 80 %.
const UNTRIED: f64 = 0.8;
/// A piece further off than this many errors is named.
const OUTLIER: f64 = 3.0;
/// The median absolute deviation of normal errors is their sigma over this.
const MAD_TO_SIGMA: f64 = 1.4826;
/// Pieces that disagree this many times more than their errors contradict one
/// another.
const CONTRADICTION: f64 = 2.0;
/// An answer less sure than this many stops either way is none.
const LEAST_SURE: f64 = 1.0;

/// What one print, strip or wedge says about the target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evidence {
    /// The dose that would have been right.
    pub target: Dose,
    /// Standard error of the judgement alone.
    pub sigma: Stops,
    /// How old it is; at least zero.
    pub age_days: f64,
    /// Whether the print was dry and oxidised when it was judged.
    pub finished: bool,
}

impl Evidence {
    /// From a judged print.
    #[must_use]
    pub fn of_print(correction: &Correction, age_days: f64, finished: bool) -> Self {
        Self { target: correction.next(), sigma: correction.sigma, age_days, finished }
    }

    /// From a strip, or a wedge by [`CharacteristicCurve::full_dose`], printed
    /// through the negative's clear or brought there by [`LeastDose::through`].
    ///
    /// [`CharacteristicCurve::full_dose`]: super::CharacteristicCurve::full_dose
    #[must_use]
    pub fn of_strip(least: &LeastDose, age_days: f64, finished: bool) -> Self {
        Self { target: least.dose, sigma: least.sigma, age_days, finished }
    }

    /// A starting dose for the process that was not tried with the recipe yet.
    #[must_use]
    pub fn of_start(dose: Dose, age_days: f64) -> Self {
        Self { target: dose, sigma: Stops::new(UNTRIED), age_days, finished: true }
    }

    /// Without the walk since.
    fn variance(&self) -> f64 {
        let unfinished = if self.finished { 0.0 } else { UNFINISHED };
        self.sigma.value().powi(2) + PROCESS.powi(2) + unfinished.powi(2)
    }
}

/// What all the evidence says together.
#[derive(Debug, Clone, PartialEq)]
pub struct Advice {
    /// The target, or what to do to get one.
    pub answer: Answer,
    /// Whether the pieces disagree by more than twice their errors.
    pub contradictory: bool,
    /// What each piece counted for, in the order given.
    pub weighed: Vec<Weighed>,
    /// Whether the newest pieces all lie to one side of those before them.
    pub drift: Option<Drift>,
}

/// The newest two or three pieces lie to one side of what those before them let expect.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    /// How far: above zero, more light is wanted than before.
    pub stops: Stops,
    /// How many pieces.
    pub pieces: usize,
    /// The age of the oldest of them.
    pub age_days: f64,
}

/// The target, or what to do to get one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Answer {
    /// Known within a stop either way.
    Found(Target),
    /// Not known: make this strip.
    NotEnough {
        /// The best guess, if there is any evidence.
        best: Option<Target>,
        /// A strip that will tell.
        strip: StripToMake,
    },
}

/// A target with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Target {
    /// The dose to aim at.
    pub dose: Dose,
    /// Lower end.
    pub low: Dose,
    /// Upper end.
    pub high: Dose,
}

/// A strip: band n receives `from` times 2^(n step), n from 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StripToMake {
    /// The first band.
    pub from: Dose,
    /// How many.
    pub bands: usize,
    /// From band to band.
    pub step: Stops,
}

/// Steps of a strip, in stops, the finest first.
const USUAL_STEPS: [f64; 3] = [1.0 / 3.0, 0.5, 1.0];

impl StripToMake {
    /// The same moved to where earlier strips that had no answer leave one open: over a
    /// dose that is not full yet (`above`), up to one that is (`up_to`). Where both are
    /// known it is made finer if it can be.
    #[must_use]
    pub fn within(self, above: Option<Dose>, up_to: Option<Dose>) -> Self {
        let (least, most) = (above.map(log2), up_to.map(log2));
        if least.zip(most).is_some_and(|(least, most)| least >= most) {
            return self;
        }
        // The last band is there to be compared with the one before it.
        let steps = self.bands.saturating_sub(2) as f64;
        let span = steps * self.step.value();
        let mut from = log2(self.from);
        if let Some(most) = most.filter(|most| from + span > *most) {
            from = most - span;
        }
        from = least.map_or(from, |least| from.max(least));
        let open = most.map_or(span, |most| span.min(most - from));
        let step = USUAL_STEPS.into_iter().find(|step| steps * step >= open - 1e-9);
        Self { from: Dose::from_j_m2(from.exp2()), step: step.map_or(self.step, Stops::new), ..self }
    }
}

fn log2(dose: Dose) -> f64 {
    dose.j_m2().log2()
}

/// What one piece of evidence counted for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weighed {
    /// How far its own target lies above the pooled one.
    pub off: Stops,
    /// Its share of the whole, 0 to 1.
    pub weight: f64,
    /// Whether it lies more than three errors off: something else was
    /// different about it.
    pub outlier: bool,
}

/// Why evidence was refused. Items count from 1.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AdviceError {
    /// No logarithm.
    #[error("evidence {item} has no dose above zero")]
    NoDose {
        /// Which.
        item: usize,
    },
    /// No error, or a negative age.
    #[error("evidence {item} needs a standard error above zero and an age of zero days or more")]
    NotWeighable {
        /// Which.
        item: usize,
    },
}

/// Follows the right dose of one recipe under one source. `start` is where to look without any
/// evidence: the recipe's set target, if it has one.
///
/// # Errors
/// When a piece has no dose, error or age that can be reckoned with.
pub fn advise(evidence: &[Evidence], start: Option<Dose>) -> Result<Advice, AdviceError> {
    let given = evidence.iter().zip(1..).map(|(e, item)| reading(e, item)).collect::<Result<Vec<_>, _>>()?;
    if given.is_empty() {
        let answer = Answer::NotEnough { best: None, strip: first_strip(start) };
        return Ok(Advice { answer, contradictory: false, weighed: Vec::new(), drift: None });
    }
    let sorted = Sorted::new(&given);
    let about = sorted.about;
    let rate = Walk::rate(&sorted.readings, USUAL_RATE, about);
    let walk = Walk::of(&sorted.readings, rate, about);
    let half_width = 2.0 * walk.variance.sqrt();
    let at = |stops: f64| Dose::from_j_m2((walk.now + stops).exp2());
    let target = Target { dose: at(0.0), low: at(-half_width), high: at(half_width) };
    let answer = if half_width <= LEAST_SURE {
        Answer::Found(target)
    } else {
        Answer::NotEnough { best: Some(target), strip: strip_around(target.dose, half_width) }
    };
    let weighed = |&place: &usize| Weighed {
        off: Stops::new(sorted.readings[place].at - walk.now),
        weight: walk.shares[place],
        outlier: errors_off(&sorted.readings[place], walk.levels[place]) > OUTLIER,
    };
    Ok(Advice {
        answer,
        contradictory: sorted.scale > CONTRADICTION,
        weighed: sorted.places.iter().map(weighed).collect(),
        drift: drift(&sorted.readings, rate, about),
    })
}

/// In log2 of J/m².
fn reading(evidence: &Evidence, item: usize) -> Result<Reading, AdviceError> {
    if !is_a_dose(evidence.target) {
        return Err(AdviceError::NoDose { item });
    }
    let variance = evidence.variance();
    let has_age = evidence.age_days.is_finite() && evidence.age_days >= 0.0;
    if !(variance.is_finite() && evidence.sigma.value() > 0.0 && has_age) {
        return Err(AdviceError::NotWeighable { item });
    }
    Ok(Reading { at: log2(evidence.target), variance, age_days: evidence.age_days })
}

fn errors_off(reading: &Reading, level: f64) -> f64 {
    (reading.at - level).abs() / reading.variance.sqrt()
}

/// Readings from the oldest to the newest, so that the order in which the evidence is listed
/// changes nothing, not even a last bit.
struct Sorted {
    /// With their errors multiplied by `scale`.
    readings: Vec<Reading>,
    /// Where each of those given is.
    places: Vec<usize>,
    /// Their weighted median.
    about: f64,
    /// How many times larger than stated the errors are; at least 1.
    scale: f64,
}

impl Sorted {
    fn new(given: &[Reading]) -> Self {
        let mut order: Vec<usize> = (0..given.len()).collect();
        order.sort_by(|&a, &b| {
            let (a, b) = (&given[a], &given[b]);
            let by_age = b.age_days.total_cmp(&a.age_days);
            by_age.then(a.at.total_cmp(&b.at)).then(a.variance.total_cmp(&b.variance))
        });
        let mut places = vec![0; given.len()];
        for (place, &i) in order.iter().enumerate() {
            places[i] = place;
        }
        let readings: Vec<Reading> = order.iter().map(|&i| given[i]).collect();
        let about = weighted_median(&readings);
        let levels = Walk::of(&readings, USUAL_RATE, about).levels;
        let mut off: Vec<f64> =
            readings.iter().zip(&levels).map(|(r, &level)| errors_off(r, level)).collect();
        off.sort_by(f64::total_cmp);
        let scale = (MAD_TO_SIGMA * median(&off)).max(1.0);
        let scaled = |r: Reading| Reading { variance: r.variance * scale.powi(2), ..r };
        Self { readings: readings.into_iter().map(scaled).collect(), places, about, scale }
    }
}

/// Whether the newest three, or two, all lie to one side of what those before let expect, and
/// further than their errors, the walk's included.
fn drift(readings: &[Reading], rate: f64, about: f64) -> Option<Drift> {
    /// How many, and by how many standard errors: of two it takes more.
    const NEWEST: [(usize, f64); 2] = [(3, 2.0), (2, 2.5)];
    /// Fewer let expect nothing.
    const BEFORE: usize = 2;
    /// What each of them is off at least, as a share of what they are together.
    const LEAST_SHARE: f64 = 0.4;
    NEWEST.into_iter().find_map(|(pieces, beyond)| {
        let (before, newest) = readings.split_at(readings.len().checked_sub(pieces + BEFORE)? + BEFORE);
        // Of those of one time none is newer.
        let is_newer = newest[0].age_days < before[before.len() - 1].age_days;
        let before = Walk::of(before, rate, about);
        let weights: f64 = newest.iter().map(|r| r.variance.recip()).sum();
        let mean = |of: fn(&Reading) -> f64| newest.iter().map(|r| of(r) / r.variance).sum::<f64>() / weights;
        let stops = mean(|r| r.at) - before.now;
        // One wild piece beside two that are as before is no drift.
        let one_side = newest.iter().all(|r| (r.at - before.now) / stops > LEAST_SHARE);
        // Known for now, it was known better at their time.
        let expected = before.variance - rate * mean(|r| r.age_days);
        let is_beyond = stops.abs() > beyond * (expected + weights.recip()).sqrt();
        let age_days = newest[0].age_days;
        (is_newer && one_side && is_beyond).then(|| Drift { stops: Stops::new(stops), pieces, age_days })
    })
}

/// Where half the weight lies below; the middle of two where it falls between.
fn weighted_median(readings: &[Reading]) -> f64 {
    let mut sorted = readings.to_vec();
    sorted.sort_by(|a, b| a.at.total_cmp(&b.at).then(a.variance.total_cmp(&b.variance)));
    let half = 0.5 * sorted.iter().map(|r| r.variance.recip()).sum::<f64>();
    let mut below = 0.0;
    for (i, reading) in sorted.iter().enumerate() {
        below += reading.variance.recip();
        if below > half {
            return reading.at;
        }
        if below == half {
            return 0.5 * (reading.at + sorted.get(i + 1).unwrap_or(reading).at);
        }
    }
    sorted[sorted.len() - 1].at
}

fn median(sorted: &[f64]) -> f64 {
    let middle = sorted.len() / 2;
    if sorted.len() % 2 == 1 { sorted[middle] } else { 0.5 * (sorted[middle - 1] + sorted[middle]) }
}

/// A strip that spans a guess with its error, by the finest usual step that
/// does, and goes on for two bands: the answer is seen only against darker ones.
fn strip_around(guess: Dose, half_width: f64) -> StripToMake {
    const EACH_SIDE: usize = 3;
    let each_side = EACH_SIDE as f64;
    let step = USUAL_STEPS.into_iter().find(|step| each_side * step >= half_width).unwrap_or(1.0);
    let from = guess.changed_by(Stops::new(-each_side * step));
    StripToMake { from, bands: 2 * EACH_SIDE + 3, step: Stops::new(step) }
}

/// A strip to begin with: around the set target, or over the doses that oxalate
/// and citrate recipes start at, 2 to 30 kJ/m², and a stop more.
fn first_strip(start: Option<Dose>) -> StripToMake {
    const EITHER_WAY: f64 = 1.5;
    match start.filter(|dose| is_a_dose(*dose)) {
        Some(dose) => strip_around(dose, EITHER_WAY),
        None => StripToMake { from: Dose::from_j_m2(2_000.0), bands: 6, step: Stops::new(1.0) },
    }
}

#[cfg(test)]
mod tests;
