//! A card that is slow: nothing here waits for it, people learn of it, and what would delay a
//! call is done at other times.

use frameside_core::exposure::FrameState;
use frameside_core::quantity::Mono;

use super::Service;

impl Service {
    /// What waits for a card that is stuck goes out with a warning.
    pub(super) fn release_if_stuck(&mut self) {
        if !self.awaits_ledger() {
            return;
        }
        if let Some(stuck) = self.ledger.stuck_for() {
            let trouble = || format!("the memory card has stored nothing for {} s", stuck.as_secs());
            self.ledger_trouble.get_or_insert_with(trouble);
            self.keep_promises(self.token);
            self.release_signals(self.token);
        }
    }

    /// When the card is to be looked at next.
    pub(super) fn next_look_at_card(&self, now: Mono) -> Option<Mono> {
        /// In seconds.
        const LOOK_EVERY_S: f64 = 1.0;
        self.awaits_ledger().then(|| now.plus_seconds(LOOK_EVERY_S * self.setup.speed))
    }

    /// Lets the ledger copy its log into the file when no call is expected for a while: that takes
    /// several times as long as a commit.
    pub(super) fn offer_checkpoint(&self, now: Mono) {
        if self.ledger.wants_checkpoint() && !self.awaits_ledger() && self.is_quiet(now) {
            self.ledger.checkpoint();
        }
    }

    /// Whether no call is expected for half a minute. Where bands of a strip follow each other,
    /// one always is.
    fn is_quiet(&self, now: Mono) -> bool {
        /// In seconds.
        const QUIET_S: f64 = 30.0;
        let until = now.plus_seconds(QUIET_S * self.setup.speed + self.setup.rules.nearly_s);
        !self.frame_ids().filter_map(|id| self.rig.view(id, now)).any(|view| {
            let is_soon = view.next_band.is_some() || view.due.is_some_and(|due| due <= until);
            view.waiting || (view.state == FrameState::Exposing && is_soon)
        })
    }
}
