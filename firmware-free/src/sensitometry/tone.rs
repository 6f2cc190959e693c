//! The correction of a negative: what density gives which tone of the print.

use super::{CharacteristicCurve, Density, Lightness, is_a_dose, log_h};
use crate::quantity::Dose;

/// A tone of the print and the negative that gives it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    /// The wanted lightness of the print.
    pub lightness: Lightness,
    /// Its density.
    pub print: Density,
    /// The negative's density there, above its clear parts.
    pub negative: Density,
}

/// The negative densities for `rows` tones (at least 2), evenly spaced in
/// lightness from the curve's toe to the darkest that `dose` through the clear
/// parts gives on the way up. An even scale in L* is even to the eye (CIE 15).
///
/// Empty when the dose does not reach above the toe.
#[must_use]
pub fn tone_table(curve: &CharacteristicCurve, dose: Dose, rows: usize) -> Vec<Tone> {
    let log_toe = curve.key().log_toe;
    if !is_a_dose(dose) || log_h(dose) <= log_toe {
        return Vec::new();
    }
    let most = log_h(dose).min(curve.darkest().log_h);
    let lightness_at = |log_h| {
        let density = curve.density_at(log_h).expect("the toe and the darkest point lie on the curve");
        Lightness::from(density).value()
    };
    let (from, to) = (lightness_at(log_toe), lightness_at(most));
    let last = rows.max(2) - 1;
    let tone = |i: usize| {
        let lightness = Lightness::new(from + (to - from) * i as f64 / last as f64);
        let print = Density::from(lightness);
        // The ends themselves: rounding must not push them off the curve.
        let log_tone = match i {
            0 => log_toe,
            i if i == last => most,
            _ => curve.log_h_of(print).expect("a tone between two points of the way up lies on it"),
        };
        Tone { lightness, print, negative: Density::new(log_h(dose) - log_tone) }
    };
    (0..=last).map(tone).collect()
}

#[cfg(test)]
mod tests {
    use super::super::wedge::tests::first_curve;
    use super::super::{dose_of_log, stops_of_log};
    use super::*;

    #[test]
    fn ends_lie_at_the_toe_and_at_the_dose() {
        let curve = first_curve();
        let shoulder = curve.key().log_shoulder;
        let table = tone_table(&curve, dose_of_log(shoulder), 11);
        assert_eq!(table.len(), 11);
        // Toe to shoulder is the log range, 1.582650 [calc with scipy].
        assert!((table[0].negative.value() - 1.582_650).abs() < 1e-6);
        assert!((table[0].print.value() - 0.14).abs() < 1e-9);
        assert!(table[10].negative.value().abs() < 1e-9);
        assert!((table[10].print.value() - 1.288).abs() < 1e-9);
    }

    #[test]
    fn a_negative_made_by_the_table_prints_the_tones() {
        let curve = first_curve();
        let dose = curve.full_dose().dose;
        let table = tone_table(&curve, dose, 21);
        for tone in &table {
            let printed = curve.density_at(log_h(dose) - tone.negative.value()).unwrap();
            assert!((printed.value() - tone.print.value()).abs() < 1e-9, "{tone:?}");
        }
        let steps: Vec<f64> =
            table.windows(2).map(|pair| pair[0].lightness.value() - pair[1].lightness.value()).collect();
        assert!(steps.iter().all(|step| (step - steps[0]).abs() < 1e-9), "even in lightness");
        assert!(table.windows(2).all(|pair| pair[1].negative < pair[0].negative));
    }

    #[test]
    fn more_dose_than_the_wedge_had_ends_at_its_darkest() {
        let curve = first_curve();
        let far = dose_of_log(curve.darkest().log_h + 0.3);
        let table = tone_table(&curve, far, 5);
        assert!((stops_of_log(table[4].negative.value()).value() - stops_of_log(0.3).value()).abs() < 1e-9);
    }

    #[test]
    fn a_dose_below_the_toe_has_no_tones() {
        let curve = first_curve();
        assert!(tone_table(&curve, dose_of_log(curve.key().log_toe - 0.1), 5).is_empty());
        assert!(tone_table(&curve, Dose::from_j_m2(-1.0), 5).is_empty());
    }
}
