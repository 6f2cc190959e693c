//! Lists of prints for whoever asks a running rig. The record of years takes a while
//! to read, so a thread of its own does it: no reading and no call waits for it.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde_json::{Value, json};

use super::{Asker, Service};
use crate::ledger::{Filter, LedgerError, Record};
use crate::listed::Listed;
use crate::request::refusal;
use crate::words;

/// The newest so many are told; a message to the broker holds no more.
const MOST_LISTED: usize = 200;
/// More at once is no curiosity, and more prints are not begun at once.
pub(super) const MOST_READERS: usize = 16;
pub(super) const TOO_MANY_READ: &str = "too many read the record at once; try again";

/// How many read the record now.
#[derive(Debug, Clone, Default)]
pub(super) struct Readers(Arc<AtomicUsize>);

/// One who reads; counted until dropped.
pub(super) struct Reader(Readers);

impl Readers {
    pub(super) fn another(&self) -> Option<Reader> {
        let before = self.0.fetch_add(1, Ordering::Relaxed);
        let reader = Reader(self.clone());
        (before < MOST_READERS).then_some(reader)
    }
}

impl Drop for Reader {
    fn drop(&mut self) {
        self.0.0.fetch_sub(1, Ordering::Relaxed);
    }
}

/// Which prints are asked for.
pub(super) struct Lookup {
    pub(super) recipe: Option<String>,
    pub(super) since: Option<Date>,
    pub(super) unjudged: bool,
}

impl Service {
    pub(super) fn look_up(&self, prints: Lookup, asker: Asker) {
        let tell = self.teller(asker);
        let Some(reader) = self.readers.another() else {
            return tell(refusal(TOO_MANY_READ));
        };
        let (path, zone) = (self.setup.ledger.clone(), self.setup.zone.clone());
        let read = move || {
            let answer = newest(&path, &zone, prints);
            tell(answer.unwrap_or_else(|error| refusal(&error.to_string())));
            drop(reader);
        };
        if let Err(error) = std::thread::Builder::new().name("list".into()).spawn(read) {
            // Whoever asked hears that nothing comes, since the way to it went with the thread.
            tracing::warn!(%error, "the record is not read");
        }
    }

    /// The way to whoever asked, from any thread.
    fn teller(&self, asker: Asker) -> Box<dyn FnOnce(Value) + Send> {
        match asker {
            // Whoever asked may have gone.
            Asker::Socket(to) => Box::new(move |answer| drop(to.send(answer))),
            Asker::Broker(reply) => {
                let answers = self.hands.link.as_ref().map(crate::mqtt::Link::answers);
                Box::new(move |answer| {
                    if let Some(Err(error)) = answers.map(|answers| answers.send(reply.with(answer))) {
                        tracing::debug!("{error}");
                    }
                })
            }
        }
    }
}

fn newest(path: &Path, zone: &TimeZone, prints: Lookup) -> Result<Value, LedgerError> {
    let Lookup { recipe, since, unjudged } = prints;
    let since_ms = since.and_then(|day| words::midnight_ms(day, zone));
    let prints = Record::open(path)?.prints(&Filter { recipe, since_ms, unjudged })?;
    let listed: Vec<Listed> = prints.iter().take(MOST_LISTED).map(|print| Listed::of(print, zone)).collect();
    Ok(json!({ "ok": true, "more": prints.len() - listed.len(), "prints": listed }))
}
