//! One print's life: when its cover was off, and what that amounts to.

use super::{Counted, FrameState, Plan, PrintId};
use crate::light::{Estimate, Integral, Interval, Response, Unplaced};
use crate::quantity::{Dose, Mono};

/// More covers and uncovers than anyone makes on one print.
pub const MOST_SPANS: usize = 1000;

/// Where the integrals of a sensor stand at an instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Totals {
    /// The one that a print counts by.
    pub own: Estimate,
    /// The plain one; the same for a print that counts plainly.
    pub plain: Estimate,
}

impl Totals {
    /// Of a print that counts plainly.
    #[must_use]
    pub const fn alike(total: Estimate) -> Self {
        Self { own: total, plain: total }
    }
}

/// An instant on the integrals of a sensor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// When.
    pub at: Mono,
    /// The integrals there.
    pub totals: Totals,
    /// Whether they are final; else they were projected from the last reading.
    pub settled: bool,
}

/// Both integrals of a sensor that a print's figures come from.
#[derive(Clone, Copy)]
pub(super) struct Integrals<'a> {
    pub(super) own: &'a Integral,
    pub(super) plain: &'a Integral,
}

impl Integrals<'_> {
    pub(super) fn peek(&self, at: Mono) -> Totals {
        Totals { own: self.own.peek(at), plain: self.plain.peek(at) }
    }
}

/// The last step of both.
#[derive(Clone)]
pub(super) struct Steps {
    pub(super) own: Interval,
    pub(super) plain: Interval,
}

impl Steps {
    pub(super) fn totals_at(&self, at: Mono) -> Totals {
        Totals { own: self.own.total_at(at), plain: self.plain.total_at(at) }
    }
}

/// A stretch with the cover off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// When the cover came off.
    pub from: Mark,
    /// When it went on again; `None` while it is off.
    pub to: Option<Mark>,
}

/// An event whose figures are not final.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PendingEvent {
    /// Its number within the print.
    pub seq: u32,
    /// When it happened.
    pub at: Mono,
}

/// A print taken up again after a restart.
#[derive(Debug, Clone, PartialEq)]
pub struct Resumed {
    /// Its name in the record.
    pub print: PrintId,
    /// What it is to receive.
    pub plan: Plan,
    /// What the sensor's integral is to be multiplied by: what its cover glass
    /// passes, times the factor it was begun with.
    pub glass: f64,
    /// What it answers to.
    pub response: Response,
    /// Whether the sun shines on it, or a lamp.
    pub sunlit: bool,
    /// When it was given a new target.
    pub aimed_at: Option<Mono>,
    /// When its cover was off, oldest first.
    pub spans: Vec<Span>,
    /// How many of the plan's doses have been called.
    pub called: usize,
    /// When the target was reached.
    pub due_at: Option<Mono>,
    /// Whether `nearly` was called.
    pub nearly: bool,
    /// Whether a call has not been acknowledged.
    pub waiting: bool,
    /// Whether the exposure has ended.
    pub ended: bool,
    /// The number of the next event.
    pub next_seq: u32,
    /// Events that still wait for a reading.
    pub pending: Vec<PendingEvent>,
    /// What it missed in outages.
    pub(super) missed: Vec<Missed>,
}

impl Resumed {
    /// A print of which nothing is known yet but how it began; its events are
    /// then told to it one by one.
    #[must_use]
    pub fn new(print: PrintId, plan: Plan, glass: f64, response: Response) -> Self {
        Self {
            print,
            plan,
            glass,
            response,
            sunlit: true,
            aimed_at: None,
            spans: Vec::new(),
            called: 0,
            due_at: None,
            nearly: false,
            waiting: false,
            ended: false,
            next_seq: 0,
            pending: Vec::new(),
            missed: Vec::new(),
        }
    }

    /// What fell after a boot ended, within a span, and is not in the integral; before the
    /// glass. It replaces what was counted for that boot before. `None` while the length of
    /// the outage is unknown.
    pub fn count_missed(&mut self, after_boot: i64, span: usize, missed: Option<Totals>) {
        count_missed(&mut self.spans, &mut self.missed, after_boot, span, missed);
    }

