//! Counts that come again: of steady light, and of a chip that is stuck.

use super::*;
use crate::chips::SensorFault;

fn marked(rig: &mut Rig, sensor: SensorId, seconds: f64, w_m2: f64, flags: Flags) {
    let reading = Reading { flags, ..Reading::of(at(seconds), Irradiance::from_w_m2(w_m2)) };
    rig.handle(at(seconds), Input::Reading(sensor, reading)).unwrap();
}

/// Lets the rig do what it wants to do before an instant.
fn pass(rig: &mut Rig, until_s: f64) {
    while let Some(deadline) = rig.next_deadline().filter(|&deadline| deadline < at(until_s)) {
        rig.handle(deadline, Input::Tick).unwrap();
    }
}

fn settled(outputs: &[Output], kind: EventKind) -> [f64; 3] {
    let seq = event(outputs, kind).unwrap().seq;
    let figures = outputs.iter().find_map(|output| match output {
        Output::Settled { seq: settled, counted, .. } if *settled == seq => Some(counted.dose),
        _ => None,
    });
    let dose = figures.unwrap_or_else(|| panic!("not settled: {outputs:?}"));
    [dose.low, dose.best, dose.high].map(Dose::j_m2)
}

#[test]
fn in_steady_light_counts_that_come_again_change_no_dose_and_no_call() {
    // Repeated counts in runs of several lengths, and a reading that ends each.
    let light = [40.0, 40.0, 41.0, 41.0, 41.0, 41.0, 41.0, 39.5, 40.0, 40.0, 40.0, 42.0];
    let live = |is_marked: bool| {
        let (mut rig, sensor, frames) = rig(&[1.0, 0.7]);
        let mut outputs = Vec::new();
        for second in 0..240usize {
            let (before, now) = (light[second.wrapping_sub(1) % light.len()], light[second % light.len()]);
            let is_repeated = is_marked && second > 0 && before == now;
            pass(&mut rig, second as f64);
            marked(
                &mut rig,
                sensor,
                second as f64,
                now,
                if is_repeated { Flags::REPEATED } else { Flags::NONE },
            );
            if second == 0 {
                frames.iter().for_each(|&frame| begin(&mut rig, frame, 0.0, Plan::dose(target(5_432.1))));
            }
            outputs.extend(drain(&mut rig));
        }
        let due: Vec<[f64; 3]> =
            [EventKind::Due, EventKind::Nearly].map(|kind| settled(&outputs, kind)).into_iter().collect();
        let words: Vec<_> = words(&outputs).into_iter().filter(|&word| word != "overdue").collect();
        (words, due, doses(&rig, &frames))
    };
    assert_eq!(live(true), live(false));
}

fn doses(rig: &Rig, frames: &[FrameId]) -> Vec<[f64; 3]> {
    let dose = |&frame: &FrameId| rig.view(frame, at(239.0)).unwrap().dose;
    frames.iter().map(dose).map(|dose| [dose.low, dose.best, dose.high].map(Dose::j_m2)).collect()
}

/// The light falls from 45 to 10 W/m² at 4 s, and the chip goes on giving its last counts.
#[test]
fn the_light_of_a_stuck_chip_is_a_gap_and_what_was_called_in_it_is_not_certain() {
    let (mut rig, sensor, frames) = rig(&[1.0]);
    (0..=3).for_each(|second| read(&mut rig, sensor, f64::from(second), 44.0 + f64::from(second % 2)));
    begin(&mut rig, frames[0], 3.0, Plan::dose(target(600.0)));
    let mut outputs = drain(&mut rig);
    for second in 4..=22 {
        pass(&mut rig, f64::from(second));
        marked(&mut rig, sensor, f64::from(second), 45.0, Flags::REPEATED);
    }
    outputs.extend(drain(&mut rig));
    assert_eq!(words(&outputs), ["begun", "nearly", "due"]);
    assert!(!event(&outputs, EventKind::Due).unwrap().settled);

    rig.handle(at(22.1), Input::Fault(sensor, SensorFault::Stuck { counts: 9 })).unwrap();
    let lost = drain(&mut rig);
    assert_eq!(words(&lost), ["sensor-lost"], "at once: it is known that nothing was seen");
    let dose = rig.view(frames[0], at(22.1)).unwrap().dose;
    assert_eq!((dose.low.j_m2(), dose.high.j_m2() > 190.0), (0.0, true), "{dose:?}");

    marked(&mut rig, sensor, 22.2, 10.0, Flags::ANEW);
    outputs.extend(drain(&mut rig));
    marked(&mut rig, sensor, 23.0, 10.0, Flags::NONE);
    outputs.extend(drain(&mut rig));
    let [low, best, high] = settled(&outputs, EventKind::Due);
    // What really fell by then is 10 W/m² for 12 s, and all that is known is that it was not more than before.
    assert!(low == 0.0 && (120.0..600.0).contains(&best) && high >= 600.0 - 1e-6, "{low} {best} {high}");
    let gap = outputs.iter().find_map(|output| match output {
        Output::Gap { from, to, .. } => Some((*from, *to)),
        _ => None,
    });
    assert_eq!(gap, Some((at(3.0), at(22.2))));
    assert_eq!(words(&outputs).iter().filter(|&&word| word == "due").count(), 1);
}

#[test]
fn a_print_laid_out_and_brought_in_before_a_stuck_chip_was_found_is_settled_after() {
    let (mut rig, sensor, frames) = rig(&[1.0]);
    read(&mut rig, sensor, 0.0, 44.0);
    read(&mut rig, sensor, 1.0, 45.0);
    marked(&mut rig, sensor, 2.0, 45.0, Flags::REPEATED);
    begin(&mut rig, frames[0], 2.5, Plan::dose(target(6_000.0)));
    (3..=10).for_each(|second| marked(&mut rig, sensor, f64::from(second), 45.0, Flags::REPEATED));
    tell(&mut rig, frames[0], 10.5, Command::BringIn).unwrap();
    let mut outputs = drain(&mut rig);
    assert!((event(&outputs, EventKind::BroughtIn).unwrap().counted.dose.best.j_m2() - 360.0).abs() < 1e-9);
    rig.handle(at(20.1), Input::Fault(sensor, SensorFault::Stuck { counts: 9 })).unwrap();
    marked(&mut rig, sensor, 21.0, 0.0, Flags::ANEW);
    outputs.extend(drain(&mut rig));
    let [low, best, high] = settled(&outputs, EventKind::BroughtIn);
    assert!(low == 0.0 && best < 360.0 && high >= 360.0 - 1e-6, "{low} {best} {high}");
}

#[test]
fn a_chip_that_was_set_up_anew_in_a_run_does_not_confirm_it() {
    let (mut rig, sensor, frames) = rig(&[1.0]);
    read(&mut rig, sensor, 0.0, 45.0);
    begin(&mut rig, frames[0], 0.0, Plan::dose(target(6_000.0)));
    (1..=5).for_each(|second| marked(&mut rig, sensor, f64::from(second), 45.0, Flags::REPEATED));
    marked(&mut rig, sensor, 6.0, 5.0, Flags::ANEW);
    let dose = rig.view(frames[0], at(6.0)).unwrap().dose;
    assert_eq!((dose.low.j_m2(), dose.high.j_m2()), (0.0, 270.0));
}
