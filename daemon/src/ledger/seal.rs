//! A check over each row, so that a bit that flips on the card is noticed, and mended where it
//! is one alone.
//!
//! Column `seal` is the CRC-32 of a row's table and its other columns; NULL is not checked.
//! Triggers that live in our own connections keep it, so that any program can read the record.

use rusqlite::functions::{Context, FunctionFlags};
use rusqlite::types::{Value, ValueRef};
use rusqlite::{Connection, Result};

/// A table's columns without the check, and its key.
#[derive(Debug, Clone)]
pub(super) struct Columns {
    pub(super) all: Vec<String>,
    pub(super) key: Vec<String>,
}

impl Columns {
    /// `None` where the table has no check (yet).
    pub(super) fn of(connection: &Connection, table: &str) -> Result<Option<Self>> {
        let mut select = connection.prepare("SELECT name, pk FROM pragma_table_info(?1)")?;
        let rows = select.query_map([table], |row| Ok((row.get::<_, String>(0)?, row.get::<_, i64>(1)?)))?;
        let columns: Vec<(String, i64)> = rows.collect::<Result<_>>()?;
        let key = columns.iter().filter(|(_, key)| *key > 0).map(|(name, _)| name.clone()).collect();
        let all: Vec<String> = columns.into_iter().map(|(name, _)| name).collect();
        let is_sealed = all.iter().any(|name| name == "seal");
        let all = all.into_iter().filter(|name| name != "seal").collect();
        Ok(is_sealed.then_some(Self { all, key }))
    }

    /// The check of a row in SQL.
    fn check(&self, table: &str) -> String {
        format!("row_check('{table}', {})", self.all.join(", "))
    }
}

/// The tables of the record, by name.
pub(super) fn tables(connection: &Connection) -> Result<Vec<String>> {
    let all =
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name";
    connection.prepare(all)?.query_map([], |row| row.get(0))?.collect()
}

/// Teaches a connection the check.
pub(super) fn teach(connection: &Connection) -> Result<()> {
    let flags = FunctionFlags::SQLITE_UTF8 | FunctionFlags::SQLITE_DETERMINISTIC;
    connection.create_scalar_function("row_check", -1, flags, |row: &mut Context<'_>| {
        let values = (1..row.len()).map(|index| row.get_raw(index));
        Ok(i64::from(check_of(row.get_raw(0).as_bytes()?, values)))
    })
}

/// Lets a connection keep the checks of what it writes.
pub(super) fn keep(connection: &Connection) -> Result<()> {
    connection.execute_batch("PRAGMA temp_store = MEMORY")?;
    for table in tables(connection)? {
        let Some(columns) = Columns::of(connection, &table)? else { continue };
        let row: Vec<String> = columns.key.iter().map(|name| format!("{name} = NEW.{name}")).collect();
        let set = format!(
            "BEGIN UPDATE {table} SET seal = {} WHERE {}; END",
            columns.check(&table),
            row.join(" AND ")
        );
        connection.execute_batch(&format!(
            "CREATE TEMP TRIGGER {table}_inserted AFTER INSERT ON main.{table} {set};
             CREATE TEMP TRIGGER {table}_updated AFTER UPDATE OF {} ON main.{table} {set};",
            columns.all.join(", ")
        ))?;
    }
    Ok(())
}

/// Checks rows that an earlier version wrote. Light, of which there is much, goes unchecked.
pub(super) fn seal_all(connection: &Connection) -> Result<()> {
    for table in tables(connection)?.into_iter().filter(|table| table != "light") {
        if let Some(columns) = Columns::of(connection, &table)? {
            let set = format!("UPDATE {table} SET seal = {} WHERE seal IS NULL", columns.check(&table));
            connection.execute(&set, [])?;
        }
    }
    Ok(())
}

/// How many rows of a table are not what was written.
pub(super) fn broken(connection: &Connection, table: &str) -> Result<i64> {
    let Some(columns) = Columns::of(connection, table)? else { return Ok(0) };
    let count = format!("SELECT count(*) FROM {table} NOT INDEXED WHERE seal <> {}", columns.check(table));
    connection.query_row(&count, [], |row| row.get(0))
}

/// A value as it is read, whatever its text is.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Cell {
    Null,
    Integer(i64),
    Real(f64),
    Text(Vec<u8>),
    Blob(Vec<u8>),
}

impl Cell {
    pub(super) fn of(value: ValueRef<'_>) -> Self {
        match value {
            ValueRef::Null => Self::Null,
            ValueRef::Integer(number) => Self::Integer(number),
            ValueRef::Real(number) => Self::Real(number),
            ValueRef::Text(bytes) => Self::Text(bytes.to_vec()),
            ValueRef::Blob(bytes) => Self::Blob(bytes.to_vec()),
        }
    }

