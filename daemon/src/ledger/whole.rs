//! The whole record as JSON, and back: for whoever wants to read it in fifty
//! years, when nobody has SQLite.
//!
//! One array. First the version, `{"schema": 1}`, then row by row, each on a line
//! of its own: `{"table": "print", "row": {"seq": 1, ...}}`. Bytes are written as
//! `{"hex": "00ff"}`.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Write};
use std::path::Path;

use rusqlite::types::{Value as Sql, ValueRef};
use rusqlite::{Connection, params_from_iter};
use serde_json::{Map, Value, json};

use super::copy::is_sound;
use super::record::connect;
use super::{LedgerError, schema};

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
    for table in tables(&connection).map_err(sqlite)? {
        each_row(&connection, &table, |row| rows(json!({ "table": table, "row": row }))).map_err(sqlite)?;
    }
    let last = line;
    failed
        .and_then(|()| write!(out, "{last}\n]\n"))
        .map_err(|source| LedgerError::Io { path: record.to_owned(), source })
}

/// The tables, by name.
fn tables(connection: &Connection) -> rusqlite::Result<Vec<String>> {
    connection
        .prepare(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name",
        )?
        .query_map([], |row| row.get(0))?
        .collect()
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

/// Whether a file is not a database, but may be one of [`write_json`].
pub(super) fn is_json(path: &Path) -> io::Result<bool> {
    let mut first = [0];
    Ok(File::open(path)?.read(&mut first)? == 1 && first == *b"[")
}

/// Makes a record of what [`write_json`] wrote.
///
/// # Errors
/// [`LedgerError::NotSound`] with the line, [`LedgerError::Newer`].
pub(super) fn read_json(from: &Path, to: &Path) -> Result<(), LedgerError> {
    let unsound = |why: String| LedgerError::NotSound { path: from.to_owned(), why };
    let file = File::open(from).map_err(|source| LedgerError::Io { path: from.to_owned(), source })?;
    let mut lines = (1..).zip(BufReader::new(file).lines()).map(|(number, line)| -> Result<_, LedgerError> {
        let line = line.map_err(|error| unsound(format!("line {number}: {error}")))?;
        let line = line.strip_prefix('[').unwrap_or(&line);
        let line = line.strip_suffix(',').unwrap_or(line);
        if line == "]" {
            return Ok(None);
        }
        let value: Value =
            serde_json::from_str(line).map_err(|error| unsound(format!("line {number}: {error}")))?;
        Ok(Some((number, value)))
    });
    let first = lines.next().transpose()?.flatten();
    let version = first.and_then(|(_, value): (i32, Value)| value["schema"].as_i64());
    let version = version.ok_or_else(|| unsound("line 1: no {\"schema\": number}".to_owned()))?;
    schema::check_version(version, from)?;
    let mut connection = schema::create(to, version)?;
    let transaction = connection.transaction().map_err(|error| unsound(error.to_string()))?;
    let mut ended = false;
    for line in lines {
        match line? {
            Some((number, row)) => {
                insert(&transaction, &row).map_err(|why| unsound(format!("line {number}: {why}")))?;
            }
            None => ended = true,
        }
    }
    if !ended {
        return Err(unsound("its end is missing".to_owned()));
    }
    transaction.commit().map_err(|error| unsound(error.to_string()))?;
    match is_sound(&connection) {
        Ok(sound) if sound == "ok" => Ok(()),
        Ok(damage) => Err(unsound(damage)),
        Err(error) => Err(unsound(error.to_string())),
    }
}

fn insert(connection: &Connection, line: &Value) -> Result<(), String> {
    let (Some(table), Some(row)) = (line["table"].as_str(), line["row"].as_object()) else {
        return Err("this is not a row of a table".to_owned());
    };
    let is_name =
        |name: &str| name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_');
    if !is_name(table) || !row.keys().all(|name| is_name(name)) {
        return Err("this is not a name of a table or column".to_owned());
    }
    let names: Vec<&str> = row.keys().map(String::as_str).collect();
    let places = vec!["?"; names.len()].join(", ");
    let sql = format!("INSERT INTO \"{table}\" ({}) VALUES ({places})", names.join(", "));
    let values = row.values().map(to_sql).collect::<Result<Vec<Sql>, _>>()?;
    let mut insert = connection.prepare_cached(&sql).map_err(|error| error.to_string())?;
    insert.execute(params_from_iter(values)).map(|_| ()).map_err(|error| error.to_string())
}

fn to_sql(value: &Value) -> Result<Sql, String> {
    match value {
        Value::Null => Ok(Sql::Null),
        Value::Number(number) => match number.as_i64() {
            Some(number) => Ok(number.into()),
            None => number.as_f64().map(Sql::Real).ok_or_else(|| format!("{number} is out of range")),
        },
        Value::String(text) => Ok(text.clone().into()),
        Value::Object(object) => {
            let hex = object.get("hex").and_then(Value::as_str).unwrap_or("?");
            bytes(hex).map(Sql::Blob).ok_or_else(|| "bytes are written as {\"hex\": \"00ff\"}".to_owned())
        }
        other => Err(format!("{other} is not a value of a column")),
    }
}

fn bytes(hex: &str) -> Option<Vec<u8>> {
    let digits = hex.as_bytes().chunks(2);
    digits
        .map(|two| u8::from_str_radix(std::str::from_utf8(two).ok().filter(|t| t.len() == 2)?, 16).ok())
        .collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        #[test]
        fn nothing_like_an_export_can_panic(
            lines in prop::collection::vec(
                prop_oneof![
                    Just(r#"{"table":"meta","row":{"key":"a","value":"b"}},"#.to_owned()),
                    Just(r#"{"table":"meta","row":{}},"#.to_owned()),
                    Just(r#"{"table":"light","row":{"samples":{"hex":"0é"}}},"#.to_owned()),
                    r#"\{"table":"[a-z"]{1,8}","row":\{"[a-z;]{1,6}":[0-9e.]{1,9}\}\},?"#,
                    "\\PC{0,40}",
                ],
                0..8,
            ),
            version in -1i64..4,
        ) {
            let folder = tempfile::TempDir::new().unwrap();
            let (from, to) = (folder.path().join("ledger.json"), folder.path().join("ledger.sqlite"));
            std::fs::write(&from, format!("[{{\"schema\":{version}}},\n{}\n]\n", lines.join("\n"))).unwrap();
            if read_json(&from, &to).is_ok() {
                prop_assert!(write_json(&to, io::sink()).is_ok());
            }
        }
    }
}
