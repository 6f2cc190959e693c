//! A characteristic curve freed of the noise of its readings.
//!
//! The noise is estimated from the readings themselves: how rough they are beyond what a
//! smooth curve explains, by restricted maximum likelihood of a smoothing spline (Wahba 1985,
//! Ann. Statist. 13, 1378) with its penalty on the third derivative (Whittaker 1923). Readings without noise beyond that of
//! rounding are left as they are.
//!
//! Else the curve is the smoothest that fits and has the shape of every characteristic
//! curve: it rises, first ever steeper, then ever less steep, and may turn over at the end.
//! That is least squares with the sign of each second difference given, solved by the
//! active-set method of Lawson and Hanson, Solving Least Squares Problems (1974), chapter 23.

use super::matrix::{Cholesky, dot};
use super::{Density, peak};

/// Noise up to this is that of readings written to a hundredth (0.003) and no reason to smooth.
const OF_ROUNDING: f64 = 0.004;
/// Nor is noise that makes the readings likelier by less than this, as a logarithm: a few steps
/// far apart look rough of themselves.
const EVIDENCE: f64 = 0.03;
/// How far, as a factor, the reading error lies from the usual one mostly; where few readings
/// show little of it, the usual one stands in.
const USUALLY_WITHIN: f64 = 1.65;
/// The roughness is mostly that of the curve's middle; its toe, which the noise harms most,
/// is smoother than that by about this factor (by the study in tests/reference/wedges.py).
const TOE_IS_SMOOTHER: f64 = 2.5;
/// A fit that misses the readings by more than this many times their noise has another shape.
const MISFIT: f64 = 2.5;

/// Densities at the steps of a wedge, with what is not known of them.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Smooth {
    /// The density at each step.
    pub(super) values: Vec<f64>,
    /// Standard error of a reading.
    pub(super) noise: f64,
    /// Covariance of `values`, by rows.
    covariance: Vec<Vec<f64>>,
}

impl Smooth {
    /// From at least five points (log H, density) by rising log H.
    pub(super) fn of(points: &[(f64, f64)]) -> Self {
        let x: Vec<f64> = points.iter().map(|p| p.0).collect();
        let y: Vec<f64> = points.iter().map(|p| p.1).collect();
        let rough = Roughness::new(&x);
        let free = rough.most_likely(&y);
        let noise = free.expected_noise;
        if free.noise <= OF_ROUNDING || free.evidence < EVIDENCE {
            let of_reading = |i: usize, j: usize| if i == j { noise.powi(2) } else { 0.0 };
            let covariance = square(y.len(), of_reading);
            return Self { values: y, noise, covariance };
        }
        let turned = turned_over(&free.values, noise);
        let shaped = Hinges::new(&x, &y, &rough, free.ratio).fit(steepest(&x, &free.values), turned);
        let misfit = square_distance(&shaped.values, &y) / y.len() as f64;
        let (values, covariance) = if misfit > (MISFIT * noise).powi(2) {
            (rising_to_peak(&free.values), rough.covariance(free.ratio))
        } else {
            (shaped.values, shaped.covariance)
        };
        let scaled = |row: Vec<f64>| row.into_iter().map(|c| c * noise.powi(2)).collect();
        Self { values, noise, covariance: covariance.into_iter().map(scaled).collect() }
    }

    /// Standard error of a weighted sum of the values.
    pub(super) fn error_of(&self, weights: &[f64]) -> f64 {
        let rows = self.covariance.iter().map(|row| dot(row, weights));
        rows.zip(weights).map(|(row, weight)| row * weight).sum::<f64>().max(0.0).sqrt()
    }
}

fn square(size: usize, entry: impl Fn(usize, usize) -> f64) -> Vec<Vec<f64>> {
    (0..size).map(|i| (0..size).map(|j| entry(i, j)).collect()).collect()
}

fn square_distance(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum()
}

/// The step at which the density rises most.
fn steepest(x: &[f64], values: &[f64]) -> usize {
    let slopes = x.windows(2).zip(values.windows(2)).map(|(x, y)| (y[1] - y[0]) / (x[1] - x[0]));
    slopes.enumerate().max_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |(at, _)| at + 1)
}

