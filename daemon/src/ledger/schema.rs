//! The tables, and how older ones become these.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::time::Duration;

use rusqlite::{Connection, TransactionBehavior};

use super::{foreign, seal};

/// How long another program may hold the file.
pub(super) const BUSY: Duration = Duration::from_secs(2);

/// Why a ledger cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// The system or SQLite refused.
    #[error(
        "the record {path} cannot be used: {source}; check that its folder exists, has room and may be written"
    )]
    Sqlite {
        /// Which file.
        path: PathBuf,
        /// Why.
        source: rusqlite::Error,
    },
    /// The folder cannot be made, or the file not set aside.
    #[error("the record {path} cannot be used: {source}; check its folder and its permissions")]
    Io {
        /// Which file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A later version wrote it.
    #[error(
        "the record {path} was written by a later frameside (schema {found}, this one knows up to {known}); update frameside"
    )]
    Newer {
        /// Which file.
        path: PathBuf,
        /// Its schema.
        found: i64,
        /// The newest this program knows.
        known: i64,
    },
    /// An earlier version wrote it, and this user may not bring it up to date.
    #[error(
        "the record {path} was written by an earlier frameside; start 'frameside run' once, which brings it up to date"
    )]
    Older {
        /// Which file.
        path: PathBuf,
    },
    /// Another program's file, or one that is no record at all.
    #[error(
        "{0} is there and is no record of frameside; it is left as it is. Give [ledger] path in the config the name of a record, or of a file that does not exist yet"
    )]
    Foreign(PathBuf),
    /// There is none yet.
    #[error("there is no record at {0} yet; it begins when 'frameside run' first runs")]
    Missing(PathBuf),
    /// There is no such file to put back.
    #[error("there is no file {0}")]
    NoFile(PathBuf),
    /// A copy cannot go there.
    #[error("the record cannot be copied to {path}: {why}")]
    NoPlace {
        /// Where it was to go.
        path: PathBuf,
        /// Why not, and what to do.
        why: String,
    },
    /// No print of that name.
    #[error("there is no print '{0}'; 'frameside prints' lists them")]
    NoPrint(String),
    /// A name that could mean several prints.
    #[error("'{given}' could be {}; write more of it", .candidates.join(", "))]
    Ambiguous {
        /// What was asked for.
        given: String,
        /// The prints it could mean.
        candidates: Vec<String>,
    },
    /// A chunk of light cannot be read.
    #[error("{0}; run 'frameside check' and keep a copy of the record")]
    Damaged(#[from] super::chunk::Damaged),
    /// A file that should be a record is none, or is damaged.
    #[error("{path} is not a sound record: {why}; take another copy")]
    NotSound {
        /// Which file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// There is something already where a file was to go.
    #[error("{0} exists already; choose another name, or say --replace")]
    Exists(PathBuf),
    /// A copy was to go over what it is a copy of.
    #[error("{0} is a file of the record itself; choose another name for the copy")]
    Itself(PathBuf),
    /// Another daemon writes to it.
    #[error(
        "another daemon keeps the record {0}; stop that one first, or give this one a record of its own with [ledger] path in its config"
    )]
    InUse(PathBuf),
    /// The card is so slow, or stuck, that the rest is not written yet.
    #[error(
        "the memory card has not taken the rest of the record within {0} s; the light since the last commit may be \
         missing, what was acknowledged is not; look for errors of the card in the system's log (dmesg)"
    )]
    Slow(u64),
}

/// One step from each schema to the next. Never changed once released; new
/// ones are added at the end.
const MIGRATIONS: &[&str] = &[
    FIRST,
    JUDGING,
    CALIBRATING,
    FOLLOWING,
    WAITING_FOR_THE_CLOCK,
    ANSWERING,
    FINDING,
    BETWEEN,
    BELIEVING,
    SEALING,
];
/// This version's schema.
pub(super) const NEWEST: i64 = MIGRATIONS.len() as i64;
/// The first schema whose number is marked in the header a second time.
const MARKED_FROM: i64 = 10;
/// In the upper half of the header's application id; the schema's number is the lower half.
const MARK: i64 = 0x4653 << 16;

