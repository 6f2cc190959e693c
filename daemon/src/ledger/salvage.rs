//! What a damaged record still gives, made into the record that the daemon goes on with.
//!
//! Our own schema is put in place of the damaged one, so that a flipped bit in it hides nothing.
//! A row is kept if it is what was written, or one flipped bit explains the difference.

use std::fs::{File, OpenOptions};
use std::io::Write as _;
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, ErrorCode, params, params_from_iter};

use super::copy::part_of;
use super::seal::{self, Cell, Columns, Read};
use super::{LedgerError, schema, with_ending};

/// The size of our pages.
const PAGE: u64 = 1024;

/// What was saved.
#[derive(Debug, Default)]
pub(super) struct Saved {
    /// Where to.
    pub(super) path: PathBuf,
    pub(super) rows: usize,
    /// Rows of which one bit was put right.
    pub(super) mended: usize,
    /// The tables of which not all could be read.
    pub(super) lost: Vec<String>,
    /// The names of prints without a row, as far as they are known.
    pub(super) unknown_prints: Vec<String>,
}

impl Saved {
    fn lose(&mut self, table: &str) {
        if !self.lost.iter().any(|lost| lost == table) {
            self.lost.push(table.to_owned());
        }
    }
}

/// Saves every row that can be read into a new file beside the record.
///
/// # Errors
/// [`LedgerError`] when that cannot be written.
pub(super) fn salvage(damaged: &Path) -> Result<Saved, LedgerError> {
    let path = part_of(damaged)?;
    let io = |source| LedgerError::Io { path: path.clone(), source };
    let work = Work::copy(damaged).map_err(io)?;
    let version = put_schema(&work.0).unwrap_or_else(|error| {
        tracing::warn!(%error, "the schema of the damaged record cannot be put right");
        schema::NEWEST
    });
    let mut to = schema::create(&path)?;
    let mut saved = Saved { path: path.clone(), ..Saved::default() };
    let failed = |source| LedgerError::Sqlite { path: path.clone(), source };
    // Rows come back as they were, also those of events of a print that is lost.
    to.execute_batch("PRAGMA foreign_keys = OFF").map_err(failed)?;
    match Connection::open(&work.0).and_then(|from| {
        from.execute_batch("PRAGMA writable_schema = ON; PRAGMA cell_size_check = ON")?;
        seal::teach(&from)?;
        Ok(from)
    }) {
        Ok(from) => copy(&from, &mut to, version, &mut saved).map_err(failed)?,
        Err(error) => {
            tracing::error!(%error, "nothing of the damaged record can be read");
            saved.lose("all");
        }
    }
    Ok(saved)
}

/// A copy of the damaged file to work on; removed when dropped.
struct Work(PathBuf);

impl Work {
    fn copy(damaged: &Path) -> std::io::Result<Self> {
        let work = Self(with_ending(damaged, ".work"));
        work.remove();
        for ending in ["", "-wal"] {
            let from = with_ending(damaged, ending);
            if from.exists() {
                std::fs::copy(from, with_ending(&work.0, ending))?;
            }
        }
        let file = OpenOptions::new().read(true).write(true).open(&work.0)?;
        if file.metadata()?.len() >= PAGE {
            put_header(&file)?;
            // What the log holds goes into the file. A damaged one ends where it is damaged.
            let _ = Connection::open(&work.0).and_then(|work| {
                work.execute_batch("PRAGMA writable_schema = ON; PRAGMA wal_checkpoint(TRUNCATE)")
            });
            put_header(&file)?;
            put_page_types(&file)?;
        }
        Ok(work)
    }

    fn remove(&self) {
        for ending in ["", "-wal", "-shm", "-journal"] {
            // It may never have been made.
            let _ = std::fs::remove_file(with_ending(&self.0, ending));
        }
    }
}

impl Drop for Work {
    fn drop(&mut self) {
        self.remove();
    }
}

/// Puts what is the same in each of our files into the header: see "Database Header" in SQLite's
/// description of its file format. The free list is not needed to read.
fn put_header(file: &File) -> std::io::Result<()> {
    file.write_all_at(b"SQLite format 3\0\x04\x00\x02\x02\x00\x40\x20\x20", 0)?;
    file.write_all_at(&[0; 12], 28)?;
    file.write_all_at(&[0, 0, 0, 4], 44)?;
    file.write_all_at(&[0, 0, 0, 0, 0, 0, 0, 1], 52)?;
    file.write_all_at(&[0; 4], 64)?;
    (&*file).flush()
}

