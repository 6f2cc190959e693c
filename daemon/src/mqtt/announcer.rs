//! What the broker keeps for the rig, and how it is put there and taken away.
//!
//! Retained messages outlive the rig's config: a frame that is renamed would
//! stay in the home as a ghost. So the ledger holds which topics have a message
//! of the rig's ([`AtBroker`]), and those that no longer belong to it are emptied.

use std::collections::{BTreeMap, VecDeque};

use super::Publication;
use super::discovery::Announcement;

/// The topics, in full, that have a message of the rig's; of a message for a
/// whole device with the platform of each component, by its id.
pub type AtBroker = BTreeMap<String, BTreeMap<String, String>>;

/// Announces the rig each time the link comes up. A pure state machine: it says
/// what to send, one message after the other, and is told what became of it.
#[derive(Debug, Default)]
pub struct Announcer {
    announcement: Option<Announcement>,
    at_broker: AtBroker,
    /// The topics that are the rig's own business: they are not announced
    /// here, but they stay.
    states: Vec<String>,
    steps: VecDeque<Step>,
    /// Whether the first step's message is under way.
    under_way: bool,
}

#[derive(Debug)]
struct Step {
    topic: String,
    payload: String,
    /// What the broker holds on the topic after it; `None`: nothing.
    then: Option<BTreeMap<String, String>>,
}

/// By this the link tells what became of a message of an announcer.
const ID: &str = "announcement";

impl Announcer {
    /// An announcer for a rig that keeps its states on the topics `states`; without an
    /// announcement, discovery is off. `before` is what the ledger remembers.
    #[must_use]
    pub fn new(announcement: Option<Announcement>, states: Vec<String>, before: AtBroker) -> Self {
        let mut at_broker = before;
        for topic in &states {
            at_broker.entry(topic.clone()).or_default();
        }
        if let Some(announcement) = &announcement {
            let there = at_broker.entry(announcement.topic.clone()).or_default();
            there.extend(platforms(announcement));
        }
        Self { announcement, at_broker, states, ..Self::default() }
    }

    /// What the broker may have of the rig. The ledger is to remember this
    /// before anything is sent, and again once all is told.
    #[must_use]
    pub fn at_broker(&self) -> &AtBroker {
        &self.at_broker
    }

    /// Begins to tell everything from the start.
    pub fn begin(&mut self) {
        self.under_way = false;
        let mut steps = VecDeque::new();
        for topic in self.at_broker.keys().filter(|topic| !self.is_wanted(topic)) {
            steps.push_back(Step { topic: topic.clone(), payload: String::new(), then: None });
        }
        if let Some(announcement) = &self.announcement {
            steps.extend(self.reduced(announcement));
            steps.push_back(Step {
                topic: announcement.topic.clone(),
                payload: announcement.payload.to_string(),
                then: Some(platforms(announcement).collect()),
            });
        }
        self.steps = steps;
    }

    /// The link is lost; [`Self::begin`] again when it is back.
    pub fn stop(&mut self) {
        self.steps.clear();
        self.under_way = false;
    }

    /// What to send now, if nothing is under way. Tell [`Self::sent`] once the
    /// link has taken it.
    #[must_use]
    pub fn next_to_send(&self) -> Option<Publication> {
        let step = self.steps.front().filter(|_| !self.under_way)?;
        Some(Publication::announcement(&step.topic, step.payload.as_str(), ID))
    }

    /// The link has taken what [`Self::next_to_send`] gave.
    pub fn sent(&mut self) {
        self.under_way = true;
    }

    /// Whether there is something left to tell.
    #[must_use]
    pub fn is_busy(&self) -> bool {
        !self.steps.is_empty()
    }

    /// The broker has the message with this id. Whether it was the announcer's.
    pub fn delivered(&mut self, id: &str) -> bool {
        self.done(id, |at_broker, step| match step.then {
            Some(components) => drop(at_broker.insert(step.topic, components)),
            None => drop(at_broker.remove(&step.topic)),
        })
    }

    /// The broker would not have the message with this id: it is left out until
    /// the next time. Whether it was the announcer's.
    pub fn refused(&mut self, id: &str) -> bool {
        self.done(id, |_, _| ())
    }

    /// The link cannot take the message that was to be sent: it is left out.
    pub fn leave_out(&mut self) {
        self.steps.pop_front();
    }

    fn done(&mut self, id: &str, then: impl FnOnce(&mut AtBroker, Step)) -> bool {
        if id != ID {
            return false;
        }
        if std::mem::take(&mut self.under_way)
            && let Some(step) = self.steps.pop_front()
        {
            then(&mut self.at_broker, step);
        }
        true
    }

    fn is_wanted(&self, topic: &str) -> bool {
        self.states.iter().any(|state| state == topic)
            || self.announcement.as_ref().is_some_and(|announcement| announcement.topic == topic)
    }

    /// The message of a device with what has gone from it still named, by its
    /// platform alone: readers take an entity away when they see this, and not
    /// when it is only left out.
    fn reduced(&self, announcement: &Announcement) -> Option<Step> {
        let there = &self.at_broker[&announcement.topic];
        let stays = |id: &str| announcement.components.iter().any(|(stays, _)| stays == id);
        let gone: Vec<_> = there.iter().filter(|(id, _)| !stays(id)).collect();
        if gone.is_empty() {
            return None;
        }
        let mut payload = announcement.payload.clone();
        for (id, platform) in gone {
            payload["cmps"][id] = serde_json::json!({ "p": platform });
        }
        Some(Step {
            topic: announcement.topic.clone(),
            payload: payload.to_string(),
            then: Some(there.clone()),
        })
    }
}

