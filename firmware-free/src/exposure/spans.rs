//! When the cover of a print was off.

use crate::time::Stamp;

/// A stretch with the cover off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OpenSpan {
    /// When the cover came off.
    pub from: Stamp,
    /// When it went on again; `None` while it is off.
    pub to: Option<Stamp>,
}

/// The stretches with the cover off in rising order. They do not touch, none is
/// empty, and only the last may still go on.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct OpenSpans(Vec<OpenSpan>);

impl OpenSpan {
    /// Its ends as they are at an instant; the later end may lie before the earlier one.
    pub(super) fn until(&self, at: Stamp) -> (Stamp, Stamp) {
        (self.from, self.to.map_or(at, |end| end.min(at)))
    }
}

impl OpenSpans {
    /// The stretches, oldest first.
    #[must_use]
    pub fn as_slice(&self) -> &[OpenSpan] {
        &self.0
    }

    /// Whether the cover is off.
    #[must_use]
    pub fn is_open(&self) -> bool {
        self.0.last().is_some_and(|span| span.to.is_none())
    }

    /// The cover came off. No change when it was off.
    pub(super) fn open(&mut self, at: Stamp) {
        debug_assert!(self.0.last().is_none_or(|last| last.to <= Some(at)), "{at:?} lies before {self:?}");
        match self.0.last_mut() {
            Some(last) if last.to.is_none() => {}
            // Off and on at one instant is off all the time.
            Some(last) if last.to == Some(at) => last.to = None,
            _ => self.0.push(OpenSpan { from: at, to: None }),
        }
    }

    /// The cover went on. No change when it was on.
    pub(super) fn close(&mut self, at: Stamp) {
        let Some(last) = self.0.last_mut().filter(|last| last.to.is_none()) else { return };
        debug_assert!(last.from <= at, "{at:?} lies before {last:?}");
        last.to = Some(at);
        if last.from >= at {
            self.0.pop();
        }
    }

    /// The cover was on from one instant to a later one.
    pub(super) fn remove(&mut self, from: Stamp, to: Stamp) {
        let left_of =
            |span: &OpenSpan| OpenSpan { to: Some(span.to.map_or(from, |end| end.min(from))), ..*span };
        let right_of = |span: &OpenSpan| OpenSpan { from: span.from.max(to), ..*span };
        let parts = self.0.iter().flat_map(|span| [left_of(span), right_of(span)]);
        self.0 = parts.filter(|part| part.to.is_none_or(|end| part.from < end)).collect();
    }

    /// The cover was off from one instant to a later one.
    pub(super) fn insert(&mut self, from: Stamp, to: Stamp) {
        self.remove(from, to);
        self.0.push(OpenSpan { from, to: Some(to) });
        self.0.sort_by_key(|span| span.from);
        self.0.dedup_by(|next, span| {
            let touches = span.to == Some(next.from);
            if touches {
                span.to = next.to;
            }
            touches
        });
    }

    /// What the type promises.
    pub(super) fn is_sound(&self) -> bool {
        let is_apart = |pair: &[OpenSpan]| pair[0].to.is_some_and(|end| end < pair[1].from);
        self.0.windows(2).all(is_apart) && self.0.iter().all(|span| span.to.is_none_or(|end| span.from < end))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::quantity::Mono;
    use crate::time::Boot;

    pub(super) fn stamp(seconds: u32) -> Stamp {
        Stamp::new(Boot(1), Mono::from_seconds(f64::from(seconds)))
    }

    fn spans(of: &[(u32, Option<u32>)]) -> OpenSpans {
        OpenSpans(of.iter().map(|&(from, to)| OpenSpan { from: stamp(from), to: to.map(stamp) }).collect())
    }

    #[test]
    fn a_cover_comes_off_and_goes_on() {
        let mut open = OpenSpans::default();
        open.close(stamp(0));
        assert!(!open.is_open());
        open.open(stamp(1));
        open.open(stamp(2));
        assert!(open.is_open());
        open.close(stamp(3));
        open.close(stamp(4));
        open.open(stamp(5));
        open.close(stamp(5));
        assert_eq!(open, spans(&[(1, Some(3))]));
        open.open(stamp(3));
        assert_eq!(open, spans(&[(1, None)]));
    }

    #[test]
    fn it_ends_now_unless_it_ended_before() {
        let closed = OpenSpan { from: stamp(2), to: Some(stamp(6)) };
        assert_eq!(closed.until(stamp(4)), (stamp(2), stamp(4)));
        assert_eq!(closed.until(stamp(9)), (stamp(2), stamp(6)));
        assert_eq!(OpenSpan { to: None, ..closed }.until(stamp(9)), (stamp(2), stamp(9)));
    }

    #[test]
    fn a_correction_cuts_and_joins() {
        let mut open = spans(&[(1, Some(4)), (6, None)]);
        open.remove(stamp(2), stamp(3));
        assert_eq!(open, spans(&[(1, Some(2)), (3, Some(4)), (6, None)]));
        open.remove(stamp(5), stamp(7));
        assert_eq!(open, spans(&[(1, Some(2)), (3, Some(4)), (7, None)]));
        open.insert(stamp(2), stamp(3));
        assert_eq!(open, spans(&[(1, Some(4)), (7, None)]));
        open.insert(stamp(3), stamp(8));
        assert_eq!(open, spans(&[(1, None)]));
    }

    #[test]
    fn what_is_not_sound_is_known() {
        assert!(spans(&[]).is_sound() && spans(&[(1, Some(2)), (3, None)]).is_sound());
        for unsound in [
            &[(1, Some(2)), (2, Some(3))][..],
            &[(1, None), (2, Some(3))],
            &[(3, Some(4)), (1, Some(2))],
            &[(1, Some(1))],
            &[(1, Some(2)), (4, Some(3))],
        ] {
            assert!(!spans(unsound).is_sound(), "{unsound:?}");
        }
    }

    proptest! {
        /// Against a set of whole seconds.
        #[test]
        fn corrections_are_those_of_a_set(steps in prop::collection::vec((any::<bool>(), 0u32..20, 1u32..6), 0..12)) {
            let mut open = OpenSpans::default();
            let mut seconds = [false; 26];
            for (is_open, from, length) in steps {
                let (from, to) = (from, from + length);
                seconds[from as usize..to as usize].fill(is_open);
                if is_open { open.insert(stamp(from), stamp(to)) } else { open.remove(stamp(from), stamp(to)) }
                prop_assert!(open.is_sound(), "{open:?}");
            }
            for (second, is_open) in seconds.into_iter().enumerate() {
                let (from, to) = (stamp(second as u32), stamp(second as u32 + 1));
                let covers = |span: &OpenSpan| span.from <= from && span.to.is_some_and(|end| to <= end);
                prop_assert_eq!(open.as_slice().iter().any(covers), is_open);
            }
        }
    }
}
