//! The light of a clear sky over the coming day, as a table: a frame asks it
//! often, and the sun's position is dear.

use super::Site;
use crate::quantity::Mono;

/// From entry to entry; between them a straight line is right to 0.03 %.
const STEP_S: f64 = 600.0;
/// Entries: a day and a half, so that a table half a day old shows a day.
const ENTRIES: usize = 217;
/// A table older than this is made again.
const RENEWED_AFTER_S: f64 = 43_200.0;
/// Below this height of the sun the clear-sky model does not hold, and UV-A is
/// under a twelfth of what it is with the sun straight above.
pub const LOWEST_SUN_DEG: f64 = 10.0;

/// Shares of the amplitude over the coming day.
#[derive(Debug, Clone)]
pub(super) struct Ahead {
    from: Mono,
    share: Vec<f64>,
    /// The integral of the share up to each entry, in seconds.
    sum: Vec<f64>,
    low: Vec<bool>,
}

impl Ahead {
    /// A table from an instant on, with the wall time of it. `None` where the
    /// sun's position is not known.
    pub(super) fn new(site: Site, from: Mono, unix_ms: i64) -> Option<Self> {
        let mut table = Self { from, share: Vec::new(), sum: Vec::new(), low: Vec::new() };
        let mut sum = 0.0;
        for step in 0..ENTRIES {
            let light = site.clear_light(unix_ms + (step as f64 * STEP_S * 1000.0) as i64)?;
            if let Some(before) = table.share.last() {
                sum += f64::midpoint(*before, light.share) * STEP_S;
            }
            table.share.push(light.share);
            table.sum.push(sum);
            table.low.push(light.sun_height < LOWEST_SUN_DEG);
        }
        Some(table)
    }

    /// Whether it should be made again by now.
    pub(super) fn is_old(&self, now: Mono) -> bool {
        !(0.0..RENEWED_AFTER_S).contains(&now.seconds_since(self.from))
    }

    /// The entry before an instant and the seconds since it; held at the ends.
    fn entry(&self, at: Mono) -> (usize, f64) {
        let seconds = at.seconds_since(self.from).clamp(0.0, (ENTRIES - 1) as f64 * STEP_S);
        let entry = ((seconds / STEP_S) as usize).min(ENTRIES - 2);
        (entry, seconds - entry as f64 * STEP_S)
    }

    /// The share at an instant.
    pub(super) fn share(&self, at: Mono) -> f64 {
        let (i, tau) = self.entry(at);
        self.share[i] + (self.share[i + 1] - self.share[i]) * tau / STEP_S
    }

    /// The integral of the share up to an instant, in seconds.
    pub(super) fn sum(&self, at: Mono) -> f64 {
        let (i, tau) = self.entry(at);
        self.sum[i] + f64::midpoint(self.share[i], self.share(at)) * tau
    }

    /// When the integral of the share from `at` on has grown by `wanted`
    /// seconds; `None` beyond the table. Solved as a crossing of the dose:
    /// `tau = 2 d / (E0 + sqrt(E0² + 2 d (E1 - E0) / h))`.
    pub(super) fn after(&self, at: Mono, wanted: f64) -> Option<Mono> {
        let level = self.sum(at) + wanted;
        let end = self.sum.partition_point(|&sum| sum < level);
        let i = end.checked_sub(1)?;
        let (e0, e1) = (self.share[i], *self.share.get(end)?);
        let d = level - self.sum[i];
        let root = (e0 * e0 + 2.0 * d * (e1 - e0) / STEP_S).max(0.0).sqrt();
        Some(self.from.plus_seconds(i as f64 * STEP_S + 2.0 * d / (e0 + root)))
    }

    /// The straight lines of the table from an instant on: when each begins, the shares
    /// at its ends, and its length in seconds.
    pub(super) fn lines(&self, from: Mono) -> impl Iterator<Item = (Mono, [f64; 2], f64)> {
        let (first, into) = self.entry(from);
        let at = move |i: usize| self.from.plus_seconds(i as f64 * STEP_S);
        let rest = (first + 1..ENTRIES - 1).map(move |i| (at(i), [self.share[i], self.share[i + 1]], STEP_S));
        let start = from.max(self.from);
        std::iter::once((start, [self.share(from), self.share[first + 1]], STEP_S - into))
            .filter(|&(_, _, seconds)| seconds > 0.0)
            .chain(rest)
    }

