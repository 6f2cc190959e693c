//! `nearly` at long periods.

use super::*;

/// A reading every two minutes of 10 W/m²; what is signalled, and when the rig was called for it.
fn signalled_of(target_j_m2: f64) -> Vec<(&'static str, f64)> {
    let mut rig = Rig::new(Rules::default(), at(0.0));
    let sensor = rig.add_sensor(SensorSetup { period_s: 120.0, left_off: None });
    let frame = rig.add_frame(FrameSetup { sensor, glass: 1.0 }).unwrap();
    read(&mut rig, sensor, 0.0, 10.0);
    begin(&mut rig, frame, 0.0, Plan::dose(target(target_j_m2)));
    let mut heard = Vec::new();
    for reading in 1..=8 {
        let next = at(f64::from(reading) * 120.0);
        while let Some(deadline) = rig.next_deadline().filter(|&deadline| deadline < next) {
            rig.handle(deadline, Input::Tick).unwrap();
            heard.extend(words(&drain(&mut rig)).into_iter().map(|word| (word, deadline.seconds())));
        }
        read(&mut rig, sensor, next.seconds(), 10.0);
        heard.extend(words(&drain(&mut rig)).into_iter().map(|word| (word, next.seconds())));
    }
    heard.retain(|&(word, _)| ["nearly", "due"].contains(&word));
    heard.iter_mut().for_each(|(_, at_s)| *at_s = (*at_s * 10.0).round() / 10.0);
    heard
}

#[test]
fn nearly_comes_a_minute_before_between_readings_too() {
    // Due at 500 s; the readings before are at 360 and 480 s, and 90 % are there at 450 s.
    assert_eq!(signalled_of(5_000.0), [("nearly", 450.0), ("due", 500.0)]);
    // Due at 900 s, 90 % at 810 s: a minute before is later.
    assert_eq!(signalled_of(9_000.0), [("nearly", 840.0), ("due", 900.0)]);
    // Due at 50 s, before any other reading.
    assert_eq!(signalled_of(500.0), [("nearly", 45.0), ("due", 50.0)]);
}

#[test]
fn a_late_tick_that_finds_the_target_reached_gives_no_warning() {
    let mut rig = Rig::new(Rules::default(), at(0.0));
    let sensor = rig.add_sensor(SensorSetup { period_s: 120.0, left_off: None });
    let frame = rig.add_frame(FrameSetup { sensor, glass: 1.0 }).unwrap();
    read(&mut rig, sensor, 0.0, 10.0);
    begin(&mut rig, frame, 0.0, Plan::dose(target(1_000.0)));
    drain(&mut rig);
    rig.handle(at(110.0), Input::Tick).unwrap();
    assert_eq!(words(&drain(&mut rig)), ["due"]);
}
