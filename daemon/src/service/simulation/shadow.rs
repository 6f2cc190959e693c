//! The doses of [`frameside_core::exposure::dose`] beside those in the record: computed from the
//! facts that the record holds, held against what really fell, and compared with the figures
//! that the service kept. Each kind of difference has a cause with a name.

use std::collections::BTreeMap;
use std::sync::Mutex;

use frameside_core::exposure::dose::{Lamps, Sample, Sky, dose};
use frameside_core::exposure::{EventKind, Exposure, Plan, PrintEvent, PrintEventKind, PrintState};
use frameside_core::light::{Estimate, LONGEST_STEP_PERIODS, Response};
use frameside_core::quantity::{Dose, Mono, TargetDose};
use frameside_core::time::{Boot, BootClock, Clocks, Stamp};

use super::record::{File, Kept};
use super::world::{FRAMES, PERIOD, SENSORS, World};

/// Between two boots the wall clock's milliseconds place the light: so much can be off by
/// then, in J/m².
const ROUNDING_J_M2: f64 = 0.1;
/// Figures are the same within this share, and [`ROUNDING_J_M2`].
const SAME: f64 = 2e-5;

/// How often figures differed from those in the record, by cause.
static DIFFERENCES: Mutex<BTreeMap<String, Difference>> = Mutex::new(BTreeMap::new());

/// The differences of one cause.
#[derive(Debug, Clone, Default)]
struct Difference {
    figures: u64,
    /// Bounds closer together than those in the record, and further apart.
    closer: u64,
    wider: u64,
    /// The greatest change of the best figure, in J/m².
    best_j_m2: f64,
    /// Where that was.
    example: String,
    /// How much wider the bounds became at most, in J/m², and where.
    wider_j_m2: f64,
    widest: String,
}

/// What the record holds of one sensor.
struct Facts {
    clocks: Clocks,
    sky: Sky,
    light: Vec<Sample>,
    origins: BTreeMap<Boot, i64>,
}

/// The doses of a print are compared at an instant with and without its exponent.
struct Figures {
    exposure: Exposure,
    kept: [f64; 3],
    fell: f64,
}

impl World {
    /// Holds the doses that the record's facts give against what really fell. At the end of the day
    /// also against the figures in the record, which until then may wait for light or a clock.
    pub(super) fn check_fold(&self, file: &File, events: &BTreeMap<String, Vec<Kept>>, is_over: bool) {
        let clocks: Clocks = file.boots().into_iter().collect();
        let plans = file.plans();
        for (sensor, of_sensor) in SENSORS.iter().enumerate() {
            let sky = Sky::new(self.site());
            let light = light(file, of_sensor);
            let facts = Facts { clocks: clocks.clone(), sky, light, origins: self.origins(file) };
            for (name, events) in events {
                let Some(print) = self.known.prints.get(name) else { continue };
                if FRAMES[print.frame].1 == sensor {
                    self.check_print(&facts, name, events, &plans[name], is_over);
                }
            }
        }
    }

    fn check_print(&self, facts: &Facts, name: &str, events: &[Kept], plan: &[f64], is_over: bool) {
        let print = &self.known.prints[name];
        let (_, sensor, glass) = FRAMES[print.frame];
        let sky = &self.skies[sensor];
        let state = |response| state(events, plan, glass, response);
        let states = [(Response::PLAIN, state(Response::PLAIN)), (print.response, state(print.response))];
        for event in events {
            let at = stamp(event);
            // A call that the service found in a gap over a restart lies before its boot began. That is
            // no instant of that boot's clock.
            if event.at_ns < 0 {
                continue;
            }
            // Until a reading has come a dose is a projection.
            if facts.light.last().is_none_or(|last| last.at < at) {
                continue;
            }
            for (index, (response, state)) in states.iter().enumerate() {
                let exposure = state.exposure();
                let ends = exposure
                    .open
                    .as_slice()
                    .iter()
                    .map(|span| (span.from, span.to.map_or(at, |to| to.min(at))));
                let world = |(from, to): (Stamp, Stamp)| (facts.world_ns(from), facts.world_ns(to));
                let spans = ends.filter(|(from, to)| from < to).map(world);
                let fell = spans.map(|(from, to)| sky.counted_by_readings(from, to, glass, response)).sum();
                let kept = if index == 0 { event.plain } else { event.dose };
                let figures = Figures { exposure: exposure.clone(), kept, fell };
                self.check_figures(facts, name, at, &figures);
                if is_over {
                    self.compare(facts, at, &figures);
                }
            }
        }
    }

