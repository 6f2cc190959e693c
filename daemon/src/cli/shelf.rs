//! `frameside shelf`: for whoever makes a package of it.

use std::io;
use std::path::{Path, PathBuf};

use clap::{Command, CommandFactory};
use clap_complete::Shell;
use clap_mangen::Man;
use jiff::tz::TimeZone;

use super::{Cli, Failure, now_ms, out};
use crate::words;

/// Writes man pages into DIR/man and completions for bash, zsh and fish into DIR/completions.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  frameside shelf target/shelf")]
pub(super) struct Args {
    /// The folder; it is made if need be
    dir: PathBuf,
}

pub(super) fn run(args: &Args) -> Result<(), Failure> {
    write(&args.dir)
        .map_err(|error| Failure::Failed(format!("cannot write into {}: {error}", args.dir.display())))?;
    out(&format!("written: {}\n", args.dir.display()));
    Ok(())
}

fn write(dir: &Path) -> io::Result<()> {
    let (man, completions) = (dir.join("man"), dir.join("completions"));
    std::fs::create_dir_all(&man)?;
    std::fs::create_dir_all(&completions)?;
    let mut command = Cli::command().disable_help_subcommand(true);
    command.build();
    pages(&command, &date(), &man)?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        clap_complete::generate_to(shell, &mut Cli::command(), "frameside", &completions)?;
    }
    Ok(())
}

/// The page of a verb, and of those below it.
fn pages(command: &Command, date: &str, dir: &Path) -> io::Result<()> {
    for verb in command.get_subcommands().filter(|verb| !verb.is_hide_set()) {
        pages(verb, date, dir)?;
    }
    let source = concat!("frameside ", env!("CARGO_PKG_VERSION"));
    let page = Man::new(command.clone()).date(date).source(source).manual("Frameside");
    page.generate_to(dir).map(drop)
}

/// The day the pages are of; a packager who wants the same bytes again sets
/// `SOURCE_DATE_EPOCH`.
fn date() -> String {
    let epoch = std::env::var("SOURCE_DATE_EPOCH").ok().and_then(|text| text.parse::<i64>().ok());
    let unix_ms = epoch.map_or_else(now_ms, |seconds| seconds.saturating_mul(1000));
    words::day(unix_ms, &TimeZone::UTC)
}
