//! Judging a print: what may be judged, and what follows for the next one. The same
//! from the command line and of a running rig.

use frameside_core::quantity::{ParseQuantityError, Stops};
use frameside_core::sensitometry::Correction;

use crate::advice;
use crate::ledger::{Judgement, LedgerError, PrintRow, Record, Verdict};
use crate::words;

/// A print is off by no more, in stops: from paper white to full density there are 4 to 5,
/// and past either end it shows nothing.
const MOST_OFF: f64 = 6.0;

/// Reads by how much a print is off.
///
/// # Errors
/// What is accepted instead.
pub fn parse_off(text: &str) -> Result<Stops, String> {
    let too_far =
        || format!("'{text}' is more than a print shows: at most {MOST_OFF} stops either way; make a strip");
    match text.parse::<Stops>() {
        Ok(stops) if stops.value().abs() <= MOST_OFF => Ok(stops),
        Ok(_) | Err(ParseQuantityError::TooManyStops(_)) => Err(too_far()),
        Err(error) => Err(error.to_string()),
    }
}

/// Why a print is not judged.
#[derive(Debug, thiserror::Error)]
pub enum JudgeError {
    /// The record cannot be read, or has no such print.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// It has no dose yet.
    #[error("print {0} is still out; bring it in first")]
    StillOut(String),
    /// It has a dose for each band.
    #[error("print {0} is a test strip; read it with 'frameside strip read {0} --first-full BAND'")]
    Strip(String),
    /// It had no light.
    #[error("print {0} had no light, so it says nothing of a dose")]
    NoLight(String),
}

/// What a verdict on a print means for its dose.
///
/// # Errors
/// [`JudgeError`] when the print cannot be judged so.
pub fn weigh(record: &Record, print: &PrintRow, verdict: &Verdict) -> Result<Correction, JudgeError> {
    if print.brought_in().is_none() {
        return Err(JudgeError::StillOut(print.id.clone()));
    }
    if print.is_strip() {
        return Err(JudgeError::Strip(print.id.clone()));
    }
    let curve = advice::curve_of(record, print)?;
    advice::correction(print, verdict, curve.as_ref()).ok_or_else(|| JudgeError::NoLight(print.id.clone()))
}

/// A verdict in words, and what the next print gets.
#[must_use]
pub fn sentence(correction: &Correction) -> String {
    let next = correction.next();
    match correction.stops.value() {
        0.0 => "good; the next gets the same".to_owned(),
        stops if stops > 0.0 => {
            format!("too light by {}; the next gets {next}", words::stops(correction.stops))
        }
        _ => format!("too dark by {}; the next gets {next}", words::stops(correction.stops)),
    }
}

/// What is to be done about a judgement that came early.
#[must_use]
pub fn too_early(judgement: &Judgement) -> Option<&'static str> {
    match (judgement.dry, judgement.oxidised) {
        (true, true) => None,
        (false, _) => Some(
            "judged wet: it dries darker. Judge it again with --dry --oxidised; until then it counts for less",
        ),
        (true, false) => Some(
            "judged before it is oxidised: it gets bluer yet. Judge it again with --dry --oxidised; until then it counts for less",
        ),
    }
}
