//! Reading a test strip: the least dose that gives full density.

use super::matrix::dot;
use super::{Density, Pchip, contradiction, dose_of_log, is_a_dose, log_h, peak, stops_of_log};
use crate::quantity::{Dose, Stops};

/// How far below the plateau still counts as full density, and how much a last
/// band may still rise: about what is just seen side by side.
const JUST_SEEN: f64 = 0.03;
/// Two bands to compare and one that is lighter.
const LEAST_BANDS: usize = 3;
/// Standard error between bands whatever the instrument, in distances of bands:
/// what the curve does there was not seen [common practice, no source].
const BETWEEN_BANDS: f64 = 0.25;
/// The same by eye, which may mistake a band for its neighbour.
const BY_EYE: f64 = 0.5;
/// What may lie beyond the last band: a strip that ends at full density or two bands past it
/// shows a plateau this much too light, the less the further its bands are apart (by the study
/// in tests/reference/strips.py).
fn beyond_the_last(step: Stops) -> f64 {
    0.035 * (-0.7 * step.value()).exp2()
}

/// One band of a strip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// What it received.
    pub dose: Dose,
    /// What it shows, dry and oxidised.
    pub density: Density,
}

/// What a strip says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StripReading {
    /// Full density is reached within the strip.
    Found(LeastDose),
    /// The last band may not be as dark as it gets: extend to more dose.
    ExtendUp,
    /// The first band is as dark as it gets: extend to less dose.
    ExtendDown,
}

/// The least dose for full density.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeastDose {
    /// The best answer.
    pub dose: Dose,
    /// The last band below full density.
    pub low: Dose,
    /// The first band at full density: the one that is safe to use.
    pub high: Dose,
    /// Standard error of the answer. It is read where the curve has almost
    /// levelled off, so that a small error of density is a large one of dose.
    pub sigma: Stops,
    /// Full density; `None` when the strip was read without an instrument.
    pub plateau: Option<Density>,
}

impl LeastDose {
    /// The same below a layer of this density: from a sheet exposed bare to the
    /// clear parts of a negative.
    #[must_use]
    pub fn through(self, layer: Density) -> Self {
        let factor = 1.0 / layer.reflectance();
        Self { dose: self.dose * factor, low: self.low * factor, high: self.high * factor, ..self }
    }
}

/// Why a strip cannot be read. Bands count from 1.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StripError {
    /// Too few to see where the density stops rising.
    #[error("a strip needs at least {LEAST_BANDS} bands to be read, not {0}")]
    TooFew(usize),
    /// Not a dose above zero.
    #[error("band {band} has no dose above zero")]
    NoDose {
        /// Which.
        band: usize,
    },
    /// The doses do not rise.
    #[error("band {band} with {dose} is not above the band before it; list the bands by rising dose")]
    NotRising {
        /// Which.
        band: usize,
        /// What it received.
        dose: Dose,
    },
    /// Not a density of a print.
    #[error("band {band} has density {}; a print has -0.1 to 5", .density.value())]
    Density {
        /// Which.
        band: usize,
        /// What was read.
        density: Density,
    },
    /// The densities go up and down.
    #[error("band {band} with density {density} breaks the run of its neighbours; read it again")]
    Contradiction {
        /// Which.
        band: usize,
        /// What was read.
        density: Density,
    },
    /// A band that is not on the strip.
    #[error("there is no band {band}; the strip has bands 1 to {bands}")]
    NoSuchBand {
        /// The one asked for.
        band: usize,
        /// How many there are.
        bands: usize,
    },
}

impl StripError {
    /// The band that is wrong, counted from 1, where it is one.
    #[must_use]
    pub fn band(&self) -> Option<usize> {
        match *self {
            Self::NoDose { band }
            | Self::NotRising { band, .. }
            | Self::Density { band, .. }
            | Self::Contradiction { band, .. } => Some(band),
            Self::TooFew(_) | Self::NoSuchBand { .. } => None,
        }
    }
}

/// What is not known of a row of densities, as standard errors.
pub(super) struct Errors<'a> {
    /// Of a weighted sum of the densities.
    pub(super) of_sum: &'a dyn Fn(&[f64]) -> f64,
    /// Of the plateau, by the distance of the last two: the row ends before it.
    pub(super) beyond: &'a dyn Fn(Stops) -> f64,
    /// Of a crossing, in distances of points: what the curve does between them was not seen.
    pub(super) between: f64,
}

