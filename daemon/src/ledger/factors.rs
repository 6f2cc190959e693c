//! Factors between sources of light that somebody found and kept.

use frameside_core::source::Factor;
use rusqlite::params;

use super::{LedgerError, Notebook, Record};

/// A factor between two sources.
#[derive(Debug, Clone, PartialEq)]
pub struct FactorRow {
    /// The source that doses are known for.
    pub a: String,
    /// The source that doses are wanted for.
    pub b: String,
    /// When it was found, in ms since 1970.
    pub unix_ms: i64,
    /// What a dose under A is divided by.
    pub factor: Factor,
    /// What it was found from, in words.
    pub evidence: String,
}

impl Notebook {
    /// Keeps a factor; the newest between two sources counts.
    ///
    /// # Errors
    /// [`LedgerError`] when it cannot be written.
    pub fn keep_factor(&mut self, row: &FactorRow) -> Result<(), LedgerError> {
        let Factor { factor, low, high } = row.factor;
        self.write(|connection| {
            connection.execute(
                "INSERT INTO factor (a, b, at_ms, factor, low, high, evidence)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                params![row.a, row.b, row.unix_ms, factor, low, high, row.evidence],
            )
        })?;
        Ok(())
    }
}

impl Record {
    /// The factor from one source to another that was kept last, in whichever
    /// direction.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn factor(&self, a: &str, b: &str) -> Result<Option<FactorRow>, LedgerError> {
        let sql = "SELECT a, b, at_ms, factor, low, high, evidence FROM factor
                   WHERE (a = ?1 AND b = ?2) OR (a = ?2 AND b = ?1) ORDER BY id DESC LIMIT 1";
        let newest = self.select(sql, params![a, b], |row| {
            Ok(FactorRow {
                a: row.get(0)?,
                b: row.get(1)?,
                unix_ms: row.get(2)?,
                factor: Factor { factor: row.get(3)?, low: row.get(4)?, high: row.get(5)? },
                evidence: row.get(6)?,
            })
        })?;
        Ok(newest.into_iter().next().map(|row| if row.a == a { row } else { row.turned() }))
    }
}

impl FactorRow {
    fn turned(self) -> Self {
        let Factor { factor, low, high } = self.factor;
        let factor = Factor { factor: 1.0 / factor, low: 1.0 / high, high: 1.0 / low };
        Self { a: self.b, b: self.a, factor, ..self }
    }
}
