//! Signals that must arrive: kept in the ledger until the broker has them.
//!
//! One message is under way at a time, so signals arrive in order and a lost
//! link leaves no doubt about more than one. What was under way then is sent
//! again under the same id.

use std::collections::VecDeque;

use super::{Publication, topics};
use crate::ledger::OutboxRow;

/// A week of one forgotten frame calling each minute with the broker away;
/// beyond that the oldest signals help nobody any more.
const MOST_ROWS: usize = 10_000;
/// A signal goes to its frame's topic and to the rig's.
const TOPICS: u8 = 2;

/// What waits for the broker, the oldest first. A pure state machine: it says
/// what to send and is told what became of it.
#[derive(Debug, Default)]
pub struct Outbox {
    rows: VecDeque<Waiting>,
    link_up: bool,
    /// Whether the first row that was not refused has a message under way.
    under_way: bool,
}

#[derive(Debug)]
struct Waiting {
    row: OutboxRow,
    /// How many of its topics the broker has taken.
    taken: u8,
    /// The broker would not have it; tried again when the link comes up anew.
    refused: bool,
}

impl Outbox {
    /// An outbox with what the ledger still holds, the oldest first; the link
    /// is down.
    #[must_use]
    pub fn new(rows: impl IntoIterator<Item = OutboxRow>) -> Self {
        Self { rows: rows.into_iter().map(Waiting::new).collect(), ..Self::default() }
    }

    /// Takes a signal that is safe in the ledger. Returns the id of one that
    /// was given up for it, to be deleted from the ledger.
    #[must_use]
    pub fn push(&mut self, row: OutboxRow) -> Option<String> {
        self.rows.push_back(Waiting::new(row));
        if self.rows.len() <= MOST_ROWS {
            return None;
        }
        // What is under way stays: its acknowledgement is still to come.
        let under_way = self.current().filter(|_| self.under_way);
        let oldest = usize::from(under_way == Some(0));
        self.rows.remove(oldest).map(|given_up| given_up.row.id)
    }

    /// What to send now: nothing while the link is down or a message is under
    /// way. Tell [`Outbox::sent`] once the link has taken it.
    #[must_use]
    pub fn next_to_send(&self) -> Option<Publication> {
        if !self.link_up || self.under_way {
            return None;
        }
        let Waiting { row, taken, .. } = self.rows.get(self.current()?)?;
        let topic = if *taken == 0 { topics::frame_signal(&row.frame) } else { topics::SIGNAL.to_owned() };
        Some(Publication::signal(topic, row.payload.as_str(), &row.id))
    }

    /// The link has taken what [`Outbox::next_to_send`] gave.
    pub fn sent(&mut self) {
        self.under_way = true;
    }

    /// The broker has a message of this signal. Returns the id once the signal
    /// is done with, to be deleted from the ledger.
    #[must_use]
    pub fn delivered(&mut self, id: &str) -> Option<String> {
        let at = self.came_back(id)?;
        self.rows[at].taken += 1;
        let done = self.rows[at].taken == TOPICS;
        done.then(|| self.rows.remove(at)).flatten().map(|waiting| waiting.row.id)
    }

    /// The broker would not have this signal: it is kept, and those behind it
    /// go first.
    pub fn refused(&mut self, id: &str) {
        if let Some(at) = self.came_back(id) {
            self.rows[at].refused = true;
        }
    }

    /// The link is there. Of one that was not lost meanwhile this changes nothing.
    pub fn link_up(&mut self) {
        if std::mem::replace(&mut self.link_up, true) {
            return;
        }
        self.under_way = false;
        for waiting in &mut self.rows {
            waiting.refused = false;
        }
    }

    /// The link is lost, and with it whatever was under way.
    pub fn link_down(&mut self) {
        self.link_up = false;
        self.under_way = false;
    }

    /// How many signals wait.
    #[must_use]
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// Whether none waits.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    fn current(&self) -> Option<usize> {
        self.rows.iter().position(|waiting| !waiting.refused)
    }

    /// Where the signal under way stands, if it is this one. Nothing is under
    /// way after that.
    fn came_back(&mut self, id: &str) -> Option<usize> {
        let at = self.current().filter(|&at| self.under_way && self.rows[at].row.id == id)?;
        self.under_way = false;
        Some(at)
    }
}

