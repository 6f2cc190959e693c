//! Everything of Frameside that needs no device, clock, disk, network or thread.
//!
//! Time and readings come in as arguments; signals and records come out. The
//! same code runs live, in replay, in rehearsal and in simulation.

#![cfg_attr(test, allow(clippy::unwrap_used, reason = "a test may fail by panicking"))]

pub mod chips;
pub mod exposure;
pub mod light;
pub mod outlook;
pub mod quantity;
pub mod sensitometry;
pub mod source;
pub mod time;
