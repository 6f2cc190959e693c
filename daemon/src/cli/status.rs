//! `frameside status`

use std::fmt::Write as _;

use serde_json::{Value, json};

use super::{Context, Failure, broker, out, out_json};
use crate::mqtt::{RigAnswer, ask_rigs};
use crate::request::Request;
use crate::status::Status;

/// One line for each sensor and frame: dose, target, and when it will be due in this light.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside status
  frameside status --rig all")]
pub(super) struct Args {
    /// Another rig at the broker, or all of them
    #[arg(long, value_name = "NAME|all")]
    rig: Option<String>,
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    match &args.rig {
        Some(rig) => of_rigs(rig, context),
        None => of_this_rig(context),
    }
}

fn of_this_rig(context: &Context) -> Result<(), Failure> {
    let mut answer = context.ask(&Request::Status)?;
    let status = read(&answer)?;
    if context.json {
        if let Some(fields) = answer.as_object_mut() {
            fields.remove("ok");
        }
        out_json(&answer);
    } else {
        out(&status.for_people());
    }
    Ok(())
}

fn read(answer: &Value) -> Result<Status, Failure> {
    serde_json::from_value(answer.clone())
        .map_err(|error| Failure::Failed(format!("the daemon is of another version: {error}")))
}

/// Asks over the broker.
fn of_rigs(rig: &str, context: &Context) -> Result<(), Failure> {
    let config = context.config()?;
    let Some(mqtt) = &config.mqtt else {
        return Err(Failure::Usage("--rig asks over a broker; add [mqtt] to the config".to_owned()));
    };
    let settings = broker::settings(&config, mqtt, "")?;
    let one = (rig != "all").then_some(rig);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::Failed(format!("the runtime does not start: {error}")))?;
    let answers = runtime
        .block_on(ask_rigs(&settings, one, &json!({ "do": "status" })))
        .map_err(|error| Failure::Failed(format!("the broker at {}: {error}", mqtt.broker)))?;
    if answers.is_empty() {
        return Err(Failure::Failed(format!(
            "the broker at {} knows no rig{}; its access list may not let {} see any",
            mqtt.broker,
            one.map(|rig| format!(" '{}'", rig.escape_default())).unwrap_or_default(),
            settings.user.as_deref().unwrap_or("an unknown user"),
        )));
    }
    if context.json {
        out_json(&answers.iter().map(|(rig, answer)| answer.to_json(rig)).collect());
        return Ok(());
    }
    for (rig, answer) in &answers {
        out(&for_people(rig, answer)?);
    }
    Ok(())
}

fn for_people(rig: &str, answer: &RigAnswer) -> Result<String, Failure> {
    let lines = match answer {
        RigAnswer::Away => "not online".to_owned(),
        RigAnswer::Silent => "online, but does not answer; is this user allowed to command it?".to_owned(),
        RigAnswer::Answered(answer) => read(answer)?.for_people(),
    };
    let mut text = format!("{rig}\n");
    for line in lines.lines() {
        let _ = writeln!(text, "  {line}");
    }
    Ok(text)
}
