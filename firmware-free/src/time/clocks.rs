//! What is known of the clocks of each boot.

use super::{Boot, Elapsed, Stamp};
use crate::quantity::Mono;

/// By division: so whole seconds stay whole.
fn seconds(nanos: i64) -> f64 {
    nanos as f64 / 1e9
}

/// The clocks of one boot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct BootClock {
    /// Where its monotonic clock began: zero for a boot of the machine.
    pub begins: Mono,
    /// The latest instant that any fact gives for it.
    pub latest: Mono,
    /// Nanoseconds since 1970-01-01T00:00:00Z less those on the monotonic clock;
    /// `None` while its wall clock was never synchronised.
    pub wall_ns: Option<i64>,
}

/// The clocks of all boots that facts belong to.
#[derive(Debug, Clone, Default)]
pub struct Clocks(Vec<Known>);

/// A boot among the others.
#[derive(Debug, Clone, Copy)]
struct Known {
    boot: Boot,
    clock: BootClock,
    /// Nanoseconds that all boots before it have counted.
    counted_ns: i64,
    /// Its wall time less all that was counted until then: it grows only by the time
    /// that the power is off. `None` where it has no wall time, or one that the other
    /// boots contradict.
    off_ns: Option<i64>,
}

/// The time between two instants, by where it was counted.
#[derive(Debug, Clone, PartialEq)]
pub struct Passage {
    /// Seconds that are known: those on monotonic clocks, and those with the power
    /// off between two dated boots when all of them lie in this passage.
    pub known_s: f64,
    /// Time with the power off of which the length is not known, in order.
    pub off: Vec<Off>,
}

/// A part of the time that the power was off between two dated boots.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Off {
    /// The boot that this time follows. Passages with the same one share it.
    pub after: Boot,
    /// Seconds that the power was off in total between the two dated boots;
    /// infinite where one of them is missing.
    pub total_s: f64,
    /// How much of the outages between the two lies in this passage, above 0 and at most 1.
    pub share: f64,
}

impl Passage {
    const NONE: Self = Self { known_s: 0.0, off: Vec::new() };

    /// Its length.
    #[must_use]
    pub fn elapsed(&self) -> Elapsed {
        let (mut best, mut high) = (self.known_s, self.known_s);
        for off in &self.off {
            high += off.total_s;
            if off.total_s.is_finite() {
                best += off.total_s * off.share;
            }
        }
        debug_assert!(0.0 <= self.known_s && self.known_s <= best && best <= high, "{self:?}");
        Elapsed { low: self.known_s, best, high }
    }
}

impl Known {
    const fn new(boot: Boot, clock: BootClock) -> Self {
        Self { boot, clock, counted_ns: 0, off_ns: None }
    }

    /// Nanoseconds that the clocks of this boot and those before it have counted. No instant
    /// lies before its boot began.
    fn counted_at(&self, at: Mono) -> i64 {
        let counted_ns = at.nanos().saturating_sub(self.clock.begins.nanos());
        debug_assert!(counted_ns >= 0, "{at:?} lies before {self:?} began");
        self.counted_ns.saturating_add(counted_ns.max(0))
    }

    /// What [`Self::off_ns`] is if its wall clock was right.
    fn claimed_off_ns(&self) -> Option<i64> {
        let begins = self.clock.begins.nanos();
        Some(self.clock.wall_ns?.saturating_add(begins).saturating_sub(self.counted_ns))
    }
}

impl FromIterator<(Boot, BootClock)> for Clocks {
    fn from_iter<T: IntoIterator<Item = (Boot, BootClock)>>(boots: T) -> Self {
        let mut clocks = Self(boots.into_iter().map(|(boot, clock)| Known::new(boot, clock)).collect());
        clocks.0.sort_by_key(|known| known.boot);
        debug_assert!(clocks.0.windows(2).all(|pair| pair[0].boot < pair[1].boot), "a boot is there twice");
        clocks.compare();
        clocks
    }
}

impl Clocks {
    /// A fact gives this instant.
    pub fn note(&mut self, stamp: Stamp) {
        let rank = self.rank_or_insert(stamp.boot);
        let clock = &mut self.0[rank].clock;
        if clock.latest < stamp.at {
            clock.latest = stamp.at;
            // Boots after it begin later by as much as it has counted more.
            if rank + 1 < self.0.len() {
                self.compare();
            }
        }
    }