    /// Its dose is not known any more: from nothing to `most`. It goes on from where the
    /// integrals were left, at an instant that may not be known either.
    pub fn doubt(&mut self, left_at: Option<Mono>, left: Totals, most: Dose) {
        let is_uncovered = self.spans.last().is_none_or(|span| span.to.is_none());
        let begun_at = self.spans.first().map(|span| span.from.at);
        let at = left_at.or(begun_at).unwrap_or_default();
        let unknown =
            |total: Estimate, passes: f64| Estimate { high: total.high + most * (1.0 / passes), ..total };
        let from = Mark { at, totals: left, settled: true };
        let (own, plain) =
            (unknown(left.own, self.response.of_factor(self.glass)), unknown(left.plain, self.glass));
        self.spans = vec![Span { from, to: Some(Mark { totals: Totals { own, plain }, ..from }) }];
        if is_uncovered {
            self.spans.push(Span { from, to: None });
        }
        self.pending.clear();
    }
}

/// Why light of an outage is not in a print's dose, nor within its bounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lacks {
    /// The length of the outage is known once the clock is right.
    LengthToCome,
    /// It will never be known.
    UnknownLength,
}

/// An outage in which a print lay open.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Missed {
    /// The boot that ended.
    after_boot: i64,
    /// The span that holds what fell.
    span: usize,
    /// What fell; `None` while the length of the outage is unknown.
    missed: Option<Totals>,
}

/// Counts what fell within a span and is not in the integral as a span of its own
/// before that one, of no length.
fn count_missed(
    spans: &mut Vec<Span>,
    known: &mut Vec<Missed>,
    after_boot: i64,
    span: usize,
    missed: Option<Totals>,
) {
    let index = known.iter().position(|other| other.after_boot == after_boot).or_else(|| {
        let &Span { from, .. } = spans.get(span)?;
        let from = Mark { settled: true, ..from };
        spans.insert(span, Span { from, to: Some(from) });
        known.iter_mut().filter(|other| other.span >= span).for_each(|other| other.span += 1);
        known.push(Missed { after_boot, span, missed: None });
        Some(known.len() - 1)
    });
    let Some(outage) = index.map(|index| &mut known[index]) else { return };
    outage.missed = missed;
    let Span { from, to } = &mut spans[outage.span];
    let missed = missed.unwrap_or(Totals { own: Estimate::ZERO, plain: Estimate::ZERO });
    let totals =
        Totals { own: from.totals.own.plus(missed.own), plain: from.totals.plain.plus(missed.plain) };
    *to = Some(Mark { totals, ..*from });
}

/// A print in a frame.
#[derive(Debug, Clone)]
pub(super) struct Print {
    pub(super) id: PrintId,
    pub(super) plan: Plan,
    glass: f64,
    pub(super) response: Response,
    /// What its own integral is to be multiplied by: what the glass leaves of the
    /// light's effect.
    pub(super) passes: f64,
    /// Whether the sun shines on it, or a lamp.
    pub(super) sunlit: bool,
    /// When the target was changed last: it cannot have been reached before.
    pub(super) aimed_at: Option<Mono>,
    spans: Vec<Span>,
    /// How many of the plan's doses have been called; all of them: due.
    pub(super) called: usize,
    pub(super) nearly: bool,
    pub(super) waiting: bool,
    /// Whether it was told that it will not be due before the sun is too low.
    pub(super) told_slow: bool,
    pub(super) ended: bool,
    next_seq: u32,
    pending: Vec<PendingEvent>,
    /// What it missed in outages.
    missed: Vec<Missed>,
}

impl Print {
    pub(super) fn new(id: PrintId, plan: Plan, glass: f64, response: Response) -> Self {
        Self {
            id,
            plan,
            glass,
            response,
            passes: response.of_factor(glass),
            sunlit: true,
            aimed_at: None,
            spans: Vec::new(),
            called: 0,
            nearly: false,
            waiting: false,
            told_slow: false,
            ended: false,
            next_seq: 0,
            pending: Vec::new(),
            missed: Vec::new(),
        }
    }

