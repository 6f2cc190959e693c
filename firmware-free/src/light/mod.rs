//! Light as a sensor sees it: readings, the running integral, gaps.

mod calibration;
mod integral;
mod reading;
pub mod recorded;
mod response;
mod switched;
mod tear;

pub use calibration::{Calibration, CalibrationError, Sample};
pub use integral::{Estimate, GapRates, Integral, Interval, Knot, LONGEST_STEP_PERIODS, LeftOff};
pub use reading::{Flags, Reading, Seen};
pub use response::{Response, ResponseError};
pub use switched::Switched;
pub use tear::{Lasted, Missed, Tear, Unplaced};
