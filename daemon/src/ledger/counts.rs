//! How much a record holds, kept in a file beside it: whether commits are missing that were on the
//! disk when the daemon last wrote, since the write-ahead log was deleted or an older copy took the
//! place of the record.

use std::fs::{File, OpenOptions};
use std::io::Read as _;
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};

use rusqlite::Connection;

use super::with_ending;

/// How many prints and events a record holds. Neither ever becomes fewer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Counts {
    pub(super) prints: u64,
    pub(super) events: u64,
}

impl Counts {
    pub(super) fn of(connection: &Connection) -> rusqlite::Result<Self> {
        let count = "SELECT (SELECT count(*) FROM print), (SELECT count(*) FROM event)";
        let counts = |prints: u32, events: u32| Self { prints: prints.into(), events: events.into() };
        connection.query_row(count, [], |row| Ok(counts(row.get(0)?, row.get(1)?)))
    }

    /// What was kept beside a record; `None` when nothing was, or it cannot be read.
    pub(super) fn kept_beside(record: &Path) -> Option<Self> {
        let mut text = String::new();
        File::open(file_of(record)).ok()?.take(100).read_to_string(&mut text).ok()?;
        let mut numbers = text.split_whitespace().map(str::parse);
        let counts = Self { prints: numbers.next()?.ok()?, events: numbers.next()?.ok()? };
        (counts.text() == text).then_some(counts)
    }

    /// Keeps the counts of what is on the disk beside the record. They are not synced, which spares
    /// the card: after a power cut they are too low at worst. Where they cannot be written nothing
    /// is, so that a loss is not noticed.
    pub(super) fn keep_beside(self, record: &Path) {
        let file = OpenOptions::new().write(true).create(true).truncate(false).open(file_of(record));
        let kept = file.and_then(|file| file.write_all_at(self.text().as_bytes(), 0));
        if let Err(error) = kept {
            tracing::debug!(%error, "how much the record holds cannot be kept beside it");
        }
    }

    /// As long for all counts, so that writing needs no new block; the check is for flipped bits.
    fn text(self) -> String {
        let Self { prints, events } = self;
        let numbers = format!("{prints:10} {events:10}");
        format!("{numbers} {:08x}\n", crc32fast::hash(numbers.as_bytes()))
    }

    /// What to say of a record with these counts that should have others; `None` when none is
    /// missing.
    pub(super) fn missing_of(self, expected: Self, record: &Path) -> Option<String> {
        let is_less = self.prints < expected.prints || self.events < expected.events;
        is_less.then(|| {
            format!(
                "the record {} had {} prints with {} events when frameside last wrote it, and has {} with {}: its \
                 -wal file was deleted, or an older copy was put in its place. If you have a backup, stop frameside \
                 and put that back (frameside restore)",
                record.display(),
                expected.prints,
                expected.events,
                self.prints,
                self.events
            )
        })
    }
}

/// Removes the counts beside a record: another takes its place.
pub(super) fn forget(record: &Path) -> std::io::Result<()> {
    match std::fs::remove_file(file_of(record)) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

fn file_of(record: &Path) -> PathBuf {
    with_ending(record, ".counts")
}

#[cfg(test)]
mod tests {
    use tempfile::TempDir;

    use super::*;

    #[test]
    fn counts_read_back_and_a_flipped_bit_makes_them_unknown() {
        let folder = TempDir::new().unwrap();
        let record = folder.path().join("ledger.sqlite");
        assert_eq!(Counts::kept_beside(&record), None);
        for counts in [Counts { prints: 2970, events: 20_001 }, Counts { prints: 7, events: 41 }] {
            counts.keep_beside(&record);
            assert_eq!(Counts::kept_beside(&record), Some(counts));
        }
        let bytes = std::fs::read(file_of(&record)).unwrap();
        for bit in 0..bytes.len() * 8 {
            let mut flipped = bytes.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            std::fs::write(file_of(&record), flipped).unwrap();
            assert_eq!(Counts::kept_beside(&record), None, "bit {bit}");
        }
    }

    #[test]
    fn only_fewer_prints_or_events_are_missing() {
        let counts = |prints, events| Counts { prints, events };
        let missing = |found: Counts, expected| found.missing_of(expected, Path::new("r")).is_some();
        assert!(!missing(counts(7, 41), counts(7, 41)) && !missing(counts(8, 45), counts(7, 41)));
        assert!(missing(counts(7, 40), counts(7, 41)) && missing(counts(6, 43), counts(7, 41)));
    }
}
