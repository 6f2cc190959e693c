//! A recorded day through the same machine that runs live.

use std::io::Read;

use frameside_core::exposure::{
    Command, EventKind, FrameId, FrameSetup, Input, Output, Plan, Refused, Rig, Rules, SensorId, SensorSetup,
};
use frameside_core::light::recorded::{Parser, RecordedError, Row};
use frameside_core::light::{Estimate, Flags, Integral, LONGEST_STEP_PERIODS, Reading, Response, Seen};
use frameside_core::quantity::{Irradiance, Mono, TargetDose};

/// What to do with a recorded light.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    /// The dose of each exposure.
    pub target: TargetDose,
    /// How doses are counted.
    pub response: Response,
    /// When exposures begin; none: one at the first sample.
    pub starts: Vec<Start>,
    /// Sees the light as a sensor at this rate would, in Hz.
    pub rate_hz: Option<f64>,
}

/// When exposures begin.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Start {
    /// Once, in nanoseconds since 1970.
    At(i64),
    /// Each day, in nanoseconds after midnight UTC.
    Daily(i64),
    /// At the first sample and again after each so many nanoseconds.
    Every(i64),
}

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Replayed {
    /// Rows, missing samples included.
    pub samples: u64,
    /// Rows without an irradiance.
    pub missing: u64,
    /// From the first to the last row, in seconds.
    pub span_s: f64,
    /// The dose of the whole file.
    pub dose: Estimate,
    /// The exposures, in the order they began.
    pub exposures: Vec<Exposure>,
}

/// One exposure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exposure {
    /// In nanoseconds since 1970.
    pub start_ns: i64,
    /// In nanoseconds since 1970; `None` when it was not reached.
    pub due_ns: Option<i64>,
    /// The dose at that instant, else at the end of the file.
    pub dose: Estimate,
}

/// Why a file could not be replayed.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// It cannot be read.
    #[error("{0}")]
    Read(#[from] std::io::Error),
    /// A line is wrong.
    #[error("{line}: {error}")]
    Line {
        /// Which, counting from 1.
        line: u64,
        /// What is wrong.
        error: RecordedError,
    },
    /// Too many prints out at once.
    #[error("more than {MOST_OPEN} exposures would be out at once; begin fewer or aim at less")]
    TooManyOpen,
    /// No exposure began within the file.
    #[error("no exposure begins within the file; choose --at between its first and last time")]
    NoStart,
    /// No row at all.
    #[error("there is no light in it; it needs at least one row with an irradiance")]
    NoSample,
}

/// Exposures out at once.
const MOST_OPEN: usize = 100_000;
/// Bytes read at a time.
const BLOCK: usize = 256 * 1024;
/// The first rows tell the usual time between samples.
const LOOK_AHEAD: usize = 64;
const DAY_NS: i64 = 86_400_000_000_000;

/// Replays a recorded light. `progress` is told the bytes read so far.
///
/// # Errors
/// [`ReplayError`] for the first thing that is wrong; nothing is computed then.
pub fn replay(
    file: impl Read,
    wanted: &Wanted,
    mut progress: impl FnMut(u64),
) -> Result<Replayed, ReplayError> {
    let mut rows = Rows::of(file);
    let mut replay = Replay::new(wanted);
    while let Some(done) = rows.next_block(&mut |row| replay.row(row))? {
        if replay.too_many {
            return Err(ReplayError::TooManyOpen);
        }
        progress(done);
    }
    replay.finish()
}

/// A file of recorded light, read block by block.
struct Rows<R> {
    file: R,
    parser: Parser,
    block: Vec<u8>,
    done: u64,
}

impl<R: Read> Rows<R> {
    fn of(file: R) -> Self {
        Self { file, parser: Parser::new(), block: vec![0; BLOCK], done: 0 }
    }

