//! The control socket: one JSON object a line in, one out.

mod client;
mod server;

pub use client::{AskError, ask};
pub use server::{Origin, Question, SocketError, bind, serve};

/// The longest line either side takes, in bytes.
pub const LONGEST_LINE: usize = 64 * 1024;
