//! How sensors are corrected, from when on, and what was done for it. Nothing is ever
//! changed: each correction is a new row, and a print remembers the number of its own.

use std::collections::BTreeMap;

use frameside_core::light::Calibration;
use rusqlite::{Connection, params};

use super::writer::CLEAR_SKY;
use super::{LedgerError, Notebook, PrintRow, Record};

/// A correction of a sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct CalibrationRow {
    /// Its number in the record.
    pub id: i64,
    /// From when on, in ms since 1970.
    pub unix_ms: i64,
    /// What was done, in words.
    pub done: String,
    /// The correction.
    pub calibration: Calibration,
}

/// The newest correction of each sensor, with its number. One that cannot be read is told.
pub(super) fn now(
    connection: &Connection,
    troubles: &mut Vec<String>,
) -> rusqlite::Result<BTreeMap<String, (i64, Calibration)>> {
    let newest = "SELECT sensor, max(id), facts FROM calibration GROUP BY sensor";
    let mut select = connection.prepare(newest)?;
    let mut rows = select.query([])?;
    let mut found = BTreeMap::new();
    while let Some(row) = rows.next()? {
        let (sensor, id): (String, i64) = (row.get(0)?, row.get(1)?);
        match serde_json::from_str(&row.get::<_, String>(2)?) {
            Ok(calibration) => {
                found.insert(sensor, (id, calibration));
            }
            Err(error) => troubles.push(format!(
                "calibration {id} of sensor {sensor} cannot be read ({error}); it goes uncorrected, calibrate it again"
            )),
        }
    }
    Ok(found)
}

/// The calibration that a print was begun under, from what it keeps of it.
pub(super) fn begun_under(kept: &str) -> Option<(Option<i64>, Calibration)> {
    let Remembered { id, correction, .. } = serde_json::from_str(kept).ok()?;
    Some((id, correction))
}

impl Notebook {
    /// Keeps a correction of a sensor from now on; gives its number.
    ///
    /// # Errors
    /// [`LedgerError`] when it cannot be written.
    pub fn keep_calibration(
        &mut self,
        sensor: &str,
        unix_ms: i64,
        done: &str,
        calibration: &Calibration,
    ) -> Result<i64, LedgerError> {
        let facts = serde_json::json!(calibration).to_string();
        self.write(|connection| {
            // Its clear hours were brighter or darker by another calibration.
            connection.execute("DELETE FROM meta WHERE key = ?1", [CLEAR_SKY])?;
            connection.query_row(
                "INSERT INTO calibration (sensor, at_ms, done, facts) VALUES (?1, ?2, ?3, ?4) RETURNING id",
                params![sensor, unix_ms, done, facts],
                |row| row.get(0),
            )
        })
    }
}

/// What the doses of a print would be under its sensor's newest correction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Restated {
    /// The number of that correction.
    pub calibration: i64,
    /// What to multiply its doses by; `None` where each reading would have to be corrected anew,
    /// for which counts and ranges are not kept.
    pub factor: Option<f64>,
}

/// What a print remembers of its sensor.
#[derive(serde::Deserialize)]
struct Remembered {
    id: Option<i64>,
    #[serde(default)]
    part: serde_json::Value,
    correction: Calibration,
}

impl PrintRow {
    /// Whether its sensor had no factor to W/m²: its doses are then in the part's own unit.
    #[must_use]
    pub fn is_uncalibrated(&self) -> bool {
        serde_json::from_str::<Remembered>(&self.calibration).is_ok_and(|remembered| {
            remembered.part["from"] == "uncalibrated" && remembered.correction.factors.is_empty()
        })
    }
}

impl Record {
    /// What a print would be under its sensor's newest correction; `None` where it was made
    /// under that one, or by a version that did not remember.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn restated(&self, print: &PrintRow) -> Result<Option<Restated>, LedgerError> {
        let Some(newest) = self.calibrations(&print.sensor)?.pop() else { return Ok(None) };
        let Ok(earlier) = serde_json::from_str::<Remembered>(&print.calibration) else { return Ok(None) };
        if earlier.id == Some(newest.id) {
            return Ok(None);
        }
        let factor = newest.calibration.restates(&earlier.correction, &print.source);
        Ok(Some(Restated { calibration: newest.id, factor }))
    }

    /// The corrections of a sensor, oldest first.
    ///
    /// # Errors
    /// [`LedgerError`] when the file cannot be read.
    pub fn calibrations(&self, sensor: &str) -> Result<Vec<CalibrationRow>, LedgerError> {
        let all = "SELECT id, at_ms, done, facts FROM calibration WHERE sensor = ?1 ORDER BY id";
        self.select(all, [sensor], |row| {
            let facts: String = row.get(3)?;
            let calibration = serde_json::from_str(&facts).map_err(|error| {
                rusqlite::Error::FromSqlConversionFailure(3, rusqlite::types::Type::Text, error.into())
            })?;
            Ok(CalibrationRow { id: row.get(0)?, unix_ms: row.get(1)?, done: row.get(2)?, calibration })
        })
    }
}
