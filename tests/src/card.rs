//! A card that is slow or fails on demand, under the real binary.
//!
//! The other half is `tests/card`, preloaded into the binary.

use std::ffi::OsString;
use std::time::Duration;

use tempfile::TempDir;

use crate::preloaded;

/// What stores a site's record. It is well until a test says otherwise.
pub struct Card {
    dir: TempDir,
}

impl Default for Card {
    fn default() -> Self {
        Self { dir: TempDir::new().unwrap() }
    }
}

impl Card {
    /// What a process needs in its environment to store `ledger.sqlite` on this card.
    #[must_use]
    pub fn environment(&self) -> Vec<(&'static str, OsString)> {
        let control = self.dir.path().join("control");
        vec![
            ("LD_PRELOAD", preloaded::library("frameside-card").into()),
            ("FRAMESIDE_CARD_FILES", "ledger.sqlite".into()),
            ("FRAMESIDE_CARD", control.into()),
        ]
    }

    /// From now on each sync takes so much longer.
    pub fn slow_down(&self, by: Duration) {
        self.order(&format!("sleep {}", by.as_millis()));
    }

    /// From now on nothing can be written.
    pub fn fail(&self) {
        self.order("eio");
    }

    /// From now on it is well.
    pub fn recover(&self) {
        self.order("");
    }

    fn order(&self, order: &str) {
        // In one step: the daemon may read it at any time.
        let new = self.dir.path().join("new");
        std::fs::write(&new, order).unwrap();
        std::fs::rename(new, self.dir.path().join("control")).unwrap();
    }
}
