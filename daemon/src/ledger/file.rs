//! The file of the record while the daemon runs: it may be missing at the start, not writable
//! yet, damaged, or taken away later. What was acknowledged stays in memory until there is a
//! file again.

use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

use rusqlite::backup::Backup;
use rusqlite::{Connection, DEFAULT_NAME, FileControl, MAIN_DB};

use super::copy::{part_of, rename};
use super::counts::Counts;
use super::record::connect_to_read;
use super::{LedgerError, foreign, free_name, move_parts, salvage, schema, set_aside, with_ending};

/// The ending of a damaged record from when its place is to be taken until it is.
const BEING_REPLACED: &str = ".damaged";
/// A file system in memory.
const IN_MEMORY: &str = "/dev/shm";

/// The record, open for the daemon's thread.
#[derive(Debug)]
pub(super) struct Opened {
    pub(super) connection: Connection,
    /// What was wrong with the file and what became of it.
    pub(super) troubles: Vec<String>,
    /// Whether something is missing that the doses of prints that are out may rest on.
    pub(super) is_doubtful: bool,
}

impl Opened {
    fn whole(connection: Connection) -> Self {
        Self { connection, troubles: Vec::new(), is_doubtful: false }
    }
}

/// Opens the record for writing. Of a damaged one all that can be read becomes the
/// record, and the file is kept under another name.
///
/// # Errors
/// [`LedgerError::Foreign`], [`LedgerError::Newer`], or a file that cannot be written.
pub(super) fn open(path: &Path) -> Result<Opened, LedgerError> {
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder)
            .map_err(|source| LedgerError::Io { path: path.to_owned(), source })?;
    }
    end_interrupted_rescue(path).map_err(|source| LedgerError::Io { path: path.to_owned(), source })?;
    if !foreign::has_our_header(path) {
        return rescue(path, "its header is not what it was");
    }
    match schema::open_checked(path) {
        Err(error) if schema::is_damage(&error) => rescue(path, &reason(&error)),
        opened => {
            let connection = opened?;
            let missing = missing(&connection, path)?;
            let is_doubtful = missing.is_some();
            Ok(Opened { connection, troubles: missing.into_iter().collect(), is_doubtful })
        }
    }
}

/// What to say of commits that the record does not hold any more. It is said once: what is there
/// counts from now on.
fn missing(connection: &Connection, path: &Path) -> Result<Option<String>, LedgerError> {
    let found =
        Counts::of(connection).map_err(|source| LedgerError::Sqlite { path: path.to_owned(), source })?;
    let expected = Counts::kept_beside(path);
    if expected != Some(found) {
        found.keep_beside(path);
    }
    Ok(expected.and_then(|expected| found.missing_of(expected, path)))
}

/// Makes a record of what a damaged one still gives, and goes on with it. The damaged file is
/// kept.
///
/// # Errors
/// [`LedgerError`] when there can be no new file.
pub(super) fn rescue(path: &Path, why: &str) -> Result<Opened, LedgerError> {
    let io = |source| LedgerError::Io { path: path.to_owned(), source };
    let saved = salvage::salvage(path)?;
    let being_replaced = with_ending(path, BEING_REPLACED);
    move_parts(path, &being_replaced, ["", "-wal", "-shm"]).map_err(io)?;
    rename(&saved.path, path)?;
    let aside = set_aside_from(&being_replaced, path).map_err(io)?;
    let aside = aside.display();
    let mut troubles = vec![if saved.lost.is_empty() {
        format!(
            "the record was damaged ({why}); it is put right, {} rows by one bit, and nothing is missing; \
             the damaged file is kept as {aside}. A card that loses bits is best replaced",
            saved.mended
        )
    } else {
        format!(
            "the record was damaged ({why}); frameside goes on with the {} rows that could be read, and not all \
             is there of: {}; the damaged file is kept as {aside}. A card that loses bits is best replaced",
            saved.rows,
            saved.lost.join(", ")
        )
    }];
    troubles.extend(saved.unknown_prints.iter().map(|print| {
        format!(
            "print {print} may be out, and cannot be taken up, since the record was damaged: look after it \
             by hand"
        )
    }));
    let connection = schema::open(path)?;
    let missing = missing(&connection, path)?;
    let is_doubtful = missing.is_some() || !saved.lost.is_empty();
    troubles.extend(missing.filter(|_| saved.lost.is_empty()));
    Ok(Opened { connection, troubles, is_doubtful })
}

/// Gives a damaged file, whose place is taken, the name that it keeps.
fn set_aside_from(being_replaced: &Path, path: &Path) -> std::io::Result<PathBuf> {
    let aside = free_name(path, "damaged");
    move_parts(being_replaced, &aside, ["", "-wal", "-shm"])?;
    Ok(aside)
}

/// The power may go while a damaged record is replaced by what was saved of it. As long as nothing
/// is in its place the damaged one is put back, to be salvaged again.
fn end_interrupted_rescue(path: &Path) -> std::io::Result<()> {
    let being_replaced = with_ending(path, BEING_REPLACED);
    if !being_replaced.exists() {
        return Ok(());
    }
    if path.exists() {
        return set_aside_from(&being_replaced, path).map(drop);
    }
    // The record last: until it is there the next start goes on with this.
    move_parts(&being_replaced, path, ["-shm", "-wal", ""])
}

