//! A printed step wedge: its curve, told and drawn.

use std::fmt::Write as _;

use frameside_core::light::Response;
use frameside_core::quantity::{Dose, Stops};
use frameside_core::sensitometry::{
    CharacteristicCurve, Density, NegativeFit, Tone, WedgeStep, stops_of_log,
};
use serde_json::{Value, json};

use crate::advice::how_counted;
use crate::charts::{Characteristic, Correction, Mark, WedgeCurve};

/// How prints are made now.
#[derive(Clone, Copy)]
pub(super) struct Present {
    /// The density range of the negative.
    pub(super) range: Option<f64>,
    /// The density of its clear parts.
    pub(super) base: Density,
    /// The target dose, before the negative.
    pub(super) target: Option<Dose>,
    /// What doses are counted at.
    pub(super) response: Response,
}

/// A printed wedge and its curve.
pub(super) struct Wedge {
    pub(super) name: String,
    /// What it received; `None` when that is not known and log H counts from it.
    pub(super) dose: Option<Dose>,
    pub(super) steps: Vec<WedgeStep>,
    /// By the wedge's density, as a negative sees it.
    pub(super) curve: CharacteristicCurve,
    /// The same by dose: another curve only where density takes another share of it.
    pub(super) effect: CharacteristicCurve,
    pub(super) present: Present,
}

impl Wedge {
    /// What the paper gets through the negative's clear parts: of the dose in use,
    /// or the least for full density. On the scale of the wedge's density.
    pub(super) fn printed(&self) -> Dose {
        let through_clear = |target: Dose| self.by_density(target) * self.present.base.reflectance();
        self.present.target.map_or(self.curve.full_dose().dose, through_clear)
    }

    /// A dose on the scale of the wedge's density: so much weaker as the density says
    /// that has the same effect.
    fn by_density(&self, dose: Dose) -> Dose {
        let given = self.dose.unwrap_or(UNKNOWN);
        if self.present.response.is_plain() {
            return dose;
        }
        given * (dose.j_m2() / given.j_m2()).powf(self.present.response.exponent().recip())
    }

    /// The dose of a place on the scale of the wedge's density.
    pub(super) fn by_dose(&self, place: Dose) -> Dose {
        let given = self.dose.unwrap_or(UNKNOWN);
        if self.present.response.is_plain() {
            return place;
        }
        given * (place.j_m2() / given.j_m2()).powf(self.present.response.exponent())
    }

    /// The least dose for full density through the negative's clear parts.
    fn full_through_base(&self) -> Dose {
        let base = Density::new(self.present.response.exponent() * self.present.base.value());
        self.effect.full_dose().through(base).dose
    }

    /// From the target in use to that.
    fn target_shift(&self) -> Option<Stops> {
        self.present.target.map(|target| self.full_through_base().stops_over(target))
    }

    /// How the present negative suits the paper.
    fn fit(&self) -> NegativeFit {
        self.curve.negative_fit(self.present.range.unwrap_or(0.0), self.printed())
    }

    pub(super) fn to_json(&self) -> Value {
        let (span, key) = (self.curve.key(), self.effect.key());
        let full = self.effect.full_dose();
        // Doses follow from the dose it received alone.
        let known = |dose: Dose| self.dose.map(|_| dose.j_m2());
        let fit = self.fit();
        let turn_over = self.effect.turn_over().map(|over| {
            json!({
                "dose_j_m2": known(over.dose), "lost": over.lost,
                "shoulder_again_j_m2": over.shoulder_again.and_then(known),
            })
        });
        let point =
            |p: &frameside_core::sensitometry::CurvePoint| json!({ "log_h": p.log_h, "density": p.density });
        json!({
            "wedge": self.name,
            "dose_j_m2": self.dose.map(Dose::j_m2),
            "d_min": key.d_min, "d_max": key.d_max,
            "log_range": span.log_range(), "range_stops": span.range(), "iso_range": span.iso_range(),
            "log_toe": key.log_toe, "log_mid": key.log_mid, "log_shoulder": key.log_shoulder,
            "speed_dose_j_m2": known(key.speed_dose()),
            "full_dose_j_m2": known(full.dose), "full_low_j_m2": known(full.low), "full_high_j_m2": known(full.high),
            "turn_over": turn_over,
            "range_sigma_stops": stops_of_log(span.range_error), "toe_sigma_stops": stops_of_log(key.toe_error),
            "full_sigma_stops": full.sigma,
            "negative_must_span": fit.must_span, "negative_must_span_sigma": span.toe_error,
            "negative_off": self.present.range.map(|_| fit.off),
            "target_shift_stops": self.target_shift(),
            "exponent": self.present.response.exponent(),
            "points": self.effect.points().iter().map(point).collect::<Vec<_>>(),
        })
    }

