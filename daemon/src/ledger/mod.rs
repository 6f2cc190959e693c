//! The ledger: every print with its events, its signals and the light it had,
//! in one SQLite file that any SQLite reads.
//!
//! One thread owns the connection for writing. Whoever keeps something writes
//! an [`Entry`] and, when it must be safe, asks for a commit; the thread tells
//! when it is ([`LedgerEvent::Committed`]). Light is kept once per sensor; a
//! print's curve is found again by the time it was out.

mod calibrations;
mod card;
mod chunk;
mod copy;
mod counts;
mod factors;
#[cfg(test)]
pub(crate) mod faults;
mod file;
mod foreign;
mod judging;
mod lock;
mod names;
mod notebook;
mod outages;
mod queue;
mod recipe;
mod record;
mod recovery;
mod salvage;
mod schema;
mod seal;
mod unjudged;
mod whole;
mod writer;

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use frameside_core::exposure::{Counted, Event, Plan, PrintId};
use frameside_core::light::{Estimate, Knot, Reading, Response};
use frameside_core::outlook::WallAnchor;
use frameside_core::quantity::{Irradiance, Mono};
use serde_json::Value;

use crate::mqtt::AtBroker;
use crate::request::Note;

pub use calibrations::{CalibrationRow, Restated};
pub use chunk::{Codec, Damaged, Sample, decode, encode};
pub use copy::{backup, restore};
pub use factors::FactorRow;
pub use judging::{BorderTone, Judgement, StripRow, Verdict, WedgeRow, effects};
pub use lock::Lock;
pub use notebook::Notebook;
pub use outages::Outage;
pub use recipe::{Facts, Recipe, RecipeVersion, one_line, reference};
pub use record::{EventRow, Filter, GapRow, LightSample, NoteRow, PrintDetail, PrintRow, Record};
pub use recovery::{OpenPrint, Recovered, STILL_SHOWN_MS};
pub use schema::LedgerError;
pub use unjudged::Unjudged;
pub use whole::write_json;

/// Something to keep.
#[derive(Debug, Clone, PartialEq)]
pub enum Entry {
    /// What the wall clock shows; labels written since the boot follow.
    Wall(WallAnchor),
    /// A sensor has seen something.
    Light {
        /// The sensor's name.
        sensor: String,
        /// What it saw.
        reading: Reading,
    },
    /// Where a sensor's integral stands.
    Knot {
        /// The sensor's name.
        sensor: String,
        /// Its last reading and the integral there.
        knot: Knot,
        /// The integrals of other responses there.
        responses: Vec<(Response, Estimate)>,
    },
    /// A print begins.
    Print(NewPrint),
    /// Something happened to a print.
    Event(Event),
    /// The figures of an event are final.
    Settled {
        /// The print.
        print: PrintId,
        /// The event.
        seq: u32,
        /// What it had.
        counted: Counted,
        /// The same as the plain dose, where it counts otherwise.
        plain: Option<Counted>,
    },
    /// Light was not seen.
    Gap {
        /// The sensor's name.
        sensor: String,
        /// The last reading before.
        from: Mono,
        /// The first after.
        to: Mono,
        /// What may have fallen, before any glass.
        dose: Estimate,
    },
    /// The power was gone, for nobody knows (yet) how long.
    Torn(Outage),
    /// The prints have what fell in such a time.
    OutageSettled {
        /// The sensor's name.
        sensor: String,
        /// The boot that ended there.
        after_boot: i64,
        /// What the wall clock showed at the end of the tear, in ms since 1970.
        settled_ms: i64,
    },
    /// The clock that settled such a time was wrong: its gap is to be kept anew.
    OutageReopened {
        /// The sensor's name.
        sensor: String,
        /// Where the gap was kept to end.
        to: Mono,
    },
    /// A note on a print.
    Note {
        /// The print.
        print: PrintId,
        /// What is noted.
        note: Note,
        /// When.
        at: Mono,
        /// Whether the print's last `noted` event fixes the dose for it.
        with_dose: bool,
    },
    /// What a print was found to be.
    Judgement {
        /// The print.
        print: PrintId,
        /// What it was found to be.
        judgement: Judgement,
    },
    /// A signal that the broker has yet to acknowledge.
    Signal(OutboxRow),
    /// It was told that a print waits to be judged.
    Reminded {
        /// The print's name.
        print: String,
    },
    /// The broker has acknowledged a signal.
    Sent {
        /// The signal's id.
        id: String,
    },
    /// What the broker may keep of the rig's.
    AtBroker(AtBroker),
    /// How bright the clear sky is.
    ClearSky(Irradiance),
    /// A command was answered.
    Answered {
        /// The command's id.
        id: String,
        /// The answer.
        answer: Value,
    },
}

