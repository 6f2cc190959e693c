//! The command line: one file per verb.

mod advise;
mod at_frame;
mod backup;
mod bed;
mod broker;
mod check;
mod day;
mod export;
mod expose;
mod guard;
mod judge;
mod lamp;
mod light;
mod note;
#[cfg(feature = "page")]
mod page;
mod pins_off;
mod printed_wedge;
mod prints;
mod recipe;
mod record_card;
mod rehearse;
mod replay;
mod restore;
mod run;
mod season;
mod sensor;
mod shelf;
mod show;
mod source;
mod status;
mod strip;
mod table;
mod watch;
mod wedge;
mod wedge_scan;

use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::builder::{PathBufValueParser, TypedValueParser};
use clap::{Parser, Subcommand};
use frameside_core::light::CalibrationError;
use jiff::tz::TimeZone;
use serde_json::Value;

use crate::charts;
use crate::config::{self, Config, ConfigError, Env};
use crate::ledger::{CalibrationRow, LedgerError, Notebook, Record};
use crate::request::Request;
use crate::socket::{self, AskError};
use crate::words;

/// Exposes contact prints by dose, not by minutes.
///
/// A UV sensor lies beside the frames; Frameside adds up the light that each
/// print has received and calls when a frame has its dose, whatever the clouds do.
#[derive(Debug, Parser)]
#[command(
    name = "frameside",
    version,
    max_term_width = 90,
    after_help = "\
Start here:
  frameside rehearse          the whole job with no hardware, in half a minute
  frameside check --rig       what is connected, once a config is written
  frameside run               the daemon"
)]
struct Cli {
    /// The config file; else FRAMESIDE_CONFIG, /etc/frameside/config.toml or ~/.config/frameside/config.toml
    #[arg(long, global = true, value_name = "FILE")]
    config: Option<PathBuf>,
    /// The same facts as JSON
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, Subcommand)]
enum Verb {
    #[command(about = "The main job with no hardware: a made-up cloudy morning through the real service")]
    Rehearse(rehearse::Args),
    #[command(about = "The daemon: it reads the sensors, counts the doses and calls")]
    Run(run::Args),
    #[command(about = "Check the config and, with --rig, the devices")]
    Check(check::Args),
    #[command(about = "Begin a print in a frame")]
    Expose(expose::Args),
    /// Put the cover on a frame: it stops counting
    #[command(after_help = "Example:\n  frameside cover oak")]
    Cover(at_frame::Frame),
    /// Take the cover off a frame: it counts on
    #[command(after_help = "Example:\n  frameside uncover oak")]
    Uncover(at_frame::Frame),
    /// End the exposure: the dose of this instant is the print's dose
    #[command(after_help = "Example:\n  frameside bring-in oak")]
    BringIn(at_frame::Frame),
    /// Stop the calling, of one frame or of all
    Hush(at_frame::MaybeFrame),
    /// Give a print that is out a new target
    Retarget(at_frame::Retarget),
    #[command(about = "What is on the rig")]
    Status(status::Args),
    #[command(about = "The rig live on the terminal")]
    Watch(watch::Args),
    #[command(about = "The light itself: now, or a day's curve")]
    Light(light::Args),
    #[command(about = "The record, newest first")]
    Prints(prints::Args),
    #[command(about = "One print: everything known of it")]
    Show(show::Args),
    #[command(about = "Add a note to a print")]
    Note(note::Args),
    #[command(about = "Describe a recipe, change it, list what there is")]
    Recipe(recipe::Args),
    #[command(about = "What a print itself says, once it is dry")]
    Judge(judge::Args),
    #[command(about = "The next target of a recipe")]
    Advise(advise::Args),
    #[command(about = "A test strip: planned by dose, and what it says")]
    Strip(strip::Args),
    #[command(about = "The characteristic curve of a printed step wedge")]
    Wedge(wedge::Args),
    #[command(about = "The sensor itself: what answers, what it says, how it is corrected")]
    Sensor(sensor::Args),
    #[command(about = "Sun against lamp box")]
    Source(source::Args),
    #[command(about = "The lamp box itself: warm-up, evenness, ageing")]
    Lamp(lamp::Args),
    #[cfg(feature = "page")]
    #[command(about = "The page for a phone: its link and its token")]
    Page(page::Args),
    #[command(about = "A recorded day through the same machine")]
    Replay(replay::Args),
    #[command(about = "Write the record out for other programs")]
    Export(export::Args),
    #[command(about = "Copy the record to a file, also while the daemon runs")]
    Backup(backup::Args),
    #[command(about = "Put a record back from a backup")]
    Restore(restore::Args),
    /// Hold the pin of a lamp's relay; the daemon runs this
    #[command(hide = true)]
    Guard(guard::Args),
    /// Drive all pins of the config off; the service's unit runs this
    #[command(hide = true)]
    PinsOff(pins_off::Args),
    /// Man pages and completions, for packages
    #[command(hide = true)]
    Shelf(shelf::Args),
}

