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
        clap_complete::generate_to(shell, &mut shown(&Cli::command()), "frameside", &completions)?;
    }
    Ok(())
}

/// The command line without what people are not to type: completions would offer it.
fn shown(whole: &Command) -> Command {
    let verbs = whole.get_subcommands().filter(|verb| !verb.is_hide_set()).cloned();
    Command::new("frameside")
        .version(env!("CARGO_PKG_VERSION"))
        .args(whole.get_arguments())
        .subcommands(verbs)
}

/// The page of a verb, and of those below it.
fn pages(command: &Command, date: &str, dir: &Path) -> io::Result<()> {
    for verb in command.get_subcommands().filter(|verb| !verb.is_hide_set()) {
        pages(verb, date, dir)?;
    }
    let name = command.get_display_name().unwrap_or_else(|| command.get_name());
    let source = concat!("frameside ", env!("CARGO_PKG_VERSION"));
    let page = Man::new(command.clone()).title(name.to_uppercase()).date(date);
    let mut roff = Vec::new();
    page.source(source).manual("Frameside").render(&mut roff)?;
    std::fs::write(dir.join(format!("{name}.1")), tidied(&String::from_utf8_lossy(&roff)))
}

/// Without what readers of man pages skip with a warning: line breaks beside an empty
/// line, and blanks at the end of one.
fn tidied(roff: &str) -> String {
    let roff = roff.replace(".br\n\n.br\n", ".sp\n");
    roff.lines().flat_map(|line| [line.trim_end(), "\n"]).collect()
}

/// The day the pages are of; a packager who wants the same bytes again sets
/// `SOURCE_DATE_EPOCH`.
fn date() -> String {
    let epoch = std::env::var("SOURCE_DATE_EPOCH").ok().and_then(|text| text.parse::<i64>().ok());
    let unix_ms = epoch.map_or_else(now_ms, |seconds| seconds.saturating_mul(1000));
    words::day(unix_ms, &TimeZone::UTC)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn completions_offer_what_people_type() {
        let mut script = Vec::new();
        clap_complete::generate(Shell::Bash, &mut shown(&Cli::command()), "frameside", &mut script);
        let script = String::from_utf8(script).unwrap();
        for verb in ["bring-in", "note", "--config", "--json"] {
            assert!(script.contains(verb), "{verb}");
        }
        for verb in ["guard", "pins-off", "shelf"] {
            assert!(!script.contains(verb), "{verb}");
        }
    }
}
