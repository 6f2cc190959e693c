//! What a damaged record still gives, saved as a record of its own.
//!
//! It does not take the damaged one's place by itself: a print whose end cannot be read
//! would lie out again. Who wants it back looks at it first and then restores it.

use std::path::{Path, PathBuf};

use rusqlite::types::Value;
use rusqlite::{Connection, ErrorCode, params_from_iter};

use super::record::connect;
use super::{LedgerError, free_name, schema};

/// What was saved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Saved {
    /// Where to.
    pub(super) path: PathBuf,
    /// How many rows.
    pub(super) rows: usize,
    /// The tables that could not be read to their end.
    pub(super) torn: Vec<String>,
}

/// Saves every row that can be read, of each table from both of its ends; `None` where
/// nothing can.
///
/// # Errors
/// [`LedgerError`] when the new file cannot be written.
pub(super) fn salvage(damaged: &Path, beside: &Path) -> Result<Option<Saved>, LedgerError> {
    let Ok((from, version)) = connect(damaged, "mode=ro") else { return Ok(None) };
    if schema::check_version(version, damaged).is_err() || version == 0 {
        return Ok(None);
    }
    let path = free_name(beside, "saved");
    let mut to = schema::create(&path, version)?;
    let mut saved = Saved { path: path.clone(), rows: 0, torn: Vec::new() };
    let copied = copy(&from, &mut to, &mut saved);
    copied.map_err(|source| LedgerError::Sqlite { path: path.clone(), source })?;
    if saved.rows > 0 {
        return Ok(Some(saved));
    }
    drop(to);
    std::fs::remove_file(&path).map_err(|source| LedgerError::Io { path, source })?;
    Ok(None)
}

fn copy(from: &Connection, to: &mut Connection, saved: &mut Saved) -> rusqlite::Result<()> {
    let transaction = to.transaction()?;
    let all =
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name";
    let tables: Vec<String> =
        transaction.prepare(all)?.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
    for table in tables {
        let before = saved.rows;
        let mut is_whole = true;
        for order in ["ASC", "DESC"] {
            let sql = format!("SELECT * FROM \"{table}\" ORDER BY {}", key(&transaction, &table, order)?);
            is_whole = rows(from, &sql, |names, values| {
                saved.rows += insert(&transaction, &table, names, values)?;
                Ok(())
            })?;
            if is_whole {
                break;
            }
        }
        if !is_whole {
            tracing::warn!(table, rows = saved.rows - before, "could not be read whole");
            saved.torn.push(table);
        }
    }
    transaction.commit()
}

/// What a table is sorted by, as a list of columns for ORDER BY.
fn key(connection: &Connection, table: &str, order: &str) -> rusqlite::Result<String> {
    let mut select = connection.prepare("SELECT name FROM pragma_table_info(?1) WHERE pk > 0 ORDER BY pk")?;
    let columns: Vec<String> =
        select.query_map([table], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
    Ok(columns.iter().map(|column| format!("\"{column}\" {order}")).collect::<Vec<_>>().join(", "))
}

/// Every row of a query, until it cannot be read any further; whether that was its end.
fn rows(
    from: &Connection,
    sql: &str,
    mut with: impl FnMut(&[String], Vec<Value>) -> rusqlite::Result<()>,
) -> rusqlite::Result<bool> {
    let Ok(mut select) = from.prepare(sql) else { return Ok(false) };
    let names: Vec<String> = select.column_names().map(str::to_owned).collect();
    let Ok(mut rows) = select.query([]) else { return Ok(false) };
    loop {
        match rows.next() {
            Ok(Some(row)) => {
                let values: rusqlite::Result<Vec<Value>> = (0..names.len()).map(|n| row.get(n)).collect();
                if let Ok(values) = values {
                    with(&names, values)?;
                }
            }
            Ok(None) => return Ok(true),
            Err(_) => return Ok(false),
        }
    }
}

/// Keeps a row, if it is not there yet and is what the table takes.
fn insert(to: &Connection, table: &str, names: &[String], values: Vec<Value>) -> rusqlite::Result<usize> {
    let columns: Vec<String> = names.iter().map(|name| format!("\"{name}\"")).collect();
    let places = vec!["?"; names.len()].join(", ");
    let sql = format!("INSERT OR IGNORE INTO \"{table}\" ({}) VALUES ({places})", columns.join(", "));
    match to.prepare_cached(&sql)?.execute(params_from_iter(values)) {
        Err(error) if error.sqlite_error_code() == Some(ErrorCode::ConstraintViolation) => Ok(0),
        kept => kept,
    }
}
