//! `frameside status`

use super::{Context, Failure, out, out_json};
use crate::request::Request;
use crate::status::Status;

/// What is on the rig.
///
/// One line for each sensor and frame: dose, target, and when it will be due in this light.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  frameside status")]
pub(super) struct Args {}

pub(super) fn run(_: &Args, context: &Context) -> Result<(), Failure> {
    let mut answer = context.ask(&Request::Status)?;
    let status: Status = serde_json::from_value(answer.clone())
        .map_err(|error| Failure::Failed(format!("the daemon is of another version: {error}")))?;
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
