//! UV-A from a clear sky: a bound for light that was not seen, and the measure
//! of light that is.

use super::ahead::Ahead;
use super::{Site, WallAnchor};
use crate::light::{GapRates, Response};
use crate::quantity::{Dose, Irradiance, Mono};

/// Clear-sky UV-A on a flat plane with the sun straight above at mean distance.
/// Fitted to 23 and 24 June 2016 at Payerne (BSRN), rms 0.62 W/m².
pub const USUAL_AMPLITUDE: Irradiance = Irradiance::from_w_m2(55.2);
/// A gap's mean is taken at this many instants in each of its parts, however long it is.
const STEPS: usize = 2;
/// The parts of a gap follow the sky if they are no longer than this.
const LONGEST_PART_S: f64 = 3600.0;

/// Whether a light may come from a sky that would give `clear` without clouds.
/// Their edges raise UV-A to at most some 1.3 of that; twice, and a little for
/// dusk, is no sky but a lamp, a wrong clock or a wrong place.
#[must_use]
pub fn may_be_sky(light: Irradiance, clear: Irradiance) -> bool {
    light.w_m2() <= 2.0 * clear.w_m2() + 2.0
}

/// The clear sky over a site, once it is known what time it is there.
#[derive(Debug, Clone)]
pub struct ClearSky {
    site: Site,
    amplitude: Irradiance,
    wall: Option<WallAnchor>,
    ahead: Option<Ahead>,
}

impl ClearSky {
    /// Over a site; knows nothing until it is told the time.
    #[must_use]
    pub const fn new(site: Site) -> Self {
        Self { site, amplitude: USUAL_AMPLITUDE, wall: None, ahead: None }
    }

    /// Tells the time. A clock that is not synchronised is not believed.
    pub fn set_wall(&mut self, wall: WallAnchor) {
        self.wall = wall.synchronised.then_some(wall);
        self.ahead = None;
    }

    /// Sets the amplitude, as the sensor of this site shows it.
    pub fn set_amplitude(&mut self, amplitude: Irradiance) {
        self.amplitude = amplitude;
    }

    /// UV-A on the plane; zero with the sun below the horizon; `None` while the
    /// time is unknown.
    #[must_use]
    pub fn irradiance(&self, at: Mono) -> Option<Irradiance> {
        let light = self.site.clear_light(self.wall?.unix_ms_at(at))?;
        Some(self.amplitude * light.share)
    }

    /// Bounds of the mean irradiance over a stretch of which only the light at its ends
    /// was seen; `None` where that is no light of this sky.
    #[must_use]
    pub fn rates_between(&self, from: (Mono, Irradiance), to: (Mono, Irradiance)) -> Option<GapRates> {
        (self.may_give(from) && self.may_give(to)).then(|| self.rates(from.0, to.0)).flatten()
    }

    /// Whether light that was seen at an instant may be of this sky; not while the time is unknown.
    #[must_use]
    pub fn may_give(&self, (at, light): (Mono, Irradiance)) -> bool {
        self.irradiance(at).is_some_and(|clear| may_be_sky(light, clear))
    }

    /// Bounds of a stretch of which it is not known when it was, with the light at its ends:
    /// nothing, and the most that this sky gives at any hour. `None` while the time is unknown,
    /// and where that is no light of this sky.
    #[must_use]
    pub fn rates_at_any_hour(&self, ends: [Irradiance; 2]) -> Option<GapRates> {
        let most = self.amplitude * (GapRates::ABOVE_CLEAR * Site::NEAREST);
        (self.wall.is_some() && ends.iter().all(|&light| light <= most))
            .then(|| GapRates::even(Irradiance::ZERO, most))
    }

    /// Bounds of the mean irradiance over a stretch that was not seen.
    #[must_use]
    pub fn rates(&self, from: Mono, to: Mono) -> Option<GapRates> {
        let seconds = to.seconds_since(from);
        // The sun goes up and down within such a part: its bounds would be as good as none.
        if seconds > LONGEST_PART_S * GapRates::PARTS as f64 {
            return self.rates_at_any_hour([Irradiance::ZERO; 2]);
        }
        let steps = (STEPS * GapRates::PARTS) as f64;
        let (mut sum, mut peak, mut profile) = (0.0, 0.0f64, [0.0; GapRates::PARTS]);
        for (part, level) in profile.iter_mut().enumerate() {
            for step in 0..STEPS {
                let middle = (part * STEPS + step) as f64 + 0.5;
                let w_m2 = self.irradiance(from.plus_seconds(seconds * middle / steps))?.w_m2();
                sum += w_m2;
                peak = peak.max(w_m2);
                *level += w_m2 as f32;
            }
        }
        let mean = sum / steps;
        let peak_over_mean = if mean > 0.0 { peak / mean } else { 1.0 };
        let whole = GapRates::of_clear_sky(Irradiance::from_w_m2(mean), peak_over_mean);
        Some(GapRates { profile: Some(profile), ..whole })
    }

