//! Recipes and their versions.

use std::collections::BTreeMap;

use frameside_core::light::Response;
use frameside_core::quantity::{Dose, Irradiance, TargetDose};
use serde::{Deserialize, Serialize};

/// How a print is made, as far as it was told.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Recipe {
    /// How it is worked.
    #[serde(flatten)]
    pub facts: Facts,
    /// Targets that were set by hand, in J/m², by source.
    pub targets: BTreeMap<String, f64>,
}

/// How a recipe is worked.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, clap::Args)]
#[serde(default)]
pub struct Facts {
    /// The sensitizer, such as "citrate 2:1"
    #[arg(long, value_name = "TEXT", value_parser = one_line)]
    pub sensitizer: Option<String>,
    /// Paper or cloth
    #[arg(long, value_name = "TEXT", value_parser = one_line)]
    pub support: Option<String>,
    /// How it is coated
    #[arg(long, value_name = "TEXT", value_parser = one_line)]
    pub coating: Option<String>,
    /// How it is dried
    #[arg(long, value_name = "TEXT", value_parser = one_line)]
    pub drying: Option<String>,
    /// Humidity of the coated paper at exposure
    #[arg(long, value_name = "TEXT", value_parser = one_line)]
    pub humidity: Option<String>,
    /// How the negative is made
    #[arg(long, value_name = "TEXT", value_parser = one_line)]
    pub negative: Option<String>,
    /// Density range of the negative: its densest parts less its clear ones
    #[arg(long, allow_hyphen_values = true, value_name = "D", value_parser = density)]
    pub negative_range: Option<f64>,
    /// Density of the negative's clear parts in UV; wedges are printed through none of it
    #[arg(long, allow_hyphen_values = true, value_name = "D", value_parser = density)]
    pub negative_base: Option<f64>,
    /// Developer, where there is one
    #[arg(long, value_name = "TEXT", value_parser = one_line)]
    pub developer: Option<String>,
    /// How it is rinsed
    #[arg(long, value_name = "TEXT", value_parser = one_line)]
    pub rinse: Option<String>,
    /// How it is oxidised: air or peroxide
    #[arg(long, value_name = "TEXT", value_parser = one_line)]
    pub oxidation: Option<String>,
    /// Reciprocity exponent, where it answers to the strength of the light too; 'recipe exponent' fits it
    #[arg(long, allow_hyphen_values = true, value_name = "P", value_parser = exponent)]
    pub exponent: Option<f64>,
    /// The irradiance in W/m2 at which a dose at that exponent is the plain dose
    #[arg(long, allow_hyphen_values = true, value_name = "E", value_parser = reference)]
    pub reference: Option<f64>,
}

/// A name or a fact as it is kept: 1 to 200 bytes on one line.
///
/// # Errors
/// What it should be.
pub fn one_line(text: &str) -> Result<String, String> {
    let text = text.trim();
    if text.is_empty() || text.len() > 200 || text.chars().any(char::is_control) {
        return Err("write 1 to 200 letters on one line".to_owned());
    }
    Ok(text.to_owned())
}

fn density(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(density) if (0.0..=5.0).contains(&density) => Ok(density),
        _ => Err(format!("'{text}' is not a density of a negative; write it like 1.4")),
    }
}

fn exponent(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(exponent) if Response::EXPONENTS.contains(&exponent) => Ok(exponent),
        _ => Err(format!("'{text}' is not an exponent; write a number from 0.3 to 2")),
    }
}

/// A reference irradiance in W/m², with its unit or without.
///
/// # Errors
/// What it should be.
pub fn reference(text: &str) -> Result<f64, String> {
    let number = text.trim().trim_end_matches("W/m2").trim_end_matches("W/m²").trim();
    match number.parse() {
        Ok(w_m2) if (0.001..=10_000.0).contains(&w_m2) => Ok(w_m2),
        _ => Err(format!("'{text}' is not an irradiance; write it like 30 or 30W/m2")),
    }
}

/// A recipe as it was from a time on.
#[derive(Debug, Clone, PartialEq)]
pub struct RecipeVersion {
    /// Its name.
    pub name: String,
    /// Counts from 1.
    pub version: u32,
    /// Since when, in ms since 1970.
    pub unix_ms: i64,
    /// What it is.
    pub recipe: Recipe,
}

impl Recipe {
    /// The target set for a source.
    #[must_use]
    pub fn target(&self, source: &str) -> Option<TargetDose> {
        self.targets.get(source).and_then(|&j_m2| TargetDose::new(Dose::from_j_m2(j_m2)).ok())
    }

    /// This recipe with what is told of another in place of its own.
    #[must_use]
    pub fn changed_by(self, other: Self) -> Self {
        let (old, new) = (self.facts, other.facts);
        let facts = Facts {
            sensitizer: new.sensitizer.or(old.sensitizer),
            support: new.support.or(old.support),
            coating: new.coating.or(old.coating),
            drying: new.drying.or(old.drying),
            humidity: new.humidity.or(old.humidity),
            negative: new.negative.or(old.negative),
            negative_range: new.negative_range.or(old.negative_range),
            negative_base: new.negative_base.or(old.negative_base),
            developer: new.developer.or(old.developer),
            rinse: new.rinse.or(old.rinse),
            oxidation: new.oxidation.or(old.oxidation),
            exponent: new.exponent.or(old.exponent),
            reference: new.reference.or(old.reference),
        };
        let mut targets = self.targets;
        targets.extend(other.targets);
        Self { facts, targets }
    }
}

impl Facts {
    /// What its prints answer to. An exponent that came without a reference was never
    /// counted at.
    #[must_use]
    pub fn response(&self) -> Response {
        let response = |(exponent, reference)| {
            Response::new(exponent, Irradiance::from_w_m2(reference)).unwrap_or(Response::PLAIN)
        };
        self.exponent.zip(self.reference).map_or(Response::PLAIN, response)
    }

    /// Every fact with its name, in the order of the work.
    #[must_use]
    pub fn listed(&self) -> [(&'static str, Option<String>); 13] {
        let number = |number: Option<f64>| number.map(|number| number.to_string());
        [
            ("sensitizer", self.sensitizer.clone()),
            ("support", self.support.clone()),
            ("coating", self.coating.clone()),
            ("drying", self.drying.clone()),
            ("humidity", self.humidity.clone()),
            ("negative", self.negative.clone()),
            ("negative range", number(self.negative_range)),
            ("negative base", number(self.negative_base)),
            ("developer", self.developer.clone()),
            ("rinse", self.rinse.clone()),
            ("oxidation", self.oxidation.clone()),
            ("exponent", number(self.exponent)),
            ("reference", self.reference.map(|w_m2| format!("{w_m2} W/m²"))),
        ]
    }

    /// The names of the facts that are not the same in another.
    #[must_use]
    pub fn differing(&self, other: &Self) -> Vec<&'static str> {
        let pairs = self.listed().into_iter().zip(other.listed());
        pairs.filter(|(a, b)| a != b).map(|(a, _)| a.0).collect()
    }

    /// The same, without those that leave the dose for full density as it is.
    #[must_use]
    pub fn differing_in_dose(&self, other: &Self) -> Vec<&'static str> {
        const NO_MATTER: [&str; 4] = ["negative", "negative range", "exponent", "reference"];
        let mut differing = self.differing(other);
        differing.retain(|fact| !NO_MATTER.contains(fact));
        differing
    }
}