    fn as_ref(&self) -> ValueRef<'_> {
        match self {
            Self::Null => ValueRef::Null,
            Self::Integer(number) => ValueRef::Integer(*number),
            Self::Real(number) => ValueRef::Real(*number),
            Self::Text(bytes) => ValueRef::Text(bytes),
            Self::Blob(bytes) => ValueRef::Blob(bytes),
        }
    }

    /// For a column; `None` for text that is none.
    pub(super) fn value(&self) -> Option<Value> {
        Some(match self {
            Self::Null => Value::Null,
            Self::Integer(number) => Value::Integer(*number),
            Self::Real(number) => Value::Real(*number),
            Self::Text(bytes) => Value::Text(String::from_utf8(bytes.clone()).ok()?),
            Self::Blob(bytes) => Value::Blob(bytes.clone()),
        })
    }

    /// What it may have been before one bit flipped.
    fn before(&self) -> Vec<Self> {
        let flipped = |bytes: &[u8]| -> Vec<Vec<u8>> {
            let flip = |bit: usize| {
                let mut before = bytes.to_vec();
                before[bit / 8] ^= 1 << (bit % 8);
                before
            };
            (0..bytes.len() * 8).map(flip).collect()
        };
        // Values of no length stand in the header of a row: NULL, 0, 1, and what is empty.
        let without_length = || {
            [Self::Null, Self::Integer(0), Self::Integer(1), Self::Real(0.0), Self::Real(1.0)]
                .into_iter()
                .chain([Self::Text(Vec::new()), Self::Blob(Vec::new())])
        };
        match self {
            Self::Null => without_length().collect(),
            Self::Integer(number) => {
                integers_before(*number).map(Self::Integer).chain(without_length()).collect()
            }
            Self::Real(number) => {
                let bits = (0..64).map(|bit| Self::Real(f64::from_bits(number.to_bits() ^ (1 << bit))));
                // Whole numbers are stored as integers.
                let whole = integers_before(*number as i64).map(|number| Self::Real(number as f64));
                bits.chain(whole).chain(without_length()).collect()
            }
            Self::Text(bytes) if bytes.is_empty() => without_length().collect(),
            Self::Blob(bytes) if bytes.is_empty() => without_length().collect(),
            Self::Text(bytes) => flipped(bytes).into_iter().map(Self::Text).collect(),
            Self::Blob(bytes) => flipped(bytes).into_iter().map(Self::Blob).collect(),
        }
    }
}

/// The flips of an integer in any of the widths that it may be stored in, where the sign follows
/// the highest bit.
fn integers_before(number: i64) -> impl Iterator<Item = i64> {
    let signs = [8, 16, 24, 32, 48].into_iter().map(move |width: u32| number ^ (-1 << (width - 1)));
    (0..64).map(move |bit| number ^ (1 << bit)).chain(signs)
}

/// What became of a row.
#[derive(Debug, PartialEq)]
pub(super) enum Read {
    /// As it was written, or not checked.
    Whole,
    /// One bit of it had flipped, and is put right.
    Mended,
    /// It is not what was written.
    Broken,
}

/// Compares a row with its check, and mends it if one flipped bit explains the difference.
pub(super) fn mend(table: &str, row: &mut [Cell], seal: &Cell) -> Read {
    let Cell::Integer(seal) = *seal else { return Read::Whole };
    let check = |row: &[Cell]| i64::from(check_of(table.as_bytes(), row.iter().map(Cell::as_ref)));
    if check(row) == seal {
        return Read::Whole;
    }
    for index in 0..row.len() {
        for before in row[index].before() {
            let now = std::mem::replace(&mut row[index], before);
            if check(row) == seal {
                return Read::Mended;
            }
            row[index] = now;
        }
    }
    // The check itself may be what flipped.
    let was = check(row);
    if integers_before(seal).any(|before| before == was) { Read::Whole } else { Read::Broken }
}

fn check_of<'a>(table: &[u8], values: impl Iterator<Item = ValueRef<'a>>) -> u32 {
    let mut check = crc32fast::Hasher::new();
    check.update(table);
    for value in values {
        let (kind, bytes): (u8, &[u8]) = match &value {
            ValueRef::Null => (0, &[]),
            ValueRef::Integer(number) => (1, &number.to_le_bytes()),
            ValueRef::Real(number) => (2, &number.to_le_bytes()),
            ValueRef::Text(bytes) => (3, bytes),
            ValueRef::Blob(bytes) => (4, bytes),
        };
        check.update(&[kind]);
        check.update(&(bytes.len() as u64).to_le_bytes());
        check.update(bytes);
    }
    check.finalize()
}
