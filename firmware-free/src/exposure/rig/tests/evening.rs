//! What the rig says of the sky: when frames will be due, and who is too slow.

use super::*;
use crate::outlook::Place;

/// 2016-06-23T16:30Z at Payerne: the sun is 26° high, and 10° at 18:13.
const EVENING_MS: i64 = 1_466_699_400_000;
/// 2016-06-23T11:00Z.
const NOON_MS: i64 = 1_466_679_600_000;

/// The usual rig under a sky, and the clear sky over it.
fn under_the_sky(unix_ms: i64) -> (Rig, SensorId, Vec<FrameId>, ClearSky) {
    let (mut rig, sensor, frames) = rig(&[1.0, 1.0]);
    let site = Site::flat(Place { latitude: 46.815, longitude: 6.944 });
    let wall = WallAnchor { mono: at(0.0), unix_ms, synchronised: true };
    rig.set_site(site);
    rig.set_wall(wall);
    let mut sky = ClearSky::new(site);
    sky.set_wall(wall);
    (rig, sensor, frames, sky)
}

fn clear(sky: &ClearSky, seconds: f64) -> f64 {
    sky.irradiance(at(seconds)).unwrap().w_m2()
}

#[test]
fn a_print_that_the_evening_will_not_finish_is_told_once_and_early() {
    let (mut rig, sensor, frames, sky) = under_the_sky(EVENING_MS);
    read(&mut rig, sensor, 0.0, 0.3 * clear(&sky, 0.0));
    begin(&mut rig, frames[0], 0.0, Plan::dose(target(60_000.0)));
    begin(&mut rig, frames[1], 0.0, Plan::dose(target(8_000.0)));
    drain(&mut rig);
    let outputs = run(&mut rig, sensor, 0, 3600, |t| 0.3 * clear(&sky, t));
    let slow: Vec<_> = signals(&outputs).into_iter().filter(|s| s.kind.word() == "too-slow").collect();
    assert_eq!(slow.len(), 1, "{slow:?}");
    assert_eq!(slow[0].frame, frames[0]);
    assert!(slow[0].at.seconds() < 600.0, "early enough to act: {:?}", slow[0].at);
    let SignalKind::TooSlow { by_dusk, dusk } = slow[0].kind else { unreachable!() };
    // By steps of a minute over the same light.
    let minutes = (dusk.seconds() / 60.0) as u32;
    let sum: f64 = (0..minutes).map(|m| 0.3 * clear(&sky, 60.0 * f64::from(m) + 30.0) * 60.0).sum();
    assert!((by_dusk.j_m2() / sum - 1.0).abs() < 0.01, "{by_dusk} for {sum}");
    assert!(words(&outputs).contains(&"due"), "the smaller one is done in time");
    let view = rig.view(frames[0], at(3600.0)).unwrap();
    assert!(view.due.is_none() && view.outlook.unwrap().too_slow, "{view:?}");
}

#[test]
fn a_passing_cloud_and_a_lamp_do_not_make_a_frame_too_slow() {
    let (mut rig, sensor, frames, sky) = under_the_sky(EVENING_MS);
    rig.set_sunlit(frames[1], false).unwrap();
    read(&mut rig, sensor, 0.0, clear(&sky, 0.0));
    begin(&mut rig, frames[0], 0.0, Plan::dose(target(60_000.0)));
    begin(&mut rig, frames[1], 0.0, Plan::dose(target(5_000_000.0)));
    drain(&mut rig);
    // Three minutes of deep shade in an hour of clear light.
    let outputs = run(&mut rig, sensor, 0, 1800, |t| {
        clear(&sky, t) * if (900.0..1080.0).contains(&t) { 0.05 } else { 1.0 }
    });
    assert!(!words(&outputs).contains(&"too-slow"), "{:?}", words(&outputs));
    assert_eq!(rig.view(frames[1], at(1800.0)).unwrap().outlook, None);
}

#[test]
fn light_that_is_no_sky_is_not_held_against_it() {
    // Bright light late at night: a lamp that nobody named, or a clock that is wrong.
    let (mut rig, sensor, frames, _) = under_the_sky(NOON_MS + 10 * 3_600_000);
    read(&mut rig, sensor, 0.0, 40.0);
    begin(&mut rig, frames[0], 0.0, Plan::dose(target(60_000.0)));
    let outputs = run(&mut rig, sensor, 0, 900, |_| 40.0);
    assert!(!words(&outputs).contains(&"too-slow"));
    let view = rig.view(frames[0], at(900.0)).unwrap();
    assert_eq!(view.due, Some(at(1500.0)));
    assert!(view.outlook.unwrap().low < view.due && !view.outlook.unwrap().too_slow);
}

#[test]
fn a_new_target_may_be_too_slow_again() {
    let (mut rig, sensor, frames, sky) = under_the_sky(EVENING_MS);
    read(&mut rig, sensor, 0.0, 0.3 * clear(&sky, 0.0));
    begin(&mut rig, frames[0], 0.0, Plan::dose(target(60_000.0)));
    let first = run(&mut rig, sensor, 0, 900, |t| 0.3 * clear(&sky, t));
    tell(&mut rig, frames[0], 900.0, Command::Retarget(target(50_000.0))).unwrap();
    let second = run(&mut rig, sensor, 900, 1800, |t| 0.3 * clear(&sky, t));
    for outputs in [&first, &second] {
        assert_eq!(words(outputs).iter().filter(|word| **word == "too-slow").count(), 1);
    }
}

