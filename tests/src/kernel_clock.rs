//! A wall clock, and what the kernel says of it, both as the test wants them.
//!
//! The other halves are libfaketime and `tests/kernel_clock`, preloaded into the binary.

use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::needs::need;
use crate::{Site, preloaded};

/// Where Debian puts libfaketime, by architecture.
fn libfaketime() -> Option<PathBuf> {
    let libraries = std::fs::read_dir("/usr/lib").ok().into_iter().flatten().flatten();
    let found =
        libraries.map(|entry| entry.path().join("faketime/libfaketime.so.1")).find(|file| file.is_file());
    need(found, "libfaketime", "apt install faketime")
}

/// The clocks of a site's daemon: its wall clock, what the kernel says of that, and its boots.
pub struct KernelClock {
    wall: PathBuf,
    max_error: PathBuf,
    boot_id: PathBuf,
}

impl KernelClock {
    /// Puts the daemons of a site under these clocks: the machine's own time, not synchronised.
    /// `None` where libfaketime is missing.
    #[must_use]
    pub fn new(site: &mut Site) -> Option<Self> {
        let faketime = libfaketime()?;
        let root = site.path("root");
        let boot_id = root.join("proc/sys/kernel/random/boot_id");
        std::fs::create_dir_all(boot_id.parent().unwrap()).unwrap();
        let clock = Self { wall: site.path("wall"), max_error: site.path("max-error"), boot_id };
        clock.boot("boot-1");
        clock.set_synchronised(false);
        clock.set_wall("+0d");
        let libraries = [
            preloaded::library("frameside-kernel-clock"),
            preloaded::library("frameside-device-node"),
            faketime,
        ]
        .map(|path| path.to_str().unwrap().to_owned());
        site.set_variable("LD_PRELOAD", libraries.join(":").into());
        site.set_variable("FRAMESIDE_KERNEL_CLOCK", clock.max_error.clone());
        site.set_variable("FRAMESIDE_DEVICE_ROOT", root);
        site.set_variable("FAKETIME_TIMESTAMP_FILE", clock.wall.clone());
        for (name, value) in [
            ("FAKETIME_NO_CACHE", "1"),
            ("FAKETIME_DONT_FAKE_MONOTONIC", "1"),
            ("NO_FAKE_STAT", "1"),
            ("TZ", "UTC"),
        ] {
            site.set_variable(name, value.into());
        }
        Some(clock)
    }

    /// Sets the wall clock, in libfaketime's words: `+3h`, `-3600s`, `@1970-01-01 00:00:20`.
    pub fn set_wall(&self, shown: &str) {
        replace(&self.wall, shown);
    }

    /// A time service starts to keep the clock, or lost it hours ago.
    pub fn set_synchronised(&self, synchronised: bool) {
        self.set_max_error(Duration::from_millis(if synchronised { 40 } else { 16_000 }));
    }

    /// The error that the kernel assumes; 16 s is its word for unknown.
    pub fn set_max_error(&self, error: Duration) {
        replace(&self.max_error, &error.as_micros().to_string());
    }

    /// Another boot of the machine, for the next start of the daemon.
    pub fn boot(&self, id: &str) {
        replace(&self.boot_id, id);
    }
}

/// By rename, so that the daemon never reads half of it.
fn replace(file: &Path, text: &str) {
    let next = file.with_extension("next");
    std::fs::write(&next, text).unwrap();
    std::fs::rename(next, file).unwrap();
}
