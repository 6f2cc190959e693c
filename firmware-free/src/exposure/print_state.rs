//! The state of a print as a fold over its events: the same live, at a start and in
//! the record.

use super::spans::OpenSpans;
use super::{FrameState, Plan};
use crate::light::Response;
use crate::quantity::TargetDose;
use crate::time::Stamp;

/// Something that happened to a print, and when.
#[derive(Debug, Clone, PartialEq)]
pub struct PrintEvent {
    /// When. Of an amendment: when it was made.
    pub at: Stamp,
    /// What.
    pub kind: PrintEventKind,
}

/// The kinds of [`PrintEvent`].
#[derive(Debug, Clone, PartialEq)]
pub enum PrintEventKind {
    /// The print was begun. The first event of a print, and only that.
    Begun {
        /// Whether under its cover.
        covered: bool,
    },
    /// The cover went on.
    Covered,
    /// The cover came off.
    Uncovered,
    /// The mask went over the bands of a strip up to this one, which counts from 1.
    /// Over the last band it is the cover.
    BandCovered(u16),
    /// It was called that the target is near.
    CalledNearly,
    /// A dose of the plan was called, counted from 1. The last one makes it due.
    Called(u16),
    /// A call was acknowledged.
    Hushed,
    /// It is to receive this dose instead.
    Retargeted(TargetDose),
    /// The exposure ended.
    BroughtIn,
    /// A correction of what was recorded.
    Amended(Amendment),
}

/// A correction of what was recorded of a print.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Amendment {
    /// It was begun at another instant.
    BegunAt(Stamp),
    /// It was brought in at another instant.
    BroughtInAt(Stamp),
    /// Its cover was on from one instant to a later one.
    Covered(Stamp, Stamp),
    /// Its cover was off from one instant to a later one.
    Uncovered(Stamp, Stamp),
    /// The mask went over a band, which counts from 1, at another instant.
    BandCoveredAt(u16, Stamp),
    /// Only so many doses of its plan were really reached: those after them were
    /// called by light that turned out to be less, and are waited for again.
    Reached(u16),
}

/// What a print's doses are computed from, beside the light.
#[derive(Debug, Clone, PartialEq)]
pub struct Exposure {
    /// When its cover was off.
    pub open: OpenSpans,
    /// What it receives of the light at the sensor: what its glass passes, times the
    /// factor of its source of light. Above zero.
    pub glass: f64,
    /// How it answers to light.
    pub response: Response,
}

impl Exposure {
    /// What doses before the glass are multiplied by.
    pub(super) fn passes(&self) -> f64 {
        self.response.of_factor(self.glass)
    }
}

/// A print as its events have made it.
#[derive(Debug, Clone, PartialEq)]
pub struct PrintState {
    plan: Plan,
    exposure: Exposure,
    begun: Option<Stamp>,
    brought_in: Option<Stamp>,
    /// When the mask went over each band of a strip; `None` while light falls on it.
    bands: Vec<Option<Stamp>>,
    called: usize,
    is_nearly_called: bool,
    is_waiting: bool,
    aimed_at: Option<Stamp>,
}

impl PrintState {
    /// A print before its first event. Its glass, above zero, and its response stay as they
    /// are here, whatever becomes of the frame.
    #[must_use]
    pub fn new(plan: Plan, glass: f64, response: Response) -> Self {
        debug_assert!(glass > 0.0, "a glass of {glass} passes nothing");
        Self {
            bands: vec![None; if plan.is_strip() { plan.doses().len() } else { 0 }],
            plan,
            exposure: Exposure { open: OpenSpans::default(), glass, response },
            begun: None,
            brought_in: None,
            called: 0,
            is_nearly_called: false,
            is_waiting: false,
            aimed_at: None,
        }
    }