const FIRST: &str = "
    CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;

    -- A boot of the machine, by the kernel's name for it. Wall time in ms =
    -- mono_ns / 1e6 + offset_ms. Twice the same name: its clock was set back
    -- (light played at another speed).
    CREATE TABLE boot (
        id INTEGER PRIMARY KEY, kernel TEXT NOT NULL,
        offset_ms INTEGER NOT NULL, synced INTEGER NOT NULL
    ) STRICT;

    -- A sensor, and where its integral stood at the last flush (J/m2).
    CREATE TABLE sensor (
        id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE,
        boot INTEGER, at_ns INTEGER, w_m2 REAL, is_bound INTEGER,
        best REAL, low REAL, high REAL
    ) STRICT;

    -- Light in chunks of one boot; codec 1 varints, 2 packed, 0 damaged.
    CREATE TABLE light (
        id INTEGER PRIMARY KEY, sensor INTEGER NOT NULL, boot INTEGER NOT NULL,
        from_ns INTEGER NOT NULL, to_ns INTEGER NOT NULL,
        n INTEGER NOT NULL, codec INTEGER NOT NULL, samples BLOB NOT NULL
    ) STRICT;

    -- The same, as it comes: packed into one row of light when it has become
    -- much. A table of its own, so that finding it is cheap without an index,
    -- which would be written at each flush.
    CREATE TABLE open_light (
        id INTEGER PRIMARY KEY, sensor INTEGER NOT NULL, boot INTEGER NOT NULL,
        from_ns INTEGER NOT NULL, to_ns INTEGER NOT NULL,
        n INTEGER NOT NULL, codec INTEGER NOT NULL, samples BLOB NOT NULL
    ) STRICT;

    CREATE TABLE print (
        seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, frame TEXT NOT NULL,
        sensor TEXT NOT NULL, glass REAL NOT NULL, source TEXT NOT NULL,
        recipe TEXT, negative TEXT, note TEXT,
        plan TEXT NOT NULL, calibration TEXT NOT NULL
    ) STRICT;

    -- What happened to a print. Doses in J/m2: the print's, and its sensor's
    -- integral. at_ms is the wall label, put right when the clock is.
    CREATE TABLE event (
        print INTEGER NOT NULL, seq INTEGER NOT NULL, kind TEXT NOT NULL,
        boot INTEGER NOT NULL, at_ns INTEGER NOT NULL, at_ms INTEGER NOT NULL, synced INTEGER NOT NULL,
        best REAL NOT NULL, low REAL NOT NULL, high REAL NOT NULL,
        total_best REAL NOT NULL, total_low REAL NOT NULL, total_high REAL NOT NULL,
        settled INTEGER NOT NULL,
        PRIMARY KEY (print, seq)
    ) STRICT, WITHOUT ROWID;

    -- event_seq names the event that fixed the dose, for notes on a print that is out.
    CREATE TABLE note (
        id INTEGER PRIMARY KEY, print INTEGER NOT NULL, event_seq INTEGER,
        tone TEXT, text TEXT NOT NULL,
        boot INTEGER NOT NULL, at_ns INTEGER NOT NULL, at_ms INTEGER NOT NULL, synced INTEGER NOT NULL
    ) STRICT;

    -- Light that was not seen, and what may have fallen (J/m2, before any glass).
    CREATE TABLE gap (
        id INTEGER PRIMARY KEY, sensor INTEGER NOT NULL, boot INTEGER NOT NULL,
        from_ns INTEGER NOT NULL, to_ns INTEGER NOT NULL,
        best REAL NOT NULL, low REAL NOT NULL, high REAL NOT NULL
    ) STRICT;

    -- Signals that the broker has not acknowledged.
    CREATE TABLE outbox (
        seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, frame TEXT NOT NULL, payload TEXT NOT NULL
    ) STRICT;

    -- Answers to commands by id, to give again.
    CREATE TABLE answered (
        seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, answer TEXT NOT NULL
    ) STRICT;
";

/// Recipes, and what prints, strips and wedges said.
const JUDGING: &str = "
    -- A recipe as it was from a time on; facts are JSON.
    CREATE TABLE recipe (
        name TEXT NOT NULL, version INTEGER NOT NULL, at_ms INTEGER NOT NULL, facts TEXT NOT NULL,
        PRIMARY KEY (name, version)
    ) STRICT, WITHOUT ROWID;

    -- The version of its recipe that a print was made with.
    ALTER TABLE print ADD COLUMN recipe_version INTEGER;

    -- What a print was found to be, as JSON; the newest of a print counts.
    CREATE TABLE judgement (
        id INTEGER PRIMARY KEY, print INTEGER NOT NULL, at_ms INTEGER NOT NULL,
        verdict TEXT NOT NULL, dry INTEGER NOT NULL, oxidised INTEGER NOT NULL
    ) STRICT;

    -- A printed step wedge: its dose in J/m2, and pairs of the wedge's and the
    -- print's density from the clear end as JSON.
    CREATE TABLE wedge (
        id INTEGER PRIMARY KEY, recipe TEXT NOT NULL, version INTEGER, source TEXT NOT NULL,
        at_ms INTEGER NOT NULL, name TEXT NOT NULL, dose REAL NOT NULL, steps TEXT NOT NULL
    ) STRICT;
