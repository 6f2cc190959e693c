//! `frameside backup`

use std::path::PathBuf;

use serde_json::json;

use super::{Context, Failure, out, out_json};
use crate::ledger;

/// Copy the record to a file, also while the daemon runs.
///
/// The copy is checked before it gets its name. Put it on another disk.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  frameside backup /media/stick/frameside.sqlite")]
pub(super) struct Args {
    /// Where the copy goes
    file: PathBuf,
    /// Overwrite a file that is there
    #[arg(long)]
    replace: bool,
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    ledger::backup(&context.config()?.ledger.path, &args.file, args.replace)?;
    if context.json {
        out_json(&json!({ "ok": true, "file": args.file }));
    } else {
        out(&format!("the record is copied to {}\n", args.file.display()));
    }
    Ok(())
}
