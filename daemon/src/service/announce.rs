//! What the broker keeps of the rig: told when the link comes up, and taken
//! away when it is the rig's no more.

use frameside_core::exposure::SensorId;
use frameside_core::quantity::Mono;

use super::tell::LIGHT_EVERY_S;
use super::{Service, Setup};
use crate::config::Discovery;
use crate::ledger::Entry;
use crate::mqtt::discovery::{House, HouseFrame, HouseSensor};
use crate::mqtt::{Announcer, AtBroker, NotSent, random_share, topics};

/// Home automation that has just come up has much to do: it is told within
/// this many seconds of life, each rig at a time of its own.
const TOLD_WITHIN_S: f64 = 5.0;

/// An announcer of a rig's things. `before` is what the ledger remembers.
pub(super) fn announcer(setup: &Setup, before: AtBroker) -> Announcer {
    let prefix = topics::prefix(&setup.rig);
    let sensors = setup.sensors.iter().map(|sensor| topics::sensor_problem(&sensor.name));
    let frames = setup.frames.iter().map(|frame| topics::frame_state(&frame.name));
    let states = sensors.chain(frames).chain([topics::AVAILABILITY, topics::TROUBLES].map(str::to_owned));
    let states = states.map(|topic| format!("{prefix}/{topic}")).collect();
    let announcement = (setup.discovery == Discovery::Device).then(|| house(setup).announcement());
    Announcer::new(announcement, states, before)
}

fn house(setup: &Setup) -> House {
    House {
        prefix: setup.discovery_prefix.clone(),
        rig: setup.rig.clone(),
        sensors: setup
            .sensors
            .iter()
            .map(|sensor| HouseSensor {
                name: sensor.name.clone(),
                every_s: (sensor.period_s / setup.speed).max(LIGHT_EVERY_S),
            })
            .collect(),
        frames: setup
            .frames
            .iter()
            .map(|frame| HouseFrame { name: frame.name.clone(), label: frame.label.clone() })
            .collect(),
    }
}

impl Service {
    /// Tells everything from the start: what the rig is, how it stands, what
    /// has called meanwhile, and then that it is online.
    pub(super) fn begin_to_announce(&mut self, now: Mono) {
        self.announce_at = None;
        self.announcer.begin();
        self.announce(now);
    }

    pub(super) fn announce_soon(&mut self, now: Mono) {
        let pause = TOLD_WITHIN_S * random_share() * self.setup.speed;
        self.announce_at = Some(now.plus_seconds(pause));
    }

    pub(super) fn announce_if_it_is_time(&mut self, now: Mono) {
        if self.announce_at.is_some_and(|at| at <= now) {
            self.begin_to_announce(now);
        }
    }

    /// Sends the next announcement if none is under way; after the last one,
    /// everything else.
    pub(super) fn announce(&mut self, now: Mono) {
        while let Some(next) = self.announcer.next_to_send() {
            let Some(link) = &self.hands.link else { return };
            match link.publish(next) {
                Ok(()) => return self.announcer.sent(),
                Err(error @ NotSent::TooLong { .. }) => {
                    tracing::warn!("an announcement to home automation: {error}");
                    self.announcer.leave_out();
                }
                // All is told again when the link is back.
                Err(error) => return tracing::debug!("{error}"),
            }
        }
        self.remember_what_is_at_the_broker();
        self.greet(now);
    }

    /// Tells the ledger if it has changed.
    pub(super) fn remember_what_is_at_the_broker(&mut self) {
        if self.hands.link.is_some() && self.at_broker != *self.announcer.at_broker() {
            self.at_broker = self.announcer.at_broker().clone();
            self.ledger.write(Entry::AtBroker(self.at_broker.clone()));
            self.unwritten = true;
        }
    }

    /// How the rig stands.
    fn greet(&mut self, now: Mono) {
        tracing::info!("the broker is there");
        for id in (0..self.setup.sensors.len() as u16).map(SensorId) {
            self.tell_problem(id);
        }
        for frame in self.frame_ids() {
            self.tell_frame(now, frame);
        }
        self.published_troubles = None;
        self.publish_troubles();
        self.outbox.link_up();
        self.send_signals();
        if let Some(link) = &self.hands.link {
            link.announce_online();
        }
    }
}