    /// A place on the scale of exposure, as a printmaker says it.
    pub(super) fn at(&self, dose: Dose) -> String {
        match self.dose {
            Some(_) => dose.to_string(),
            None => format!("wedge density {:.2}", -dose.kj_m2().log10()),
        }
    }

    pub(super) fn for_people(&self) -> String {
        let (span, key) = (self.curve.key(), self.effect.key());
        let full = self.effect.full_dose();
        let given = self.dose.map(|dose| format!(" under {dose}")).unwrap_or_default();
        let toe_and_shoulder = [key.log_toe, key.log_shoulder].map(|log| self.at(kj_of_log(log)));
        let mut text = format!("{}: {} steps{given}\n", self.name, self.curve.points().len());
        let _ = writeln!(text, "  paper white (Dmin) {}, darkest (Dmax) {}", key.d_min, key.d_max);
        let _ = writeln!(
            text,
            "  range {:.2} ± {:.2}, {:.1} ± {:.1} stops (ISO range {}), from {} to {}",
            span.log_range(),
            span.range_error,
            span.range().value(),
            stops_of_log(span.range_error).value(),
            span.iso_range(),
            toe_and_shoulder[0],
            toe_and_shoulder[1]
        );
        let _ = writeln!(text, "  speed point, 0.60 above paper white: {}", self.at(key.speed_dose()));
        let _ = writeln!(
            text,
            "  full density from {} (between {} and {})",
            self.at(full.dose),
            self.at(full.low),
            self.at(full.high)
        );
        let _ = writeln!(text, "  {}", self.turn_over());
        let _ = writeln!(text, "  ± is one standard error; the curve is freed of the noise of the readings");
        if !span.is_sure() {
            let error = stops_of_log(span.range_error.max(span.toe_error)).value();
            let _ = writeln!(
                text,
                "  ! toe and range are known to {error:.1} stop only: read each of the light steps a few times \
                 and give their mean, or print a wedge of finer steps"
            );
        }
        for sentence in self.advice().into_iter().chain(how_counted(&self.present.response)) {
            let _ = writeln!(text, "  {sentence}");
        }
        text
    }

    /// The correction of a negative as a chart.
    pub(super) fn correction(&self, tones: &[Tone]) -> Correction {
        Correction {
            title: format!("The negative for {}", self.name),
            subtitle: vec![
                format!(
                    "{} through its clear parts; densities above theirs",
                    self.at(self.by_dose(self.printed()))
                ),
                "on the dashed line, even steps of density would give even steps of tone".to_owned(),
            ],
            tones: tones.iter().map(|tone| (tone.lightness.value(), tone.negative.value())).collect(),
        }
    }

    fn turn_over(&self) -> String {
        let Some(over) = self.effect.turn_over() else {
            return "no turn-over: more light takes no blue away within this wedge".to_owned();
        };
        let peak = self.at(over.dose);
        let back = over.shoulder_again.map(|dose| format!(", back at its shoulder by {}", self.at(dose)));
        format!(
            "turns over past {peak}: {:.2} lost at the clearest step{}",
            over.lost,
            back.unwrap_or_default()
        )
    }