/// A print as it begins.
#[derive(Debug, Clone, PartialEq)]
pub struct NewPrint {
    /// Its name, from [`Ledger::name_print`].
    pub id: PrintId,
    /// Its frame.
    pub frame: String,
    /// The sensor beside it.
    pub sensor: String,
    /// What its cover glass passes of what the sensor sees.
    pub glass: f64,
    /// What its doses are multiplied by beside the glass.
    pub factor: f64,
    /// What it answers to.
    pub response: Response,
    /// The source of light.
    pub source: String,
    /// The recipe, as text.
    pub recipe: Option<String>,
    /// The negative, as text.
    pub negative: Option<String>,
    /// A note.
    pub note: Option<String>,
    /// What it is to receive.
    pub plan: Plan,
    /// How the sensor's counts became irradiance.
    pub calibration: String,
}

/// A signal that waits for the broker.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OutboxRow {
    /// Its id, the same however often it is sent.
    pub id: String,
    /// Its frame.
    pub frame: String,
    /// The message.
    pub payload: String,
}

/// What the ledger's thread has to say.
#[derive(Debug, Clone, PartialEq)]
pub enum LedgerEvent {
    /// Everything written before the commit of this token is safe.
    Committed(u64),
    /// It cannot write. What was to be safe by this token is kept in memory
    /// and written as soon as that works again.
    Trouble(u64, String),
    /// The tables refused an entry of this print (`None`: of no print), for this reason. Comes
    /// before the commit that it was to be part of.
    LeftOut(Option<String>, String),
    /// The file of the record was lost or damaged and is there again: what happened.
    Rescued(String),
    /// Prints that wait to be judged and were not told of. There is at least one.
    Unjudged(Vec<Unjudged>),
}

/// The rig's clocks as the ledger needs them at its start.
#[derive(Debug, Clone)]
pub struct Boot {
    /// The kernel's name for this boot.
    pub id: String,
    /// What the wall shows now.
    pub wall: WallAnchor,
}

/// How long the last write may take at the end: many times what a slow card takes.
const WRITE_WITHIN: Duration = Duration::from_secs(20);
/// How long the file may take to be closed. Nothing is lost without that.
const CLOSE_WITHIN: Duration = Duration::from_secs(5);

/// The way to the ledger's thread. Nothing here waits for the card, but for [`Ledger::finish`].
#[derive(Debug)]
pub struct Ledger {
    path: PathBuf,
    names: Mutex<names::Names>,
    queue: Arc<queue::Queue>,
    /// `None` once finished.
    thread: Option<std::thread::JoinHandle<()>>,
    #[cfg(test)]
    disk: Arc<faults::Disk>,
}

impl Entry {
    /// The name of the print that it belongs to, if it does.
    fn print(&self) -> Option<&str> {
        match self {
            Self::Print(print) => Some(&print.id),
            Self::Event(event) => Some(&event.print),
            Self::Settled { print, .. } | Self::Note { print, .. } | Self::Judgement { print, .. } => {
                Some(print)
            }
            Self::Reminded { print } => Some(print),
            _ => None,
        }
    }
}

/// A record that is open and read.
type Begun = (names::Names, writer::Writer, Recovered);

impl Ledger {
    /// Opens the ledger, makes it if there is none, and starts its thread. A daemon takes its
    /// [`Lock`] first. A damaged file is set aside under another name and a new one begun; while
    /// there can be no file, all is kept in memory.
    ///
    /// # Errors
    /// [`LedgerError`] when the file at that path is not ours.
    pub fn start(
        path: &Path,
        boot: &Boot,
        events: tokio::sync::mpsc::UnboundedSender<LedgerEvent>,
    ) -> Result<(Self, Recovered), LedgerError> {
        let io = |source| LedgerError::Io { path: path.to_owned(), source };
        let (names, writer, recovered) = match Self::open(path, boot) {
            Err(error) if file::may_be_usable_later(&error) => {
                tracing::error!("{error}; all goes on in memory until it can be written");
                let not_written = Some(error.to_string());
                let (names, writer, recovered) = Self::begin(file::in_memory(path)?, path, boot)?;
                (names, writer.without_file(), Recovered { not_written, ..recovered })
            }
            opened => opened?,
        };
        #[cfg(test)]
        let disk = writer.disk();
        let queue = Arc::new(queue::Queue::default());
        let of_thread = Arc::clone(&queue);
        let thread = std::thread::Builder::new()
            .name("ledger".into())
            .spawn(move || writer.run(&of_thread, &events))
            .map_err(io)?;
        let ledger = Self {
            path: path.to_owned(),
            names: Mutex::new(names),
            queue,
            thread: Some(thread),
            #[cfg(test)]
            disk,
        };
        Ok((ledger, recovered))
    }

    fn open(path: &Path, boot: &Boot) -> Result<Begun, LedgerError> {
        let opened = file::open(path)?;
        let is_doubtful = opened.is_doubtful;
        let (names, writer, recovered) = match Self::begin(opened.connection, path, boot) {
            // It passed every check, and what it holds still makes no sense.
            Err(LedgerError::Sqlite { ref source, .. }) if !schema::is_refused(source) => {
                let rescued = file::rescue(path, "what it holds cannot be read")?;
                let begun = Self::begin(rescued.connection, path, boot)?;
                return Ok(doubted(begun, rescued.troubles, true));
            }
            begun => begun?,
        };
        Ok(doubted((names, writer, recovered), opened.troubles, is_doubtful))
    }