    /// Makes ready for [`Self::ahead`] at `now`.
    pub fn look_ahead(&mut self, now: Mono) {
        if self.ahead.as_ref().is_none_or(|ahead| ahead.is_old(now)) {
            self.ahead = self.wall.and_then(|wall| Ahead::new(self.site, now, wall.unix_ms_at(now)));
        }
    }

    /// The coming day; `None` while the time is unknown, and before
    /// [`Self::look_ahead`].
    #[must_use]
    pub fn ahead(&self) -> Option<ClearDay<'_>> {
        self.ahead.as_ref().map(|ahead| ClearDay { ahead, amplitude: self.amplitude })
    }
}

/// The coming day under a clear sky.
#[derive(Debug, Clone, Copy)]
pub struct ClearDay<'a> {
    ahead: &'a Ahead,
    amplitude: Irradiance,
}

impl ClearDay<'_> {
    /// UV-A on the plane at an instant of the coming day.
    #[must_use]
    pub fn irradiance(&self, at: Mono) -> Irradiance {
        self.amplitude * self.ahead.share(at)
    }

    /// When a dose will have come if the light is `clearness` of the clear
    /// sky's from `now` on, above zero; `None` beyond the coming day.
    #[must_use]
    pub fn when(&self, now: Mono, dose: Dose, clearness: f64, response: &Response) -> Option<Mono> {
        let clear = self.amplitude.w_m2() * clearness;
        if response.is_plain() {
            return self.ahead.after(now, dose.j_m2() / clear);
        }
        let mut left = dose.j_m2();
        for (at, [e0, e1], seconds) in self.lines(now, clear) {
            let added = response.ramp(e0, e1, seconds);
            if added >= left && added > 0.0 {
                return Some(at.plus_seconds(response.reaches(e0, e1, seconds, left)));
            }
            left -= added;
        }
        None
    }

    /// The dose on the plane between two instants of the coming day, if the light is
    /// `clearness` of the clear sky's.
    #[must_use]
    pub fn dose(&self, from: Mono, to: Mono, clearness: f64, response: &Response) -> Dose {
        if response.is_plain() {
            return self.amplitude.over_seconds(self.ahead.sum(to) - self.ahead.sum(from)) * clearness;
        }
        let clear = self.amplitude.w_m2() * clearness;
        let lines = self.lines(from, clear).take_while(|(at, ..)| *at < to);
        let of_line = |(at, [e0, e1], seconds): (Mono, [f64; 2], f64)| {
            let until = to.seconds_since(at).min(seconds);
            response.ramp(e0, e0 + (e1 - e0) * until / seconds, until)
        };
        Dose::from_j_m2(lines.map(of_line).sum())
    }

    /// The light from an instant on, line by line: from when, its ends in W/m² and its
    /// length in seconds.
    fn lines(&self, from: Mono, clear: f64) -> impl Iterator<Item = (Mono, [f64; 2], f64)> {
        self.ahead.lines(from).map(move |(at, ends, seconds)| (at, ends.map(|share| clear * share), seconds))
    }

    /// When the sun is next too low to print by (see
    /// [`LOWEST_SUN_DEG`](super::LOWEST_SUN_DEG)); `None` if it stays high, or
    /// low.
    #[must_use]
    pub fn dusk(&self, now: Mono) -> Option<Mono> {
        self.ahead.dusk(now)
    }
}

#[cfg(test)]
mod tests {
    use super::super::Place;
    use super::*;

    const PAYERNE: Place = Place { latitude: 46.815, longitude: 6.944 };

    fn sky(unix_ms: i64) -> ClearSky {
        let mut sky = ClearSky::new(Site::flat(PAYERNE));
        sky.set_wall(WallAnchor { mono: Mono::default(), unix_ms, synchronised: true });
        sky
    }

    #[test]
    fn noon_in_june_gives_what_the_fit_was_made_to() {
        // 2016-06-23T11:34Z: zenith 23.4°; A (R0/R)² cos(z)^1.44 by hand: 47.1 W/m².
        let noon = sky(1_466_681_640_000).irradiance(Mono::default()).unwrap();
        assert!((noon.w_m2() - 47.1).abs() < 0.3, "{noon}");
    }

    #[test]
    fn night_gives_nothing_and_an_unsure_clock_no_bounds() {
        let midnight = sky(1_466_640_000_000);
        assert_eq!(midnight.irradiance(Mono::default()), Some(Irradiance::ZERO));
        let mut unsure = ClearSky::new(Site::flat(PAYERNE));
        unsure.set_wall(WallAnchor { mono: Mono::default(), unix_ms: 0, synchronised: false });
        assert_eq!(unsure.rates(Mono::default(), Mono::from_seconds(60.0)), None);
        unsure.look_ahead(Mono::default());
        assert!(unsure.ahead().is_none());
    }