    /// Whether the sun rises at an entry, or is below the horizon and high enough soon.
    fn is_dawn(&self, i: usize) -> bool {
        /// Between the horizon and [`LOWEST_SUN_DEG`] there is hardly more, in seconds.
        const SOON_S: f64 = 3.0 * 3600.0;
        let is_night = self.share[i] == 0.0 && self.share[i + 1] == 0.0;
        let soon = (i + (SOON_S / STEP_S) as usize).min(ENTRIES);
        self.share[i + 1] > self.share[i] || (is_night && self.low[i..soon].contains(&false))
    }

    /// When the sun sinks below [`LOWEST_SUN_DEG`] next: `at` itself if it is
    /// below already and not about to rise. `None` if it stays above, or never comes up.
    pub(super) fn dusk(&self, at: Mono) -> Option<Mono> {
        let (i, _) = self.entry(at);
        if self.low[i] && !self.is_dawn(i) && self.low.contains(&false) {
            return Some(at);
        }
        let sets = (i..ENTRIES - 1).find(|&j| !self.low[j] && self.low[j + 1])?;
        Some(self.from.plus_seconds((sets as f64 + 0.5) * STEP_S).max(at))
    }
}

#[cfg(test)]
mod tests {
    use super::super::Place;
    use super::*;

    /// 2016-06-23T04:00Z, an hour after sunrise at Payerne.
    const MORNING: i64 = 1_466_654_400_000;

    fn table() -> (Site, Ahead) {
        let site = Site::flat(Place { latitude: 46.815, longitude: 6.944 });
        (site, Ahead::new(site, Mono::default(), MORNING).unwrap())
    }

    fn hours(hours: f64) -> Mono {
        Mono::from_seconds(hours * 3600.0)
    }

    #[test]
    fn shares_are_the_models_between_entries_too() {
        let (site, table) = table();
        for minutes in [65, 183, 457, 700] {
            let exact = site.clear_light(MORNING + minutes * 60_000).unwrap().share;
            let read = table.share(Mono::from_seconds(minutes as f64 * 60.0));
            assert!((read - exact).abs() < 3e-4, "{minutes} min: {read} for {exact}");
        }
    }

    #[test]
    fn a_sum_is_reached_when_stepping_there_says() {
        let (_, table) = table();
        let (from, wanted) = (hours(1.37), 5000.0);
        let reached = table.after(from, wanted).unwrap();
        let seconds = reached.seconds_since(from);
        let step = seconds / 1e5;
        let stepped: f64 =
            (0..100_000).map(|n| table.share(from.plus_seconds((f64::from(n) + 0.5) * step)) * step).sum();
        assert!((stepped - wanted).abs() < 1e-3, "{stepped}");
        assert_eq!(table.after(from, 1e9), None);
    }

    #[test]
    fn dusk_is_when_the_sun_stands_ten_degrees_high_in_the_evening() {
        let (site, table) = table();
        let dusk = table.dusk(hours(2.0)).unwrap();
        let light = site.clear_light(MORNING + (dusk.seconds() * 1000.0) as i64).unwrap();
        assert!((light.sun_height - LOWEST_SUN_DEG).abs() < 1.0, "{light:?}");
        assert!((14.0..16.0).contains(&(dusk.seconds() / 3600.0)), "{dusk:?}");
        // After it, it is too late; before sunrise, the day is to come.
        assert_eq!(table.dusk(hours(16.5)), Some(hours(16.5)));
        assert_eq!(table.dusk(hours(0.1)), Some(dusk));
    }

    #[test]
    fn before_dawn_the_dusk_is_that_of_the_day_and_after_sunset_it_is_past() {
        let site = Site::flat(Place { latitude: 46.815, longitude: 6.944 });
        // 2016-12-22T06:55Z, a quarter of an hour before sunrise, and 17:00Z.
        for (unix_ms, waits) in [(1_482_389_700_000, 6.0..9.0), (1_482_426_000_000, 0.0..0.001)] {
            let table = Ahead::new(site, Mono::default(), unix_ms).unwrap();
            assert_eq!(table.share(Mono::from_seconds(1.0)), 0.0);
            let dusk = table.dusk(Mono::from_seconds(1.0)).unwrap();
            assert!(waits.contains(&(dusk.seconds() / 3600.0)), "{dusk:?}");
        }
    }

    #[test]
    fn where_the_sun_stays_up_there_is_no_dusk() {
        let pole = Site::flat(Place { latitude: 89.0, longitude: 0.0 });
        assert_eq!(Ahead::new(pole, Mono::default(), MORNING).unwrap().dusk(hours(1.0)), None);
        // 2016-12-21 at 70° north: the sun never comes up.
        let north = Site::flat(Place { latitude: 70.0, longitude: 0.0 });
        assert_eq!(Ahead::new(north, Mono::default(), 1_482_278_400_000).unwrap().dusk(hours(1.0)), None);
    }
}
