//! The link to the broker against a real Mosquitto, seen through its real clients.

use std::sync::OnceLock;
use std::time::Duration;

use frameside::config::{Login, Secret};
use frameside::ledger::OutboxRow;
use frameside::mqtt::{
    Delivery, KeepAlive, Link, LinkEvent, NotSent, Outbox, Publication, Settings, Topic, connect, topics,
};
use frameside::request::Request;
use frameside_tests::{Broker, Message, Publish, Subscriber, wait_for};
use serde_json::json;
use tokio::runtime::Handle;
use tokio::sync::mpsc::Receiver;

use crate::yard::all_until;

const SOON: Duration = Duration::from_secs(20);
const MARK: &str = "mark";

/// A runtime that turns while the tests wait for other programs.
fn runtime() -> &'static Handle {
    static RUNTIME: OnceLock<Handle> = OnceLock::new();
    RUNTIME.get_or_init(|| {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        let handle = runtime.handle().clone();
        std::thread::spawn(move || runtime.block_on(std::future::pending::<()>()));
        handle
    })
}

/// The rig "yard" at a broker.
struct Rig {
    link: Link,
    events: Receiver<LinkEvent>,
}

fn settings(broker: &Broker) -> Settings {
    Settings {
        host: "127.0.0.1".into(),
        port: broker.port(),
        login: None,
        tls: None,
        client_id: "frameside-yard".into(),
        prefix: topics::prefix("yard"),
        keep_alive: KeepAlive::default(),
        birth: None,
        lights: Vec::new(),
    }
}

fn settings_with_login(broker: &Broker, password: &str) -> Settings {
    let file = broker.path(&format!("password-{password}"));
    std::fs::write(&file, password).unwrap();
    let login = Login { user: "yard".into(), password: Some(Secret::File(file)) };
    Settings { login: Some(login), ..settings(broker) }
}

impl Rig {
    fn connect(settings: Settings) -> Self {
        let _inside = runtime().enter();
        let (link, events) = connect(settings);
        Self { link, events }
    }

    fn up(broker: &Broker) -> Self {
        let mut rig = Self::connect(settings(broker));
        assert_eq!(rig.next(), LinkEvent::Up);
        rig
    }

    fn next(&mut self) -> LinkEvent {
        wait_for("an event of the link", SOON, || self.events.try_recv().ok())
    }

    fn close(self) -> Receiver<LinkEvent> {
        runtime().block_on(self.link.close(SOON));
        self.events
    }
}

fn all_of_the_rig(broker: &Broker) -> Subscriber {
    broker.subscribe(&["frameside/yard/#", MARK])
}

/// What a subscriber to the mark too has got when all that was published before has come.
fn up_to_a_mark(broker: &Broker, subscriber: &Subscriber) -> Vec<Message> {
    broker.publish(&Publish::new(MARK, "x"));
    let mut seen = all_until(subscriber, |message| message.topic == MARK);
    seen.pop();
    seen
}

fn text_of(message: &Message) -> (&str, &str, bool) {
    (message.topic.strip_prefix("frameside/yard/").unwrap(), message.text(), message.retained)
}

#[test]
fn states_are_kept_and_online_comes_last() {
    let Some(broker) = Broker::start() else { return };
    let live = all_of_the_rig(&broker);
    let rig = Rig::up(&broker);
    rig.link.publish(Publication::retained(topics::sensor_problem("sky"), "OFF")).unwrap();
    rig.link.publish(Publication::fleeting(topics::sensor_irradiance("sky"), "41.200")).unwrap();
    rig.link.announce_online();
    assert_eq!(text_of(&live.next(SOON).unwrap()), ("sensor/sky/problem", "OFF", false));
    let light = live.next(SOON).unwrap();
    assert_eq!((text_of(&light), light.qos), (("sensor/sky/irradiance", "41.200", false), 0));
    assert_eq!(text_of(&live.next(SOON).unwrap()), ("availability", "online", false));

    let mut kept = up_to_a_mark(&broker, &all_of_the_rig(&broker));
    kept.sort_by(|a, b| a.topic.cmp(&b.topic));
    let kept: Vec<_> = kept.iter().map(text_of).collect();
    assert_eq!(kept, [("availability", "online", true), ("sensor/sky/problem", "OFF", true)]);
}

