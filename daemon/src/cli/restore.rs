//! `frameside restore`

use std::os::unix::net::UnixStream;
use std::path::PathBuf;

use serde_json::json;

use super::{Context, Failure, out, out_json};
use crate::ledger;

/// Put a record back from a backup.
///
/// The file is checked first. A record that is there already is kept under
/// another name. Stop the daemon first.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  frameside restore /media/stick/frameside.sqlite
  frameside restore /media/stick/frameside.sqlite --replace")]
pub(super) struct Args {
    /// A file that `frameside backup` wrote
    file: PathBuf,
    /// Replace the record that is there
    #[arg(long)]
    replace: bool,
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    let config = context.config()?;
    if UnixStream::connect(&config.socket).is_ok() {
        return Err(Failure::Failed("the daemon runs; stop it before its record is replaced".to_owned()));
    }
    let aside = ledger::restore(&args.file, &config.ledger.path, args.replace)?;
    if context.json {
        out_json(&json!({ "ok": true, "record": config.ledger.path, "before": aside }));
        return Ok(());
    }
    out(&format!("{} is restored\n", config.ledger.path.display()));
    if let Some(aside) = aside {
        out(&format!("what was there is kept as {}\n", aside.display()));
    }
    Ok(())
}
