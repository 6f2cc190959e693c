//! A whole hour of real light through every chip: what the machine adds up is
//! the integral of what fell. The hours are 10:00 to 11:00 UTC on the days 1 to
//! 15 of the station's month (see `reference.rs`), minute values joined by
//! straight lines.

use std::path::Path;

use frameside_core::chips::emulated::Trouble;
use frameside_core::chips::{Ranging, SensorEvent};
use frameside_core::exposure::{
    Command, Event, EventKind, FrameSetup, Input, Output, Plan, Rig, Rules, SensorSetup,
};
use frameside_core::light::{Estimate, Flags, Response};
use frameside_core::quantity::{Dose, Irradiance, Mono, TargetDose};
use frameside_tests::needs::{STATION_DAYS, station_day};

use super::{Bench, MODELS, Model, PERIOD};

/// Seconds of a minute.
const MINUTE: f64 = 60.0;
/// Seconds at which the print is laid out, 10:00, and brought in, 11:00.
const OUT: std::ops::Range<f64> = 60.0..3660.0;

/// Irradiance in W/m² from 09:59 to 11:01, a value a minute; 09:59 is 0.
#[derive(Clone)]
struct Hour(Vec<f64>);

impl Hour {
    fn of(day: &Path) -> Self {
        let text = std::fs::read_to_string(day).unwrap();
        let minutes: Vec<f64> = text
            .lines()
            .filter(|line| ["T09:59:", "T10:", "T11:00:", "T11:01:"].iter().any(|time| line.contains(time)))
            .map(|line| line.split_once(',').unwrap().1.parse().unwrap())
            .collect();
        assert_eq!(minutes.len(), 63, "{}", day.display());
        Self(minutes)
    }

    fn at(&self, at: Mono) -> Irradiance {
        let minute = (at.seconds() / MINUTE).clamp(0.0, 61.999);
        let (before, share) = (minute.floor() as usize, minute.fract());
        Irradiance::from_w_m2(self.0[before] + share * (self.0[before + 1] - self.0[before]))
    }

    /// The exact integral from 10:00 to 11:00: the trapezoid of the minutes.
    fn dose_j_m2(&self) -> f64 {
        self.0[1..=61].windows(2).map(|pair| (pair[0] + pair[1]) / 2.0 * MINUTE).sum()
    }
}

/// What came of an hour.
struct Outcome {
    dose: Estimate,
    gaps: usize,
    saturated: usize,
    ranges: usize,
    faults: usize,
}

/// A print that lies out for the hour; `trouble` strikes at instants.
fn expose(model: Model, ranging: Ranging, hour: &Hour, trouble: &[(f64, Trouble)]) -> Outcome {
    let light = hour.clone();
    let start = Mono::from_seconds(OUT.start - 5.0);
    let mut bench = Bench::new(model, ranging, Box::new(move |at| light.at(at)), start);
    let mut rig = Rig::new(Rules::default(), start);
    let sensor = rig.add_sensor(SensorSetup { period_s: PERIOD.as_secs_f64(), left_off: None });
    let frame = rig.add_frame(FrameSetup { sensor, glass: 1.0 }).unwrap();
    let mut outcome = Outcome { dose: Estimate::ZERO, gaps: 0, saturated: 0, ranges: 0, faults: 0 };

    let run = |bench: &mut Bench, rig: &mut Rig, until_s: f64, outcome: &mut Outcome| {
        bench.run_until(Mono::from_seconds(until_s), |now, event| match event {
            SensorEvent::Reading(reading) => {
                outcome.saturated += usize::from(reading.seen.is_bound());
                outcome.ranges += usize::from(reading.flags.has(Flags::RANGE_CHANGED));
                rig.handle(now, Input::Reading(sensor, reading)).unwrap();
            }
            SensorEvent::Fault(fault) => {
                outcome.faults += 1;
                rig.handle(now, Input::Fault(sensor, fault)).unwrap();
            }
            SensorEvent::Recovered => {}
        });
    };
    let command = |rig: &mut Rig, at_s: f64, command: Command| {
        rig.handle(Mono::from_seconds(at_s), Input::Command(frame, command)).unwrap();
    };

    run(&mut bench, &mut rig, OUT.start, &mut outcome);
    let plan = Plan::dose(TargetDose::new(Dose::from_j_m2(10e6)).unwrap());
    command(
        &mut rig,
        OUT.start,
        Command::Begin { print: "hour".into(), plan, covered: false, factor: 1.0, response: Response::PLAIN },
    );
    for &(at_s, trouble) in trouble {
        run(&mut bench, &mut rig, at_s, &mut outcome);
        bench.bus.strike(model.address(), trouble);
    }
    run(&mut bench, &mut rig, OUT.end, &mut outcome);
    command(&mut rig, OUT.end, Command::BringIn);
    run(&mut bench, &mut rig, OUT.end + 10.0, &mut outcome);

    let mut last = None;
    while let Some(output) = rig.poll() {
        match output {
            Output::Gap { .. } => outcome.gaps += 1,
            Output::Event(Event { kind: EventKind::BroughtIn, seq, counted, .. }) => {
                last = Some((seq, counted.dose));
            }
            Output::Settled { seq, counted, .. } if last.is_some_and(|(s, _)| s == seq) => {
                last = Some((seq, counted.dose));
            }
            _ => {}
        }
    }
    outcome.dose = last.unwrap().1;
    outcome
}

