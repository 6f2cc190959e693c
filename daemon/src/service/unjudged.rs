//! Prints that nobody has judged: told of once, a day after they came in.

use frameside_core::quantity::Mono;

use super::Service;
use crate::ledger::{Entry, Unjudged};
use crate::mqtt::SignalPayload;
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
            let payload = self.reminder(now, print);
            signals.extend(self.tell_everyone(now, KIND, &payload));
            self.ledger.write(Entry::Reminded { print: print.print.clone() });
        }
        let token = self.commit(now);
        self.unsafe_yet.extend(signals.into_iter().map(|row| (token, row)));
    }

    fn reminder(&self, now: Mono, print: &Unjudged) -> SignalPayload {
        let label = self
            .setup
            .frames
            .iter()
            .find(|part| part.name == print.frame)
            .and_then(|part| part.label.as_deref());
        SignalPayload {
            id: format!("{}-{KIND}", print.print),
            kind: KIND.to_owned(),
            event_type: KIND.to_owned(),
            rig: self.setup.rig.clone(),
            frame: print.frame.clone(),
            print: print.print.clone(),
            at: words::rfc3339(self.wall.unix_ms_at(now), &self.setup.zone),
            dose_j_m2: print.dose.j_m2(),
            target_j_m2: print.target.j_m2(),
            text: words::unjudged(print, label.unwrap_or(&print.frame)),
        }
    }
}
