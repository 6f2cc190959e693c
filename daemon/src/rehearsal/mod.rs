//! The main job with no hardware: a made-up day through the real service.

mod day;

pub use day::Day;
