//! What the page shows, gathered only while somebody looks: the rig each second, its
//! curves each ten, what can be exposed and judged each minute and after each command.

use std::time::Duration;

use hyper::body::Bytes;
use serde_json::{Map, Value, json};
use tokio::sync::{Notify, mpsc, oneshot, watch};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep, timeout};

use super::Facts;
use crate::advice;
use crate::ledger::{Filter, LedgerError, PrintRow, Record};
use crate::request::Request;
use crate::socket::{Origin, Question};
use crate::status::{FrameStatus, Status};
use crate::watch::Past;
use crate::words;

/// The rig is asked this often.
const RIG_EVERY: Duration = Duration::from_secs(1);
/// The curves are read this often; the daemon writes light about as often.
const CURVES_EVERY: Duration = Duration::from_secs(10);
/// What can be exposed and judged changes by what people do.
const SHELF_EVERY: Duration = Duration::from_secs(60);
/// However many come and go, the rig and the record are left alone this long between.
const BREATH: Duration = Duration::from_millis(250);
/// A service that takes longer is told as one that does not answer.
const PATIENCE: Duration = Duration::from_secs(5);
/// A phone shows no more points of a curve.
const MOST_POINTS: usize = 150;
/// The newest so many that wait to be judged are shown.
const MOST_UNJUDGED: usize = 20;

/// The newest of each kind, ready to send.
pub(super) struct News {
    rig: watch::Sender<Bytes>,
    curves: watch::Sender<Bytes>,
    shelf: watch::Sender<Bytes>,
    ask_rig: Notify,
    read_record: Notify,
}

impl Default for News {
    fn default() -> Self {
        let none = || watch::Sender::new(Bytes::new());
        Self {
            rig: none(),
            curves: none(),
            shelf: none(),
            ask_rig: Notify::new(),
            read_record: Notify::new(),
        }
    }
}

/// Somebody's view of the news; what they do not take in time they do not see.
pub(super) struct Looker {
    rig: watch::Receiver<Bytes>,
    curves: watch::Receiver<Bytes>,
    shelf: watch::Receiver<Bytes>,
}

impl Looker {
    /// The next event; none once there are no more.
    pub(super) async fn next(&mut self) -> Option<Bytes> {
        let of = |watched: &mut watch::Receiver<Bytes>| watched.borrow_and_update().clone();
        tokio::select! {
            changed = self.rig.changed() => changed.ok().map(|()| of(&mut self.rig)),
            changed = self.curves.changed() => changed.ok().map(|()| of(&mut self.curves)),
            changed = self.shelf.changed() => changed.ok().map(|()| of(&mut self.shelf)),
        }
    }
}

impl News {
    /// Somebody begins to look, and is told all there is at once.
    pub(super) fn look(&self) -> Looker {
        let looker = Looker {
            rig: self.rig.subscribe(),
            curves: self.curves.subscribe(),
            shelf: self.shelf.subscribe(),
        };
        self.refresh();
        looker
    }

    /// Something was done: all that is shown may have changed.
    pub(super) fn refresh(&self) {
        self.ask_rig.notify_one();
        self.read_record.notify_one();
    }

    /// Gathers for as long as the page is served.
    pub(super) async fn gather(&self, facts: &Facts, questions: &mpsc::Sender<Question>) {
        tokio::join!(self.follow_rig(facts, questions), self.follow_record(facts, questions));
    }

    fn is_watched(&self) -> bool {
        self.rig.receiver_count() > 0
    }

    async fn follow_rig(&self, facts: &Facts, questions: &mpsc::Sender<Question>) {
        let mut every = interval(RIG_EVERY);
        every.set_missed_tick_behavior(MissedTickBehavior::Skip);
        loop {
            sleep(BREATH).await;
            tokio::select! { _ = every.tick() => {}, () = self.ask_rig.notified() => {} }
            if self.is_watched() {
                let rig = match ask_status(questions).await {
                    Ok(status) => rig(&status, facts),
                    Err(why) => json!({ "away": why }),
                };
                self.rig.send_replace(event("rig", &rig));
            }
        }
    }

    async fn follow_record(&self, facts: &Facts, questions: &mpsc::Sender<Question>) {
        let mut every = interval(CURVES_EVERY);
        every.set_missed_tick_behavior(MissedTickBehavior::Skip);
        let mut shelf_read: Option<Instant> = None;
        loop {
            sleep(BREATH).await;
            tokio::select! {
                _ = every.tick() => {}
                () = self.read_record.notified() => shelf_read = None,
            }
            if !self.is_watched() {
                continue;
            }
            let Ok(status) = ask_status(questions).await else { continue };
            let of = facts.clone();
            if let Some(read) = apart(move || curves(&of, &status)).await {
                self.curves.send_replace(event("curves", &read));
            }
            if shelf_read.is_none_or(|at| at.elapsed() >= SHELF_EVERY) {
                shelf_read = Some(Instant::now());
                let of = facts.clone();
                if let Some(read) = apart(move || shelf(&of)).await {
                    self.shelf.send_replace(event("shelf", &read));
                }
            }
        }
    }
}

