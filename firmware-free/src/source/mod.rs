//! Sun against lamp box: what a reading under the one is worth under the other,
//! how a lamp box behaves, and how hard it is on the eye.

mod ageing;
mod evenness;
mod factor;
mod hazard;
mod mismatch;
mod spectrum;
mod warm_up;

pub use ageing::{Ageing, AgeingError, LampReading, ageing};
pub use evenness::{Evenness, EvennessError, PlaceReading, evenness};
pub use factor::{Factor, FactorError, factor_of_curves, factor_of_pairs};
pub use hazard::{EYE_LIMIT, EYE_LIMIT_WITHIN_S, UvIndex, UvLevel, erythema, seconds_to_eye_limit, uv_index};
pub use mismatch::{Mismatch, MismatchError, mismatch};
pub use spectrum::{Spectrum, SpectrumError};
pub use warm_up::{STEADY_WITHIN, WarmUp, WarmUpError, warm_up};

/// The name of the source that every rig has, and that a print has where none is told.
pub const SUN: &str = "sun";
