//! The topics of the contract, without the rig's prefix, and the payload of a
//! signal.

use serde::Serialize;

/// [`ONLINE`] or [`OFFLINE`], retained; also the last will.
pub const AVAILABILITY: &str = "availability";
/// The rig is there.
pub const ONLINE: &str = "online";
/// The rig has gone.
pub const OFFLINE: &str = "offline";
/// What needs a person's attention beside the frames, as in `status`: a retained JSON array of
/// texts.
pub const TROUBLES: &str = "troubles";
/// Every signal of the rig.
pub const SIGNAL: &str = "signal";
/// Answers to whoever named no response topic.
pub const REPLY: &str = "reply";
/// Commands to the rig.
pub const COMMAND: &str = "command";
/// Commands to one frame, as a filter.
pub const FRAME_COMMANDS: &str = "frame/+/command";
/// New targets for one frame, as a filter.
pub const FRAME_TARGETS: &str = "frame/+/target/set";

/// What comes before every topic of a rig, without the slash.
#[must_use]
pub fn prefix(rig: &str) -> String {
    format!("frameside/{rig}")
}

/// The kinds of signal there can be.
pub const SIGNAL_KINDS: [&str; 14] = [
    "nearly",
    "due",
    "overdue",
    "band",
    "begun",
    "covered",
    "uncovered",
    "brought-in",
    "sensor-lost",
    "sensor-back",
    "too-slow",
    "unjudged",
    "lamp-off",
    "trouble",
];
/// The states a frame can be in.
pub const FRAME_STATES: [&str; 5] = ["empty", "covered", "exposing", "due", "in"];

/// The light a sensor sees, a number in W/m².
#[must_use]
pub fn sensor_irradiance(sensor: &str) -> String {
    format!("sensor/{sensor}/irradiance")
}

/// Whether a sensor is lost: `ON` or `OFF`.
#[must_use]
pub fn sensor_problem(sensor: &str) -> String {
    format!("sensor/{sensor}/problem")
}

/// A frame's object as in `status`.
#[must_use]
pub fn frame_state(frame: &str) -> String {
    format!("frame/{frame}/state")
}

/// The signals of one frame.
#[must_use]
pub fn frame_signal(frame: &str) -> String {
    format!("frame/{frame}/signal")
}

/// Commands to one frame.
#[must_use]
pub fn frame_command(frame: &str) -> String {
    format!("frame/{frame}/command")
}

/// A signal as it goes out. It may arrive twice: receivers know it by `id`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SignalPayload {
    /// The same on both topics and whenever it is sent again.
    pub id: String,
    /// The word of the contract for its kind.
    pub kind: String,
    /// The same word, under the name home automation looks for.
    pub event_type: String,
    /// The rig.
    pub rig: String,
    /// The frame that calls; empty where the rig itself does.
    pub frame: String,
    /// The print in it.
    pub print: String,
    /// When what it tells of happened, RFC 3339.
    pub at: String,
    /// The print's dose then, in J/m².
    pub dose_j_m2: f64,
    /// What it aims at, in J/m².
    pub target_j_m2: f64,
    /// What a person reads.
    pub text: String,
}

impl SignalPayload {
    /// The payload as JSON.
    #[must_use]
    pub fn to_json(&self) -> String {
        serde_json::to_string(self).expect("text and numbers always serialize")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_signal_has_the_names_of_the_contract() {
        let payload = SignalPayload {
            id: "2026-07-14-oak-1-due-5".into(),
            kind: "due".into(),
            event_type: "due".into(),
            rig: "yard".into(),
            frame: "oak".into(),
            print: "2026-07-14-oak-1".into(),
            at: "2026-07-14T10:21:09+02:00".into(),
            dose_j_m2: 15_000.0,
            target_j_m2: 15_000.0,
            text: "oak is due.".into(),
        };
        assert_eq!(
            payload.to_json(),
            r#"{"id":"2026-07-14-oak-1-due-5","kind":"due","event_type":"due","rig":"yard","frame":"oak","print":"2026-07-14-oak-1","at":"2026-07-14T10:21:09+02:00","dose_j_m2":15000.0,"target_j_m2":15000.0,"text":"oak is due."}"#
        );
    }
}