    /// Gives the rows of the next block to `take`; returns the bytes read so
    /// far, `None` at the end of the file.
    fn next_block(&mut self, take: &mut impl FnMut(Row)) -> Result<Option<u64>, ReplayError> {
        let got = self.file.read(&mut self.block)?;
        let taken =
            if got == 0 { self.parser.finish(take) } else { self.parser.feed(&self.block[..got], take) };
        taken.map_err(|error| ReplayError::Line { line: self.parser.line().max(1), error })?;
        self.done += got as u64;
        Ok((got > 0).then_some(self.done))
    }
}

/// The median of the times between samples; `None` for fewer than two.
fn usual_step_ns(times_ns: &[i64]) -> Option<i64> {
    let mut steps: Vec<i64> = times_ns.windows(2).map(|pair| pair[1] - pair[0]).collect();
    steps.sort_unstable();
    steps.get(steps.len() / 2).copied()
}

/// The replay under way.
struct Replay<'a> {
    wanted: &'a Wanted,
    /// Rows held back until the usual time between samples is known.
    ahead: Vec<Row>,
    machine: Option<Machine>,
    samples: u64,
    missing: u64,
    first_ns: i64,
    last_ns: i64,
    too_many: bool,
}

impl<'a> Replay<'a> {
    fn new(wanted: &'a Wanted) -> Self {
        Self {
            wanted,
            ahead: Vec::new(),
            machine: None,
            samples: 0,
            missing: 0,
            first_ns: 0,
            last_ns: 0,
            too_many: false,
        }
    }

    fn row(&mut self, row: Row) {
        if self.samples == 0 {
            self.first_ns = row.unix_ns;
        }
        self.samples += 1;
        self.missing += u64::from(row.seen.is_none());
        self.last_ns = row.unix_ns;
        match &mut self.machine {
            Some(machine) => self.too_many |= machine.row(row).is_err(),
            None => {
                self.ahead.push(row);
                if self.ahead.len() > LOOK_AHEAD {
                    self.start();
                }
            }
        }
    }

    /// The rows held back go through the machine that they tell the period of.
    fn start(&mut self) {
        let times_ns: Vec<i64> = self.ahead.iter().map(|row| row.unix_ns).collect();
        let period_ns = usual_step_ns(&times_ns).unwrap_or(1_000_000_000);
        let first_seen = self.ahead.iter().find(|row| row.seen.is_some());
        let opens_ns = first_seen.map_or(self.first_ns, |row| row.unix_ns);
        let mut machine = Machine::new(self.wanted, self.first_ns, opens_ns, period_ns);
        for row in std::mem::take(&mut self.ahead) {
            self.too_many |= machine.row(row).is_err();
        }
        self.machine = Some(machine);
    }

    fn finish(mut self) -> Result<Replayed, ReplayError> {
        if self.samples == 0 {
            return Err(ReplayError::NoSample);
        }
        if self.machine.is_none() {
            self.start();
        }
        if self.too_many {
            return Err(ReplayError::TooManyOpen);
        }
        let began = |machine: &Machine| !machine.exposures.is_empty();
        if !self.machine.as_ref().is_some_and(began) {
            return Err(ReplayError::NoStart);
        }
        let (dose, exposures) = self.machine.map_or((Estimate::ZERO, Vec::new()), Machine::finish);
        Ok(Replayed {
            samples: self.samples,
            missing: self.missing,
            span_s: Mono::from_nanos(self.last_ns)
                .duration_since(Mono::from_nanos(self.first_ns))
                .as_secs_f64(),
            dose,
            exposures,
        })
    }
}

/// The rig with the light before it and the starts that are still to come.
struct Machine {
    rig: Rig,
    sensor: SensorId,
    /// Of the whole file.
    integral: Integral,
    plan: Plan,
    response: Response,
    first_ns: i64,
    upcoming: Vec<Upcoming>,
    /// The earliest of them.
    next_start_ns: i64,
    exposures: Vec<Exposure>,
    /// Which exposure each frame has, if any.
    out: Vec<Option<usize>>,
    free: Vec<FrameId>,
    resampler: Option<Resampler>,
}

