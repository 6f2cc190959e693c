//! The world around the service: light, sensors, disk, broker, wall clock, power.

use std::collections::BTreeMap;
use std::collections::BTreeSet;
use std::io::Write as _;
use std::sync::{Arc, OnceLock};

use frameside_core::chips::{SensorEvent, SensorFault};
use frameside_core::exposure::{Rules, SensorId};
use frameside_core::light::{GapRates, Reading, Response, Seen};
use frameside_core::outlook::{Place, Site, USUAL_AMPLITUDE, WallAnchor};
use frameside_core::quantity::{Irradiance, Mono};
use jiff::tz::TimeZone;
use serde_json::Value;
use tempfile::TempDir;
use tokio::sync::{mpsc, oneshot};

use super::super::{FramePart, Hands, SensorPart, Service, Setup};
use super::expected::Knowledge;
use super::sky::Sky;
use crate::chance::Chance;
use crate::devices::pins::{Buzzer, BuzzerKind, MemoryPins};
use crate::ledger::faults::Disk;
use crate::ledger::{Boot, Facts, Ledger, LedgerEvent, Notebook, Recipe};
use crate::mqtt::{self, Delivery, KeepAlive, LinkEvent, Topic};

pub(super) const SECOND: i64 = 1_000_000_000;
pub(super) const PERIOD: i64 = 5 * SECOND;
/// The brightest sky, in W/m².
pub(super) const BRIGHTEST: f64 = 60.0;
pub(super) const SENSORS: [&str; 2] = ["sky", "wall"];
/// Name, sensor, glass.
pub(super) const FRAMES: [(&str, usize, f64); 3] = [("oak", 0, 0.5), ("elm", 1, 1.0), ("ash", 0, 0.9)];
/// Recipes that answer to the strength of the light: name, exponent, reference in W/m².
pub(super) const RECIPES: [(&str, f64, f64); 3] =
    [("citrate", 0.7, 25.0), ("oxalate", 1.4, 40.0), ("gelatine", 0.9, 10.0)];
/// The wall's time when the world begins, in ms since 1970.
const BEGINS_MS: i64 = 1_784_023_200_000;
/// The same, in hours of the day at longitude zero.
const BEGINS_HOUR: f64 = 10.0;
/// The light keeps to the shares of the clear sky so long before and after, in ms: so long may
/// the parts of a silence be, within which its bounds are even.
const PART_MS: i64 = 300_000;
/// A silence of which no bounds are promised, in ns.
const TOO_LONG: i64 = GapRates::PARTS as i64 * PART_MS * 1_000_000;
/// A day's length, in periods.
const LENGTH: i64 = 100;

/// A boot of the machine.
#[derive(Debug, Clone)]
pub(super) struct Power {
    pub(super) name: String,
    /// The world's time when its clock showed nothing.
    pub(super) origin_ns: i64,
    /// What its wall clock shows too much.
    pub(super) error_ms: i64,
    pub(super) synchronised: bool,
}

/// A reading on its way to the service.
#[derive(Debug, Clone, Copy)]
struct OnItsWay {
    arrives_ns: i64,
    sensor: usize,
    at_ns: i64,
    seen: Seen,
}

/// The broker and what it has.
#[derive(Debug, Default)]
pub(super) struct Broker {
    pub(super) up: bool,
    under_way: Option<(String, String)>,
    /// Topic and id of every signal, as they came.
    pub(super) got: Vec<(String, String)>,
    /// The last instant of the day at which it or the daemon was away.
    pub(super) last_away_ns: i64,
    /// What it refused, by id.
    pub(super) refused: BTreeSet<String>,
}

