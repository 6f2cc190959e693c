//! The link to the broker: one task that alone polls the connection.
//!
//! Every attempt starts from a new client. There is no session to resume (clean
//! start), so nothing of an old connection may reach the next one: no message
//! queued for it, no packet id, no broker's limits.

use std::collections::{HashMap, VecDeque};
use std::hash::{BuildHasher, RandomState};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use frameside_core::exposure::SensorId;
use rumqttc::v5::mqttbytes::v5::{
    ConnAck, ConnectReturnCode, DisconnectReasonCode, Filter, LastWill, PubAck, PubAckReason, Publish,
    PublishProperties, RetainForwardRule, SubAck, SubscribeReasonCode,
};
use rumqttc::v5::mqttbytes::{Error as PacketError, QoS};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, Incoming as Packet, MqttOptions, StateError};
use rumqttc::{Outgoing, TlsConfiguration, TlsError, Transport};
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

use super::credentials::{Credentials, CredentialsError};
use super::{Delivery, Incoming, LightMessage, Message, Publication, Topic, topics};
use crate::config::{Login, Tls};

/// The longest packet taken, in bytes; rumqttc alone would stop at 10 KiB.
const LONGEST_TAKEN: u32 = 256 * 1024;
/// The longest packet sent, in bytes: the announcement of 99 frames with long
/// names is half of it.
const LONGEST_SENT: u32 = 1024 * 1024;
/// What a packet may hold beside topic, payload and the properties told, in bytes.
const PACKET_OVERHEAD: usize = 64;
/// QoS 1 messages under way at once. rumqttc allots room for each.
const MOST_IN_FLIGHT: u16 = 64;
/// Messages that wait to be written.
const QUEUE: usize = 1024;
/// Answers go out while fewer messages than this wait to be written, so that a
/// flood of commands holds up no signal.
const ANSWERS_GO_BELOW: usize = 64;
/// Answers that wait for that. Brokers have been seen to send more commands
/// than the link has acknowledged, so this alone bounds them.
const MOST_ANSWERS: usize = 16 * 1024;
/// Room beyond [`QUEUE`] for the subscription, availability and the farewell.
const RESERVE: usize = 4;
/// Events that wait for the service. When it falls behind, the broker waits.
const EVENTS: usize = 256;
/// How long an attempt to connect may take, in seconds.
const CONNECT_WITHIN_S: u64 = 10;
/// The longest pause before the first new attempt; it doubles from there.
const FIRST_PAUSE: Duration = Duration::from_secs(2);
/// The longest pause between attempts.
const LONGEST_PAUSE: Duration = Duration::from_secs(60);

/// Where the broker is and who the rig is there.
#[derive(Debug, Clone)]
pub struct Settings {
    /// Host name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// Who the rig is to the broker, if that wants to know.
    pub login: Option<Login>,
    /// Unique at the broker, and the same after a restart.
    pub client_id: String,
    /// What comes before every topic, without the slash: see [`topics::prefix`].
    pub prefix: String,
    /// How the link is secured; `None`: not at all.
    pub tls: Option<Tls>,
    /// How soon a silent link is noticed.
    pub keep_alive: KeepAlive,
    /// Where home automation says that it is there, in full, if that matters.
    pub birth: Option<String>,
    /// Sensors whose light other rigs publish, with the topics in full.
    pub lights: Vec<(SensorId, String)>,
}

/// The time after which a silent link is tested, 5 s to 18 h; 30 s unless told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KeepAlive(Duration);

/// The time is outside of what MQTT and its library can do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a keep alive must be 5 s to 18 h, not {} s", .0.as_secs_f64())]
pub struct BadKeepAlive(pub Duration);

impl KeepAlive {
    /// Checks a keep alive. Parts of a second are dropped.
    ///
    /// # Errors
    /// [`BadKeepAlive`] when it is under 5 s or over 18 h.
    pub fn new(time: Duration) -> Result<Self, BadKeepAlive> {
        let whole = time.as_secs();
        if (5..=64_800).contains(&whole) {
            Ok(Self(Duration::from_secs(whole)))
        } else {
            Err(BadKeepAlive(time))
        }
    }
}

