//! The next target of a recipe, from all that its prints, strips and wedges say.
//!
//! Each piece of evidence says "the right dose is this, give or take that".
//! They are pooled in log2 of the dose, where errors of dose are even: a third
//! of a stop is the same mistake at 5 and at 50 kJ/m².
//!
//! The pooled target is a Huber M-estimate (Huber 1964, Ann. Math. Stat. 35,
//! 73): a mean weighted by 1/sigma², in which a piece further off than 1.5
//! times its error pulls no harder than one at that distance. It starts at the
//! weighted median. Errors are multiplied by a common scale, the median
//! absolute deviation of the pieces in units of their own errors (times 1.4826,
//! so that it is 1 for normal errors), never less than 1: pieces that agree
//! better than they can do so by chance, and pieces that contradict one another
//! widen the answer instead of being averaged away.
//!
//! What makes a piece unsure, as standard errors added in squares:
//! - the judgement itself: [`Correction::sigma`], [`LeastDose::sigma`];
//! - 0.05 stop from print to print (coating, humidity, paper);
//! - 0.15 stop for 30 days of age, growing with its square root as a random
//!   walk does (new chemistry, another batch of paper, the season);
//! - 0.25 stop when judged before it was dry and oxidised.
//!
//! The last three are common practice without a source.

use super::{Correction, LeastDose, is_a_dose};
use crate::quantity::{Dose, Stops};

