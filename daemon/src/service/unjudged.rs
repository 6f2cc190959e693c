//! Prints that nobody has judged: told of once, a day after they came in.

use frameside_core::quantity::Mono;

use super::Service;
use super::tell::Call;
use crate::ledger::{Entry, Unjudged};
use crate::words;

const KIND: &str = "unjudged";
/// A print is dry and oxidised by then, and its maker still knows it.
const WAIT_MS: i64 = 24 * 3_600_000;
/// The record is asked this often, in seconds.
const LOOK_EVERY_S: f64 = 3600.0;

impl Service {
    /// Asks the ledger's thread, if it is time. A clock that may be ahead would
    /// have waited long enough too early.
    pub(super) fn look_for_unjudged(&mut self, now: Mono) {
        if self.wall.synchronised && now >= self.look_for_unjudged_at {
            self.look_for_unjudged_at = now.plus_seconds(LOOK_EVERY_S);
            self.ledger.look_for_unjudged(self.wall.unix_ms_at(now).saturating_sub(WAIT_MS));
        }
    }

    /// Tells of prints without calling anybody by sound, and keeps that it did.
    pub(super) fn tell_unjudged(&mut self, now: Mono, prints: &[Unjudged]) {
        let mut signals = Vec::new();
        for print in prints {
            let reminder = self.reminder(now, print);
            signals.extend(self.tell_everyone(reminder));
            self.ledger.write(Entry::Reminded { print: print.print.clone() });
        }
        let token = self.commit(now);
        self.unsafe_yet.extend(signals.into_iter().map(|row| (token, row)));
    }

    fn reminder(&self, now: Mono, print: &Unjudged) -> Call {
        let part = self.setup.frames.iter().find(|part| part.name == print.frame);
        Call {
            id: format!("{}-{KIND}", print.print),
            kind: KIND,
            at: now,
            frame: print.frame.clone(),
            print: print.print.clone(),
            dose: print.dose,
            target: print.target,
            text: words::unjudged(print, part.map_or(&print.frame, |part| part.shown())),
        }
    }
}