    /// The wall clock of a boot is synchronised. A later call replaces what an
    /// earlier one said: a clock that was stepped had been wrong. Returns whether
    /// a date has changed, so that doses are to be computed anew.
    pub fn set_wall(&mut self, boot: Boot, wall_ns: i64) -> bool {
        let rank = self.rank_or_insert(boot);
        if self.0[rank].clock.wall_ns.replace(wall_ns) == Some(wall_ns) {
            return false;
        }
        self.compare();
        true
    }

    /// Nanoseconds since 1970-01-01T00:00:00Z; `None` where its boot has no wall
    /// time, or one that the other boots contradict.
    #[must_use]
    pub fn unix_ns(&self, stamp: Stamp) -> Option<i64> {
        let known = &self.0[self.rank(stamp.boot)?];
        known.off_ns?;
        Some(known.clock.wall_ns?.saturating_add(stamp.at.nanos()))
    }

    /// How the time from one instant to a later one is made up; nothing when it is
    /// not later. Of a boot that no fact has given nothing is known.
    #[must_use]
    pub fn passage(&self, from: Stamp, to: Stamp) -> Passage {
        if from >= to {
            return Passage::NONE;
        }
        if from.boot == to.boot {
            return Passage {
                known_s: seconds(to.at.nanos().saturating_sub(from.at.nanos())),
                off: Vec::new(),
            };
        }
        let (Some(first), Some(last)) = (self.rank(from.boot), self.rank(to.boot)) else {
            let off = Off { after: from.boot, total_s: f64::INFINITY, share: 1.0 };
            return Passage { known_s: 0.0, off: vec![off] };
        };
        let mut known_ns =
            self.0[last].counted_at(to.at).saturating_sub(self.0[first].counted_at(from.at)).max(0);
        let mut off = Vec::new();
        let mut rank = first;
        while rank < last {
            let Group { ranks, total_ns } = self.group_after(rank);
            let end = ranks.end.min(last);
            match total_ns {
                Some(total_ns) if (rank..end) == ranks => known_ns = known_ns.saturating_add(total_ns),
                _ => off.push(Off {
                    after: self.0[ranks.start].boot,
                    total_s: total_ns.map_or(f64::INFINITY, seconds),
                    share: (end - rank) as f64 / ranks.len() as f64,
                }),
            }
            rank = end;
        }
        Passage { known_s: seconds(known_ns), off }
    }

    /// The outages between two dated boots, or before the first or after the last of
    /// them, among which is the one that follows a boot.
    fn group_after(&self, rank: usize) -> Group {
        let dated = |known: &Known| known.off_ns.is_some();
        let before = self.0[..=rank].iter().rposition(dated);
        let after = self.0[rank + 1..].iter().position(dated).map(|further| rank + 1 + further);
        let ranks = before.unwrap_or(0)..after.unwrap_or(self.0.len() - 1);
        let off_ns = |rank: Option<usize>| self.0[rank?].off_ns;
        let total_ns = off_ns(after).zip(off_ns(before)).map(|(after, before)| after.saturating_sub(before));
        debug_assert!(total_ns.is_none_or(|total| total >= 0), "the time off never falls: {self:?}");
        Group { ranks, total_ns }
    }

    fn rank(&self, boot: Boot) -> Option<usize> {
        self.0.binary_search_by_key(&boot, |known| known.boot).ok()
    }

    fn rank_or_insert(&mut self, boot: Boot) -> usize {
        self.0.binary_search_by_key(&boot, |known| known.boot).unwrap_or_else(|rank| {
            self.0.insert(rank, Known::new(boot, BootClock::default()));
            self.compare();
            rank
        })
    }

    /// Sums up what the boots have counted, and finds those that can be dated. Of
    /// boots that contradict each other it is not known which are wrong: dated are
    /// those that belong to every largest set of boots that agree.
    fn compare(&mut self) {
        let mut counted_ns = 0;
        for known in &mut self.0 {
            known.counted_ns = counted_ns;
            counted_ns = known.counted_at(known.clock.latest);
        }
        let claims: Vec<i64> = self.0.iter().filter_map(Known::claimed_off_ns).collect();
        let mut agrees = in_every_longest_rise(&claims).into_iter();
        for known in &mut self.0 {
            let claim = known.claimed_off_ns();
            known.off_ns = claim.filter(|_| agrees.next() == Some(true));
        }
    }
}

/// Outages by the ranks of the boots that they follow.
struct Group {
    ranks: std::ops::Range<usize>,
    total_ns: Option<i64>,
}

