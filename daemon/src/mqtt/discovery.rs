//! What home automation is told, so that the rig's sensors and frames are
//! there on the home's devices with nothing written by hand: the payloads of
//! Home Assistant's MQTT discovery, made from names alone.
//!
//! Entities belong to sensors and frames, which stay, and never to prints,
//! which come and go: a print's name travels in the states and signals.

use serde_json::{Map, Value, json};

use super::topics;

/// What there is to announce.
#[derive(Debug, Clone)]
pub struct House {
    /// The first level of the discovery topics.
    pub prefix: String,
    /// The rig's name.
    pub rig: String,
    /// Its sensors.
    pub sensors: Vec<HouseSensor>,
    /// Its frames.
    pub frames: Vec<HouseFrame>,
}

/// A sensor to announce.
#[derive(Debug, Clone)]
pub struct HouseSensor {
    /// Its name.
    pub name: String,
    /// How often its light is published at least, in seconds.
    pub every_s: f64,
}

/// A frame to announce.
#[derive(Debug, Clone)]
pub struct HouseFrame {
    /// Its name.
    pub name: String,
    /// Its name for people.
    pub label: Option<String>,
}

/// The message of a whole device, which the broker keeps for home automation.
#[derive(Debug, Clone, PartialEq)]
pub struct Announcement {
    /// The topic in full.
    pub topic: String,
    /// The message.
    pub payload: Value,
    /// Id and platform of each component that the message holds.
    pub components: Vec<(String, &'static str)>,
}

/// One thing that home automation shows: an entity, or a trigger.
struct Component {
    /// Unique on the rig.
    id: String,
    platform: &'static str,
    body: Map<String, Value>,
}

/// The greatest target that can be set, in kJ/m², and the least that makes sense.
const TARGETS_KJ_M2: (f64, f64) = (0.01, 100_000.0);
/// A command that took longer than this on its way is dropped by the broker, in seconds.
const COMMAND_EXPIRES_S: u32 = 30;
/// A light is not taken for silent before this, in seconds: three times the
/// longest pause between two messages of a quick sensor.
const LEAST_EXPIRY_S: f64 = 60.0;

impl House {
    /// The rig's id among the home's devices.
    fn node(&self) -> String {
        format!("frameside_{}", self.rig)
    }

    fn of_rig(&self, topic: &str) -> String {
        format!("{}/{topic}", topics::prefix(&self.rig))
    }

    /// The rig as one device.
    #[must_use]
    pub fn announcement(&self) -> Announcement {
        let components = self.components();
        let ids = components.iter().map(|c| (c.id.clone(), c.platform)).collect();
        let bodies: Map<String, Value> = components
            .into_iter()
            .map(|Component { id, platform, mut body }| {
                body.insert("p".to_owned(), platform.into());
                (id, Value::Object(body))
            })
            .collect();
        let mut payload = self.heading();
        payload.insert("cmps".to_owned(), bodies.into());
        Announcement {
            topic: format!("{}/device/{}/config", self.prefix, self.node()),
            payload: payload.into(),
            components: ids,
        }
    }

    /// What device, told by whom, and how to see whether it is there.
    fn heading(&self) -> Map<String, Value> {
        let version = env!("CARGO_PKG_VERSION");
        fields(json!({
            "dev": {
                "ids": [self.node()], "name": format!("Frameside {}", self.rig),
                "mf": "Frameside", "mdl": "Frameside", "sw": version,
            },
            "o": { "name": "Frameside", "sw": version },
            "avty": [{ "t": self.of_rig(topics::AVAILABILITY) }],
        }))
    }

    fn components(&self) -> Vec<Component> {
        let rig = [
            self.entity("Rig", "event", "event", self.event("Any frame", topics::SIGNAL)),
            self.entity(
                "Rig",
                "connection",
                "binary_sensor",
                json!({
                    "name": "Connection", "dev_cla": "connectivity", "ent_cat": "diagnostic",
                    "stat_t": self.of_rig(topics::AVAILABILITY),
                    "pl_on": topics::ONLINE, "pl_off": topics::OFFLINE, "avty": [],
                }),
            ),
            self.entity(
                "Rig",
                "problem",
                "binary_sensor",
                json!({
                    "name": "Problem", "dev_cla": "problem", "ent_cat": "diagnostic",
                    "stat_t": self.of_rig(topics::TROUBLES),
                    "val_tpl": "{{ 'ON' if value_json else 'OFF' }}",
                    "json_attr_t": self.of_rig(topics::TROUBLES),
                    "json_attr_tpl": "{{ {'troubles': value_json} | tojson }}",
                }),
            ),
        ];
        let sensors = self.sensors.iter().flat_map(|sensor| self.sensor(sensor));
        let frames = self.frames.iter().flat_map(|frame| self.frame(frame));
        rig.into_iter().chain(sensors).chain(frames).collect()
    }

