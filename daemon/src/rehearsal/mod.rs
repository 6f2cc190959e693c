//! The main job with no hardware: a made-up day through the real service.

mod day;


pub use day::{Day, MIDNIGHT_UNIX_MS, ZONE};
