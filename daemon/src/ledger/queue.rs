//! What waits for the ledger's thread.
//!
//! To hand something in takes a short lock and never waits for the card, however long that
//! takes. The thread takes everything up to the last commit asked for at once, so that a slow
//! card gets few large transactions. Light has a bound; prints, events and signals are never
//! dropped.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use frameside_core::light::{Estimate, Reading};
use frameside_core::quantity::Dose;

use super::Entry;
use super::card::Card;
use super::chunk::Sample;
use super::writer::ANSWERS_KEPT;

/// Readings that wait for the card; the oldest beyond it are dropped. Two days of one sensor at
/// 1 Hz, forty minutes of eight at 10 Hz, 6 MB.
const MOST_READINGS: usize = 200_000;

/// What is written in one transaction.
#[derive(Debug, Default)]
pub(super) struct Batch {
    /// All but light, in the order in which it came.
    pub(super) entries: Vec<Entry>,
    pub(super) light: Vec<Light>,
    /// How many of the entries are answers.
    answers: usize,
}

/// The readings of one sensor.
#[derive(Debug)]
pub(super) struct Light {
    pub(super) sensor: String,
    /// The first is never dropped: a gap begins at it.
    pub(super) samples: VecDeque<Sample>,
    /// What fell between the first and the second sample where readings were dropped.
    pub(super) dropped: Option<Estimate>,
}

impl Batch {
    pub(super) fn is_empty(&self) -> bool {
        self.entries.is_empty() && self.light.is_empty()
    }

    /// Adds an entry. Returns how many readings were dropped to make room.
    pub(super) fn push(&mut self, entry: Entry) -> u64 {
        match &entry {
            Entry::Light { sensor, reading } => {
                self.light_of(sensor).samples.push_back(stored(reading));
                return self.trim();
            }
            // Only the last of these counts.
            Entry::Knot { sensor, .. } => self
                .entries
                .retain(|earlier| !matches!(earlier, Entry::Knot { sensor: of, .. } if of == sensor)),
            Entry::AtBroker(_) => self.entries.retain(|earlier| !matches!(earlier, Entry::AtBroker(_))),
            // A signal that is delivered while the card cannot be written need not be kept.
            Entry::Sent { id } => {
                let is_it = |earlier: &Entry| matches!(earlier, Entry::Signal(row) if row.id == *id);
                if let Some(at) = self.entries.iter().rposition(is_it) {
                    self.entries.remove(at);
                    return 0;
                }
            }
            Entry::Answered { .. } => self.make_room_for_an_answer(),
            _ => {}
        }
        self.entries.push(entry);
        0
    }

    /// Adds what came later. Returns how many readings were dropped to make room.
    pub(super) fn append(&mut self, later: Self) -> u64 {
        for entry in later.entries {
            self.push(entry);
        }
        for mut light in later.light {
            let earlier = self.light_of(&light.sensor);
            if earlier.samples.is_empty() {
                earlier.dropped = light.dropped;
            }
            earlier.samples.append(&mut light.samples);
        }
        self.trim()
    }

    /// Drops older answers, of which the record keeps no more than the last ones anyway.
    fn make_room_for_an_answer(&mut self) {
        if self.answers >= 2 * ANSWERS_KEPT {
            let mut surplus = self.answers - ANSWERS_KEPT;
            self.answers = ANSWERS_KEPT;
            self.entries.retain(|entry| {
                let is_dropped = surplus > 0 && matches!(entry, Entry::Answered { .. });
                surplus -= usize::from(is_dropped);
                !is_dropped
            });
        }
        self.answers += 1;
    }

    fn light_of(&mut self, sensor: &str) -> &mut Light {
        let found = self.light.iter().position(|light| light.sensor == sensor);
        let index = found.unwrap_or_else(|| {
            self.light.push(Light { sensor: sensor.to_owned(), samples: VecDeque::new(), dropped: None });
            self.light.len() - 1
        });
        &mut self.light[index]
    }

    /// Drops the oldest readings beyond the bound.
    fn trim(&mut self) -> u64 {
        let readings: usize = self.light.iter().map(|light| light.samples.len()).sum();
        let surplus = readings.saturating_sub(MOST_READINGS);
        for _ in 0..surplus {
            let oldest = self.light.iter_mut().filter(|light| light.samples.len() > 2);
            let Some(light) = oldest.min_by_key(|light| light.samples[1].at) else { break };
            light.drop_second();
        }
        surplus as u64
    }
}