    /// Reads what is taken up, and makes ready to write.
    fn begin(connection: rusqlite::Connection, path: &Path, boot: &Boot) -> Result<Begun, LedgerError> {
        let sqlite = |source| LedgerError::Sqlite { path: path.to_owned(), source };
        let known = recovery::row_of(&connection, boot).map_err(sqlite)?;
        let recovered = recovery::recover(&connection, boot, known).map_err(sqlite)?;
        let names = names::Names::read(&connection).map_err(sqlite)?;
        let writer = writer::Writer::new(connection, path, boot, known).map_err(sqlite)?;
        Ok((names, writer, recovered))
    }

    /// Keeps something. It is safe after the next commit.
    pub fn write(&self, entry: Entry) {
        self.queue.write(entry);
    }

    /// Asks for everything so far to be made safe. The thread answers with the token, or with a
    /// later one that was asked for before it came to this.
    pub fn commit(&self, token: u64) {
        self.queue.commit(token);
    }

    /// Asks which prints that came in before a wall time (ms since 1970) nobody has
    /// judged or was told of; the thread answers if there are any.
    pub fn look_for_unjudged(&self, before_ms: i64) {
        self.queue.look_for_unjudged(before_ms);
    }

    /// Whether the log is long enough to be copied into the file at the next quiet moment.
    pub(crate) fn wants_checkpoint(&self) -> bool {
        self.queue.has_long_log()
    }

    /// Lets the log be copied into the file now. Commits wait for four syncs meanwhile.
    pub(crate) fn checkpoint(&self) {
        self.queue.checkpoint();
    }

    /// For how long the card has stored nothing, if it works on one thing for too long.
    pub(crate) fn stuck_for(&self) -> Option<Duration> {
        self.queue.card().stuck_for(Instant::now())
    }

    /// What people should know of the card.
    pub(crate) fn troubles(&self) -> Vec<String> {
        let dropped = self.queue.dropped();
        let missing = (dropped > 0).then(|| {
            format!(
                "{dropped} readings are missing in the record, since the memory card did not take them in time; doses and \
                 calls are right, curves have a gap"
            )
        });
        self.queue.card().trouble().into_iter().chain(missing).collect()
    }

    /// Gives out the next free name `<day>-<frame>-<n>` for a print.
    #[must_use]
    pub fn name_print(&self, day: &str, frame: &str) -> String {
        self.names.lock().unwrap_or_else(PoisonError::into_inner).next(day, frame)
    }

    /// Makes everything safe and ends the thread.
    ///
    /// # Errors
    /// [`LedgerError::Slow`] when the card does not take it in 20 s,
    /// [`LedgerError::Sqlite`] when it cannot be written.
    pub fn finish(&mut self) -> Result<(), LedgerError> {
        let Some(thread) = self.thread.take() else { return Ok(()) };
        self.queue.end();
        let slow = LedgerError::Slow(WRITE_WITHIN.as_secs());
        let written = self.queue.wait_for_end(WRITE_WITHIN).ok_or(slow)?;
        let deadline = Instant::now() + CLOSE_WITHIN;
        while !thread.is_finished() && Instant::now() < deadline {
            std::thread::sleep(Duration::from_millis(2));
        }
        written.map_err(|source| LedgerError::Sqlite { path: self.path.clone(), source })
    }
}

impl Drop for Ledger {
    fn drop(&mut self) {
        self.queue.end();
    }
}

/// Moves a file and what belongs to it out of the way, under a name that says why.
fn set_aside(path: &Path, why: &str) -> std::io::Result<PathBuf> {
    let aside = free_name(path, why);
    move_parts(path, &aside, ["", "-wal", "-shm"])?;
    Ok(aside)
}

/// Renames a file and what belongs to it, as far as it is there, in this order.
fn move_parts(from: &Path, to: &Path, endings: [&str; 3]) -> std::io::Result<()> {
    for ending in endings {
        let (from, to) = (with_ending(from, ending), with_ending(to, ending));
        if from.exists() {
            std::fs::rename(from, to)?;
        }
    }
    Ok(())
}

/// A name beside a path's that nothing has yet: `<path>.<why>-<n>`.
fn free_name(path: &Path, why: &str) -> PathBuf {
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    (1..)
        .map(|n| path.with_file_name(format!("{name}.{why}-{n}")))
        .find(|candidate| !candidate.exists())
        .expect("some number is free")
}

/// What was recovered of a record with troubles.
fn doubted((names, writer, mut recovered): Begun, troubles: Vec<String>, is_doubtful: bool) -> Begun {
    if is_doubtful {
        recovered.doubt_doses();
    }
    recovered.troubles.splice(0..0, troubles);
    (names, writer, recovered)
}

fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    name.into()
}

#[cfg(test)]
mod tests;
