//! What prints said of themselves: judgements, strips, wedges.

use frameside_core::light::Response;
use frameside_core::quantity::{Dose, Stops};
use frameside_core::sensitometry::{Band, CharacteristicCurve, Density, WedgeError, WedgeStep};
use rusqlite::{Connection, Row, params};
use serde::{Deserialize, Serialize};

use super::{LedgerError, PrintRow, RecipeVersion, Record};

/// What a print was found to be. For a test strip, what its bands show.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Verdict {
    /// It should have had so much more light; zero for a good print.
    Off {
        /// Above zero, it is too light.
        stops: Stops,
    },
    /// A patch shows one density where another was wanted.
    Density {
        /// What it shows.
        got: Density,
        /// What it should show.
        want: Density,
    },
    /// A strip, by the density of each band.
    Bands {
        /// By rising dose.
        densities: Vec<Density>,
    },
    /// A strip, by eye.
    FirstFull {
        /// The first band that is as dark as the next, counted from 1.
        band: usize,
    },
}

/// A judgement of a print.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// When, in ms since 1970.
    pub unix_ms: i64,
    /// What it was found to be.
    pub verdict: Verdict,
    /// Whether it was dry.
    pub dry: bool,
    /// Whether it was oxidised.
    pub oxidised: bool,
}

impl Judgement {
    /// Whether the print was as it will stay.
    #[must_use]
    pub fn is_final(&self) -> bool {
        self.dry && self.oxidised
    }

    /// Keeps it with its print, told by its whole name.
    pub(super) fn keep(&self, connection: &Connection, print: &str) -> rusqlite::Result<()> {
        let Self { unix_ms, verdict, dry, oxidised } = self;
        let verdict = serde_json::json!(verdict).to_string();
        let mut insert = connection.prepare_cached(
            "INSERT INTO judgement (print, at_ms, verdict, dry, oxidised)
             SELECT seq, ?2, ?3, ?4, ?5 FROM print WHERE id = ?1",
        )?;
        insert.execute(params![print, unix_ms, verdict, dry, oxidised]).map(|_| ())
    }
}

/// How the bare border of a print looked while it was out.
#[derive(Debug, Clone, PartialEq)]
pub struct BorderTone {
    /// The print.
    pub print: String,
    /// The tone, as it was noted.
    pub tone: String,
    /// The print's dose then.
    pub dose: Dose,
    /// The event that fixed it.
    pub seq: u32,
}

/// A printed step wedge of a recipe.
#[derive(Debug, Clone, PartialEq)]
pub struct WedgeRow {
    /// Its name.
    pub name: String,
    /// The version of the recipe it was printed with.
    pub version: Option<u32>,
    /// The source of light.
    pub source: String,
    /// When it was read, in ms since 1970.
    pub unix_ms: i64,
    /// What it received.
    pub dose: Dose,
    /// Its steps, from the clear end.
    pub steps: Vec<WedgeStep>,
}

/// A test strip of a recipe that was not made on the rig.
#[derive(Debug, Clone, PartialEq)]
pub struct StripRow {
    /// Its name.
    pub name: String,
    /// The version of the recipe it was made with.
    pub version: Option<u32>,
    /// The source of light.
    pub source: String,
    /// When it was read, in ms since 1970.
    pub unix_ms: i64,
    /// Its bands, by rising dose.
    pub bands: Vec<Band>,
}

impl WedgeRow {
    /// Its characteristic curve, with exposures as a response counts them: a density
    /// D leaves 10^-D of the light, and so 10^-pD of its effect. Its dose is taken as
    /// one that is counted so already.
    ///
    /// # Errors
    /// [`WedgeError`] when its steps give none; then it was not kept by this program.
    pub fn curve(&self, response: &Response) -> Result<CharacteristicCurve, WedgeError> {
        CharacteristicCurve::new(self.dose, &effects(&self.steps, response))
    }
}

/// The steps of a wedge with its densities as a response counts them.
#[must_use]
pub fn effects(steps: &[WedgeStep], response: &Response) -> Vec<WedgeStep> {
    let effect = |density: Density| Density::new(response.exponent() * density.value());
    steps.iter().map(|step| WedgeStep { wedge: effect(step.wedge), print: step.print }).collect()
}

