//! What a part says, made into what there is: dark offset, the ratio of its ranges,
//! the window before it, its temperature, and a reference meter under one source of light.
//!
//! `E = f (E_part − E0[range]) r[range] (1 + α (T − T0)) / τ`, where `E_part` is what the driver
//! makes of the counts by the datasheet or the config. That is linear in counts, so offsets are
//! kept in W/m² of the part.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::{Flags, Reading, Seen};
use crate::quantity::Irradiance;
use crate::source::SUN;

/// How a sensor's readings are corrected. Without any correction it changes nothing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Calibration {
    /// What a reference meter showed over what the part said, by source of light. A part sees
    /// the parts of a spectrum in its own way, so each source has its own.
    pub factors: BTreeMap<String, f64>,
    /// What the part says in the dark, by range, in its own W/m².
    pub zeros_w_m2: BTreeMap<u8, f64>,
    /// What makes the ranges agree with each other.
    pub ratios: BTreeMap<u8, f64>,
    /// What window and diffuser pass, above 0, at most 1.
    pub window: f64,
    /// How much more it says for each kelvin above `at_c`, negated: a share per kelvin.
    pub per_kelvin: f64,
    /// The temperature it was calibrated at, in °C.
    pub at_c: f32,
}

impl Default for Calibration {
    fn default() -> Self {
        Self {
            factors: BTreeMap::new(),
            zeros_w_m2: BTreeMap::new(),
            ratios: BTreeMap::new(),
            window: 1.0,
            per_kelvin: 0.0,
            at_c: 25.0,
        }
    }
}

/// Why a measurement is no calibration.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CalibrationError {
    /// Too few readings came.
    #[error("only {got} readings came, {wanted} are needed; look at the sensor with 'frameside sensor read'")]
    TooFew {
        /// How many came.
        got: usize,
        /// How many are needed.
        wanted: usize,
    },
    /// A reading was at the end of its range.
    #[error("the sensor is saturated in range {range}; take less light")]
    Saturated {
        /// The range.
        range: u8,
    },
    /// Light falls on a sensor that should be covered.
    #[error("the sensor still sees {0}; cover it so that no light gets in, then try again")]
    NotDark(Irradiance),
    /// The light is not steady.
    #[error(
        "the light changed by {:.1} % meanwhile; use a lamp that has warmed up, or wait for an even sky", .share * 100.0
    )]
    NotSteady {
        /// By which share of its mean.
        share: f64,
    },
    /// Too little light to say anything.
    #[error("the sensor sees only {0}; take more light")]
    TooDark(Irradiance),
    /// A figure that cannot be.
    #[error("{what} must be {range}")]
    Figure {
        /// Which.
        what: &'static str,
        /// What it may be.
        range: &'static str,
    },
}

/// Readings of one range, summed up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Mean in W/m².
    pub mean: Irradiance,
    /// Standard deviation in W/m²: the noise.
    pub deviation: Irradiance,
    /// How many readings.
    pub count: usize,
    /// Mean counts.
    pub counts: f64,
}

/// Fewer readings say nothing of noise.
const FEWEST_READINGS: usize = 5;
/// A covered sensor sees no more than this.
const DARK: Irradiance = Irradiance::from_w_m2(0.5);
/// Light that moves less than this share is steady.
const STEADY: f64 = 0.01;
/// Fewer counts than this are too coarse to compare ranges by: one count is then half a percent.
const ENOUGH_COUNTS: f64 = 200.0;

impl Sample {
    /// Sums up readings of one range.
    ///
    /// # Errors
    /// [`CalibrationError::TooFew`] below 5 readings, [`CalibrationError::Saturated`].
    pub fn of(readings: &[Reading]) -> Result<Self, CalibrationError> {
        if readings.len() < FEWEST_READINGS {
            return Err(CalibrationError::TooFew { got: readings.len(), wanted: FEWEST_READINGS });
        }
        if let Some(saturated) = readings.iter().find(|reading| reading.seen.is_bound()) {
            return Err(CalibrationError::Saturated { range: saturated.range });
        }
        let count = readings.len() as f64;
        let value = |reading: &Reading| reading.seen.lowest().w_m2();
        let mean = readings.iter().map(value).sum::<f64>() / count;
        let squares: f64 = readings.iter().map(|reading| (value(reading) - mean).powi(2)).sum();
        Ok(Self {
            mean: Irradiance::from_w_m2(mean),
            deviation: Irradiance::from_w_m2((squares / (count - 1.0)).sqrt()),
            count: readings.len(),
            counts: readings.iter().map(|reading| f64::from(reading.counts)).sum::<f64>() / count,
        })
    }
}

