//! Made-up days for the fold: boots with and without clocks, silences, saturation, lost light,
//! lamps, exponents, corrections, and light that was not written when the power went.
//!
//! What must hold: what really fell lies within low and high, by what is known at the end of
//! the day; and at any time [`Live`] says what [`dose`] says of the same facts.
//!
//! `FRAMESIDE_STORM=17` lives one day, `FRAMESIDE_STORM=0..200000` so many.

use super::*;
use crate::exposure::{Amendment, FrameState, Plan, PrintEvent, PrintEventKind, PrintState};
use crate::light::{Reading, Response, Seen};
use crate::outlook::{Place, Site, USUAL_AMPLITUDE};
use crate::quantity::{Dose, Irradiance, Mono, TargetDose};
use crate::sensitometry::splitmix::SplitMix64;
use crate::time::Boot;

/// Days of an ordinary run of the tests.
const DAYS: std::ops::Range<u64> = 0..600;
const SECOND: i64 = 1_000_000_000;
/// Between readings.
const PERIOD: i64 = 5 * SECOND;
/// The day ends after so many periods, unless the power is off then.
const LENGTH: i64 = 700;
/// The wall when the day begins: 2026-07-14, 10:00 UTC.
const EPOCH_NS: i64 = 1_784_023_200 * SECOND;
/// Unseen light is promised to be no brighter than what was seen so long before it. The
/// hour of the rule is measured to the minute.
const REMEMBERED: i64 = 55 * 60 * SECOND;
/// The clear sky is asked for so often, and drawn straight between.
const CLEAR_EVERY: i64 = 60;

/// An instant or a length on the grid of stored time, in nanoseconds.
fn nanos(chance: &mut SplitMix64, low_s: f64, high_s: f64) -> i64 {
    (chance.between(low_s, high_s) * 1e4) as i64 * 100_000
}

/// The light that really falls.
enum Light {
    /// Of the sky, at each instant of the grid in W/m²; straight lines between, for each
    /// response of what it makes of them, with their sums.
    Sky { grid: Vec<f64>, rates: [Vec<f64>; 3], sums: [Vec<f64>; 3] },
    /// In a box: on and off, and since when it is which.
    Box { levels: [f64; 2], since: Vec<(i64, bool)> },
}

fn responses() -> [Response; 3] {
    let response = |p, w_m2| Response::new(p, Irradiance::from_w_m2(w_m2)).unwrap();
    [Response::PLAIN, response(0.7, 25.0), response(1.4, 40.0)]
}

fn rate(response: usize, w_m2: f64) -> f64 {
    responses()[response].rate(Irradiance::from_w_m2(w_m2)).w_m2()
}

impl Light {
    fn at(&self, grid_at: i64) -> f64 {
        match self {
            Self::Sky { grid, .. } => grid[grid_at as usize],
            Self::Box { levels, since } => {
                let is_on = since.iter().rfind(|&&(at, _)| at <= grid_at * PERIOD).is_some_and(|&(_, on)| on);
                levels[usize::from(is_on)]
            }
        }
    }

    /// What fell from the beginning up to an instant, as a response counts it.
    fn until(&self, at: i64, response: usize) -> f64 {
        match self {
            Self::Sky { rates, sums, .. } => {
                let (before, into) = ((at / PERIOD) as usize, (at % PERIOD) as f64 / 1e9);
                let (e0, e1) = (rates[response][before], rates[response][before + 1]);
                sums[response][before] + e0 * into + 0.5 * (e1 - e0) * into * into / (PERIOD as f64 / 1e9)
            }
            Self::Box { levels, since } => {
                let ends = since.iter().skip(1).map(|&(end, _)| end).chain([i64::MAX]);
                let stretch = |(&(from, on), end): (&(i64, bool), i64)| {
                    (end.min(at) - from).max(0) as f64 / 1e9 * rate(response, levels[usize::from(on)])
                };
                since.iter().zip(ends).map(stretch).sum()
            }
        }
    }
}

struct Print {
    state: PrintState,
    response: usize,
    glass: f64,
}

struct Day {
    seed: u64,
    chance: SplitMix64,
    now: i64,
    light: Light,
    site: Option<Site>,
    clear: Vec<f64>,
    clocks: Clocks,
    sky: Sky,
    lamps: Lamps,
    stored: Vec<Sample>,
    fresh: Vec<Sample>,
    /// A reading that comes after its integration, and when.
    on_its_way: Option<(i64, Sample)>,
    prints: Vec<Print>,
    live: Live,
    boot: Boot,
    origins: Vec<i64>,
    synchronised: bool,
    /// The light before the first reading, where no sky is known, in W/m².
    first_light: f64,
    /// A boot's clock claims to be right and is not.
    has_wrong_clock: bool,
    rounding: Rounding,
    checked: u64,
}

