//! What a test needs from the machine, and what happens when it is not there.
//!
//! Plain `cargo test` works on a machine with only Rust: a test whose need is
//! missing prints `SKIPPED` and how to get it. With `FRAMESIDE_REQUIRE_ALL` set,
//! as `tests/run` does, the same is a failure, so that nothing is skipped unseen.

use std::io::Write;
use std::path::PathBuf;

use crate::repository;

/// Days of the station month that the tests use; the others are left unseen.
pub const STATION_DAYS: std::ops::RangeInclusive<u32> = 1..=15;

/// Passes on what was `found`; a missing need is told with `how` to get it.
///
/// # Panics
///
/// When it is missing and `FRAMESIDE_REQUIRE_ALL` is set.
#[must_use]
pub fn need<T>(found: Option<T>, what: &str, how: &str) -> Option<T> {
    if found.is_none() {
        assert!(std::env::var_os("FRAMESIDE_REQUIRE_ALL").is_none(), "missing: {what} ({how})");
        // Not eprintln!: the test harness would swallow it.
        let _ = writeln!(std::io::stderr(), "SKIPPED: {what} ({how})");
    }
    found
}

/// A program on the path or among the system's own, which users often lack on theirs.
#[must_use]
pub fn program(name: &str) -> Option<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let system = ["/usr/sbin", "/usr/local/sbin"].map(PathBuf::from);
    std::env::split_paths(&path).chain(system).map(|folder| folder.join(name)).find(|file| file.is_file())
}

/// The Mosquitto broker, from `FRAMESIDE_MOSQUITTO` or the path.
#[must_use]
pub fn mosquitto() -> Option<PathBuf> {
    let named = std::env::var_os("FRAMESIDE_MOSQUITTO").map(PathBuf::from);
    let broker = named.or_else(|| program("mosquitto")).filter(|_| program("mosquitto_sub").is_some());
    need(broker, "Mosquitto and its clients", "apt install mosquitto mosquitto-clients")
}

/// OpenSSL's command line, to make certificates with.
#[must_use]
pub fn openssl() -> Option<PathBuf> {
    need(program("openssl"), "OpenSSL's command line", "apt install openssl")
}

/// Chromium and its driver.
#[must_use]
pub fn chromium() -> Option<(PathBuf, PathBuf)> {
    let both = program("chromium").zip(program("chromedriver"));
    need(both, "Chromium and its driver", "apt install chromium chromium-driver")
}

/// The rules of axe-core, as the JavaScript that a page is checked with.
#[must_use]
pub fn axe() -> Option<String> {
    let file = from_env_or("FRAMESIDE_AXE", "target/axe/axe.min.js");
    need(std::fs::read_to_string(file).ok(), "axe-core", "tests/run takes it from a package")
}

/// The Python with the pinned reference libraries, from `FRAMESIDE_REFERENCE_PYTHON`
/// or where `tests/run` puts it.
#[must_use]
pub fn reference_python() -> Option<PathBuf> {
    let python = from_env_or("FRAMESIDE_REFERENCE_PYTHON", "target/reference-venv/bin/python");
    need(Some(python).filter(|file| file.is_file()), "reference Python", "tests/run makes it")
}

/// One day of the station's month, 1 to 15, as a CSV file for `replay`.
#[must_use]
pub fn station_day(day: u32) -> Option<PathBuf> {
    assert!(STATION_DAYS.contains(&day), "day {day} is not one of those for tests");
    station_file(&format!("2016-06-{day:02}.csv"))
}

/// The station's whole month as a CSV file for `replay`.
#[must_use]
pub fn station_month() -> Option<PathBuf> {
    station_file("2016-06.csv")
}

fn station_file(name: &str) -> Option<PathBuf> {
    let file = from_env_or("FRAMESIDE_STATION_DIR", "target/station").join(name);
    need(Some(file).filter(|file| file.is_file()), "station data", "tests/run takes them from a package")
}

fn from_env_or(variable: &str, default: &str) -> PathBuf {
    std::env::var_os(variable).map_or_else(|| repository().join(default), PathBuf::from)
}