pub(super) struct World {
    seed: u64,
    /// A day on which boot follows boot, mostly without a right clock, past sensors that are
    /// silent: what one boot leaves to the next but two is rare on other days.
    pub(super) is_stormy: bool,
    /// Where it is, on every fourth day: the rig then knows what a clear sky gives there, and
    /// the light keeps to its share of that.
    site: Option<Site>,
    /// What a clear sky gives there, in W/m², by the wall's time: the sun's position is dear.
    clear: BTreeMap<i64, f64>,
    tells: bool,
    story: Vec<String>,
    steps: u64,
    pub(super) chance: Chance,
    pub(super) now_ns: i64,
    act_at: i64,
    pub(super) folder: TempDir,
    runtime: tokio::runtime::Runtime,
    pub(super) power: Power,
    /// Every boot: name, origin, and whether the record knows its wall's time.
    pub(super) boots: Vec<(Power, bool)>,
    pub(super) skies: [Sky; 2],
    /// Whether there was light on a print that no bound is promised for.
    pub(super) unpromised: [bool; 2],
    /// When each sensor sees its first light: on every fourth day not at once.
    first_at: [i64; 2],
    silent_until: [i64; 2],
    on_their_way: Vec<OnItsWay>,
    /// What was done, and what of it is safe.
    pub(super) known: Knowledge,
    pub(super) safe: Knowledge,
    /// What was known at each commit that was asked for.
    asked: Vec<(u64, Knowledge)>,
    pub(super) service: Option<Service>,
    events: mpsc::UnboundedReceiver<LedgerEvent>,
    disk: Arc<Disk>,
    is_full: bool,
    /// With a full disk signals go out from memory, and a kill then forgets
    /// what they told of.
    pub(super) was_killed_when_full: bool,
    /// Answers to come, and whether they should be good.
    pub(super) promised: Vec<(oneshot::Receiver<Value>, bool)>,
    pub(super) broker: Broker,
}

impl World {
    pub(super) fn new(seed: u64, tells: bool) -> Self {
        let shm = std::path::Path::new("/dev/shm");
        let folder = if shm.is_dir() { TempDir::new_in(shm) } else { TempDir::new() };
        let power = Power { name: "boot-0".into(), origin_ns: -30 * SECOND, error_ms: 0, synchronised: true };
        let mut world = Self {
            seed,
            is_stormy: seed % 10 == 9,
            site: None,
            clear: BTreeMap::new(),
            tells,
            story: Vec::new(),
            steps: 0,
            chance: Chance::new(seed),
            now_ns: 0,
            act_at: 0,
            folder: folder.unwrap(),
            runtime: tokio::runtime::Builder::new_current_thread().build().unwrap(),
            power,
            boots: Vec::new(),
            skies: [Sky::new(PERIOD), Sky::new(PERIOD)],
            unpromised: [false; 2],
            first_at: [0; 2],
            silent_until: [0; 2],
            on_their_way: Vec::new(),
            known: Knowledge::default(),
            safe: Knowledge::default(),
            asked: Vec::new(),
            service: None,
            events: mpsc::unbounded_channel().1,
            disk: Arc::default(),
            is_full: false,
            was_killed_when_full: false,
            promised: Vec::new(),
            broker: Broker::default(),
        };
        std::fs::write(world.folder.path().join("ledger.sqlite"), new_ledger()).unwrap();
        if seed % 4 == 1 {
            let [latitude, hour] = [world.chance.between(-35.0, 65.0), world.chance.between(4.0, 20.0)];
            world.site = Some(Site::flat(Place { latitude, longitude: 15.0 * (hour - BEGINS_HOUR) }));
        }
        if seed % 4 == 3 {
            world.first_at = [0, 1].map(|_| world.chance.between(0.0, 50.0 * PERIOD as f64) as i64);
        }
        world.choose_wall();
        world.start();
        world
    }

    pub(super) fn live(mut self) {
        while self.now_ns < LENGTH * PERIOD {
            self.step();
        }
        self.end();
    }

    pub(super) fn tell(&mut self, what: impl Into<String>) {
        self.story.push(format!("{:9.3} s: {}", self.now_ns as f64 / 1e9, what.into()));
    }

    pub(super) fn mono(&self) -> Mono {
        Mono::from_nanos(self.now_ns - self.power.origin_ns)
    }

    pub(super) const fn seed(&self) -> u64 {
        self.seed
    }

    pub(super) const fn site(&self) -> Option<Site> {
        self.site
    }

    pub(super) fn service(&mut self) -> &mut Service {
        self.service.as_mut().unwrap()
    }

    /// The wall's true time at an instant.
    pub(super) fn true_ms(at_ns: i64) -> i64 {
        BEGINS_MS + at_ns.div_euclid(1_000_000)
    }

    fn wall(&self) -> WallAnchor {
        WallAnchor {
            mono: self.mono(),
            unix_ms: Self::true_ms(self.now_ns) + self.power.error_ms,
            synchronised: self.power.synchronised,
        }
    }

