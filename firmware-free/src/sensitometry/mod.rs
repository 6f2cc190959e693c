//! From the print to the next dose: what densities, step wedges, test strips
//! and judgements say about the dose a recipe needs.
//!
//! Everything is reckoned in log H, the base-10 logarithm of the dose in
//! kJ/m², because a negative's density adds to it. Densities are reflection
//! densities of dry, oxidised prints; a curve must not mix visual densities
//! (as from L*) with red-filter densities, which are higher on a blue print.

mod advice;
mod density;
mod matrix;
mod next_dose;
mod pchip;
mod reciprocity;
mod scan;
mod smooth;
#[cfg(test)]
pub(crate) mod splitmix;
mod strip;
mod tone;
mod walk;
mod wedge;

pub use advice::{Advice, AdviceError, Answer, Drift, Evidence, StripToMake, Target, Weighed, advise};
pub use density::{Density, Lightness};
pub use next_dose::Correction;
pub use pchip::Pchip;
pub(crate) use reciprocity::student_95;
pub use reciprocity::{EqualPrint, Reciprocity, ReciprocityError, fit_exponent};
pub use scan::{LightSample, PatchDensity, PatchLight, Reference, ScanError, ScanScale};
pub use strip::{Band, LeastDose, StripError, StripReading, read_densities, read_first_full};
pub use tone::{Tone, tone_table};
pub use wedge::{
    CharacteristicCurve, CurvePoint, KeyPoints, NegativeFit, NotOnCurve, TurnOver, WedgeError, WedgeStep,
};

use crate::quantity::{Dose, Stops};

/// A change of log H, or a density, in stops: 0.30103 is one stop.
#[must_use]
pub fn stops_of_log(log10: f64) -> Stops {
    Stops::new(log10 / std::f64::consts::LOG10_2)
}

/// Log H of a dose: base 10, of kJ/m².
fn log_h(dose: Dose) -> f64 {
    dose.kj_m2().log10()
}

/// The dose of a log H.
fn dose_of_log(log_h: f64) -> Dose {
    Dose::from_j_m2(1000.0 * 10_f64.powf(log_h))
}

/// Whether a dose has a logarithm.
fn is_a_dose(dose: Dose) -> bool {
    dose > Dose::ZERO && dose.j_m2().is_finite()
}

/// Which of a row of densities, in order of rising dose, contradicts the shape
/// of any characteristic curve: the first without which the others keep it, or
/// failing that the first that breaks it.
fn contradiction(densities: &[f64]) -> Option<usize> {
    let broken = wrong_way(densities)?;
    let mends = |&i: &usize| wrong_way(&[&densities[..i], &densities[i + 1..]].concat()).is_none();
    (0..densities.len()).find(mends).or(Some(broken))
}

/// The shape is a rise, then perhaps one fall where over-exposed blue turns
/// grey. The first that falls before the peak, or rises after it, by more than
/// uneven coating and reading explain.
fn wrong_way(densities: &[f64]) -> Option<usize> {
    /// Twice the 0.05 by which full density varies over a hand-coated sheet
    /// (common practice, no source).
    const UNEVEN: f64 = 0.10;
    let peak = peak(densities)?;
    densities.windows(2).enumerate().find_map(|(i, pair)| {
        let back = if i < peak { pair[0] - pair[1] } else { pair[1] - pair[0] };
        (back > UNEVEN).then_some(i + 1)
    })
}

/// The index of the first of the highest; `None` of nothing.
fn peak(values: &[f64]) -> Option<usize> {
    (0..values.len()).reduce(|best, i| if values[i] > values[best] { i } else { best })
}