/// Where density is lost beyond doubt past the peak: the index of the peak.
fn turned_over(values: &[f64], noise: f64) -> Option<usize> {
    let at = peak(values)?;
    (values[at] - values[values.len() - 1] > 3.0 * noise).then_some(at)
}

/// The nearest row that does not fall before its peak, by pooling adjacent violators.
fn rising_to_peak(values: &[f64]) -> Vec<f64> {
    let way_up = peak(values).map_or(0, |at| at + 1);
    let mut pools: Vec<(f64, usize)> = Vec::new();
    for &value in &values[..way_up] {
        pools.push((value, 1));
        while let [.., (before, m), (last, n)] = pools[..]
            && before > last
        {
            let mean = (before * m as f64 + last * n as f64) / (m + n) as f64;
            pools.truncate(pools.len() - 2);
            pools.push((mean, m + n));
        }
    }
    let rising = pools.into_iter().flat_map(|(value, n)| std::iter::repeat_n(value, n));
    rising.chain(values[way_up..].iter().copied()).collect()
}

/// The third differences of a row over uneven steps: Σ (P y)² is the integral of the
/// squared third derivative.
struct Roughness {
    /// Pᵀ P.
    gram: Vec<Vec<f64>>,
}

/// The smoothing spline that the readings make most likely.
struct Free {
    values: Vec<f64>,
    /// Standard deviation of the readings about it.
    noise: f64,
    /// The same over all splines by how likely they are, and by the usual reading error.
    expected_noise: f64,
    /// Noise over roughness.
    ratio: f64,
    /// How much likelier it is than a curve through the readings, as a logarithm.
    evidence: f64,
}

/// One of the splines to choose from.
struct Fit {
    /// Less the logarithm of its likelihood.
    unlikely: f64,
    ratio: f64,
    noise: f64,
    values: Vec<f64>,
}

/// Root of the mean variance over the fits.
fn expected_noise(fits: &[Fit]) -> f64 {
    let unlikely = |fit: &Fit| {
        let off_the_usual = (fit.noise / Density::READING_ERROR).ln() / USUALLY_WITHIN.ln();
        fit.unlikely + 0.5 * off_the_usual.powi(2)
    };
    let least = fits.iter().map(unlikely).fold(f64::INFINITY, f64::min);
    let weights = fits.iter().map(|fit| ((least - unlikely(fit)).exp(), fit.noise.powi(2)));
    let (weight, square) = weights.fold((0.0, 0.0), |sum, (w, square)| (sum.0 + w, sum.1 + w * square));
    (square / weight).sqrt()
}

impl Roughness {
    fn new(x: &[f64]) -> Self {
        let curvatures: Vec<[f64; 3]> = x.windows(3).map(curvature).collect();
        let rows: Vec<(usize, [f64; 4])> = (0..curvatures.len().saturating_sub(1))
            .map(|i| {
                let width = (x[i + 2] - x[i + 1]).sqrt();
                let ([a, b, c], [d, e, f]) = (curvatures[i], curvatures[i + 1]);
                (i, [-a, d - b, e - c, f].map(|weight| weight / width))
            })
            .collect();
        let mut gram = square(x.len(), |_, _| 0.0);
        for (at, row) in rows {
            for (i, a) in row.iter().enumerate() {
                for (j, b) in row.iter().enumerate() {
                    gram[at + i][at + j] += a * b;
                }
            }
        }
        Self { gram }
    }

    fn hat(&self, ratio: f64) -> Option<Cholesky> {
        let unit = |i, j| if i == j { 1.0 } else { 0.0 };
        Cholesky::banded(self.gram.len(), 3, |i, j| unit(i, j) + ratio.powi(2) * self.gram[i][j])
    }

