//! What the record must hold: everything that was acknowledged.

use std::collections::BTreeMap;

use frameside_core::exposure::EventKind;
use frameside_core::light::Response;

/// What a person did to a print, and when (of the world's time, in ns).
pub(super) type Act = (EventKind, i64);

/// A print as those who were answered know it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Expected {
    pub(super) frame: usize,
    pub(super) is_strip: bool,
    pub(super) response: Response,
    pub(super) acts: Vec<Act>,
}

impl Expected {
    pub(super) fn is_out(&self) -> bool {
        !self.acts.iter().any(|(kind, _)| *kind == EventKind::BroughtIn)
    }

    pub(super) fn is_uncovered(&self) -> bool {
        self.spans().last().is_some_and(|&(_, to)| to.is_none())
    }

    /// When its cover was off.
    pub(super) fn spans(&self) -> Vec<(i64, Option<i64>)> {
        let mut spans: Vec<(i64, Option<i64>)> = Vec::new();
        for &(kind, at) in &self.acts {
            match kind {
                EventKind::Begun { covered: false } | EventKind::Uncovered => spans.push((at, None)),
                EventKind::Covered | EventKind::BroughtIn => {
                    if let Some((_, to)) = spans.last_mut() {
                        to.get_or_insert(at);
                    }
                }
                _ => {}
            }
        }
        spans
    }
}

/// All of it at one instant.
#[derive(Debug, Clone, Default)]
pub(super) struct Knowledge {
    /// By the print's name.
    pub(super) prints: BTreeMap<String, Expected>,
    /// Readings taken in, by sensor: when (of the world's time) and what.
    pub(super) readings: [Vec<(i64, f64)>; 2],
    /// Whether this boot's wall clock was ever synchronised.
    pub(super) synchronised: bool,
}

impl Knowledge {
    /// The print that is out in a frame.
    pub(super) fn out_in(&self, frame: usize) -> Option<(&String, &Expected)> {
        self.prints.iter().find(|(_, print)| print.frame == frame && print.is_out())
    }

    pub(super) fn act(&mut self, print: &str, act: Act) {
        self.prints.get_mut(print).unwrap().acts.push(act);
    }
}