/// Reads a strip from its densities. Full density, the plateau, is the mean of
/// the two highest; the least dose is the first to come within 0.03 of it,
/// interpolated in log H. With the last band still rising by more than 0.03,
/// beyond two standard errors of that rise, there is no plateau.
///
/// # Errors
/// When there are fewer than three bands, doses do not rise, or densities are
/// not those of a strip.
pub fn read_densities(bands: &[Band]) -> Result<StripReading, StripError> {
    check_doses(bands.iter().map(|band| band.dose))?;
    if let Some(i) = bands.iter().position(|band| !band.density.is_plausible()) {
        return Err(StripError::Density { band: i + 1, density: bands[i].density });
    }
    let densities: Vec<f64> = bands.iter().map(|band| band.density.value()).collect();
    if let Some(i) = contradiction(&densities) {
        return Err(StripError::Contradiction { band: i + 1, density: bands[i].density });
    }
    let points: Vec<_> = bands.iter().map(|band| (log_h(band.dose), band.density.value())).collect();
    let of_sum = |weights: &[f64]| Density::READING_ERROR * dot(weights, weights).sqrt();
    if still_rises(&densities, Density::READING_ERROR) {
        return Ok(StripReading::ExtendUp);
    }
    let errors = Errors { of_sum: &of_sum, beyond: &beyond_the_last, between: BETWEEN_BANDS };
    Ok(least_dose(&points, &errors).map_or(StripReading::ExtendDown, StripReading::Found))
}

/// Reads a strip by eye: band `first_full`, counted from 1, is the first that
/// is as dark as the next. The least dose lies above the band before it and at
/// most at the band; the answer is the middle of the two in stops.
///
/// # Errors
/// When there are fewer than three bands, doses do not rise, or there is no
/// such band.
pub fn read_first_full(doses: &[Dose], first_full: usize) -> Result<StripReading, StripError> {
    check_doses(doses.iter().copied())?;
    match first_full {
        1 => Ok(StripReading::ExtendDown),
        band if band == doses.len() => Ok(StripReading::ExtendUp),
        band if (1..doses.len()).contains(&band) => {
            let (low, high) = (doses[band - 2], doses[band - 1]);
            let dose = dose_of_log(0.5 * (log_h(low) + log_h(high)));
            let sigma = Stops::new(BY_EYE * high.stops_over(low).value());
            Ok(StripReading::Found(LeastDose { dose, low, high, sigma, plateau: None }))
        }
        band => Err(StripError::NoSuchBand { band, bands: doses.len() }),
    }
}

/// Whether the last of at least two densities is the highest and still rises beyond doubt, where
/// a reading has the standard error `noise`.
pub(super) fn still_rises(densities: &[f64], noise: f64) -> bool {
    let last = densities.len() - 1;
    let rise = densities[last] - densities[last - 1];
    peak(densities) == Some(last) && rise > JUST_SEEN + difference_beyond_doubt(noise)
}

/// The rule for full density, over at least two points (log H, density) by rising log H, of
/// which the last does not rise any more. `None` when the first is full already.
pub(super) fn least_dose(points: &[(f64, f64)], errors: &Errors) -> Option<LeastDose> {
    let densities: Vec<f64> = points.iter().map(|&(_, density)| density).collect();
    let last = points.len() - 1;
    let highest = peak(&densities)?;
    let mut darkest: Vec<usize> = (0..points.len()).collect();
    darkest.sort_by(|&a, &b| densities[b].total_cmp(&densities[a]));
    darkest.truncate(2);
    let plateau = 0.5 * (densities[darkest[0]] + densities[darkest[1]]);
    let level = plateau - JUST_SEEN;
    let curve = Pchip::new(points).expect("the doses of checked bands are finite and rise");
    let log_least = curve.first_upward(level).filter(|_| points[0].1 < level)?;
    // The first point lies below the level, by however little.
    let first_full = points.partition_point(|&(log_dose, _)| log_dose < log_least).max(1);
    let (low, high) = (points[first_full - 1].0, points[first_full].0);
    // The difference of the curve there and the plateau.
    let mut weights = curve.weights(log_least);
    for i in darkest {
        weights[i] -= 0.5;
    }
    let has_turned = densities[last] < level;
    let beyond =
        if has_turned { 0.0 } else { (errors.beyond)(stops_of_log(points[last].0 - points[last - 1].0)) };
    // Where the last is the highest, about half of its rise may be still to come.
    let to_come = if highest == last { 0.5 * (densities[last] - densities[last - 1]) } else { 0.0 };
    let error = (errors.of_sum)(&weights).hypot(beyond).hypot(to_come);
    let width = curve.half_width(level, error, points[highest].0);
    Some(LeastDose {
        dose: dose_of_log(log_least),
        low: dose_of_log(low),
        high: dose_of_log(high),
        sigma: stops_of_log(width.hypot(errors.between * (high - low))),
        plateau: Some(Density::new(plateau)),
    })
}

/// A difference of two readings above this is none of their errors (two standard errors).
pub(super) fn difference_beyond_doubt(noise: f64) -> f64 {
    2.0 * std::f64::consts::SQRT_2 * noise
}