    fn step(&mut self) {
        self.steps += 1;
        let now = self.mono();
        let wake = self.service().next_wake(now).nanos() + self.power.origin_ns;
        let wake = if self.chance.percent(80) { wake.max(self.now_ns + 1) } else { i64::MAX };
        let arrives = self.on_their_way.iter().map(|reading| reading.arrives_ns).min().unwrap_or(i64::MAX);
        let grid = self.skies[0].next_at();
        self.now_ns = wake.min(arrives).min(grid).min(self.act_at).max(self.now_ns);
        self.arrive();
        if self.now_ns == grid {
            (0..2).for_each(|sensor| self.shine(sensor));
        }
        if self.now_ns == self.act_at {
            self.act();
            self.act_at = self.now_ns + self.chance.between(0.1, 12.0 * PERIOD as f64) as i64;
        }
        self.breathe();
    }

    /// What goes on between all that.
    pub(super) fn breathe(&mut self) {
        let now = self.mono();
        if self.chance.percent(10) {
            let wall = self.wall();
            self.note_commit();
            self.service().on_wall(now, wall);
            self.known.synchronised |= wall.synchronised;
        }
        if self.chance.percent(90) {
            self.service().wake(now);
        }
        self.turn_broker();
        if self.chance.percent(85) {
            self.settle();
        }
    }

    /// Whether a sensor's light keeps to what bounds are promised for.
    pub(super) fn is_promised(&self, sensor: usize) -> bool {
        let is_long = |pair: &[(i64, f64)]| pair[1].0 - pair[0].0 > TOO_LONG;
        let is_parted = self.site.is_some() && self.known.readings[sensor].windows(2).any(is_long);
        !self.unpromised[sensor] && !is_parted
    }

    /// Whether a silence may not have been over yet for the rig, which has a sky to tell by what
    /// came in it at least.
    pub(super) fn waits_for_light(&self, sensor: usize, at_ns: i64) -> bool {
        let longest = 3 * PERIOD / 2;
        let is_in = |pair: &[(i64, f64)]| {
            let (from, to) = (pair[0].0, pair[1].0);
            to - from > longest && from < at_ns && at_ns < to + 4 * PERIOD
        };
        self.site.is_some() && self.known.readings[sensor].windows(2).any(is_in)
    }

    fn is_uncovered(&self, sensor: usize) -> bool {
        let out = |known: &Knowledge| {
            known.prints.values().any(|print| FRAMES[print.frame].1 == sensor && print.is_uncovered())
        };
        out(&self.known) || out(&self.safe)
    }

    /// The next light falls on a sensor, and it measures it if it can.
    fn shine(&mut self, sensor: usize) {
        let at_ns = self.skies[sensor].next_at();
        let is_silent = at_ns < self.silent_until[sensor] || self.service.is_none();
        let [least, most] = self.given(at_ns);
        let is_next = !self.on_their_way.iter().any(|reading| reading.sensor == sensor);
        let may_rise = is_next && !is_silent && !self.is_full && !self.is_uncovered(sensor);
        if !self.skies[sensor].is_recorded() {
            if at_ns >= self.first_at[sensor] && self.service.is_some() && !self.is_full {
                return self.rise(sensor, at_ns);
            }
            let w_m2 = self.chance.between(least, most.max(least));
            return self.skies[sensor].shine(w_m2);
        }
        if may_rise && self.chance.percent(30) {
            return self.rise(sensor, at_ns);
        }
        // A morning is brighter than the hour before it, and twilight changes within a part of a silence.
        let ceiling = self.skies[sensor].ceiling().min(most);
        self.unpromised[sensor] |= ceiling < least && self.is_uncovered(sensor);
        let ceiling = ceiling.max(least);
        let w_m2 = if self.chance.percent(15) { ceiling } else { self.chance.between(least, ceiling) };
        self.skies[sensor].shine(w_m2);
        if is_silent {
            return;
        }
        let seen = if self.chance.percent(4) {
            Seen::AtLeast(Irradiance::from_w_m2(w_m2 * self.chance.between(0.3, 1.0)))
        } else {
            Seen::Exactly(Irradiance::from_w_m2(w_m2))
        };
        // Mostly soon, but a busy machine may let several wait.
        let longest = if self.chance.percent(10) { 4.0 } else { 0.4 };
        let lag_ns = self.chance.between(0.0, longest * PERIOD as f64) as i64;
        let before = self.on_their_way.iter().filter(|reading| reading.sensor == sensor);
        let arrives_ns = before.map(|reading| reading.arrives_ns).fold(at_ns + lag_ns, i64::max);
        self.on_their_way.push(OnItsWay { arrives_ns, sensor, at_ns, seen });
    }