";

/// How sensors are corrected.
const CALIBRATING: &str = "
    -- A sensor's correction from a time on; facts are JSON, and what was done in words.
    CREATE TABLE calibration (
        id INTEGER PRIMARY KEY, sensor TEXT NOT NULL, at_ms INTEGER NOT NULL,
        done TEXT NOT NULL, facts TEXT NOT NULL
    ) STRICT;

    -- What the doses of a print are multiplied by beside its glass: its sensor's factor for
    -- its source over the one that the sensor's readings were made with.
    ALTER TABLE print ADD COLUMN factor REAL NOT NULL DEFAULT 1;
";

/// What comes after a print is in.
const FOLLOWING: &str = "
    -- Whether it was told that the print waits to be judged. Nobody is told of what is old.
    ALTER TABLE print ADD COLUMN reminded INTEGER NOT NULL DEFAULT 0;
    UPDATE print SET reminded = 1;

    -- A step of the work after the exposure (rinse, oxidise, dry), and how long it took.
    ALTER TABLE note ADD COLUMN step TEXT;
    ALTER TABLE note ADD COLUMN seconds REAL;

    -- What a dose under one source is divided by for the same print under another.
    CREATE TABLE factor (
        id INTEGER PRIMARY KEY, a TEXT NOT NULL, b TEXT NOT NULL, at_ms INTEGER NOT NULL,
        factor REAL NOT NULL, low REAL NOT NULL, high REAL NOT NULL, evidence TEXT NOT NULL
    ) STRICT;
";

/// Outages of unknown length.
const WAITING_FOR_THE_CLOCK: &str = "
    -- The power was gone after the boot after_boot, for nobody knows yet how long. Instants are
    -- on the clock of the boot that came then, from_ms is the wall's if it was right; light
    -- in W/m2 at both ends, and the greatest of the hour before.
    CREATE TABLE outage (
        sensor TEXT NOT NULL, after_boot INTEGER NOT NULL, boot INTEGER NOT NULL,
        ended_ns INTEGER NOT NULL, from_ns INTEGER NOT NULL, from_ms INTEGER,
        left REAL NOT NULL, left_is_bound INTEGER NOT NULL,
        to_ns INTEGER NOT NULL, found REAL NOT NULL, found_is_bound INTEGER NOT NULL,
        greatest REAL NOT NULL,
        PRIMARY KEY (sensor, after_boot)
    ) STRICT, WITHOUT ROWID;
";

/// Prints that answer to the strength of the light as well.
const ANSWERING: &str = "
    -- A print counts reference * integral of (E / reference)^exponent over time, in J/m2, with
    -- E and reference in W/m2: so are its plan, its doses and its sensor's integral in event.
    ALTER TABLE print ADD COLUMN exponent REAL NOT NULL DEFAULT 1;
    ALTER TABLE print ADD COLUMN reference REAL;

    -- The plain dose and the sensor's plain integral (J/m2), where the exponent is not 1.
    ALTER TABLE event ADD COLUMN plain_best REAL;
    ALTER TABLE event ADD COLUMN plain_low REAL;
    ALTER TABLE event ADD COLUMN plain_high REAL;
    ALTER TABLE event ADD COLUMN plain_total_best REAL;
    ALTER TABLE event ADD COLUMN plain_total_low REAL;
    ALTER TABLE event ADD COLUMN plain_total_high REAL;

    -- Where the integrals of other exponents stood when that of their sensor was kept (J/m2).
    CREATE TABLE response (
        sensor INTEGER NOT NULL, exponent REAL NOT NULL, reference REAL NOT NULL,
        best REAL NOT NULL, low REAL NOT NULL, high REAL NOT NULL,
        PRIMARY KEY (sensor, exponent, reference)
    ) STRICT, WITHOUT ROWID;

    -- A test strip that was not made on the rig: pairs of dose in J/m2, as its recipe's version
    -- counts it, and density as JSON.
    CREATE TABLE strip (
        id INTEGER PRIMARY KEY, recipe TEXT NOT NULL, version INTEGER, source TEXT NOT NULL,
        at_ms INTEGER NOT NULL, name TEXT NOT NULL, bands TEXT NOT NULL
    ) STRICT;