impl Calibration {
    /// The factor that readings are made with: that of the sun, else of the one source there is.
    #[must_use]
    pub fn base_factor(&self) -> f64 {
        let usual = self.factors.get(SUN).or_else(|| self.factors.values().next());
        usual.copied().unwrap_or(1.0)
    }

    /// What a dose made of these readings is to be multiplied by for another source; `None` where
    /// no factor for that source is known but one for another is.
    #[must_use]
    pub fn for_source(&self, source: &str) -> Option<f64> {
        if self.factors.is_empty() {
            return Some(1.0);
        }
        Some(self.factors.get(source)? / self.base_factor())
    }

    /// The reading as it should have been.
    #[must_use]
    pub fn apply(&self, reading: Reading) -> Reading {
        let zero = self.zeros_w_m2.get(&reading.range).copied().unwrap_or(0.0);
        let ratio = self.ratios.get(&reading.range).copied().unwrap_or(1.0);
        let warmth = reading.temperature_c.map_or(1.0, |t| 1.0 + self.per_kelvin * f64::from(t - self.at_c));
        let factor = self.base_factor() * ratio * warmth / self.window;
        let w_m2 = (reading.seen.lowest().w_m2() - zero) * factor;
        let value = Irradiance::from_w_m2(w_m2.max(0.0));
        let mut flags = reading.flags;
        if w_m2 < 0.0 {
            flags = flags.with(Flags::CLAMPED);
        }
        if !self.factors.is_empty() {
            flags = flags.without(Flags::UNCALIBRATED);
        }
        let seen = if reading.seen.is_bound() { Seen::AtLeast(value) } else { Seen::Exactly(value) };
        Reading { seen, flags, ..reading }
    }

    /// Takes what a covered sensor said in a range for its zero. Begin with the least sensitive
    /// range: it shows light where a finer one is saturated.
    ///
    /// # Errors
    /// [`CalibrationError::NotDark`] above 0.5 W/m²; nothing has changed then.
    pub fn zero(&mut self, range: u8, dark: &Sample) -> Result<(), CalibrationError> {
        if dark.mean > DARK {
            return Err(CalibrationError::NotDark(dark.mean));
        }
        self.zeros_w_m2.insert(range, dark.mean.w_m2());
        Ok(())
    }

    /// Makes ranges agree that saw the same steady light, one after the other. `first_again` is
    /// the first of them once more at the end. The range with most counts sets the measure, or
    /// one whose ratio is known; ranges with fewer than 200 counts are left as they are.
    /// Returns the ranges that were set.
    ///
    /// # Errors
    /// [`CalibrationError::NotSteady`] when the first range changed by more than 1 % meanwhile,
    /// [`CalibrationError::TooDark`] with fewer than two ranges to compare.
    pub fn ranges(
        &mut self,
        seen: &[(u8, Sample)],
        first_again: Sample,
    ) -> Result<Vec<u8>, CalibrationError> {
        let Some(&(_, first)) = seen.first() else {
            return Err(CalibrationError::TooFew { got: 0, wanted: FEWEST_READINGS });
        };
        let share = (first_again.mean.w_m2() / first.mean.w_m2() - 1.0).abs();
        if share.is_nan() || share > STEADY {
            return Err(CalibrationError::NotSteady { share });
        }
        let net = |range: u8, sample: &Sample| {
            sample.mean.w_m2() - self.zeros_w_m2.get(&range).copied().unwrap_or(0.0)
        };
        let usable: Vec<(u8, f64, f64)> = seen
            .iter()
            .filter(|(_, sample)| sample.counts >= ENOUGH_COUNTS)
            .map(|(range, sample)| (*range, net(*range, sample), sample.counts))
            .collect();
        let known = usable.iter().find(|(range, ..)| self.ratios.contains_key(range));
        let finest = usable.iter().max_by(|a, b| a.2.total_cmp(&b.2));
        let (Some(&(base, measure, _)), true) = (known.or(finest), usable.len() > 1) else {
            return Err(CalibrationError::TooDark(first.mean));
        };
        let scale = self.ratios.get(&base).copied().unwrap_or(1.0);
        self.ratios.extend(usable.iter().map(|&(range, value, _)| (range, scale * measure / value)));
        Ok(usable.into_iter().map(|(range, ..)| range).collect())
    }