    /// The least and the most that there may be of the sky at an instant, in W/m².
    fn given(&mut self, at_ns: i64) -> [f64; 2] {
        let Some(site) = self.site else { return [0.0, BRIGHTEST] };
        let clear = |off_ms: i64| {
            let unix_ms = Self::true_ms(at_ns) + off_ms;
            *self
                .clear
                .entry(unix_ms)
                .or_insert_with(|| site.clear_light(unix_ms).unwrap().share * USUAL_AMPLITUDE.w_m2())
        };
        // Within one of the parts of a silence its bounds are even.
        let about = [-PART_MS, 0, PART_MS].map(clear);
        let least = GapRates::BELOW_CLEAR * about.into_iter().fold(0.0, f64::max);
        let most = GapRates::ABOVE_CLEAR * about.into_iter().fold(BRIGHTEST, f64::min);
        [least, most.min(BRIGHTEST)]
    }

    /// The sky clears while nothing is out, and the record has it at once.
    fn rise(&mut self, sensor: usize, at_ns: i64) {
        let [least, most] = self.given(at_ns);
        let w_m2 = self.chance.between(least.max(most.min(1.0)), most.max(least));
        self.skies[sensor].shine(w_m2);
        let seen = Seen::Exactly(Irradiance::from_w_m2(w_m2));
        self.take(OnItsWay { arrives_ns: at_ns, sensor, at_ns, seen });
        let now = self.mono();
        self.service().commit(now);
        self.settle();
    }

    fn arrive(&mut self) {
        let now = self.now_ns;
        let mut there: Vec<_> =
            self.on_their_way.extract_if(.., |reading| reading.arrives_ns <= now).collect();
        there.sort_by_key(|reading| reading.at_ns);
        there.into_iter().for_each(|reading| self.take(reading));
    }

    /// Notes what is known at the last commit, before more becomes known.
    pub(super) fn note_commit(&mut self) {
        let token = self.service().token;
        if self.asked.last().is_none_or(|&(noted, _)| noted < token) {
            self.asked.push((token, self.known.clone()));
        }
    }

    fn take(&mut self, reading: OnItsWay) {
        self.note_commit();
        let now = self.mono();
        let at = Mono::from_nanos(reading.at_ns - self.power.origin_ns);
        let seen = Reading { at, seen: reading.seen, ..Reading::of(at, Irradiance::ZERO) };
        self.service().on_sensor(now, SensorId(reading.sensor as u16), SensorEvent::Reading(seen));
        let w_m2 = reading.seen.lowest().w_m2();
        self.known.readings[reading.sensor].push((reading.at_ns, w_m2));
    }

    /// A reading that comes again.
    pub(super) fn stray(&mut self) {
        let sensor = self.chance.below(2) as usize;
        let now = self.mono();
        let last = self.service().rig.sensor(SensorId(sensor as u16)).and_then(|view| view.knot);
        if let Some(knot) = last {
            let reading = Reading::of(knot.at, Irradiance::from_w_m2(BRIGHTEST));
            self.service().on_sensor(now, SensorId(sensor as u16), SensorEvent::Reading(reading));
        }
    }

    pub(super) fn silence(&mut self) {
        let sensor = self.chance.below(2) as usize;
        let most = [8.0, 8.0, 8.0, 60.0][self.chance.below(4) as usize];
        let periods = self.chance.between(0.5, most);
        self.tell(format!("{} falls silent for {periods:.1} periods", SENSORS[sensor]));
        self.silent_until[sensor] = self.now_ns + (periods * PERIOD as f64) as i64;
        let now = self.mono();
        let fault = SensorEvent::Fault(SensorFault::SettingsLost { address: 0x74 });
        self.service().on_sensor(now, SensorId(sensor as u16), fault);
    }

    pub(super) fn spoil_disk(&mut self) {
        self.is_full = !self.is_full;
        self.disk.set_full(self.is_full);
        self.tell(if self.is_full { "the disk is full" } else { "the disk has room" });
    }

