//! The Frameside daemon and its command line.

#![cfg_attr(test, allow(clippy::unwrap_used, reason = "tests"))]

pub mod charts;
pub mod cli;