    fn sensor(&self, sensor: &HouseSensor) -> [Component; 2] {
        let owner = format!("Sensor_{}", sensor.name);
        let title = title(&sensor.name);
        // Steady light is not silence: each message counts, also one like the last.
        let irradiance = json!({
            "name": format!("{title} irradiance"), "dev_cla": "irradiance", "unit_of_meas": "W/m²",
            "stat_cla": "measurement", "sug_dsp_prc": 1, "frc_upd": true,
            "exp_aft": (3.0 * sensor.every_s).max(LEAST_EXPIRY_S).ceil() as u64,
            "stat_t": self.of_rig(&topics::sensor_irradiance(&sensor.name)),
        });
        let problem = json!({
            "name": format!("{title} problem"), "dev_cla": "problem", "ent_cat": "diagnostic",
            "stat_t": self.of_rig(&topics::sensor_problem(&sensor.name)),
        });
        [
            self.entity(&owner, "irradiance", "sensor", irradiance),
            self.entity(&owner, "problem", "binary_sensor", problem),
        ]
    }

    fn frame(&self, frame: &HouseFrame) -> Vec<Component> {
        let owner = format!("Frame_{}", frame.name);
        let title = title(frame.label.as_deref().unwrap_or(&frame.name));
        let signal = topics::frame_signal(&frame.name);
        let mut components = vec![
            self.entity(&owner, "event", "event", self.event(&title, &signal)),
            self.due_trigger(&owner, &frame.name, &signal),
        ];
        let state = self.of_rig(&topics::frame_state(&frame.name));
        let command = self.of_rig(&topics::frame_command(&frame.name));
        let others = frame_states(&title, &state).into_iter().chain(frame_commands(
            &title,
            &frame.name,
            &state,
            &command,
        ));
        components.extend(others.map(|(key, platform, body)| self.entity(&owner, key, platform, body)));
        components
    }

    /// A call as an event. Without availability: an event that comes back
    /// after having been away would fire its last call again.
    fn event(&self, name: &str, topic: &str) -> Value {
        json!({
            "name": name, "evt_typ": topics::SIGNAL_KINDS, "stat_t": self.of_rig(topic), "avty": [], "qos": 1,
        })
    }

    /// A call as something an automation can start with.
    fn due_trigger(&self, owner: &str, frame: &str, signal: &str) -> Component {
        let body = fields(json!({
            "atype": "trigger", "type": "print_due", "stype": frame, "t": self.of_rig(signal),
            "val_tpl": "{{ value_json.event_type }}", "pl": "due", "qos": 1,
        }));
        Component { id: format!("{owner}_trigger"), platform: "device_automation", body }
    }