fn platforms(announcement: &Announcement) -> impl Iterator<Item = (String, String)> {
    announcement.components.iter().map(|(id, platform)| (id.clone(), (*platform).to_owned()))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::json;

    use super::*;
    use crate::mqtt::Topic;

    fn device(components: &[&str]) -> Announcement {
        let ids = components.iter().map(|id| ((*id).to_owned(), "sensor"));
        let bodies: serde_json::Map<_, _> =
            components.iter().map(|id| ((*id).to_owned(), json!({ "p": "sensor", "name": id }))).collect();
        Announcement {
            topic: "ha/device/yard/config".into(),
            payload: json!({ "cmps": bodies }),
            components: ids.collect(),
        }
    }

    /// What a ledger remembers of single messages.
    fn kept(topics: &[&str]) -> AtBroker {
        topics.iter().map(|topic| ((*topic).to_owned(), BTreeMap::new())).collect()
    }

    /// Tells everything to a broker that takes it; what was sent, in order.
    fn tell(announcer: &mut Announcer) -> Vec<(String, String)> {
        announcer.begin();
        let mut sent = Vec::new();
        while let Some(next) = announcer.next_to_send() {
            assert!(next.retain);
            let Topic::Full(topic) = next.topic else { panic!("{next:?}") };
            sent.push((topic, String::from_utf8(next.payload).unwrap()));
            announcer.sent();
            assert!(announcer.next_to_send().is_none(), "one at a time");
            assert!(!announcer.delivered("7-due") && announcer.delivered(ID));
        }
        assert!(!announcer.is_busy());
        sent
    }

    #[test]
    fn a_component_goes_by_being_reduced_and_then_left_out() {
        let mut first = Announcer::new(Some(device(&["oak", "elm"])), Vec::new(), AtBroker::new());
        assert_eq!(tell(&mut first).len(), 1);
        let mut second = Announcer::new(Some(device(&["oak"])), Vec::new(), first.at_broker().clone());
        let sent = tell(&mut second);
        let texts: Vec<&str> = sent.iter().map(|(_, payload)| payload.as_str()).collect();
        assert_eq!(
            texts,
            [
                r#"{"cmps":{"elm":{"p":"sensor"},"oak":{"name":"oak","p":"sensor"}}}"#,
                r#"{"cmps":{"oak":{"name":"oak","p":"sensor"}}}"#,
            ]
        );
        assert_eq!(tell(&mut second), sent[1..], "once is enough");
    }

    #[test]
    fn what_is_no_longer_the_rigs_is_emptied_and_states_stay() {
        let mut first = Announcer::new(None, vec!["oak/state".into()], kept(&["a", "b"]));
        first.begin();
        let mut second =
            Announcer::new(Some(device(&["oak"])), vec!["elm/state".into()], first.at_broker().clone());
        let sent = tell(&mut second);
        let emptied: Vec<&str> =
            sent.iter().filter(|(_, payload)| payload.is_empty()).map(|(topic, _)| topic.as_str()).collect();
        assert_eq!(emptied, ["a", "b", "oak/state"]);
        assert_eq!(sent[3].0, "ha/device/yard/config");
        let left: Vec<&String> = second.at_broker().keys().collect();
        assert_eq!(left, ["elm/state", "ha/device/yard/config"]);
    }

    #[test]
    fn what_the_broker_refuses_is_remembered_for_the_next_time() {
        let mut announcer = Announcer::new(Some(device(&["oak"])), Vec::new(), kept(&["old"]));
        announcer.begin();
        announcer.sent();
        assert!(announcer.refused(ID));
        assert_eq!(announcer.next_to_send().unwrap().topic, Topic::Full("ha/device/yard/config".into()));
        announcer.leave_out();
        assert!(!announcer.is_busy() && announcer.at_broker().contains_key("old"));
    }

    proptest! {
        /// A broker that is told in part, again and again, with other configs
        /// and what the ledger remembered, ends with what is wanted and no more.
        #[test]
        fn no_ghost_stays_however_often_it_is_cut_short(
            configs in prop::collection::vec(
                (prop::collection::btree_set("[a-c]", 0..3), any::<bool>(), 0..4usize), 1..6),
        ) {
            let (mut broker, mut ledger) = (BTreeMap::new(), AtBroker::new());
            let last = configs.len() - 1;
            for (n, (names, whole, cut)) in configs.iter().enumerate() {
                let names: Vec<&str> = names.iter().map(String::as_str).collect();
                let announcement = whole.then(|| device(&names));
                let wanted: BTreeMap<_, _> = announcement
                    .iter().map(|a| (a.topic.clone(), a.payload.to_string())).collect();
                let mut announcer = Announcer::new(announcement, Vec::new(), ledger.clone());
                ledger = announcer.at_broker().clone();
                announcer.begin();
                let mut steps = 0;
                while let Some(next) = announcer.next_to_send().filter(|_| n == last || steps < *cut) {
                    let Topic::Full(topic) = next.topic else { panic!() };
                    match String::from_utf8(next.payload).unwrap() {
                        empty if empty.is_empty() => drop(broker.remove(&topic)),
                        payload => drop(broker.insert(topic, payload)),
                    }
                    announcer.sent();
                    prop_assert!(announcer.delivered(ID));
                    steps += 1;
                }
                if !announcer.is_busy() {
                    ledger = announcer.at_broker().clone();
                }
                if n == last {
                    prop_assert_eq!(&broker, &wanted);
                }
            }
        }
    }
}