    pub(super) fn resumed(resumed: Resumed) -> Self {
        Self {
            id: resumed.print,
            glass: resumed.glass,
            response: resumed.response,
            passes: resumed.response.of_factor(resumed.glass),
            sunlit: resumed.sunlit,
            aimed_at: resumed.aimed_at,
            spans: resumed.spans,
            called: resumed.called.min(resumed.plan.doses().len()),
            plan: resumed.plan,
            nearly: resumed.nearly,
            waiting: resumed.waiting,
            told_slow: false,
            ended: resumed.ended,
            next_seq: resumed.next_seq,
            pending: resumed.pending,
            missed: resumed.missed,
        }
    }

    pub(super) fn state(&self) -> FrameState {
        match (self.ended, self.is_uncovered(), self.is_due()) {
            (true, _, _) => FrameState::In,
            (false, false, _) => FrameState::Covered,
            (false, true, true) => FrameState::Due,
            (false, true, false) => FrameState::Exposing,
        }
    }

    pub(super) fn is_due(&self) -> bool {
        self.called == self.plan.doses().len()
    }

    pub(super) fn is_uncovered(&self) -> bool {
        self.spans.last().is_some_and(|span| span.to.is_none())
    }

    pub(super) fn spans(&self) -> usize {
        self.spans.len()
    }

    /// The span with the cover off in which a boot ended; the one that holds what was missed
    /// then, once that is counted.
    pub(super) fn span_over(&self, ended: Unplaced) -> Option<usize> {
        let is_over =
            |span: &Span| span.from.at <= ended.ended && span.to.is_none_or(|to| to.at > ended.ended);
        self.missed_after(ended.boot)
            .map(|missed| missed.span)
            .or_else(|| self.spans.iter().position(is_over))
    }

    fn missed_after(&self, boot: i64) -> Option<&Missed> {
        self.missed.iter().find(|missed| missed.after_boot == boot)
    }

    /// Whether something was counted for what it missed after a boot.
    pub(super) fn has_counted(&self, boot: i64) -> bool {
        self.missed_after(boot).is_some()
    }

    /// Whether exactly this was.
    pub(super) fn has_counted_so(&self, boot: i64, missed: Option<Totals>) -> bool {
        self.missed_after(boot).is_some_and(|outage| outage.missed == missed)
    }

    /// What its dose lacks, of the outages among which `tears` may still be counted.
    pub(super) fn lacks(&self, tears: &[Unplaced]) -> Option<Lacks> {
        let waits = |&&boot: &&Unplaced| !self.has_counted(boot.boot) && self.span_over(boot).is_some();
        if self.missed.iter().any(|outage| outage.missed.is_none()) {
            Some(Lacks::UnknownLength)
        } else {
            tears.iter().find(waits).map(|_| Lacks::LengthToCome)
        }
    }

    /// Whether a boot ended while its cover was off, so that a corrected clock can change
    /// what it missed then.
    pub(super) fn lies_over(&self, tears: &[Unplaced]) -> bool {
        tears.iter().any(|&boot| self.span_over(boot).is_some())
    }

    /// As [`Resumed::count_missed`].
    pub(super) fn count_missed(&mut self, after_boot: i64, span: usize, missed: Option<Totals>) {
        count_missed(&mut self.spans, &mut self.missed, after_boot, span, missed);
    }

    pub(super) fn uncover(&mut self, mark: Mark) {
        self.spans.push(Span { from: mark, to: None });
    }

    pub(super) fn cover(&mut self, mark: Mark) {
        if let Some(span) = self.spans.last_mut() {
            span.to.get_or_insert(mark);
        }
    }

    /// The print's dose at an instant where its own integral is `total`.
    pub(super) fn dose(&self, at: Mono, total: Estimate) -> Estimate {
        self.uncovered(at, total, |totals| totals.own).scaled(self.passes)
    }

