//! Made-up days, hundreds of them: the real service, machine, ledger and outbox
//! on a disk, a broker, a clock, sensors and people that all misbehave, killed at
//! any step and started again.
//!
//! What must hold: the dose that really fell lies between low and high; `due` is
//! called once per print and target, and not before its dose; what was acknowledged
//! is in the record, and nothing else; signals arrive; the record reads back.
//!
//! A day that fails names its seed. `FRAMESIDE_SIMULATION=17` lives that one
//! through again and tells its story, `FRAMESIDE_SIMULATION=0..1000000` lives
//! through so many.

mod expected;
mod findings;
mod people;
mod record;
mod shadow;
mod sky;
mod world;

use std::io::Write as _;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

use world::World;

/// Days of an ordinary run of the tests.
const DAYS: std::ops::Range<u64> = 0..2000;

#[test]
fn whatever_happens_nothing_is_lost() {
    let asked = std::env::var("FRAMESIDE_SIMULATION").ok();
    let days = asked.as_deref().map_or(DAYS, |text| days_of(text).expect("a seed, or FROM..TO"));
    let tells = days.end - days.start == 1;
    let next = AtomicU64::new(days.start);
    let workers = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| {
                while let Some(seed) = Some(next.fetch_add(1, Relaxed)).filter(|seed| days.contains(seed)) {
                    World::new(seed, tells).live();
                }
            });
        }
    });
    if asked.is_some() {
        let _ = std::io::stderr().write_all(shadow::differences().as_bytes());
    }
}

fn days_of(text: &str) -> Option<std::ops::Range<u64>> {
    match text.split_once("..") {
        Some((from, to)) => Some(from.parse().ok()?..to.parse().ok()?),
        None => text.parse().ok().map(|seed| seed..seed + 1),
    }
}
