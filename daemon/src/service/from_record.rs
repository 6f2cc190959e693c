//! Requests that the record has a say in: what the next print of a recipe gets, what repeats a
//! print, what a judgement means. The light of a hundred prints may have to be gone over for that, so
//! a thread of its own does it: no reading and no call waits for it. A request is carried
//! out when what it needs is found, in the order in which such requests came.

use std::collections::VecDeque;
use std::path::Path;

use frameside_core::exposure::Plan;
use frameside_core::light::Response;
use frameside_core::quantity::Mono;
use frameside_core::source::SUN;
use jiff::tz::TimeZone;
use serde_json::{Value, json};
use tokio::sync::mpsc::{Receiver, Sender, channel};

use super::lamps::MayLight;
use super::list::{MOST_READERS, Reader, TOO_MANY_READ};
use super::{Asker, Service};
use crate::config::nearest;
use crate::ledger::{Judgement, Record};
use crate::like::{self, Repeated};
use crate::request::{Aim, Expose, Note};
use crate::{advice, judging};

/// Glasses that differ by less are told as the same.
const SAME_GLASS: f64 = 0.005;
/// A command repeated more often than this while it is looked into is a flood: the rest hears nothing.
const MOST_REPEATED: usize = 8;

/// What a request wants of the record.
pub(super) enum Wanted {
    /// What a print is to receive.
    Aim(Asked),
    /// What follows from a judgement.
    Judge { print: String, judgement: Judgement },
    /// Which print a note is on.
    Note { print: String, note: Note },
}

/// A print to begin.
pub(super) struct Asked {
    pub(super) expose: Expose,
    /// What the cover of its frame passes.
    pub(super) glass: f64,
    /// When it was asked for.
    pub(super) unix_ms: i64,
    pub(super) may_light: MayLight,
}

impl Asked {
    /// Whether the record has a say in it.
    pub(super) fn needs_record(&self) -> bool {
        self.expose.recipe.is_some() || matches!(self.expose.aim, Aim::Like(_) | Aim::Recipe)
    }
}

/// A print to begin, and what it is to receive.
pub(super) struct Aimed {
    /// With the recipe and the negative of the print to be repeated, where no others are told.
    pub(super) expose: Expose,
    pub(super) response: Response,
    pub(super) plan: Plan,
    pub(super) source: String,
    /// How that comes about, for people, where it was worked out.
    pub(super) steps: Vec<String>,
    pub(super) may_light: MayLight,
    /// A warning where its recipe's name looks like a slip.
    pub(super) slip: Option<String>,
}

/// A request with what it wanted.
pub(super) enum Resolved {
    Aimed(Box<Aimed>),
    Judged { print: String, judgement: Judgement, answer: Value },
    Noted { print: String, note: Note },
}

/// What the record says to a request that waits for it. For [`Service::on_found`].
pub struct Found {
    number: u64,
    resolved: Result<Resolved, String>,
}

#[cfg(test)]
impl Found {
    /// Its place among all that were asked for.
    pub(super) fn number(&self) -> u64 {
        self.number
    }
}

/// A request that waits for the record.
struct Waiting {
    number: u64,
    asker: Asker,
    id: Option<String>,
    /// Who sent the same command again meanwhile.
    again: Vec<Asker>,
    resolved: Option<Result<Resolved, String>>,
    /// Counted among those who read until it is carried out, which bounds how many wait.
    _reader: Reader,
}

/// A request whose thread reads already.
pub(super) struct UnderWay(u64, Reader);

/// The requests that wait for the record, in the order in which they came.
pub(super) struct Lookups {
    waiting: VecDeque<Waiting>,
    last: u64,
    tell: Sender<Found>,
    found: Receiver<Found>,
}

impl Default for Lookups {
    fn default() -> Self {
        let (tell, found) = channel(MOST_READERS);
        Self { waiting: VecDeque::new(), last: 0, tell, found }
    }
}

impl Lookups {
    pub(super) fn wait(&mut self, UnderWay(number, reader): UnderWay, asker: Asker, id: Option<String>) {
        let (again, resolved) = (Vec::new(), None);
        self.waiting.push_back(Waiting { number, asker, id, again, resolved, _reader: reader });
    }

    /// Lets who sent a command again wait with it; gives the asker back where it is a new one.
    pub(super) fn join(&mut self, id: Option<&String>, asker: Asker) -> Option<Asker> {
        let same = |waiting: &&mut Waiting| id.is_some() && waiting.id.as_ref() == id;
        let Some(waiting) = self.waiting.iter_mut().find(same) else { return Some(asker) };
        if waiting.again.len() < MOST_REPEATED {
            waiting.again.push(asker);
        }
        None
    }

    /// The oldest, if it can be carried out.
    fn next(&mut self) -> Option<(Waiting, Result<Resolved, String>)> {
        let resolved = self.waiting.front_mut()?.resolved.take()?;
        Some((self.waiting.pop_front()?, resolved))
    }
}

impl Service {
    /// Begins to look for what a request wants.
    pub(super) fn want(&mut self, wanted: Wanted) -> Result<UnderWay, String> {
        let reader = self.readers.another().ok_or(TOO_MANY_READ)?;
        self.lookups.last += 1;
        let (number, tell) = (self.lookups.last, self.lookups.tell.clone());
        let (path, zone) = (self.setup.ledger.clone(), self.setup.zone.clone());
        let read = move || {
            let resolved = resolve(&path, &zone, wanted);
            // The service may have ended.
            drop(tell.blocking_send(Found { number, resolved }));
        };
        let begun = std::thread::Builder::new().name("look-up".into()).spawn(read);
        begun.map_err(|error| format!("the record cannot be read now: {error}; try again"))?;
        Ok(UnderWay(number, reader))
    }