    /// Restricted maximum likelihood over the ratio of noise to roughness; three parameters, a
    /// parabola, are free.
    fn most_likely(&self, y: &[f64]) -> Free {
        /// No reading is better than this.
        const LEAST: f64 = 1e-9;
        let freedom = y.len() as f64 - 3.0;
        let fit = |tenth: i32| {
            let ratio = 10f64.powf(0.1 * f64::from(tenth));
            let hat = self.hat(ratio)?;
            let values = hat.solve(y);
            let rough: f64 = self.gram.iter().zip(&values).map(|(row, v)| dot(row, &values) * v).sum();
            let misfit = square_distance(&values, y) + ratio.powi(2) * rough;
            let noise = (misfit / freedom).sqrt().max(LEAST);
            let unlikely = freedom * (noise.ln() - ratio.ln()) + 0.5 * hat.log_determinant();
            Some(Fit { unlikely, ratio, noise, values })
        };
        let fits: Vec<Fit> = (-60..=10).filter_map(fit).collect();
        let expected_noise = expected_noise(&fits);
        let through_readings = fits.first().map_or(f64::INFINITY, |fit| fit.unlikely);
        let best = fits.into_iter().min_by(|a, b| a.unlikely.total_cmp(&b.unlikely));
        let Fit { unlikely, ratio, noise, values } = best.expect("a small ratio leaves the unit matrix");
        Free { values, noise, expected_noise, ratio, evidence: through_readings - unlikely }
    }

    /// Of the smoothing spline, in units of the noise's variance.
    fn covariance(&self, ratio: f64) -> Vec<Vec<f64>> {
        let size = self.gram.len();
        let hat = self.hat(ratio).expect("this ratio was fitted");
        (0..size).map(|i| hat.solve(&unit_vector(size, i))).collect()
    }
}

fn unit_vector(size: usize, at: usize) -> Vec<f64> {
    (0..size).map(|i| if i == at { 1.0 } else { 0.0 }).collect()
}

/// Weights of three neighbours in the second derivative between them.
fn curvature(x: &[f64]) -> [f64; 3] {
    let (before, after) = (x[1] - x[0], x[2] - x[1]);
    let middle = 0.5 * (before + after);
    [1.0 / (before * middle), -(1.0 / before + 1.0 / after) / middle, 1.0 / (after * middle)]
}

/// The curve as a constant, a slope and a change of slope at each inner step.
struct Hinges {
    /// Each step's value by those, and by rows.
    design: Vec<Vec<f64>>,
    /// Normal equations of the fit.
    gram: Vec<Vec<f64>>,
    /// The same with a roughness between that and the likeliest, for the error.
    gram_of_error: Vec<Vec<f64>>,
    rhs: Vec<f64>,
}

/// A fit of the given shape.
struct Shaped {
    values: Vec<f64>,
    /// In units of the noise's variance.
    covariance: Vec<Vec<f64>>,
}

/// What a parameter may be.
#[derive(Clone, Copy, PartialEq)]
enum Sign {
    Any,
    Positive,
    Negative,
}

impl Sign {
    /// How far a value goes the right way.
    fn along(self, value: f64) -> f64 {
        match self {
            Self::Any => f64::INFINITY,
            Self::Positive => value,
            Self::Negative => -value,
        }
    }
}

impl Hinges {
    fn new(x: &[f64], y: &[f64], rough: &Roughness, ratio: f64) -> Self {
        let size = x.len();
        let row = |at: &f64| {
            let hinges = x[..size - 1].iter().map(|hinge| (at - hinge).max(0.0));
            std::iter::once(1.0).chain(hinges).collect()
        };
        let design: Vec<Vec<f64>> = x.iter().map(row).collect();
        let column = |j: usize| design.iter().map(move |row| row[j]).collect::<Vec<f64>>();
        let columns: Vec<Vec<f64>> = (0..size).map(column).collect();
        let roughened: Vec<Vec<f64>> =
            columns.iter().map(|c| rough.gram.iter().map(|row| dot(row, c)).collect()).collect();
        let gram = |ratio: f64| {
            square(size, |i, j| {
                dot(&columns[i], &columns[j]) + ratio.powi(2) * dot(&columns[i], &roughened[j])
            })
        };
        let rhs = columns.iter().map(|column| dot(column, y)).collect();
        Self {
            gram: gram(TOE_IS_SMOOTHER * ratio),
            gram_of_error: gram(TOE_IS_SMOOTHER.sqrt() * ratio),
            rhs,
            design,
        }
    }