    fn check_figures(&self, facts: &Facts, name: &str, at: Stamp, figures: &Figures) {
        let [low, best, high] = facts.dose(&figures.exposure, at);
        assert!(low <= best && best <= high, "{name}: {low} {best} {high}");
        let off = ROUNDING_J_M2 * (1.0 + self.boots.len() as f64);
        let is_within = low - off <= figures.fell && figures.fell <= high + off;
        let is_promised = !self.unpromised.iter().any(|unpromised| *unpromised);
        assert!(
            is_within || !is_promised,
            "{name}: the fold has {low} to {high} J/m² at {at:?}, {} fell; {:?}",
            figures.fell,
            facts.clocks
        );
    }

    /// Notes what differs from the record, and why.
    fn compare(&self, facts: &Facts, at: Stamp, figures: &Figures) {
        let fold = facts.dose(&figures.exposure, at);
        let off = ROUNDING_J_M2 * (1.0 + self.boots.len() as f64);
        let is_same = |(fold, kept): (&f64, &f64)| (fold - kept).abs() <= off + SAME * kept.abs();
        if fold.iter().zip(&figures.kept).all(is_same) {
            return note("none", |_| ());
        }
        let causes = facts.causes(&figures.exposure, at);
        assert!(!causes.is_empty(), "the fold has {fold:?}, the record {:?} at {at:?}", figures.kept);
        let width = |[low, _, high]: [f64; 3]| high - low;
        note(&causes, |difference| {
            let wider = width(fold) - width(figures.kept);
            difference.closer += u64::from(wider < -off);
            difference.wider += u64::from(wider > off);
            let Figures { kept, fell, .. } = figures;
            let here = || format!("day {}: {fell:.1} fell, fold {fold:.1?}, record {kept:.1?}", self.seed());
            let best_j_m2 = (fold[1] - kept[1]).abs();
            if difference.best_j_m2 < best_j_m2 {
                (difference.best_j_m2, difference.example) = (best_j_m2, here());
            }
            if difference.wider_j_m2.max(off) < wider {
                (difference.wider_j_m2, difference.widest) = (wider, here());
            }
        });
    }

    /// The world's time when each boot's clock showed zero.
    fn origins(&self, file: &File) -> BTreeMap<Boot, i64> {
        let names =
            file.rows("SELECT id, kernel FROM boot", [], |row| Ok((row.get(0)?, row.get::<_, String>(1)?)));
        let origin =
            |name: &String| self.boots.iter().find(|(power, _)| power.name == *name).unwrap().0.origin_ns;
        names.iter().map(|(id, name)| (Boot(*id), origin(name))).collect()
    }
}

impl Facts {
    /// The world's time of an instant.
    fn world_ns(&self, stamp: Stamp) -> i64 {
        self.origins[&stamp.boot] + stamp.at.nanos()
    }

    fn dose(&self, exposure: &Exposure, at: Stamp) -> [f64; 3] {
        let Estimate { low, best, high } =
            dose(&self.clocks, &self.sky, &Lamps::default(), &self.light, exposure, at);
        [low, best, high].map(Dose::j_m2)
    }

    /// Why a dose may differ from that in the record.
    fn causes(&self, exposure: &Exposure, at: Stamp) -> String {
        let mut causes: Vec<&str> = Vec::new();
        let mut add =
            |is_one: bool, cause| causes.extend((is_one && !causes.contains(&cause)).then_some(cause));
        let is_open = |from: Stamp, to: Stamp| {
            exposure
                .open
                .as_slice()
                .iter()
                .any(|span| span.from < to && span.to.is_none_or(|end| from < end) && from < at)
        };
        let is_exact =
            |from: Stamp, to: Stamp| from.boot == to.boot || self.clocks.passage(from, to).off.is_empty();
        let begun = exposure.open.as_slice().first().map(|span| span.from);
        if let Some((from, first)) = begun.zip(self.light.first()).filter(|(from, first)| *from < first.at) {
            add(true, "before the first reading");
            add(!is_exact(from, first.at), "outage of unknown length");
        }
        for pair in self.light.windows(2).filter(|pair| is_open(pair[0].at, pair[1].at)) {
            let [a, b] = [pair[0], pair[1]];
            let longest_s = LONGEST_STEP_PERIODS * (PERIOD as f64 / 1e9);
            let is_bound = |sample: Sample| sample.seen.is_some_and(|seen| seen.is_bound());
            add(!is_exact(a.at, b.at), "outage of unknown length");
            add(a.at.boot != b.at.boot && is_exact(a.at, b.at), "outage");
            let is_long = a.at.boot == b.at.boot && b.at.at.seconds_since(a.at.at) > longest_s;
            add(is_long, "gap");
            add(is_bound(a) || is_bound(b), "saturated");
        }
        add(!exposure.response.is_plain(), "exponent");
        causes.sort_unstable();
        causes.join(", ")
    }
}