    /// Puts the wall clock of a boot somewhere.
    fn choose_wall(&mut self) {
        self.power.synchronised = self.chance.percent(if self.is_stormy { 35 } else { 60 });
        self.power.error_ms = if self.power.synchronised { 0 } else { self.wrong_ms() };
    }

    /// Seconds to decades, into the past as far as 1970.
    fn wrong_ms(&mut self) -> i64 {
        match self.chance.below(4) {
            0 => -Self::true_ms(self.now_ns),
            1 => self.chance.between(-5e3, 5e3) as i64,
            2 => self.chance.between(-1e8, 1e8) as i64,
            _ => self.chance.between(-1.5e12, 1.5e12) as i64,
        }
    }

    pub(super) fn set_wall(&mut self) {
        if self.power.synchronised && self.chance.percent(50) {
            // The network is gone, and somebody set the clock by hand.
            self.power.synchronised = false;
            self.power.error_ms = self.wrong_ms();
        } else if self.chance.percent(60) {
            (self.power.synchronised, self.power.error_ms) = (true, 0);
        } else if !self.power.synchronised {
            self.power.error_ms = self.wrong_ms();
        }
        self.tell(format!(
            "the wall is {} ms off, synchronised {}",
            self.power.error_ms, self.power.synchronised
        ));
        self.note_commit();
        let (now, wall) = (self.mono(), self.wall());
        self.service().on_wall(now, wall);
        self.known.synchronised |= wall.synchronised;
    }

    pub(super) fn turn_broker(&mut self) {
        if !self.broker.up {
            self.broker.last_away_ns = self.now_ns;
            return;
        }
        self.check_calls_have_come();
        let now = self.mono();
        match self.broker.under_way.take() {
            None => {
                let outbox = &mut self.service().outbox;
                let Some(next) = outbox.next_to_send() else { return };
                outbox.sent();
                let (Topic::OfRig(topic), Delivery::Reported(id)) = (next.topic, next.delivery) else {
                    panic!("a signal without its id");
                };
                self.broker.under_way = Some((topic, id));
            }
            Some((topic, id)) if self.chance.percent(70) => {
                self.broker.got.push((topic, id.clone()));
                self.service().on_link(now, LinkEvent::Delivered(id));
            }
            Some((_, id)) if self.chance.percent(5) => {
                self.broker.refused.insert(id.clone());
                self.service().on_link(now, LinkEvent::Refused(id, "quota".into()));
            }
            waiting => self.broker.under_way = waiting,
        }
    }

    pub(super) fn switch_broker(&mut self) {
        let now = self.mono();
        self.lose_what_is_under_way();
        self.broker.up = !self.broker.up;
        self.tell(if self.broker.up { "the broker is there" } else { "the broker is gone" });
        let event = if self.broker.up { LinkEvent::Up } else { LinkEvent::Down("gone".into()) };
        self.service().on_link(now, event);
    }

    /// It may have arrived, but nobody is told.
    fn lose_what_is_under_way(&mut self) {
        if let Some(lost) = self.broker.under_way.take()
            && self.chance.percent(50)
        {
            self.broker.got.push(lost);
        }
    }

    /// Lets the record be read for what was asked. Made-up time stands still meanwhile.
    pub(super) fn look_up(&mut self) {
        let now = self.mono();
        let service = self.service.as_mut().unwrap();
        while service.awaits_record() {
            let found = self.runtime.block_on(service.found()).unwrap();
            service.on_found(now, found);
        }
    }

    /// Whether what is asked of the ledger is going to be done.
    pub(super) fn can_commit(&self) -> bool {
        !self.disk.is_gone()
    }

    /// Everything the ledger was asked for is done, or failed.
    pub(super) fn settle(&mut self) {
        self.note_commit();
        while self.service().awaits_ledger() {
            let Some(event) = self.events.blocking_recv() else { return };
            let in_trouble = matches!(event, LedgerEvent::Trouble(..));
            if let LedgerEvent::Committed(token) = event {
                self.make_safe(token);
            }
            let now = self.mono();
            self.service().on_ledger(now, event);
            self.hear_answers(in_trouble);
        }
        self.hear_answers(false);
        assert!(self.promised.is_empty(), "everything is answered once the ledger is done");
    }

    /// What is done is acknowledged, with a warning if it is in memory only.
    fn hear_answers(&mut self, in_trouble: bool) {
        self.promised.retain_mut(|(answer, good)| {
            let Ok(answer) = answer.try_recv() else { return true };
            assert_eq!(answer["ok"], *good, "{answer}");
            let warned = answer["warning"].as_str().is_some_and(|warning| warning.contains("in memory only"));
            assert!(!*good || warned == in_trouble, "{answer}");
            false
        });
    }