#[test]
fn a_link_that_breaks_leaves_the_last_will() {
    let Some(broker) = Broker::start() else { return };
    let rig = Rig::up(&broker);
    rig.link.announce_online();
    let live = broker.subscribe(&["frameside/yard/availability"]);
    assert_eq!(live.next(SOON).unwrap().text(), "online");
    drop(rig);
    assert_eq!(live.next(SOON).unwrap().text(), "offline");
    let later = broker.subscribe(&["frameside/yard/availability"]).next(SOON).unwrap();
    assert_eq!(text_of(&later), ("availability", "offline", true));
}

#[test]
fn a_closed_link_delivers_everything_and_says_offline_once() {
    let Some(broker) = Broker::start() else { return };
    let live = all_of_the_rig(&broker);
    let rig = Rig::up(&broker);
    let ids: Vec<String> = (0..200).map(|id| id.to_string()).collect();
    for id in &ids {
        rig.link.publish(Publication::signal(topics::SIGNAL, id.as_str(), id)).unwrap();
    }
    let mut events = rig.close();
    let delivered: Vec<_> = std::iter::from_fn(|| events.try_recv().ok()).collect();
    assert_eq!(delivered, ids.iter().cloned().map(LinkEvent::Delivered).collect::<Vec<_>>());
    let received: Vec<_> =
        up_to_a_mark(&broker, &live).iter().map(|message| message.text().to_owned()).collect();
    let expected: Vec<_> = ids.into_iter().chain(["offline".to_owned()]).collect();
    assert_eq!(received, expected);
}