/// A start that is still to come, and after how long again.
struct Upcoming {
    at_ns: i64,
    again_ns: Option<i64>,
}

impl Machine {
    fn new(wanted: &Wanted, first_ns: i64, opens_ns: i64, period_ns: i64) -> Self {
        let period_s = wanted.rate_hz.map_or(period_ns as f64 * 1e-9, f64::recip);
        let mut rig = Rig::new(Rules { foresee: false, ..Rules::default() }, Mono::default());
        let sensor = rig.add_sensor(SensorSetup { period_s, left_off: None });
        let mut machine = Self {
            rig,
            sensor,
            integral: Integral::new(period_s).answering(wanted.response, Estimate::ZERO),
            plan: Plan::dose(wanted.target),
            response: wanted.response,
            first_ns,
            upcoming: wanted.starts.iter().map(|&start| Upcoming::new(start, opens_ns)).collect(),
            next_start_ns: i64::MAX,
            exposures: Vec::new(),
            out: Vec::new(),
            free: Vec::new(),
            resampler: wanted.rate_hz.map(|hz| Resampler::new(hz, period_ns)),
        };
        if machine.upcoming.is_empty() {
            machine.upcoming.push(Upcoming { at_ns: opens_ns, again_ns: None });
        }
        // What lies before the file cannot be exposed.
        machine.upcoming.retain(|start| start.at_ns >= first_ns);
        machine.find_next_start();
        machine
    }

    fn row(&mut self, row: Row) -> Result<(), ReplayError> {
        match self.resampler.take() {
            None => self.sample(row),
            Some(mut resampler) => {
                let done = resampler.take(row, |row| self.sample(row));
                self.resampler = Some(resampler);
                done
            }
        }
    }

    fn sample(&mut self, row: Row) -> Result<(), ReplayError> {
        while self.next_start_ns < row.unix_ns {
            self.begin_next()?;
        }
        if let Some(seen) = row.seen {
            self.read(row.unix_ns, seen, row.flags);
        }
        while self.next_start_ns == row.unix_ns {
            self.begin_next()?;
        }
        Ok(())
    }

    fn read(&mut self, unix_ns: i64, seen: Seen, flags: Flags) {
        let at = self.mono(unix_ns);
        let reading = Reading { seen, flags, ..Reading::of(at, seen.lowest()) };
        self.integral.take(at, seen, |_, _| None);
        self.rig.handle(at, Input::Reading(self.sensor, reading)).expect("rows rise in time");
        self.drain();
    }

    fn mono(&self, unix_ns: i64) -> Mono {
        Mono::from_nanos(unix_ns - self.first_ns)
    }

    fn find_next_start(&mut self) {
        self.next_start_ns = self.upcoming.iter().map(|start| start.at_ns).min().unwrap_or(i64::MAX);
    }

    fn begin_next(&mut self) -> Result<(), ReplayError> {
        let start_ns = self.next_start_ns;
        let Some(index) = self.upcoming.iter().position(|start| start.at_ns == start_ns) else {
            return Ok(());
        };
        match self.upcoming[index].again_ns {
            Some(again) => self.upcoming[index].at_ns += again,
            None => {
                self.upcoming.swap_remove(index);
            }
        }
        self.find_next_start();
        let frame = match self.free.pop() {
            Some(frame) => frame,
            None if self.out.len() >= MOST_OPEN => return Err(ReplayError::TooManyOpen),
            None => {
                self.out.push(None);
                let setup = FrameSetup { sensor: self.sensor, glass: 1.0 };
                self.rig.add_frame(setup).expect("the sensor was added first")
            }
        };
        self.out[frame.0 as usize] = Some(self.exposures.len());
        self.exposures.push(Exposure { start_ns, due_ns: None, dose: Estimate::ZERO });
        let (print, plan, response) = ("replayed".into(), self.plan.clone(), self.response);
        let command = Command::Begin { print, plan, covered: false, factor: 1.0, response };
        self.tell(start_ns, frame, command).expect("the frame is free and starts rise in time");
        Ok(())
    }

