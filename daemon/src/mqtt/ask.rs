//! Asking every rig at a broker, from the command line.

use std::collections::BTreeMap;
use std::time::Duration;

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, Publish};
use rumqttc::v5::{AsyncClient, Event, Incoming as Packet};
use serde_json::{Value, json};
use tokio::time::{Instant, timeout_at};

use super::link::{Settings, access, random_share, why};
use super::topics;

/// Retained messages come at once; whoever has answered is waited for no
/// longer than this for others.
const QUIET: Duration = Duration::from_millis(500);
/// A rig that is online and does not answer is waited for this long.
const PATIENCE: Duration = Duration::from_secs(3);
/// How long the broker may take.
const BROKER_WITHIN: Duration = Duration::from_secs(10);

/// What came of asking a rig.
#[derive(Debug, Clone, PartialEq)]
pub enum RigAnswer {
    /// It is not online.
    Away,
    /// It is online, or says so, and has not answered.
    Silent,
    /// It has answered.
    Answered(Value),
}

/// Asks the rigs that the broker knows and lets this user see, by name; `rig` is
/// one of them, or all with `None`. `request` is an object without an id.
///
/// # Errors
/// When the broker is not reached, in words for a person.
pub async fn ask_rigs(
    settings: &Settings,
    rig: Option<&str>,
    request: &Value,
) -> Result<BTreeMap<String, RigAnswer>, String> {
    let id = format!("ask-{:x}", (random_share() * 1e15) as u64);
    let mut options = access(&Settings { client_id: format!("frameside-{id}"), ..settings.clone() })
        .map_err(|error| error.to_string())?;
    options.set_clean_start(true);
    let (client, mut event_loop) = AsyncClient::new(options, 256);
    let prefix = topics::prefix(rig.unwrap_or("+"));
    let filters = [topics::AVAILABILITY, topics::REPLY]
        .map(|topic| Filter::new(format!("{prefix}/{topic}"), QoS::AtLeastOnce));
    let mut asked = request.clone();
    asked["id"] = id.as_str().into();
    let mut rigs = BTreeMap::new();
    let mut until = Instant::now() + BROKER_WITHIN;
    while let Ok(event) = timeout_at(until, event_loop.poll()).await {
        match event.map_err(|error| why(&error))? {
            Event::Incoming(Packet::ConnAck(_)) => {
                client.try_subscribe_many(filters.clone()).map_err(|error| error.to_string())?;
            }
            Event::Incoming(Packet::SubAck(_)) => until = Instant::now() + QUIET,
            Event::Incoming(Packet::Publish(publish)) => {
                if let Some(rig) = note(&mut rigs, &publish, &id) {
                    let topic = format!("{}/{}", topics::prefix(&rig), topics::COMMAND);
                    let sent = client.try_publish(topic, QoS::AtLeastOnce, false, asked.to_string());
                    sent.map_err(|error| error.to_string())?;
                }
                let waits = rigs.values().any(|answer| *answer == RigAnswer::Silent);
                until = Instant::now() + if waits { PATIENCE } else { QUIET };
            }
            _ => {}
        }
    }
    Ok(rigs)
}

/// Notes what a message says of a rig. Gives the name of one to ask.
fn note(rigs: &mut BTreeMap<String, RigAnswer>, publish: &Publish, id: &str) -> Option<String> {
    let topic = std::str::from_utf8(&publish.topic).ok()?;
    let (rig, topic) = topic.strip_prefix("frameside/")?.split_once('/')?;
    if topic == topics::REPLY {
        let mut answer: Value = serde_json::from_slice(&publish.payload).ok()?;
        if answer["id"] == id {
            answer.as_object_mut()?.remove("id");
            rigs.insert(rig.to_owned(), RigAnswer::Answered(answer));
        }
        return None;
    }
    let online = publish.payload == topics::ONLINE;
    let answer = if online { RigAnswer::Silent } else { RigAnswer::Away };
    let new = !matches!(rigs.get(rig), Some(RigAnswer::Silent | RigAnswer::Answered(_)));
    if new && !publish.payload.is_empty() {
        rigs.insert(rig.to_owned(), answer);
    }
    (new && online).then(|| rig.to_owned())
}

impl RigAnswer {
    /// The answer as JSON, with the rig's name.
    #[must_use]
    pub fn to_json(&self, rig: &str) -> Value {
        match self {
            Self::Away => json!({ "rig": rig, "availability": topics::OFFLINE }),
            Self::Silent => json!({ "rig": rig, "availability": topics::ONLINE, "error": "no answer" }),
            Self::Answered(answer) => {
                let mut answer = answer.clone();
                if let Some(fields) = answer.as_object_mut() {
                    fields.remove("ok");
                    fields.insert("rig".to_owned(), rig.into());
                }
                answer
            }
        }
    }
}
