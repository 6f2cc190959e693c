//! Commits that a record does not hold any more, and what only looks like that.

use super::*;

/// A running ledger with a print in its file, whose last event is in the log alone.
pub(super) fn with_a_log() -> (TempDir, Bench) {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
    bench.shine(0, 9);
    bench.expose(9.5, Plan::dose(target(15_000.0)));
    bench.shine(10, 12);
    bench.commit();
    bench.ledger.finish().unwrap();
    let (mut bench, _) = Bench::start(&folder, &boot("a", 13.0, NOON, true));
    bench.shine(14, 15);
    bench.tell(15.25, Command::Cover);
    bench.shine(16, 17);
    bench.commit();
    (folder, bench)
}

/// What a machine that dies now leaves of the files with these endings.
pub(super) fn left(folder: &TempDir, endings: &[&str]) -> TempDir {
    let to = TempDir::new().unwrap();
    for ending in endings {
        let name = format!("ledger.sqlite{ending}");
        std::fs::copy(folder.path().join(&name), to.path().join(&name)).unwrap();
    }
    to
}

/// What the start after that says.
fn troubles(folder: &TempDir) -> Vec<String> {
    let (bench, recovered) = Bench::start(folder, &boot("a", 30.0, NOON, true));
    // Until its file is let go nothing else may be done to it.
    bench.ledger.die();
    recovered.troubles
}

const NONE: Vec<String> = Vec::new();

#[test]
fn commits_that_vanished_are_missed_once_and_doses_doubted() {
    let (folder, _bench) = with_a_log();
    let folder = left(&folder, &["", ".counts"]);
    let (bench, recovered) = Bench::start(&folder, &boot("a", 30.0, NOON, true));
    let [missing, doubted] = &recovered.troubles[..] else { panic!("{:?}", recovered.troubles) };
    assert!(
        missing.contains("1 prints with 2 events when") && missing.contains("has 1 with 1:"),
        "{missing}"
    );
    assert!(doubted.contains("the dose of print 2026-07-14-oak-1"), "{doubted}");
    bench.ledger.die();
    assert_eq!(troubles(&folder), NONE);
}

#[test]
fn nothing_is_missed_after_a_kill_or_a_power_cut() {
    let (folder, mut bench) = with_a_log();
    assert_eq!(troubles(&left(&folder, &["", "-wal", ".counts"])), NONE);
    // The counts were not on the disk yet: none, or those of an earlier commit.
    assert_eq!(troubles(&left(&folder, &["", "-wal"])), NONE);
    let earlier = left(&folder, &[".counts"]);
    bench.tell(17.25, Command::Uncover);
    bench.commit();
    let folder = left(&folder, &["", "-wal", ".counts"]);
    let counts = "ledger.sqlite.counts";
    std::fs::copy(earlier.path().join(counts), folder.path().join(counts)).unwrap();
    assert_eq!(troubles(&folder), NONE);
}

#[test]
fn counts_are_never_ahead_of_what_is_on_the_disk() {
    let (folder, mut bench) = with_a_log();
    let before = counts::Counts::kept_beside(&folder.path().join("ledger.sqlite")).unwrap();
    bench.ledger.disk().set_full(true);
    bench.tell(17.25, Command::Uncover);
    bench.ledger.commit(7);
    while !matches!(bench.events.blocking_recv().unwrap(), LedgerEvent::Trouble(7, _)) {}
    let now = counts::Counts::kept_beside(&folder.path().join("ledger.sqlite"));
    assert_eq!(now, Some(before));
    bench.ledger.die();
    assert_eq!(troubles(&folder), NONE);
}

#[test]
fn an_older_copy_is_missed_unless_it_was_restored_or_stands_elsewhere() {
    let (folder, mut bench) = with_a_log();
    let other = TempDir::new().unwrap();
    let (record, copy) = (folder.path().join("ledger.sqlite"), other.path().join("ledger.sqlite"));
    backup(&record, &copy, false).unwrap();
    bench.tell(17.25, Command::Uncover);
    bench.commit();
    bench.ledger.finish().unwrap();

    std::fs::copy(&copy, &record).unwrap();
    assert!(troubles(&folder)[0].contains("an older copy was put in its place"));
    assert_eq!(troubles(&other), NONE);

    let (mut bench, _) = Bench::start(&folder, &boot("a", 40.0, NOON, true));
    bench.shine(41, 42);
    bench.tell(42.25, Command::Uncover);
    bench.commit();
    bench.ledger.finish().unwrap();
    restore(&copy, &record, true).unwrap();
    assert_eq!(troubles(&folder), NONE);
    // The same where the record was deleted first.
    counts::Counts { prints: 9, events: 9 }.keep_beside(&record);
    std::fs::remove_file(&record).unwrap();
    restore(&copy, &record, false).unwrap();
    assert_eq!(troubles(&folder), NONE);
}
