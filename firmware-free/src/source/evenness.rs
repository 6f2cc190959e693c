//! How even the light of a lamp box is.

use crate::quantity::{Irradiance, Stops};

/// So far out, as a share of the way to the edge, is still the middle: the inner places of four
/// across are.
const MIDDLE: f64 = 0.4;

/// A reading somewhere on the bed of a lamp box.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaceReading {
    /// Across, in metres from anywhere.
    pub x: f64,
    /// Down, in metres from the same.
    pub y: f64,
    /// The reading.
    pub irradiance: Irradiance,
}

/// How even a lamp box is.
#[derive(Debug, Clone, PartialEq)]
pub struct Evenness {
    /// Each reading against the brightest, in stops: zero or below, in the
    /// order given.
    pub below_brightest: Vec<Stops>,
    /// The darkest of the readings, as its place in that order.
    pub darkest: usize,
    /// From the darkest to the brightest reading of all.
    pub spread: Stops,
    /// Width and height in metres of the largest area about the middle, in the
    /// shape of the whole, that stays within the spread asked for; `None` when
    /// not even the readings about the middle do.
    pub within: Option<(f64, f64)>,
}

/// Why there is no map.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum EvennessError {
    /// Too few.
    #[error("a map needs at least four readings, with the corners among them, not {0}")]
    TooFew(usize),
    /// A reading without light.
    #[error("reading {0} has no light, or no place; take it again")]
    NoLight(usize),
    /// Nothing but the rim.
    #[error("no reading lies in the middle of the bed; take one there: a lamp is mostly brightest inside")]
    NoMiddle,
    /// All on one line.
    #[error("the readings lie on one line; take them over the whole bed, corners and middle")]
    Line,
}

/// From readings all over the bed, and the spread in stops that a print may have.
///
/// # Errors
/// [`EvennessError`] with fewer than four, readings without light or all on
/// one line, or none in the middle.
pub fn evenness(readings: &[PlaceReading], within: Stops) -> Result<Evenness, EvennessError> {
    if readings.len() < 4 {
        return Err(EvennessError::TooFew(readings.len()));
    }
    let is_good = |r: &PlaceReading| {
        r.x.is_finite()
            && r.y.is_finite()
            && r.irradiance > Irradiance::ZERO
            && r.irradiance.w_m2().is_finite()
    };
    if let Some(bad) = readings.iter().position(|r| !is_good(r)) {
        return Err(EvennessError::NoLight(bad + 1));
    }
    let (left, right) = ends(readings.iter().map(|r| r.x));
    let (top, bottom) = ends(readings.iter().map(|r| r.y));
    if right <= left || bottom <= top {
        return Err(EvennessError::Line);
    }
    let logs: Vec<f64> = readings.iter().map(|r| r.irradiance.w_m2().log2()).collect();
    let (least, most) = ends(logs.iter().copied());
    // How far out of the middle: 1 at the edge of the whole.
    let out = |r: &PlaceReading| {
        let across = (r.x - f64::midpoint(left, right)).abs() / ((right - left) / 2.0);
        let down = (r.y - f64::midpoint(top, bottom)).abs() / ((bottom - top) / 2.0);
        across.max(down)
    };
    let mut outwards: Vec<(f64, f64)> = readings.iter().map(out).zip(logs.iter().copied()).collect();
    outwards.sort_by(|a, b| a.0.total_cmp(&b.0));
    if outwards[0].0 > MIDDLE {
        return Err(EvennessError::NoMiddle);
    }
    let share = reach(&outwards, within.value());
    Ok(Evenness {
        below_brightest: logs.iter().map(|log| Stops::new(log - most)).collect(),
        darkest: logs.iter().position(|log| *log == least).unwrap_or(0),
        spread: Stops::new(most - least),
        within: share.map(|share| (share * (right - left), share * (bottom - top))),
    })
}