    /// The state after an event, which comes in the order of the record. One that cannot
    /// follow (a cover that is on already, anything after the end) changes nothing.
    #[must_use]
    pub fn after(mut self, event: &PrintEvent) -> Self {
        let at = event.at;
        match event.kind {
            PrintEventKind::Amended(amendment) => self.amend(amendment),
            _ if self.brought_in.is_some() => {}
            PrintEventKind::Begun { covered } => self.begin(at, covered),
            PrintEventKind::Covered => self.cover(at),
            PrintEventKind::Uncovered => {
                self.exposure.open.open(at);
                // Its call comes again: the dose was reached and goes on growing.
                self.is_waiting |= self.is_due();
            }
            PrintEventKind::BandCovered(band) => self.cover_band(at, usize::from(band)),
            PrintEventKind::CalledNearly => self.is_nearly_called = true,
            PrintEventKind::Called(dose) => {
                self.called = usize::from(dose).clamp(self.called, self.plan.doses().len());
                self.is_waiting = true;
            }
            PrintEventKind::Hushed => self.is_waiting = false,
            PrintEventKind::Retargeted(target) => self.aim(at, target),
            PrintEventKind::BroughtIn => {
                self.cover(at);
                self.brought_in = Some(at);
            }
        }
        self.assert_sound();
        self
    }

    fn begin(&mut self, at: Stamp, covered: bool) {
        debug_assert!(self.begun.is_none(), "a print begins once");
        self.begun = Some(at);
        if !covered {
            self.exposure.open.open(at);
        }
    }

    fn cover(&mut self, at: Stamp) {
        self.exposure.open.close(at);
        self.is_waiting = false;
    }

    fn cover_band(&mut self, at: Stamp, band: usize) {
        let masked = self.bands.iter_mut().take(band);
        masked.for_each(|covered| *covered = covered.or(Some(at)));
        if band == self.plan.doses().len() {
            return self.cover(at);
        }
        // What lies under the mask is not called any more.
        self.called = self.called.max(band.min(self.bands.len()));
        self.is_waiting &= self.bands_waiting() > 0;
    }

    fn aim(&mut self, at: Stamp, target: TargetDose) {
        debug_assert!(!self.plan.is_strip(), "a strip keeps its bands");
        self.plan = Plan::dose(target);
        self.aimed_at = Some(at);
        (self.called, self.is_nearly_called, self.is_waiting) = (0, false, false);
    }

    fn amend(&mut self, amendment: Amendment) {
        let open = &mut self.exposure.open;
        match amendment {
            Amendment::BegunAt(at) => {
                let Some(begun) = self.begun.replace(at) else { return };
                let began_open = open.as_slice().first().is_some_and(|first| first.from <= begun);
                if begun < at {
                    open.remove(begun, at);
                } else if began_open && at < begun {
                    open.insert(at, begun);
                }
            }
            Amendment::BroughtInAt(at) => {
                let Some(ended) = self.brought_in.replace(at) else { return };
                let ended_open = open.as_slice().last().is_some_and(|last| last.to == Some(ended));
                if at < ended {
                    open.remove(at, ended);
                } else if ended_open && ended < at {
                    open.insert(ended, at);
                }
            }
            Amendment::Covered(from, to) if from < to => open.remove(from, to),
            Amendment::Uncovered(from, to) if from < to => open.insert(from, to),
            Amendment::Covered(..) | Amendment::Uncovered(..) => {}
            Amendment::BandCoveredAt(band, at) => {
                let band = usize::from(band).checked_sub(1).and_then(|index| self.bands.get_mut(index));
                band.into_iter().for_each(|covered| *covered = Some(at));
            }
            Amendment::Reached(doses) => {
                self.called = self.called.min(usize::from(doses));
                self.is_waiting &= self.called > 0;
                self.is_nearly_called = false;
            }
        }
    }

    /// What holds after every event.
    fn assert_sound(&self) {
        debug_assert!(self.begun.is_some(), "a print begins before anything else happens to it");
        debug_assert!(self.exposure.open.is_sound(), "{self:?}");
        debug_assert!(self.called <= self.plan.doses().len(), "{self:?}");
        debug_assert!(self.brought_in.is_none() || !self.exposure.open.is_open(), "{self:?}");
        debug_assert!(self.brought_in.is_none() || !self.is_waiting, "{self:?}");
        debug_assert!(!self.is_waiting || self.called > 0, "{self:?}");
    }

    /// What its frame shows of it.
    #[must_use]
    pub fn state(&self) -> FrameState {
        match (self.brought_in, self.exposure.open.is_open(), self.is_due()) {
            (Some(_), _, _) => FrameState::In,
            (None, false, _) => FrameState::Covered,
            (None, true, true) => FrameState::Due,
            (None, true, false) => FrameState::Exposing,
        }
    }

    /// What its doses are computed from.
    #[must_use]
    pub const fn exposure(&self) -> &Exposure {
        &self.exposure
    }

    /// What it is to receive.
    #[must_use]
    pub const fn plan(&self) -> &Plan {
        &self.plan
    }