impl Default for KeepAlive {
    fn default() -> Self {
        Self(Duration::from_secs(30))
    }
}

/// What the link has to say.
#[derive(Debug, PartialEq)]
pub enum LinkEvent {
    /// The broker is there and the rig's commands are subscribed to. Publish
    /// states and what the outbox holds, then [`Link::announce_online`].
    Up,
    /// There is no link, and why. Told once until the reason changes or the
    /// link comes up. What was published and not reported is lost.
    Down(String),
    /// Home automation has come up, and may know nothing of the rig.
    HomeCameUp,
    /// Another rig tells of its light.
    Light(SensorId, LightMessage),
    /// Somebody asks something.
    Incoming(Box<Incoming>),
    /// The broker has the message published with this id.
    Delivered(String),
    /// The broker would not take the message published with this id, and why.
    Refused(String, String),
}

/// Why a message was not taken. None of it waits for the link.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NotSent {
    /// There is no link.
    #[error("there is no link to the broker; the message is not sent")]
    Down,
    /// The broker takes messages more slowly than they come.
    #[error("too many messages wait for the broker already; the message is not sent")]
    Full,
    /// The broker would end the link over it.
    #[error("the message is longer than the {most} bytes that the broker takes; it is not sent")]
    TooLong {
        /// The longest packet it takes.
        most: u32,
    },
}

/// The service's end of the link. Dropped without [`Link::close`], the broker
/// sends the last will.
#[derive(Debug)]
pub struct Link {
    prefix: Arc<str>,
    connection: SharedConnection,
    task: JoinHandle<()>,
}

/// Starts the link's task and its first attempt to connect. Must be called
/// within a tokio runtime. The events end when the link is closed or dropped.
#[must_use]
pub fn connect(settings: Settings) -> (Link, mpsc::Receiver<LinkEvent>) {
    let (events, receiver) = mpsc::channel(EVENTS);
    let prefix: Arc<str> = settings.prefix.as_str().into();
    let connection = SharedConnection::default();
    let poller = Poller {
        settings: Arc::new(settings),
        prefix: Arc::clone(&prefix),
        connection: connection.clone(),
        events,
    };
    let task = tokio::spawn(poller.run());
    (Link { prefix, connection, task }, receiver)
}

/// How a rig speaks to its broker. Reads files.
fn options(settings: &Settings) -> Result<MqttOptions, CredentialsError> {
    let availability = format!("{}/{}", settings.prefix, topics::AVAILABILITY);
    let mut options = access(settings)?;
    options
        .set_clean_start(true)
        .set_session_expiry_interval(Some(0))
        .set_outgoing_inflight_upper_limit(MOST_IN_FLIGHT)
        .set_last_will(LastWill::new(availability, topics::OFFLINE, QoS::AtLeastOnce, true, None));
    Ok(options)
}

/// Where the broker is, and who comes. Reads files.
pub(super) fn access(settings: &Settings) -> Result<MqttOptions, CredentialsError> {
    let credentials = Credentials::read(settings.login.as_ref(), settings.tls.as_ref())?;
    // An IPv6 address is told from its port by brackets.
    let bare_v6 = settings.host.contains(':') && !settings.host.starts_with('[');
    let host = if bare_v6 { format!("[{}]", settings.host) } else { settings.host.clone() };
    let mut options = MqttOptions::new(settings.client_id.as_str(), host, settings.port);
    options
        .set_keep_alive(settings.keep_alive.0)
        .set_connection_timeout(CONNECT_WITHIN_S)
        .set_max_packet_size(Some(LONGEST_TAKEN));
    if let Some(tls) = credentials.tls {
        options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(tls)));
    }
    if let Some(login) = &settings.login {
        options.set_credentials(login.user.as_str(), credentials.password.as_deref().unwrap_or_default());
    }
    Ok(options)
}

/// The way of answers to the broker, from any thread.
#[derive(Debug, Clone)]
pub struct Answers {
    prefix: Arc<str>,
    connection: SharedConnection,
}