/// From print to print, in stops.
const PROCESS: f64 = 0.05;
/// After [`DRIFT_DAYS`], in stops.
const DRIFT: f64 = 0.15;
const DRIFT_DAYS: f64 = 30.0;
/// Judged wet or before oxidation, in stops.
const UNFINISHED: f64 = 0.25;
/// A piece further off than this many errors pulls no harder.
const HUBER: f64 = 1.5;
/// A piece further off than this many errors is named.
const OUTLIER: f64 = 3.0;
/// The median absolute deviation of normal errors is their sigma over this.
const MAD_TO_SIGMA: f64 = 1.4826;
/// Pieces that disagree this many times more than their errors contradict one
/// another.
const CONTRADICTION: f64 = 2.0;
/// An answer is no surer than this many stops either way: one print is not.
const SUREST: f64 = 0.1;
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

    fn variance(&self) -> f64 {
        let unfinished = if self.finished { 0.0 } else { UNFINISHED };
        let drift = DRIFT.powi(2) * self.age_days / DRIFT_DAYS;
        self.sigma.value().powi(2) + PROCESS.powi(2) + drift + unfinished.powi(2)
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

/// A piece of evidence, ready to be pooled: log2 of its target, and its error.
#[derive(Debug, Clone, Copy)]
struct Piece {
    at: f64,
    sigma: f64,
}

/// The evidence pooled, in log2 of J/m².
struct Pooled {
    at: f64,
    /// How many times larger than stated the errors are; at least 1.
    scale: f64,
    /// Sum of the weights.
    weights: f64,
}

/// Pools the evidence of one recipe under one source. `start` is where to look
/// without any: the recipe's set target, if it has one.
///
/// # Errors
/// When a piece has no dose, error or age that can be reckoned with.
pub fn advise(evidence: &[Evidence], start: Option<Dose>) -> Result<Advice, AdviceError> {
    let pieces = evidence.iter().zip(1..).map(|(e, item)| piece(e, item)).collect::<Result<Vec<_>, _>>()?;
    if pieces.is_empty() {
        let answer = Answer::NotEnough { best: None, strip: first_strip(start) };
        return Ok(Advice { answer, contradictory: false, weighed: Vec::new() });
    }
    let pooled = pool(&pieces);
    let half_width = (2.0 * pooled.scale / pooled.weights.sqrt()).max(SUREST);
    let at = |stops: f64| Dose::from_j_m2((pooled.at + stops).exp2());
    let target = Target { dose: at(0.0), low: at(-half_width), high: at(half_width) };
    let answer = if half_width <= LEAST_SURE {
        Answer::Found(target)
    } else {
        Answer::NotEnough { best: Some(target), strip: strip_around(target.dose, half_width) }
    };
    let weighed = pieces.iter().map(|piece| pooled.weighed(piece)).collect();
    Ok(Advice { answer, contradictory: pooled.scale > CONTRADICTION, weighed })
}

fn piece(evidence: &Evidence, item: usize) -> Result<Piece, AdviceError> {
    if !is_a_dose(evidence.target) {
        return Err(AdviceError::NoDose { item });
    }
    let sigma = evidence.variance().sqrt();
    if !(sigma.is_finite() && evidence.sigma.value() > 0.0 && evidence.age_days >= 0.0) {
        return Err(AdviceError::NotWeighable { item });
    }
    Ok(Piece { at: evidence.target.j_m2().log2(), sigma })
}

/// The Huber estimate. Pieces are sorted first, so that the order in which the
/// evidence is listed changes nothing, not even a last bit.
fn pool(pieces: &[Piece]) -> Pooled {
    /// It settles in a few, or in some hundred where pieces far apart hold each other; bounded
    /// because it need not in the last bit.
    const ROUNDS: usize = 1000;
    /// Far less than any dose is known to, in stops.
    const SETTLED: f64 = 1e-12;
    let mut sorted = pieces.to_vec();
    sorted.sort_by(|a, b| a.at.total_cmp(&b.at).then(a.sigma.total_cmp(&b.sigma)));
    let start = weighted_median(&sorted);
    let mut deviations: Vec<f64> = sorted.iter().map(|p| (p.at - start).abs() / p.sigma).collect();
    deviations.sort_by(f64::total_cmp);
    let scale = (MAD_TO_SIGMA * median(&deviations)).max(1.0);
    let mut pooled = Pooled { at: start, scale, weights: 0.0 };
    for _ in 0..ROUNDS {
        let weights: Vec<f64> = sorted.iter().map(|p| pooled.weight(p)).collect();
        let moment: f64 = sorted.iter().zip(&weights).map(|(p, weight)| weight * (p.at - start)).sum();
        let before = std::mem::replace(&mut pooled.at, start + moment / weights.iter().sum::<f64>());
        if (pooled.at - before).abs() < SETTLED {
            break;
        }
    }
    // Of where it is now, so that the shares told are parts of one.
    pooled.weights = sorted.iter().map(|p| pooled.weight(p)).sum();
    pooled
}

impl Pooled {
    /// How many errors a piece is off.
    fn errors_off(&self, piece: &Piece) -> f64 {
        (piece.at - self.at).abs() / (piece.sigma * self.scale)
    }

    fn weight(&self, piece: &Piece) -> f64 {
        (HUBER / self.errors_off(piece)).min(1.0) / piece.sigma.powi(2)
    }

    fn weighed(&self, piece: &Piece) -> Weighed {
        Weighed {
            off: Stops::new(piece.at - self.at),
            weight: self.weight(piece) / self.weights,
            outlier: self.errors_off(piece) > OUTLIER,
        }
    }
}

/// Where half the weight lies below; the middle of two where it falls between.
fn weighted_median(sorted: &[Piece]) -> f64 {
    let weight = |piece: &Piece| piece.sigma.powi(-2);
    let half = 0.5 * sorted.iter().map(weight).sum::<f64>();
    let mut below = 0.0;
    for (i, piece) in sorted.iter().enumerate() {
        below += weight(piece);
        if below > half {
            return piece.at;
        }
        if below == half {
            return 0.5 * (piece.at + sorted.get(i + 1).unwrap_or(piece).at);
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
    const UNTRIED: f64 = 1.5;
    match start.filter(|dose| is_a_dose(*dose)) {
        Some(dose) => strip_around(dose, UNTRIED),
        None => StripToMake { from: Dose::from_j_m2(2_000.0), bands: 6, step: Stops::new(1.0) },
    }
}

#[cfg(test)]
mod tests;