#[test]
fn commands_come_in_and_answers_go_out_but_nothing_retained_is_a_command() {
    let Some(broker) = Broker::start() else { return };
    let topic = "frameside/yard/frame/oak/command";
    broker.publish(&Publish::new(topic, "bring-in").retained());
    let answers = broker.subscribe(&["answers/me", "frameside/yard/reply"]);
    let mut rig = Rig::up(&broker);
    broker.publish(&Publish::new(topic, "bring-in").retained());
    broker.publish(&Publish::new(topic, ""));
    broker.publish(&Publish::new(topic, "cover"));
    let LinkEvent::Incoming(cover) = rig.next() else { panic!("a command was expected") };
    let request = cover.request.unwrap().request;
    assert_eq!(request, Request::Cover { frame: "oak".into() });
    rig.link.publish(cover.reply.with(json!({ "ok": true }))).unwrap();
    let answer = answers.next(SOON).unwrap();
    assert_eq!((&answer.topic[..], answer.text()), ("frameside/yard/reply", r#"{"ok":true}"#));

    let asked = Publish::new("frameside/yard/command", r#"{"id":"7","do":"covr"}"#)
        .property("response-topic", "answers/me")
        .property("correlation-data", "abc");
    broker.publish(&asked);
    let LinkEvent::Incoming(wrong) = rig.next() else { panic!("a command was expected") };
    let error = wrong.request.unwrap_err().to_string();
    rig.link.publish(wrong.reply.with(json!({ "ok": false, "error": error }))).unwrap();
    let answer = answers.next(SOON).unwrap();
    assert_eq!((&answer.topic[..], &answer.correlation[..], answer.retained), ("answers/me", "abc", false));
    assert_eq!((&answer.json()["id"], &answer.json()["ok"]), (&json!("7"), &json!(false)));
}

#[test]
fn a_signal_nobody_listens_to_is_delivered_and_a_forbidden_one_refused() {
    let Some(broker) = Broker::start_guarded("yard", "secret", "topic readwrite frameside/yard/#") else {
        return;
    };
    let mut rig = Rig::connect(settings_with_login(&broker, "secret"));
    assert_eq!(rig.next(), LinkEvent::Up);
    rig.link.publish(Publication::signal(topics::SIGNAL, "{}", "1")).unwrap();
    assert_eq!(rig.next(), LinkEvent::Delivered("1".into()));
    let mut forbidden = Publication::signal("", "{}", "2");
    forbidden.topic = Topic::Full("shut/signal".into());
    assert_eq!(forbidden.delivery, Delivery::Reported("2".into()));
    rig.link.publish(forbidden).unwrap();
    assert_eq!(rig.next(), LinkEvent::Refused("2".into(), "NotAuthorized".into()));
}

#[test]
fn a_wrong_password_is_told_once_and_not_shown() {
    let Some(broker) = Broker::start_guarded("yard", "secret", "topic readwrite frameside/yard/#") else {
        return;
    };
    let mut rig = Rig::connect(settings_with_login(&broker, "hunter"));
    let expected = format!(
        "no link to the broker at 127.0.0.1:{}: it refuses the user or the password; trying on",
        broker.port()
    );
    assert_eq!(rig.next(), LinkEvent::Down(expected));
    // The next attempt is at most 2 s away; it is told of no more.
    wait_for("a second attempt", SOON, || {
        (broker.log().matches("not authorised").count() >= 2).then_some(())
    });
    assert!(rig.events.try_recv().is_err());
}

#[test]
fn signals_outlive_the_broker() {
    let Some(mut broker) = Broker::start() else { return };
    broker.kill();
    let mut rig = Rig::connect(settings(&broker));
    let LinkEvent::Down(reason) = rig.next() else { panic!("there is no broker") };
    assert!(reason.contains("Connection refused"), "{reason}");
    assert_eq!(rig.link.publish(Publication::signal(topics::SIGNAL, "{}", "1")), Err(NotSent::Down));

    let row = |id: &str| OutboxRow { id: id.into(), frame: "oak".into(), payload: id.into() };
    let mut outbox = Outbox::new([row("1")]);
    broker.restart();
    let live = broker.subscribe(&["frameside/yard/signal", "frameside/yard/frame/oak/signal", MARK]);
    deliver_all(&mut rig, &mut outbox);
    let received: Vec<_> = up_to_a_mark(&broker, &live).iter().map(|m| text_of(m).0.to_owned()).collect();
    assert_eq!(received, ["frame/oak/signal", "signal"]);

    broker.kill();
    let LinkEvent::Down(reason) = rig.next() else { panic!("the broker is gone") };
    assert!(reason.contains("it closed the connection"), "{reason}");
    outbox.link_down();
    outbox.push(row("2"));
    broker.restart();
    let live = broker.subscribe(&["frameside/yard/signal"]);
    deliver_all(&mut rig, &mut outbox);
    assert_eq!(live.next(SOON).unwrap().text(), "2");

    // The commands are subscribed to anew.
    broker.publish(&Publish::new("frameside/yard/frame/oak/command", "hush"));
    assert!(matches!(rig.next(), LinkEvent::Incoming(_)));
}

/// Serves the outbox as the service does, until it is empty. Attempts to connect
/// may fail before.
fn deliver_all(rig: &mut Rig, outbox: &mut Outbox) {
    while !outbox.is_empty() {
        match rig.next() {
            LinkEvent::Up => outbox.link_up(),
            LinkEvent::Down(_) => outbox.link_down(),
            LinkEvent::Delivered(id) => drop(outbox.delivered(&id)),
            other => panic!("not expected here: {other:?}"),
        }
        if let Some(next) = outbox.next_to_send() {
            rig.link.publish(next).unwrap();
            outbox.sent();
        }
    }
}

#[test]
fn long_packets_pass_and_longer_ones_do_not_break_the_link() {
    let Some(broker) = Broker::start() else { return };
    let live = all_of_the_rig(&broker);
    let mut rig = Rig::up(&broker);
    let long = "x".repeat(200 * 1024);
    rig.link.publish(Publication::retained(topics::frame_state("oak"), long.as_str())).unwrap();
    assert_eq!(live.next(SOON).unwrap().payload.len(), long.len());
    let longer = Publication::retained(topics::frame_state("oak"), long.repeat(6));
    assert_eq!(rig.link.publish(longer), Err(NotSent::TooLong { most: 1024 * 1024 }));

    let topic = "frameside/yard/command";
    // Beyond what the link takes from the broker: it never arrives.
    broker.publish(&Publish::new(topic, long.repeat(2)));
    broker.publish(&Publish::new(topic, long));
    let LinkEvent::Incoming(too_long) = rig.next() else { panic!("a command was expected") };
    let error = too_long.request.unwrap_err().to_string();
    assert_eq!(error, "a command holds at most 65536 bytes, not 204800");
}

#[test]
fn a_queue_that_is_full_refuses_more_and_keeps_room_for_the_farewell() {
    let Some(broker) = Broker::start() else { return };
    let live = broker.subscribe(&["frameside/yard/availability"]);
    // A runtime of its own, which stands still between the calls.
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let inside = runtime.enter();
    let (link, mut events) = connect(settings(&broker));
    drop(inside);
    assert_eq!(runtime.block_on(events.recv()), Some(LinkEvent::Up));
    let light = || Publication::fleeting(topics::sensor_irradiance("sky"), "1");
    let refused = (0..10_000).find_map(|_| link.publish(light()).err());
    assert_eq!(refused, Some(NotSent::Full));
    link.announce_online();
    runtime.block_on(link.close(SOON));
    assert_eq!(live.next(SOON).unwrap().text(), "online");
    assert_eq!(live.next(SOON).unwrap().text(), "offline");
}
