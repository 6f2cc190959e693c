//! Places on a scan, as people type them.

use std::str::FromStr;

use frameside_core::sensitometry::Density;

/// Corners of an area that cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{0}' are no corners; write X,Y,X,Y or all four as X,Y,X,Y,X,Y,X,Y in pixels")]
pub struct NotCorners(String);

/// An area of known density that cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{0}' is no reference; write it like 100,600,300,700=0.06")]
pub struct NotKnown(String);

/// A place on a scan, in pixels from its upper left corner.
pub type Pixel = (f64, f64);

/// A four-sided area: its corners in turn, from the first patch's outer corner
/// along the row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quad(pub [Pixel; 4]);

impl Quad {
    /// The upright rectangle between two corners.
    #[must_use]
    pub fn between(a: Pixel, b: Pixel) -> Self {
        Self([a, (b.0, a.1), b, (a.0, b.1)])
    }

    /// The place at shares of the way along and across it.
    pub(super) fn at(&self, along: f64, across: f64) -> Pixel {
        let [a, b, c, d] = self.0;
        let mix = |p: Pixel, q: Pixel, share: f64| (p.0 + (q.0 - p.0) * share, p.1 + (q.1 - p.1) * share);
        mix(mix(a, b, along), mix(d, c, along), across)
    }

    /// One of `count` even parts along it.
    pub(super) fn part(&self, index: usize, count: usize) -> Self {
        let [from, to] = [index, index + 1].map(|i| i as f64 / count as f64);
        Self([self.at(from, 0.0), self.at(to, 0.0), self.at(to, 1.0), self.at(from, 1.0)])
    }
}

impl FromStr for Quad {
    type Err = NotCorners;

    /// Reads `X,Y,X,Y` for two opposite corners, or all four in turn.
    fn from_str(text: &str) -> Result<Self, NotCorners> {
        let wrong = || NotCorners(text.to_owned());
        let numbers = text.split(',').map(|number| number.trim().parse());
        let numbers: Vec<f64> = numbers.collect::<Result<_, _>>().map_err(|_| wrong())?;
        match numbers[..] {
            [ax, ay, bx, by] => Ok(Self::between((ax, ay), (bx, by))),
            [ax, ay, bx, by, cx, cy, dx, dy] => Ok(Self([(ax, ay), (bx, by), (cx, cy), (dx, dy)])),
            _ => Err(wrong()),
        }
    }
}

/// An area of known density.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Known {
    /// Where it lies.
    pub area: Quad,
    /// What it has.
    pub density: Density,
}

impl FromStr for Known {
    type Err = NotKnown;

    /// Reads `X,Y,X,Y=D`.
    fn from_str(text: &str) -> Result<Self, NotKnown> {
        let wrong = || NotKnown(text.to_owned());
        let (corners, density) = text.split_once('=').ok_or_else(wrong)?;
        let density = Density::new(density.trim().parse().map_err(|_| wrong())?);
        if !density.is_plausible() {
            return Err(wrong());
        }
        Ok(Self { area: corners.parse().map_err(|_| wrong())?, density })
    }
}
