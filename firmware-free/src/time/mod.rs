//! Instants across boots of the machine, and how much time lies between them.
//!
//! A monotonic clock starts anew at each boot, and the wall clock is right only
//! after it was synchronised. An instant therefore keeps the boot whose clock
//! read it, and is never converted to another boot's clock. [`elapsed`] is the
//! only place where two clocks meet.
//!
//! Within a boot, time is exact. Between boots there is the time with the power
//! off, which no monotonic clock counts. For a boot with a wall clock, the wall
//! time less all the time that the boots so far have counted says how long the
//! power was off in total. This total never falls, which gives three rules:
//!
//! - between two dated boots the time off is the difference of their totals;
//! - several times off between two dated boots share that difference;
//! - a boot whose total contradicts the others had a wrong clock.

mod clocks;

use serde::{Deserialize, Serialize};

pub use clocks::{BootClock, Clocks, Off, Passage};

use crate::quantity::Mono;

/// A boot of the machine by its number in the record, which rises with time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Boot(pub i64);

/// An instant: a boot, and the time on its monotonic clock in whole nanoseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Stamp {
    /// Whose clock it is.
    pub boot: Boot,
    /// What that clock showed.
    pub at: Mono,
}

impl Stamp {
    /// An instant on a boot's clock.
    #[must_use]
    pub const fn new(boot: Boot, at: Mono) -> Self {
        Self { boot, at }
    }
}

/// A length of time in seconds: `0 <= low <= best <= high`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Elapsed {
    /// At least, by what the clocks of the boots have counted.
    pub low: f64,
    /// Most likely.
    pub best: f64,
    /// At most; infinite where no wall clock bounds it.
    pub high: f64,
}

impl Elapsed {
    /// Whether it is known to the resolution of the clocks.
    #[must_use]
    pub fn is_exact(&self) -> bool {
        self.low == self.high
    }
}

/// The time from one instant to a later one (zero when it is not later).
#[must_use]
pub fn elapsed(clocks: &Clocks, from: Stamp, to: Stamp) -> Elapsed {
    clocks.passage(from, to).elapsed()
}
