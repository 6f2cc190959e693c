//! Shared helpers of the end-to-end tests: a real broker with real clients, the
//! real daemon in a directory of its own, and what a test needs from the machine.
//!
//! A test that needs something the machine lacks says so and is skipped; under
//! `tests/run` it fails instead (see [`needs`]).

#![allow(clippy::unwrap_used, reason = "this package is tests only: a failure here must panic")]

pub mod broker;
pub mod browser;
pub mod card;
pub mod fake_pi;
pub mod http;
pub mod kernel_clock;
pub mod needs;
pub mod power;
mod preloaded;
pub mod site;
pub mod tables;

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

pub use broker::{Broker, Message, Publish, Subscriber};
pub use browser::Browser;
pub use card::Card;
pub use fake_pi::{FakePi, Levels};
pub use frameside::chance::Chance;
pub use kernel_clock::KernelClock;
pub use site::{Daemon, Site, frameside};

/// The top folder of the repository.
#[must_use]
pub fn repository() -> PathBuf {
    let package = Path::new(env!("CARGO_MANIFEST_DIR"));
    package.parent().expect("the tests are a folder of the repository").to_owned()
}

/// The cargo that runs these tests, in the top folder of the repository.
#[must_use]
pub fn cargo() -> std::process::Command {
    let mut cargo = std::process::Command::new(std::env::var_os("CARGO").unwrap_or("cargo".into()));
    cargo.current_dir(repository());
    cargo
}

/// Asks `answer` every 10 ms until it gives something.
///
/// # Panics
///
/// After `within`, naming `what` it waited for.
pub fn wait_for<T>(what: &str, within: Duration, mut answer: impl FnMut() -> Option<T>) -> T {
    let deadline = Instant::now() + within;
    loop {
        if let Some(answer) = answer() {
            return answer;
        }
        assert!(Instant::now() < deadline, "waited {within:?} in vain for {what}");
        std::thread::sleep(Duration::from_millis(10));
    }
}