/// The print as its events in the record make it.
fn state(events: &[Kept], plan: &[f64], glass: f64, response: Response) -> PrintState {
    let target = |j_m2: f64| TargetDose::new(Dose::from_j_m2(j_m2)).unwrap();
    let plan = Plan::try_from(plan.iter().copied().map(target).collect::<Vec<_>>()).unwrap();
    let new = PrintState::new(plan, glass, response);
    events.iter().fold(new, |state, event| {
        let kind = match event.kind {
            EventKind::Begun { covered } => PrintEventKind::Begun { covered },
            EventKind::Covered => PrintEventKind::Covered,
            EventKind::Uncovered => PrintEventKind::Uncovered,
            EventKind::Band { band } => PrintEventKind::Called(band),
            EventKind::Nearly => PrintEventKind::CalledNearly,
            EventKind::Due => PrintEventKind::Called(u16::try_from(state.plan().doses().len()).unwrap()),
            EventKind::Hushed => PrintEventKind::Hushed,
            EventKind::Retargeted { target } => PrintEventKind::Retargeted(TargetDose::new(target).unwrap()),
            EventKind::BroughtIn => PrintEventKind::BroughtIn,
            EventKind::Noted | EventKind::Outage { .. } | EventKind::LampOn | EventKind::LampOff { .. } => {
                return state;
            }
        };
        state.after(&PrintEvent { at: stamp(event), kind })
    })
}

fn stamp(event: &Kept) -> Stamp {
    Stamp::new(Boot(event.boot_row), Mono::from_nanos(event.at_ns))
}

/// The light of a sensor as it is stored.
fn light(file: &File, sensor: &str) -> Vec<Sample> {
    let of = |(boot, sample): (i64, crate::ledger::Sample)| Sample {
        at: Stamp::new(Boot(boot), sample.at),
        seen: Some(sample.seen),
        flags: sample.flags,
        span_s: 0.0,
        period_s: PERIOD as f32 / 1e9,
    };
    file.light(sensor).into_iter().map(of).collect()
}

fn note(cause: &str, change: impl FnOnce(&mut Difference)) {
    let mut differences = DIFFERENCES.lock().unwrap();
    let difference = differences.entry(cause.to_owned()).or_default();
    difference.figures += 1;
    change(difference);
}

/// What was noted of all days, a line for each cause.
pub(super) fn differences() -> String {
    let line = |(cause, d): (&String, &Difference)| {
        let Difference { figures, closer, wider, best_j_m2, example, wider_j_m2, widest } = d;
        format!(
            "{cause}: {figures} figures, {closer} closer, {wider} wider, best by {best_j_m2:.2} J/m² ({example}), \
             wider by {wider_j_m2:.2} J/m² ({widest})\n"
        )
    };
    DIFFERENCES.lock().unwrap().iter().map(line).collect()
}

impl File {
    /// The boots, with the latest instant that anything in the file gives for each.
    fn boots(&self) -> Vec<(Boot, BootClock)> {
        let sql = "SELECT id, offset_ms, synced, max(
                ifnull((SELECT max(at_ns) FROM event WHERE boot = boot.id), 0),
                ifnull((SELECT max(to_ns) FROM light WHERE boot = boot.id), 0),
                ifnull((SELECT max(to_ns) FROM open_light WHERE boot = boot.id), 0)) FROM boot";
        self.rows(sql, [], |row| {
            let wall_ns = row.get::<_, bool>(2)?.then_some(row.get::<_, i64>(1)? * 1_000_000);
            let latest = Mono::from_nanos(row.get(3)?);
            Ok((Boot(row.get(0)?), BootClock { latest, wall_ns, ..BootClock::default() }))
        })
    }

    /// The stored light of a sensor with the number of its boot, in order.
    fn light(&self, sensor: &str) -> Vec<(i64, crate::ledger::Sample)> {
        use crate::ledger::{Codec, decode};
        let sql = "SELECT kept.boot, codec, n, from_ns, samples FROM (
                SELECT sensor, boot, codec, n, from_ns, samples FROM light UNION ALL
                SELECT sensor, boot, codec, n, from_ns, samples FROM open_light) AS kept
            JOIN sensor ON sensor.id = kept.sensor WHERE name = ?1 ORDER BY kept.boot, from_ns";
        let chunks = self.rows(sql, [sensor], |row| {
            let (codec, count) = (Codec::from_number(row.get(1)?).unwrap(), row.get::<_, i64>(2)? as usize);
            let from = Mono::from_nanos(row.get(3)?);
            Ok((row.get::<_, i64>(0)?, decode(codec, count, from, &row.get::<_, Vec<u8>>(4)?).unwrap()))
        });
        let samples = |(boot, samples): (i64, Vec<_>)| samples.into_iter().map(move |sample| (boot, sample));
        chunks.into_iter().flat_map(samples).collect()
    }
}