impl Day {
    fn new(seed: u64) -> Self {
        let mut chance = SplitMix64::new(seed);
        let is_box = seed % 4 == 2;
        let site = (seed % 4 == 1).then(|| {
            let (latitude, hour) = (chance.between(-35.0, 65.0), chance.between(4.0, 20.0));
            Site::flat(Place { latitude, longitude: 15.0 * (hour - 10.0) })
        });
        let light = if is_box {
            let round = |w_m2: f64| (w_m2 * 1000.0).round() / 1000.0;
            let levels = [round(chance.between(0.0, 0.3)), round(chance.between(5.0, 60.0))];
            Light::Box { levels, since: vec![(0, false)] }
        } else {
            Light::Sky { grid: Vec::new(), rates: Default::default(), sums: Default::default() }
        };
        let first_light = chance.between(5.0, 60.0).round();
        let lamps = if is_box {
            let ever = Stamp::new(Boot(0), Mono::default());
            Lamps::new(vec![LampFact { at: ever, lamp: Lamp::Off }], None)
        } else {
            Lamps::default()
        };
        Self {
            seed,
            chance,
            now: 0,
            light,
            site,
            clear: Vec::new(),
            clocks: Clocks::default(),
            sky: Sky::new(site),
            lamps,
            stored: Vec::new(),
            fresh: Vec::new(),
            on_its_way: None,
            prints: Vec::new(),
            live: Live::default(),
            boot: Boot(-1),
            origins: Vec::new(),
            synchronised: false,
            first_light,
            has_wrong_clock: false,
            rounding: Rounding::default(),
            checked: 0,
        }
    }

    fn stamp(&self) -> Stamp {
        Stamp::new(self.boot, Mono::from_nanos(self.now - self.origins[self.boot.0 as usize]))
    }

    fn world(&self, stamp: Stamp) -> i64 {
        self.origins[stamp.boot.0 as usize] + stamp.at.nanos()
    }