    /// Both doses at an instant; the plain one where that is another.
    pub(super) fn counted(&self, at: Mono, totals: Totals) -> (Counted, Option<Counted>) {
        let own = Counted { dose: self.dose(at, totals.own), total: totals.own };
        let plain = (!self.response.is_plain()).then(|| {
            let dose = self.uncovered(at, totals.plain, |totals| totals.plain).scaled(self.glass);
            Counted { dose, total: totals.plain }
        });
        (own, plain)
    }

    /// What an integral grew by with the cover off, up to an instant where it is `total`.
    fn uncovered(&self, at: Mono, total: Estimate, of: impl Fn(&Totals) -> Estimate) -> Estimate {
        self.spans
            .iter()
            .take_while(|span| span.from.at <= at)
            .map(|span| {
                let end = span.to.filter(|to| to.at <= at).map_or(total, |to| of(&to.totals));
                end.since(of(&span.from.totals))
            })
            .fold(Estimate::ZERO, Estimate::plus)
    }

    /// The level of its own integral at which the print will have received `dose`;
    /// `None` under its cover.
    pub(super) fn level(&self, dose: Dose) -> Option<Dose> {
        let open = self.spans.last().filter(|span| span.to.is_none())?;
        // What it had when its cover last came off.
        let from = open.from.totals.own;
        let before = self.dose(open.from.at, from).best;
        Some(from.best + (dose - before) * (1.0 / self.passes))
    }

    /// The next dose to call, `None` once due.
    pub(super) fn next_dose(&self) -> Option<Dose> {
        self.plan.doses().get(self.called).map(|target| target.dose())
    }

    /// Gives out the number of an event, to be settled later unless final.
    pub(super) fn number_event(&mut self, at: Mono, settled: bool) -> u32 {
        let seq = self.next_seq;
        self.next_seq += 1;
        if !settled {
            self.pending.push(PendingEvent { seq, at });
        }
        seq
    }

    pub(super) fn is_settled(&self) -> bool {
        self.pending.is_empty() && self.marks().all(|mark| mark.settled)
    }

    /// Whether no light adds to it, and all that did is known.
    pub(super) fn is_final(&self) -> bool {
        !self.is_uncovered() && self.marks().all(|mark| mark.settled)
    }

    fn marks(&self) -> impl Iterator<Item = &Mark> {
        // Only the newest spans can be unsettled, but there are few of them.
        self.spans.iter().flat_map(|span| std::iter::once(&span.from).chain(span.to.as_ref()))
    }

    fn unsettled_marks(&mut self) -> impl Iterator<Item = &mut Mark> {
        let spans = self.spans.iter_mut();
        let marks = spans.flat_map(|span| std::iter::once(&mut span.from).chain(&mut span.to));
        marks.filter(|mark| !mark.settled)
    }

    /// Projects the marks after the last reading anew.
    pub(super) fn project(&mut self, integrals: Integrals<'_>) {
        let last = integrals.plain.knot().map(|knot| knot.at);
        for mark in self.unsettled_marks().filter(|mark| Some(mark.at) > last) {
            mark.totals = integrals.peek(mark.at);
        }
    }

    /// Makes final what lies within the last step of the integrals, and returns
    /// the events whose figures are now known. What lies after it (a reading
    /// arrives a little after its instant) is projected anew, since the step
    /// may hold a gap that the first projection knew nothing of.
    pub(super) fn settle(
        &mut self,
        steps: &Steps,
        integrals: Integrals<'_>,
    ) -> Vec<(PendingEvent, Counted, Option<Counted>)> {
        let end = steps.plain.to();
        for mark in self.unsettled_marks().filter(|mark| mark.at <= end) {
            mark.totals = steps.totals_at(mark.at);
            mark.settled = true;
        }
        self.project(integrals);
        let (now_known, pending) = self.pending.iter().partition(|event| event.at <= end);
        self.pending = pending;
        let known: Vec<PendingEvent> = now_known;
        let counted = |event: PendingEvent| {
            let (own, plain) = self.counted(event.at, steps.totals_at(event.at));
            (event, own, plain)
        };
        known.into_iter().map(counted).collect()
    }
}
