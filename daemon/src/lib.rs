//! The Frameside daemon and its command line.

#![cfg_attr(test, allow(clippy::unwrap_used, reason = "a test may fail by panicking"))]

pub mod advice;
pub mod assemble;
pub mod chance;
pub mod charts;
pub mod cli;
pub mod clock;
pub mod config;
pub mod devices;
pub mod diary;
pub mod hook;
pub mod issued;
pub mod judging;
pub mod ledger;
pub mod like;
pub mod listed;
pub mod measured;
pub mod mqtt;
#[cfg(feature = "page")]
pub mod page;
mod print_chart;
pub mod rehearsal;
pub mod replay;
pub mod request;
pub mod scan;
pub mod service;
pub mod socket;
pub mod status;
pub mod table;
pub mod watch;
pub mod words;