    fn facts(&self) -> Facts<'_> {
        Facts { clocks: &self.clocks, sky: &self.sky, lamps: &self.lamps }
    }

    fn all_light(&self) -> Vec<Sample> {
        self.stored.iter().chain(&self.fresh).copied().collect()
    }

    /// Unseen light keeps below what is stored of the time before it.
    fn ceiling(&self) -> f64 {
        let of = |sample: &Sample| Some((self.world(sample.at), sample.seen?.lowest().w_m2()));
        let Some((newest, _)) = self.stored.iter().rev().find_map(of) else { return self.first_light };
        let recent = self.stored.iter().rev().filter_map(of).take_while(|&(at, _)| newest - at <= REMEMBERED);
        recent.map(|(_, w_m2)| w_m2).fold(0.0, f64::max)
    }

    /// What a clear sky gives, in W/m²; zero without one.
    fn clear_of(&self, grid_at: i64) -> f64 {
        let unix_ms = (EPOCH_NS + grid_at * PERIOD) / 1_000_000;
        let light = self.site.and_then(|site| site.clear_light(unix_ms));
        light.map_or(0.0, |light| light.share * USUAL_AMPLITUDE.w_m2())
    }

    /// The same, straight between the entries of a table.
    fn clear(&mut self, grid_at: i64) -> Option<f64> {
        self.site?;
        let step = grid_at / CLEAR_EVERY;
        while self.clear.len() as i64 <= step + 1 {
            self.clear.push(self.clear_of(self.clear.len() as i64 * CLEAR_EVERY));
        }
        let part = (grid_at % CLEAR_EVERY) as f64 / CLEAR_EVERY as f64;
        let (a, b) = (self.clear[step as usize], self.clear[step as usize + 1]);
        Some(a + (b - a) * part)
    }

    /// Whether a reading may become the first that is stored.
    fn is_any_seen(&self) -> bool {
        let mut samples = self.stored.iter().chain(&self.fresh).chain(self.on_its_way.iter().map(|(_, s)| s));
        samples.any(|sample| sample.seen.is_some())
    }

    /// Lets light fall up to an instant.
    fn shine_until(&mut self, at: i64) {
        let ceiling = self.ceiling();
        loop {
            let Light::Sky { grid, .. } = &self.light else { return };
            let next = grid.len() as i64;
            // One more, so that there is a line at any instant.
            if next > at / PERIOD + 1 {
                return;
            }
            let clear = self.clear(next);
            let [least, most] = match clear {
                // Dusk bends between two instants of the table.
                Some(clear) if clear < 3.0 => [0.3 * self.clear_of(next), 0.3 * self.clear_of(next)],
                Some(clear) => [0.101 * clear, 1.19 * clear],
                None if !self.is_any_seen() => [ceiling, ceiling],
                None => [0.0, ceiling],
            };
            let w_m2 = if self.chance.percent(15) { most } else { self.chance.between(least, most) };
            let w_m2 = if clear.is_some() { w_m2 } else { (w_m2 * 1000.0).floor() / 1000.0 };
            self.push_light(w_m2);
        }
    }

    fn push_light(&mut self, w_m2: f64) {
        let Light::Sky { grid, rates, sums } = &mut self.light else { return };
        grid.push(w_m2);
        for (response, (rates, sums)) in rates.iter_mut().zip(sums).enumerate() {
            let now = rate(response, w_m2);
            let before = rates.last().copied().unwrap_or(now);
            sums.push(sums.last().map_or(0.0, |sum| sum + 0.5 * (before + now) * (PERIOD as f64 / 1e9)));
            rates.push(now);
        }
    }

    fn store(&mut self) {
        self.clocks.note(self.stamp());
        self.stored.append(&mut self.fresh);
    }

    fn rebuild(&mut self) {
        let light = self.all_light();
        let prints = self.prints.iter().enumerate();
        let prints = prints.map(|(key, print)| (PrintKey(key as u64), print.state.exposure()));
        self.live = Live::of(self.facts(), &light, prints);
    }

    fn read(&mut self) {
        let grid_at = self.now / PERIOD;
        // The first reading is as bright as what came before it, and what comes after is not brighter.
        let is_sky = self.site.is_none() && matches!(self.light, Light::Sky { .. });
        if is_sky && !self.is_any_seen() && self.light.at(grid_at) != self.first_light {
            return;
        }
        let w_m2 = Irradiance::from_w_m2(self.light.at(grid_at));
        let at = self.stamp().at;
        let sample = if self.chance.percent(2) {
            Sample::lost(self.stamp())
        } else {
            let mut reading = Reading::of(at, w_m2);
            if self.chance.percent(4) {
                reading.seen = Seen::AtLeast(w_m2 * self.chance.between(0.3, 1.0));
            }
            let mut sample = self.rounding.sample(self.boot, &reading, 5.0);
            if let (Some(Seen::Exactly(_)), true) = (sample.seen, self.site.is_some()) {
                // Light of the clear sky is no whole number of steps.
                sample.seen = Some(Seen::Exactly(w_m2));
            }
            sample.span_s = 1.0;
            sample
        };
        let lag = nanos(&mut self.chance, 0.5, 4.0);
        self.on_its_way = Some((self.now + lag, sample));
    }

    fn arrive(&mut self) {
        let Some((_, sample)) = self.on_its_way.take() else { return };
        let (clocks, sky, lamps) = (&self.clocks, &self.sky, &self.lamps);
        self.live.take(Facts { clocks, sky, lamps }, &sample).unwrap();
        assert!(self.live.take(Facts { clocks, sky, lamps }, &sample).is_err());
        self.fresh.push(sample);
    }

    /// What a print has by now, from the facts and as it runs along.
    fn compare_live(&mut self) {
        let light = self.all_light();
        let now = self.stamp();
        for (key, print) in self.prints.iter().enumerate() {
            if print.state.state() == FrameState::In && !self.chance.percent(10) {
                continue;
            }
            let live = self.live.dose(self.facts(), PrintKey(key as u64), now).unwrap();
            let fold = dose(&self.clocks, &self.sky, &self.lamps, &light, print.state.exposure(), now);
            let is_same = |of: fn(&Estimate) -> Dose| {
                let (live, fold) = (of(&live).j_m2(), of(&fold).j_m2());
                live == fold || (live - fold).abs() <= 1e-6 + 1e-9 * fold.abs()
            };
            assert!(
                is_same(|dose| dose.low) && is_same(|dose| dose.best) && is_same(|dose| dose.high),
                "day {}: live {live:?}, fold {fold:?} of print {key} at {now:?}: {print:?}",
                self.seed,
                print = print.state,
            );
            self.checked += 1;
        }
    }

    fn event(&mut self, key: usize, kind: PrintEventKind) {
        let event = PrintEvent { at: self.stamp(), kind };
        let print = &mut self.prints[key];
        let was_open = print.state.exposure().open.is_open();
        print.state = print.state.clone().after(&event);
        let is_open = print.state.exposure().open.is_open();
        let live_key = PrintKey(key as u64);
        match (was_open, is_open, &event.kind) {
            (_, _, PrintEventKind::Amended(_)) => self.rebuild(),
            (false, true, _) => self.live.uncover(live_key, event.at),
            (true, false, _) => self.live.cover(live_key, event.at),
            _ => {}
        }
        self.store();
    }

    fn act(&mut self) {
        let out = self.prints.len().checked_sub(1);
        let out: Option<usize> = out.filter(|&key| self.prints[key].state.state() != FrameState::In);
        let key = match out {
            Some(key) if !self.chance.percent(10) => key,
            _ if self.prints.len() > 5 => return,
            _ => {
                let response = (self.chance.below(3)) as usize;
                let glass = self.chance.between(0.3, 1.0);
                let plan = Plan::dose(TargetDose::new(Dose::from_j_m2(1000.0)).unwrap());
                let state = PrintState::new(plan, glass, responses()[response]);
                self.prints.push(Print { state, response, glass });
                let key = self.prints.len() - 1;
                self.live.begin(PrintKey(key as u64), self.prints[key].state.exposure());
                let covered = self.chance.percent(25);
                return self.event(key, PrintEventKind::Begun { covered });
            }
        };
        let is_open = self.prints[key].state.exposure().open.is_open();
        let now = self.stamp();
        let kind = match self.chance.below(10) {
            0..4 if is_open => PrintEventKind::Covered,
            0..6 if !is_open => PrintEventKind::Uncovered,
            6 => PrintEventKind::BroughtIn,
            7 => {
                let begun = self.world(self.prints[key].state.begun().unwrap());
                let boot = self.origins[self.boot.0 as usize];
                let mut earlier = || {
                    let from = begun.max(boot);
                    let share = self.chance.between(0.0, 1.0);
                    let at = from + ((self.now - from) as f64 * share) as i64 / 100_000 * 100_000;
                    Stamp { at: Mono::from_nanos(at - boot), ..now }
                };
                let (a, b) = (earlier(), earlier());
                let (from, to) = (a.min(b), a.max(b));
                let is_covered = self.chance.percent(50);
                PrintEventKind::Amended(if is_covered {
                    Amendment::Covered(from, to)
                } else {
                    Amendment::Uncovered(from, to)
                })
            }
            8 if matches!(self.light, Light::Box { .. }) => return self.switch(None),
            _ => return,
        };
        self.event(key, kind);
    }

    /// Switches the lamp, or sets it.
    fn switch(&mut self, to: Option<bool>) {
        let (now, stamp) = (self.now, self.stamp());
        let Light::Box { since, .. } = &mut self.light else { return };
        let is_on = to.unwrap_or_else(|| since.last().is_none_or(|&(_, on)| !on));
        since.push((now, is_on));
        self.lamps.note(LampFact { at: stamp, lamp: if is_on { Lamp::On } else { Lamp::Off } });
        self.store();
    }

    fn live(mut self) -> u64 {
        self.now = nanos(&mut self.chance, 10.0, 60.0);
        self.shine_until(self.now);
        let boots = 2 + self.chance.below(6);
        for _ in 0..boots {
            self.run_boot();
            if self.now > LENGTH * PERIOD {
                break;
            }
        }
        self.check_truth();
        self.checked
    }

    fn run_boot(&mut self) {
        self.origins.push(self.now);
        self.boot = Boot(self.boot.0 + 1);
        self.synchronised = false;
        self.now += nanos(&mut self.chance, 1.0, 25.0);
        self.shine_until(self.now);
        let ends = self.now + nanos(&mut self.chance, 1.0, 500.0);
        let mut silent =
            if self.chance.percent(50) { self.now + nanos(&mut self.chance, 0.0, 300.0) } else { 0 };
        let sync =
            if self.chance.percent(45) { self.now + nanos(&mut self.chance, 0.0, 200.0) } else { i64::MAX };
        self.clocks.note(self.stamp());
        if matches!(self.light, Light::Box { .. }) {
            // The lamp went off with the power; that is known from now on, and the light between
            // is not.
            self.stored.push(Sample::lost(self.stamp()));
            self.lamps.note(LampFact { at: self.stamp(), lamp: Lamp::Off });
        }
        self.rebuild();
        let mut act = self.now + nanos(&mut self.chance, 0.0, 40.0);
        let mut kept = self.now;
        loop {
            let grid = (self.now / PERIOD + 1) * PERIOD;
            let sync = if self.synchronised { i64::MAX } else { sync };
            let arrives = self.on_its_way.map_or(i64::MAX, |(at, _)| at);
            let next = grid.min(act).min(sync.max(self.now)).min(arrives);
            if next >= ends {
                break;
            }
            self.now = next;
            self.shine_until(self.now);
            if self.now == sync {
                self.synchronise();
            }
            if self.now == grid && self.now >= silent {
                self.read();
            }
            if self.now == arrives {
                self.arrive();
                if self.now - kept > 10 * SECOND {
                    self.store();
                    kept = self.now;
                }
            }
            if self.now == act {
                act += nanos(&mut self.chance, 0.1, 80.0);
                if self.chance.percent(15) {
                    silent = self.now + nanos(&mut self.chance, 0.0, 200.0);
                }
                self.act();
            }
            if self.chance.percent(12) {
                self.compare_live();
            }
        }
        // The power goes, and what was not stored is lost.
        self.fresh.clear();
        self.on_its_way = None;
        self.now = ends;
        if let Light::Box { since, .. } = &mut self.light {
            since.push((ends, false));
        }
        let longest = if self.chance.percent(50) { 30.0 } else { 3000.0 };
        self.now += nanos(&mut self.chance, 0.5, longest);
        self.shine_until(self.now);
    }

    fn synchronise(&mut self) {
        self.synchronised = true;
        let error = if self.seed % 5 == 4 && self.chance.percent(20) {
            nanos(&mut self.chance, -1e5, 1e5)
        } else {
            0
        };
        self.has_wrong_clock |= error != 0;
        let origin = self.origins[self.boot.0 as usize];
        self.clocks.note(self.stamp());
        let _ = self.clocks.set_wall(self.boot, EPOCH_NS + origin + error);
        self.rebuild();
    }

    /// What really fell lies within the bounds at each instant that the cover moved.
    fn check_truth(&mut self) {
        // A wrong clock is found where others contradict it, and believed where none does.
        let is_right = |boot: i64| {
            let stamp = Stamp::new(Boot(boot), Mono::default());
            let right = EPOCH_NS + self.origins[boot as usize];
            self.clocks.unix_ns(stamp).is_none_or(|unix_ns| unix_ns == right)
        };
        if self.has_wrong_clock && !(0..=self.boot.0).all(is_right) {
            return;
        }
        for (key, print) in self.prints.iter().enumerate() {
            let open = print.state.exposure().open.as_slice();
            let stamps = open.iter().flat_map(|span| [Some(span.from), span.to]).flatten();
            let stamps: Vec<Stamp> = stamps.chain(self.stored.last().map(|last| last.at)).collect();
            for at in stamps {
                // Beyond the last reading a dose is a projection.
                if self.stored.iter().rfind(|s| s.seen.is_some()).is_none_or(|last| last.at < at) {
                    continue;
                }
                let got =
                    dose(&self.clocks, &self.sky, &self.lamps, &self.stored, print.state.exposure(), at);
                let spans = open.iter().map(|span| span.until(at)).filter(|(from, to)| from < to);
                let fell = |(from, to)| {
                    let until = |at| self.light.until(self.world(at), print.response);
                    until(to) - until(from)
                };
                let fell = spans.map(fell).sum::<f64>() * responses()[print.response].of_factor(print.glass);
                let [low, best, high] = [got.low, got.best, got.high].map(|dose| dose.j_m2());
                assert!(low <= best && best <= high, "day {}: {got:?}", self.seed);
                assert!(
                    low - 0.02 <= fell && fell <= high + 0.02,
                    "day {}: {fell} J/m2 fell on print {key} until {at:?}, {got:?}; {:?}",
                    self.seed,
                    self.clocks,
                );
            }
        }
    }
}

fn days() -> std::ops::Range<u64> {
    // When the tests are built: this library reads no environment.
    let Some(asked) = option_env!("FRAMESIDE_STORM") else { return DAYS };
    let number = |text: &str| text.parse::<u64>().expect("a seed, or FROM..TO");
    match asked.split_once("..") {
        Some((from, to)) => number(from)..number(to),
        None => number(asked)..number(asked) + 1,
    }
}

#[test]
fn what_fell_lies_within_and_live_is_the_fold() {
    let days = days();
    let checked: u64 = days.clone().map(|seed| Day::new(seed).live()).sum();
    assert!(checked > days.end - days.start, "hardly a dose was compared: {checked}");
}
