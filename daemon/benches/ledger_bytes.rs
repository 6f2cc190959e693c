//! What the record costs: bytes on disk per stored sample, and bytes written to
//! the card while exposing.
//!
//!     cargo bench -p frameside --bench ledger_bytes [-- HOURS]
//!
//! Ten hours (or HOURS) of broken cloud at 1 Hz go through the real writer as
//! fast as it takes them, with a commit for each 10 s of light as while a print
//! is out. The light carries 0.1 % of sensor noise and the instants 0.5 ms of
//! jitter, uniform both. Written is what the kernel counts for this process on
//! the file system of the build folder.

#![allow(clippy::print_stdout, reason = "a benchmark prints")]

use std::path::Path;

use anyhow::Context as _;
use frameside::ledger::{Boot, Entry, Ledger, LedgerEvent, Record};
use frameside::rehearsal::Day;
use frameside_core::light::{Integral, Reading};
use frameside_core::outlook::WallAnchor;
use frameside_core::quantity::Mono;

const SEED: u64 = 1;
const COMMIT_EVERY_S: u64 = 10;
/// Eight in the morning, on the made-up day's own clock.
const FROM_S: f64 = 8.0 * 3600.0;

fn main() -> anyhow::Result<()> {
    // Cargo itself passes --bench.
    let hours: u64 = std::env::args().find_map(|arg| arg.parse().ok()).unwrap_or(10);
    let samples = hours * 3600;
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
    let path = folder.path().join("ledger.sqlite");
    let (exact, written) = (keep(&path, samples)?, bytes_written()?);
    let on_disk = std::fs::metadata(&path)?.len();
    let light = Record::open(&path)?.light("sky", f64::MIN, f64::MAX)?;
    anyhow::ensure!(light.len() as u64 == samples, "{} samples came back", light.len());
    let mut stored = Integral::new(1.0);
    for kept in &light {
        stored.take(kept.sample.at, kept.sample.seen, |_, _| None);
    }
    let stored = stored.knot().context("there is light")?.total.best.j_m2();
    println!("{samples} samples, seed {SEED}");
    println!("on disk        {:10.3} bytes a sample ({on_disk} bytes)", on_disk as f64 / samples as f64);
    println!("written        {:10.3} MB", written as f64 / 1e6);
    println!("dose, stored   {:10.2e} off the exact, relative", stored / exact - 1.0);
    println!("resident, most {:10.3} MB", most_resident()? as f64 / 1e6);
    Ok(())
}

/// Keeps the light and returns its dose in J/m².
fn keep(path: &Path, samples: u64) -> anyhow::Result<f64> {
    let day = Day::new(SEED);
    let mut noise = Noise(SEED);
    let wall = WallAnchor { mono: Mono::default(), unix_ms: 1_784_000_000_000, synchronised: true };
    let (tell, mut told) = tokio::sync::mpsc::unbounded_channel();
    let (mut ledger, _) = Ledger::start(path, &Boot { id: "bench".into(), wall }, tell)?;
    let mut integral = Integral::new(1.0);
    for second in 0..samples {
        let at = Mono::from_seconds(second as f64 + 1.0 + 0.0005 * noise.next());
        let clean = day.irradiance((FROM_S + at.seconds()) % 86_400.0);
        let reading = Reading::of(at, clean * (1.0 + 0.001 * noise.next()));
        integral.take(reading.at, reading.seen, |_, _| None);
        ledger.write(Entry::Light { sensor: "sky".into(), reading });
        if (second + 1) % COMMIT_EVERY_S == 0 {
            let knot = integral.knot().context("a reading was taken")?;
            ledger.write(Entry::Knot { sensor: "sky".into(), knot, responses: Vec::new() });
            ledger.commit(second);
            match told.blocking_recv() {
                Some(LedgerEvent::Committed(token)) if token == second => {}
                other => anyhow::bail!("not committed: {other:?}"),
            }
        }
    }
    ledger.finish()?;
    Ok(integral.knot().context("a reading was taken")?.total.best.j_m2())
}

/// Uniform from -1 to 1, the same on every run (a 64-bit linear congruence with
/// Knuth's MMIX constants).
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

fn bytes_written() -> anyhow::Result<u64> {
    number_in("/proc/self/io", "write_bytes:")
}

fn most_resident() -> anyhow::Result<u64> {
    Ok(number_in("/proc/self/status", "VmHWM:")? * 1024)
}

fn number_in(file: &str, name: &str) -> anyhow::Result<u64> {
    let text = std::fs::read_to_string(file)?;
    let value = text.lines().find_map(|line| line.strip_prefix(name)).context("the kernel counts it")?;
    Ok(value.split_whitespace().next().context("a number follows")?.parse()?)
}
