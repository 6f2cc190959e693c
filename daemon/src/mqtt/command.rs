//! What comes in from the broker: commands, and where their answers go.
//!
//! | topic under the prefix | payload |
//! |---|---|
//! | `command` | a request object with `id` and `issued_at`, see [`crate::issued`] |
//! | `frame/<frame>/command` | the same without `frame`, or a bare verb of [`BARE_VERBS`] |
//! | `frame/<frame>/target/set` | `{"value", "id", "issued_at"}`, the new target in kJ/m² |
//!
//! A message with the retain flag is not a command: the broker would give it
//! to the rig again and again, long after it was meant.

use frameside_core::quantity::{Dose, ParseQuantityError, TargetDose};
use serde_json::{Map, Value};

use super::topics;
use super::{Delivery, Publication, Topic};
use crate::issued::{self, Issued, IssuedError};
use crate::request::{Request, RequestError};

/// The longest payload taken, in bytes.
pub const LONGEST_PAYLOAD: usize = 64 * 1024;
/// What can be asked of a frame in one word: nothing that may light a lamp.
pub const BARE_VERBS: [&str; 3] = ["cover", "bring-in", "hush"];

/// A message from the broker, understood or not: it is answered either way.
#[derive(Debug, PartialEq)]
pub struct Incoming {
    /// The sender's name for it. One that was answered before is answered the
    /// same again and not done again.
    pub id: Option<String>,
    /// Where the answer goes.
    pub reply: ReplyTo,
    /// What is asked.
    pub request: Result<Issued, CommandError>,
}

/// Where the answer to a command goes.
#[derive(Debug, Clone, PartialEq)]
pub struct ReplyTo {
    id: Option<String>,
    topic: Topic,
    correlation: Option<Vec<u8>>,
}

/// Why a command was not understood. The message is the sender's answer.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CommandError {
    /// Longer than any command.
    #[error("a command holds at most {LONGEST_PAYLOAD} bytes, not {0}")]
    TooLong(usize),
    /// Not text.
    #[error("a command is UTF-8 text; byte {0} is not")]
    NotUtf8(usize),
    /// The topic names no frame.
    #[error("the topic must name a frame: 1 to 32 of a-z, 0-9, - and _")]
    FrameName,
    /// The frame is named twice.
    #[error("leave out \"frame\": the topic names it")]
    FrameTwice,
    /// Not a verb that needs no more than a frame.
    #[error("send {}, or a JSON object such as {{\"do\":\"cover\"}}", BARE_VERBS.join(", "))]
    BareVerb,
    /// Not a number.
    #[error(
        "a target is an object with its kJ/m2, such as {{\"value\":15.5,\"id\":\"a1\",\"issued_at\":\"2026-07-14T10:21:09+02:00\"}}"
    )]
    TargetValue,
    /// Not a dose to aim at.
    #[error(transparent)]
    Target(#[from] ParseQuantityError),
    /// Its id or its time is not usable.
    #[error(transparent)]
    Issued(#[from] IssuedError),
    /// The request itself is wrong.
    #[error(transparent)]
    Request(#[from] RequestError),
}

/// Why a message is neither carried out nor answered.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Dropped {
    /// Its retain flag is set.
    #[error("a retained message is not a command; publish it without the retain flag, and clear it")]
    Retained,
    /// Nothing in it. Clearing a retained message looks like this.
    #[error("an empty message is not a command")]
    Empty,
    /// Not a topic for commands.
    #[error("no commands come on this topic")]
    Topic,
}

/// A message as it came.
#[derive(Debug, Clone, Copy)]
pub struct Message<'a> {
    /// The topic in full.
    pub topic: &'a [u8],
    /// The payload.
    pub payload: &'a [u8],
    /// The retain flag.
    pub retain: bool,
    /// Where the sender wants its answer.
    pub response_topic: Option<&'a str>,
    /// What the sender wants in its answer.
    pub correlation: Option<&'a [u8]>,
}

