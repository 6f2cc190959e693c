//! End-to-end tests: the real binary, broker and files, seen from outside.

#![allow(clippy::unwrap_used, reason = "tests")]

mod bad_input;
mod export;
mod full_disk;
mod kills;
mod link;
mod manners;
mod power_cuts;
mod purity;
mod reference;
mod rehearsal;
mod service;
mod wall_clock;
mod yard;
