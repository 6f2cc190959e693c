//! The rig's two clocks: a monotonic one for doses, the wall for labels.

use std::path::Path;
use std::time::Duration;

use frameside_core::outlook::WallAnchor;
use frameside_core::quantity::Mono;
use rustix::time::{ClockId, clock_gettime};

/// Monotonic time since boot, suspend included, at a speed other than life's
/// where recorded light is played faster.
///
/// With the origin at boot, instants keep their meaning over a restart of the
/// daemon; [`boot_id`] tells whether it is still the same boot.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    speed: f64,
    started: WallAnchor,
}

/// Where systemd-timesyncd notes that it has set the clock.
const SYNCHRONISED: &str = "/run/systemd/timesync/synchronized";
/// The kernel's name for this boot.
const BOOT_ID: &str = "/proc/sys/kernel/random/boot_id";

impl Clock {
    /// A clock running at `speed` times life, above zero.
    #[must_use]
    pub fn new(speed: f64) -> Self {
        let started = WallAnchor {
            mono: scaled(since_boot(), speed),
            unix_ms: wall_ms(),
            synchronised: is_synchronised(),
        };
        Self { speed, started }
    }

    /// The same clock with the wall it showed when it last ran on this boot.
    /// Only a clock at another speed than life's needs to be told: the wall
    /// itself knows nothing of its pace.
    #[must_use]
    pub fn resumed(self, wall_offset_ms: Option<i64>) -> Self {
        match wall_offset_ms {
            Some(unix_ms) if self.speed != 1.0 => {
                let started = WallAnchor { mono: Mono::default(), unix_ms, ..self.started };
                Self { started, ..self }
            }
            _ => self,
        }
    }

    /// How many times faster than life it runs.
    #[must_use]
    pub const fn speed(&self) -> f64 {
        self.speed
    }

    /// The instant now.
    #[must_use]
    pub fn now(&self) -> Mono {
        scaled(since_boot(), self.speed)
    }

    /// How long to sleep, in life's time, until an instant.
    #[must_use]
    pub fn until(&self, at: Mono) -> Duration {
        at.duration_since(self.now()).div_f64(self.speed)
    }

    /// What the wall shows now. On a clock that does not run at life's speed
    /// the wall runs as fast, from the time it was started.
    #[must_use]
    pub fn wall(&self) -> WallAnchor {
        let now = self.now();
        if self.speed == 1.0 {
            WallAnchor { mono: now, unix_ms: wall_ms(), synchronised: is_synchronised() }
        } else {
            WallAnchor { mono: now, unix_ms: self.started.unix_ms_at(now), ..self.started }
        }
    }
}

/// A name that changes with every boot; a fixed one where the kernel has none.
#[must_use]
pub fn boot_id() -> String {
    std::fs::read_to_string(BOOT_ID).map_or_else(|_| "unknown".to_owned(), |id| id.trim().to_owned())
}

fn since_boot() -> Duration {
    let now = clock_gettime(ClockId::Boottime);
    let seconds = u64::try_from(now.tv_sec).unwrap_or(0);
    Duration::new(seconds, u32::try_from(now.tv_nsec).unwrap_or(0))
}

fn scaled(since_boot: Duration, speed: f64) -> Mono {
    if speed == 1.0 {
        return Mono::default() + since_boot;
    }
    Mono::from_seconds(since_boot.as_secs_f64() * speed)
}

fn wall_ms() -> i64 {
    let now = clock_gettime(ClockId::Realtime);
    now.tv_sec.saturating_mul(1000).saturating_add(now.tv_nsec / 1_000_000)
}

/// Whether the wall clock can be believed. A Pi without a battery clock boots
/// in the past until the network brings the time; whoever runs another time
/// service than systemd's is believed once the year makes sense.
fn is_synchronised() -> bool {
    if Path::new("/run/systemd/timesync").is_dir() {
        return Path::new(SYNCHRONISED).exists();
    }
    // This program did not exist before 2026.
    wall_ms() > 1_767_225_600_000
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fast_clock_gains_on_a_plain_one() {
        let (plain, fast) = (Clock::new(1.0), Clock::new(60.0));
        let (p0, f0) = (plain.now(), fast.now());
        std::thread::sleep(Duration::from_millis(20));
        let (plain_s, fast_s) = (plain.now().seconds_since(p0), fast.now().seconds_since(f0));
        assert!(fast_s > 10.0 * plain_s, "{fast_s} {plain_s}");
        assert!(fast.until(fast.now().plus_seconds(60.0)) <= Duration::from_secs(1));
        let wall = fast.wall();
        assert!(wall.unix_ms >= fast.started.unix_ms + 1000);
    }
}