    /// Whether every dose of its plan has been called.
    #[must_use]
    pub fn is_due(&self) -> bool {
        self.called == self.plan.doses().len()
    }

    /// The next dose to call; `None` once it is due.
    #[must_use]
    pub fn next_dose(&self) -> Option<TargetDose> {
        self.plan.doses().get(self.called).copied()
    }

    /// Whether it was called that the target is near.
    #[must_use]
    pub const fn is_nearly_called(&self) -> bool {
        self.is_nearly_called
    }

    /// Whether a call has not been acknowledged.
    #[must_use]
    pub const fn is_waiting(&self) -> bool {
        self.is_waiting
    }

    /// When its target was changed last: it was not reached before.
    #[must_use]
    pub const fn aimed_at(&self) -> Option<Stamp> {
        self.aimed_at
    }

    /// When it was begun; `None` before its first event.
    #[must_use]
    pub const fn begun(&self) -> Option<Stamp> {
        self.begun
    }

    /// When its exposure ended; `None` while it is out.
    #[must_use]
    pub const fn brought_in(&self) -> Option<Stamp> {
        self.brought_in
    }

    /// When the mask went over each band of a strip; empty for a print of one dose.
    #[must_use]
    pub fn bands(&self) -> &[Option<Stamp>] {
        &self.bands
    }

