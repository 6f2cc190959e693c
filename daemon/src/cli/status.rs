//! `frameside status`

use serde_json::Value;

use super::{Context, Failure, broker, out, out_json};
use crate::request::Request;
use crate::status::Status;

/// What is on the rig.
///
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
        .map_err(|error| Failure::Failed(format!("the daemon is of another version ({error}); restart it")))
}

/// Asks over the broker.
fn of_rigs(rig: &str, context: &Context) -> Result<(), Failure> {
    let answers = broker::ask(rig, &Request::Status, context)?;
    if context.json {
        out_json(&answers.iter().map(|(rig, answer)| answer.to_json(rig)).collect());
        return Ok(());
    }
    for (rig, answer) in &answers {
        out(&broker::told(rig, answer, |answer| Ok(read(answer)?.for_people()))?);
    }
    Ok(())
}