/// Why a verb did not do what was asked. One line first, details after.
#[derive(Debug)]
enum Failure {
    /// It failed; the text says what and what to do.
    Failed(String),
    /// It was asked for in the wrong way.
    Usage(String),
    /// The daemon is not running or does not answer.
    NotRunning(String),
    /// The config is wrong.
    Config(String),
}

/// The file of a picture as an argument: another ending than a picture's is wrong usage.
fn picture() -> impl TypedValueParser<Value = PathBuf> {
    PathBufValueParser::new().try_map(charts::picture_file)
}

impl Failure {
    fn code(&self) -> u8 {
        match self {
            Self::Failed(_) => 1,
            Self::Usage(_) => 2,
            Self::NotRunning(_) => 3,
            Self::Config(_) => 78,
        }
    }

    fn text(&self) -> &str {
        match self {
            Self::Failed(text) | Self::Usage(text) | Self::NotRunning(text) | Self::Config(text) => text,
        }
    }
}

impl From<ConfigError> for Failure {
    fn from(error: ConfigError) -> Self {
        Self::Config(error.to_string())
    }
}

impl From<CalibrationError> for Failure {
    fn from(error: CalibrationError) -> Self {
        Self::Failed(error.to_string())
    }
}

impl From<LedgerError> for Failure {
    fn from(error: LedgerError) -> Self {
        match error {
            LedgerError::Foreign(_) => Self::Config(error.to_string()),
            _ => Self::Failed(error.to_string()),
        }
    }
}

impl From<AskError> for Failure {
    fn from(error: AskError) -> Self {
        match error {
            AskError::NotRunning(_) | AskError::Silent(_) => Self::NotRunning(error.to_string()),
            AskError::Forbidden(_) | AskError::Refused(_) => Self::Failed(error.to_string()),
        }
    }
}

/// What every verb may need.
#[derive(Debug)]
struct Context {
    config: Option<PathBuf>,
    json: bool,
}

impl Context {
    fn config(&self) -> Result<Config, Failure> {
        let env = Env::of_process();
        let file = config::find(self.config.as_deref(), &env)?;
        Ok(config::load(&file, &env)?)
    }

    fn ask(&self, request: &Request) -> Result<Value, Failure> {
        Ok(socket::ask(&self.config()?.socket, request)?)
    }

    fn record(&self) -> Result<(Record, TimeZone), Failure> {
        let config = self.config()?;
        Ok((Record::open(&config.ledger.path)?, zone(&config)))
    }

    /// Refuses a source of light that the config does not name.
    fn known_source(&self, source: &str) -> Result<(), Failure> {
        let config = self.config()?;
        let known = config.sources.iter().map(|source| source.name.as_str());
        words::known_source(source, known).map_err(Failure::Failed)
    }