impl Answers {
    /// As [`Link::answer`].
    ///
    /// # Errors
    /// As [`Link::answer`].
    pub fn send(&self, answer: Publication) -> Result<(), NotSent> {
        let mut connection = self.connection.lock();
        let connection = connection.as_mut().ok_or(NotSent::Down)?;
        if connection.answers.len() >= MOST_ANSWERS {
            return Err(NotSent::Full);
        }
        connection.answers.push_back(answer);
        connection.send_answers(&self.prefix);
        Ok(())
    }
}

impl Link {
    /// Hands a message to the link. Does not wait, ever.
    ///
    /// # Errors
    /// [`NotSent`] when there is no link, too much waits already, or the
    /// message is longer than the broker takes.
    pub fn publish(&self, publication: Publication) -> Result<(), NotSent> {
        let mut connection = self.connection.lock();
        let connection = connection.as_mut().ok_or(NotSent::Down)?;
        if connection.queued.len() >= QUEUE {
            return Err(NotSent::Full);
        }
        connection.publish(&self.prefix, publication)
    }

    /// Hands an answer to a command to the link: it goes out when nothing more
    /// urgent waits. Does not wait, ever.
    ///
    /// # Errors
    /// As [`Self::publish`], but for the length, which is only known later.
    pub fn answer(&self, answer: Publication) -> Result<(), NotSent> {
        self.answers().send(answer)
    }

    /// The way for an answer that is found on another thread.
    #[must_use]
    pub fn answers(&self) -> Answers {
        Answers { prefix: Arc::clone(&self.prefix), connection: self.connection.clone() }
    }

    /// Says that the rig is online, after everything else that the broker
    /// should know. Harmless without a link: the next [`LinkEvent::Up`] calls
    /// for it again.
    pub fn announce_online(&self) {
        if let Some(connection) = self.connection.lock().as_mut() {
            self.announce(connection, topics::ONLINE);
        }
    }

    /// Says that the rig is offline, waits until the broker has acknowledged
    /// this and all before it, and leaves. What happens after `within` is left
    /// to the last will. Events that came meanwhile can still be received.
    pub async fn close(mut self, within: Duration) {
        if self.say_farewell() && tokio::time::timeout(within, &mut self.task).await.is_err() {
            tracing::warn!("the broker did not acknowledge the last messages in time");
        }
    }

    fn say_farewell(&self) -> bool {
        let mut connection = self.connection.lock();
        let Some(connection) = connection.as_mut() else { return false };
        connection.leaving = true;
        self.announce(connection, topics::OFFLINE);
        true
    }

