//! Monotone cubic interpolation: a smooth curve that never overshoots its points.

/// A piecewise cubic through points, monotone wherever they are.
///
/// Slopes are the weighted harmonic means of Fritsch and Butland, SIAM J. Sci.
/// Stat. Comput. 5 (1984) 300, with the one-sided ends of Moler, Numerical
/// Computing with MATLAB (2004) 3.6: what `scipy.interpolate.PchipInterpolator`
/// does.
#[derive(Debug, Clone, PartialEq)]
pub struct Pchip {
    knots: Vec<Knot>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Knot {
    x: f64,
    y: f64,
    slope: f64,
}

impl Pchip {
    /// Through points `(x, y)` with strictly rising x. `None` when there are
    /// fewer than two, when x does not rise, or when one is not finite.
    #[must_use]
    pub fn new(points: &[(f64, f64)]) -> Option<Self> {
        let rising = points.windows(2).all(|pair| pair[0].0 < pair[1].0);
        let finite = points.iter().all(|(x, y)| x.is_finite() && y.is_finite());
        if points.len() < 2 || !rising || !finite {
            return None;
        }
        let slopes = slopes(points);
        let knots = points.iter().zip(slopes).map(|(&(x, y), slope)| Knot { x, y, slope }).collect();
        Some(Self { knots })
    }

    /// The value at x, `None` outside the points.
    #[must_use]
    pub fn value(&self, x: f64) -> Option<f64> {
        let segment = self.segment_at(x)?;
        Some(segment.value(segment.share(x)))
    }

    /// The derivative at x, `None` outside the points.
    #[must_use]
    pub fn slope(&self, x: f64) -> Option<f64> {
        let segment = self.segment_at(x)?;
        Some(segment.slope(segment.share(x)))
    }

    /// The first x at which the curve comes up to `level` from below.
    #[must_use]
    pub fn first_upward(&self, level: f64) -> Option<f64> {
        let at = self.knots.windows(2).position(|pair| pair[0].y < level && level <= pair[1].y)?;
        Some(Segment::between(self.knots[at], self.knots[at + 1]).solve(level))
    }

    /// The last x below `before` at which the curve comes up to `level` from below.
    #[must_use]
    pub fn last_upward(&self, level: f64, before: f64) -> Option<f64> {
        let rising = |pair: &[Knot]| pair[0].y < level && level <= pair[1].y;
        let crossings = self.knots.windows(2).rev().filter(|pair| rising(pair));
        crossings.map(|pair| Segment::between(pair[0], pair[1]).solve(level)).find(|x| *x < before)
    }

    /// The first x at which the curve comes down to `level` from above.
    #[must_use]
    pub fn first_downward(&self, level: f64) -> Option<f64> {
        let at = self.knots.windows(2).position(|pair| pair[0].y > level && level >= pair[1].y)?;
        Some(Segment::between(self.knots[at], self.knots[at + 1]).solve(level))
    }

    /// The x of a point.
    pub(super) fn x_of(&self, point: usize) -> f64 {
        self.knots[point].x
    }

    /// The first of the highest points.
    pub(super) fn highest(&self) -> (f64, f64) {
        let higher = |a: Knot, b: Knot| if b.y > a.y { b } else { a };
        let knot = self.knots.iter().copied().reduce(higher).expect("a curve has two points");
        (knot.x, knot.y)
    }

    /// The distance of the two points about x.
    pub(super) fn step_at(&self, x: f64) -> f64 {
        let right = self.knots.partition_point(|knot| knot.x < x).clamp(1, self.knots.len() - 1);
        self.knots[right].x - self.knots[right - 1].x
    }

    /// The share of each point in the value at x, as if the curve were straight between two.
    pub(super) fn weights(&self, x: f64) -> Vec<f64> {
        let last = self.knots.len() - 1;
        let right = self.knots.partition_point(|knot| knot.x < x).clamp(1, last);
        let (from, to) = (self.knots[right - 1].x, self.knots[right].x);
        let share = ((x - from) / (to - from)).clamp(0.0, 1.0);
        let mut weights = vec![0.0; last + 1];
        (weights[right - 1], weights[right]) = (1.0 - share, share);
        weights
    }

