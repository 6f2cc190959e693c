//! A print's facts for a list, the same from the record and from another rig.

use frameside_core::exposure::FrameState;
use frameside_core::light::Estimate;
use frameside_core::quantity::Dose;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};
use std::fmt::Write as _;

use crate::ledger::PrintRow;
use crate::words;

/// A print in a list; times are RFC 3339, doses J/m².
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Listed {
    /// Its name.
    pub print: String,
    /// Its frame.
    pub frame: String,
    /// What it is doing.
    pub state: FrameState,
    /// When it was laid out.
    pub begun: Option<String>,
    /// When it reached its target.
    pub due: Option<String>,
    /// When it came in.
    pub brought_in: Option<String>,
    /// Whether the clock was right all the while.
    pub synchronised: bool,
    /// Its target.
    pub target_j_m2: f64,
    /// The exponent that its target and its doses are counted at; 1 for the plain dose,
    /// which is all that earlier rigs know.
    #[serde(default = "plain")]
    pub exponent: f64,
    /// The irradiance at which such a dose is the plain dose, where the exponent is not 1.
    pub reference_w_m2: Option<f64>,
    /// The plain dose when it came in.
    pub plain_dose_j_m2: Option<f64>,
    /// Its dose when it was called.
    pub dose_at_due_j_m2: Option<f64>,
    /// Its dose when it came in.
    pub dose_j_m2: Option<f64>,
    /// At least.
    pub low_j_m2: Option<f64>,
    /// At most.
    pub high_j_m2: Option<f64>,
    /// How long its cover was off.
    pub seconds: Option<f64>,
    /// Its recipe.
    pub recipe: Option<String>,
    /// The version of its recipe.
    pub recipe_version: Option<u32>,
    /// Its negative.
    pub negative: Option<String>,
    /// Its source of light.
    pub source: String,
    /// The note it was begun with.
    pub note: Option<String>,
}

fn plain() -> f64 {
    1.0
}

impl Listed {
    /// A print of the record, with times in a zone.
    #[must_use]
    pub fn of(print: &PrintRow, zone: &TimeZone) -> Self {
        let label = |ms: Option<i64>| ms.map(|ms| words::rfc3339(ms, zone));
        let brought_in = print.brought_in();
        let dose = brought_in.map(|event| event.dose);
        Self {
            print: print.id.clone(),
            frame: print.frame.clone(),
            state: print.state(),
            begun: label(print.begun().map(|event| event.unix_ms)),
            due: label(print.due().map(|event| event.unix_ms)),
            brought_in: label(brought_in.map(|event| event.unix_ms)),
            synchronised: print.events.iter().all(|event| event.synchronised),
            target_j_m2: print.target().j_m2(),
            exponent: print.response.exponent(),
            reference_w_m2: (!print.response.is_plain()).then(|| print.response.reference().w_m2()),
            plain_dose_j_m2: print.plain_dose().map(Dose::j_m2),
            dose_at_due_j_m2: print.due().map(|event| event.dose.best.j_m2()),
            dose_j_m2: dose.map(|dose| dose.best.j_m2()),
            low_j_m2: dose.map(|dose| dose.low.j_m2()),
            high_j_m2: dose.map(|dose| dose.high.j_m2()),
            seconds: print.seconds_of_light(),
            recipe: print.recipe.clone(),
            recipe_version: print.recipe_version,
            negative: print.negative.clone(),
            source: print.source.clone(),
            note: print.note.clone(),
        }
    }

    /// A table of prints for people.
    #[must_use]
    pub fn table(prints: &[Self]) -> String {
        let wide = prints.iter().map(|print| print.print.len()).max().unwrap_or(0);
        let mut text = format!("{:wide$}  begun  minutes  target   dose, both in kJ/m²\n", "print");
        for print in prints {
            let begun = print.begun.as_deref().and_then(words::clock_of_rfc3339);
            let begun = begun.unwrap_or_else(|| "--:--".to_owned());
            let minutes = print.seconds.map_or_else(|| "-".to_owned(), |s| format!("{:.1}", s / 60.0));
            let target = words::brief_dose(Estimate::certain(Dose::from_j_m2(print.target_j_m2)));
            let recipe = print.recipe.as_ref().map(|recipe| format!("  {recipe}")).unwrap_or_default();
            let at = if print.exponent == 1.0 {
                String::new()
            } else {
                format!(" at exponent {:.2}", print.exponent)
            };
            let dose = print.dose() + &at;
            let name = &print.print;
            let _ = writeln!(text, "{name:wide$}  {begun}  {minutes:>7}  {target:>6}   {dose}{recipe}");
        }
        text
    }

    fn dose(&self) -> String {
        let of = |j_m2: Option<f64>| j_m2.map(Dose::from_j_m2);
        match (of(self.dose_j_m2), of(self.low_j_m2), of(self.high_j_m2)) {
            (Some(best), Some(low), Some(high)) => {
                let over = over(best, Dose::from_j_m2(self.target_j_m2));
                format!("{}, {over}", words::brief_dose(Estimate { best, low, high }))
            }
            _ if self.state == FrameState::Covered => "out, covered".to_owned(),
            _ => format!("out, {}", self.state.word()),
        }
    }
}

/// How far a dose is from a target.
#[must_use]
pub fn over(dose: Dose, target: Dose) -> String {
    let stops = dose.stops_over(target);
    if stops.value().is_finite() { stops.to_string() } else { "no light".to_owned() }
}
