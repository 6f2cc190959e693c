//! Whether a file where the record should be is another program's. What is ours and
//! damaged is set aside and a new record begun; what was never ours is left as it is.

use std::fs::File;
use std::io::Read as _;
use std::path::Path;

use rusqlite::Connection;

use super::schema::{self, LedgerError};

/// How every SQLite file begins.
const HEADER: &[u8; 16] = b"SQLite format 3\0";
/// Every SQLite file is whole pages, and none is smaller than this.
const LEAST_PAGE: usize = 512;

/// Refuses a file that is there and is no SQLite file, before anything is done to it.
///
/// # Errors
/// [`LedgerError::Foreign`]; what cannot be read is left to SQLite to tell.
pub(super) fn refuse_another_kind(path: &Path) -> Result<(), LedgerError> {
    let (mut head, mut length) = (Vec::new(), 0);
    let read = File::open(path).and_then(|file| {
        length = file.metadata()?.len();
        file.take(LEAST_PAGE as u64).read_to_end(&mut head)
    });
    // Beside a record that was not closed lies its log, whatever became of its first page.
    let has_log = ["-wal", "-shm"].iter().any(|ending| super::with_ending(path, ending).exists());
    if read.is_err() || head.is_empty() || has_log || head.starts_with(HEADER) || may_be_torn(&head, length) {
        return Ok(());
    }
    Err(LedgerError::Foreign(path.to_owned()))
}

/// Whether it may be a record whose first page is torn: whole pages that are no text.
fn may_be_torn(head: &[u8], length: u64) -> bool {
    length.is_multiple_of(LEAST_PAGE as u64) && !is_text(head)
}

/// Whether a file that begins so is text; its last letter may be cut in two.
fn is_text(head: &[u8]) -> bool {
    let text = match std::str::from_utf8(head) {
        Ok(text) => text,
        Err(error) if error.error_len().is_none() => {
            std::str::from_utf8(&head[..error.valid_up_to()]).unwrap_or_default()
        }
        Err(_) => return false,
    };
    text.chars().all(|letter| !letter.is_control() || "\t\r\n".contains(letter))
}

/// Refuses another program's tables: a record of ours gets its tables and its version
/// in one commit, and has prints in each version.
///
/// # Errors
/// [`LedgerError::Foreign`], or unreadable.
pub(super) fn refuse_other_tables(connection: &Connection, path: &Path) -> Result<(), LedgerError> {
    let failed = |source| LedgerError::Sqlite { path: path.to_owned(), source };
    let version = schema::version(connection).map_err(schema::as_damage).map_err(failed)?;
    if !schema::is_marked(connection, version).map_err(failed)?
        && (schema::is_ours(connection).map_err(failed)? || has_prints(connection).unwrap_or(false))
    {
        let why = rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_CORRUPT);
        let says = Some("its header gives two numbers of its schema".to_owned());
        return Err(failed(rusqlite::Error::SqliteFailure(why, says)));
    }
    schema::check_version(version, path)?;
    if schema::is_ours(connection).map_err(failed)? {
        return Ok(());
    }
    let count = "SELECT count(*), ifnull(sum(type = 'table' AND name = 'print'), 0) FROM sqlite_schema";
    let (all, ours): (i64, i64) =
        connection.query_row(count, [], |row| Ok((row.get(0)?, row.get(1)?))).map_err(failed)?;
    if all > 0 && (version == 0 || ours == 0) {
        return Err(LedgerError::Foreign(path.to_owned()));
    }
    Ok(())
}

fn has_prints(connection: &Connection) -> rusqlite::Result<bool> {
    let count = "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = 'print'";
    connection.query_row(count, [], |row| row.get::<_, i64>(0)).map(|count| count > 0)
}

/// Whether the header holds what each of our files has there. With another number of its format
/// SQLite reads a file and does not write it.
pub(super) fn has_our_header(path: &Path) -> bool {
    let mut head = Vec::new();
    let read = File::open(path).and_then(|file| file.take(100).read_to_end(&mut head));
    if read.is_err() || head.len() < 100 || !head.starts_with(HEADER) {
        // Told by what comes next.
        return true;
    }
    let is_format = |at: usize| matches!(head[at], 1 | 2);
    is_format(18) && is_format(19) && head[20..24] == [0, 64, 32, 32] && head[52..56] == [0; 4]
}