/// Which of the topics a message came on.
enum Door<'a> {
    Rig,
    Frame(&'a str),
    Target(&'a str),
}

impl Incoming {
    /// Reads a message to the rig whose topics begin with `prefix`.
    ///
    /// # Errors
    /// [`Dropped`] when it is no command at all.
    pub fn read(prefix: &str, message: Message<'_>) -> Result<Self, Dropped> {
        let own = std::str::from_utf8(message.topic).ok().and_then(|topic| under(prefix, topic));
        let door = own.and_then(door).ok_or(Dropped::Topic)?;
        if message.retain {
            return Err(Dropped::Retained);
        }
        if message.payload.is_empty() {
            return Err(Dropped::Empty);
        }
        let mut id = None;
        let request = understand(&door, message.payload, &mut id);
        let response_topic = message.response_topic.filter(|topic| takes_answers(prefix, topic));
        let reply = ReplyTo {
            id: id.clone(),
            topic: response_topic.map_or_else(
                || Topic::OfRig(topics::REPLY.to_owned()),
                |topic| Topic::Full(topic.to_owned()),
            ),
            correlation: message.correlation.map(<[u8]>::to_vec),
        };
        Ok(Self { id, reply, request })
    }
}

/// What follows the prefix and its slash.
fn under<'a>(prefix: &str, topic: &'a str) -> Option<&'a str> {
    topic.strip_prefix(prefix)?.strip_prefix('/')
}

fn door(own_topic: &str) -> Option<Door<'_>> {
    if own_topic == topics::COMMAND {
        return Some(Door::Rig);
    }
    match own_topic.strip_prefix("frame/")?.split_once('/')? {
        (frame, "command") => Some(Door::Frame(frame)),
        (frame, "target/set") => Some(Door::Target(frame)),
        _ => None,
    }
}

/// Whether an answer may go there: not to a filter, and not among the rig's
/// own topics, where it would pass for a state or a command.
fn takes_answers(prefix: &str, topic: &str) -> bool {
    let own = under(prefix, topic).is_some_and(|own| own != topics::REPLY && !own.starts_with("reply/"));
    !topic.is_empty() && !topic.contains(['+', '#', '\0']) && !topic.starts_with('$') && !own
}

/// Reads a payload; `id` is set as soon as it is known.
fn understand(door: &Door<'_>, payload: &[u8], id: &mut Option<String>) -> Result<Issued, CommandError> {
    if payload.len() > LONGEST_PAYLOAD {
        return Err(CommandError::TooLong(payload.len()));
    }
    let text =
        std::str::from_utf8(payload).map_err(|error| CommandError::NotUtf8(error.valid_up_to() + 1))?;
    let text = text.trim();
    match *door {
        Door::Rig => object(text, None, id),
        Door::Frame(frame) if text.starts_with('{') => object(text, Some(frame_name(frame)?), id),
        Door::Frame(frame) => bare_verb(text, frame_name(frame)?),
        Door::Target(frame) => target(text, frame_name(frame)?, id),
    }
}

fn frame_name(frame: &str) -> Result<String, CommandError> {
    let fit = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-' || b == b'_';
    let is_name = (1..=32).contains(&frame.len()) && frame.bytes().all(fit);
    is_name.then(|| frame.to_owned()).ok_or(CommandError::FrameName)
}

fn object(text: &str, frame: Option<String>, id: &mut Option<String>) -> Result<Issued, CommandError> {
    let mut fields = Request::fields(text.as_bytes())?;
    *id = issued::take_id(&mut fields)?;
    let at = issued::take_time(&mut fields)?;
    if let Some(frame) = frame
        && fields.insert("frame".to_owned(), frame.into()).is_some()
    {
        return Err(CommandError::FrameTwice);
    }
    Ok(Issued { request: Request::from_fields(fields)?, at })
}