    /// How a sensor is corrected now, if anything was calibrated.
    fn correction(&self, sensor: &str) -> Result<Option<CalibrationRow>, Failure> {
        match self.record() {
            Ok((record, _)) => Ok(record.calibrations(sensor)?.pop()),
            // Before the daemon's first start there is nothing to know.
            Err(_) if !self.config()?.ledger.path.exists() => Ok(None),
            Err(failure) => Err(failure),
        }
    }

    /// The record, to write what a person found out.
    fn notebook(&self) -> Result<Notebook, Failure> {
        Ok(Notebook::open(&self.config()?.ledger.path)?)
    }
}

/// Refuses to write over a file that is read, and to write two things into one file.
fn refuse_to_overwrite(read: &[&Path], written: &[Option<&Path>]) -> Result<(), Failure> {
    let mut taken: Vec<PathBuf> = read.iter().map(|file| whole_path(file)).collect();
    for file in written.iter().flatten() {
        let path = whole_path(file);
        if taken.contains(&path) {
            let name = file.display();
            return Err(Failure::Usage(format!(
                "{name} is read or written already by this command; choose another name for what is written"
            )));
        }
        taken.push(path);
    }
    Ok(())
}

/// A path that is one for one file, also where that does not exist yet.
fn whole_path(file: &Path) -> PathBuf {
    let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let to_be = || Some(folder.canonicalize().ok()?.join(file.file_name()?));
    file.canonicalize().ok().or_else(to_be).unwrap_or_else(|| file.to_owned())
}

/// What the wall clock shows, in ms since 1970.
fn now_ms() -> i64 {
    jiff::Timestamp::now().as_millisecond()
}

/// The zone that times are told in.
fn zone(config: &Config) -> TimeZone {
    config.rig.timezone.clone().unwrap_or_else(TimeZone::system)
}

/// Prints to stdout. Whoever stops reading (`| head`) is not an error.
fn out(text: &str) {
    let mut stdout = std::io::stdout().lock();
    if stdout.write_all(text.as_bytes()).and_then(|()| stdout.flush()).is_err() {
        std::process::exit(0);
    }
}

/// Prints JSON, on one line.
fn out_json(value: &Value) {
    out(&format!("{value}\n"));
}

/// Runs the command line and returns its exit code.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    let context = Context { config: cli.config, json: cli.json };
    let done = match cli.verb {
        Verb::Rehearse(args) => rehearse::run(&args, &context),
        Verb::Run(args) => run::run(&args, &context),
        Verb::Check(args) => check::run(&args, &context),
        Verb::Expose(args) => expose::run(args, &context),
        Verb::Cover(at) => at_frame::cover(at, &context),
        Verb::Uncover(at) => at_frame::uncover(at, &context),
        Verb::BringIn(at) => at_frame::bring_in(at, &context),
        Verb::Hush(at) => at_frame::hush(at, &context),
        Verb::Retarget(args) => at_frame::retarget(args, &context),
        Verb::Status(args) => status::run(&args, &context),
        Verb::Watch(args) => watch::run(&args, &context),
        Verb::Light(args) => light::run(&args, &context),
        Verb::Prints(args) => prints::run(args, &context),
        Verb::Show(args) => show::run(&args, &context),
        Verb::Note(args) => note::run(args, &context),
        Verb::Recipe(args) => recipe::run(&args, &context),
        Verb::Judge(args) => judge::run(&args, &context),
        Verb::Advise(args) => advise::run(&args, &context),
        Verb::Strip(args) => strip::run(&args, &context),
        Verb::Wedge(args) => wedge::run(&args, &context),
        Verb::Sensor(args) => sensor::run(&args, &context),
        Verb::Source(args) => source::run(&args, &context),
        Verb::Lamp(args) => lamp::run(&args, &context),
        #[cfg(feature = "page")]
        Verb::Page(args) => page::run(&args, &context),
        Verb::Replay(args) => replay::run(&args, &context),
        Verb::Export(args) => export::run(&args, &context),
        Verb::Backup(args) => backup::run(&args, &context),
        Verb::Restore(args) => restore::run(&args, &context),
        Verb::Guard(args) => guard::run(&args),
        Verb::PinsOff(pins_off::Args) => pins_off::run(&context),
        Verb::Shelf(args) => shelf::run(&args),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            // Nobody to tell when stderr is gone; the code still tells.
            let _ = writeln!(std::io::stderr(), "{}", failure.text());
            ExitCode::from(failure.code())
        }
    }
}