fn check_doses(doses: impl Iterator<Item = Dose>) -> Result<(), StripError> {
    let mut bands = 0;
    let mut before = f64::NEG_INFINITY;
    for dose in doses {
        bands += 1;
        if !is_a_dose(dose) {
            return Err(StripError::NoDose { band: bands });
        }
        // Doses that differ in their last digit alone may have one log H.
        if log_h(dose) <= before {
            return Err(StripError::NotRising { band: bands, dose });
        }
        before = log_h(dose);
    }
    if bands < LEAST_BANDS { Err(StripError::TooFew(bands)) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::super::splitmix::SplitMix64;
    use super::*;

    fn strip(kj_m2: &[f64], densities: &[f64]) -> Vec<Band> {
        let band =
            |(h, d): (&f64, &f64)| Band { dose: Dose::from_j_m2(1000.0 * h), density: Density::new(*d) };
        kj_m2.iter().zip(densities).map(band).collect()
    }

    fn found(reading: Result<StripReading, StripError>) -> LeastDose {
        match reading.unwrap() {
            StripReading::Found(least) => least,
            other => panic!("{other:?}"),
        }
    }

    const HALF_STOPS: [f64; 7] = [4.0, 5.657, 8.0, 11.314, 16.0, 22.627, 32.0];

    #[test]
    fn least_dose_of_a_strip_that_levels_off() {
        let least = found(read_densities(&strip(&HALF_STOPS, &[0.62, 0.84, 1.06, 1.24, 1.34, 1.38, 1.38])));
        // [calc with scipy]
        assert!((least.dose.kj_m2() - 16.994_957).abs() < 1e-6, "{least:?}");
        assert!((least.plateau.unwrap().value() - 1.380).abs() < 1e-12);
        assert!((least.low.kj_m2() - 16.0).abs() < 1e-9 && (least.high.kj_m2() - 22.627).abs() < 1e-9);
    }

    #[test]
    fn least_dose_of_a_strip_that_turns_over() {
        let doses = [6.0, 8.0, 10.0, 12.0, 14.0, 16.0, 18.0, 20.0];
        let least = found(read_densities(&strip(&doses, &[0.95, 1.12, 1.24, 1.31, 1.35, 1.36, 1.34, 1.29])));
        // [calc with scipy]
        assert!((least.dose.kj_m2() - 12.588_021).abs() < 1e-6, "{least:?}");
        assert!((least.plateau.unwrap().value() - 1.355).abs() < 1e-12);
    }

    #[test]
    fn a_strip_without_an_answer_is_extended() {
        let rising = read_densities(&strip(&[3.0, 6.0, 12.0, 24.0], &[0.40, 0.71, 1.02, 1.27]));
        assert_eq!(rising, Ok(StripReading::ExtendUp));
        let all_dark = read_densities(&strip(&[3.0, 6.0, 12.0], &[1.36, 1.37, 1.38]));
        assert_eq!(all_dark, Ok(StripReading::ExtendDown));
        let only_turning_over = read_densities(&strip(&[3.0, 6.0, 12.0], &[1.36, 1.30, 1.25]));
        assert_eq!(only_turning_over, Ok(StripReading::ExtendDown));
    }

    #[test]
    fn by_eye_the_answer_lies_between_two_bands() {
        let doses: Vec<_> = [4.0, 8.0, 16.0, 32.0].map(|kj| Dose::from_j_m2(1000.0 * kj)).to_vec();
        let least = found(read_first_full(&doses, 3));
        assert!((least.dose.kj_m2() - 128_f64.sqrt()).abs() < 1e-9);
        assert_eq!((least.low, least.high, least.sigma), (doses[1], doses[2], Stops::new(0.5)));
        assert_eq!(read_first_full(&doses, 1), Ok(StripReading::ExtendDown));
        assert_eq!(read_first_full(&doses, 4), Ok(StripReading::ExtendUp));
        for band in [0, 5] {
            assert_eq!(read_first_full(&doses, band), Err(StripError::NoSuchBand { band, bands: 4 }));
        }
    }

    #[test]
    fn a_sharp_shoulder_is_read_more_surely_than_a_soft_one() {
        let sigma = |densities: &[f64]| found(read_densities(&strip(&HALF_STOPS, densities))).sigma;
        let sharp = sigma(&[0.40, 0.60, 0.80, 1.00, 1.20, 1.40, 1.40]);
        let soft = sigma(&[1.20, 1.28, 1.33, 1.36, 1.38, 1.39, 1.40]);
        assert!(sharp < Stops::new(0.2) && Stops::new(0.2) < soft, "{sharp} {soft}");
    }

    /// A small part of tests/reference/strips.py: a logistic curve, strips that end from full
    /// density to two bands past it, readings good to 0.015. Before the plateau's error was
    /// part of sigma, two of it held in 43 to 78 %, and 13 to 34 % had no reading.
    #[test]
    fn two_sigma_hold_the_least_dose() {
        const SEEDS: u32 = 400;
        let density = |log_h: f64| 0.1 + 1.3 / (1.0 + (-4.0 * log_h).exp());
        let full = (1.3_f64 / 0.03 - 1.0).ln() / 4.0;
        for (seed, step) in [(1, 1.0 / 3.0), (2, 0.5), (3, 1.0)] {
            let mut random = SplitMix64::new(seed);
            let (mut held, mut read) = (0, 0);
            for _ in 0..SEEDS {
                let past = random.between(0.0, 2.0);
                let log_h = |i: i32| full + (past - f64::from(i)) * step * std::f64::consts::LOG10_2;
                let mut band = |i: i32| Band {
                    dose: dose_of_log(log_h(i)),
                    density: Density::new(density(log_h(i)) + random.normal(0.015)),
                };
                let bands: Vec<Band> = (0..7).rev().map(&mut band).collect();
                if let StripReading::Found(least) = read_densities(&bands).unwrap() {
                    read += 1;
                    let off = least.dose.stops_over(dose_of_log(full)).value();
                    held += u32::from(off.abs() <= 2.0 * least.sigma.value());
                }
            }
            let share = f64::from(held) / f64::from(read);
            assert!((0.90..=0.985).contains(&share) && read >= 95 * SEEDS / 100, "{step}: {share} of {read}");
        }
    }

    #[test]
    fn the_bands_noise_alone_asks_for_no_more_dose() {
        let noisy = strip(&HALF_STOPS, &[0.62, 0.84, 1.06, 1.24, 1.34, 1.36, 1.41]);
        assert!(matches!(read_densities(&noisy), Ok(StripReading::Found(_))));
    }

    #[test]
    fn a_layer_takes_its_density_more() {
        let doses: Vec<_> = [4.0, 8.0, 16.0].map(|kj| Dose::from_j_m2(1000.0 * kj)).to_vec();
        let bare = found(read_first_full(&doses, 2));
        let through = bare.through(Density::new(std::f64::consts::LOG10_2));
        assert!((through.dose.stops_over(bare.dose).value() - 1.0).abs() < 1e-12);
        assert!((through.high.stops_over(bare.high).value() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn doses_that_only_rounding_parts_are_refused() {
        let mut close = strip(&[4.0, 8.0, 22.6, 22.6], &[0.5, 1.0, 1.35, 1.35]);
        close[3].dose = Dose::from_j_m2(f64::from_bits(22_600.0f64.to_bits() + 1));
        assert!(close[2].dose < close[3].dose);
        assert!(matches!(read_densities(&close), Err(StripError::NotRising { band: 4, .. })));
        let eye: Vec<Dose> = close.iter().map(|band| band.dose).collect();
        assert!(matches!(read_first_full(&eye, 2), Err(StripError::NotRising { band: 4, .. })));
    }

    #[test]
    fn a_first_band_that_is_full_but_for_rounding_has_an_answer() {
        // The level is 1.37; the first band lies one step of f64 below it.
        let below = f64::from_bits((1.4f64 - JUST_SEEN).to_bits() - 1);
        let least = found(read_densities(&strip(&[4.0, 8.0, 16.0], &[below, 1.4, 1.4])));
        assert!((least.low.kj_m2() - 4.0).abs() < 1e-9 && (least.high.kj_m2() - 8.0).abs() < 1e-9);
    }

    #[test]
    fn a_bad_strip_is_refused_by_its_band() {
        let message = |kj: &[f64], d: &[f64]| read_densities(&strip(kj, d)).unwrap_err().to_string();
        assert_eq!(message(&[1.0, 2.0], &[0.1, 0.2]), "a strip needs at least 3 bands to be read, not 2");
        assert_eq!(message(&[0.0, 2.0, 3.0], &[0.1, 0.2, 0.3]), "band 1 has no dose above zero");
        assert_eq!(
            message(&[1.0, 2.0, 2.0], &[0.1, 0.2, 0.3]),
            "band 3 with 2.00 kJ/m² is not above the band before it; list the bands by rising dose"
        );
        assert_eq!(
            message(&[1.0, 2.0, 3.0], &[0.1, 12.0, 0.3]),
            "band 2 has density 12; a print has -0.1 to 5"
        );
        assert_eq!(
            message(&HALF_STOPS, &[0.62, 1.48, 1.06, 1.24, 1.34, 1.38, 1.38]),
            "band 2 with density 1.48 breaks the run of its neighbours; read it again"
        );
    }
}