fn bare_verb(verb: &str, frame: String) -> Result<Issued, CommandError> {
    if !BARE_VERBS.contains(&verb) {
        return Err(CommandError::BareVerb);
    }
    let fields = Map::from_iter([("do".to_owned(), verb.into()), ("frame".to_owned(), frame.into())]);
    Ok(Issued { request: Request::from_fields(fields)?, at: None })
}

fn target(text: &str, frame: String, id: &mut Option<String>) -> Result<Issued, CommandError> {
    let Ok(Value::Object(mut fields)) = serde_json::from_str(text) else {
        return Err(CommandError::TargetValue);
    };
    *id = issued::take_id(&mut fields)?;
    let at = issued::take_time(&mut fields)?;
    let value = fields.remove("value").and_then(|value| value.as_f64());
    let kj_m2 = value.filter(|_| fields.is_empty()).ok_or(CommandError::TargetValue)?;
    let target = TargetDose::new(Dose::from_j_m2(kj_m2 * 1000.0))?;
    Ok(Issued { request: Request::Retarget { frame, target }, at })
}

impl ReplyTo {
    /// The answer as a message; the command's id is put into it.
    #[must_use]
    pub fn with(self, mut answer: Value) -> Publication {
        if let (Some(id), Value::Object(fields)) = (self.id, &mut answer) {
            fields.insert("id".to_owned(), id.into());
        }
        Publication {
            topic: self.topic,
            payload: answer.to_string().into_bytes(),
            retain: false,
            delivery: Delivery::AtLeastOnce,
            correlation: self.correlation,
            user_properties: Vec::new(),
        }
    }
}

