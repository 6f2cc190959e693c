//! Copies of the record: out while the daemon runs, and back in.

use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, MAIN_DB};

use super::record::connect;
use super::{LedgerError, counts, schema, set_aside, with_ending};

/// Copies the record to a new file, as it stands at one instant. The daemon may
/// run.
///
/// # Errors
/// [`LedgerError::Itself`] for a file of the record, [`LedgerError::Exists`] unless
/// `replace`, [`LedgerError::NotSound`] when the copy fails its check, or a file that
/// cannot be read or written.
pub fn backup(from: &Path, to: &Path, replace: bool) -> Result<(), LedgerError> {
    if !from.exists() {
        return Err(LedgerError::Missing(from.to_owned()));
    }
    // A daemon would write on into a file that no longer has a name.
    if is_part_of(to, from) {
        return Err(LedgerError::Itself(to.to_owned()));
    }
    if to.exists() && !replace {
        return Err(LedgerError::Exists(to.to_owned()));
    }
    has_place(to)?;
    let part = part_of(to)?;
    copy(from, &part)?;
    rename(&part, to)
}

/// Whether a path is the record or one of the files that SQLite keeps beside it,
/// whatever it is called.
fn is_part_of(path: &Path, record: &Path) -> bool {
    let file = |path: &Path| std::fs::metadata(path).ok().map(|file| (file.dev(), file.ino()));
    let Some(path) = file(path) else { return false };
    let beside = ["", "-wal", "-shm", "-journal"].map(|ending| with_ending(record, ending));
    beside.iter().any(|kept| file(kept) == Some(path))
}

/// Puts a record back from a file that [`backup`] wrote. One that is there already is kept under another name, which is
/// returned. Nobody may have the record open.
///
/// # Errors
/// [`LedgerError::Itself`] for a file of the record, [`LedgerError::Exists`] unless
/// `replace`, [`LedgerError::NotSound`] and [`LedgerError::Newer`] for what is no record
/// of ours: then nothing has changed.
pub fn restore(from: &Path, to: &Path, replace: bool) -> Result<Option<PathBuf>, LedgerError> {
    if !from.exists() {
        return Err(LedgerError::NoFile(from.to_owned()));
    }
    if is_part_of(from, to) {
        return Err(LedgerError::Itself(from.to_owned()));
    }
    if to.exists() && !replace {
        return Err(LedgerError::Exists(to.to_owned()));
    }
    if let Some(folder) = to.parent() {
        std::fs::create_dir_all(folder).map_err(|source| io(folder, source))?;
    }
    let part = part_of(to)?;
    copy(from, &part)?;
    own_alike(to, &part).map_err(|source| io(&part, source))?;
    counts::forget(to).map_err(|source| io(to, source))?;
    let aside =
        if to.exists() { Some(set_aside(to, "replaced").map_err(|source| io(to, source))?) } else { None };
    rename(&part, to)?;
    Ok(aside)
}

/// Whether a copy can have that name: SQLite would tell it of the record.
fn has_place(to: &Path) -> Result<(), LedgerError> {
    let folder = to.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let why = if to.is_dir() {
        "that is a folder; name a file in it".to_owned()
    } else if !folder.is_dir() {
        format!("there is no folder {}", folder.display())
    } else {
        return Ok(());
    };
    Err(LedgerError::NoPlace { path: to.to_owned(), why })
}

fn io(path: &Path, source: std::io::Error) -> LedgerError {
    LedgerError::Io { path: path.to_owned(), source }
}

/// The copy grows under another name, so that there is never half of one.
pub(super) fn part_of(to: &Path) -> Result<PathBuf, LedgerError> {
    let part = with_ending(to, ".part");
    match std::fs::remove_file(&part) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(io(&part, error)),
        _ => Ok(part),
    }
}

/// Copies in one step: page by page beside a busy writer might never end.
fn copy(from: &Path, to: &Path) -> Result<(), LedgerError> {
    let unsound = |why: String| LedgerError::NotSound { path: from.to_owned(), why };
    let (source, version) = connect(from, "mode=ro").map_err(|error| unsound(error.to_string()))?;
    schema::check_version(version, from)?;
    let copied = source.backup(MAIN_DB, to, None::<fn(rusqlite::backup::Progress)>).and_then(|()| {
        let copy = Connection::open(to)?;
        // A file of its own: no log beside it.
        copy.pragma_update(None, "journal_mode", "DELETE")?;
        is_sound(&copy)
    });
    match copied {
        Ok(sound) if sound == "ok" && version > 0 => Ok(()),
        Ok(sound) if sound == "ok" => Err(unsound("it holds no prints".to_owned())),
        Ok(damage) => Err(unsound(damage)),
        Err(error) => Err(unsound(error.to_string())),
    }
    .inspect_err(|_| {
        // What is left of it helps nobody.
        let _ = std::fs::remove_file(to);
    })
}

fn is_sound(connection: &Connection) -> rusqlite::Result<String> {
    connection.query_row("PRAGMA integrity_check", [], |row| row.get(0))
}

/// Lets the daemon's user have the file when root restores it.
fn own_alike(to: &Path, part: &Path) -> std::io::Result<()> {
    use std::os::unix::fs::{MetadataExt, chown};
    let folder = to.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let like = if to.exists() { to } else { folder }.metadata()?;
    let own = part.metadata()?;
    if (own.uid(), own.gid()) != (like.uid(), like.gid()) {
        chown(part, Some(like.uid()), Some(like.gid()))?;
    }
    Ok(())
}

/// Puts a finished copy in its place, on the disk and not only in the cache.
pub(super) fn rename(part: &Path, to: &Path) -> Result<(), LedgerError> {
    let done = || {
        std::fs::File::open(part)?.sync_all()?;
        std::fs::rename(part, to)?;
        let folder = to.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        std::fs::File::open(folder)?.sync_all()
    };
    done().map_err(|source| io(to, source))
}
