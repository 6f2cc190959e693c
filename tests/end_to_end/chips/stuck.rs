//! Counts that stand still: a chip that is stuck, and steady light that is not.

use std::time::Duration;

use frameside_core::chips::emulated::{Light, Trouble};
use frameside_core::chips::{Part, Ranging, SensorEvent, SensorFault};
use frameside_core::exposure::{
    Command, EventKind, FrameSetup, Input, Output, Plan, Rig, Rules, SensorSetup, SignalKind,
};
use frameside_core::light::{Estimate, Response};
use frameside_core::quantity::{Dose, Irradiance, Mono, TargetDose};

use super::{Bench, MODELS, Model};

const BRIGHT: f64 = 45.0;

fn noisy() -> impl Iterator<Item = Model> {
    MODELS.into_iter().filter(|model| !matches!(model, Model::Adc(Part::Ads1115 | Part::Ads1015)))
}

fn steady() -> Light {
    Box::new(|_| Irradiance::from_w_m2(BRIGHT))
}

#[test]
fn ten_hours_of_steady_light_are_no_fault_at_any_period() {
    for model in noisy() {
        for (period_s, hours) in [(0.5, 2.0), (1.0, 10.0), (3.0, 10.0), (10.0, 10.0), (60.0, 10.0)] {
            let period = Duration::from_secs_f64(period_s);
            let mut bench = Bench::with_period(period, model, Ranging::Free, steady(), Mono::default());
            let mut readings = 0u32;
            bench.run_until(Mono::from_seconds(hours * 3600.0), |at, event| match event {
                SensorEvent::Reading(_) => readings += 1,
                other => panic!("{} each {period_s} s: {other:?} at {at:?}", model.name()),
            });
            let periods = hours * 3600.0 / period_s;
            assert!(f64::from(readings) > periods - 2.0, "{} each {period_s} s: {readings}", model.name());
        }
    }
}

#[test]
fn a_stuck_chip_is_noticed_within_twenty_seconds_or_three_periods() {
    for model in noisy() {
        for period_s in [0.5, 1.0, 2.0, 3.0, 5.0, 6.5, 10.0, 20.0, 60.0, 600.0] {
            let period = Duration::from_secs_f64(period_s);
            let mut bench = Bench::with_period(period, model, Ranging::Free, steady(), Mono::default());
            let struck = Mono::from_seconds(10.3 * period_s);
            bench.run_until(struck, |_, _| ());
            bench.bus.strike(model.address(), Trouble::Stale);
            let mut noticed = None;
            bench.run_until(struck.plus_seconds(3.0 * period_s + 60.0), |at, event| {
                if matches!(event, SensorEvent::Fault(SensorFault::Stuck { .. })) {
                    noticed.get_or_insert(at.seconds_since(struck));
                }
            });
            let within_s = (3.0 * period_s).max(20.0);
            assert!(
                noticed.is_some_and(|s| s <= within_s),
                "{} each {period_s} s: {noticed:?}",
                model.name()
            );
        }
    }
}

/// The light falls to less than a quarter as the chip gets stuck. A print is called by what it
/// goes on giving, and later nobody can read in its figures that this was certain.
#[test]
fn a_print_called_by_a_stuck_chip_has_a_dose_that_bounds_what_fell() {
    for period_s in [1.0, 10.0] {
        let stuck_at = 5.5 * period_s;
        let light: Light =
            Box::new(move |at| Irradiance::from_w_m2(if at.seconds() < stuck_at { BRIGHT } else { 10.0 }));
        let period = Duration::from_secs_f64(period_s);
        let mut bench = Bench::with_period(period, Model::As7331, Ranging::Free, light, Mono::default());
        let mut rig = Rig::new(Rules::default(), Mono::default());
        let sensor = rig.add_sensor(SensorSetup { period_s, left_off: None });
        let frame = rig.add_frame(FrameSetup { sensor, glass: 1.0 }).unwrap();
        let mut outputs: Vec<Output> = Vec::new();
        let run = |bench: &mut Bench, rig: &mut Rig, outputs: &mut Vec<Output>, until_s: f64| {
            bench.run_until(Mono::from_seconds(until_s), |now, event| {
                while let Some(deadline) = rig.next_deadline().filter(|&deadline| deadline < now) {
                    rig.handle(deadline, Input::Tick).unwrap();
                }
                let input = match event {
                    SensorEvent::Reading(reading) => Input::Reading(sensor, reading),
                    SensorEvent::Fault(fault) => Input::Fault(sensor, fault),
                    SensorEvent::Recovered => return,
                };
                rig.handle(now, input).unwrap();
                outputs.extend(std::iter::from_fn(|| rig.poll()));
            });
        };
        run(&mut bench, &mut rig, &mut outputs, 4.5 * period_s);
        let target = TargetDose::new(Dose::from_j_m2(BRIGHT * (period_s + 10.0))).unwrap();
        let begin = Command::Begin {
            print: "oak".into(),
            plan: Plan::dose(target),
            covered: false,
            factor: 1.0,
            response: Response::PLAIN,
        };
        rig.handle(Mono::from_seconds(4.5 * period_s), Input::Command(frame, begin)).unwrap();
        run(&mut bench, &mut rig, &mut outputs, stuck_at);
        bench.bus.strike(Model::As7331.address(), Trouble::Stale);
        let end_s = stuck_at + 3.0 * period_s + 60.0;
        run(&mut bench, &mut rig, &mut outputs, end_s);
        outputs.extend(std::iter::from_fn(|| rig.poll()));

        let due = outputs.iter().find_map(|output| match output {
            Output::Event(event) if event.kind == EventKind::Due => Some((event.seq, event.at)),
            _ => None,
        });
        let (seq, at) = due.expect("it is called by what the stuck chip gives");
        let settled = outputs.iter().find_map(|output| match output {
            Output::Settled { seq: settled, counted, .. } if *settled == seq => Some(counted.dose),
            _ => None,
        });
        let Estimate { low, high, .. } = settled.expect("the light after the gap settles it");
        let fell = BRIGHT * period_s + 10.0 * at.seconds_since(Mono::from_seconds(stuck_at));
        let bounds = low.j_m2() * 0.99..high.j_m2() * 1.01;
        assert!(bounds.contains(&fell), "each {period_s} s: {fell} fell, {bounds:?} are told");
        assert!(low.j_m2() < target.dose().j_m2() * 0.6, "{low}");
        let is_lost = |output: &Output| matches!(output, Output::Signal(signal) if matches!(signal.kind, SignalKind::SensorLost { .. }));
        assert!(outputs.iter().any(is_lost));
        let dose = rig.view(frame, Mono::from_seconds(end_s)).unwrap().dose;
        let fell = BRIGHT * period_s + 10.0 * (end_s - stuck_at);
        let bounds = dose.low.j_m2() * 0.99..dose.high.j_m2() * 1.01;
        assert!(bounds.contains(&fell), "each {period_s} s: {fell} fell, {bounds:?} are told");
    }
}