/// A plain message with a command in it, as it is read.
#[cfg(test)]
pub(crate) fn understood(prefix: &str, topic: &str, payload: &str) -> Incoming {
    let (topic, payload) = (topic.as_bytes(), payload.as_bytes());
    Incoming::read(prefix, Message { topic, payload, retain: false, response_topic: None, correlation: None })
        .unwrap()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::json;

    use super::*;
    use crate::request::{Aim, Expose};

    const PREFIX: &str = "frameside/yard";

    fn message<'a>(topic: &'a str, payload: &'a [u8]) -> Message<'a> {
        Message { topic: topic.as_bytes(), payload, retain: false, response_topic: None, correlation: None }
    }

    fn incoming(topic: &str, payload: impl AsRef<[u8]>) -> Incoming {
        Incoming::read(PREFIX, message(&format!("{PREFIX}/{topic}"), payload.as_ref())).unwrap()
    }

    fn request(topic: &str, payload: impl AsRef<[u8]>) -> Request {
        incoming(topic, payload).request.unwrap().request
    }

    fn error(topic: &str, payload: impl AsRef<[u8]>) -> String {
        incoming(topic, payload).request.unwrap_err().to_string()
    }

    #[test]
    fn one_request_through_each_door() {
        let cover = Request::Cover { frame: "oak".into() };
        assert_eq!(request("command", r#"{"do":"cover","frame":"oak"}"#), cover);
        assert_eq!(request("frame/oak/command", r#" {"do":"cover"}"#), cover);
        assert_eq!(request("frame/oak/command", "cover\n"), cover);
        let retarget = Request::Retarget { frame: "oak".into(), target: "15.5kJ/m2".parse().unwrap() };
        assert_eq!(request("frame/oak/target/set", r#"{"value":15.5,"id":"a"}"#), retarget);
        assert_eq!(request("command", r#"{"do":"retarget","frame":"oak","target":"15.5kJ/m2"}"#), retarget);
        assert_eq!(request("command", r#"{"do":"hush"}"#), Request::Hush { frame: None });
    }

    #[test]
    fn every_bare_verb_is_a_request() {
        for verb in BARE_VERBS {
            assert!(request("frame/oak/command", verb).to_json().contains(verb));
        }
    }

    #[test]
    fn wrong_payloads_are_answered_with_what_would_be_right() {
        let long = format!(r#"{{"do":"{}"}}"#, "x".repeat(LONGEST_PAYLOAD));
        let bare = r#"send cover, bring-in, hush, or a JSON object such as {"do":"cover"}"#;
        let value = r#"a target is an object with its kJ/m2, such as {"value":15.5,"id":"a1","issued_at":"2026-07-14T10:21:09+02:00"}"#;
        for (topic, payload, expected) in [
            ("command", long.as_bytes(), "a command holds at most 65536 bytes, not 65545"),
            ("command", b"cover \xff", "a command is UTF-8 text; byte 7 is not"),
            (
                "command",
                br#"{"do":"cover","frame":"oa"#,
                r#"a request is one JSON object such as {"do":"status"}: EOF while parsing a string at line 1 column 25"#,
            ),
            (
                "command",
                b"[1]",
                r#"a request is one JSON object such as {"do":"status"}: this is not an object"#,
            ),
            ("command", br#"{"do":"cover","frame":"oak","speed":2}"#, "'cover' does not take \"speed\""),
            ("command", br#"{"do":"cover"}"#, "'cover' needs \"frame\""),
            (
                "command",
                br#"{"do":"expose","frame":"oak","target":"NaN kJ/m2"}"#,
                "\"target\" cannot be used: 'NaN kJ/m2' is not a dose; write it like 18kJ/m2, 1.8J/cm2, 1800mJ/cm2 or 18000J/m2",
            ),
            ("command", br#"{"do":"status","id":7}"#, "\"id\" must be a text of 1 to 100 bytes"),
            ("command", br#"{"do":"status","id":""}"#, "\"id\" must be a text of 1 to 100 bytes"),
            (
                "command",
                br#"{"do":"status","issued_at":"10:21"}"#,
                "\"issued_at\" must be a time with its offset, such as \"2026-07-14T10:21:09+02:00\"",
            ),
            ("frame/oak/command", b"retarget", bare),
            ("frame/oak/command", b"COVER", bare),
            ("frame/oak/command", b"uncover", bare),
            (
                "frame/oak/command",
                br#"{"do":"cover","frame":"oak"}"#,
                "leave out \"frame\": the topic names it",
            ),
            ("frame/oak/command", br#"{"do":"status"}"#, "'status' does not take \"frame\""),
            ("frame/Oak tree/command", b"cover", "the topic must name a frame: 1 to 32 of a-z, 0-9, - and _"),
            ("frame//target/set", b"15", "the topic must name a frame: 1 to 32 of a-z, 0-9, - and _"),
            ("frame/oak/target/set", b"15 kJ/m2", value),
            ("frame/oak/target/set", b"15.5", value),
            ("frame/oak/target/set", b" ", value),
            ("frame/oak/target/set", br#"{"value":"15"}"#, value),
            ("frame/oak/target/set", br#"{"value":15,"unit":"J/cm2"}"#, value),
            ("frame/oak/target/set", br#"{"value":NaN}"#, value),
            ("frame/oak/target/set", br#"{"value":15,"id":3}"#, "\"id\" must be a text of 1 to 100 bytes"),
            (
                "frame/oak/target/set",
                br#"{"value":-3}"#,
                "a target must be above zero and at most 100000 kJ/m2, not -3 kJ/m2",
            ),
            (
                "frame/oak/target/set",
                br#"{"value":200000}"#,
                "a target must be above zero and at most 100000 kJ/m2, not 200000 kJ/m2",
            ),
        ] {
            assert_eq!(error(topic, payload), expected, "{topic}");
        }
        assert!(
            error("command", r#"{"do":"covr"}"#).contains("status, prints, expose, cover, uncover, bring-in")
        );
    }

    #[test]
    fn what_is_no_command_is_dropped() {
        let topic = format!("{PREFIX}/frame/oak/command");
        let retained = Message { retain: true, ..message(&topic, b"cover") };
        assert_eq!(Incoming::read(PREFIX, retained), Err(Dropped::Retained));
        assert_eq!(Incoming::read(PREFIX, message(&topic, b"")), Err(Dropped::Empty));
        for topic in ["frameside/yard2/command", "frameside/yardcommand", "other", "frameside/yard/frame/oak"]
        {
            assert_eq!(Incoming::read(PREFIX, message(topic, b"cover")), Err(Dropped::Topic), "{topic}");
        }
    }

    #[test]
    fn answers_carry_the_id_and_go_where_they_are_wanted() {
        let topic = format!("{PREFIX}/command");
        let payload = br#"{"id":"7","do":"covr"}"#;
        let asked = Message {
            response_topic: Some("answers/me"),
            correlation: Some(b"\xff1"),
            ..message(&topic, payload)
        };
        let reply = Incoming::read(PREFIX, asked).unwrap().reply.with(json!({ "ok": true }));
        assert_eq!(reply.topic, Topic::Full("answers/me".into()));
        assert_eq!(reply.payload, br#"{"id":"7","ok":true}"#);
        assert_eq!(reply.correlation.as_deref(), Some(&b"\xff1"[..]));
        assert!(!reply.retain);

        let reply = incoming("command", br#"{"do":"status"}"#).reply.with(json!({ "ok": true }));
        assert_eq!((reply.topic, &reply.payload[..]), (Topic::OfRig("reply".into()), &br#"{"ok":true}"#[..]));
    }

    #[test]
    fn no_answer_passes_for_a_state_or_a_command() {
        for topic in [
            "",
            "a/+",
            "#",
            "$SYS/x",
            "frameside/yard/command",
            "frameside/yard/availability",
            "frameside/yard/frame/oak/state",
        ] {
            assert!(!takes_answers(PREFIX, topic), "{topic}");
        }
        for topic in ["answers/me", "frameside/yard/reply", "frameside/yard/reply/me", "frameside/other/x"] {
            assert!(takes_answers(PREFIX, topic), "{topic}");
        }
    }

    #[test]
    fn an_expose_comes_through_whole() {
        let payload = r#"{"id":"a","do":"expose","frame":"oak","strip":["4kJ/m2","8kJ/m2"],"covered":true}"#;
        let strip = ["4kJ/m2", "8kJ/m2"].map(|dose| dose.parse().unwrap()).to_vec();
        let expected = Expose {
            frame: "oak".into(),
            aim: Aim::Strip(strip),
            recipe: None,
            negative: None,
            source: None,
            note: None,
            covered: true,
        };
        assert_eq!(request("command", payload), Request::Expose(expected));
        assert_eq!(incoming("command", payload).id.as_deref(), Some("a"));
    }

    proptest! {
        #[test]
        fn arbitrary_messages_never_panic(
            topic in prop_oneof![
                "frameside/yard/(command|frame/[a-z+/]{0,5}/(command|target/set))",
                "[a-z/+#]{0,30}",
            ],
            payload in prop_oneof![
                prop::collection::vec(any::<u8>(), 0..200),
                r#"\{("(id|do|frame|target|issued_at)":("[a-z0-9/-]{0,9}"|null|-?[0-9]{1,9}),?){0,4}\}"#
                    .prop_map(String::into_bytes),
                "[-+0-9.einfaN]{0,12}".prop_map(String::into_bytes),
            ],
            retain: bool,
        ) {
            let message = Message { retain, ..message(&topic, &payload) };
            if let Ok(incoming) = Incoming::read(PREFIX, message) {
                prop_assert!(!retain && !payload.is_empty());
                let request = incoming.request.map(|command| command.in_time(i64::MAX, true));
                drop(incoming.reply.with(json!({ "ok": request.is_ok() })));
            }
        }
    }
}