    /// The best fit over the places for the steepest step about one. Past `turned`, where it
    /// is known that density is lost, the curve may bend as it likes.
    fn fit(&self, about: usize, turned: Option<usize>) -> Shaped {
        /// Noise displaces it by no more steps than this.
        const EACH_SIDE: usize = 4;
        let size = self.rhs.len();
        let mut best: Option<(f64, Vec<f64>, Vec<usize>)> = None;
        for steepest in about.saturating_sub(EACH_SIDE).max(2)..(about + EACH_SIDE).min(size - 1) {
            let sign = |parameter: usize| match parameter {
                0 => Sign::Any,
                1 => Sign::Positive,
                // Parameter i bends the curve at step i - 1.
                i if turned.is_some_and(|turned| i - 1 > turned) => Sign::Any,
                i if i - 1 < steepest => Sign::Positive,
                _ => Sign::Negative,
            };
            let signs: Vec<Sign> = (0..size).map(sign).collect();
            let (parameters, used) = self.solve(&signs);
            let misfit = self.misfit(&parameters);
            if best.as_ref().is_none_or(|best| misfit < best.0) {
                best = Some((misfit, parameters, used));
            }
        }
        let (_, parameters, used) = best.expect("five points have a step for the steepest");
        let values = self.design.iter().map(|row| dot(row, &parameters)).collect();
        Shaped { values, covariance: self.covariance(&used) }
    }

    /// Less what no parameter changes.
    fn misfit(&self, parameters: &[f64]) -> f64 {
        let square: f64 = self.gram.iter().zip(parameters).map(|(row, p)| dot(row, parameters) * p).sum();
        square - 2.0 * dot(&self.rhs, parameters)
    }

    /// Parameters of the given signs, and those of them that are not zero.
    fn solve(&self, signs: &[Sign]) -> (Vec<f64>, Vec<usize>) {
        /// Far less than any density.
        const SETTLED: f64 = 1e-10;
        let size = signs.len();
        let mut used: Vec<usize> = (0..size).filter(|&i| signs[i] == Sign::Any).collect();
        let mut now = self.solve_for(&used);
        // Each round adds one that helps; more rounds are rounding errors going in circles.
        for _ in 0..3 * size {
            let unused = (0..size).filter(|i| !used.contains(i));
            let pulls = unused.map(|i| (i, signs[i].along(self.rhs[i] - dot(&self.gram[i], &now))));
            let helps = pulls.filter(|&(_, pull)| pull > SETTLED);
            let Some((most, _)) = helps.max_by(|a, b| a.1.total_cmp(&b.1)) else { break };
            used.push(most);
            now = self.towards(now, &mut used, signs);
        }
        (now, used)
    }

    /// From parameters of the right signs to the best of those in use, without those
    /// that would get the wrong sign.
    fn towards(&self, mut now: Vec<f64>, used: &mut Vec<usize>, signs: &[Sign]) -> Vec<f64> {
        loop {
            let next = self.solve_for(used);
            let wrong = used.iter().filter(|&&i| signs[i].along(next[i]) <= 0.0);
            let share = |i: usize| now[i] / (now[i] - next[i]);
            let Some(share) = wrong.map(|&i| share(i)).reduce(f64::min) else { return next };
            for &i in used.iter() {
                now[i] += share * (next[i] - now[i]);
            }
            let stays = |&i: &usize| signs[i].along(next[i]) > 0.0 || signs[i].along(now[i]) > 1e-14;
            used.retain(stays);
            for (i, value) in now.iter_mut().enumerate() {
                if !used.contains(&i) {
                    *value = 0.0;
                }
            }
        }
    }

    fn solve_for(&self, used: &[usize]) -> Vec<f64> {
        let rhs: Vec<f64> = used.iter().map(|&i| self.rhs[i]).collect();
        let solved = factor(&self.gram, used).map(|factor| factor.solve(&rhs));
        let mut parameters = vec![0.0; self.rhs.len()];
        for (&i, value) in used.iter().zip(solved.into_iter().flatten()) {
            parameters[i] = value;
        }
        parameters
    }