impl Record {
    /// The newest version of every recipe, by name.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn recipes(&self) -> Result<Vec<RecipeVersion>, LedgerError> {
        let newest =
            "WHERE version = (SELECT max(version) FROM recipe AS r WHERE r.name = recipe.name) ORDER BY name";
        self.select_recipes(newest, params![])
    }

    /// All versions of a recipe, oldest first; none for a name that is only text.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn recipe(&self, name: &str) -> Result<Vec<RecipeVersion>, LedgerError> {
        self.select_recipes("WHERE name = ?1 ORDER BY version", params![name])
    }

    fn select_recipes(
        &self,
        which: &str,
        params: impl rusqlite::Params,
    ) -> Result<Vec<RecipeVersion>, LedgerError> {
        self.select(&format!("SELECT name, version, at_ms, facts FROM recipe {which}"), params, |row| {
            Ok(RecipeVersion {
                name: row.get(0)?,
                version: row.get(1)?,
                unix_ms: row.get(2)?,
                recipe: json_column(row, 3)?,
            })
        })
    }

    /// The judgements of a print, oldest first; the last one counts.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn judgements(&self, print: &PrintRow) -> Result<Vec<Judgement>, LedgerError> {
        let sql = "SELECT judgement.at_ms, verdict, dry, oxidised FROM judgement
                   JOIN print ON print.seq = judgement.print WHERE print.id = ?1 ORDER BY judgement.id";
        self.select(sql, params![print.id], |row| {
            Ok(Judgement {
                unix_ms: row.get(0)?,
                verdict: json_column(row, 1)?,
                dry: row.get(2)?,
                oxidised: row.get(3)?,
            })
        })
    }

    /// How the bare borders of a recipe's prints looked under a source, by rising
    /// dose.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn border_tones(&self, recipe: &str, source: &str) -> Result<Vec<BorderTone>, LedgerError> {
        let sql = "SELECT print.id, tone, event.best, event.seq FROM note
                   JOIN print ON print.seq = note.print
                   JOIN event ON event.print = note.print AND event.seq = event_seq
                   WHERE recipe = ?1 AND source = ?2 AND tone IS NOT NULL ORDER BY event.best";
        self.select(sql, params![recipe, source], |row| {
            let dose = Dose::from_j_m2(row.get(2)?);
            Ok(BorderTone { print: row.get(0)?, tone: row.get(1)?, dose, seq: row.get(3)? })
        })
    }

    /// The strips of a recipe that were not made on the rig, oldest first.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn strips(&self, recipe: &str) -> Result<Vec<StripRow>, LedgerError> {
        let sql = "SELECT name, version, source, at_ms, bands FROM strip WHERE recipe = ?1 ORDER BY id";
        self.select(sql, params![recipe], |row| {
            let bands: Vec<(f64, f64)> = json_column(row, 4)?;
            let band = |(j_m2, density)| Band { dose: Dose::from_j_m2(j_m2), density: Density::new(density) };
            Ok(StripRow {
                name: row.get(0)?,
                version: row.get(1)?,
                source: row.get(2)?,
                unix_ms: row.get(3)?,
                bands: bands.into_iter().map(band).collect(),
            })
        })
    }

    /// The wedges of a recipe, oldest first.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn wedges(&self, recipe: &str) -> Result<Vec<WedgeRow>, LedgerError> {
        let sql = "SELECT name, version, source, at_ms, dose, steps FROM wedge WHERE recipe = ?1 ORDER BY id";
        self.select(sql, params![recipe], |row| {
            let steps: Vec<(f64, f64)> = json_column(row, 5)?;
            let step = |(wedge, print)| WedgeStep { wedge: Density::new(wedge), print: Density::new(print) };
            Ok(WedgeRow {
                name: row.get(0)?,
                version: row.get(1)?,
                source: row.get(2)?,
                unix_ms: row.get(3)?,
                dose: Dose::from_j_m2(row.get(4)?),
                steps: steps.into_iter().map(step).collect(),
            })
        })
    }
}

fn json_column<T: serde::de::DeserializeOwned>(row: &Row<'_>, column: usize) -> rusqlite::Result<T> {
    let text: String = row.get(column)?;
    serde_json::from_str(&text).map_err(|error| {
        rusqlite::Error::FromSqlConversionFailure(column, rusqlite::types::Type::Text, error.into())
    })
}