impl Light {
    /// Drops the second sample; what fell around it is kept.
    fn drop_second(&mut self) {
        let (first, second, third) = (self.samples[0], self.samples[1], self.samples[2]);
        let before = self.dropped.unwrap_or_else(|| fallen(&first, &second));
        self.dropped = Some(before.plus(fallen(&second, &third)));
        self.samples.remove(1);
    }
}

/// What fell between two samples, in straight lines.
fn fallen(from: &Sample, to: &Sample) -> Estimate {
    let seconds = to.at.seconds_since(from.at);
    let line = |a: f64, b: f64| Dose::from_j_m2(0.5 * (a + b) * seconds);
    let low = line(from.seen.lowest().w_m2(), to.seen.lowest().w_m2());
    let high = line(from.seen.highest().w_m2(), to.seen.highest().w_m2());
    Estimate { low, best: low, high }
}

fn stored(reading: &Reading) -> Sample {
    Sample { at: reading.at, seen: reading.seen, flags: reading.flags }
}

/// What the thread is to do.
#[derive(Debug, Default)]
pub(super) struct Work {
    pub(super) batch: Batch,
    /// The last commit asked for.
    pub(super) token: Option<u64>,
    /// See [`super::Ledger::look_for_unjudged`].
    pub(super) unjudged_before_ms: Option<i64>,
    /// See [`super::Ledger::checkpoint`].
    pub(super) checkpoint: bool,
    /// The batch is the last.
    pub(super) ends: bool,
}

impl Work {
    fn is_none(&self) -> bool {
        self.token.is_none() && self.unjudged_before_ms.is_none() && !self.checkpoint && !self.ends
    }
}

#[derive(Debug, Default)]
struct State {
    /// Written since the last commit was asked for. What belongs together is committed together.
    open: Batch,
    work: Work,
    /// How the last batch was written.
    ended: Option<rusqlite::Result<()>>,
}

/// Between the service and the ledger's thread.
#[derive(Debug, Default)]
pub(super) struct Queue {
    state: Mutex<State>,
    changed: Condvar,
    dropped: AtomicU64,
    has_long_log: AtomicBool,
    card: Mutex<Card>,
}

impl Queue {
    pub(super) fn write(&self, entry: Entry) {
        let dropped = self.state().open.push(entry);
        self.note_dropped(dropped);
    }

    pub(super) fn commit(&self, token: u64) {
        self.ask(|state| {
            let open = std::mem::take(&mut state.open);
            let dropped = state.work.batch.append(open);
            self.note_dropped(dropped);
            state.work.token = Some(token);
        });
    }

    pub(super) fn look_for_unjudged(&self, before_ms: i64) {
        self.ask(|state| state.work.unjudged_before_ms = Some(before_ms));
    }

    pub(super) fn checkpoint(&self) {
        self.set_long_log(false);
        self.ask(|state| state.work.checkpoint = true);
    }

    pub(super) fn end(&self) {
        self.ask(|state| {
            let open = std::mem::take(&mut state.open);
            let dropped = state.work.batch.append(open);
            self.note_dropped(dropped);
            state.work.ends = true;
        });
    }

    /// What the thread is to do next; nothing when nothing was asked `within` this time.
    pub(super) fn next(&self, within: Duration) -> Work {
        let waiting = self.changed.wait_timeout_while(self.state(), within, |state| state.work.is_none());
        let (mut state, _) = waiting.unwrap_or_else(PoisonError::into_inner);
        if state.work.is_none() { Work::default() } else { std::mem::take(&mut state.work) }
    }

    /// The thread has written the last batch, or could not.
    pub(super) fn set_ended(&self, written: rusqlite::Result<()>) {
        self.ask(|state| state.ended = Some(written));
    }

    /// How the last batch was written; `None` when that takes longer than `within`.
    pub(super) fn wait_for_end(&self, within: Duration) -> Option<rusqlite::Result<()>> {
        let waiting = self.changed.wait_timeout_while(self.state(), within, |state| state.ended.is_none());
        waiting.unwrap_or_else(PoisonError::into_inner).0.ended.take()
    }

