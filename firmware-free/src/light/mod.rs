//! Light as a sensor sees it: readings, the running integral, gaps.

mod reading;

pub use reading::{Flags, Reading, Seen};
