//! From the config to the way to the broker, and questions to other rigs.

use std::fmt::Write as _;

use serde_json::Value;

use super::{Context, Failure};
use crate::assemble;
use crate::config::{Config, Discovery, Mqtt};
use crate::mqtt::{KeepAlive, RigAnswer, Settings, ask_rigs, topics};
use crate::request::Request;

/// Where the broker is and who comes.
pub(super) fn settings(config: &Config, broker: &Mqtt, client_id: &str) -> Result<Settings, Failure> {
    Ok(Settings {
        host: broker.broker.clone(),
        port: broker.port,
        login: broker.login.clone(),
        tls: broker.tls.clone(),
        client_id: client_id.to_owned(),
        prefix: topics::prefix(config.rig.name.as_str()),
        keep_alive: KeepAlive::new(broker.keep_alive).map_err(|error| Failure::Config(error.to_string()))?,
        lights: assemble::remote_lights(config),
        birth: (broker.discovery != Discovery::Off).then(|| format!("{}/status", broker.discovery_prefix)),
    })
}

/// Asks a rig, or `all` of them, over the broker.
pub(super) fn ask(
    rig: &str,
    request: &Request,
    context: &Context,
) -> Result<Vec<(String, RigAnswer)>, Failure> {
    let config = context.config()?;
    let Some(mqtt) = &config.mqtt else {
        return Err(Failure::Usage("--rig asks over a broker; add [mqtt] to the config".to_owned()));
    };
    let settings = settings(&config, mqtt, "")?;
    let one = (rig != "all").then_some(rig);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::Failed(format!("the runtime does not start: {error}")))?;
    let answers = runtime
        .block_on(ask_rigs(&settings, one, &request.to_value()))
        .map_err(|error| Failure::Failed(format!("the broker at {}: {error}", mqtt.broker)))?;
    if answers.is_empty() {
        return Err(Failure::Failed(format!(
            "the broker at {} knows no rig{}; its access list may not let {} see any",
            mqtt.broker,
            one.map(|rig| format!(" '{}'", rig.escape_default())).unwrap_or_default(),
            settings.login.as_ref().map_or("an unknown user", |login| &login.user),
        )));
    }
    Ok(answers.into_iter().collect())
}

/// What a rig answered, below its name; `read` makes an answer into words.
pub(super) fn told(
    rig: &str,
    answer: &RigAnswer,
    read: impl FnOnce(&Value) -> Result<String, Failure>,
) -> Result<String, Failure> {
    let lines = match answer {
        RigAnswer::Away => "not online".to_owned(),
        RigAnswer::Silent => "online, but does not answer; is this user allowed to command it?".to_owned(),
        RigAnswer::Answered(answer) => match answer["error"].as_str() {
            Some(error) => format!("refuses: {error}"),
            None => read(answer)?,
        },
    };
    let mut text = format!("{rig}\n");
    for line in lines.lines() {
        let _ = writeln!(text, "  {line}");
    }
    Ok(text)
}