";

/// Light of a time, found without going through all of it.
const FINDING: &str = "
    -- Written once each half hour, when light is packed; from_ns spares a look at what is later.
    CREATE INDEX light_by_time ON light (sensor, boot, to_ns, from_ns);
";

/// Several outages of unknown length.
const BETWEEN: &str = "
    -- How long light was seen between the outage before it that waits too and this one.
    ALTER TABLE outage ADD COLUMN seen_s REAL;
";

/// Clocks that are believed for a reason.
const BELIEVING: &str = "
    -- What the wall clock showed at to_ns when the length was settled, in ms since 1970. Kept as
    -- long as that boot lasts, in case its clock turns out to have been wrong.
    ALTER TABLE outage ADD COLUMN settled_ms INTEGER;

    -- Earlier versions believed a clock that was only plausible. What is right of this boot's is
    -- said again at once; an outage after an earlier one has no known length.
    UPDATE boot SET synced = 0;
";

/// A check over each row.
const SEALING: &str = "
    -- The CRC-32 of the table's name and of the other columns, so that a bit that flips on the
    -- card is noticed; NULL is not checked: set it so where a row is changed by hand.
    ALTER TABLE meta ADD COLUMN seal INTEGER;
    ALTER TABLE boot ADD COLUMN seal INTEGER;
    ALTER TABLE sensor ADD COLUMN seal INTEGER;
    ALTER TABLE light ADD COLUMN seal INTEGER;
    ALTER TABLE open_light ADD COLUMN seal INTEGER;
    ALTER TABLE print ADD COLUMN seal INTEGER;
    ALTER TABLE event ADD COLUMN seal INTEGER;
    ALTER TABLE note ADD COLUMN seal INTEGER;
    ALTER TABLE gap ADD COLUMN seal INTEGER;
    ALTER TABLE outbox ADD COLUMN seal INTEGER;
    ALTER TABLE answered ADD COLUMN seal INTEGER;
    ALTER TABLE recipe ADD COLUMN seal INTEGER;
    ALTER TABLE judgement ADD COLUMN seal INTEGER;
    ALTER TABLE wedge ADD COLUMN seal INTEGER;
    ALTER TABLE calibration ADD COLUMN seal INTEGER;
    ALTER TABLE factor ADD COLUMN seal INTEGER;
    ALTER TABLE outage ADD COLUMN seal INTEGER;
    ALTER TABLE response ADD COLUMN seal INTEGER;
    ALTER TABLE strip ADD COLUMN seal INTEGER;
";

/// The tables of a version, with what creates them and the page that each begins at in a file
/// that this version makes.
pub(super) fn tables_of(version: i64) -> rusqlite::Result<Vec<(String, String, i64)>> {
    let memory = Connection::open_in_memory()?;
    memory.execute_batch("PRAGMA page_size = 1024")?;
    for migration in &MIGRATIONS[..version as usize] {
        memory.execute_batch(migration)?;
    }
    memory
        .prepare(
            "SELECT name, sql, rootpage FROM sqlite_schema WHERE type = 'table' AND sql IS NOT NULL ORDER BY rowid",
        )?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
        .collect()
}

/// The tables of this version, with what creates them. They are made once: that takes as long as
/// the rest of a start.
fn newest_tables() -> rusqlite::Result<&'static [(String, String)]> {
    static TABLES: OnceLock<Vec<(String, String)>> = OnceLock::new();
    if let Some(tables) = TABLES.get() {
        return Ok(tables);
    }
    let tables = tables_of(NEWEST)?.into_iter().map(|(name, sql, _)| (name, sql)).collect();
    Ok(TABLES.get_or_init(|| tables))
}

/// Makes a ledger as an earlier version made it.
#[cfg(test)]
pub(super) fn create_earlier(path: &Path, version: i64) -> rusqlite::Result<Connection> {
    let connection = Connection::open(path)?;
    for migration in &MIGRATIONS[..version as usize] {
        connection.execute_batch(migration)?;
    }
    connection.pragma_update(None, "user_version", version)?;
    Ok(connection)
}

/// Makes a ledger with this version's tables.
///
/// # Errors
/// When it cannot be made.
pub(super) fn create(path: &Path) -> Result<Connection, LedgerError> {
    let failed = |source| LedgerError::Sqlite { path: path.to_owned(), source };
    let connection = Connection::open(path).map_err(failed)?;
    connection.execute_batch("PRAGMA page_size = 1024").map_err(failed)?;
    up_to_date(connection, path)
}