    fn make_safe(&mut self, token: u64) {
        let Some((_, known)) = self.asked.extract_if(.., |(asked, _)| *asked <= token).last() else { return };
        for (sensor, sky) in self.skies.iter_mut().enumerate() {
            let fresh = self.safe.readings[sensor].len();
            sky.record(known.readings[sensor][fresh..].iter().copied());
        }
        self.safe = known;
        if let Some((_, is_known)) = self.boots.last_mut() {
            *is_known |= self.safe.synchronised;
        }
    }

    /// The process ends, in one of several ways.
    pub(super) fn end_process(&mut self) {
        let now = self.mono();
        match self.chance.below(4) {
            0 => {
                self.tell("the daemon is stopped");
                self.service().commit(now);
                self.settle();
            }
            1 => {
                let commits = self.chance.below(3) as i64;
                self.tell(format!("killed after {commits} more commits"));
                self.disk.dies_after(commits);
                for _ in 0..self.chance.below(3) {
                    self.command();
                }
                self.service().commit(now);
            }
            2 => {
                self.tell("killed with its last commits safe and not told of");
                self.command();
                self.service().commit(now);
                while !matches!(self.events.blocking_recv(), Some(LedgerEvent::Committed(token) | LedgerEvent::Trouble(token, _)) if token == self.service().token)
                {
                }
            }
            _ => self.tell("killed"),
        }
        self.was_killed_when_full |= self.service().ledger_trouble.is_some();
        self.promised.clear();
        self.asked.clear();
        self.on_their_way.clear();
        self.lose_what_is_under_way();
        let service = self.service.take().unwrap();
        service.ledger.die();
        self.is_full = false;
    }

    /// Ends the process, lets time pass and starts it again.
    pub(super) fn restart(&mut self) {
        self.end_process();
        let (file, events) = self.resync();
        self.check_fold(&file, &events, false);
        let boots = self.chance.percent(if self.is_stormy { 80 } else { 50 });
        let (from, to) = [(0.05, 3.0), (0.05, 3.0), (3.0, 60.0), (60.0, 300.0), (300.0, 8000.0)]
            [self.chance.below(5) as usize];
        let seconds = self.chance.between(from, to);
        let seconds = if boots { seconds + 5.0 } else { seconds };
        self.now_ns += (seconds * 1e9) as i64;
        while self.skies[0].next_at() < self.now_ns {
            (0..2).for_each(|sensor| self.shine(sensor));
        }
        if boots {
            self.power.name = format!("boot-{}", self.boots.len());
            self.power.origin_ns = self.now_ns - self.chance.between(1e9, 5e9) as i64;
            self.choose_wall();
        }
        self.tell(format!("{} starts again: {:?}", self.power.name, self.wall()));
        self.act_at = self.act_at.max(self.now_ns);
        self.start();
        self.check_taken_up();
    }

    fn start(&mut self) {
        if self.boots.last().is_none_or(|(power, _)| power.name != self.power.name) {
            self.boots.push((self.power.clone(), self.power.synchronised));
            (self.known.synchronised, self.safe.synchronised) = (false, false);
        }
        let setup = Setup { site: self.site, ..setup(&self.folder) };
        let (tell, events) = mpsc::unbounded_channel();
        let boot = Boot { id: self.power.name.clone(), wall: self.wall() };
        let (ledger, recovered) = Ledger::start(&setup.ledger, &boot, tell).unwrap();
        self.known.synchronised |= self.power.synchronised;
        self.disk = ledger.disk();
        self.events = events;
        // Never polled, it never connects: this world is its own broker.
        let _runtime = self.runtime.enter();
        let (link, _) = mqtt::connect(mqtt::Settings {
            host: "127.0.0.1".into(),
            port: 1,
            tls: None,
            birth: None,
            lights: Vec::new(),
            login: None,
            client_id: recovered.client_id.clone(),
            prefix: mqtt::topics::prefix("yard"),
            keep_alive: KeepAlive::default(),
        });
        let hands = Hands {
            buzzer: Buzzer::open(BuzzerKind::None, &mut MemoryPins::default()).unwrap(),
            relays: Vec::new(),
            lights: Vec::new(),
            link: Some(link),
            hook: None,
            voice: Box::new(|_| ()),
        };
        let service = Service::new(setup, ledger, recovered, hands, self.mono(), self.wall()).unwrap();
        self.service = Some(service);
        self.broker.last_away_ns = self.now_ns;
        if self.broker.up {
            let now = self.mono();
            self.service().on_link(now, LinkEvent::Up);
        }
    }