    /// How many bands of a strip were called and are not covered.
    #[must_use]
    pub fn bands_waiting(&self) -> usize {
        self.bands.iter().take(self.called).filter(|covered| covered.is_none()).count()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::quantity::{Dose, Mono};
    use crate::time::Boot;
    use PrintEventKind::{Begun, BroughtIn, Called, CalledNearly, Covered, Hushed, Retargeted, Uncovered};

    fn at(seconds: u32) -> Stamp {
        Stamp::new(Boot(1), Mono::from_seconds(f64::from(seconds)))
    }

    fn target(j_m2: f64) -> TargetDose {
        TargetDose::new(Dose::from_j_m2(j_m2)).unwrap()
    }

    fn print(plan: Plan, events: &[(u32, PrintEventKind)]) -> PrintState {
        let new = PrintState::new(plan, 0.9, Response::PLAIN);
        let event =
            |(seconds, kind): &(u32, PrintEventKind)| PrintEvent { at: at(*seconds), kind: kind.clone() };
        events.iter().map(event).fold(new, |print, event| print.after(&event))
    }

    fn one(events: &[(u32, PrintEventKind)]) -> PrintState {
        print(Plan::dose(target(1000.0)), events)
    }

    fn strip(events: &[(u32, PrintEventKind)]) -> PrintState {
        print(Plan::strip(vec![target(100.0), target(200.0), target(300.0)]).unwrap(), events)
    }

    fn spans(print: &PrintState) -> Vec<(u32, Option<u32>)> {
        let seconds = |stamp: Stamp| stamp.at.seconds() as u32;
        let open = print.exposure().open.as_slice();
        open.iter().map(|span| (seconds(span.from), span.to.map(seconds))).collect()
    }

    #[test]
    fn a_print_from_begin_to_bring_in() {
        let mut events = vec![(1, Begun { covered: false })];
        let mut expect =
            |kind: Option<(u32, PrintEventKind)>, state, is_waiting, open: &[(u32, Option<u32>)]| {
                events.extend(kind);
                let print = one(&events);
                assert_eq!(
                    (print.state(), print.is_waiting(), &spans(&print)[..]),
                    (state, is_waiting, open),
                    "{events:?}"
                );
            };
        expect(None, FrameState::Exposing, false, &[(1, None)]);
        expect(Some((5, Covered)), FrameState::Covered, false, &[(1, Some(5))]);
        expect(Some((6, Uncovered)), FrameState::Exposing, false, &[(1, Some(5)), (6, None)]);
        expect(Some((7, CalledNearly)), FrameState::Exposing, false, &[(1, Some(5)), (6, None)]);
        expect(Some((8, Called(1))), FrameState::Due, true, &[(1, Some(5)), (6, None)]);
        expect(Some((9, Hushed)), FrameState::Due, false, &[(1, Some(5)), (6, None)]);
        expect(Some((10, Covered)), FrameState::Covered, false, &[(1, Some(5)), (6, Some(10))]);
        // A called print that is uncovered calls again.
        expect(Some((12, Uncovered)), FrameState::Due, true, &[(1, Some(5)), (6, Some(10)), (12, None)]);
        expect(Some((13, BroughtIn)), FrameState::In, false, &[(1, Some(5)), (6, Some(10)), (12, Some(13))]);
        // What comes after the end changes nothing.
        expect(Some((14, Uncovered)), FrameState::In, false, &[(1, Some(5)), (6, Some(10)), (12, Some(13))]);
        let print = one(&events);
        assert_eq!((print.begun(), print.brought_in()), (Some(at(1)), Some(at(13))));
        assert!(print.is_nearly_called() && print.is_due());
        assert_eq!((print.next_dose(), print.aimed_at(), print.bands_waiting()), (None, None, 0));
    }

    #[test]
    fn begun_under_its_cover() {
        let print = one(&[(1, Begun { covered: true }), (4, Uncovered)]);
        assert_eq!((print.begun(), spans(&print)), (Some(at(1)), vec![(4, None)]));
        assert_eq!(one(&[(1, Begun { covered: true })]).state(), FrameState::Covered);
    }

    #[test]
    fn a_new_target_is_called_anew() {
        let begun = (1, Begun { covered: false });
        let print = one(&[begun, (2, CalledNearly), (3, Called(1)), (4, Retargeted(target(5000.0)))]);
        assert_eq!(
            (print.state(), print.is_waiting(), print.is_nearly_called()),
            (FrameState::Exposing, false, false)
        );
        assert_eq!((print.next_dose(), print.aimed_at()), (Some(target(5000.0)), Some(at(4))));
        assert_eq!(print.plan(), &Plan::dose(target(5000.0)));
    }

    #[test]
    fn bands_are_called_and_covered() {
        let begun = (1, Begun { covered: false });
        let print = strip(&[begun.clone(), (2, Called(1)), (3, Called(2))]);
        assert_eq!(
            (print.bands_waiting(), print.is_waiting(), print.next_dose()),
            (2, true, Some(target(300.0)))
        );
        let print =
            strip(&[begun.clone(), (2, Called(1)), (3, Called(2)), (4, PrintEventKind::BandCovered(1))]);
        assert_eq!((print.bands_waiting(), print.is_waiting()), (1, true));
        assert_eq!(print.bands(), [Some(at(4)), None, None]);
        // One that was not called yet is taken as what happened, and the one before it with it.
        let print = strip(&[begun.clone(), (2, Called(1)), (4, PrintEventKind::BandCovered(2))]);
        assert_eq!(print.bands(), [Some(at(4)), Some(at(4)), None]);
        assert_eq!(
            (print.is_waiting(), print.next_dose(), print.state()),
            (false, Some(target(300.0)), FrameState::Exposing)
        );
        // The last band covers the frame.
        let print = strip(&[
            begun,
            (2, Called(3)),
            (4, PrintEventKind::BandCovered(1)),
            (9, PrintEventKind::BandCovered(3)),
        ]);
        assert_eq!(print.bands(), [Some(at(4)), Some(at(9)), Some(at(9))]);
        assert_eq!(
            (print.state(), print.is_waiting(), spans(&print)),
            (FrameState::Covered, false, vec![(1, Some(9))])
        );
    }

    fn amended(events: &[(u32, PrintEventKind)], amendment: Amendment) -> PrintState {
        let mut events = events.to_vec();
        events.push((90, PrintEventKind::Amended(amendment)));
        one(&events)
    }

    #[test]
    fn begin_and_end_are_put_right() {
        let open = [(10, Begun { covered: false }), (20, BroughtIn)];
        let covered = [(10, Begun { covered: true }), (12, Uncovered), (18, Covered), (20, BroughtIn)];
        let amend = |events: &[_], amendment| {
            let print = amended(events, amendment);
            (
                print.begun().unwrap().at.seconds() as u32,
                print.brought_in().unwrap().at.seconds() as u32,
                spans(&print),
            )
        };
        assert_eq!(amend(&open, Amendment::BegunAt(at(5))), (5, 20, vec![(5, Some(20))]));
        assert_eq!(amend(&open, Amendment::BegunAt(at(15))), (15, 20, vec![(15, Some(20))]));
        assert_eq!(amend(&open, Amendment::BegunAt(at(10))), (10, 20, vec![(10, Some(20))]));
        assert_eq!(amend(&open, Amendment::BroughtInAt(at(15))), (10, 15, vec![(10, Some(15))]));
        assert_eq!(amend(&open, Amendment::BroughtInAt(at(25))), (10, 25, vec![(10, Some(25))]));
        // Under its cover no light is gained.
        assert_eq!(amend(&covered, Amendment::BegunAt(at(5))), (5, 20, vec![(12, Some(18))]));
        assert_eq!(amend(&covered, Amendment::BegunAt(at(15))), (15, 20, vec![(15, Some(18))]));
        assert_eq!(amend(&covered, Amendment::BroughtInAt(at(25))), (10, 25, vec![(12, Some(18))]));
        assert_eq!(amend(&covered, Amendment::BroughtInAt(at(15))), (10, 15, vec![(12, Some(15))]));
    }

    #[test]
    fn covers_and_bands_are_put_right() {
        let open = [(10, Begun { covered: false })];
        assert_eq!(spans(&amended(&open, Amendment::Covered(at(12), at(14)))), [(10, Some(12)), (14, None)]);
        assert_eq!(spans(&amended(&open, Amendment::Covered(at(14), at(12)))), [(10, None)]);
        let covered = [(10, Begun { covered: true })];
        assert_eq!(spans(&amended(&covered, Amendment::Uncovered(at(12), at(14)))), [(12, Some(14))]);
        assert_eq!(spans(&amended(&covered, Amendment::Uncovered(at(14), at(14)))), []);
        let band = (20, PrintEventKind::Amended(Amendment::BandCoveredAt(2, at(13))));
        assert_eq!(strip(&[open[0].clone(), band]).bands(), [None, Some(at(13)), None]);
        let band = (20, PrintEventKind::Amended(Amendment::BandCoveredAt(0, at(13))));
        assert_eq!(strip(&[open[0].clone(), band]).bands(), [None; 3]);
    }

    #[test]
    fn a_target_that_was_not_reached_is_waited_for_again() {
        let called = [(10, Begun { covered: false }), (11, CalledNearly), (12, Called(1))];
        let print = amended(&called, Amendment::Reached(0));
        assert_eq!(
            (print.state(), print.is_waiting(), print.is_nearly_called()),
            (FrameState::Exposing, false, false)
        );
        assert_eq!(print.next_dose(), Some(target(1000.0)));
        assert_eq!(amended(&called, Amendment::Reached(1)).state(), FrameState::Due);
        assert!(amended(&called, Amendment::Reached(1)).is_waiting());
    }

    fn event() -> impl Strategy<Value = PrintEventKind> {
        let stamps = || (0u32..60, 0u32..60).prop_map(|(from, to)| (at(from), at(to)));
        prop_oneof![
            Just(Covered),
            Just(Uncovered),
            Just(Hushed),
            Just(CalledNearly),
            (1u16..5).prop_map(Called),
            (1u16..5).prop_map(PrintEventKind::BandCovered),
            stamps().prop_map(|(from, to)| PrintEventKind::Amended(Amendment::Covered(from, to))),
            (1u16..5, 0u32..60)
                .prop_map(|(n, s)| PrintEventKind::Amended(Amendment::BandCoveredAt(n, at(s)))),
            (0u16..5).prop_map(|n| PrintEventKind::Amended(Amendment::Reached(n))),
            Just(BroughtIn),
        ]
    }

    proptest! {
        /// Whatever comes in whatever order, the invariants hold (asserted by the fold itself),
        /// and what is covered twice or acknowledged twice is as if once.
        #[test]
        fn any_order_of_events_keeps_the_state_sound(
            kinds in prop::collection::vec(event(), 0..40), covered: bool, is_strip: bool,
        ) {
            let begun = (60, Begun { covered });
            let events: Vec<_> = std::iter::once(begun)
                .chain(kinds.into_iter().enumerate().map(|(n, kind)| (61 + n as u32, kind)))
                .collect();
            let print = if is_strip { strip(&events) } else { one(&events) };
            prop_assert_eq!(print.state() == FrameState::In, print.brought_in().is_some());
            prop_assert!(print.bands_waiting() <= print.bands().len());
            let again = |kind: &PrintEventKind| {
                let event = PrintEvent { at: at(200), kind: kind.clone() };
                let once = print.clone().after(&event);
                (once.clone().after(&event), once)
            };
            for kind in [Covered, Hushed, Uncovered, BroughtIn] {
                let (twice, once) = again(&kind);
                prop_assert_eq!(twice, once);
            }
        }
    }
}