    fn tell(&mut self, unix_ns: i64, frame: FrameId, command: Command) -> Result<(), Refused> {
        let told = self.rig.handle(self.mono(unix_ns), Input::Command(frame, command));
        self.drain();
        told
    }

    /// Notes what is due and takes it in.
    fn drain(&mut self) {
        while let Some(output) = self.rig.poll() {
            let Output::Event(event) = output else { continue };
            let (EventKind::Due, Some(frame)) = (event.kind, event.frame) else { continue };
            if let Some(index) = self.out[frame.0 as usize].take() {
                self.exposures[index].due_ns = Some(self.first_ns + event.at.nanos());
                self.exposures[index].dose = event.counted.dose;
                let now = self.rig.now();
                let command = Input::Command(frame, Command::BringIn);
                self.rig.handle(now, command).expect("a due print can be brought in");
                self.free.push(frame);
            }
        }
    }

    /// What was reached by the last reading; nothing is told of later.
    fn finish(self) -> (Estimate, Vec<Exposure>) {
        let (last, dose) =
            self.integral.knot().map_or((Mono::default(), Estimate::ZERO), |knot| (knot.at, knot.total));
        let mut exposures = self.exposures;
        for (frame, index) in (0..).zip(&self.out) {
            if let (Some(index), Some(view)) = (index, self.rig.view(FrameId(frame), last)) {
                exposures[*index].dose = view.dose;
            }
        }
        (dose, exposures)
    }
}

impl Upcoming {
    fn new(start: Start, first_ns: i64) -> Self {
        match start {
            Start::At(at_ns) => Self { at_ns, again_ns: None },
            Start::Every(every_ns) => Self { at_ns: first_ns, again_ns: Some(every_ns) },
            Start::Daily(after_midnight_ns) => {
                let today = first_ns - first_ns.rem_euclid(DAY_NS) + after_midnight_ns;
                let at_ns = if today < first_ns { today + DAY_NS } else { today };
                Self { at_ns, again_ns: Some(DAY_NS) }
            }
        }
    }
}

/// The light as a sensor at another rate would see it: straight lines between
/// samples, nothing where a sample is missing.
struct Resampler {
    step_ns: i64,
    longest_ns: i64,
    before: Option<(i64, f64)>,
    next_ns: i64,
}

impl Resampler {
    fn new(hz: f64, period_ns: i64) -> Self {
        Self {
            step_ns: ((1e9 / hz).round() as i64).max(1),
            longest_ns: (period_ns as f64 * LONGEST_STEP_PERIODS) as i64,
            before: None,
            next_ns: i64::MIN,
        }
    }

    fn take(
        &mut self,
        row: Row,
        mut give: impl FnMut(Row) -> Result<(), ReplayError>,
    ) -> Result<(), ReplayError> {
        let Some(seen) = row.seen else { return Ok(()) };
        let (t1, e1) = (row.unix_ns, seen.lowest().w_m2());
        let Some((t0, e0)) = self.before.replace((t1, e1)).filter(|&(t0, _)| t1 - t0 <= self.longest_ns)
        else {
            self.next_ns = t1 + self.step_ns;
            return give(row);
        };
        while self.next_ns <= t1 {
            let share = (self.next_ns - t0) as f64 / (t1 - t0) as f64;
            let light = Irradiance::from_w_m2(e0 + (e1 - e0) * share);
            give(Row { unix_ns: self.next_ns, seen: Some(Seen::Exactly(light)), flags: Flags::NONE })?;
            self.next_ns += self.step_ns;
        }
        Ok(())
    }
}

impl Replayed {
    /// The target was reached by this share of the exposures, and the
    /// shortest and longest of those took so many seconds.
    #[must_use]
    pub fn shortest_and_longest_s(&self) -> Option<(f64, f64)> {
        let seconds = self.exposures.iter().filter_map(Exposure::seconds);
        seconds.fold(None, |range, s| match range {
            None => Some((s, s)),
            Some((least, most)) => Some((f64::min(least, s), f64::max(most, s))),
        })
    }
}

