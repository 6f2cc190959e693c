//! A wall clock that claims to be right, settles the length of an outage, and then steps.

use super::*;

/// Half a glass under 40 W/m².
const RATE: f64 = 20.0;
/// One reading to the next, before and after the power was gone: what may be off by then, in J/m².
const OFF: f64 = 2.0 * RATE;

/// A print that lay out 100 s when the power went, and how the rig comes up again 5 s after
/// it is back, with its clock wrong by `off_s` after an outage of `gone_s`.
fn come_back(folder: &TempDir, target: f64, gone_s: f64, off_s: f64) -> (Bench, String) {
    let mut bench = Bench::start(setup(folder), 0.0);
    bench.shine(0, 0);
    let print = bench.expose(0.0, "oak", target);
    bench.shine(1, 100);
    bench.service.commit(at(100.0));
    bench.kill();
    let wall = wall_of(5.0, shown(gone_s, off_s, 5.0));
    let mut again = Bench::booted(setup(folder), "b", wall);
    again.shine(5, 20);
    again.settle();
    (again, print)
}

/// What a clock that is wrong by `off_s` shows at an instant of the boot after the outage.
fn shown(gone_s: f64, off_s: f64, seconds: f64) -> i64 {
    NOON + ((95.0 + gone_s + off_s + seconds) * 1000.0) as i64
}

#[test]
fn a_clock_that_was_hours_behind_is_corrected_and_the_print_called() {
    let folder = TempDir::new().unwrap();
    let gone_s = 10_800.0;
    let (mut bench, print) = come_back(&folder, 100_000.0, gone_s, -gone_s);
    // By the clock of the shutdown no time has passed.
    let before = bench.frame(20.0, "oak");
    assert!((before.dose_j_m2 - 115.0 * RATE).abs() < OFF, "{before:?}");
    bench.service.on_wall(at(30.0), wall_of(30.0, shown(gone_s, 0.0, 30.0)));
    bench.settle();
    let after = bench.frame(30.0, "oak");
    let fell = (115.0 + gone_s) * RATE;
    assert!((after.dose_j_m2 - fell).abs() < OFF, "{after:?} {fell}");
    assert!(after.low_j_m2 <= fell - gone_s * RATE + OFF && after.high_j_m2 + OFF >= fell, "{after:?}");
    bench.shine(31, 33);
    let told: Vec<Told> = bench.told.try_iter().filter(|told| told.frame == "oak").collect();
    assert!(told.iter().any(|told| told.text.contains("The clock was wrong and is right now")), "{told:?}");
    assert!(told.iter().any(|told| told.kind == "due"), "{told:?}");
    // What is kept of it since is restated, and its curve's line over the outage with it.
    bench.ask(33.0, bring_in("oak"));
    bench.shine(34, 35);
    bench.service.commit(at(35.0));
    bench.settle();
    let detail = Record::open(&setup(&folder).ledger).unwrap().detail(&print).unwrap();
    let dose = detail.row.brought_in().unwrap().dose;
    assert!((dose.best.j_m2() - (128.0 + gone_s) * RATE).abs() < OFF, "{dose:?}");
    let curve = detail.curve.last().unwrap().2;
    assert!((curve / dose.best.j_m2() - 1.0).abs() < 1e-3, "{curve} {dose:?}");
}