/// Puts the type of a page right where one bit of it flipped: see "B-tree Pages" there. What is
/// no b-tree begins with the number of a page, and so with zero.
fn put_page_types(file: &File) -> std::io::Result<()> {
    let pages = file.metadata()?.len() / PAGE;
    for page in 0..pages {
        let at = page * PAGE + if page == 0 { 100 } else { 0 };
        let mut head = [0; 12];
        file.read_exact_at(&mut head, at)?;
        let found = head[0];
        let is_known = [0, 2, 5, 10, 13].contains(&found);
        let near = [13u8, 10, 5, 2].into_iter().find(|known| (known ^ found).count_ones() == 1);
        let kind = if is_known { found } else { near.unwrap_or(found) };
        let rightmost = u32::from_be_bytes([head[8], head[9], head[10], head[11]]);
        let kind = match kind {
            // The last child of an inner page is a page.
            2 | 5 if u64::from(rightmost) > pages => kind | 8,
            // The first cell of a leaf is not at its very beginning.
            10 | 13 if head[3..5] != [0, 0] && head[8..10] == [0, 0] => kind & !8,
            kind => kind,
        };
        if kind != found {
            file.write_all_at(&[kind], at)?;
        }
    }
    Ok(())
}

/// Puts our own schema in the place of the damaged one. Returns its version.
fn put_schema(work: &Path) -> rusqlite::Result<i64> {
    let mut there: Vec<(String, i64, bool)> = Vec::new();
    let mut version = schema::NEWEST;
    if let Ok(damaged) = Connection::open(work) {
        damaged.execute_batch("PRAGMA writable_schema = ON")?;
        version = schema::version(&damaged).unwrap_or(schema::NEWEST);
        for order in ["ASC", "DESC"] {
            let sql = format!(
                "SELECT CAST(name AS BLOB), rootpage, sql LIKE '%, seal INTEGER%' FROM sqlite_schema
                 WHERE rootpage > 0 ORDER BY rowid {order}"
            );
            let Ok(mut select) = damaged.prepare(&sql) else { continue };
            let Ok(mut rows) = select.query([]) else { continue };
            while let Ok(Some(row)) = rows.next() {
                if let (Ok(name), Ok(root)) = (row.get::<_, Vec<u8>>(0), row.get(1)) {
                    let name = String::from_utf8_lossy(&name).into_owned();
                    if !there.iter().any(|(_, other, _)| *other == root) {
                        there.push((name, root, row.get::<_, Option<bool>>(2).ok().flatten() == Some(true)));
                    }
                }
            }
        }
    }
    // One flipped bit does not take so many checks away.
    let is_sealed = there.is_empty() || there.iter().filter(|(.., is_sealed)| *is_sealed).count() > 2;
    let version = if is_sealed { schema::NEWEST } else { version.clamp(1, schema::NEWEST - 1) };
    let ours = schema::tables_of(version)?;
    // Where this version made the file, every table begins where it begins in any other.
    let is_at =
        |(name, _, root): &(String, String, i64)| there.iter().any(|(n, r, _)| n == name && r == root);
    let is_as_made = ours.iter().filter(|table| is_at(table)).count() * 2 >= ours.len() || there.is_empty();
    let mut tables = Vec::new();
    for (name, sql, made_at) in ours {
        let found = there.iter().find(|(other, ..)| *other == name).map(|(_, root, _)| *root);
        let near = || {
            let nearest = there.iter().min_by_key(|(other, ..)| strsim::levenshtein(other, &name));
            nearest.map(|(_, root, _)| *root)
        };
        let root = if is_as_made { Some(made_at) } else { found.or_else(near) };
        tables.extend(root.map(|root| (name, sql, root)));
    }
    let file = OpenOptions::new().write(true).open(work).map_err(|_| rusqlite::Error::InvalidQuery)?;
    // An empty leaf: what is in the schema now is written anew below, at the end of the file.
    file.write_all_at(&[13, 0, 0, 0, 0, 4, 0, 0], 100).map_err(|_| rusqlite::Error::InvalidQuery)?;
    let connection = Connection::open(work)?;
    connection.execute_batch("PRAGMA writable_schema = ON")?;
    for (name, sql, root) in tables {
        let insert = "INSERT INTO sqlite_schema (type, name, tbl_name, rootpage, sql) VALUES ('table', ?1, ?1, ?2, ?3)";
        connection.execute(insert, params![name, root, sql])?;
    }
    for (name, root, _) in there.iter().filter(|(name, ..)| name == "sqlite_autoindex_print_1") {
        let insert =
            "INSERT INTO sqlite_schema (type, name, tbl_name, rootpage) VALUES ('index', ?1, 'print', ?2)";
        connection.execute(insert, params![name, root])?;
    }
    Ok(version)
}

fn copy(from: &Connection, to: &mut Connection, version: i64, saved: &mut Saved) -> rusqlite::Result<()> {
    let transaction = to.transaction()?;
    for (table, ..) in schema::tables_of(version)? {
        if table == "event" {
            events(from, &transaction, saved)?;
            continue;
        }
        let Some(columns) = Columns::of(&transaction, &table)? else { continue };
        let mut is_whole = true;
        for order in ["ASC", "DESC"] {
            let by: Vec<String> = columns.key.iter().map(|column| format!("{column} {order}")).collect();
            is_whole =
                rows(from, &transaction, &table, &columns, &format!("ORDER BY {}", by.join(", ")), saved)?;
            if is_whole {
                break;
            }
        }
        if !is_whole {
            saved.lose(&table);
        }
    }
    unknown_prints(from, &transaction, saved)?;
    transaction.commit()
}