    pub(super) fn note_dropped(&self, readings: u64) {
        if readings > 0 && self.dropped.fetch_add(readings, Relaxed) == 0 {
            tracing::error!(
                "more light waits for the memory card than there is memory for; the oldest readings are not kept, doses \
                 and calls go on"
            );
        }
    }

    /// Readings that were dropped since the start.
    pub(super) fn dropped(&self) -> u64 {
        self.dropped.load(Relaxed)
    }

    pub(super) fn set_long_log(&self, is_long: bool) {
        self.has_long_log.store(is_long, Relaxed);
    }

    pub(super) fn has_long_log(&self) -> bool {
        self.has_long_log.load(Relaxed)
    }

    pub(super) fn card(&self) -> MutexGuard<'_, Card> {
        self.card.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn ask(&self, change: impl FnOnce(&mut State)) {
        change(&mut self.state());
        self.changed.notify_all();
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // A panic elsewhere leaves what waits as it is.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use frameside_core::quantity::{Irradiance, Mono};

    use super::*;

    fn light(seconds: usize) -> Entry {
        let at = Mono::from_seconds(seconds as f64);
        let seen = Irradiance::from_w_m2((seconds % 7) as f64);
        Entry::Light { sensor: "sky".into(), reading: Reading::of(at, seen) }
    }

    #[test]
    fn light_beyond_the_bound_is_dropped_oldest_first_and_leaves_a_gap_of_what_fell() {
        let mut batch = Batch::default();
        let dropped: u64 = (0..MOST_READINGS + 1000).map(|second| batch.push(light(second))).sum();
        let [sky] = &batch.light[..] else { panic!("one sensor") };
        assert_eq!((dropped, sky.samples.len()), (1000, MOST_READINGS));
        assert_eq!(sky.samples[0].at, Mono::from_seconds(0.0));
        assert_eq!(sky.samples[1].at, Mono::from_seconds(1001.0));
        let value = |second: usize| (second % 7) as f64;
        let fell: f64 = (0..1001).map(|second| 0.5 * (value(second) + value(second + 1))).sum();
        assert!((sky.dropped.unwrap().best.j_m2() - fell).abs() < 1e-6);
    }

    #[test]
    fn only_light_has_a_bound() {
        let mut batch = Batch::default();
        for second in 0..MOST_READINGS {
            batch.push(light(second));
        }
        let mut later = Batch::default();
        for n in 0..1000 {
            later.push(Entry::Reminded { print: n.to_string() });
        }
        later.push(light(MOST_READINGS));
        assert_eq!(batch.append(later), 1);
        assert_eq!(batch.entries.len(), 1000);
    }

    #[test]
    fn what_is_of_no_use_any_more_does_not_pile_up() {
        let mut batch = Batch::default();
        for n in 0..1000 {
            let signal =
                super::super::OutboxRow { id: n.to_string(), frame: "oak".into(), payload: "{}".into() };
            batch.push(Entry::Signal(signal));
            batch.push(Entry::Answered { id: n.to_string(), answer: true.into() });
            batch.push(Entry::Sent { id: n.to_string() });
        }
        assert!(batch.entries.len() <= 2 * ANSWERS_KEPT, "{}", batch.entries.len());
        let last = Entry::Answered { id: "999".into(), answer: true.into() };
        assert_eq!(batch.entries.last(), Some(&last));
    }

    #[test]
    fn what_belongs_together_is_taken_together() {
        let queue = Queue::default();
        let reminded = |n: &str| Entry::Reminded { print: n.into() };
        queue.write(reminded("a"));
        queue.commit(1);
        queue.write(reminded("b"));
        queue.commit(2);
        queue.write(reminded("c, whose other half is yet to come"));
        let work = queue.next(Duration::ZERO);
        assert_eq!((work.token, work.batch.entries), (Some(2), vec![reminded("a"), reminded("b")]));
        assert!(queue.next(Duration::ZERO).is_none());
        queue.write(reminded("c"));
        queue.commit(3);
        assert_eq!(queue.next(Duration::ZERO).batch.entries.len(), 2);
    }
}
