//! The whole record as JSON, to be read without SQLite. What comes back in is a backup.
//!
//! One array. First the version, `{"schema": 1}`, then row by row, each on a line
//! of its own: `{"table": "print", "row": {"seq": 1, ...}}`. Bytes are written as
//! `{"hex": "00ff"}`.

use std::io::Write;
use std::path::Path;

use rusqlite::Connection;
use rusqlite::types::ValueRef;
use serde_json::{Map, Value, json};

use super::record::connect;
use super::{LedgerError, schema, seal};

/// Writes everything that the record holds.
///
/// # Errors
/// [`LedgerError`] when it cannot be read or written.
pub fn write_json(record: &Path, mut out: impl Write) -> Result<(), LedgerError> {
    let sqlite = |source| LedgerError::Sqlite { path: record.to_owned(), source };
    if !record.exists() {
        return Err(LedgerError::Missing(record.to_owned()));
    }
    let (connection, version) = connect(record, "mode=ro").map_err(sqlite)?;
    schema::check_version(version, record)?;
    // All tables as they stand at one instant.
    connection.execute_batch("BEGIN").map_err(sqlite)?;
    let mut failed = Ok(());
    let mut write = |line: &Value, end: &str| {
        if failed.is_ok() {
            failed = write!(out, "{line}{end}");
        }
    };
    let mut line = json!({ "schema": version });
    let mut rows = |row: Value| write(&std::mem::replace(&mut line, row), ",\n");
    for table in seal::tables(&connection).map_err(sqlite)? {
        each_row(&connection, &table, |row| rows(json!({ "table": table, "row": row }))).map_err(sqlite)?;
    }
    let last = line;
    failed
        .and_then(|()| write!(out, "{last}\n]\n"))
        .map_err(|source| LedgerError::Io { path: record.to_owned(), source })
}

fn each_row(
    connection: &Connection,
    table: &str,
    mut with: impl FnMut(Map<String, Value>),
) -> rusqlite::Result<()> {
    // Tables without a rowid come in the order of their key.
    let mut select = connection.prepare(&format!("SELECT * FROM \"{table}\""))?;
    let names: Vec<String> = select.column_names().map(str::to_owned).collect();
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let value = |(index, name): (usize, &String)| Ok((name.clone(), to_json(row.get_ref(index)?)));
        with(names.iter().enumerate().map(value).collect::<rusqlite::Result<_>>()?);
    }
    Ok(())
}

fn to_json(value: ValueRef<'_>) -> Value {
    match value {
        ValueRef::Null => Value::Null,
        ValueRef::Integer(number) => number.into(),
        ValueRef::Real(number) => number.into(),
        ValueRef::Text(text) => String::from_utf8_lossy(text).into(),
        ValueRef::Blob(bytes) => {
            json!({ "hex": bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>() })
        }
    }
}