impl Exposure {
    /// How long it took.
    #[must_use]
    pub fn seconds(&self) -> Option<f64> {
        self.due_ns.map(|due| (due - self.start_ns) as f64 * 1e-9)
    }
}

/// The light of a whole file, for playing it before an emulated sensor.
#[derive(Debug, Clone)]
pub struct RecordedLight {
    /// Nanoseconds since 1970 and W/m²; a missing sample is not there.
    samples: Vec<(i64, f64)>,
    longest_ns: i64,
}

impl RecordedLight {
    /// Reads a file.
    ///
    /// # Errors
    /// [`ReplayError`] for the first thing that is wrong.
    pub fn read(file: impl Read) -> Result<Self, ReplayError> {
        let mut rows = Rows::of(file);
        let mut samples: Vec<(i64, f64)> = Vec::new();
        let mut take = |row: Row| samples.extend(row.seen.map(|seen| (row.unix_ns, seen.lowest().w_m2())));
        while rows.next_block(&mut take)?.is_some() {}
        let times_ns: Vec<i64> = samples.iter().map(|&(at, _)| at).collect();
        let longest_ns = (usual_step_ns(&times_ns).unwrap_or(0) as f64 * LONGEST_STEP_PERIODS) as i64;
        if samples.is_empty() { Err(ReplayError::NoSample) } else { Ok(Self { samples, longest_ns }) }
    }

    /// When it begins, in nanoseconds since 1970.
    #[must_use]
    pub fn first_ns(&self) -> i64 {
        self.samples.first().map_or(0, |&(at, _)| at)
    }

    /// From the first sample to the last, in nanoseconds; at least one.
    #[must_use]
    pub fn length_ns(&self) -> i64 {
        self.samples.last().map_or(1, |&(at, _)| (at - self.first_ns()).max(1))
    }

    /// The irradiance at an instant: on the line between two samples, `None`
    /// outside the file and where samples are missing.
    #[must_use]
    pub fn at(&self, unix_ns: i64) -> Option<Irradiance> {
        let after = self.samples.partition_point(|&(at, _)| at <= unix_ns);
        let (t0, e0) = *self.samples.get(after.checked_sub(1)?)?;
        let Some(&(t1, e1)) = self.samples.get(after) else {
            return (t0 == unix_ns).then(|| Irradiance::from_w_m2(e0));
        };
        let share = (unix_ns - t0) as f64 / (t1 - t0) as f64;
        (t1 - t0 <= self.longest_ns).then(|| Irradiance::from_w_m2(e0 + (e1 - e0) * share))
    }
}

#[cfg(test)]
mod tests {
    use std::fmt::Write as _;

    use frameside_core::quantity::Dose;

    use super::*;

    fn wanted(j_m2: f64, starts: &[Start]) -> Wanted {
        let target = TargetDose::new(Dose::from_j_m2(j_m2)).unwrap();
        Wanted { target, response: Response::PLAIN, starts: starts.to_vec(), rate_hz: None }
    }

    /// Minute samples of a light from 2026-06-01T10:00Z.
    fn file(minutes: u32, light: impl Fn(u32) -> Option<f64>) -> String {
        let mut text = String::from("time,irradiance_w_m2\n");
        for m in 0..minutes {
            let value = light(m).map(|e| e.to_string()).unwrap_or_default();
            let _ = writeln!(text, "2026-06-01T{:02}:{:02}:00Z,{value}", 10 + m / 60, m % 60);
        }
        text
    }

    fn run(text: &str, wanted: &Wanted) -> Replayed {
        replay(text.as_bytes(), wanted, |_| ()).unwrap()
    }

    const START: i64 = 1_780_308_000_000_000_000;
    const MINUTE: i64 = 60_000_000_000;

