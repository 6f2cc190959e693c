//! What can be wrong with a config, and how it is told.

use std::cell::RefCell;
use std::io;
use std::path::{Path, PathBuf};

use frameside_core::quantity::ParseQuantityError;

/// Why there is no config. Prints one line for each problem.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// No config file in any of the usual places.
    #[error("no config file; looked at {}; name one with --config FILE or FRAMESIDE_CONFIG", list(.looked.iter().map(|p| p.display().to_string())))]
    NotFound {
        /// The places, in the order looked at.
        looked: Vec<PathBuf>,
    },
    /// The file cannot be read.
    #[error("{}: cannot be read: {source}", .file.display())]
    Unreadable {
        /// The file.
        file: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// The file is over 1 MiB.
    #[error("{}: over 1 MiB; this is not a config file", .file.display())]
    TooLarge {
        /// The file.
        file: PathBuf,
    },
    /// The file is wrong; at least one problem, in the order of the file.
    #[error("{}", .0.iter().map(Problem::to_string).collect::<Vec<_>>().join("\n"))]
    Wrong(Vec<Problem>),
}

/// One thing to say about a place in a config file.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{}:{line}:{column}: {finding}", .file.display())]
pub struct Problem {
    /// The file.
    pub file: PathBuf,
    /// From 1.
    pub line: usize,
    /// In characters, from 1.
    pub column: usize,
    /// What there is to say.
    pub finding: Finding,
}