    /// Sets the factor for a source: what a reference meter beside the sensor showed, and what
    /// the part said, uncorrected, at the same time. Returns the factor.
    ///
    /// # Errors
    /// [`CalibrationError::NotSteady`] when the part's readings spread by more than 2 %,
    /// [`CalibrationError::TooDark`] below 0.5 W/m², [`CalibrationError::Figure`].
    pub fn against(
        &mut self,
        source: &str,
        reference: Irradiance,
        readings: &[Reading],
    ) -> Result<f64, CalibrationError> {
        if !(reference.w_m2() > 0.0 && reference.w_m2() <= 10_000.0) {
            return Err(CalibrationError::Figure {
                what: "the reference",
                range: "above 0 and at most 10000 W/m2",
            });
        }
        let unscaled = Self { factors: BTreeMap::new(), ..self.clone() };
        let said: Vec<Reading> = readings.iter().map(|&reading| unscaled.apply(reading)).collect();
        let sample = Sample::of(&said)?;
        let share = sample.deviation.w_m2() / sample.mean.w_m2();
        if sample.mean < DARK {
            return Err(CalibrationError::TooDark(sample.mean));
        }
        if share > 2.0 * STEADY {
            return Err(CalibrationError::NotSteady { share });
        }
        let factor = reference.w_m2() / sample.mean.w_m2();
        self.factors.insert(source.to_owned(), factor);
        Ok(factor)
    }

    /// Sets what window and diffuser pass.
    ///
    /// # Errors
    /// [`CalibrationError::Figure`] outside 0 (not included) to 1.
    pub fn set_window(&mut self, share: f64) -> Result<(), CalibrationError> {
        if !(share > 0.0 && share <= 1.0) {
            return Err(CalibrationError::Figure {
                what: "the window",
                range: "above 0 % and at most 100 %",
            });
        }
        self.window = share;
        Ok(())
    }

    /// Sets the temperature coefficient: a share per kelvin, and the temperature in °C at which
    /// the part is right.
    ///
    /// # Errors
    /// [`CalibrationError::Figure`] for more than 5 % per kelvin, or outside −40 to 85 °C.
    pub fn set_warmth(&mut self, per_kelvin: f64, at_c: f32) -> Result<(), CalibrationError> {
        if !(-0.05..=0.05).contains(&per_kelvin) {
            let range = "between -0.05 and 0.05 per kelvin";
            return Err(CalibrationError::Figure { what: "the temperature coefficient", range });
        }
        if !(-40.0..=85.0).contains(&at_c) {
            return Err(CalibrationError::Figure { what: "its temperature", range: "-40 to 85 °C" });
        }
        (self.per_kelvin, self.at_c) = (per_kelvin, at_c);
        Ok(())
    }

