//! The dose of a print, computed from what happened and from nothing else.
//!
//! What is kept is facts: stored light, the spans with the cover off, the clocks of the
//! boots, the switches of a lamp, the brightness of the clear sky. [`dose`] is the only
//! place where they become the dose of a print:
//!
//! - Light that was seen is the trapezoid rule on the instants of the readings, of what the
//!   print's response makes of each reading. A saturated reading parts its least and its
//!   most.
//! - Readings further apart than 1.5 periods, in different boots or around lost light leave
//!   a gap, and so does the time before the first reading. A gap is bounded over exactly the
//!   part that the cover was off: by 10 to 120 % of the clear sky over its own hours if place
//!   and time are facts and only sunlight reaches the sensor; by 105 % of its readings under
//!   a lamp; otherwise by zero and the brightest reading of the hour before.
//! - At the switch of a lamp light steps, and the reading that spans the switch is dropped.
//!
//! [`Live`] is the same for many prints as readings come in.

mod lamps;
mod live;
mod piece;
mod sample;
mod sky;
#[cfg(test)]
mod storm;
mod tally;
#[cfg(test)]
mod tests;

pub use lamps::{Lamp, LampFact, Lamps};
pub use live::{Backwards, Live, PrintKey};
pub use piece::Facts;
pub use sample::{Rounding, Sample};
pub use sky::Sky;

use super::Exposure;
use crate::light::Estimate;
use crate::time::{Clocks, Stamp, elapsed};

use piece::{Piece, SeenLight};
use tally::Tally;

/// The dose of a print at an instant, in J/m² behind its glass, as its response counts it.
///
/// `light` is that of its sensor in rising order, from an hour and two minutes before the last
/// reading before the print was first uncovered; light after `at` settles what lies between two
/// readings.
/// The upper bound is infinite where no wall clock bounds how long the power was off.
#[must_use]
pub fn dose(
    clocks: &Clocks,
    sky: &Sky,
    lamps: &Lamps,
    light: &[Sample],
    exposure: &Exposure,
    at: Stamp,
) -> Estimate {
    let facts = Facts { clocks, sky, lamps };
    tally(facts, light, exposure, at).estimate(exposure.passes())
}

fn tally(facts: Facts<'_>, light: &[Sample], exposure: &Exposure, at: Stamp) -> Tally {
    debug_assert!(light.windows(2).all(|pair| pair[0].at < pair[1].at), "light rises");
    let mut tally = Tally::default();
    let spans = exposure.open.as_slice();
    let Some(first) = spans.first() else { return tally };
    let end = spans.last().and_then(|last| last.to).map_or(at, |end| end.min(at));
    let mut seen = SeenLight::default();
    for sample in since(facts, light, first.from) {
        if !seen.admit(facts, sample) {
            continue;
        }
        if first.from < sample.at {
            add_pieces(facts, &seen, seen.pieces_to(facts, sample), exposure, at, &mut tally);
        }
        seen.take(facts, sample);
        if end <= sample.at {
            return tally;
        }
    }
    add_pieces(facts, &seen, seen.pieces_until(facts, at), exposure, at, &mut tally);
    tally
}

/// The light that has a say in what falls from an instant on: that of the hour before the last
/// reading until then, and all since.
fn since<'a>(facts: Facts<'_>, light: &'a [Sample], from: Stamp) -> &'a [Sample] {
    let before = &light[..light.partition_point(|sample| sample.at <= from)];
    let is_reading = |sample: &&Sample| sample.seen.is_some() && !facts.lamps.is_spanned_by(sample);
    let from = before.iter().rfind(is_reading).map_or(from, |last| last.at);
    let is_older = |sample: &Sample| elapsed(facts.clocks, sample.at, from).low > SeenLight::REACHES_BACK_S;
    &light[light.partition_point(is_older)..]
}

fn add_pieces(
    facts: Facts<'_>,
    seen: &SeenLight,
    pieces: impl Iterator<Item = Piece>,
    exposure: &Exposure,
    at: Stamp,
    tally: &mut Tally,
) {
    for piece in pieces {
        for span in exposure.open.as_slice() {
            if let Some(part) = piece.overlap(span.until(at)) {
                seen.add(facts, &piece, part, &exposure.response, tally);
            }
        }
    }
}
