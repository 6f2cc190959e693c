//! Signals that must arrive: kept in the ledger until the broker has them.
//!
//! One message is under way at a time, so signals arrive in order and a lost
//! link leaves no doubt about more than one. What was under way then is sent
//! again under the same id.
//!
//! While the broker takes signals, each of them is sent. Of those that it does
//! not take, only what still matters is kept (see [`Outbox::drop_stale`]), so a
//! long outage of the link keeps every call that waits, and little else.

use std::collections::{HashSet, VecDeque};

use serde::Deserialize;

use super::{Publication, topics};
use crate::ledger::OutboxRow;

/// A broker that is so many signals behind is as good as gone.
const MOST_BEHIND: usize = 1_000;
/// Signals of prints that are in kept for the broker. Those of prints that are
/// out need no limit: there are a few to a frame.
const MOST_OF_PRINTS_IN: usize = 1_000;
/// A signal goes to its frame's topic and to the rig's.
const TOPICS: u8 = 2;

/// How the print of a signal stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It is out, and a call of it waits for a person.
    Calling,
    /// It is out.
    Out,
    /// It is in, or of no frame of the rig.
    In,
}

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
    subject: Subject,
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

    /// Takes a signal that is safe in the ledger.
    pub fn push(&mut self, row: OutboxRow) {
        self.rows.push_back(Waiting::new(row));
    }

    /// Drops the signals that the broker does not take and that are of no use
    /// later. Returns their ids, to be deleted from the ledger.
    ///
    /// Kept are the calls of prints that wait for a person, the newest of what
    /// repeats, how a print that is out lies, and that one came in.
    pub fn drop_stale(&mut self, standing: impl Fn(&str) -> Standing) -> Vec<String> {
        let mut newer = HashSet::new();
        let mut of_prints_in = 0;
        let mut stale = Vec::new();
        for (index, waiting) in self.rows.iter().enumerate().rev() {
            let Subject { print, kind } = &waiting.subject;
            let standing = standing(print);
            // Each band is a call of its own.
            let is_replaced = kind != "band" && !newer.insert((print, replaced_with(kind)));
            let matters = !is_replaced && is_of_use_later(kind, standing);
            of_prints_in += usize::from(matters && standing == Standing::In);
            let is_held_up = !self.link_up || waiting.refused || index >= MOST_BEHIND;
            if is_held_up && (!matters || of_prints_in > MOST_OF_PRINTS_IN) {
                stale.push(index);
            }
        }
        // From the last to the first: those before keep their places.
        stale.into_iter().filter_map(|index| self.rows.remove(index)).map(|dropped| dropped.row.id).collect()
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
        // One that is of no frame goes to the rig's topic alone.
        let taken = u8::from(row.frame.is_empty());
        Self { subject: Subject::of(&row.payload), row, taken, refused: false }
    }
}

/// What a signal is about, as its payload says.
#[derive(Debug, Default, Deserialize)]
struct Subject {
    print: String,
    kind: String,
}

impl Subject {
    fn of(payload: &str) -> Self {
        serde_json::from_str(payload).unwrap_or_else(|error| {
            tracing::warn!(%error, "a signal that waits for the broker does not name its print");
            Self::default()
        })
    }
}

/// Whether a signal that could not be sent in time is worth sending later.
fn is_of_use_later(kind: &str, standing: Standing) -> bool {
    match kind {
        "due" | "band" | "overdue" => standing == Standing::Calling,
        // It says what comes within a minute.
        "nearly" => false,
        "begun" | "covered" | "uncovered" | "too-slow" | "sensor-lost" | "sensor-back" | "lamp-off" => {
            standing != Standing::In
        }
        _ => true,
    }
}

/// Of the signals of a print with the same of this, only the newest says how things are.
fn replaced_with(kind: &str) -> &str {
    match kind {
        "uncovered" => "covered",
        "sensor-back" => "sensor-lost",
        kind => kind,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::mqtt::{Delivery, Topic};

    fn row(id: usize) -> OutboxRow {
        signal(&id.to_string(), "oak-1", "due")
    }

    fn signal(id: &str, print: &str, kind: &str) -> OutboxRow {
        let payload = serde_json::json!({ "id": id, "print": print, "kind": kind }).to_string();
        OutboxRow { id: id.into(), frame: "oak".into(), payload }
    }

    fn ids(outbox: &Outbox) -> Vec<&str> {
        outbox.rows.iter().map(|waiting| waiting.row.id.as_str()).collect()
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
        outbox.push(row(2));
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
    fn a_day_without_a_broker_keeps_each_due_and_the_newest_overdue() {
        let mut outbox = Outbox::default();
        let prints: Vec<String> = (1..=8).map(|number| format!("oak-{number}")).collect();
        for print in &prints {
            outbox.push(signal(&format!("{print}-due"), print, "due"));
        }
        for minute in 0..22 * 60 {
            for print in &prints {
                outbox.push(signal(&format!("{print}-{minute}"), print, "overdue"));
            }
            let dropped = outbox.drop_stale(|_| Standing::Calling);
            assert_eq!(dropped.len(), if minute == 0 { 0 } else { prints.len() });
        }
        let kept = |what: &'static str| prints.iter().map(move |print| format!("{print}-{what}"));
        assert_eq!(ids(&outbox), kept("due").chain(kept("1319")).collect::<Vec<_>>());
    }

    #[test]
    fn what_still_matters_of_a_print_depends_on_how_it_stands() {
        let day = ["begun", "nearly", "band", "band", "due", "overdue", "covered", "uncovered", "brought-in"];
        let kept = |standing: Standing| {
            let mut outbox = Outbox::new(day.map(|kind| signal(kind, "oak-1", kind)));
            let _ = outbox.drop_stale(|_| standing);
            ids(&outbox).into_iter().map(str::to_owned).collect::<Vec<_>>()
        };
        let calls = ["band", "band", "due", "overdue"];
        let rest = ["uncovered", "brought-in"];
        assert_eq!(kept(Standing::Calling), [&["begun"], &calls[..], &rest].concat());
        assert_eq!(kept(Standing::Out), [&["begun"][..], &rest].concat());
        assert_eq!(kept(Standing::In), ["brought-in"]);
    }

    #[test]
    fn while_the_broker_takes_signals_none_is_dropped_but_those_it_refused() {
        let mut outbox = Outbox::new([signal("1", "oak-1", "nearly"), signal("2", "oak-1", "nearly")]);
        outbox.link_up();
        send(&mut outbox);
        assert!(outbox.drop_stale(|_| Standing::In).is_empty());
        outbox.refused("1");
        assert_eq!(outbox.drop_stale(|_| Standing::In), ["1"]);
        assert_eq!(send(&mut outbox), of("frame/oak/signal", "2"));
    }

    #[test]
    fn of_prints_that_are_in_the_newest_thousand_are_kept() {
        let print = |number: usize| format!("oak-{number}");
        let mut outbox =
            Outbox::new((0..=MOST_OF_PRINTS_IN).map(|n| signal(&print(n), &print(n), "brought-in")));
        outbox.push(signal("due", "elm-1", "due"));
        let standing = |print: &str| if print == "elm-1" { Standing::Calling } else { Standing::In };
        assert_eq!(outbox.drop_stale(standing), ["oak-0"]);
        assert_eq!(outbox.len(), MOST_OF_PRINTS_IN + 1);
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
                        outbox.push(row(signals));
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
