//! A record with one flipped bit, as cards leave it: the daemon starts, each print that lay out
//! is taken up or named, and no dose that is wrong is taken for certain.
//!
//! Some bits in an ordinary run, chosen by the seed that is printed, `FRAMESIDE_ROT` for another
//! number of them.

use std::time::{SystemTime, UNIX_EPOCH};

use super::*;
use crate::chance::Chance;

/// Flips of an ordinary run.
const FLIPS: u64 = 48;

#[test]
#[allow(clippy::print_stdout, reason = "the seed of a failure")]
fn a_flipped_bit_hides_no_print_and_makes_no_dose_certain_that_is_wrong() {
    let flips = std::env::var("FRAMESIDE_ROT").map_or(FLIPS, |flips| flips.parse().unwrap());
    let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
    let seed = std::env::var("FRAMESIDE_ROT_SEED")
        .map_or(u64::from(now.subsec_nanos()), |seed| seed.parse().unwrap());
    println!("FRAMESIDE_ROT_SEED={seed}");
    let mut chance = Chance::new(seed);
    let kept = Kept::new();
    for _ in 0..flips {
        let bit = chance.below(kept.bytes.len() as u64 * 8);
        kept.start_with(usize::try_from(bit).unwrap());
    }
}

/// Where the daemon is started again.
const RESTART: f64 = 130.0;

struct Kept {
    bytes: Vec<u8>,
    prints: Vec<PrintRow>,
    out: PrintId,
    dose: f64,
}

impl Kept {
    /// A record of some prints, of which the last lies out.
    fn new() -> Self {
        let folder = TempDir::new().unwrap();
        let (mut bench, _) = Bench::start(&folder, &boot("a", 0.0, NOON, true));
        bench.shine(0, 0);
        for n in (1..60).step_by(2) {
            bench.shine(n, n);
            bench.expose(f64::from(n), Plan::dose(target(1e6)));
            bench.tell(f64::from(n) + 0.5, Command::BringIn);
            bench.shine(n + 1, n + 1);
        }
        bench.shine(61, 61);
        let out = bench.expose(61.0, Plan::dose(target(1e6)));
        bench.shine(62, 80);
        bench.tell(80.5, Command::Cover);
        bench.shine(81, 90);
        bench.tell(90.5, Command::Uncover);
        bench.shine(91, 120);
        bench.commit();
        let dose = bench.dose(120.0);
        bench.ledger.finish().unwrap();
        let prints = record(&folder).prints(&Filter::default()).unwrap();
        Self { bytes: std::fs::read(folder.path().join("ledger.sqlite")).unwrap(), prints, out, dose }
    }

    fn start_with(&self, bit: usize) {
        let folder = TempDir::new().unwrap();
        let path = folder.path().join("ledger.sqlite");
        let mut bytes = self.bytes.clone();
        bytes[bit / 8] ^= 1 << (bit % 8);
        std::fs::write(&path, bytes).unwrap();
        let boot = boot("a", RESTART, NOON, true);
        let (mut ledger, recovered) = Ledger::start(&path, &boot, unbounded_channel().0)
            .unwrap_or_else(|error| panic!("bit {bit}: it does not start: {error}"));
        let troubles = recovered.troubles.join("\n");
        match recovered.prints.iter().find(|print| print.resumed.print == self.out) {
            Some(print) => {
                let mut rig = Rig::new(Rules::default(), at(RESTART));
                let left_off = recovered.left_off.get("sky").copied();
                let sensor = rig.add_sensor(SensorSetup { period_s: 1.0, left_off });
                let frame = rig.add_frame(FrameSetup { sensor, glass: 0.9 }).unwrap();
                rig.resume(frame, print.resumed.clone()).unwrap();
                let dose = rig.view(frame, at(120.0)).unwrap().dose;
                let holds = dose.low.j_m2() <= self.dose + 0.01 && self.dose <= dose.high.j_m2() + 0.01;
                assert!(holds, "bit {bit}: {dose:?} instead of {}: {troubles}", self.dose);
                assert!(!dose.is_open() || troubles.contains(&*self.out), "bit {bit}: {dose:?}: {troubles}");
            }
            None => assert!(troubles.contains(&*self.out), "bit {bit}: it is not named: {troubles}"),
        }
        ledger.finish().unwrap();
        let prints = record(&folder).prints(&Filter::default()).unwrap();
        for print in &prints {
            let was = self
                .prints
                .iter()
                .find(|was| was.id == print.id)
                .unwrap_or_else(|| panic!("bit {bit}: {print:?}"));
            for event in &print.events {
                assert!(was.events.contains(event), "bit {bit}: {event:?} of {}: {troubles}", print.id);
            }
        }
        assert!(
            prints == self.prints || !troubles.is_empty(),
            "bit {bit}: something is missing without a word"
        );
    }
}
