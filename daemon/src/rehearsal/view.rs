//! The rehearsal on a terminal: the rig as it stands, and the latest calls.

use std::io::{IsTerminal, Write};
use std::time::{Duration, Instant};

use ratatui::crossterm::terminal;

use super::{MIDNIGHT_UNIX_MS, Stage};
use crate::words;

/// The picture is drawn this often.
const DRAW_EVERY: Duration = Duration::from_millis(80);
/// So many calls stay on it.
const CALLS: usize = 7;
/// How wide a terminal is that does not say.
const USUAL_WIDE: u16 = 80;

pub(super) struct View {
    watched: bool,
    terminal: bool,
    drawn: Option<Instant>,
    /// Lines of the picture that stands on the terminal.
    lines: usize,
    /// Calls that were printed as they came, where there is no terminal.
    printed: usize,
}

impl View {
    pub(super) fn new(watched: bool) -> Self {
        let terminal = std::io::stdout().is_terminal();
        Self { watched, terminal, drawn: None, lines: 0, printed: 0 }
    }

    /// Shows the stage; the last time come what may.
    pub(super) fn show(&mut self, stage: &mut Stage, last: bool) {
        if !self.watched {
            return;
        }
        if !self.terminal {
            let text: String = stage.script.calls[self.printed..].iter().map(call).collect();
            self.printed = stage.script.calls.len();
            return self.write(&text);
        }
        if !last && self.drawn.is_some_and(|at| at.elapsed() < DRAW_EVERY) {
            return;
        }
        self.drawn = Some(Instant::now());
        let mut text = format!("the garden at {}\n\n", clock(stage.now));
        text += &stage.service.status(stage.now).for_people();
        text.push('\n');
        let first = stage.script.calls.len().saturating_sub(CALLS);
        text.extend(stage.script.calls[first..].iter().map(call));
        // Over the last picture: up to its top, and each line cleared.
        let up = if self.lines > 0 { format!("\x1b[{}A", self.lines) } else { String::new() };
        // A line that wraps would be two to go up.
        let wide = terminal::size().map_or(USUAL_WIDE, |(wide, _)| wide).into();
        let picture: String = text.lines().map(|line| format!("\x1b[2K{}\n", cut(line, wide))).collect();
        self.lines = text.lines().count().max(self.lines);
        self.write(&format!("{up}\x1b[J{picture}"));
        self.lines = text.lines().count();
    }

    fn write(&self, text: &str) {
        let mut stdout = std::io::stdout().lock();
        // Whoever looked away misses the picture; the record has it all.
        let _ = stdout.write_all(text.as_bytes()).and_then(|()| stdout.flush());
    }
}

fn call(told: &crate::service::Told) -> String {
    format!("{}  {}\n", clock(told.at), told.text)
}

fn clock(at: frameside_core::quantity::Mono) -> String {
    words::clock(MIDNIGHT_UNIX_MS + at.nanos() / 1_000_000, &super::zone())
}

fn cut(line: &str, wide: usize) -> String {
    line.chars().take(wide).collect()
}