/// The events print by print, so that what cannot be read of one hides no other.
fn events(from: &Connection, to: &Connection, saved: &mut Saved) -> rusqlite::Result<()> {
    let Some(columns) = Columns::of(to, "event")? else { return Ok(()) };
    if rows(from, to, "event", &columns, "ORDER BY print, seq", saved)? {
        return Ok(());
    }
    saved.lose("event");
    let last: i64 =
        from.query_row("SELECT max(seq) FROM print NOT INDEXED", [], |row| row.get(0)).unwrap_or(0);
    // A number that a flipped bit made is no reason to count to it.
    for print in 1..=last.min(1_000_000) {
        rows(from, to, "event", &columns, &format!("WHERE print = {print} ORDER BY seq"), saved)?;
    }
    Ok(())
}

/// Copies the rows of a query until it cannot be read any further; whether that was its end.
fn rows(
    from: &Connection,
    to: &Connection,
    table: &str,
    columns: &Columns,
    which: &str,
    saved: &mut Saved,
) -> rusqlite::Result<bool> {
    let known = |name: &&String| from.prepare(&format!("SELECT \"{name}\" FROM {table}")).is_ok();
    let names: Vec<&String> = columns.all.iter().filter(known).collect();
    let list = names.iter().map(|name| name.as_str()).collect::<Vec<_>>().join(", ");
    let seal = if names.len() == columns.all.len() { "seal" } else { "NULL" };
    let select = format!("SELECT {list}, {seal} FROM {table} NOT INDEXED {which}");
    let select = from
        .prepare(&select)
        .or_else(|_| from.prepare(&format!("SELECT {list}, NULL FROM {table} NOT INDEXED {which}")));
    let Ok(mut select) = select else { return Ok(false) };
    let Ok(mut rows) = select.query([]) else { return Ok(false) };
    let places = vec!["?"; names.len()].join(", ");
    let insert = format!("INSERT OR IGNORE INTO {table} ({list}) VALUES ({places})");
    loop {
        let row = match rows.next() {
            Ok(Some(row)) => row,
            Ok(None) => return Ok(true),
            Err(_) => return Ok(false),
        };
        let cells: rusqlite::Result<Vec<Cell>> =
            (0..=names.len()).map(|index| row.get_ref(index).map(Cell::of)).collect();
        let Some((seal, mut cells)) = cells.ok().and_then(|mut cells| Some((cells.pop()?, cells))) else {
            saved.lose(table);
            continue;
        };
        let read = seal::mend(table, &mut cells, &seal);
        let values: Option<Vec<_>> = cells.iter().map(Cell::value).collect();
        let (Some(values), true) = (values, read != Read::Broken) else {
            saved.lose(table);
            continue;
        };
        match to.prepare_cached(&insert)?.execute(params_from_iter(values)) {
            Ok(kept) => saved.rows += kept,
            Err(error) if error.sqlite_error_code() == Some(ErrorCode::ConstraintViolation) => {
                saved.lose(table);
            }
            Err(error) => return Err(error),
        }
        saved.mended += usize::from(read == Read::Mended);
    }
}

/// Finds the names of prints that lay out and whose own row is lost.
fn unknown_prints(from: &Connection, to: &Connection, saved: &mut Saved) -> rusqlite::Result<()> {
    let mut names: Vec<(i64, String)> = Vec::new();
    if let Ok(mut select) = from.prepare("SELECT seq, id FROM print INDEXED BY sqlite_autoindex_print_1")
        && let Ok(mut rows) = select.query([])
    {
        while let Ok(Some(row)) = rows.next() {
            if let (Ok(seq), Ok(id)) = (row.get(0), row.get(1)) {
                names.push((seq, id));
            }
        }
    }
    let orphans: Vec<i64> = to
        .prepare(
            r#"SELECT DISTINCT print FROM event WHERE print NOT IN (SELECT seq FROM print)
               AND print NOT IN (SELECT print FROM event WHERE kind = '{"kind":"brought-in"}')"#,
        )?
        .query_map([], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    let kept: Vec<i64> = to
        .prepare("SELECT seq FROM print")?
        .query_map([], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    let in_index = names.iter().map(|(seq, _)| *seq).filter(|seq| !kept.contains(seq));
    let is_in = r#"SELECT count(*) FROM event WHERE print = ?1 AND kind = '{"kind":"brought-in"}'"#;
    let mut unknown: Vec<i64> = orphans.into_iter().chain(in_index).collect();
    unknown.sort_unstable();
    unknown.dedup();
    for seq in unknown {
        if to.query_row(is_in, [seq], |row| row.get::<_, i64>(0))? == 0 {
            let name = names.iter().find(|(of, _)| *of == seq).map(|(_, id)| id.clone());
            saved.unknown_prints.push(name.unwrap_or_else(|| format!("number {seq}")));
        }
    }
    Ok(())
}
