//! End-to-end tests: the real binary, broker and files, seen from outside.

#![allow(clippy::unwrap_used, reason = "tests")]

mod bad_input;
mod character_device;
mod chips;
mod device_node;
mod diary;
mod export;
mod full_disk;
mod house;
mod kills;
mod lamp_box;
mod link;
mod manners;
mod page;
mod phone;
mod pictures;
mod power_cuts;
mod purity;
mod recipes;
mod record_file;
mod reference;
mod reference_sensitometry;
mod rehearsal;
mod secure;
mod sensitometry;
mod sensors;
mod service;
mod shelf;
mod sky;
mod slow_card;
mod sources;
mod spectra;
mod wall_clock;
mod yard;
