//! The Frameside daemon and its command line.

#![cfg_attr(test, allow(clippy::unwrap_used, reason = "tests"))]

pub mod cli;
pub mod config;