#[test]
fn a_clock_that_was_hours_ahead_is_corrected_and_the_print_waits_again() {
    let folder = TempDir::new().unwrap();
    let (mut bench, print) = come_back(&folder, 10_000.0, 60.0, 10_800.0);
    assert_eq!(bench.frame(20.0, "oak").state, FrameState::Due);
    bench.service.on_wall(at(30.0), wall_of(30.0, shown(60.0, 0.0, 30.0)));
    bench.settle();
    let after = bench.frame(30.0, "oak");
    assert!((after.dose_j_m2 - 175.0 * RATE).abs() < OFF && after.high_j_m2 < 10_000.0, "{after:?}");
    assert_eq!(after.state, FrameState::Exposing);
    // After a restart it still waits, and is called at its target.
    bench.service.commit(at(30.0));
    bench.kill();
    let mut again = Bench::booted(setup(&folder), "b", wall_of(31.0, shown(60.0, 0.0, 31.0)));
    assert_eq!(again.frame(31.0, "oak").state, FrameState::Exposing);
    assert!(again.told.try_iter().all(|told| told.kind != "due"));
    for from in (31..391).step_by(40) {
        again.shine(from, from + 39);
        again.settle();
    }
    assert_eq!(again.frame(390.0, "oak").state, FrameState::Due);
    let detail = Record::open(&setup(&folder).ledger).unwrap().detail(&print).unwrap();
    assert!(detail.row.events.iter().all(|event| event.dose.low.j_m2() <= event.dose.high.j_m2()));
}

#[test]
fn what_a_wrong_clock_settled_before_a_restart_and_a_bring_in_is_corrected_too() {
    let folder = TempDir::new().unwrap();
    let gone_s = 3_600.0;
    let (mut bench, print) = come_back(&folder, 900_000.0, gone_s, -gone_s);
    bench.ask(21.0, bring_in("oak"));
    bench.shine(22, 23);
    bench.expose(23.0, "oak", 900_000.0);
    bench.service.commit(at(23.0));
    bench.kill();
    let mut again = Bench::booted(setup(&folder), "b", wall_of(24.0, shown(gone_s, 0.0, 24.0)));
    again.shine(24, 25);
    again.service.commit(at(25.0));
    again.settle();
    let dose_of = |print: &str| {
        let detail = Record::open(&setup(&folder).ledger).unwrap().detail(print).unwrap();
        detail.row.brought_in().unwrap().dose
    };
    let fell = (116.0 + gone_s) * RATE;
    let dose = dose_of(&print);
    assert!((dose.best.j_m2() - fell).abs() < OFF && dose.high.j_m2() + OFF >= fell, "{dose:?} {fell}");
    // The print that followed it in its frame was not there.
    assert!((again.frame(25.0, "oak").dose_j_m2 - 2.0 * RATE).abs() < 1.0);
    again.kill();
    // Another boot changes nothing any more.
    let mut last = Bench::booted(setup(&folder), "c", wall_of(5.0, shown(gone_s, 0.0, 600.0)));
    last.shine(5, 6);
    last.service.on_wall(at(7.0), wall_of(7.0, shown(gone_s, 9_000.0, 602.0)));
    last.service.commit(at(7.0));
    last.settle();
    assert_eq!(dose_of(&print), dose);
}

#[test]
fn a_clock_that_ran_backwards_and_is_put_right_settles_after_all() {
    let folder = TempDir::new().unwrap();
    // By this clock the power came back before it went.
    let (mut bench, _) = come_back(&folder, 900_000.0, 3_600.0, -7_200.0);
    assert_eq!(bench.frame(20.0, "oak").lacks.as_deref(), Some("unknown-length"));
    bench.service.on_wall(at(30.0), wall_of(30.0, shown(3_600.0, 0.0, 30.0)));
    bench.settle();
    let oak = bench.frame(30.0, "oak");
    assert_eq!(oak.lacks, None);
    assert!((oak.dose_j_m2 - 3_715.0 * RATE).abs() < OFF, "{oak:?}");
}

#[test]
fn a_small_correction_of_the_clock_changes_nothing() {
    let folder = TempDir::new().unwrap();
    let (mut bench, _) = come_back(&folder, 900_000.0, 600.0, 0.3);
    let before = bench.told.try_iter().count();
    bench.service.on_wall(at(30.0), wall_of(30.0, shown(600.0, 0.0, 30.0)));
    bench.settle();
    assert!(before > 0 && bench.told.try_iter().next().is_none());
}
