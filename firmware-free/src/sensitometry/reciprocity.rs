//! Whether a recipe answers to dose alone, or to the irradiance as well.

use super::{is_a_dose, log_h};
use crate::quantity::{Dose, Irradiance};

/// Three prints fit a line and leave one to disagree.
const LEAST_PRINTS: usize = 3;
/// Over less the exponent moves the dose by less than it is judged.
const LEAST_SPREAD_STOPS: f64 = 1.0;
/// Standard error of a dose judged to give equal outcome, in log10: 0.10 stop.
/// Prints that agree better do so by chance.
const JUDGED: f64 = 0.1 * std::f64::consts::LOG10_2;

/// A print, or what a judged print should have had: doses that give the same
/// outcome.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EqualPrint {
    /// Mean irradiance while it was uncovered.
    pub irradiance: Irradiance,
    /// The dose, with exponent 1, that gives the outcome.
    pub dose: Dose,
}

/// The exponent p of a process that answers to the integral of E^p.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reciprocity {
    /// To be used: the fitted one, or 1 where its interval includes 1.
    pub exponent: f64,
    /// The fitted exponent.
    pub fitted: f64,
    /// Lower end of its 95 % interval.
    pub low: f64,
    /// Upper end of its 95 % interval.
    pub high: f64,
    /// The geometric mean of the prints' irradiances: counted about it, doses stay
    /// nearest to the plain ones.
    pub reference: Irradiance,
}

/// Why no exponent can be fitted. Prints count from 1.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ReciprocityError {
    /// Too few.
    #[error("an exponent needs at least {LEAST_PRINTS} judged prints, not {0}")]
    TooFew(usize),
    /// No logarithm.
    #[error("print {print} has no dose or no irradiance above zero")]
    NoDose {
        /// Which.
        print: usize,
    },
    /// All in the same light.
    #[error(
        "the prints were made in light that differs by {stops:.1} stops; at least {LEAST_SPREAD_STOPS} stop is needed"
    )]
    SameLight {
        /// From the weakest to the strongest.
        stops: f64,
    },
}

/// Fits p to prints of equal outcome in different light of one source. Then
/// `E^p t` is the same for all, so that `log H = c + (1 - p) log E`: a straight
/// line by least squares, with Student's interval for its slope. The exponent
/// stays 1 unless the interval excludes it: no measurement is known for iron
/// processes, and a wrong exponent harms more than none.
///
/// # Errors
/// When there are fewer than three prints, a dose is not above zero, or the
/// irradiances span less than a stop.
pub fn fit_exponent(prints: &[EqualPrint]) -> Result<Reciprocity, ReciprocityError> {
    if prints.len() < LEAST_PRINTS {
        return Err(ReciprocityError::TooFew(prints.len()));
    }
    let lit = |print: &EqualPrint| print.irradiance > Irradiance::ZERO && print.irradiance.w_m2().is_finite();
    if let Some(i) = prints.iter().position(|print| !is_a_dose(print.dose) || !lit(print)) {
        return Err(ReciprocityError::NoDose { print: i + 1 });
    }
    let points: Vec<_> = prints.iter().map(|p| (p.irradiance.w_m2().log10(), log_h(p.dose))).collect();
    let weakest = points.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
    let strongest = points.iter().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max);
    let stops = super::stops_of_log(strongest - weakest).value();
    if stops < LEAST_SPREAD_STOPS {
        return Err(ReciprocityError::SameLight { stops });
    }
    let (slope, sigma) = line(&points);
    let (fitted, half) = (1.0 - slope, student_95(points.len() - 2) * sigma);
    let (low, high) = (fitted - half, fitted + half);
    let exponent = if (low..=high).contains(&1.0) { 1.0 } else { fitted };
    let mean_log = points.iter().map(|p| p.0).sum::<f64>() / points.len() as f64;
    let reference = Irradiance::from_w_m2(10f64.powf(mean_log));
    Ok(Reciprocity { exponent, fitted, low, high, reference })
}

/// Slope of the least-squares line and its standard error.
fn line(points: &[(f64, f64)]) -> (f64, f64) {
    let n = points.len() as f64;
    let mean_x = points.iter().map(|p| p.0).sum::<f64>() / n;
    let mean_y = points.iter().map(|p| p.1).sum::<f64>() / n;
    let spread: f64 = points.iter().map(|p| (p.0 - mean_x).powi(2)).sum();
    let slope = points.iter().map(|p| (p.0 - mean_x) * (p.1 - mean_y)).sum::<f64>() / spread;
    let residuals: f64 = points.iter().map(|p| (p.1 - mean_y - slope * (p.0 - mean_x)).powi(2)).sum();
    let scatter = (residuals / (n - 2.0)).sqrt().max(JUDGED);
    (slope, scatter / spread.sqrt())
}