    fn covariance(&self, used: &[usize]) -> Vec<Vec<f64>> {
        let Some(factor) = factor(&self.gram_of_error, used) else {
            return square(self.rhs.len(), |i, j| if i == j { 1.0 } else { 0.0 });
        };
        let halves: Vec<Vec<f64>> = self
            .design
            .iter()
            .map(|row| factor.half_solve(&used.iter().map(|&i| row[i]).collect::<Vec<_>>()))
            .collect();
        square(halves.len(), |i, j| dot(&halves[i], &halves[j]))
    }
}

/// Of the rows and columns in use, in their order.
fn factor(gram: &[Vec<f64>], used: &[usize]) -> Option<Cholesky> {
    Cholesky::new(used.len(), |i, j| gram[used[i]][used[j]])
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::splitmix::SplitMix64;
    use super::*;

    fn logistic(x: f64) -> f64 {
        0.1 + 1.3 / (1.0 + (-4.0 * x).exp())
    }

    fn row(steps: i32, distance: f64, noise: f64, seed: u64) -> Vec<(f64, f64)> {
        let mut random = SplitMix64::new(seed);
        let x = (0..steps).map(|i| distance * f64::from(i - steps / 2));
        x.map(|x| (x, logistic(x) + random.normal(noise))).collect()
    }

    #[test]
    fn readings_of_hundredths_are_left_as_they_are() {
        let mut points = row(21, 0.15, 0.0, 0);
        for (_, density) in &mut points {
            *density = (100.0 * *density).round() / 100.0;
        }
        let read: Vec<f64> = points.iter().map(|p| p.1).collect();
        let smooth = Smooth::of(&points);
        assert_eq!(smooth.values, read);
        assert!(smooth.noise < 0.005, "{}", smooth.noise);
    }

    #[test]
    fn noise_is_found_in_the_readings() {
        for noise in [0.01, 0.03] {
            let found: Vec<f64> =
                (0..40).map(|seed| Smooth::of(&row(21, 0.15, noise, seed)).noise.powi(2)).collect();
            let rms = (found.iter().sum::<f64>() / 40.0).sqrt();
            assert!((rms / noise - 1.0).abs() < 0.15, "{rms} of {noise}");
        }
    }

    #[test]
    fn a_smooth_curve_lies_nearer_the_truth_than_its_readings() {
        let mut ours = 0.0;
        let mut read = 0.0;
        for seed in 0..40 {
            let points = row(21, 0.15, 0.02, seed);
            let smooth = Smooth::of(&points);
            for ((x, y), value) in points.iter().zip(&smooth.values) {
                ours += (value - logistic(*x)).powi(2);
                read += (y - logistic(*x)).powi(2);
            }
        }
        assert!(ours < 0.55 * read, "{ours} {read}");
    }

    /// Two humps are no characteristic curve: they are smoothed without its shape.
    #[test]
    fn another_shape_is_not_forced() {
        let mut random = SplitMix64::new(1);
        let stairs =
            |x: f64| 0.1 + 0.6 / (1.0 + (-9.0 * (x + 1.0)).exp()) + 0.6 / (1.0 + (-9.0 * (x - 1.0)).exp());
        let x = (0..31).map(|i| 0.1 * f64::from(i) - 1.5);
        let points: Vec<_> = x.map(|x| (x, stairs(x) + random.normal(0.015))).collect();
        for ((x, _), value) in points.iter().zip(Smooth::of(&points).values) {
            assert!((value - stairs(*x)).abs() < 0.04, "{x}: {value} {}", stairs(*x));
        }
    }

    proptest! {
        /// Whatever is read, the curve has a value and an error at each step.
        #[test]
        fn any_readings_give_a_curve(
            readings in proptest::collection::vec((0.01..0.4_f64, 0.0..2.0_f64), 5..40),
        ) {
            let mut at = 0.0;
            let points: Vec<_> = readings.iter().map(|&(step, density)| { at += step; (at, density) }).collect();
            let smooth = Smooth::of(&points);
            prop_assert!(smooth.values.iter().all(|value| value.is_finite()));
            prop_assert!(smooth.noise.is_finite() && smooth.noise > 0.0);
            for i in 0..points.len() {
                prop_assert!(smooth.error_of(&unit_vector(points.len(), i)).is_finite());
            }
        }
    }
}
