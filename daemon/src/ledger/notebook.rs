//! Writing what a person found out, from the command line.
//!
//! Beside the daemon's thread this is the only other writer. Both take SQLite's
//! write lock for one short transaction and wait two seconds for the other, so it
//! works with the daemon running and stopped.

use std::path::{Path, PathBuf};

use frameside_core::sensitometry::WedgeStep;
use rusqlite::{Connection, TransactionBehavior, params};
use serde_json::json;

use super::schema::{self, LedgerError};
use super::{Judgement, Recipe, StripRow, WedgeRow};

/// The ledger, open for what people write into it.
#[derive(Debug)]
pub struct Notebook {
    connection: Connection,
    path: PathBuf,
}

impl Notebook {
    /// Opens the ledger of a path. It must be there: the daemon begins it, so that
    /// it belongs to the daemon's user.
    ///
    /// # Errors
    /// [`LedgerError`] when there is none, or it may not be written.
    pub fn open(path: &Path) -> Result<Self, LedgerError> {
        if !path.exists() {
            return Err(LedgerError::Missing(path.to_owned()));
        }
        Ok(Self { connection: schema::open(path)?, path: path.to_owned() })
    }

    /// Keeps a recipe, as a new version where its name is known; gives the version.
    ///
    /// # Errors
    /// [`LedgerError`] when it cannot be written.
    pub fn keep_recipe(&mut self, name: &str, unix_ms: i64, recipe: &Recipe) -> Result<u32, LedgerError> {
        self.write(|connection| {
            connection.query_row(
                "INSERT INTO recipe (name, version, at_ms, facts)
                 SELECT ?1, ifnull(max(version), 0) + 1, ?2, ?3 FROM recipe WHERE name = ?1
                 RETURNING version",
                params![name, unix_ms, json!(recipe).to_string()],
                |row| row.get(0),
            )
        })
    }

    /// Keeps a judgement of a print, told by its whole name.
    ///
    /// # Errors
    /// [`LedgerError`] when it cannot be written.
    pub fn keep_judgement(&mut self, print: &str, judgement: &Judgement) -> Result<(), LedgerError> {
        self.write(|connection| judgement.keep(connection, print))
    }

    /// Keeps a wedge of a recipe, in place of an earlier reading of the same name
    /// under the same source: it is one piece of evidence however often it is read.
    ///
    /// # Errors
    /// [`LedgerError`] when it cannot be written.
    pub fn keep_wedge(&mut self, recipe: &str, wedge: &WedgeRow) -> Result<(), LedgerError> {
        let step = |step: &WedgeStep| (step.wedge.value(), step.print.value());
        let steps: Vec<(f64, f64)> = wedge.steps.iter().map(step).collect();
        self.write(|connection| {
            let same = "DELETE FROM wedge WHERE recipe = ?1 AND source = ?2 AND name = ?3";
            connection.execute(same, params![recipe, wedge.source, wedge.name])?;
            connection.execute(
                "INSERT INTO wedge (recipe, version, source, at_ms, name, dose, steps)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                params![
                    recipe,
                    wedge.version,
                    wedge.source,
                    wedge.unix_ms,
                    wedge.name,
                    wedge.dose.j_m2(),
                    json!(steps).to_string()
                ],
            )
        })?;
        Ok(())
    }

    /// Keeps a strip of a recipe that was not made on the rig, in place of an earlier
    /// reading of the same name under the same source.
    ///
    /// # Errors
    /// [`LedgerError`] when it cannot be written.
    pub fn keep_strip(&mut self, recipe: &str, strip: &StripRow) -> Result<(), LedgerError> {
        let bands: Vec<(f64, f64)> =
            strip.bands.iter().map(|band| (band.dose.j_m2(), band.density.value())).collect();
        self.write(|connection| {
            let same = "DELETE FROM strip WHERE recipe = ?1 AND source = ?2 AND name = ?3";
            connection.execute(same, params![recipe, strip.source, strip.name])?;
            connection.execute(
                "INSERT INTO strip (recipe, version, source, at_ms, name, bands)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                params![
                    recipe,
                    strip.version,
                    strip.source,
                    strip.unix_ms,
                    strip.name,
                    json!(bands).to_string()
                ],
            )
        })?;
        Ok(())
    }

    pub(super) fn write<T>(
        &mut self,
        write: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, LedgerError> {
        let written = || {
            let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let done = write(&transaction)?;
            transaction.commit()?;
            Ok(done)
        };
        written().map_err(|source| LedgerError::Sqlite { path: self.path.clone(), source })
    }
}