fn hours() -> Option<Vec<Hour>> {
    STATION_DAYS.map(|day| station_day(day).map(|file| Hour::of(&file))).collect()
}

#[test]
fn a_cloudy_hour_through_every_chip_is_its_integral_within_half_a_percent() {
    let Some(hours) = hours() else { return };
    for model in MODELS {
        for (day, hour) in STATION_DAYS.zip(&hours) {
            let (exact, seen) = (hour.dose_j_m2(), expose(model, Ranging::Free, hour, &[]));
            let off = seen.dose.best.j_m2() / exact - 1.0;
            assert!(off.abs() < 0.005, "{} on day {day}: {} against {exact}", model.name(), seen.dose.best);
            assert_eq!((seen.gaps, seen.saturated, seen.faults), (0, 0, 0), "{} on day {day}", model.name());
            assert_eq!((seen.dose.low, seen.dose.high), (seen.dose.best, seen.dose.best));
        }
    }
}

#[test]
fn some_of_the_hours_go_through_changes_of_range() {
    let Some(hours) = hours() else { return };
    for model in [Model::As7331, MODELS[1], Model::Veml6075] {
        let changes: usize = hours.iter().map(|hour| expose(model, Ranging::Free, hour, &[]).ranges).sum();
        assert!(changes >= hours.len() / 2, "{}: {changes}", model.name());
    }
}

#[test]
fn an_hour_with_faults_lies_between_its_bounds() {
    let Some(hours) = hours() else { return };
    let troubles = [
        (300.3, Trouble::NoAcknowledge { times: 3 }),
        (600.3, Trouble::NoAcknowledge { times: 60 }),
        (1200.3, Trouble::TimeOut { times: 30 }),
        (1800.05, Trouble::BrownOut),
        (2400.3, Trouble::BrownOut),
    ];
    for model in MODELS {
        for (day, hour) in STATION_DAYS.zip(&hours) {
            let (exact, seen) = (hour.dose_j_m2(), expose(model, Ranging::Free, hour, &troubles));
            let what = format!("{} on day {day}: {:?} against {exact}", model.name(), seen.dose);
            assert!(seen.gaps >= 2 && seen.faults >= 2, "{what}: {} gaps, {} faults", seen.gaps, seen.faults);
            let slack = 0.005 * exact;
            assert!(seen.dose.low.j_m2() - slack < exact && exact < seen.dose.high.j_m2() + slack, "{what}");
            assert!(seen.dose.high > seen.dose.low, "{what}");
        }
    }
}

#[test]
fn an_hour_in_a_range_too_fine_lies_between_its_bounds() {
    let Some(hours) = hours() else { return };
    // Gain 128 ends at 27.2 W/m², gain of ±1.024 V at 21.1 W/m².
    for (model, range) in [(Model::As7331, 7), (MODELS[1], 3)] {
        let mut saturated = 0;
        for (day, hour) in STATION_DAYS.zip(&hours) {
            let (exact, seen) = (hour.dose_j_m2(), expose(model, Ranging::Locked(range), hour, &[]));
            let what = format!("{} on day {day}: {:?} against {exact}", model.name(), seen.dose);
            let slack = 0.005 * exact;
            assert!(seen.dose.low.j_m2() - slack < exact && exact < seen.dose.high.j_m2() + slack, "{what}");
            saturated += seen.saturated;
        }
        assert!(saturated > 1000, "{}: {saturated} readings were saturated", model.name());
    }
}