/// Reads the record on a thread apart: one of years takes a while.
async fn apart(read: impl FnOnce() -> Result<Value, LedgerError> + Send + 'static) -> Option<Value> {
    let read = tokio::task::spawn_blocking(read).await.ok()?;
    Some(read.unwrap_or_else(|error| json!({ "trouble": error.to_string() })))
}

async fn ask_status(questions: &mpsc::Sender<Question>) -> Result<Status, &'static str> {
    let answer = timeout(PATIENCE, ask(questions, Request::Status, Origin::Here)).await;
    let value = answer.map_err(|_| "the rig does not answer")?.ok_or("the rig is stopping")?;
    serde_json::from_value(value).map_err(|_| "the rig's answer is not understood")
}

/// Asks the service; none when it is stopping.
pub(super) async fn ask(questions: &mpsc::Sender<Question>, request: Request, from: Origin) -> Option<Value> {
    let (answer, answered) = oneshot::channel();
    questions.send(Question { request, from, answer }).await.ok()?;
    answered.await.ok()
}

fn event(name: &str, data: &Value) -> Bytes {
    format!("event: {name}\ndata: {data}\n\n").into()
}

/// The facts of `status`, with the words that the command line has for them.
fn rig(status: &Status, facts: &Facts) -> Value {
    let mut told = json!(status);
    told["now_ms"] = facts.clock.wall().unix_ms.into();
    told["speed"] = facts.clock.speed().into();
    for (json, sensor) in told["sensors"].as_array_mut().into_iter().flatten().zip(&status.sensors) {
        json["says"] = sensor.line().into();
    }
    for (json, frame) in told["frames"].as_array_mut().into_iter().flatten().zip(&status.frames) {
        json["name"] = facts.label(&frame.frame).into();
        json["dose"] = dose(frame).into();
        json["says"] = frame.what_next().into();
    }
    told
}

fn dose(frame: &FrameStatus) -> String {
    let target = frame.target_j_m2.map(frameside_core::quantity::Dose::from_j_m2);
    let lacks = frame.lacking().map(|lacks| format!(", {lacks}")).unwrap_or_default();
    target.map(|target| format!("{} of {target}{lacks}", frame.dose())).unwrap_or_default()
}

fn curves(facts: &Facts, status: &Status) -> Result<Value, LedgerError> {
    let past = Past::read(&Record::open(&facts.ledger)?, &facts.zone, status)?;
    let prints = past.curves.into_iter().map(|(print, curve)| {
        let points = thinned(&curve.points);
        let told = json!({
            "began": curve.started, "began_ms": curve.began_ms, "points": points, "gaps": curve.gaps,
            "strip": curve.is_strip,
        });
        (print, told)
    });
    Ok(json!({ "curves": prints.collect::<Map<_, _>>(), "light": thinned(&past.light) }))
}

/// A curve in few points, its last one among them.
fn thinned(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let step = points.len().div_ceil(MOST_POINTS).max(1);
    let mut few: Vec<_> = points.iter().rev().step_by(step).copied().collect();
    few.reverse();
    few
}

fn shelf(facts: &Facts) -> Result<Value, LedgerError> {
    let record = Record::open(&facts.ledger)?;
    let now_ms = facts.clock.wall().unix_ms;
    let mut recipes = Vec::new();
    for recipe in record.recipes()? {
        let target = |source: &String| {
            let target = advice::target(&record, &recipe.name, source, now_ms).ok()?;
            Some((source.clone(), target.dose().to_string().into()))
        };
        let targets: Map<String, Value> = facts.sources.iter().filter_map(target).collect();
        recipes.push(json!({ "recipe": recipe.name, "targets": targets }));
    }
    let unjudged = record.prints(&Filter { unjudged: true, ..Filter::default() })?;
    let unjudged = unjudged.iter().filter(|print| !print.is_strip()).take(MOST_UNJUDGED);
    let unjudged: Vec<Value> = unjudged.map(|print| facts.waiting(print)).collect();
    Ok(json!({ "recipes": recipes, "sources": facts.sources, "unjudged": unjudged }))
}

impl Facts {
    fn label<'a>(&'a self, frame: &'a str) -> &'a str {
        self.labels.iter().find(|(name, _)| name == frame).map_or(frame, |(_, label)| label)
    }

    /// A print that waits to be judged.
    fn waiting(&self, print: &PrintRow) -> Value {
        let brought_in = print.brought_in();
        let when = brought_in.map(|event| {
            format!("{} {}", words::day(event.unix_ms, &self.zone), words::clock(event.unix_ms, &self.zone))
        });
        json!({
            "print": print.id, "frame": self.label(&print.frame), "recipe": print.recipe,
            "negative": print.negative, "source": print.source, "brought_in": when,
            "dose": brought_in.map(|event| words::dose(event.dose)),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_thin_curve_is_short_and_ends_where_the_curve_does() {
        let points: Vec<(f64, f64)> = (0..1000).map(|i| (f64::from(i), f64::from(i) * 2.0)).collect();
        let few = thinned(&points);
        assert!(few.len() <= MOST_POINTS && few.len() > MOST_POINTS / 2, "{}", few.len());
        assert_eq!(few.last(), points.last());
        assert!(few.is_sorted_by(|a, b| a.0 < b.0));
        assert_eq!(thinned(&points[..3]), points[..3]);
        assert!(thinned(&[]).is_empty());
    }
}