    #[test]
    fn strong_sun_five_minutes_thin_cloud_twenty() {
        // [common practice, no source].
        for (light, seconds) in [(50.0, 300.0), (12.5, 1200.0)] {
            let replayed = run(&file(60, |_| Some(light)), &wanted(15_000.0, &[]));
            assert_eq!(replayed.exposures.len(), 1);
            assert!((replayed.exposures[0].seconds().unwrap() - seconds).abs() < 1e-6);
            assert_eq!((replayed.samples, replayed.missing, replayed.span_s), (60, 0, 3540.0));
            assert!((replayed.dose.best.j_m2() - light * 3540.0).abs() < 1e-6);
        }
    }

    #[test]
    fn overlapping_exposures_equal_single_ones() {
        let text = file(300, |m| Some(20.0 + 15.0 * (f64::from(m) / 9.0).sin()));
        let many = run(&text, &wanted(30_000.0, &[Start::Every(7 * MINUTE + 1_000_000_001)]));
        assert_eq!(many.exposures.len(), 43);
        for exposure in &many.exposures {
            let one = run(&text, &wanted(30_000.0, &[Start::At(exposure.start_ns)]));
            assert_eq!(one.exposures[0].due_ns, exposure.due_ns);
            let (a, b) = (one.exposures[0].dose.best.j_m2(), exposure.dose.best.j_m2());
            assert!((a - b).abs() < 1e-6, "{a} {b}");
        }
        assert!(many.exposures.last().unwrap().due_ns.is_none());
    }

    #[test]
    fn daily_starts_come_each_day() {
        let mut text = String::from("time,irradiance_w_m2\n");
        for day in 1..=3 {
            for hour in 0..24 {
                let _ = writeln!(text, "2026-06-{day:02}T{hour:02}:00:00Z,25");
            }
        }
        let replayed = run(&text, &wanted(9_000.0, &[Start::Daily(10 * 60 * MINUTE)]));
        let starts: Vec<i64> = replayed.exposures.iter().map(|e| (e.start_ns - START) / MINUTE).collect();
        assert_eq!(starts, [0, 1440, 2880]);
        assert!(replayed.exposures.iter().all(|e| (e.seconds().unwrap() - 360.0).abs() < 1e-6));
    }

    #[test]
    fn a_missing_sample_parts_the_bounds() {
        let replayed = run(&file(10, |m| (m != 4).then_some(10.0)), &wanted(4_000.0, &[]));
        assert_eq!(replayed.missing, 1);
        assert!((replayed.dose.best.j_m2() - 5_400.0).abs() < 1e-9);
        assert!((replayed.dose.low.j_m2() - 4_200.0).abs() < 1e-9);
        let exposure = replayed.exposures[0];
        assert!((exposure.dose.low.j_m2() - 2_800.0).abs() < 1e-6, "{exposure:?}");
    }

    #[test]
    fn a_sensor_at_another_rate_sees_the_same_lines() {
        let text = file(60, |m| Some(20.0 + 15.0 * (f64::from(m) / 5.0).sin()));
        let plain = run(&text, &wanted(20_000.0, &[]));
        let fast = run(&text, &Wanted { rate_hz: Some(1.0), ..wanted(20_000.0, &[]) });
        let (a, b) = (plain.exposures[0].seconds().unwrap(), fast.exposures[0].seconds().unwrap());
        assert!((a - b).abs() < 1e-6, "{a} {b}");
        assert_eq!(fast.samples, 60);
    }

    #[test]
    fn recorded_light_is_dark_outside_and_in_gaps() {
        let light = RecordedLight::read(file(10, |m| (m != 4).then_some(f64::from(m))).as_bytes()).unwrap();
        assert_eq!(light.at(START + MINUTE / 2), Some(Irradiance::from_w_m2(0.5)));
        assert_eq!(light.at(START + 9 * MINUTE), Some(Irradiance::from_w_m2(9.0)));
        for at in [START - 1, START + 4 * MINUTE, START + 9 * MINUTE + 1] {
            assert_eq!(light.at(at), None);
        }
    }
}