    /// What a dose made under `earlier` would be under this one, as a factor; `None` where zeros,
    /// range ratios or the temperature coefficient differ, since those act on each reading.
    #[must_use]
    pub fn restates(&self, earlier: &Self, source: &str) -> Option<f64> {
        let same = self.zeros_w_m2 == earlier.zeros_w_m2
            && self.ratios == earlier.ratios
            && (self.per_kelvin, self.at_c) == (earlier.per_kelvin, earlier.at_c);
        let whole = |of: &Self| Some(of.base_factor() * of.for_source(source)? / of.window);
        same.then(|| Some(whole(self)? / whole(earlier)?)).flatten()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::quantity::Mono;

    fn reading(w_m2: f64, range: u8, counts: i32) -> Reading {
        Reading { range, counts, ..Reading::of(Mono::default(), Irradiance::from_w_m2(w_m2)) }
    }

    fn sample(w_m2: f64, counts: f64) -> Sample {
        let deviation = Irradiance::ZERO;
        Sample { mean: Irradiance::from_w_m2(w_m2), deviation, count: 10, counts }
    }

    fn w_m2(reading: Reading) -> f64 {
        reading.seen.lowest().w_m2()
    }

    #[test]
    fn nothing_known_changes_nothing() {
        let as_it_was = reading(12.5, 3, 400);
        assert_eq!(Calibration::default().apply(as_it_was), as_it_was);
    }

    #[test]
    fn every_part_of_the_formula_counts() {
        // By hand: (21 − 1) × 1.1 × 1.02 × (1 + 0.002 × 10) / 0.92.
        let calibration = Calibration {
            factors: BTreeMap::from([("sun".to_owned(), 1.1)]),
            zeros_w_m2: BTreeMap::from([(2, 1.0)]),
            ratios: BTreeMap::from([(2, 1.02)]),
            window: 0.92,
            per_kelvin: 0.002,
            at_c: 25.0,
        };
        let warm = Reading { temperature_c: Some(35.0), ..reading(21.0, 2, 5000) };
        assert!((w_m2(calibration.apply(warm)) - 20.0 * 1.1 * 1.02 * 1.02 / 0.92).abs() < 1e-5);
        let dim = calibration.apply(reading(0.5, 2, 3));
        assert!(w_m2(dim) == 0.0 && dim.flags.has(Flags::CLAMPED));
    }

    #[test]
    fn a_reference_gives_a_part_its_unit() {
        let flags = Flags::UNCALIBRATED;
        let said: Vec<Reading> =
            [4.0, 4.02, 3.98, 4.01, 3.99].iter().map(|&v| Reading { flags, ..reading(v, 0, 900) }).collect();
        let mut calibration = Calibration::default();
        let factor = calibration.against("sun", Irradiance::from_w_m2(40.0), &said).unwrap();
        assert!((factor - 10.0).abs() < 1e-9);
        let now = calibration.apply(said[0]);
        assert!((w_m2(now) - 40.0).abs() < 1e-9 && !now.flags.has(flags));
        // A second time it is still against what the part itself says.
        assert!(
            (calibration.against("sun", Irradiance::from_w_m2(44.0), &said).unwrap() - 11.0).abs() < 1e-9
        );
    }

    #[test]
    fn each_source_has_its_own_factor() {
        let factors = BTreeMap::from([("sun".to_owned(), 1.2), ("box".to_owned(), 1.8)]);
        let calibration = Calibration { factors, ..Calibration::default() };
        assert_eq!(calibration.for_source("sun"), Some(1.0));
        assert!((calibration.for_source("box").unwrap() - 1.5).abs() < 1e-12);
        assert_eq!(calibration.for_source("other"), None);
        assert_eq!(Calibration::default().for_source("other"), Some(1.0));
    }

    #[test]
    fn a_sensor_that_is_not_covered_is_no_zero() {
        let mut calibration = Calibration::default();
        let error = calibration.zero(0, &sample(0.9, 30.0)).unwrap_err();
        assert_eq!(error, CalibrationError::NotDark(Irradiance::from_w_m2(0.9)));
        assert_eq!(calibration, Calibration::default());
        calibration.zero(0, &sample(0.02, 1.0)).unwrap();
        assert_eq!(calibration.zeros_w_m2[&0], 0.02);
    }

    #[test]
    fn ranges_are_made_to_agree() {
        let mut calibration = Calibration::default();
        let seen = [(3, sample(40.0, 9000.0)), (2, sample(40.8, 4500.0)), (0, sample(39.0, 100.0))];
        let set = calibration.ranges(&seen, sample(40.1, 9000.0)).unwrap();
        assert_eq!(set, [3, 2]);
        assert!((w_m2(calibration.apply(reading(40.8, 2, 4500))) - 40.0).abs() < 1e-9);
        // In stronger light the next range is tied to what is known.
        let seen = [(1, sample(80.0, 4400.0)), (2, sample(81.6, 9000.0))];
        calibration.ranges(&seen, sample(80.0, 4400.0)).unwrap();
        assert!((w_m2(calibration.apply(reading(80.0, 1, 4400))) - 80.0).abs() < 1e-9);
        assert_eq!(
            calibration.ranges(&seen, sample(90.0, 4400.0)),
            Err(CalibrationError::NotSteady { share: 90.0 / 80.0 - 1.0 })
        );
    }

    #[test]
    fn an_old_dose_is_restated_where_a_factor_is_all_that_changed() {
        let of = |factor: f64, window| Calibration {
            factors: BTreeMap::from([("sun".to_owned(), factor)]),
            window,
            ..Calibration::default()
        };
        assert!((of(1.2, 0.8).restates(&of(1.0, 1.0), "sun").unwrap() - 1.5).abs() < 1e-12);
        let mut zeroed = of(1.2, 1.0);
        zeroed.zeros_w_m2.insert(0, 0.1);
        assert_eq!(zeroed.restates(&of(1.0, 1.0), "sun"), None);
    }

    proptest! {
        #[test]
        fn readings_stay_readings(
            value in 0.0f64..4000.0, zero in 0.0f64..0.5, ratio in 0.5f64..2.0, factor in 0.01f64..100.0,
        ) {
            let calibration = Calibration {
                factors: BTreeMap::from([("box".to_owned(), factor)]),
                zeros_w_m2: BTreeMap::from([(0, zero)]),
                ratios: BTreeMap::from([(0, ratio)]),
                ..Calibration::default()
            };
            let corrected = w_m2(calibration.apply(reading(value, 0, 100)));
            prop_assert!(corrected >= 0.0 && corrected.is_finite());
            // Undone, it is what the part said.
            let undone = corrected / (factor * ratio) + zero;
            prop_assert!((undone - value.max(zero)).abs() < 1e-6 * value.max(1.0));
        }
    }
}