    /// What follows for the negative and the target.
    fn advice(&self) -> Vec<String> {
        let fit = self.fit();
        let printed = match self.present.target {
            Some(target) => format!("printed with {target}"),
            None => "printed for full density".to_owned(),
        };
        let mut said = vec![format!(
            "{printed}, the negative must span {:.2} ± {:.2} from its clear parts to the first trace of tone",
            fit.must_span,
            self.curve.key().toe_error
        )];
        if let Some(range) = self.present.range {
            said.push(match fit.off {
                off if off > 0.05 => {
                    format!("yours spans {range:.2}, {off:.2} too much: its lights come out as bare paper")
                }
                off if off < -0.05 => {
                    format!(
                        "yours spans {range:.2}, {:.2} too little: its lights come out blue, not white",
                        -off
                    )
                }
                _ => format!("yours spans {range:.2}, which suits it"),
            });
        }
        if let Some(target) = self.present.target {
            let full = self.full_through_base();
            said.push(format!("target shift {}: from {target} to {full}", full.stops_over(target)));
        }
        said
    }

    fn drawn(&self, is_alone: bool) -> WedgeCurve {
        /// Enough for a smooth line.
        const PIECES: u32 = 240;
        let points = self.effect.points();
        let (from, to) = (points[0].log_h, points[points.len() - 1].log_h);
        let on_line = |i: u32| {
            let log_h = from + (to - from) * f64::from(i) / f64::from(PIECES);
            self.effect.density_at(log_h).map(|density| (log_h, density.value()))
        };
        WedgeCurve {
            label: self.name.clone(),
            line: (0..=PIECES).filter_map(on_line).collect(),
            steps: points.iter().map(|point| (point.log_h, point.density.value())).collect(),
            marks: if is_alone { self.marks() } else { Vec::new() },
        }
    }

    fn marks(&self) -> Vec<Mark> {
        let key = self.effect.key();
        let full = self.effect.full_dose().dose;
        let of_full = self.effect.full_dose().sigma.value() * std::f64::consts::LOG10_2;
        let turn_over = self.effect.turn_over().map(|over| (over.dose.kj_m2().log10(), "turns over", 0.0));
        let marks = turn_over.into_iter().chain([
            (full.kj_m2().log10(), "full density", of_full),
            (key.log_shoulder, "shoulder", 0.0),
            (key.log_mid, "speed point", 0.0),
            (key.log_toe, "toe", key.toe_error),
        ]);
        let mark = |(log_h, name, sigma): (f64, &str, f64)| {
            let density = self.effect.density_at(log_h)?.value();
            let label = vec![name.to_owned(), self.at(kj_of_log(log_h))];
            Some(Mark { log_h, density, sigma, label })
        };
        marks.filter_map(mark).collect()
    }
}

/// Stands for a dose that is not known: log H then counts from the wedge's clear.
pub(super) const UNKNOWN: Dose = Dose::from_j_m2(1000.0);

fn kj_of_log(log_h: f64) -> Dose {
    Dose::from_j_m2(1000.0 * 10f64.powf(log_h))
}

/// The chart of several wedges, or of one with its points named.
pub(super) fn chart(wedges: &[Wedge]) -> Characteristic {
    let in_doses = wedges.iter().all(|wedge| wedge.dose.is_some());
    let sentence = |wedge: &Wedge| {
        let key = wedge.curve.key();
        let (stops, error) = (key.range().value(), stops_of_log(key.range_error).value());
        let range = format!("range {:.2} ({stops:.1} ± {error:.1} stops)", key.log_range());
        format!("{}: {} to {}, {range}", wedge.name, key.d_min, key.d_max)
    };
    Characteristic {
        title: if wedges.len() == 1 { "Characteristic curve" } else { "Characteristic curves" }.to_owned(),
        subtitle: wedges.iter().map(sentence).collect(),
        curves: wedges.iter().map(|wedge| wedge.drawn(wedges.len() == 1)).collect(),
        in_doses,
    }
}
