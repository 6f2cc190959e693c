//! A value that walks at random, from readings of it that are sure to different degrees.
//!
//! The local level model: the value's variance grows with time by the rate of the walk, and
//! each reading has an error of its own. Kalman's filter goes forward over the readings, and
//! the smoother of Rauch, Tung and Striebel (1965, AIAA J. 3, 1445) back, for where the value
//! was at each. Readings are weighted by how far they lie off there: first as Huber does (1964,
//! Ann. Math. Stat. 35, 73), which comes to rest in one place wherever it begins, and from
//! there as errors of Student's t would have it (Lange, Little and Taylor 1989, JASA 84, 881),
//! so that one which is far off hardly counts.

/// By Huber a reading further off than this many errors pulls no harder.
const HUBER: f64 = 1.5;
/// Degrees of freedom of Student's t.
const FREEDOM: f64 = 4.0;

/// What a reading counts for, by how many errors it is off.
type Weight = fn(f64) -> f64;

fn huber(off: f64) -> f64 {
    (HUBER / off).min(1.0)
}

fn student(off: f64) -> f64 {
    ((FREEDOM + 1.0) / (FREEDOM + off.powi(2))).min(1.0)
}

/// One reading of the value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Reading {
    pub(super) at: f64,
    /// Its variance.
    pub(super) variance: f64,
    /// How old it is, in days.
    pub(super) age_days: f64,
}

/// What readings say of the value now.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Walk {
    /// The best estimate.
    pub(super) now: f64,
    /// Its variance.
    pub(super) variance: f64,
    /// Where the value was at each reading.
    pub(super) levels: Vec<f64>,
    /// The share of each reading in the estimate of now; they add up to one.
    pub(super) shares: Vec<f64>,
    /// The logarithm of the likelihood of the readings, up to a constant.
    log_likelihood: f64,
}

impl Walk {
    /// Of at least one reading, the oldest first. The value's variance grows by `rate` a day.
    /// `about` is where to begin looking.
    pub(super) fn of(readings: &[Reading], rate: f64, about: f64) -> Self {
        let huber = Self::resting(readings, rate, vec![about; readings.len()], huber);
        Self::resting(readings, rate, huber.levels, student)
    }

    /// Weights follow from levels and levels from weights, in turn until they rest.
    fn resting(readings: &[Reading], rate: f64, mut levels: Vec<f64>, weight: Weight) -> Self {
        /// It settles in a few rounds, or in some hundred where readings far apart hold each
        /// other; bounded because it need not in the last bit.
        const ROUNDS: usize = 1000;
        /// Far less than any dose is known to, in stops.
        const SETTLED: f64 = 1e-12;
        let mut walk = Self::once(readings, rate, &levels, weight);
        for _ in 0..ROUNDS {
            let moved = levels.iter().zip(&walk.levels).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            if moved < SETTLED {
                break;
            }
            levels.clone_from(&walk.levels);
            walk = Self::once(readings, rate, &levels, weight);
        }
        walk
    }

    /// Filter and smoother with the weights that follow from `levels`.
    fn once(readings: &[Reading], rate: f64, levels: &[f64], weight: Weight) -> Self {
        let mut shares: Vec<f64> = Vec::with_capacity(readings.len());
        let mut filtered: Vec<(f64, f64)> = Vec::with_capacity(readings.len());
        let mut log_likelihood = 0.0;
        for (i, (reading, level)) in readings.iter().zip(levels).enumerate() {
            let errors_off = (reading.at - level).abs() / reading.variance.sqrt();
            let variance = reading.variance / weight(errors_off);
            // Nothing is known before the first.
            let (mut at, mut gain) = (reading.at, 1.0);
            if let Some(&(before, known)) = filtered.last() {
                let predicted = known + rate * days_between(readings, i);
                let innovation = predicted + variance;
                log_likelihood -= 0.5 * (innovation.ln() + (reading.at - before).powi(2) / innovation);
                gain = predicted / innovation;
                at = before + gain * (reading.at - before);
            }
            shares.iter_mut().for_each(|share| *share *= 1.0 - gain);
            shares.push(gain);
            filtered.push((at, gain * variance));
        }
        let (now, known) = filtered[filtered.len() - 1];
        let levels = smoothed(readings, rate, &filtered);
        let rested = rate * readings[readings.len() - 1].age_days;
        Self { now, variance: known + rested, levels, shares, log_likelihood }
    }