    /// How far in x a crossing of `level` on the way up to `top` may be off where the level
    /// is known to `error`, by the flatter side: a curve that flattens moves a crossing more.
    pub(super) fn half_width(&self, level: f64, error: f64, top: f64) -> f64 {
        let first = self.knots.first().map_or(top, |knot| knot.x);
        let at = |level| self.last_upward(level, top);
        let here = at(level).unwrap_or(top);
        let (below, above) = (at(level - error).unwrap_or(first), at(level + error).unwrap_or(top));
        (here - below).max(above - here)
    }

    fn segment_at(&self, x: f64) -> Option<Segment> {
        let (first, last) = (self.knots.first()?, self.knots.last()?);
        if !(first.x..=last.x).contains(&x) {
            return None;
        }
        let right = self.knots.partition_point(|knot| knot.x <= x).clamp(1, self.knots.len() - 1);
        Some(Segment::between(self.knots[right - 1], self.knots[right]))
    }
}

/// One cubic: `y0 + t (c1 + t (c2 + t c3))` with t from 0 to 1 across it.
struct Segment {
    from: Knot,
    to: Knot,
    c: [f64; 3],
}

impl Segment {
    fn between(from: Knot, to: Knot) -> Self {
        let width = to.x - from.x;
        let rise = to.y - from.y;
        let (start, end) = (from.slope * width, to.slope * width);
        Self { from, to, c: [start, 3.0 * rise - 2.0 * start - end, start + end - 2.0 * rise] }
    }

    fn share(&self, x: f64) -> f64 {
        (x - self.from.x) / (self.to.x - self.from.x)
    }

    fn value(&self, t: f64) -> f64 {
        self.from.y + t * (self.c[0] + t * (self.c[1] + t * self.c[2]))
    }

    fn slope(&self, t: f64) -> f64 {
        (self.c[0] + t * (2.0 * self.c[1] + t * 3.0 * self.c[2])) / (self.to.x - self.from.x)
    }