    #[test]
    fn bounds_are_shares_of_the_mean() {
        let sky = sky(1_466_681_640_000);
        let rates = sky.rates(Mono::default(), Mono::from_seconds(60.0)).unwrap();
        let noon = sky.irradiance(Mono::from_seconds(30.0)).unwrap();
        assert!((rates.low.w_m2() / noon.w_m2() - 0.10).abs() < 1e-4);
        assert!((rates.high.w_m2() / noon.w_m2() - 1.20).abs() < 1e-3);
    }

    #[test]
    fn bounds_of_days_hold_for_each_hour_of_them() {
        // From noon to noon: the middles of so many parts all lie at night.
        let days =
            sky(1_466_681_640_000).rates(Mono::default(), Mono::from_seconds(64.0 * 86_400.0)).unwrap();
        let most = Irradiance::from_w_m2(55.2) * (1.2 * 1.033);
        assert_eq!(days, GapRates::even(Irradiance::ZERO, most));
    }

    #[test]
    fn half_a_clear_noon_takes_twice_as_long() {
        let mut sky = sky(1_466_681_640_000);
        sky.set_amplitude(Irradiance::from_w_m2(60.0));
        sky.look_ahead(Mono::default());
        let day = sky.ahead().unwrap();
        let noon = day.irradiance(Mono::default());
        // The sun hardly moves in these ten minutes about noon.
        let due = day.when(Mono::default(), noon.over_seconds(300.0), 0.5, &Response::PLAIN).unwrap();
        assert!((due.seconds() - 600.0).abs() < 2.0, "{due:?}");
    }

    #[test]
    fn what_an_effective_dose_takes_is_when_it_will_have_come() {
        // From morning to after sunset, so that lines of every slope are in it.
        let mut sky = sky(1_466_654_400_000);
        sky.look_ahead(Mono::default());
        let day = sky.ahead().unwrap();
        let from = Mono::from_seconds(4_321.0);
        for p in [0.3, 0.8, 1.0, 1.0 + 1e-9, 1.6] {
            let response = Response::new(p, Irradiance::from_w_m2(30.0)).unwrap();
            for seconds in [77.0, 3_600.0, 40_000.0] {
                let to = from.plus_seconds(seconds);
                let dose = day.dose(from, to, 0.4, &response);
                let when = day.when(from, dose, 0.4, &response).unwrap();
                assert!((when.seconds_since(from) - seconds).abs() < 1e-3, "{p} {seconds} {when:?}");
                // Against fine steps of the same table.
                let piece = |n: u32| {
                    let at = from.plus_seconds(seconds * (f64::from(n) + 0.5) / 20_000.0);
                    response.rate(day.irradiance(at) * 0.4).w_m2() * seconds / 20_000.0
                };
                let fine: f64 = (0..20_000).map(piece).sum();
                assert!((dose.j_m2() - fine).abs() < 1e-6 * fine, "{p} {seconds}: {dose:?} {fine}");
            }
            assert_eq!(day.when(from, Dose::from_j_m2(1e12), 0.4, &response), None);
        }
    }

    #[test]
    fn bounds_hold_for_light_that_counts_otherwise() {
        // A gap from before dawn to noon: its mean is far below its peak.
        let sky = sky(1_466_640_000_000);
        let (from, to) = (Mono::from_seconds(3_600.0), Mono::from_seconds(43_200.0));
        let seconds = to.seconds_since(from);
        for p in [0.3, 0.7, 1.0, 1.4, 2.0] {
            let response = Response::new(p, Irradiance::from_w_m2(30.0)).unwrap();
            let dark = crate::light::Seen::Exactly(Irradiance::ZERO);
            let mut integral = crate::light::Integral::new(1.0).answering(response, Default::default());
            integral.take(from, dark, |_, _| None);
            let gap = integral.take(to, dark, |from, to| sky.rates(from, to)).unwrap().added();
            for share in [GapRates::BELOW_CLEAR, 0.6, GapRates::ABOVE_CLEAR] {
                let piece = |n: u32| {
                    let at = from.plus_seconds(seconds * (f64::from(n) + 0.5) / 20_000.0);
                    response.rate(sky.irradiance(at).unwrap() * share).w_m2() * seconds / 20_000.0
                };
                let fell: f64 = (0..20_000).map(piece).sum();
                // Means are taken at 64 instants.
                assert!(
                    gap.low.j_m2() < fell * 1.002 && fell * 0.998 < gap.high.j_m2(),
                    "{p} {share}: {gap:?} {fell}"
                );
            }
        }
    }
}