    /// Whether a request waits for the record.
    #[must_use]
    pub fn awaits_record(&self) -> bool {
        !self.lookups.waiting.is_empty()
    }

    /// What the record says to the next request that waits for it.
    pub async fn found(&mut self) -> Option<Found> {
        self.lookups.found.recv().await
    }

    /// The record has been read for a request: it is carried out now, after those that came before.
    pub fn on_found(&mut self, now: Mono, Found { number, resolved }: Found) {
        if let Some(waiting) = self.lookups.waiting.iter_mut().find(|waiting| waiting.number == number) {
            waiting.resolved = Some(resolved);
        }
        while let Some((Waiting { asker, id, again, .. }, resolved)) = self.lookups.next() {
            self.attempt(now, asker, id.clone(), |service| match resolved? {
                Resolved::Aimed(aimed) => service.begin(now, *aimed),
                Resolved::Judged { print, judgement, answer } => service.judged(print, judgement, answer),
                Resolved::Noted { print, note } => service.noted(now, print, note),
            });
            for asker in again {
                self.answer_as_before(id.as_ref(), asker);
            }
        }
    }
}

fn resolve(path: &Path, zone: &TimeZone, wanted: Wanted) -> Result<Resolved, String> {
    match wanted {
        Wanted::Aim(asked) => aim(path, zone, asked).map(|aimed| Resolved::Aimed(Box::new(aimed))),
        Wanted::Judge { print, judgement } => judge(path, &print, judgement),
        Wanted::Note { print, note } => {
            let print = open(path)?.find(&print).map_err(|e| e.to_string())?.id;
            Ok(Resolved::Noted { print, note })
        }
    }
}

fn open(path: &Path) -> Result<Record, String> {
    Record::open(path).map_err(|e| e.to_string())
}

/// What a print is to receive in a frame, and under which source. Reads the record only where
/// that [is needed](Asked::needs_record).
pub(super) fn aim(path: &Path, zone: &TimeZone, asked: Asked) -> Result<Aimed, String> {
    let Asked { mut expose, glass: here, unix_ms, may_light } = asked;
    if let Aim::Like(print) = &expose.aim {
        let print = open(path)?.find(print).map_err(|e| e.to_string())?;
        expose.recipe = expose.recipe.or(print.recipe);
        expose.negative = expose.negative.or(print.negative);
    }
    let slip = expose.recipe.as_deref().map_or(Ok(None), |recipe| slip_of_recipe(&open(path)?, recipe))?;
    let response = match &expose.recipe {
        Some(recipe) => advice::response_of(&open(path)?, recipe).map_err(|e| e.to_string())?,
        None => Response::PLAIN,
    };
    let source = expose.source.clone().unwrap_or_else(|| SUN.to_owned());
    let (plan, source, steps) = match &expose.aim {
        Aim::Target(target) => (Plan::dose(*target), source, Vec::new()),
        Aim::Strip(doses) => (Plan::strip(doses.clone()).map_err(|e| e.to_string())?, source, Vec::new()),
        Aim::Like(print) => {
            let repeated = like::repeating(&open(path)?, print, expose.source.as_deref(), response, zone);
            let Repeated { target, source, glass, mut steps } = repeated.map_err(|e| e.to_string())?;
            if (here - glass).abs() > SAME_GLASS {
                steps.push(format!(
                    "its glass passed {:.0} % and this one passes {:.0} %: the dose under it stays, the time does not",
                    100.0 * glass,
                    100.0 * here
                ));
            }
            (Plan::dose(target), source, steps)
        }
        Aim::Recipe => {
            let recipe = expose.recipe.as_deref().unwrap_or_default();
            let target = advice::target(&open(path)?, recipe, &source, unix_ms).map_err(|e| e.to_string())?;
            let steps = vec![format!("{recipe} under {source}: {}", target.dose())];
            (Plan::dose(target), source, steps)
        }
    };
    Ok(Aimed { expose, response, plan, source, steps, may_light, slip })
}

/// A name may be free text; one that nobody described and that is nearly another is
/// more likely a slip.
fn slip_of_recipe(record: &Record, name: &str) -> Result<Option<String>, String> {
    let recipes = record.recipes().map_err(|e| e.to_string())?;
    if recipes.iter().any(|recipe| recipe.name == name) {
        return Ok(None);
    }
    let near = nearest(name, recipes.iter().map(|recipe| recipe.name.as_str()));
    Ok(near.map(|near| {
        let name = name.escape_default();
        format!("no recipe '{name}' was described, so no advice to another counts this print; did you mean '{near}'?")
    }))
}

fn judge(path: &Path, print: &str, judgement: Judgement) -> Result<Resolved, String> {
    let record = open(path)?;
    let row = record.find(print).map_err(|e| e.to_string())?;
    let row = advice::as_counted_now(&record, row).map_err(|e| e.to_string())?;
    let correction = judging::weigh(&record, &row, &judgement.verdict).map_err(|e| e.to_string())?;
    let mut answer = json!({
        "ok": true, "print": row.id, "dose_j_m2": correction.printed.j_m2(),
        "off_stops": correction.stops, "next_j_m2": correction.next().j_m2(),
        "steps": [judging::sentence(&correction)],
    });
    if let Some(remark) = judging::too_early(&judgement) {
        answer["warning"] = remark.into();
    }
    Ok(Resolved::Judged { print: row.id, judgement, answer })
}
