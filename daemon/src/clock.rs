//! The rig's two clocks: a monotonic one for doses, the wall for labels.

use std::path::Path;
use std::time::Duration;

use frameside_core::outlook::WallAnchor;
use frameside_core::quantity::Mono;
use rtime_clock::adjtime::{Timex, adjtimex};
use rustix::time::{ClockId, clock_gettime};

use crate::config::{ClockSource, Config};

/// Monotonic time since boot, suspend included, at a speed other than life's
/// where recorded light is played faster.
///
/// With the origin at boot, instants keep their meaning over a restart of the
/// daemon; [`boot_id`] tells whether it is still the same boot.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    speed: f64,
    source: ClockSource,
    started: WallAnchor,
}

/// A wall clock that moved by more than this was set, in milliseconds.
pub(crate) const WALL_STEP_MS: u64 = 500;
/// The kernel's name for this boot.
const BOOT_ID: &str = "/proc/sys/kernel/random/boot_id";
/// Where the kernel lists the clocks that run without power.
const BATTERY_CLOCKS: &str = "/sys/class/rtc";
/// The kernel's `NTP_PHASE_LIMIT`, in µs: the error of a clock that was never set, was set by
/// hand, or has had no time service for nine hours.
const UNKNOWN_ERROR_US: i64 = 16_000_000;
/// This program did not exist before 2026, in ms since 1970: a battery clock that shows an
/// earlier time has an empty battery.
const EARLIEST_MS: i64 = 1_767_225_600_000;

impl Clock {
    /// A clock running at `speed` times life, above zero, whose wall time comes from `source`.
    #[must_use]
    pub fn new(speed: f64, source: ClockSource) -> Self {
        let started =
            WallAnchor { mono: scaled(since_boot(), speed), unix_ms: wall_ms(), synchronised: true };
        Self { speed, source, started }
    }

    /// A clock for what needs no wall time.
    #[must_use]
    pub fn real_time() -> Self {
        Self::new(1.0, ClockSource::default())
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
    /// the wall runs as fast, from the time it was started; no time service can correct it,
    /// and it counts as synchronised.
    #[must_use]
    pub fn wall(&self) -> WallAnchor {
        let now = self.now();
        if self.speed == 1.0 {
            WallAnchor { mono: now, unix_ms: wall_ms(), synchronised: WallState::now(self.source).is_right() }
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

/// What is known of the wall clock. A time that is only plausible proves nothing: a machine
/// without a battery clock starts at its last shutdown or at its system's build date.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WallState {
    /// A time service keeps it right.
    Synchronised,
    /// The config vouches for a battery clock.
    Battery {
        /// Whether the kernel has one.
        is_there: bool,
    },
    /// The config vouches for a battery clock, but it shows a time before 2026.
    EmptyBattery,
    /// The rig does not run at life's speed, and its wall time is its own.
    MadeUp,
    /// None of these.
    Unsynchronised,
    /// The kernel does not say: the sandbox forbids `adjtimex`.
    Unreadable,
}

impl WallState {
    /// The state of a rig's wall clock; that of a rig at another speed is made up.
    #[must_use]
    pub fn of(config: &Config) -> Self {
        if config.speed == 1.0 { Self::now(config.rig.clock) } else { Self::MadeUp }
    }

    /// Asks the kernel, which any time service informs.
    fn now(source: ClockSource) -> Self {
        let max_error_us = max_error_us();
        match (max_error_us, source) {
            (Ok(error), _) if error < UNKNOWN_ERROR_US => Self::Synchronised,
            (_, ClockSource::Battery) if wall_ms() < EARLIEST_MS => Self::EmptyBattery,
            (_, ClockSource::Battery) => Self::Battery { is_there: has_battery_clock() },
            (Ok(_), ClockSource::Network) => Self::Unsynchronised,
            (Err(_), ClockSource::Network) => Self::Unreadable,
        }
    }

    /// Whether the length of an outage may rest on it.
    #[must_use]
    pub const fn is_right(self) -> bool {
        matches!(self, Self::Synchronised | Self::Battery { .. } | Self::MadeUp)
    }

    /// What a person should know of it, and do.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Self::Synchronised => "synchronised",
            Self::Battery { is_there: true } => "a battery clock, as the config says",
            Self::Battery { is_there: false } => {
                "the config says clock = \"battery\", but the kernel knows no battery clock \
                 (/sys/class/rtc is empty): enable its overlay, or take the key out"
            }
            Self::MadeUp => "the rig's own, as fast as its light",
            Self::EmptyBattery => {
                "not right: the config says clock = \"battery\", but it shows a year before 2026; \
                 replace the battery and set the clock"
            }
            Self::Unsynchronised => {
                "not synchronised; until it is, an outage has no known length. Let a time service run \
                 (systemd-timesyncd, chrony, ntpd), or fit a battery clock and say clock = \"battery\" in [rig]"
            }
            Self::Unreadable => {
                "the kernel may not be asked whether it is synchronised (adjtimex is denied): \
                 allow it in the unit, as in configs/frameside.service"
            }
        }
    }
}

/// The most that the wall clock can be wrong by, in µs, as the time service has it. The status
/// flag `STA_UNSYNC` would not do: chrony leaves it set unless it also sets the battery clock.
fn max_error_us() -> std::io::Result<i64> {
    // Nothing but a question as long as no mode is set.
    let mut timex = Timex::default();
    adjtimex(&mut timex)?;
    #[allow(clippy::useless_conversion, reason = "a C long has 32 bits on a 32-bit system")]
    Ok(i64::from(timex.0.maxerror))
}

fn has_battery_clock() -> bool {
    Path::new(BATTERY_CLOCKS).read_dir().is_ok_and(|mut clocks| clocks.next().is_some())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fast_clock_gains_on_a_plain_one() {
        let (plain, fast) = (Clock::real_time(), Clock::new(60.0, ClockSource::Network));
        let (p0, f0) = (plain.now(), fast.now());
        std::thread::sleep(Duration::from_millis(20));
        let (plain_s, fast_s) = (plain.now().seconds_since(p0), fast.now().seconds_since(f0));
        assert!(fast_s > 10.0 * plain_s, "{fast_s} {plain_s}");
        assert!(fast.until(fast.now().plus_seconds(60.0)) <= Duration::from_secs(1));
        let wall = fast.wall();
        assert!(wall.unix_ms >= fast.started.unix_ms + 1000 && wall.synchronised);
    }
}
