//! Where the sun stands, what a clear sky would give, and when a frame will be
//! due whatever the sky does.

mod ahead;
mod clear_hours;
mod clear_sky;
mod due;
mod last_hour;
mod site;
mod sun;
mod watch;

pub use ahead::LOWEST_SUN_DEG;
pub use clear_hours::{ClearFit, Sample, fit_clear_sky};
pub use clear_sky::{ClearDay, ClearSky, USUAL_AMPLITUDE, may_be_sky};
pub use due::{Outlook, Prospect, level, outlook, prospect};
pub use last_hour::LastHour;
pub use site::{ClearLight, Site, Tilt};
pub use sun::{Place, SunPosition, sun_position};
pub use watch::{Doubt, LightWatch};

use serde::{Deserialize, Serialize};

use crate::quantity::Mono;

/// What the wall clock shows at an instant of the monotonic clock.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct WallAnchor {
    /// The instant.
    pub mono: Mono,
    /// Milliseconds since 1970-01-01T00:00:00Z at that instant.
    pub unix_ms: i64,
    /// Whether the wall clock is known to be right.
    pub synchronised: bool,
}

impl WallAnchor {
    /// Milliseconds since 1970 at another instant of the same monotonic clock.
    #[must_use]
    pub fn unix_ms_at(&self, at: Mono) -> i64 {
        let ahead_ns = at.nanos().saturating_sub(self.mono.nanos());
        self.unix_ms.saturating_add((ahead_ns + 500_000).div_euclid(1_000_000))
    }
}