#[test]
fn nobody_is_too_slow_before_dawn() {
    // 2016-12-22T06:55Z, a quarter of an hour before sunrise.
    let (mut rig, sensor, frames, _) = under_the_sky(1_482_389_700_000);
    read(&mut rig, sensor, 0.0, 0.05);
    begin(&mut rig, frames[0], 0.0, Plan::dose(target(9_000.0)));
    let outputs = run(&mut rig, sensor, 0, 600, |_| 0.05);
    assert!(!words(&outputs).contains(&"too-slow"), "{:?}", words(&outputs));
}

#[test]
fn by_noon_the_view_tells_what_a_clear_sky_would_do() {
    let (mut rig, sensor, frames, sky) = under_the_sky(NOON_MS);
    read(&mut rig, sensor, 0.0, 0.5 * clear(&sky, 0.0));
    // Some minutes before, so that the last hour is known.
    run(&mut rig, sensor, 0, 900, |t| 0.5 * clear(&sky, t));
    begin(&mut rig, frames[0], 900.0, Plan::dose(target(15_000.0)));
    let view = rig.view(frames[0], at(900.0)).unwrap();
    let outlook = view.outlook.unwrap();
    let wait = |at: Option<Mono>| at.unwrap().seconds() - 900.0;
    assert!((wait(view.due) / (15_000.0 / (0.5 * clear(&sky, 1200.0))) - 1.0).abs() < 0.01, "{view:?}");
    assert!((wait(view.due) / wait(outlook.if_clear) - 2.0).abs() < 0.02, "{outlook:?}");
    assert!(outlook.low < view.due && view.due < outlook.high, "{outlook:?}");
    // Twice the amplitude: half of a clear sky is then a quarter.
    rig.set_clear_amplitude(Irradiance::from_w_m2(110.4));
    let twice = rig.view(frames[0], at(900.0)).unwrap().outlook.unwrap();
    assert!((wait(view.due) / wait(twice.if_clear) - 4.0).abs() < 0.05, "{twice:?}");
}

/// The bounds of a minute without readings between two of `w_m2`, in J/m².
fn of_a_silent_minute(unix_ms: i64, sunlit: bool, flags: Flags, w_m2: f64) -> [f64; 3] {
    let (mut rig, sensor, frames, _) = under_the_sky(unix_ms);
    rig.set_sunlit(frames[0], sunlit).unwrap();
    let light = |at| Reading { flags, ..Reading::of(at, Irradiance::from_w_m2(w_m2)) };
    for seconds in [0.0, 60.0, 61.0] {
        rig.handle(at(seconds), Input::Reading(sensor, light(at(seconds)))).unwrap();
        if seconds == 0.0 {
            begin(&mut rig, frames[0], 0.0, Plan::dose(target(60_000.0)));
        }
    }
    let gap = drain(&mut rig).into_iter().find_map(|output| match output {
        Output::Gap { dose, .. } => Some([dose.low, dose.best, dose.high].map(|dose| dose.j_m2())),
        _ => None,
    });
    gap.unwrap().map(|dose: f64| (dose * 1e6).round() / 1e6)
}

#[test]
fn a_print_that_came_in_from_under_a_lamp_is_bounded_by_no_sky() {
    let (mut rig, sensor, frames, _) = under_the_sky(NOON_MS);
    read(&mut rig, sensor, 0.0, 30.0);
    rig.set_sunlit(frames[0], false).unwrap();
    begin(&mut rig, frames[0], 0.0, Plan::dose(target(60_000.0)));
    // The lamp goes out and its sensor with it; the next print lies in the sun.
    tell(&mut rig, frames[0], 1_800.0, Command::BringIn).unwrap();
    rig.set_sunlit(frames[0], true).unwrap();
    begin(&mut rig, frames[0], 1_801.0, Plan::dose(target(60_000.0)));
    drain(&mut rig);
    read(&mut rig, sensor, 1_810.0, 30.0);
    let settled = drain(&mut rig).into_iter().find_map(|output| match output {
        Output::Settled { seq: 1, counted, .. } => Some(counted.dose),
        _ => None,
    });
    assert_eq!(settled.unwrap().low, Dose::ZERO);
}

#[test]
fn a_gap_is_bounded_by_the_sky_only_where_that_is_the_light() {
    const NIGHT_MS: i64 = NOON_MS + 11 * 3_600_000;
    let (sun, plain) = (true, Flags::NONE);
    // The clear sky of noon gives 46.9 W/m²: a tenth of it at least, and 1.2 at most.
    let [low, best, high] = of_a_silent_minute(NOON_MS, sun, plain, 20.0);
    assert!((low / 60.0 - 4.7).abs() < 0.1 && (high / 60.0 - 56.3).abs() < 1.0, "{low} {high}");
    assert!((best - 1200.0).abs() < 1e-6, "{best}");
    // A lamp in the night, told of or not, gives what its readings show.
    for (sunlit, w_m2) in [(false, 40.0), (sun, 40.0), (false, 1.5)] {
        let bounds = of_a_silent_minute(NIGHT_MS, sunlit, plain, w_m2);
        assert_eq!(bounds, [0.0, 60.0 * w_m2, 60.0 * w_m2], "{sunlit} {w_m2}");
    }
    // So does one that is stronger than the sun, or weaker at noon, or another unit.
    for (sunlit, flags, light) in
        [(false, plain, 120.0), (sun, plain, 120.0), (false, plain, 3.0), (sun, Flags::UNCALIBRATED, 3.0)]
    {
        let bounds = of_a_silent_minute(NOON_MS, sunlit, flags, light);
        assert_eq!(bounds, [0.0, 60.0 * light, 60.0 * light], "{sunlit} {flags:?} {light}");
    }
}
