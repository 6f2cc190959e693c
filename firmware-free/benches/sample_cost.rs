//! What a reading costs with one frame and with a thousand under one sensor.
//!
//! `cargo bench -p frameside-core --bench sample_cost`
//!
//! The design asks for less than 1.2 times the cost. A third rig has all its frames at
//! an exponent, for which each reading goes into a second integral. Chunks of readings of
//! both alternate, so that whatever else the machine does falls on both; medians
//! are printed. The same for the running doses of `exposure::dose`, which the rig is to use.

#![expect(clippy::disallowed_methods, clippy::disallowed_types, reason = "a bench tells the time")]
#![expect(clippy::print_stdout, reason = "a bench prints what it measured")]

use std::hint::black_box;
use std::time::Instant;

use frameside_core::exposure::dose::{Facts, Lamps, Live, PrintKey, Rounding, Sky};
use frameside_core::exposure::{
    Command, Exposure, FrameSetup, Input, OpenSpans, Output, Plan, PrintId, Rig, Rules, SensorId, SensorSetup,
};
use frameside_core::light::{Reading, Response};
use frameside_core::quantity::{Dose, Irradiance, Mono, TargetDose};
use frameside_core::time::{Boot, Clocks, Stamp};

/// So few that a chunk seldom holds a switch to another process.
const READINGS_A_CHUNK: u32 = 1_000;
const CHUNKS: usize = 2_001;

/// A rig whose frames all expose and are not due within the readings.
struct Exposing {
    rig: Rig,
    sensor: SensorId,
    second: u32,
}

impl Exposing {
    fn new(frames: u32, response: Response) -> Self {
        let start = Mono::from_seconds(0.0);
        let mut rig = Rig::new(Rules::default(), start);
        let sensor = rig.add_sensor(SensorSetup { period_s: 1.0, left_off: None });
        for n in 0..frames {
            let frame = rig.add_frame(FrameSetup { sensor, glass: 1.0 }).expect("the sensor was added");
            let target = Dose::from_j_m2(98e6 + f64::from(n));
            let plan = Plan::dose(TargetDose::new(target).expect("the target is under the limit"));
            let begin =
                Command::Begin { print: PrintId::from("p"), plan, covered: false, factor: 1.0, response };
            rig.handle(start, Input::Command(frame, begin)).expect("the frame is free");
        }
        Self { rig, sensor, second: 0 }
    }

    /// Takes a chunk of readings; nanoseconds each.
    fn chunk(&mut self) -> f64 {
        let started = Instant::now();
        for _ in 0..READINGS_A_CHUNK {
            self.second += 1;
            // Between 30 and 50 W/m2, never twice the same in a row.
            let light = Irradiance::from_w_m2(30.0 + f64::from(self.second % 3 * 10));
            let reading = Reading::of(Mono::from_seconds(f64::from(self.second)), light);
            self.rig.handle(reading.at, Input::Reading(self.sensor, reading)).expect("time goes on");
            while let Some(output) = self.rig.poll() {
                black_box::<Output>(output);
            }
        }
        started.elapsed().as_nanos() as f64 / f64::from(READINGS_A_CHUNK)
    }
}

/// Running doses of prints that are all open.
struct Running {
    live: Live,
    rounding: Rounding,
    clocks: Clocks,
    second: u32,
}

impl Running {
    fn new(prints: u64, response: Response) -> Self {
        let mut live = Live::default();
        for key in (0..prints).map(PrintKey) {
            live.begin(key, &Exposure { open: OpenSpans::default(), glass: 1.0, response });
            live.uncover(key, Stamp::new(Boot(1), Mono::default()));
        }
        Self { live, rounding: Rounding::default(), clocks: Clocks::default(), second: 0 }
    }

    /// Takes a chunk of readings; nanoseconds each.
    fn chunk(&mut self) -> f64 {
        let (sky, lamps) = (Sky::default(), Lamps::default());
        let facts = Facts { clocks: &self.clocks, sky: &sky, lamps: &lamps };
        let started = Instant::now();
        for _ in 0..READINGS_A_CHUNK {
            self.second += 1;
            let light = Irradiance::from_w_m2(30.0 + f64::from(self.second % 3 * 10));
            let reading = Reading::of(Mono::from_seconds(f64::from(self.second)), light);
            let sample = self.rounding.sample(Boot(1), &reading, 1.0);
            self.live.take(facts, black_box(&sample)).expect("time goes on");
        }
        started.elapsed().as_nanos() as f64 / f64::from(READINGS_A_CHUNK)
    }
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn main() {
    let other = Response::new(0.85, Irradiance::from_w_m2(30.0)).expect("an exponent within range");
    let rig = |(frames, response)| Exposing::new(frames, response);
    let mut rigs = [(1, Response::PLAIN), (1_000, Response::PLAIN), (1_000, other)].map(rig);
    // The first readings settle what began before them.
    rigs.iter_mut().for_each(|rig| {
        rig.chunk();
    });
    let mut costs = [Vec::new(), Vec::new(), Vec::new()];
    for _ in 0..CHUNKS {
        rigs.iter_mut().zip(&mut costs).for_each(|(rig, costs)| costs.push(rig.chunk()));
    }
    let [one, thousand, at_exponent] = costs.map(median);
    println!("a reading with     1 frame exposing:  {one:6.1} ns");
    println!("a reading with 1,000 frames exposing: {thousand:6.1} ns");
    println!("ratio: {:.3}", thousand / one);
    println!("a reading with 1,000 frames at an exponent: {at_exponent:6.1} ns");

    let running = |(prints, response)| Running::new(prints, response);
    let mut running = [(1, Response::PLAIN), (1_000, Response::PLAIN), (1_000, other)].map(running);
    running.iter_mut().for_each(|running| {
        running.chunk();
    });
    let mut costs = [Vec::new(), Vec::new(), Vec::new()];
    for _ in 0..CHUNKS {
        running.iter_mut().zip(&mut costs).for_each(|(running, costs)| costs.push(running.chunk()));
    }
    let [one, thousand, at_exponent] = costs.map(median);
    println!("the running dose of     1 print, a reading:  {one:6.1} ns");
    println!("the running dose of 1,000 prints, a reading: {thousand:6.1} ns");
    println!("ratio: {:.3}", thousand / one);
    println!("1,000 prints at an exponent: {at_exponent:6.1} ns");
}
