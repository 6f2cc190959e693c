//! A message from the broker: its topic up to the first newline, where its answer should go
//! up to the second, then its payload.
#![no_main]

use frameside::mqtt::{Incoming, Message, Topic};
use libfuzzer_sys::fuzz_target;

const PREFIX: &str = "frameside/yard";

fuzz_target!(|bytes: &[u8]| {
    let mut parts = bytes.splitn(3, |&byte| byte == b'\n');
    let (Some(topic), Some(response), Some(payload)) = (parts.next(), parts.next(), parts.next()) else {
        return;
    };
    let topic = [PREFIX.as_bytes(), b"/", topic].concat();
    let response_topic = std::str::from_utf8(response).ok();
    let message =
        Message { topic: &topic, payload, retain: false, response_topic, correlation: Some(response) };
    assert!(Incoming::read(PREFIX, Message { retain: true, ..message }).is_err());
    let Ok(incoming) = Incoming::read(PREFIX, message) else { return };
    assert!(incoming.id.as_ref().is_none_or(|id| (1..=100).contains(&id.len())));
    if let Err(error) = &incoming.request {
        assert!(error.to_string().len() <= 4 * payload.len() + 1000);
    }
    if let Ok(command) = incoming.request {
        let request = command.in_time(1_784_023_200_000, true);
        if let Ok(request) = request {
            let again = frameside::request::Request::from_json(request.to_json().as_bytes());
            assert_eq!(again.as_ref(), Ok(&request));
        }
    }
    let answer = incoming.reply.with(serde_json::json!({ "ok": true }));
    if let Topic::Full(topic) = answer.topic {
        let own = topic.strip_prefix(PREFIX).is_some_and(|rest| rest.starts_with('/'));
        assert!(!topic.contains(['+', '#']) && (!own || topic.starts_with("frameside/yard/reply")));
    }
    let told: serde_json::Value = serde_json::from_slice(&answer.payload).expect("an answer is JSON");
    assert_eq!(told["id"].as_str(), incoming.id.as_deref());
});