/// What there is to say about a place in a config file.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Finding {
    /// A byte that is not text.
    #[error("not UTF-8 text; save the file as UTF-8")]
    NotUtf8,
    /// Not TOML.
    #[error("not TOML: {0}")]
    Syntax(String),
    /// A key or section that may come once comes again.
    #[error("\"{0}\" is given twice; keep one")]
    GivenTwice(String),
    /// A section that there is not.
    #[error("unknown section \"{name}\"; {}", suggestion("sections are", .near.as_ref(), .known))]
    UnknownSection {
        /// As written.
        name: String,
        /// The section that was probably meant.
        near: Option<&'static str>,
        /// The sections there are.
        known: Vec<&'static str>,
    },
    /// A key that its section does not have.
    #[error("unknown key \"{key}\" in {section}; {}", suggestion("keys are", .near.as_ref(), .known))]
    UnknownKey {
        /// The section's title.
        section: &'static str,
        /// As written.
        key: String,
        /// The key that was probably meant.
        near: Option<&'static str>,
        /// The keys there are.
        known: Vec<&'static str>,
    },
    /// A key that has no meaning beside the others of its section.
    #[error("\"{key}\" does not go with {beside}; it goes with {goes_with}")]
    OutOfPlace {
        /// The key.
        key: &'static str,
        /// What it stands beside.
        beside: String,
        /// Where it belongs.
        goes_with: &'static str,
    },
    /// A key that must be there.
    #[error("{section} needs \"{key}\"; add for instance {key} = {example}")]
    Missing {
        /// The section's title.
        section: &'static str,
        /// The key.
        key: &'static str,
        /// A value in TOML.
        example: &'static str,
    },
    /// A key that has a meaning only beside another.
    #[error("{key} needs \"{needs}\" beside it; add {needs}, or leave {key} out")]
    Alone {
        /// The key.
        key: &'static str,
        /// The other.
        needs: &'static str,
    },
    /// No sensor at all.
    #[error("the rig has no sensor; add a [[sensor]] section")]
    NoSensor,
    /// A value of another kind.
    #[error("{key} must be {wanted}, not {found}")]
    WrongType {
        /// The key.
        key: &'static str,
        /// What it must be.
        wanted: &'static str,
        /// What it is.
        found: String,
    },
    /// `[x]` for `[[x]]`.
    #[error("write [[{0}]] with two brackets, since there can be several")]
    OneBracket(&'static str),
    /// `[[x]]` for `[x]`.
    #[error("write [{0}] with one bracket, since there is only one")]
    TwoBrackets(&'static str),
    /// A value that cannot be.
    #[error("{key} cannot be {value}; {}it must be {accepted}", meant(.near.as_ref()))]
    Refused {
        /// The key.
        key: &'static str,
        /// As written.
        value: String,
        /// The value that was probably meant.
        near: Option<String>,
        /// What can be.
        accepted: String,
    },
    /// A quantity that cannot be read.
    #[error("{key}: {source}")]
    Quantity {
        /// The key.
        key: &'static str,
        /// Why.
        source: ParseQuantityError,
    },
    /// Two of a kind with one name.
    #[error("{what} \"{name}\" is there already (line {line}); give this one another name")]
    NameTaken {
        /// `sensor`, `frame` or `source`.
        what: &'static str,
        /// The name.
        name: String,
        /// Where the first is.
        line: usize,
    },
    /// Two devices on one pin.
    #[error("{by} cannot be on pin {pin}: {taken_by} is there (line {line}); take another pin")]
    PinTaken {
        /// The BCM number.
        pin: u8,
        /// Who comes later.
        by: String,
        /// Who was first.
        taken_by: String,
        /// Where the first is.
        line: usize,
    },
    /// Two chips at one address of one bus.
    #[error(
        "{by} cannot be at address {address:#04x} of bus {bus}: {taken_by} is there (line {line}); \
         set its address pin otherwise or take another bus"
    )]
    AddressTaken {
        /// The bus.
        bus: u8,
        /// The 7-bit address.
        address: u8,
        /// Who comes later.
        by: String,
        /// Who was first.
        taken_by: String,
        /// Where the first is.
        line: usize,
    },
    /// Light of a lamp that is not there or has no relay.
    #[error("{by} is lit by \"{lamp}\", which is no lamp with a relay; those are: {}", list(.lamps))]
    NoSuchLamp {
        /// The lamp it names.
        lamp: String,
        /// Who names it.
        by: String,
        /// The lamps with a relay.
        lamps: Vec<String>,
    },
    /// A relay that the pin's own pull closes.
    #[error(
        "pin {pin} is pulled {} from power-on until the daemon starts, which may switch this lamp on; \
         take one of pins {}",
        if *.active_low { "low" } else { "high" },
        if *.active_low { "4 to 8" } else { "9 to 27" }
    )]
    PulledOn {
        /// The BCM number.
        pin: u8,
        /// Whether the relay closes when the pin is low.
        active_low: bool,
    },
    /// A frame with a sensor that is not there.
    #[error("frame \"{frame}\" names sensor \"{sensor}\", which is not defined; sensors are: {}", list(.sensors))]
    NoSuchSensor {
        /// The frame.
        frame: String,
        /// The sensor it names.
        sensor: String,
        /// The sensors there are.
        sensors: Vec<String>,
    },
    /// Played sensors at different speeds, when the rig has one clock.
    #[error(
        "{by} is played at speed {speed}, {other} at {other_speed} (line {line}); \
         the rig has one clock: give both the same speed"
    )]
    TwoSpeeds {
        /// The sensor that comes later.
        by: String,
        /// Its speed.
        speed: f64,
        /// The sensor that came first.
        other: String,
        /// Its speed.
        other_speed: f64,
        /// Where that is.
        line: usize,
    },
    /// A clock made faster or slower under a sensor that is real.
    #[error("speed {speed} cannot be while {real} (line {line}) sees real light; leave speed out")]
    SpeedBesideReal {
        /// The speed.
        speed: f64,
        /// The sensor.
        real: String,
        /// Where that is.
        line: usize,
    },
    /// A path too long for the address of a Unix socket.
    #[error("the socket's path is too long ({} bytes, at most 107); set a shorter [socket] path", .0.as_os_str().len())]
    SocketPathLong(PathBuf),
    /// So many problems are left out.
    #[error("and {0} more problems from here on; mend the others first")]
    More(usize),
    /// Neither the file nor the environment says where the ledger is.
    #[error("no place for the ledger: add [ledger] path = \"/where/ledger.sqlite\", or set HOME")]
    NoLedgerPlace,
    /// Warning: anyone on the machine can read a password or key.
    #[error("{} can be read by everyone; say: chmod o-r {}", .0.display(), .0.display())]
    SecretReadable(PathBuf),
    /// Warning: others in the network reach the page, and hear what is said.
    #[error(
        "the page is served to the network, and not encrypted: whoever listens there learns the token; keep it to a network you trust"
    )]
    PageInTheClear,
    /// Warning: a key of earlier versions, taken for one more release.
    #[error(
        "keep_idle_light does nothing any more: light is always kept, some 0.5 MB a week; remove the line"
    )]
    KeepIdleLight,
    /// Warning: a value of earlier versions, taken for one more release.
    #[error(
        "discovery = \"components\" does nothing any more: the rig is announced as one device; say \"device\""
    )]
    DiscoveryByComponents,
    /// The program was built without its feature `page`.
    #[error("this frameside was built without the page for a phone; leave [page] out")]
    NoPage,
}