/// Whether a person watches stderr.
fn is_watched() -> bool {
    std::io::stderr().is_terminal()
}

#[cfg(test)]
mod tests {
    use std::any::TypeId;

    use clap::{CommandFactory, Parser};
    use frameside_core::quantity::{Dose, Irradiance, Stops, TargetDose};

    #[test]
    fn the_command_line_is_sound_and_every_verb_has_its_own_example() {
        let mut command = super::Cli::command();
        command.clone().debug_assert();
        command.get_subcommands_mut().for_each(|verb| check("frameside", verb));
    }

    #[test]
    fn a_quantity_below_zero_is_told_what_is_wrong_with_it() {
        for line in [
            "expose oak --target -12kJ/m2",
            "expose oak --strip -12kJ/m2",
            "retarget oak -3kJ/m2",
            "note oak water --step rinse --for -5min",
            "recipe add citrate --target -12kJ/m2",
            "replay day.csv --target 12kJ/m2 --exponent 0.8 --reference -1",
            "replay day.csv --target -12kJ/m2",
            "strip plan --from -1kJ/m2 --bands 5 --step 1/2stop",
            "wedge bed.csv --increment -0.15",
            "wedge bed.csv --dose -12kJ/m2",
        ] {
            let words = std::iter::once("frameside").chain(line.split(' '));
            let refused = super::Cli::try_parse_from(words).unwrap_err();
            assert_eq!(refused.kind(), clap::error::ErrorKind::ValueValidation, "{line}: {refused}");
        }
    }

    #[test]
    fn every_quantity_of_the_command_line_may_begin_with_a_minus() {
        let mut refused = Vec::new();
        look_for_quantities("frameside", &mut super::Cli::command(), &mut refused);
        assert!(refused.is_empty(), "taken for options where they are below zero: {refused:?}");
    }

    fn look_for_quantities(parents: &str, verb: &mut clap::Command, refused: &mut Vec<String>) {
        let quantities = [
            TypeId::of::<TargetDose>(),
            TypeId::of::<Dose>(),
            TypeId::of::<Irradiance>(),
            TypeId::of::<Stops>(),
            TypeId::of::<std::time::Duration>(),
            TypeId::of::<f64>(),
        ];
        for arg in verb.get_arguments() {
            let is_quantity = quantities.iter().any(|quantity| arg.get_value_parser().type_id() == *quantity);
            if is_quantity && !(arg.is_allow_hyphen_values_set() || arg.is_allow_negative_numbers_set()) {
                refused.push(format!("{parents} {}", arg.get_id()));
            }
        }
        verb.get_subcommands_mut()
            .for_each(|verb| look_for_quantities(&format!("{parents} {}", verb.get_name()), verb, refused));
    }

    fn check(parents: &str, verb: &mut clap::Command) {
        let name = format!("{parents} {}", verb.get_name());
        if name.ends_with(" help") {
            return;
        }
        let help = verb.render_long_help().to_string();
        let (_, examples) = help.split_once("Example").unwrap_or_default();
        assert!(examples.contains(&format!("\n  {name}")), "{name} has no example of its own");
        let wide = examples.lines().find(|line| line.chars().count() > 80);
        assert!(wide.is_none(), "an example of {name} is broken at 80 columns: {wide:?}");
        assert!(verb.get_arguments().all(|arg| arg.get_help().is_some()), "{name}");
        verb.get_subcommands_mut().for_each(|verb| check(&name, verb));
    }
}