/// Opens a ledger for writing, with this version's tables.
///
/// # Errors
/// [`LedgerError`] when it cannot be opened, is no ledger, or is newer.
pub(super) fn open(path: &Path) -> Result<Connection, LedgerError> {
    open_after(path, |_| Ok(()))
}

/// The same for the daemon, which first looks for damage.
///
/// # Errors
/// As [`open`], and an error that [`is_damage`] where a part is not what was written.
pub(super) fn open_checked(path: &Path) -> Result<Connection, LedgerError> {
    open_after(path, check)
}

type Check = fn(&Connection) -> rusqlite::Result<()>;

fn open_after(path: &Path, check: Check) -> Result<Connection, LedgerError> {
    foreign::refuse_another_kind(path)?;
    match open_with(path, "PRAGMA journal_mode = WAL", check) {
        // A log needs memory that is shared between processes, which some file systems do not give.
        Err(LedgerError::Sqlite { source, .. }) if lacks_shared_memory(&source) => {
            tracing::warn!(
                error = %source,
                "the file system under the record shares no memory between programs, so that each commit \
                 takes longer; better keep the record on a disk of this machine"
            );
            // Held alone, a log is read without it.
            open_with(path, "PRAGMA locking_mode = EXCLUSIVE; PRAGMA journal_mode = TRUNCATE", check)
                .map(drop)?;
            open_with(path, "PRAGMA journal_mode = TRUNCATE", check)
        }
        opened => opened,
    }
}

fn lacks_shared_memory(error: &rusqlite::Error) -> bool {
    use rusqlite::ffi::{SQLITE_CANTOPEN, SQLITE_IOERR_SHMLOCK, SQLITE_IOERR_SHMMAP, SQLITE_IOERR_SHMOPEN};
    let codes = [SQLITE_CANTOPEN, SQLITE_IOERR_SHMLOCK, SQLITE_IOERR_SHMMAP, SQLITE_IOERR_SHMOPEN];
    error.sqlite_error().is_some_and(|error| codes.contains(&error.extended_code))
}

fn open_with(path: &Path, journal: &str, check: Check) -> Result<Connection, LedgerError> {
    let failed = |source| LedgerError::Sqlite { path: path.to_owned(), source };
    let connection = Connection::open(path).map_err(failed)?;
    connection.busy_timeout(BUSY).map_err(failed)?;
    if journal.contains("EXCLUSIVE") {
        connection.execute_batch(journal).map_err(failed)?;
    }
    // Before anything is written, the kind of its log too.
    foreign::refuse_other_tables(&connection, path)?;
    // All that a writer says in its life fits; with fewer, each commit would parse some anew.
    connection.set_prepared_statement_cache_capacity(64);
    // Small pages, because a flush writes whole pages and cards wear.
    connection
        .execute_batch(&format!(
            "PRAGMA page_size = 1024; {journal}; PRAGMA synchronous = FULL;
             PRAGMA cache_size = -512; PRAGMA journal_size_limit = 1048576;"
        ))
        .map_err(failed)?;
    check(&connection).map_err(as_damage).map_err(failed)?;
    up_to_date(connection, path)
}

/// Brings a record to this version's tables, with whose checks it is written from now on.
///
/// # Errors
/// [`LedgerError::Newer`], or it cannot be written.
pub(super) fn up_to_date(mut connection: Connection, path: &Path) -> Result<Connection, LedgerError> {
    let failed = |source| LedgerError::Sqlite { path: path.to_owned(), source };
    seal::teach(&connection).map_err(failed)?;
    migrate(&mut connection, path)?;
    seal::keep(&connection).map_err(failed)?;
    Ok(connection)
}

/// A record up to this size is checked whole at each start, which takes some tenths of a second.
const WHOLLY_CHECKED: i64 = 32 << 20;