/// For each value whether it is in every longest subsequence that never falls.
fn in_every_longest_rise(values: &[i64]) -> Vec<bool> {
    if values.is_sorted() {
        return vec![true; values.len()];
    }
    // The longest rise that ends at each value, and the longest that begins there.
    let mut until = vec![1_usize; values.len()];
    let mut from = until.clone();
    for i in 0..values.len() {
        let longest = (0..i).filter(|&before| values[before] <= values[i]).map(|before| until[before]).max();
        until[i] += longest.unwrap_or(0);
    }
    for i in (0..values.len()).rev() {
        let after = i + 1..values.len();
        let longest = after.filter(|&after| values[i] <= values[after]).map(|after| from[after]).max();
        from[i] += longest.unwrap_or(0);
    }
    let longest = until.iter().copied().max().unwrap_or(0);
    // Values of the same place in a longest rise stand in for each other.
    let mut in_place = vec![0; longest + 1];
    let is_in_one = |i: usize| until[i] + from[i] == longest + 1;
    for i in (0..values.len()).filter(|&i| is_in_one(i)) {
        in_place[until[i]] += 1;
    }
    (0..values.len()).map(|i| is_in_one(i) && in_place[until[i]] == 1).collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::elapsed;
    use super::*;

    const HOUR: f64 = 3600.0;
    /// The wall shows this when the first boot's clock shows zero.
    const EPOCH_NS: i64 = 1_784_023_200_000_000_000;

    fn stamp(boot: i64, seconds: f64) -> Stamp {
        Stamp::new(Boot(boot), Mono::from_seconds(seconds))
    }

    /// A boot that ran for `seconds`, of which the wall shows `wall_s` after the epoch at the
    /// zero of its clock.
    fn boot(number: i64, seconds: f64, wall_s: Option<f64>) -> (Boot, BootClock) {
        let wall_ns = wall_s.map(|s| EPOCH_NS + Mono::from_seconds(s).nanos());
        (Boot(number), BootClock { latest: Mono::from_seconds(seconds), wall_ns, ..BootClock::default() })
    }

    fn between(clocks: &Clocks, from: Stamp, to: Stamp) -> [f64; 3] {
        let Elapsed { low, best, high } = elapsed(clocks, from, to);
        [low, best, high]
    }

    #[test]
    fn within_a_boot_time_is_exact_and_needs_no_facts() {
        let clocks = Clocks::default();
        assert_eq!(between(&clocks, stamp(3, 5.0), stamp(3, 7.5)), [2.5; 3]);
        assert!(elapsed(&clocks, stamp(3, 5.0), stamp(3, 7.5)).is_exact());
        assert_eq!(between(&clocks, stamp(3, 7.5), stamp(3, 5.0)), [0.0; 3]);
        assert_eq!(between(&clocks, stamp(4, 1.0), stamp(3, 5.0)), [0.0; 3]);
        assert_eq!(between(&clocks, stamp(3, 1.0), stamp(4, 5.0)), [0.0, 0.0, f64::INFINITY]);
        assert_eq!(clocks.unix_ns(stamp(3, 1.0)), None);
    }

    #[test]
    fn between_two_dated_boots_time_is_exact() {
        // Ran until 100 s, began again at 500 s.
        let clocks = Clocks::from_iter([boot(2, 60.0, Some(500.0)), boot(1, 100.0, Some(0.0))]);
        assert_eq!(between(&clocks, stamp(1, 90.0), stamp(2, 7.0)), [417.0; 3]);
        assert_eq!(clocks.unix_ns(stamp(2, 7.0)), Some(EPOCH_NS + 507_000_000_000));
        assert_eq!(clocks.passage(stamp(1, 90.0), stamp(2, 7.0)).off, []);
    }

    #[test]
    fn without_dates_only_what_the_clocks_counted_is_known() {
        let clocks = Clocks::from_iter([boot(1, 100.0, None), boot(2, 60.0, None), boot(5, 9.0, Some(0.0))]);
        assert_eq!(between(&clocks, stamp(1, 90.0), stamp(2, 7.0)), [17.0, 17.0, f64::INFINITY]);
        assert_eq!(between(&clocks, stamp(1, 90.0), stamp(5, 7.0)), [77.0, 77.0, f64::INFINITY]);
        let off = clocks.passage(stamp(1, 90.0), stamp(5, 7.0)).off;
        assert_eq!(off, [Off { after: Boot(1), total_s: f64::INFINITY, share: 1.0 }]);
        let off = clocks.passage(stamp(2, 1.0), stamp(5, 7.0)).off;
        assert_eq!(off, [Off { after: Boot(1), total_s: f64::INFINITY, share: 0.5 }]);
    }

    #[test]
    fn outages_between_two_dated_boots_share_the_time_between_them() {
        // 1,000 s from boot to boot, of which 100 + 60 + 40 are counted: 800 s off in three.
        let boots = [boot(1, 100.0, Some(0.0)), boot(2, 60.0, None), boot(3, 40.0, None)];
        let clocks: Clocks = boots.into_iter().chain([boot(4, 10.0, Some(1000.0))]).collect();
        let [low, best, high] = between(&clocks, stamp(1, 100.0), stamp(2, 0.0));
        assert_eq!([low, high], [0.0, 800.0]);
        assert!((best - 800.0 / 3.0).abs() < 1e-9);
        let [low, best, high] = between(&clocks, stamp(2, 50.0), stamp(4, 5.0));
        assert_eq!([low, high], [55.0, 855.0]);
        assert!((best - (55.0 + 1600.0 / 3.0)).abs() < 1e-9);
        // All three: nothing is left to share.
        assert_eq!(between(&clocks, stamp(1, 90.0), stamp(4, 5.0)), [915.0; 3]);
        let shared = clocks.passage(stamp(2, 50.0), stamp(3, 5.0)).off;
        assert_eq!(shared, [Off { after: Boot(1), total_s: 800.0, share: 1.0 / 3.0 }]);
    }

    #[test]
    fn a_passage_over_several_groups_has_a_part_in_each() {
        let boots = [boot(1, 10.0, Some(0.0)), boot(2, 10.0, None), boot(3, 10.0, Some(100.0))];
        let clocks: Clocks =
            boots.into_iter().chain([boot(4, 10.0, None), boot(5, 10.0, Some(300.0))]).collect();
        let passage = clocks.passage(stamp(2, 4.0), stamp(4, 6.0));
        assert_eq!(passage.known_s, 22.0);
        let group = |after, total_s| Off { after: Boot(after), total_s, share: 0.5 };
        assert_eq!(passage.off, [group(1, 80.0), group(3, 180.0)]);
        assert_eq!(between(&clocks, stamp(1, 0.0), stamp(5, 0.0)), [300.0; 3]);
    }

    #[test]
    fn a_clock_that_need_not_begin_at_zero() {
        let mut fast = boot(2, 960.0, Some(0.0));
        fast.1.begins = Mono::from_seconds(900.0);
        let clocks = Clocks::from_iter([boot(1, 100.0, None), fast, boot(3, 1.0, Some(1000.0))]);
        // 60 s counted, and off from 960 s to 1,000 s.
        assert_eq!(between(&clocks, stamp(2, 900.0), stamp(3, 0.0)), [100.0; 3]);
        assert_eq!(between(&clocks, stamp(1, 95.0), stamp(2, 910.0))[0], 15.0);
    }

    #[test]
    fn a_wall_that_ran_backwards_proves_nothing() {
        // Boot 2 says that it began before boot 1 ended: one of them is wrong.
        let clocks = Clocks::from_iter([boot(1, 100.0, Some(0.0)), boot(2, 60.0, Some(99.0))]);
        assert_eq!(between(&clocks, stamp(1, 90.0), stamp(2, 7.0)), [17.0, 17.0, f64::INFINITY]);
        assert_eq!((clocks.unix_ns(stamp(1, 0.0)), clocks.unix_ns(stamp(2, 0.0))), (None, None));
        // Not even where the times of the boots between leave too little.
        let boots = [boot(1, 100.0, Some(0.0)), boot(2, 300.0, None), boot(3, 1.0, Some(399.0))];
        assert_eq!(between(&boots.into_iter().collect(), stamp(1, 100.0), stamp(3, 0.0))[2], f64::INFINITY);
        let boots = [boot(1, 100.0, Some(0.0)), boot(2, 300.0, None), boot(3, 1.0, Some(400.0))];
        assert_eq!(between(&boots.into_iter().collect(), stamp(1, 100.0), stamp(3, 0.0)), [300.0; 3]);
    }

    #[test]
    fn a_wrong_clock_is_found_once_others_agree_without_it() {
        // Boot 2 was fifty years ahead. Boot 3 shows that one of the two is wrong, boot 4 which.
        let mut clocks = Clocks::from_iter([boot(1, 10.0, Some(0.0)), boot(2, 10.0, Some(1.6e9))]);
        assert_eq!(between(&clocks, stamp(1, 0.0), stamp(2, 0.0)), [1.6e9; 3]);
        assert!(clocks.set_wall(Boot(3), EPOCH_NS + 60_000_000_000));
        assert_eq!(clocks.unix_ns(stamp(2, 0.0)), None);
        assert_eq!(clocks.unix_ns(stamp(3, 0.0)), None);
        clocks.note(stamp(3, 5.0));
        assert!(clocks.set_wall(Boot(4), EPOCH_NS + 100_000_000_000));
        assert_eq!(between(&clocks, stamp(1, 0.0), stamp(3, 0.0)), [60.0; 3]);
        assert_eq!(between(&clocks, stamp(1, 0.0), stamp(2, 0.0)), [10.0, 30.0, 50.0]);
        // Found to be right after all: it was stepped while it ran.
        assert!(clocks.set_wall(Boot(2), EPOCH_NS + 30_000_000_000));
        assert!(!clocks.set_wall(Boot(2), EPOCH_NS + 30_000_000_000));
        assert_eq!(between(&clocks, stamp(1, 0.0), stamp(2, 0.0)), [30.0; 3]);
    }

    #[test]
    fn what_a_boot_counted_later_is_not_off() {
        let mut clocks = Clocks::from_iter([boot(1, 10.0, Some(0.0)), boot(2, 1.0, Some(100.0))]);
        clocks.note(stamp(1, 40.0));
        clocks.note(stamp(1, 30.0));
        assert_eq!(between(&clocks, stamp(1, 40.0), stamp(2, 0.0)), [60.0; 3]);
        clocks.note(stamp(1, 101.0));
        assert_eq!(clocks.unix_ns(stamp(1, 0.0)), None);
    }

    #[test]
    fn the_longest_rise() {
        assert_eq!(in_every_longest_rise(&[]), []);
        assert_eq!(in_every_longest_rise(&[1, 1, 2]), [true, true, true]);
        assert_eq!(in_every_longest_rise(&[1, 9, 2, 2]), [true, false, true, true]);
        assert_eq!(in_every_longest_rise(&[5, 1, 6, 2]), [false; 4]);
        assert_eq!(in_every_longest_rise(&[1, 4, 3, 5]), [true, false, false, true]);
        assert_eq!(in_every_longest_rise(&[7, 1, 2, 3, 0]), [false, true, true, true, false]);
    }

    proptest! {
        /// What passed really lies within low and high, whichever boots are dated, and one
        /// group's time is never more than passed.
        #[test]
        fn what_passed_lies_within(
            boots in prop::collection::vec((1.0f64..HOUR, 0.0f64..9.0 * HOUR, any::<bool>()), 2..9),
            ends in (0.0f64..1.0, 0.0f64..1.0),
        ) {
            let mut now = 0.0;
            let mut facts = Vec::new();
            let mut origins = Vec::new();
            for (number, &(runs, off, is_dated)) in boots.iter().enumerate() {
                facts.push(boot(number as i64, runs, is_dated.then_some(now)));
                origins.push(now);
                now += runs + off;
            }
            let clocks: Clocks = facts.into_iter().collect();
            let pick = |share: f64| {
                let number = (share * boots.len() as f64) as usize;
                let seconds = (share * boots.len() as f64).fract() * boots[number].0;
                (stamp(number as i64, seconds), origins[number] + seconds)
            };
            let (from, to) = (pick(ends.0.min(ends.1)), pick(ends.0.max(ends.1)));
            let passed = to.1 - from.1;
            let Elapsed { low, best, high } = elapsed(&clocks, from.0, to.0);
            prop_assert!(low <= best && best <= high);
            prop_assert!(low <= passed + 1e-6 && passed <= high + 1e-6, "{passed} {low} {high}");
            if clocks.unix_ns(from.0).is_some() && clocks.unix_ns(to.0).is_some() {
                prop_assert!((high - low).abs() < 1e-6 && (high - passed).abs() < 1e-6);
            }
            // In two parts it is what it is in one.
            let middle = pick(f64::midpoint(ends.0, ends.1)).0;
            let (first, second) = (elapsed(&clocks, from.0, middle), elapsed(&clocks, middle, to.0));
            prop_assert!((first.best + second.best - best).abs() < 1e-6 || best > 1e9);
            prop_assert!(first.low + second.low <= low + 1e-6 && high <= first.high + second.high + 1e-6);
        }
    }
}