    /// Where the segment, which is monotone, takes a level between its ends:
    /// halved until a double holds no more.
    fn solve(&self, level: f64) -> f64 {
        if level == self.to.y {
            return self.to.x;
        }
        let rising = self.from.y < self.to.y;
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..f64::MANTISSA_DIGITS {
            let middle = 0.5 * (low + high);
            if (self.value(middle) < level) == rising {
                low = middle;
            } else {
                high = middle;
            }
        }
        (self.from.x + high * (self.to.x - self.from.x)).min(self.to.x)
    }
}

fn slopes(points: &[(f64, f64)]) -> Vec<f64> {
    let widths: Vec<f64> = points.windows(2).map(|pair| pair[1].0 - pair[0].0).collect();
    let secants: Vec<f64> =
        points.windows(2).zip(&widths).map(|(pair, w)| (pair[1].1 - pair[0].1) / w).collect();
    let last = secants.len() - 1;
    if last == 0 {
        return vec![secants[0]; 2];
    }
    let inner = (1..=last).map(|i| inner_slope([widths[i - 1], widths[i]], [secants[i - 1], secants[i]]));
    let mut slopes = vec![end_slope([widths[0], widths[1]], [secants[0], secants[1]])];
    slopes.extend(inner);
    slopes.push(end_slope([widths[last], widths[last - 1]], [secants[last], secants[last - 1]]));
    slopes
}

/// Weighted harmonic mean of the secants on both sides; flat at an extreme.
fn inner_slope(width: [f64; 2], secant: [f64; 2]) -> f64 {
    if secant[0] * secant[1] <= 0.0 {
        return 0.0;
    }
    let weight = [width[0] + 2.0 * width[1], 2.0 * width[0] + width[1]];
    (weight[0] + weight[1]) / (weight[0] / secant[0] + weight[1] / secant[1])
}

/// Three-point estimate at an end, its own segment first, held to the shape of
/// the points.
fn end_slope(width: [f64; 2], secant: [f64; 2]) -> f64 {
    let estimate = ((2.0 * width[0] + width[1]) * secant[0] - width[0] * secant[1]) / (width[0] + width[1]);
    if estimate * secant[0] <= 0.0 {
        0.0
    } else if secant[0] * secant[1] <= 0.0 && estimate.abs() > 3.0 * secant[0].abs() {
        3.0 * secant[0]
    } else {
        estimate
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Uneven, with an extreme at 3 and an end that must be held back.
    const POINTS: [(f64, f64); 6] = [(0.0, 0.0), (1.0, 0.1), (1.5, 0.9), (3.0, 1.0), (4.25, 0.4), (5.0, 0.6)];

    fn curve() -> Pchip {
        Pchip::new(&POINTS).unwrap()
    }

    #[test]
    fn agrees_with_scipy() {
        // [calc with scipy 1.17.1, PchipInterpolator].
        for (x, y) in [
            (0.3, 0.008_452_173_913_043_481),
            (1.2, 0.389_369_394_043_135_8),
            (2.5, 0.990_871_974_336_541_2),
            (3.9, 0.514_777_6),
            (4.6, 0.442_394_074_074_074),
        ] {
            assert!((curve().value(x).unwrap() - y).abs() < 1e-12, "{x}");
        }
        let slopes = [0.0, 0.208_695_652_173_913, 0.151_181_102_362_204_7, 0.0, 0.0, 0.546_666_666_666_666_5];
        for ((x, _), slope) in POINTS.iter().zip(slopes) {
            assert!((curve().slope(*x).unwrap() - slope).abs() < 1e-12, "{x}");
        }
    }

    #[test]
    fn two_points_make_a_line() {
        let line = Pchip::new(&[(1.0, 2.0), (3.0, 6.0)]).unwrap();
        assert_eq!(line.value(1.5), Some(3.0));
        assert_eq!(line.first_upward(3.0), Some(1.5));
    }

    #[test]
    fn crossings_are_the_first_of_their_direction() {
        // [calc with scipy 1.17.1, PchipInterpolator.solve(0.5)].
        assert!((curve().first_upward(0.5).unwrap() - 1.248_443_93).abs() < 1e-8);
        assert!((curve().first_downward(0.5).unwrap() - 3.926_063_73).abs() < 1e-8);
        assert_eq!(curve().first_upward(1.0), Some(3.0));
        assert_eq!(curve().first_upward(1.001), None);
        assert_eq!(curve().first_upward(0.0), None, "it starts there and does not come up to it");
    }

    #[test]
    fn nothing_is_said_outside_the_points() {
        assert_eq!(curve().value(-0.1), None);
        assert_eq!(curve().value(5.1), None);
        assert_eq!(curve().value(f64::NAN), None);
        assert!((curve().value(5.0).unwrap() - 0.6).abs() < 1e-15);
    }

    #[test]
    fn points_that_make_no_curve_are_refused() {
        assert_eq!(Pchip::new(&[(0.0, 1.0)]), None);
        assert_eq!(Pchip::new(&[(0.0, 1.0), (0.0, 2.0)]), None);
        assert_eq!(Pchip::new(&[(0.0, 1.0), (1.0, f64::NAN)]), None);
    }

    proptest! {
        #[test]
        fn rising_points_make_a_rising_curve_whose_crossings_lie_on_it(
            steps in proptest::collection::vec((0.01..2.0_f64, 0.0..1.0_f64), 2..20),
            share in 0.01..1.0_f64,
        ) {
            let mut points = vec![(0.0, 0.0)];
            for (dx, dy) in steps {
                let (x, y) = *points.last().unwrap();
                points.push((x + dx, y + dy));
            }
            let (width, height) = *points.last().unwrap();
            prop_assume!(height > 0.0);
            let curve = Pchip::new(&points).unwrap();
            let values: Vec<f64> = (0..=200).map(|i| curve.value((width * f64::from(i) / 200.0).min(width)).unwrap()).collect();
            prop_assert!(values.windows(2).all(|pair| pair[1] >= pair[0] - 1e-12));
            let at = curve.first_upward(share * height).unwrap();
            prop_assert!((curve.value(at).unwrap() - share * height).abs() < 1e-12);
        }
    }
}