impl Finding {
    /// Whether it says that something is not there. After a syntax error that
    /// may be the fault of the syntax error.
    pub(super) fn is_absence(&self) -> bool {
        matches!(
            self,
            Self::Missing { .. }
                | Self::Alone { .. }
                | Self::NoSensor
                | Self::NoSuchSensor { .. }
                | Self::NoSuchLamp { .. }
        )
    }
}

/// More than this nobody reads; the rest is counted.
pub(super) const MOST_PROBLEMS: usize = 100;

/// Gathers what there is to say while a file is read.
pub(super) struct Log<'a> {
    file: &'a Path,
    text: &'a str,
    line_starts: Vec<usize>,
    said: RefCell<Vec<(usize, Finding)>>,
}

impl<'a> Log<'a> {
    pub(super) fn new(file: &'a Path, text: &'a str) -> Self {
        let after_newlines = text.bytes().enumerate().filter(|&(_, b)| b == b'\n').map(|(i, _)| i + 1);
        let line_starts = std::iter::once(0).chain(after_newlines).collect();
        Self { file, text, line_starts, said: RefCell::default() }
    }

    /// Says something about the byte at `at`.
    pub(super) fn say(&self, at: usize, finding: Finding) {
        self.said.borrow_mut().push((at, finding));
    }

    /// The line of the byte at `at`, from 1.
    pub(super) fn line(&self, at: usize) -> usize {
        self.line_starts.partition_point(|&start| start <= at)
    }

    /// The column of the byte at `at` in characters, from 1.
    fn column(&self, at: usize) -> usize {
        let line = &self.text.as_bytes()[self.line_starts[self.line(at) - 1]..at.min(self.text.len())];
        // Bytes that continue a UTF-8 character are no column of their own.
        line.iter().filter(|&&b| b & 0xc0 != 0x80).count() + 1
    }

    /// All that was said, in the order of the file, up to [`MOST_PROBLEMS`].
    pub(super) fn into_problems(self) -> Vec<Problem> {
        let mut said = self.said.take();
        said.sort_by_key(|&(at, _)| at);
        if said.len() > MOST_PROBLEMS {
            let left_out = said.len() - MOST_PROBLEMS;
            said[MOST_PROBLEMS].1 = Finding::More(left_out);
            said.truncate(MOST_PROBLEMS + 1);
        }
        let place = |(at, finding)| {
            let (line, column) = (self.line(at), self.column(at));
            Problem { file: self.file.to_owned(), line, column, finding }
        };
        said.into_iter().map(place).collect()
    }
}

/// Problems that were gathered apart, in the order of the file, up to [`MOST_PROBLEMS`].
pub(super) fn together(mut problems: Vec<Problem>) -> Vec<Problem> {
    let mut left_out = 0;
    problems.retain(|problem| match problem.finding {
        Finding::More(more) => {
            left_out += more;
            false
        }
        _ => true,
    });
    problems.sort_by_key(|problem| (problem.line, problem.column));
    left_out += problems.len().saturating_sub(MOST_PROBLEMS);
    let next = problems.get(MOST_PROBLEMS).or(problems.last()).cloned();
    problems.truncate(MOST_PROBLEMS);
    let more = next.filter(|_| left_out > 0);
    problems.extend(more.map(|next| Problem { finding: Finding::More(left_out), ..next }));
    problems
}

/// The word among `known` that `word` is a slip of, if any.
pub(crate) fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    if word.len() > LONGEST_SHOWN {
        return None;
    }
    known
        .into_iter()
        .map(|candidate| (strsim::damerau_levenshtein(word, candidate), candidate))
        .filter(|&(distance, candidate)| distance <= 2 && 3 * distance <= candidate.len())
        .min()
        .map(|(_, candidate)| candidate)
}

/// No more than this of what someone wrote is shown back.
const LONGEST_SHOWN: usize = 60;

/// What someone wrote, in a shape that keeps an error on one line.
pub(super) fn shown(text: &str) -> String {
    let mut out: String =
        text.chars().take(LONGEST_SHOWN).map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect();
    if text.chars().nth(LONGEST_SHOWN).is_some() {
        out.push('…');
    }
    out
}

fn list(words: impl IntoIterator<Item = impl AsRef<str>>) -> String {
    let words: Vec<_> = words.into_iter().collect();
    let words: Vec<&str> = words.iter().map(AsRef::as_ref).collect();
    if words.is_empty() { "none".to_owned() } else { words.join(", ") }
}

fn suggestion(what: &str, near: Option<&&'static str>, known: &[&'static str]) -> String {
    match near {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => format!("{what}: {}", list(known)),
    }
}

fn meant(near: Option<&String>) -> String {
    near.map_or_else(String::new, |near| format!("did you mean \"{near}\"? "))
}
