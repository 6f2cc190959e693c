//! A damaged record is put right while the daemon runs, or the power goes meanwhile.

use super::*;

#[test]
fn a_file_found_corrupt_while_it_is_written_is_let_go_and_salvaged_at_the_next_try() {
    let (folder, mut bench) = missing::with_a_log();
    let path = folder.path().join("ledger.sqlite");
    // What another program commits makes the daemon read the pages anew.
    let other = rusqlite::Connection::open(&path).unwrap();
    other.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    tear_page(&folder, "SELECT rootpage FROM sqlite_schema WHERE name = 'gap'", 8);
    other.pragma_update(None, "user_version", schema::NEWEST).unwrap();

    bench.tell(17.25, Command::Uncover);
    let gap = Estimate { low: j_m2(1.0), best: j_m2(2.0), high: j_m2(3.0) };
    bench.ledger.write(Entry::Gap { sensor: "sky".into(), from: at(16.0), to: at(17.0), dose: gap });
    bench.ledger.commit(7);
    let why = match bench.events.blocking_recv().unwrap() {
        LedgerEvent::Trouble(7, why) => why,
        other => panic!("{other:?}"),
    };
    assert!(why.contains("malformed"), "{why}");
    bench.ledger.commit(8);
    let said = match bench.events.blocking_recv().unwrap() {
        LedgerEvent::Rescued(said) => said,
        other => panic!("{other:?}"),
    };
    assert!(said.contains("ledger.sqlite.damaged-1") && said.contains("gap"), "{said}");
    assert!(matches!(bench.events.blocking_recv().unwrap(), LedgerEvent::Committed(8)));
    assert!(folder.path().join("ledger.sqlite.damaged-1").exists());
    let print = record(&folder).detail("2026-07-14-oak-1").unwrap();
    assert_eq!((print.row.events.len(), print.row.state()), (3, FrameState::Exposing));
    assert_eq!(bench_sql::<i64>(&folder, "SELECT count(*) FROM gap"), 1);
    bench.ledger.finish().unwrap();
    let (_, recovered) = Bench::start(&folder, &boot("a", 30.0, NOON, true));
    assert_eq!(recovered.troubles, [""; 0]);
}

#[test]
fn a_power_cut_while_a_damaged_record_is_replaced_loses_nothing() {
    let (from, _bench) = missing::with_a_log();
    let saved = b"not all of what was saved";
    for moved in [&[""][..], &["", "-wal"]] {
        let folder = missing::left(&from, &["", "-wal"]);
        let path = folder.path().join("ledger.sqlite");
        let mut bytes = std::fs::read(&path).unwrap();
        bytes[20] ^= 1;
        std::fs::write(&path, bytes).unwrap();
        std::fs::write(with_ending(&path, ".part"), saved).unwrap();
        for ending in moved {
            let away = with_ending(&with_ending(&path, ".damaged"), ending);
            std::fs::rename(with_ending(&path, ending), away).unwrap();
        }
        let (_, recovered) = Bench::start(&folder, &boot("a", 30.0, NOON, true));
        assert!(recovered.troubles[0].contains("ledger.sqlite.damaged-1"), "{:?}", recovered.troubles);
        assert_eq!(record(&folder).detail("2026-07-14-oak-1").unwrap().row.state(), FrameState::Covered);
    }
}

#[test]
fn a_power_cut_after_a_damaged_record_is_replaced_leaves_both() {
    let (from, _bench) = missing::with_a_log();
    let folder = missing::left(&from, &["", "-wal"]);
    std::fs::write(folder.path().join("ledger.sqlite.damaged"), "damaged").unwrap();
    let (_, recovered) = Bench::start(&folder, &boot("a", 30.0, NOON, true));
    assert_eq!((recovered.prints.len(), recovered.troubles), (1, Vec::new()));
    assert_eq!(std::fs::read(folder.path().join("ledger.sqlite.damaged-1")).unwrap(), b"damaged");
    assert!(!folder.path().join("ledger.sqlite.damaged").exists());
}

fn j_m2(dose: f64) -> frameside_core::quantity::Dose {
    frameside_core::quantity::Dose::from_j_m2(dose)
}
