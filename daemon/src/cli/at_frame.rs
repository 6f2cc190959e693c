//! `frameside cover`, `uncover`, `bring-in`, `hush` and `retarget`

use std::io::Write;

use frameside_core::quantity::TargetDose;
use serde_json::Value;

use super::{Context, Failure, out, out_json};
use crate::request::Request;
use crate::status::FrameStatus;

#[derive(Debug, clap::Args)]
pub(super) struct Frame {
    /// The frame
    frame: String,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  frameside hush\n  frameside hush oak")]
pub(super) struct MaybeFrame {
    /// The frame; every one that calls if left out
    frame: Option<String>,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  frameside retarget oak 18kJ/m2")]
pub(super) struct Retarget {
    /// The frame
    frame: String,
    /// The new target, such as 18kJ/m2
    #[arg(allow_hyphen_values = true)]
    dose: TargetDose,
}

pub(super) fn cover(at: Frame, context: &Context) -> Result<(), Failure> {
    tell(&Request::Cover { frame: at.frame }, context)
}

pub(super) fn uncover(at: Frame, context: &Context) -> Result<(), Failure> {
    tell(&Request::Uncover { frame: at.frame }, context)
}

pub(super) fn bring_in(at: Frame, context: &Context) -> Result<(), Failure> {
    tell(&Request::BringIn { frame: at.frame }, context)
}

pub(super) fn retarget(args: Retarget, context: &Context) -> Result<(), Failure> {
    tell(&Request::Retarget { frame: args.frame, target: args.dose }, context)
}

pub(super) fn hush(at: MaybeFrame, context: &Context) -> Result<(), Failure> {
    let answer = context.ask(&Request::Hush { frame: at.frame })?;
    if context.json {
        out_json(&answer);
    } else {
        out("hushed\n");
    }
    Ok(())
}

fn tell(request: &Request, context: &Context) -> Result<(), Failure> {
    let answer = context.ask(request)?;
    if context.json {
        out_json(&answer);
        return Ok(());
    }
    match serde_json::from_value::<FrameStatus>(answer.clone()) {
        Ok(frame) => out(&format!("{}\n", frame.sentence())),
        Err(_) => out_json(&answer),
    }
    steps(&answer);
    warn(&answer);
    Ok(())
}

/// How the answer came about, and what follows.
pub(super) fn steps(answer: &Value) {
    for step in answer["steps"].as_array().into_iter().flatten().filter_map(Value::as_str) {
        out(&format!("  {step}\n"));
    }
}

/// What the daemon wants a person to know beside the answer, which is all that
/// stdout holds.
pub(super) fn warn(answer: &Value) {
    if let Some(warning) = answer["warning"].as_str() {
        // The answer itself is told; nobody reads this one.
        let _ = writeln!(std::io::stderr(), "! {warning}");
    }
}