/// What SQLite says of a damaged file.
fn reason(error: &LedgerError) -> String {
    match error {
        LedgerError::Sqlite { source, .. } => source.to_string(),
        other => other.to_string(),
    }
}

/// Whether a record that cannot be used now may be later, so that it is worth going on without
/// it. A record of another program or a later version needs a person.
pub(super) fn may_be_usable_later(error: &LedgerError) -> bool {
    matches!(error, LedgerError::Sqlite { .. } | LedgerError::Io { .. })
}

/// A record in memory with all that can be read of the file.
///
/// # Errors
/// [`LedgerError`] when memory cannot be had.
pub(super) fn in_memory(path: &Path) -> Result<Connection, LedgerError> {
    let failed = |source| LedgerError::Sqlite { path: path.to_owned(), source };
    if path.exists() {
        let copied =
            copy_into_memory(path).map_err(failed).and_then(|memory| schema::up_to_date(memory, path));
        match copied {
            Ok(memory) => return Ok(memory),
            Err(error) => tracing::error!(%error, "the record cannot be read; going on without it"),
        }
    }
    schema::up_to_date(Connection::open_in_memory().map_err(failed)?, path)
}

fn copy_into_memory(path: &Path) -> rusqlite::Result<Connection> {
    let copy = |from: &Path| {
        let (from, _) = connect_to_read(from)?;
        let mut memory = Connection::open_in_memory()?;
        Backup::new(&from, &mut memory)?.step(-1)?;
        Ok(memory)
    };
    // Without an index beside it a log is only read where one can be made.
    copy(path).or_else(|error: rusqlite::Error| {
        let elsewhere = Path::new(IN_MEMORY).join(format!("frameside-record-{}", std::process::id()));
        let copied = ["", "-wal"].iter().try_for_each(|ending| match with_ending(path, ending) {
            from if from.exists() => std::fs::copy(from, with_ending(&elsewhere, ending)).map(|_| ()),
            _ => Ok(()),
        });
        let read = if copied.is_ok() { copy(&elsewhere) } else { Err(error) };
        for ending in ["", "-wal", "-shm"] {
            // It may never have been made.
            let _ = std::fs::remove_file(with_ending(&elsewhere, ending));
        }
        read
    })
}

/// Whether the open file is no longer the one at its path: deleted, moved or replaced.
pub(super) fn has_moved(connection: &Connection) -> rusqlite::Result<bool> {
    let mut moved = 0;
    connection.file_control(DEFAULT_NAME, FileControl::HasMoved(&mut moved))?;
    Ok(moved != 0)
}

/// The device and inode of the write-ahead log beside a record. It outlives the name of the
/// record, and must never be read with another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Log(Option<(u64, u64)>);

impl Log {
    pub(super) fn beside(record: &Path) -> Self {
        let log = std::fs::metadata(with_ending(record, "-wal")).ok();
        Self(log.map(|log| (log.dev(), log.ino())))
    }

    /// Removes it and its index if they are still there, so that they are not taken for those of
    /// what took the record's place.
    fn remove(self, record: &Path) -> std::io::Result<()> {
        if self.0.is_some() && Self::beside(record) == self {
            std::fs::remove_file(with_ending(record, "-wal"))?;
            let _ = std::fs::remove_file(with_ending(record, "-shm"));
        }
        Ok(())
    }
}

/// Writes the whole record anew to its path from a connection whose file is gone from there.
/// What took its place is kept under another name. Returns what happened.
///
/// # Errors
/// [`LedgerError`] when it cannot be written; then the old connection is still good.
pub(super) fn write_anew(connection: &Connection, log: Log, path: &Path) -> Result<Opened, LedgerError> {
    let io = |source| LedgerError::Io { path: path.to_owned(), source };
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(io)?;
    }
    let part = part_of(path)?;
    connection
        .backup(MAIN_DB, &part, None::<fn(rusqlite::backup::Progress)>)
        .map_err(|source| LedgerError::Sqlite { path: part.clone(), source })?;
    log.remove(path).map_err(io)?;
    let replaced: Option<PathBuf> =
        if path.exists() { Some(set_aside(path, "replaced").map_err(io)?) } else { None };
    for ending in ["-wal", "-shm"] {
        let left = with_ending(path, ending);
        if left.exists() {
            std::fs::rename(&left, free_name(&left, "left")).map_err(io)?;
        }
    }
    rename(&part, path)?;
    let what = match replaced {
        Some(aside) => format!("replaced; what took its place is kept as {}", aside.display()),
        None => "deleted or moved".to_owned(),
    };
    let trouble = format!(
        "while frameside ran, the record {} was {what}. It is written there anew and nothing is lost; \
         stop frameside before you move or restore its record",
        path.display()
    );
    Ok(Opened { troubles: vec![trouble], ..Opened::whole(schema::open(path)?) })
}