    /// Names of rigs, sensors and frames have no capitals, and no `key` ends in
    /// another: so no two ids are the same.
    fn entity(&self, owner: &str, key: &str, platform: &'static str, body: Value) -> Component {
        let id = format!("{owner}_{key}");
        let mut body = fields(body);
        body.insert("uniq_id".to_owned(), format!("{}_{id}", self.node()).into());
        Component { id, platform, body }
    }
}

/// An entity by its key, its platform and what is special of it.
type Entity = (&'static str, &'static str, Value);

/// What is shown of a frame, all from the topic of its `state`.
fn frame_states(title: &str, state: &str) -> [Entity; 5] {
    [
        (
            "waiting",
            "binary_sensor",
            json!({
                "name": format!("{title} waiting"), "stat_t": state,
                "val_tpl": "{{ 'ON' if value_json.waiting else 'OFF' }}",
            }),
        ),
        (
            "state",
            "sensor",
            json!({
                "name": format!("{title} state"), "dev_cla": "enum", "ops": topics::FRAME_STATES,
                "stat_t": state, "val_tpl": "{{ value_json.state }}",
                "json_attr_t": state, "json_attr_tpl": "{{ {'print': value_json.print} | tojson }}",
            }),
        ),
        (
            "dose",
            "sensor",
            json!({
                "name": format!("{title} dose"), "unit_of_meas": "kJ/m²", "stat_cla": "measurement",
                "sug_dsp_prc": 2, "stat_t": state, "val_tpl": "{{ value_json.dose_j_m2 / 1000 }}",
            }),
        ),
        (
            "progress",
            "sensor",
            json!({
                "name": format!("{title} progress"), "unit_of_meas": "%", "stat_cla": "measurement",
                "sug_dsp_prc": 0, "stat_t": state,
                "val_tpl": "{{ value_json.fraction * 100 if value_json.fraction is number else None }}",
            }),
        ),
        (
            "due",
            "sensor",
            json!({
                "name": format!("{title} due"), "dev_cla": "timestamp", "stat_t": state, "val_tpl": "{{ value_json.due }}",
            }),
        ),
    ]
}

/// What can be asked of a frame on the topic of its commands.
fn frame_commands(title: &str, frame: &str, state: &str, topic: &str) -> [Entity; 5] {
    let (least, most) = TARGETS_KJ_M2;
    let target = json!({
        "name": format!("{title} target"), "unit_of_meas": "kJ/m²", "mode": "box",
        "min": least, "max": most, "step": least, "qos": 1, "cmd_t": topic, "stat_t": state,
        "cmd_tpl": command(frame, "retarget", r#","target":"{{ value }}kJ/m2""#),
        "message_expiry_interval": COMMAND_EXPIRES_S,
        "val_tpl":
            "{{ value_json.target_j_m2 / 1000 if value_json.target_j_m2 is number else None }}",
    });
    let button = |name: &str, verb| {
        json!({
            "name": format!("{title} {name}"), "qos": 1, "cmd_t": topic, "cmd_tpl": command(frame, verb, ""),
            "message_expiry_interval": COMMAND_EXPIRES_S,
        })
    };
    [
        ("target", "number", target),
        ("cover", "button", button("cover", "cover")),
        ("uncover", "button", button("uncover", "uncover")),
        ("bring-in", "button", button("bring in", "bring-in")),
        ("hush", "button", button("hush", "hush")),
    ]
}

/// The template of a command. The id makes one that arrives twice do its work
/// once.
fn command(frame: &str, verb: &str, rest: &str) -> String {
    format!(
        r#"{{"do":"{verb}","id":"{frame}-{verb}-{{{{ now().timestamp() }}}}","issued_at":"{{{{ now().isoformat() }}}}"{rest}}}"#
    )
}

/// A name at the beginning of what a person reads.
fn title(name: &str) -> String {
    let mut letters = name.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

fn fields(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(fields) => fields,
        _ => Map::new(),
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use proptest::prelude::*;

    use super::*;
    use crate::mqtt::command;

    fn house(frames: &[&str]) -> House {
        let frame = |name: &&str| HouseFrame { name: (*name).into(), label: None };
        House {
            prefix: "homeassistant".into(),
            rig: "yard".into(),
            sensors: vec![HouseSensor { name: "sky".into(), every_s: 1.0 }],
            frames: frames.iter().map(frame).collect(),
        }
    }

    fn device(frames: &[&str]) -> Value {
        house(frames).announcement().payload
    }

    /// What Home Assistant's schemas ask of each platform (2024.3.3, 2025.4.4
    /// and 2026.11.0, tried), in its short names.
    fn required(platform: &str) -> &'static [&'static str] {
        match platform {
            "sensor" | "binary_sensor" => &["stat_t", "name", "uniq_id"],
            "event" => &["stat_t", "evt_typ", "name", "uniq_id"],
            "button" | "number" => &["cmd_t", "name", "uniq_id"],
            "device_automation" => &["atype", "type", "stype", "t"],
            other => panic!("{other} is no platform"),
        }
    }

    /// Of a device class only these units, and of a measurement never without a number.
    fn assert_sound(id: &str, platform: &str, body: &Value) {
        for key in required(platform) {
            assert!(body.get(key).is_some(), "{id} needs {key}");
        }
        assert!(body.get("object_id").is_none() && body.get("obj_id").is_none() && body.get("ret").is_none());
        let text = |key: &str| body[key].as_str().unwrap_or_default();
        match (platform, text("dev_cla")) {
            ("sensor", "irradiance") => {
                assert_eq!((text("unit_of_meas"), text("stat_cla")), ("W/m²", "measurement"));
            }
            ("sensor", "enum") => assert!(body["ops"].is_array() && body.get("stat_cla").is_none()),
            ("sensor", "timestamp") => {
                assert!(body.get("unit_of_meas").is_none() && body.get("stat_cla").is_none());
            }
            ("sensor", "") => assert_eq!(text("stat_cla"), "measurement", "{id}"),
            ("binary_sensor", "problem" | "connectivity" | "")
            | ("event" | "button" | "number" | "device_automation", "") => {}
            other => panic!("{id}: {other:?}"),
        }
        if platform == "event" {
            assert_eq!(body["avty"], json!([]), "{id} would fire again when it comes back");
        }
    }

    #[test]
    fn the_device_message_keeps_the_rules_of_its_readers() {
        let payload = device(&["oak", "elm"]);
        let top: Vec<&str> = payload.as_object().unwrap().keys().map(String::as_str).collect();
        assert_eq!(top, ["avty", "cmps", "dev", "o"], "any other key rejects the whole device");
        assert_eq!(payload["o"]["name"], "Frameside");
        assert_eq!(payload["avty"], json!([{ "t": "frameside/yard/availability" }]));
        let components = payload["cmps"].as_object().unwrap();
        assert_eq!(components.len(), 3 + 2 + 2 * 12);
        let mut unique = BTreeSet::new();
        for (id, body) in components {
            assert!(id.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_' || b == b'-'), "{id}");
            let platform = body["p"].as_str().unwrap();
            assert_sound(id, platform, body);
            if platform != "device_automation" {
                assert!(unique.insert(body["uniq_id"].as_str().unwrap()), "{id}");
            }
        }
        let irradiance = &components["Sensor_sky_irradiance"];
        assert_eq!((&irradiance["exp_aft"], &irradiance["frc_upd"]), (&json!(60), &json!(true)));
        let event = &components["Frame_oak_event"];
        assert_eq!((&event["stat_t"], &event["qos"]), (&json!("frameside/yard/frame/oak/signal"), &json!(1)));
        assert_eq!(components["Rig_event"]["stat_t"], "frameside/yard/signal");
    }

    /// What the templates give, with the home's time and value put in.
    fn filled(template: &Value) -> String {
        let text = template.as_str().unwrap().replace("{{ now().timestamp() }}", "1784017269.25");
        text.replace("{{ now().isoformat() }}", "2026-07-14T10:21:09.25+02:00").replace("{{ value }}", "15.5")
    }

    #[test]
    fn every_button_sends_a_command_that_is_understood_and_can_expire() {
        let payload = device(&["oak"]);
        let mut verbs = Vec::new();
        for body in payload["cmps"].as_object().unwrap().values() {
            let Some(template) = body.get("cmd_tpl") else { continue };
            assert_eq!(body["message_expiry_interval"], 30);
            let sent = filled(template);
            let incoming = command::understood("frameside/yard", body["cmd_t"].as_str().unwrap(), &sent);
            assert!(incoming.id.is_some());
            let command = incoming.request.unwrap();
            let at_ms = command.at.expect("it says when it was issued").as_millisecond();
            verbs.push(command.in_time(at_ms, true).unwrap().to_json());
        }
        verbs.sort();
        assert_eq!(
            verbs,
            [
                r#"{"do":"bring-in","frame":"oak"}"#,
                r#"{"do":"cover","frame":"oak"}"#,
                r#"{"do":"hush","frame":"oak"}"#,
                r#"{"do":"retarget","frame":"oak","target":"15500J/m2"}"#,
                r#"{"do":"uncover","frame":"oak"}"#,
            ]
        );
    }

    #[test]
    fn a_label_names_a_frame_to_people_and_its_name_stays_in_the_topics() {
        let mut house = house(&["oak"]);
        house.frames[0].label = Some("large \"oak\" frame".into());
        let payload = house.announcement().payload;
        let waiting = &payload["cmps"]["Frame_oak_waiting"];
        assert_eq!(waiting["name"], "Large \"oak\" frame waiting");
        assert_eq!(waiting["stat_t"], "frameside/yard/frame/oak/state");
    }

    proptest! {
        #[test]
        fn no_two_things_on_any_rigs_have_one_id(
            rigs in prop::collection::btree_set("[a-d_-]{1,4}", 2),
            names in prop::collection::btree_set("[a-d_-]{1,4}", 1..4),
        ) {
            let names: Vec<&str> = names.iter().map(String::as_str).collect();
            let mut ids = BTreeSet::new();
            for rig in rigs {
                let announcement = House { rig, ..house(&names) }.announcement();
                prop_assert!(ids.insert(announcement.topic.clone()), "{}", announcement.topic);
                for (id, body) in announcement.payload["cmps"].as_object().unwrap() {
                    if let Some(unique) = body["uniq_id"].as_str() {
                        prop_assert!(ids.insert(unique.to_owned()), "{id}: {unique}");
                    }
                }
            }
        }
    }
}