    /// The rate, of some, by which the readings are likeliest; the usual one unless they say
    /// beyond doubt that it is another.
    pub(super) fn rate(readings: &[Reading], usual: f64, about: f64) -> f64 {
        /// Of the usual standard deviation.
        const FACTORS: [f64; 4] = [0.5, 2.0, 4.0, 8.0];
        /// By so much in the logarithm: twenty times as likely.
        const DOUBTLESS: f64 = 3.0;
        let likelihood = |rate: f64| Self::of(readings, rate, about).log_likelihood;
        let least = likelihood(usual) + DOUBTLESS;
        let others = FACTORS.map(|factor| usual * factor.powi(2)).map(|rate| (likelihood(rate), rate));
        let best = others.into_iter().max_by(|a, b| a.0.total_cmp(&b.0));
        best.filter(|best| best.0 > least).map_or(usual, |best| best.1)
    }
}

/// Between a reading and the one before it.
fn days_between(readings: &[Reading], at: usize) -> f64 {
    readings[at - 1].age_days - readings[at].age_days
}

/// Where the value was, by the readings after as well.
fn smoothed(readings: &[Reading], rate: f64, filtered: &[(f64, f64)]) -> Vec<f64> {
    let mut levels: Vec<f64> = filtered.iter().map(|state| state.0).collect();
    for i in (0..levels.len() - 1).rev() {
        let (at, known) = filtered[i];
        let gain = known / (known + rate * days_between(readings, i + 1));
        levels[i] = at + gain * (levels[i + 1] - at);
    }
    levels
}

#[cfg(test)]
mod tests {
    use super::*;

    const READINGS: [Reading; 3] = [
        Reading { at: 1.0, variance: 0.04, age_days: 30.0 },
        Reading { at: 1.05, variance: 0.01, age_days: 10.0 },
        Reading { at: 0.98, variance: 0.02, age_days: 5.0 },
    ];

    #[test]
    fn agrees_with_the_filter_by_hand() {
        // By hand at 0.001 a day: predicted 0.06, gain 6/7; predicted 0.060/7 + 0.005; and so on.
        let walk = Walk::of(&READINGS, 0.001, 1.0);
        let first = 1.0 + 6.0 / 7.0 * 0.05;
        let predicted = 0.06 / 7.0 + 0.005;
        let gain = predicted / (predicted + 0.02);
        assert!((walk.now - (first + gain * (0.98 - first))).abs() < 1e-12);
        assert!((walk.variance - ((1.0 - gain) * predicted + 0.005)).abs() < 1e-12);
        assert!((walk.shares[2] - gain).abs() < 1e-12);
        assert!((walk.shares[0] - (1.0 - gain) / 7.0).abs() < 1e-12);
        assert!((walk.levels[2] - walk.now).abs() < 1e-12);
        assert!(walk.levels[1] > walk.now && walk.levels[1] < first);
    }

    #[test]
    fn without_a_walk_it_is_the_weighted_mean() {
        let walk = Walk::of(&READINGS, 0.0, 1.0);
        let weights = [25.0, 100.0, 50.0];
        let mean = (25.0 + 105.0 + 49.0) / 175.0;
        assert!((walk.now - mean).abs() < 1e-12);
        for (share, weight) in walk.shares.iter().zip(weights) {
            assert!((share - weight / 175.0).abs() < 1e-12);
        }
    }
}
