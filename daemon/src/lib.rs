//! The Frameside daemon and its command line.

pub mod cli;