    fn announce(&self, connection: &mut Connection, availability: &str) {
        if let Err(error) =
            connection.publish(&self.prefix, Publication::retained(topics::AVAILABILITY, availability))
        {
            tracing::warn!("'{availability}' is not announced: {error}");
        }
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// The connection, while there is one.
#[derive(Debug, Clone, Default)]
struct SharedConnection(Arc<Mutex<Option<Connection>>>);

impl SharedConnection {
    fn lock(&self) -> MutexGuard<'_, Option<Connection>> {
        // Whoever panicked left at worst a message out of the queue.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[derive(Debug)]
struct Connection {
    client: AsyncClient,
    /// The id to report by, if any, of each message not yet written.
    queued: VecDeque<Option<String>>,
    /// Answers that go out once the queue is short.
    answers: VecDeque<Publication>,
    /// The longest packet the broker takes, in bytes.
    longest_packet: u32,
    /// Whether to leave once everything is acknowledged.
    leaving: bool,
}

impl Connection {
    fn send_answers(&mut self, prefix: &str) {
        while self.queued.len() < ANSWERS_GO_BELOW {
            let Some(answer) = self.answers.pop_front() else { return };
            if let Err(error) = self.publish(prefix, answer) {
                tracing::warn!("an answer: {error}");
            }
        }
    }

    fn is_idle(&self) -> bool {
        self.queued.is_empty() && self.answers.is_empty()
    }

    fn publish(&mut self, prefix: &str, publication: Publication) -> Result<(), NotSent> {
        let Publication { topic, payload, retain, delivery, correlation, user_properties } = publication;
        let topic = match topic {
            Topic::OfRig(topic) => format!("{prefix}/{topic}"),
            Topic::Full(topic) => topic,
        };
        let correlated = correlation.as_ref().map_or(0, Vec::len);
        // Beside each name and value stand two bytes for its length and one for its kind.
        let described: usize = user_properties.iter().map(|(name, value)| name.len() + value.len() + 5).sum();
        if topic.len() + payload.len() + correlated + described + PACKET_OVERHEAD
            > self.longest_packet as usize
        {
            return Err(NotSent::TooLong { most: self.longest_packet });
        }
        let (qos, id) = match delivery {
            Delivery::AtMostOnce => (QoS::AtMostOnce, None),
            Delivery::AtLeastOnce => (QoS::AtLeastOnce, None),
            Delivery::Reported(id) => (QoS::AtLeastOnce, Some(id)),
        };
        let properties = PublishProperties {
            correlation_data: correlation.map(Into::into),
            user_properties,
            ..PublishProperties::default()
        };
        self.client
            .try_publish_with_properties(topic, qos, retain, payload, properties)
            .map_err(|_| NotSent::Full)?;
        self.queued.push_back(id);
        Ok(())
    }
}

/// The task behind the link.
struct Poller {
    settings: Arc<Settings>,
    prefix: Arc<str>,
    connection: SharedConnection,
    events: mpsc::Sender<LinkEvent>,
}

/// How a connection ended.
enum Ended {
    /// Nothing more is wanted of the link.
    Done,
    /// The broker was not reached, or was lost, and why.
    Lost(String),
}

/// One connection's client, and its QoS 1 messages by packet id with the id to
/// report by, if any.
struct Session {
    client: AsyncClient,
    in_flight: HashMap<u16, Option<String>>,
}

impl Poller {
    async fn run(self) {
        let mut pause = FIRST_PAUSE;
        let mut told = None;
        loop {
            let started = Instant::now();
            let Ended::Lost(why) = self.converse().await else { return };
            if self.connection.lock().take().is_some() {
                told = None;
            }
            if started.elapsed() >= LONGEST_PAUSE {
                pause = FIRST_PAUSE;
            }
            let Settings { host, port, .. } = &*self.settings;
            let reason = format!("no link to the broker at {host}:{port}: {why}; trying on");
            tracing::debug!("{reason}");
            if told.as_ref() != Some(&reason) {
                told = Some(reason.clone());
                if self.events.send(LinkEvent::Down(reason)).await.is_err() {
                    return;
                }
            }
            tokio::time::sleep(jittered(pause)).await;
            pause = LONGEST_PAUSE.min(pause * 2);
        }
    }

    /// Reads the files on another thread: a card may be slow.
    async fn options(&self) -> Result<MqttOptions, String> {
        let settings = Arc::clone(&self.settings);
        let read = tokio::task::spawn_blocking(move || options(&settings)).await;
        read.map_err(|error| error.to_string())?.map_err(|error| error.to_string())
    }

    /// Connects and serves the connection to its end.
    async fn converse(&self) -> Ended {
        let options = match self.options().await {
            Ok(options) => options,
            Err(why) => return Ended::Lost(why),
        };
        let (client, mut event_loop) = AsyncClient::new(options, QUEUE + RESERVE);
        let mut session = Session { client, in_flight: HashMap::new() };
        loop {
            let event = match event_loop.poll().await {
                Ok(Event::Incoming(packet)) => self.on_packet(&mut session, packet),
                Ok(Event::Outgoing(Outgoing::Publish(packet_id))) => {
                    self.on_written(&mut session, packet_id);
                    None
                }
                // Polling on would connect anew.
                Ok(Event::Outgoing(Outgoing::Disconnect)) => return Ended::Done,
                Ok(Event::Outgoing(_)) => None,
                Err(error) => return Ended::Lost(why(&error)),
            };
            if let Some(event) = event
                && self.events.send(event).await.is_err()
            {
                return Ended::Done;
            }
        }
    }

    fn on_packet(&self, session: &mut Session, packet: Packet) -> Option<LinkEvent> {
        match packet {
            Packet::ConnAck(ack) => Some(self.on_connected(session, &ack)),
            Packet::Publish(publish) => self.on_message(&publish),
            Packet::PubAck(ack) => self.on_acknowledged(session, &ack),
            Packet::SubAck(ack) => {
                warn_of_refused_subscriptions(&ack);
                None
            }
            _ => None,
        }
    }

    fn on_connected(&self, session: &Session, ack: &ConnAck) -> LinkEvent {
        let commands = [topics::COMMAND, topics::FRAME_COMMANDS, topics::FRAME_TARGETS];
        let own = commands.map(|topic| format!("{}/{topic}", self.prefix));
        let lights = self.settings.lights.iter().map(|(_, topic)| topic.clone());
        let filters = own.into_iter().chain(self.settings.birth.clone()).chain(lights).map(filter);
        if session.client.try_subscribe_many(filters).is_err() {
            // Cannot be: the queue is empty and nobody else has the client yet.
            tracing::error!("the commands could not be subscribed to");
        }
        let takes = ack.properties.as_ref().and_then(|properties| properties.max_packet_size);
        *self.connection.lock() = Some(Connection {
            client: session.client.clone(),
            queued: VecDeque::new(),
            answers: VecDeque::new(),
            longest_packet: takes.unwrap_or(LONGEST_SENT).min(LONGEST_SENT),
            leaving: false,
        });
        LinkEvent::Up
    }

    fn on_message(&self, publish: &Publish) -> Option<LinkEvent> {
        if let Some((sensor, _)) =
            self.settings.lights.iter().find(|(_, topic)| publish.topic == topic.as_bytes())
        {
            return light(*sensor, publish);
        }
        if self.settings.birth.as_ref().is_some_and(|birth| publish.topic == birth.as_bytes()) {
            return (publish.payload == topics::ONLINE).then_some(LinkEvent::HomeCameUp);
        }
        let properties = publish.properties.as_ref();
        let message = Message {
            topic: &publish.topic,
            payload: &publish.payload,
            retain: publish.retain,
            response_topic: properties.and_then(|properties| properties.response_topic.as_deref()),
            correlation: properties.and_then(|properties| properties.correlation_data.as_deref()),
        };
        match Incoming::read(&self.prefix, message) {
            Ok(incoming) => Some(LinkEvent::Incoming(Box::new(incoming))),
            Err(dropped) => {
                tracing::warn!("dropped a message on {}: {dropped}", publish.topic.escape_ascii());
                None
            }
        }
    }

    /// The first message of the queue was written, in QoS 1 under a packet id.
    fn on_written(&self, session: &mut Session, packet_id: u16) {
        let id = self.connection.lock().as_mut().and_then(|connection| {
            let written = connection.queued.pop_front();
            connection.send_answers(&self.prefix);
            written.flatten()
        });
        if packet_id != 0 {
            session.in_flight.insert(packet_id, id);
        }
    }

    fn on_acknowledged(&self, session: &mut Session, ack: &PubAck) -> Option<LinkEvent> {
        let id = session.in_flight.remove(&ack.pkid).flatten();
        self.leave_if_done(session);
        let id = id?;
        match ack.reason {
            PubAckReason::Success => Some(LinkEvent::Delivered(id)),
            PubAckReason::NoMatchingSubscribers => {
                tracing::debug!(id, "nobody is subscribed to a message that the broker took");
                Some(LinkEvent::Delivered(id))
            }
            reason => Some(LinkEvent::Refused(id, format!("{reason:?}"))),
        }
    }

    fn leave_if_done(&self, session: &Session) {
        let connection = self.connection.lock();
        let leaving = connection.as_ref().is_some_and(|c| c.leaving && c.is_idle());
        if leaving && session.in_flight.is_empty() && session.client.try_disconnect().is_err() {
            // Cannot be: the queue is empty. The last will says the same.
            tracing::debug!("could not take leave of the broker");
        }
    }
}

/// A light that is retained was seen at some time or other.
fn light(sensor: SensorId, publish: &Publish) -> Option<LinkEvent> {
    let properties = publish.properties.as_ref().map(|properties| &properties.user_properties[..]);
    match LightMessage::read(&publish.payload, properties.unwrap_or_default()) {
        Ok(message) => (!publish.retain).then_some(LinkEvent::Light(sensor, message)),
        Err(error) => {
            tracing::debug!("dropped a message on {}: {error}", publish.topic.escape_ascii());
            None
        }
    }
}

/// Without what is retained, which is no command, and without what the rig
/// itself publishes. `preserve_retain` shows the flag on what was published
/// just now with it; else it would pass for a plain command, once.
fn filter(topic: String) -> Filter {
    let mut filter = Filter::new(topic, QoS::AtLeastOnce);
    filter.retain_forward_rule = RetainForwardRule::Never;
    filter.preserve_retain = true;
    filter.nolocal = true;
    filter
}

fn warn_of_refused_subscriptions(ack: &SubAck) {
    for code in &ack.return_codes {
        if !matches!(code, SubscribeReasonCode::Success(_)) {
            tracing::warn!("the broker refuses a subscription ({code:?}); check its access list");
        }
    }
}

/// What a person needs to know of an error.
pub(super) fn why(error: &ConnectionError) -> String {
    match error {
        ConnectionError::Io(error)
        | ConnectionError::Tls(TlsError::Io(error))
        | ConnectionError::MqttState(StateError::Deserialization(PacketError::Io(error))) => why_io(error),
        ConnectionError::Timeout(_) => "it does not answer".to_owned(),
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
        ) => "it refuses the user or the password".to_owned(),
        ConnectionError::ConnectionRefused(code) => format!("it refuses the connection ({code:?})"),
        ConnectionError::MqttState(StateError::ServerDisconnect {
            reason_code: DisconnectReasonCode::SessionTakenOver,
            ..
        }) => "another client came with the same client id".to_owned(),
        ConnectionError::MqttState(StateError::ServerDisconnect { reason_code, .. }) => {
            format!("it ended the link ({reason_code:?})")
        }
        ConnectionError::MqttState(StateError::ConnectionAborted) => "it closed the connection".to_owned(),
        ConnectionError::MqttState(StateError::AwaitPingResp) => "it has fallen silent".to_owned(),
        other => other.to_string(),
    }
}

fn why_io(error: &std::io::Error) -> String {
    use rustls::{AlertDescription, Error};
    match error.get_ref().and_then(|inner| inner.downcast_ref()) {
        Some(Error::InvalidCertificate(reason)) => format!("its certificate is not trusted ({reason:?})"),
        Some(Error::AlertReceived(AlertDescription::CertificateRequired)) => {
            "it wants a certificate of the rig's; add cert and key to tls".to_owned()
        }
        _ => error.to_string(),
    }
}

/// Between half of a pause and all of it, so that many clients of a broker
/// that comes back do not come all at once.
fn jittered(pause: Duration) -> Duration {
    pause / 2 + (pause / 2).mul_f64(random_share())
}

/// Anything from 0 to 1.
pub(crate) fn random_share() -> f64 {
    RandomState::new().hash_one(()) as f64 / u64::MAX as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings() -> Settings {
        Settings {
            host: "::1".into(),
            port: 1883,
            login: None,
            tls: None,
            client_id: "frameside-yard".into(),
            prefix: topics::prefix("yard"),
            keep_alive: KeepAlive::default(),
            birth: None,
            lights: Vec::new(),
        }
    }

    #[test]
    fn a_keep_alive_that_the_library_would_panic_at_is_refused() {
        for seconds in [0.0, 4.999, 64_801.0] {
            let time = Duration::from_secs_f64(seconds);
            assert_eq!(KeepAlive::new(time), Err(BadKeepAlive(time)));
        }
        let shortest = KeepAlive::new(Duration::from_millis(5_900)).unwrap();
        let options = options(&Settings { keep_alive: shortest, ..settings() }).unwrap();
        assert_eq!(options.keep_alive(), Duration::from_secs(5));
        assert_eq!(options.broker_address(), ("[::1]".to_owned(), 1883));
    }

    #[test]
    fn pauses_differ_between_half_and_whole() {
        let pauses: Vec<_> = (0..100).map(|_| jittered(LONGEST_PAUSE)).collect();
        assert!(pauses.iter().all(|pause| (LONGEST_PAUSE / 2..=LONGEST_PAUSE).contains(pause)));
        assert!(pauses.iter().any(|pause| pause != &pauses[0]));
        assert!(jittered(FIRST_PAUSE) >= Duration::from_secs(1));
    }
}
