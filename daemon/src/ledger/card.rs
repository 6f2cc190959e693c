//! How long the card takes to store what happens. A slow card delays calls over MQTT and answers;
//! people should learn that before they trust it with a day's prints.

use std::time::{Duration, Instant};

/// A commit that takes this long makes the card slow. On a good one it takes 50 ms.
const SLOW: Duration = Duration::from_secs(1);
/// The card is well again when no commit was slow for this long.
const WELL_AFTER: Duration = Duration::from_secs(60);
/// A card that works on one thing for longer than this is stuck: three commits of one that takes
/// 5 s for each.
const STUCK_AFTER: Duration = Duration::from_secs(15);

/// Follows what the ledger's thread does with the card.
#[derive(Debug, Default)]
pub(super) struct Card {
    busy_since: Option<Instant>,
    slow: Option<Slow>,
}

#[derive(Debug)]
struct Slow {
    /// When the last slow commit ended.
    last: Instant,
    worst: Duration,
}

impl Card {
    /// The thread begins to write.
    pub(super) fn begin(&mut self, at: Instant) {
        self.busy_since = Some(at);
    }

    /// It has written, in a commit or otherwise.
    pub(super) fn end(&mut self, at: Instant, is_commit: bool) {
        let taken = self.busy_since.take().map_or(Duration::ZERO, |since| at - since);
        if !is_commit {
            return;
        }
        if taken >= SLOW {
            let before = self.slow.as_ref().map_or(Duration::ZERO, |slow| slow.worst);
            self.slow = Some(Slow { last: at, worst: taken.max(before) });
            // Again only when it has become much worse.
            if taken > 2 * before {
                tracing::warn!("{}", self.trouble().unwrap_or_default());
            }
        } else if self.slow.take_if(|slow| at - slow.last > WELL_AFTER).is_some() {
            tracing::info!("the memory card is as fast as it should be again");
        }
    }

    /// For how long it has stored nothing, where that is too long.
    pub(super) fn stuck_for(&self, at: Instant) -> Option<Duration> {
        self.busy_since.map(|since| at - since).filter(|taken| *taken >= STUCK_AFTER)
    }

    /// What is wrong with it, for people.
    pub(super) fn trouble(&self) -> Option<String> {
        let slow = self.slow.as_ref()?;
        Some(format!(
            "the memory card is slow: it took {:.1} s to store something; calls over MQTT and answers come up to twice as \
             much later; look for errors of the card in the system's log (dmesg), and replace it if this stays",
            slow.worst.as_secs_f64()
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn s(seconds: f64) -> Duration {
        Duration::from_secs_f64(seconds)
    }

    #[test]
    fn a_card_is_slow_from_a_commit_of_a_second_until_a_minute_without_one() {
        let start = Instant::now();
        let mut card = Card::default();
        let mut commit = |from: f64, seconds: f64| {
            card.begin(start + s(from));
            card.end(start + s(from + seconds), true);
            card.trouble()
        };
        assert_eq!(commit(0.0, 0.9), None);
        assert!(commit(10.0, 3.0).unwrap().contains("it took 3.0 s"));
        assert!(commit(20.0, 1.5).unwrap().contains("it took 3.0 s"), "the worst counts");
        assert!(commit(60.0, 0.1).is_some(), "39 s ago it was slow");
        assert_eq!(commit(90.0, 0.1), None);
        card.begin(start + s(100.0));
        card.end(start + s(104.0), false);
        assert_eq!(card.trouble(), None, "a checkpoint may take long");
    }

    #[test]
    fn a_card_that_stores_nothing_is_stuck() {
        let start = Instant::now();
        let mut card = Card::default();
        assert_eq!(card.stuck_for(start + s(1e6)), None);
        card.begin(start);
        assert_eq!(card.stuck_for(start + s(14.9)), None);
        assert_eq!(card.stuck_for(start + s(15.0)), Some(s(15.0)));
        card.end(start + s(16.0), true);
        assert_eq!(card.stuck_for(start + s(1e6)), None);
    }
}