/// Reads what the start needs and what the next write touches: the whole of a small record; of a
/// large one every table but the light, and of the light and its index the ways to their newest
/// ends. A year of light alone would take a second and a half to read.
fn check(connection: &Connection) -> rusqlite::Result<()> {
    seal::teach(connection)?;
    let version = version(connection)?;
    let tables: Vec<(String, String)> = connection
        .prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'table'")?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect::<rusqlite::Result<_>>()?;
    if tables.is_empty() {
        return Ok(());
    }
    if version == NEWEST && newest_tables()?.iter().any(|table| !tables.contains(table)) {
        return Err(damage("its schema is not what it was".to_owned()));
    }
    let size = "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size";
    let is_small = connection.query_row(size, [], |row| row.get::<_, i64>(0))? <= WHOLLY_CHECKED;
    let is_sound = |sql: &str| match connection.query_row(sql, [], |row| row.get::<_, String>(0))? {
        sound if sound == "ok" => Ok(()),
        why => Err(damage(why)),
    };
    if is_small {
        is_sound("PRAGMA integrity_check")?;
    }
    for (table, _) in &tables {
        let is_light = table == "light";
        if !is_small && !is_light {
            is_sound(&format!("PRAGMA quick_check('{table}')"))?;
        }
        let broken = if is_small || !is_light { seal::broken(connection, table)? } else { 0 };
        if broken > 0 {
            return Err(damage(format!("{broken} rows of {table} are not what was written")));
        }
    }
    connection.query_row("SELECT max(id) FROM light", [], |_| Ok(()))?;
    let ends = "SELECT count((SELECT max(boot) FROM light WHERE light.sensor = sensor.id)) FROM sensor";
    connection.query_row(ends, [], |_| Ok(()))
}

fn damage(why: String) -> rusqlite::Error {
    rusqlite::Error::SqliteFailure(rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_CORRUPT), Some(why))
}

/// What cannot be read of a record that is there is damaged, unless the system refuses it.
pub(super) fn as_damage(error: rusqlite::Error) -> rusqlite::Error {
    if is_refused(&error) || is_broken(&error) { error } else { damage(error.to_string()) }
}

/// Whether the system or another program is in the way.
pub(super) fn is_refused(error: &rusqlite::Error) -> bool {
    use rusqlite::ErrorCode as Code;
    matches!(
        error.sqlite_error_code(),
        Some(
            Code::DatabaseBusy
                | Code::DatabaseLocked
                | Code::CannotOpen
                | Code::DiskFull
                | Code::OutOfMemory
                | Code::PermissionDenied
                | Code::ReadOnly
                | Code::SystemIoFailure
        )
    )
}

/// Whether the header's two numbers of the schema agree; earlier versions wrote only one.
pub(super) fn is_marked(connection: &Connection, version: i64) -> rusqlite::Result<bool> {
    let mark: i64 = connection.query_row("PRAGMA application_id", [], |row| row.get(0))?;
    Ok(mark == MARK | version || mark == 0 && version < MARKED_FROM)
}

/// Whether the header says in its second place that the file is a record.
pub(super) fn is_ours(connection: &Connection) -> rusqlite::Result<bool> {
    let mark: i64 = connection.query_row("PRAGMA application_id", [], |row| row.get(0))?;
    Ok(mark >> 16 == MARK >> 16)
}

fn migrate(connection: &mut Connection, path: &Path) -> Result<(), LedgerError> {
    let failed = |source| LedgerError::Sqlite { path: path.to_owned(), source };
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(failed)?;
    let found = version(&transaction).map_err(failed)?;
    check_version(found, path)?;
    if found == NEWEST {
        return Ok(());
    }
    for migration in &MIGRATIONS[found as usize..] {
        transaction.execute_batch(migration).map_err(failed)?;
    }
    if found < MARKED_FROM {
        seal::seal_all(&transaction).map_err(failed)?;
    }
    transaction.pragma_update(None, "user_version", NEWEST).map_err(failed)?;
    transaction.pragma_update(None, "application_id", MARK | NEWEST).map_err(failed)?;
    transaction.commit().map_err(failed)
}

pub(super) fn version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.query_row("PRAGMA user_version", [], |row| row.get(0))
}

/// Refuses what a later version wrote.
pub(super) fn check_version(found: i64, path: &Path) -> Result<(), LedgerError> {
    let known = NEWEST;
    if (0..=known).contains(&found) {
        Ok(())
    } else {
        Err(LedgerError::Newer { path: path.to_owned(), found, known })
    }
}

/// Whether an earlier version wrote it.
pub(super) fn is_older(found: i64) -> bool {
    found < NEWEST
}

/// Whether an error says that the file itself is broken.
pub(super) fn is_damage(error: &LedgerError) -> bool {
    matches!(error, LedgerError::Sqlite { source, .. } if is_broken(source))
}

/// The same of an error of SQLite.
pub(super) fn is_broken(error: &rusqlite::Error) -> bool {
    use rusqlite::ErrorCode::{DatabaseCorrupt, NotADatabase};
    matches!(error.sqlite_error_code(), Some(DatabaseCorrupt | NotADatabase))
}
