//! What a print is to receive: one dose, or the rising doses of a test strip.

use serde::{Deserialize, Serialize};

use crate::quantity::{Stops, TargetDose};

/// A sheet cut finer than this cannot be judged by eye.
pub const MOST_BANDS: usize = 24;

/// The target of a print and, for a test strip, the doses on the way to it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Vec<TargetDose>", into = "Vec<TargetDose>")]
pub struct Plan {
    /// Rising; the last is the target.
    doses: Vec<TargetDose>,
}

/// Why a plan was refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlanError {
    /// No dose, or too many.
    #[error("a test strip has 2 to {MOST_BANDS} bands, not {0}")]
    Bands(usize),
    /// A band is not above the one before it.
    #[error("the doses of a strip must rise: band {band} with {dose} is not above the band before it")]
    NotRising {
        /// Counts from 1.
        band: usize,
        /// Its dose.
        dose: TargetDose,
    },
    /// The step is not above zero.
    #[error("the step between bands must be above zero, for instance +1/3stop")]
    Step,
    /// A band's dose is out of reach.
    #[error(transparent)]
    Dose(#[from] crate::quantity::ParseQuantityError),
}

impl Plan {
    /// One dose.
    #[must_use]
    pub fn dose(target: TargetDose) -> Self {
        Self { doses: vec![target] }
    }

    /// A test strip: every band has its dose, the last lies out longest.
    ///
    /// # Errors
    /// When there are not 2 to [`MOST_BANDS`] bands or they do not rise.
    pub fn strip(doses: Vec<TargetDose>) -> Result<Self, PlanError> {
        if !(2..=MOST_BANDS).contains(&doses.len()) {
            return Err(PlanError::Bands(doses.len()));
        }
        Self::rising(doses)
    }

    /// A test strip of even steps: band n receives `from` times 2^(step n).
    ///
    /// # Errors
    /// As [`Self::strip`], and when the step is not above zero or a band
    /// passes the greatest target.
    pub fn even_strip(from: TargetDose, bands: usize, step: Stops) -> Result<Self, PlanError> {
        if step.value() <= 0.0 {
            return Err(PlanError::Step);
        }
        let of_band = |n: usize| TargetDose::new(from.dose().changed_by(Stops::new(step.value() * n as f64)));
        // Take one more than allowed at most, so that the error names the count.
        let doses = (0..bands.min(MOST_BANDS + 1)).map(of_band).collect::<Result<_, _>>()?;
        Self::strip(doses)
    }

    fn rising(doses: Vec<TargetDose>) -> Result<Self, PlanError> {
        match doses.windows(2).position(|pair| pair[1] <= pair[0]) {
            Some(i) => Err(PlanError::NotRising { band: i + 2, dose: doses[i + 1] }),
            None => Ok(Self { doses }),
        }
    }

    /// The dose that ends the exposure.
    #[must_use]
    pub fn target(&self) -> TargetDose {
        *self.doses.last().expect("a plan has at least one dose")
    }

    /// The doses in rising order, the target last.
    #[must_use]
    pub fn doses(&self) -> &[TargetDose] {
        &self.doses
    }

    /// Whether this is a test strip.
    #[must_use]
    pub fn is_strip(&self) -> bool {
        self.doses.len() > 1
    }
}

impl TryFrom<Vec<TargetDose>> for Plan {
    type Error = PlanError;

    fn try_from(doses: Vec<TargetDose>) -> Result<Self, PlanError> {
        match doses.len() {
            1 => Ok(Self { doses }),
            _ => Self::strip(doses),
        }
    }
}

impl From<Plan> for Vec<TargetDose> {
    fn from(plan: Plan) -> Self {
        plan.doses
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Dose;

    fn target(j_m2: f64) -> TargetDose {
        TargetDose::new(Dose::from_j_m2(j_m2)).unwrap()
    }

    #[test]
    fn a_strip_rises_by_even_stops() {
        let strip = Plan::even_strip(target(4000.0), 7, Stops::new(0.5)).unwrap();
        // 4 kJ/m² in half stops, as photographers round it: 4 5.657 8 11.314 16 22.627 32.
        let expected = [4000.0, 5656.854, 8000.0, 11_313.708, 16_000.0, 22_627.417, 32_000.0];
        for (dose, expected) in strip.doses().iter().zip(expected) {
            assert!((dose.dose().j_m2() - expected).abs() < 1e-3);
        }
        assert_eq!(strip.target(), target(32_000.0));
    }

    #[test]
    fn strips_that_cannot_be_laid_out_are_refused() {
        assert_eq!(Plan::strip(vec![target(1.0)]), Err(PlanError::Bands(1)));
        assert_eq!(
            Plan::strip(vec![target(2.0), target(2.0)]),
            Err(PlanError::NotRising { band: 2, dose: target(2.0) })
        );
        assert_eq!(Plan::even_strip(target(1.0), 900, Stops::new(0.1)), Err(PlanError::Bands(25)));
        assert_eq!(Plan::even_strip(target(1.0), 5, Stops::new(0.0)), Err(PlanError::Step));
        assert!(Plan::even_strip(target(9e7), 5, Stops::new(1.0)).is_err());
    }
}