    /// The end of the day: everything gets well and comes in.
    fn end(&mut self) {
        self.tell("evening");
        self.disk.set_full(false);
        self.is_full = false;
        (self.first_at, self.silent_until) = ([0; 2], [0; 2]);
        if self.chance.percent(70) {
            (self.power.synchronised, self.power.error_ms) = (true, 0);
        }
        self.pass_periods(3);
        for frame in 0..FRAMES.len() {
            self.bring_in(frame);
        }
        self.pass_periods(6);
        // What was told of at the last step waits for the ledger before it goes to the broker.
        self.settle();
        if !self.broker.up {
            self.switch_broker();
        }
        // A refused signal is offered again when the link comes up anew.
        for _ in 0..2 {
            while self.service().outbox.next_to_send().is_some() || self.broker.under_way.is_some() {
                self.turn_broker();
            }
            self.switch_broker();
            self.switch_broker();
        }
        while !self.service().outbox.is_empty() {
            self.turn_broker();
            if self.broker.under_way.is_none() && self.service().outbox.next_to_send().is_none() {
                self.switch_broker();
                self.switch_broker();
            }
        }
        let now = self.mono();
        self.service().commit(now);
        self.settle();
        self.service.take().unwrap().ledger.finish().unwrap();
        self.check_record();
    }

    fn pass_periods(&mut self, periods: i64) {
        self.act_at = i64::MAX;
        let until = self.skies[0].next_at() + periods * PERIOD;
        while self.now_ns < until {
            self.step();
        }
    }
}

impl Drop for World {
    fn drop(&mut self) {
        if self.tells || std::thread::panicking() {
            let from = if self.tells { 0 } else { self.story.len().saturating_sub(30) };
            let mut told = self.story[from..].join("\n");
            told.push_str(&format!("\nFRAMESIDE_SIMULATION={} (step {})\n", self.seed, self.steps));
            let _ = std::io::stderr().write_all(told.as_bytes());
        }
    }
}

/// What the prints of a recipe answer to.
pub(super) fn response(&(_, exponent, reference): &(&str, f64, f64)) -> Response {
    Response::new(exponent, Irradiance::from_w_m2(reference)).unwrap()
}

/// The file of a ledger with the recipes and nothing else. It is made once: to make
/// the tables takes as long as a good part of a day.
fn new_ledger() -> &'static [u8] {
    static FILE: OnceLock<Vec<u8>> = OnceLock::new();
    FILE.get_or_init(|| {
        let folder = TempDir::new().unwrap();
        let path = folder.path().join("ledger.sqlite");
        std::fs::write(&path, "").unwrap();
        let mut notebook = Notebook::open(&path).unwrap();
        for (name, exponent, reference) in RECIPES {
            let facts = Facts { exponent: Some(exponent), reference: Some(reference), ..Facts::default() };
            notebook.keep_recipe(name, 0, &Recipe { facts, ..Recipe::default() }).unwrap();
        }
        drop(notebook);
        std::fs::read(path).unwrap()
    })
}

fn setup(folder: &TempDir) -> Setup {
    let sensor =
        |name: &str| SensorPart { name: name.into(), period_s: 5.0, conversion: serde_json::json!({}) };
    let frame = |&(name, sensor, glass): &(&str, usize, f64)| FramePart {
        name: name.into(),
        label: None,
        sensor: SensorId(sensor as u16),
        glass,
    };
    Setup {
        rig: "yard".into(),
        zone: TimeZone::UTC,
        site: None,
        sources: vec!["sun".into()],
        lamps: Vec::new(),
        switched: Vec::new(),
        discovery: crate::config::Discovery::Off,
        discovery_prefix: String::new(),
        rules: Rules::default(),
        sensors: SENSORS.map(sensor).to_vec(),
        frames: FRAMES.iter().map(frame).collect(),
        ledger: folder.path().join("ledger.sqlite"),
        speed: 1.0,
        boot: String::new(),
    }
}
