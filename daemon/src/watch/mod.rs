//! The rig on a terminal, live: what is known of it, and what the keys do.
//!
//! The daemon's answers and the record come in, a picture ([`draw`]) and
//! [`Request`]s go out; nothing here waits for either.

mod drawing;
mod past;
#[cfg(test)]
mod tests;

pub use drawing::draw;
pub use past::{Curve, Past};
use ratatui::crossterm::event::KeyCode;

use crate::request::Request;
use crate::status::{FrameStatus, Status};

/// What is known of the rig, and where the person at the keys is.
#[derive(Debug)]
pub struct View {
    /// The rig as it last told of itself.
    pub status: Status,
    /// How it came to that.
    pub past: Past,
    /// What the last key did, or why it did not.
    pub said: Option<String>,
    /// Why the daemon does not answer, while it does not.
    pub away: Option<String>,
    chosen: usize,
    /// Whether the next `b` brings in: an exposure does not begin again.
    asked: bool,
}

/// What a key asks for.
#[derive(Debug, PartialEq)]
pub enum Step {
    /// Nothing beyond the picture.
    Stay,
    /// This of the daemon.
    Ask(Request),
    /// To leave.
    Leave,
}

impl View {
    /// A first look.
    #[must_use]
    pub fn new(status: Status) -> Self {
        Self { status, past: Past::default(), said: None, away: None, chosen: 0, asked: false }
    }

    /// The number of the frame that the keys act on.
    #[must_use]
    pub fn chosen(&self) -> usize {
        self.chosen.min(self.status.frames.len().saturating_sub(1))
    }

    fn frame(&self) -> Option<&FrameStatus> {
        self.status.frames.get(self.chosen())
    }

    /// What a key does.
    pub fn key(&mut self, key: KeyCode) -> Step {
        let asked = std::mem::take(&mut self.asked);
        self.said = None;
        let frame = self.frame().map(|frame| frame.frame.clone());
        match (key, frame) {
            (KeyCode::Char('q') | KeyCode::Esc, _) => Step::Leave,
            (KeyCode::Up | KeyCode::Char('k'), _) => self.choose(self.chosen().saturating_sub(1)),
            (KeyCode::Down | KeyCode::Char('j'), _) => self.choose(self.chosen() + 1),
            (KeyCode::Char('c'), Some(frame)) => Step::Ask(Request::Cover { frame }),
            (KeyCode::Char('u'), Some(frame)) => Step::Ask(Request::Uncover { frame }),
            (KeyCode::Char('h'), Some(frame)) => Step::Ask(Request::Hush { frame: Some(frame) }),
            (KeyCode::Char('b'), Some(frame)) if asked => Step::Ask(Request::BringIn { frame }),
            (KeyCode::Char('b'), Some(frame)) => {
                self.asked = true;
                self.said =
                    Some(format!("b once more ends the exposure of {frame}; any other key leaves it"));
                Step::Stay
            }
            _ => Step::Stay,
        }
    }

    fn choose(&mut self, frame: usize) -> Step {
        self.chosen = frame.min(self.status.frames.len().saturating_sub(1));
        Step::Stay
    }
}