/// How far out the readings, sorted outwards, stay within a spread. Readings
/// equally far out count together, and the edge lies where a straight line from
/// the last ring within to the next would leave the spread.
fn reach(outwards: &[(f64, f64)], within: f64) -> Option<f64> {
    let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
    let (mut last_out, mut last_spread) = (0.0, 0.0);
    let mut found = None;
    for ring in outwards.chunk_by(|a, b| b.0 - a.0 < 1e-9) {
        let (low, high) = ends(ring.iter().map(|r| r.1));
        (least, most) = (least.min(low), most.max(high));
        let (out, spread) = (ring[0].0, most - least);
        if spread > within {
            let share = (within - last_spread) / (spread - last_spread);
            return found.map(|_| last_out + share * (out - last_out)).filter(|reach| *reach > 0.0);
        }
        (last_out, last_spread) = (out, spread);
        found = Some(out);
    }
    found
}

fn ends(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Five by five readings over 40 by 30 cm that lose so many stops from the
    /// middle to the edge, evenly.
    fn bed(loss: f64) -> Vec<PlaceReading> {
        (0..25)
            .map(|i| (f64::from(i % 5) / 4.0, f64::from(i / 5) / 4.0))
            .map(|(x, y)| {
                let out = (2.0 * x - 1.0).abs().max((2.0 * y - 1.0).abs());
                let irradiance = Irradiance::from_w_m2(25.0 * (-loss * out).exp2());
                PlaceReading { x: 0.4 * x, y: 0.3 * y, irradiance }
            })
            .collect()
    }

    #[test]
    fn half_the_loss_is_reached_half_way_out() {
        let found = evenness(&bed(0.5), Stops::new(0.25)).unwrap();
        assert!((found.spread.value() - 0.5).abs() < 1e-12);
        let (width, height) = found.within.unwrap();
        assert!((width - 0.2).abs() < 1e-9 && (height - 0.15).abs() < 1e-9, "{width} {height}");
        // Between rings, on a straight line.
        let (width, _) = evenness(&bed(0.5), Stops::new(0.3)).unwrap().within.unwrap();
        assert!((width - 0.24).abs() < 1e-9, "{width}");
    }

    #[test]
    fn an_even_box_is_good_to_its_edge_and_a_dark_corner_is_found() {
        assert_eq!(evenness(&bed(0.0), Stops::new(0.1)).unwrap().within, Some((0.4, 0.3)));
        let mut dark = bed(0.0);
        dark[4].irradiance = Irradiance::from_w_m2(12.5);
        let found = evenness(&dark, Stops::new(0.1)).unwrap();
        assert_eq!(found.darkest, 4);
        assert!((found.below_brightest[4].value() + 1.0).abs() < 1e-12);
        assert!((found.within.unwrap().0 - 0.22).abs() < 1e-9, "{:?}", found.within);
    }

    #[test]
    fn what_is_no_map_is_refused() {
        assert_eq!(evenness(&bed(0.1)[..3], Stops::new(0.1)), Err(EvennessError::TooFew(3)));
        assert_eq!(evenness(&bed(0.1)[..5], Stops::new(0.1)), Err(EvennessError::Line));
        // A lamp 0.72 stop brighter inside had "spread 0" by its corners.
        let corners: Vec<_> = [0, 4, 20, 24].map(|i| bed(0.72)[i]).to_vec();
        assert_eq!(evenness(&corners, Stops::new(0.1)), Err(EvennessError::NoMiddle));
        let with_middle: Vec<_> = corners.into_iter().chain([bed(0.72)[12]]).collect();
        assert!((evenness(&with_middle, Stops::new(0.1)).unwrap().spread.value() - 0.72).abs() < 1e-9);
        let mut dark = bed(0.1);
        dark[7].irradiance = Irradiance::ZERO;
        assert_eq!(evenness(&dark, Stops::new(0.1)), Err(EvennessError::NoLight(8)));
    }
}
