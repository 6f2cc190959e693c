//! Light as a sensor sees it: readings, the running integral, gaps.

mod integral;
mod reading;
pub mod recorded;

pub use integral::{Estimate, GapRates, Integral, Interval, Knot, LONGEST_STEP_PERIODS, LeftOff};
pub use reading::{Flags, Reading, Seen};