/// Two-sided 95 % point of Student's t. Table values [calc with scipy]; beyond
/// ten degrees of freedom by the first terms of its expansion about the normal
/// (Abramowitz and Stegun 26.7.5), within 0.001.
pub(crate) fn student_95(degrees: usize) -> f64 {
    const TABLE: [f64; 10] = [12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228];
    const NORMAL: f64 = 1.959_964;
    let n = degrees as f64;
    TABLE.get(degrees.saturating_sub(1)).copied().unwrap_or_else(|| {
        let first = (NORMAL.powi(3) + NORMAL) / 4.0;
        let second = (5.0 * NORMAL.powi(5) + 16.0 * NORMAL.powi(3) + 3.0 * NORMAL) / 96.0;
        let third =
            (3.0 * NORMAL.powi(7) + 19.0 * NORMAL.powi(5) + 17.0 * NORMAL.powi(3) - 15.0 * NORMAL) / 384.0;
        NORMAL + first / n + second / n.powi(2) + third / n.powi(3)
    })
}

#[cfg(test)]
mod tests {
    use super::super::splitmix::SplitMix64;
    use super::*;

    /// Prints of a process with exponent `p`, judged with an error in stops.
    fn prints(p: f64, irradiances: &[f64], error: impl FnMut() -> f64) -> Vec<EqualPrint> {
        let mut error = error;
        let mut print = |e: &f64| EqualPrint {
            irradiance: Irradiance::from_w_m2(*e),
            dose: Dose::from_j_m2(15_000.0 * (e / 30.0).powf(1.0 - p) * error().exp2()),
        };
        irradiances.iter().map(&mut print).collect()
    }

    #[test]
    fn a_clean_exponent_is_found() {
        let fit = fit_exponent(&prints(0.85, &[2.0, 5.0, 12.0, 40.0], || 0.0)).unwrap();
        assert!((fit.fitted - 0.85).abs() < 1e-12, "{fit:?}");
        assert!(fit.low < 0.85 && 0.85 < fit.high && fit.high < 1.0, "{fit:?}");
        assert!((fit.exponent - 0.85).abs() < 1e-12);
        // By hand: the fourth root of 2 times 5 times 12 times 40.
        assert!((fit.reference.w_m2() - 4_800f64.powf(0.25)).abs() < 1e-9);
    }

    #[test]
    fn agrees_with_linear_regression() {
        // [calc with scipy 1.17.1, stats.linregress and t.ppf].
        let points =
            [(5.0, 18_000.0), (12.0, 15_500.0), (20.0, 17_200.0), (31.0, 13_000.0), (44.0, 14_100.0)];
        let print = |(e, h): (f64, f64)| EqualPrint {
            irradiance: Irradiance::from_w_m2(e),
            dose: Dose::from_j_m2(h),
        };
        let fit = fit_exponent(&points.map(print)).unwrap();
        assert!((fit.fitted - 1.124_300_91).abs() < 1e-6, "{fit:?}");
        assert!((fit.high - fit.low - 0.361_465).abs() < 1e-3, "{fit:?}");
        assert_eq!(fit.exponent, 1.0, "the interval includes 1");
    }

    #[test]
    fn an_interval_holds_the_true_exponent_and_one_where_it_is_true() {
        // Seeds 0 to 999: five prints over three stops, judged to 0.12 stop.
        let (mut held, mut left_one) = (0, 0);
        for seed in 0..1000 {
            let mut random = SplitMix64::new(seed);
            let p = if seed % 2 == 0 { 1.0 } else { 0.8 };
            let made = prints(p, &[5.0, 9.0, 16.0, 28.0, 40.0], || random.normal(0.12));
            let fit = fit_exponent(&made).unwrap();
            held += i32::from((fit.low..=fit.high).contains(&p));
            left_one += i32::from(p == 1.0 && fit.exponent != 1.0);
        }
        assert!(held >= 940, "{held} of 1000 intervals hold the exponent");
        assert!(left_one <= 30, "{left_one} of 500 left 1 by chance");
    }

    #[test]
    fn what_cannot_be_fitted_is_refused() {
        let message = |made: &[EqualPrint]| fit_exponent(made).unwrap_err().to_string();
        assert_eq!(
            message(&prints(1.0, &[5.0, 40.0], || 0.0)),
            "an exponent needs at least 3 judged prints, not 2"
        );
        assert_eq!(
            message(&prints(1.0, &[30.0, 0.0, 40.0], || 0.0)),
            "print 2 has no dose or no irradiance above zero"
        );
        assert_eq!(
            message(&prints(1.0, &[30.0, 35.0, 40.0], || 0.0)),
            "the prints were made in light that differs by 0.4 stops; at least 1 stop is needed"
        );
    }

    #[test]
    fn students_t_of_many_prints() {
        // [calc with scipy 1.17.1, t.ppf(0.975, n)].
        for (degrees, t) in
            [(1, 12.706_205), (10, 2.228_139), (11, 2.200_985), (30, 2.042_272), (200, 1.971_896)]
        {
            assert!((student_95(degrees) - t).abs() < 1e-3, "{degrees}");
        }
    }
}