impl Waiting {
    fn new(row: OutboxRow) -> Self {
        Self { row, taken: 0, refused: false }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::mqtt::{Delivery, Topic};

    fn row(id: usize) -> OutboxRow {
        OutboxRow { id: id.to_string(), frame: "oak".into(), payload: format!("{{{id}}}") }
    }

    /// Sends the next message, if there is one, and says which.
    fn send(outbox: &mut Outbox) -> Option<(String, String)> {
        let next = outbox.next_to_send()?;
        outbox.sent();
        let (Topic::OfRig(topic), Delivery::Reported(id)) = (next.topic, next.delivery) else {
            panic!("a signal goes to the rig's own topics and is reported");
        };
        Some((topic, id))
    }

    fn of(topic: &str, id: &str) -> Option<(String, String)> {
        Some((topic.to_owned(), id.to_owned()))
    }

    #[test]
    fn a_signal_is_done_when_the_broker_has_it_on_both_topics() {
        let mut outbox = Outbox::new([row(1)]);
        assert_eq!(send(&mut outbox), None, "the link is down");
        outbox.link_up();
        assert_eq!(send(&mut outbox), of("frame/oak/signal", "1"));
        assert_eq!(outbox.push(row(2)), None);
        assert_eq!(send(&mut outbox), None, "one is under way");
        assert_eq!(outbox.delivered("2"), None, "this one is not");
        assert_eq!(outbox.delivered("1"), None);
        assert_eq!(send(&mut outbox), of("signal", "1"));
        assert_eq!(outbox.delivered("1").as_deref(), Some("1"));
        assert_eq!(send(&mut outbox), of("frame/oak/signal", "2"));
    }

    #[test]
    fn what_was_under_way_is_sent_again() {
        let mut outbox = Outbox::new([row(1)]);
        outbox.link_up();
        send(&mut outbox);
        assert_eq!(outbox.delivered("1"), None);
        send(&mut outbox);
        outbox.link_down();
        assert_eq!(send(&mut outbox), None);
        assert_eq!(outbox.delivered("1"), None, "the link is gone: this cannot be about a new message");
        outbox.link_up();
        assert_eq!(send(&mut outbox), of("signal", "1"));
    }

    #[test]
    fn what_the_link_did_not_take_is_offered_again() {
        let mut outbox = Outbox::new([row(1)]);
        outbox.link_up();
        let next = outbox.next_to_send();
        assert!(next.is_some());
        assert_eq!(outbox.next_to_send(), next);
    }

    #[test]
    fn a_refused_signal_waits_for_the_next_link_and_holds_up_no_other() {
        let mut outbox = Outbox::new([row(1), row(2)]);
        outbox.link_up();
        send(&mut outbox);
        outbox.refused("1");
        assert_eq!(send(&mut outbox), of("frame/oak/signal", "2"));
        outbox.refused("2");
        assert_eq!((send(&mut outbox), outbox.len()), (None, 2));
        outbox.link_down();
        outbox.link_up();
        assert_eq!(send(&mut outbox), of("frame/oak/signal", "1"));
    }

    #[test]
    fn a_full_outbox_gives_up_the_oldest_but_not_what_is_under_way() {
        let mut outbox = Outbox::new((0..MOST_ROWS).map(row));
        assert_eq!(outbox.push(row(MOST_ROWS)).as_deref(), Some("0"));
        outbox.link_up();
        assert_eq!(send(&mut outbox), of("frame/oak/signal", "1"));
        assert_eq!(outbox.push(row(MOST_ROWS + 1)).as_deref(), Some("2"));
        assert_eq!((outbox.delivered("1"), outbox.len()), (None, MOST_ROWS));
    }

    #[derive(Debug, Clone)]
    enum Happens {
        Signal,
        Acknowledged,
        LinkLost,
        LinkBack,
    }

    proptest! {
        #[test]
        fn every_signal_arrives_in_order_whatever_the_link_does(
            story in prop::collection::vec(
                prop_oneof![
                    3 => Just(Happens::Signal),
                    6 => Just(Happens::Acknowledged),
                    1 => Just(Happens::LinkLost),
                    2 => Just(Happens::LinkBack),
                ],
                0..200,
            ),
        ) {
            let (mut outbox, mut signals, mut done) = (Outbox::default(), 0, Vec::new());
            let mut under_way: Option<(String, String)> = None;
            let settle = std::iter::once(Happens::LinkBack)
                .chain(std::iter::repeat_n(Happens::Acknowledged, 2 * story.len() + 1));
            for happens in story.iter().cloned().chain(settle) {
                match happens {
                    Happens::Signal => {
                        prop_assert_eq!(outbox.push(row(signals)), None);
                        signals += 1;
                    }
                    Happens::Acknowledged => {
                        if let Some((_, id)) = under_way.take() {
                            done.extend(outbox.delivered(&id));
                        }
                    }
                    Happens::LinkLost => {
                        outbox.link_down();
                        under_way = None;
                    }
                    Happens::LinkBack => {
                        outbox.link_down();
                        outbox.link_up();
                        under_way = None;
                    }
                }
                let sent = send(&mut outbox);
                prop_assert!(sent.is_none() || under_way.is_none(), "two under way");
                under_way = under_way.or(sent);
            }
            prop_assert!(outbox.is_empty());
            prop_assert_eq!(done, (0..signals).map(|id| id.to_string()).collect::<Vec<_>>());
        }
    }
}
