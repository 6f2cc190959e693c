//! Prints that answer to the strength of the light as well, beside those that do not.

use super::*;
use crate::exposure::{PendingEvent, Span};

fn response(exponent: f64) -> Response {
    Response::new(exponent, Irradiance::from_w_m2(30.0)).unwrap()
}

fn begin_at(
    rig: &mut Rig,
    frame: FrameId,
    seconds: f64,
    j_m2: f64,
    response: Response,
) -> Result<(), Refused> {
    let (print, plan) = (format!("print-{}", frame.0).into(), Plan::dose(target(j_m2)));
    tell(rig, frame, seconds, Command::Begin { print, plan, covered: false, factor: 1.0, response })
}

/// `30 integral (g E / 30)^p dt` by fine midpoints.
fn by_quadrature(light: impl Fn(f64) -> f64, glass: f64, p: f64, from: f64, to: f64) -> f64 {
    const PIECES: u32 = 400_000;
    let h = (to - from) / f64::from(PIECES);
    (0..PIECES).map(|n| 30.0 * (glass * light(from + (f64::from(n) + 0.5) * h) / 30.0).powf(p) * h).sum()
}

/// Light on straight lines between whole seconds.
fn cloudy(t: f64) -> f64 {
    let at = |second: f64| 28.0 + 22.0 * (second / 9.0).sin() + 4.0 * (second * 1.7).cos();
    at(t.floor()) + (at(t.floor() + 1.0) - at(t.floor())) * t.fract()
}

#[test]
fn a_quarter_of_the_light_takes_as_long_as_the_exponent_says() {
    // By hand: at E_ref/4 the rate is E_ref 4^-p, so 6 kJ/m² take 200 s times 4^p.
    for (p, light, seconds) in
        [(0.5, 7.5, 400.0), (1.0, 7.5, 800.0), (1.5, 7.5, 1600.0), (0.5, 30.0, 200.0), (1.5, 30.0, 200.0)]
    {
        let (mut rig, sensor, frames) = rig(&[1.0]);
        read(&mut rig, sensor, 0.0, light);
        begin_at(&mut rig, frames[0], 0.0, 6_000.0, response(p)).unwrap();
        assert!((rig.view(frames[0], at(0.0)).unwrap().due.unwrap().seconds() - seconds).abs() < 1e-6);
        let outputs = run(&mut rig, sensor, 0, 1700, |_| light);
        let due = event(&outputs, EventKind::Due).unwrap();
        assert!((due.at.seconds() - seconds).abs() < 1e-6, "{p}: {due:?}");
        assert!((due.counted.dose.best.j_m2() - 6_000.0).abs() < 1e-6, "{p}: {due:?}");
        let plain = due.plain.map_or(due.counted.dose, |plain| plain.dose);
        assert!((plain.best.j_m2() - light * seconds).abs() < 1e-6, "{p}: {due:?}");
        let nearly = event(&outputs, EventKind::Nearly).unwrap().at.seconds();
        let expected = (seconds - 60.0).max(0.9 * seconds);
        assert!((nearly - expected).abs() <= 1.0, "{p}: nearly due at {nearly}, not {expected}");
    }
}

#[test]
fn under_clouds_and_glass_it_is_called_at_its_effective_dose() {
    let (p, glass) = (0.8, 0.6);
    let (mut rig, sensor, frames) = rig(&[glass]);
    read(&mut rig, sensor, 0.0, cloudy(0.0));
    begin_at(&mut rig, frames[0], 0.3, 5_000.0, response(p)).unwrap();
    let mut outputs = run(&mut rig, sensor, 0, 150, cloudy);
    tell(&mut rig, frames[0], 150.25, Command::Cover).unwrap();
    outputs.extend(run(&mut rig, sensor, 150, 180, cloudy));
    tell(&mut rig, frames[0], 180.5, Command::Uncover).unwrap();
    outputs.extend(run(&mut rig, sensor, 180, 600, cloudy));
    let due = event(&outputs, EventKind::Due).unwrap();
    let parts = [(0.3, 150.25), (180.5, due.at.seconds())];
    let fell: f64 = parts.iter().map(|&(from, to)| by_quadrature(cloudy, glass, p, from, to)).sum();
    // Called on the light of the last reading; the record has what it was.
    let settled = outputs.iter().find_map(|output| match output {
        Output::Settled { seq, counted, plain, .. } if *seq == due.seq => Some((*counted, plain.unwrap())),
        _ => None,
    });
    let (counted, plain) = settled.unwrap_or((due.counted, due.plain.unwrap()));
    assert!((counted.dose.best.j_m2() - fell).abs() < 1e-3, "{counted:?}, {fell} fell");
    assert!((fell - 5_000.0).abs() < 25.0, "{fell}");
    let fell: f64 = parts.iter().map(|&(from, to)| by_quadrature(cloudy, glass, 1.0, from, to)).sum();
    assert!((plain.dose.best.j_m2() - fell).abs() < 1e-3, "{plain:?}, {fell} fell");
}

#[test]
fn integrals_come_and_go_with_their_prints() {
    let (mut rig, sensor, frames) = rig(&[1.0; 10]);
    read(&mut rig, sensor, 0.0, 40.0);
    let count = |rig: &Rig| rig.responses(sensor).count();
    begin_at(&mut rig, frames[0], 0.0, 500.0, Response::PLAIN).unwrap();
    assert_eq!(count(&rig), 0);
    for (n, frame) in (1..).zip(&frames[1..9]) {
        begin_at(&mut rig, *frame, 0.5, 500.0, response(1.0 - 0.05 * f64::from(n))).unwrap();
    }
    assert_eq!(count(&rig), MOST_RESPONSES);
    let refused = begin_at(&mut rig, frames[9], 0.5, 500.0, response(0.5));
    assert_eq!(refused, Err(Refused::TooManyResponses));
    assert_eq!(rig.view(frames[9], at(0.5)).unwrap().state, FrameState::Empty);
    // One that is there already has room for any number of prints.
    begin_at(&mut rig, frames[9], 0.5, 500.0, response(0.95)).unwrap();
    read(&mut rig, sensor, 1.0, 40.0);
    tell(&mut rig, frames[2], 1.0, Command::BringIn).unwrap();
    assert_eq!(count(&rig), MOST_RESPONSES - 1, "its figures were final at the reading");
    tell(&mut rig, frames[3], 1.5, Command::BringIn).unwrap();
    let before = rig.view(frames[3], at(1.5)).unwrap().dose;
    assert_eq!(count(&rig), MOST_RESPONSES - 1, "its figures wait");
    read(&mut rig, sensor, 2.0, 40.0);
    assert_eq!(count(&rig), MOST_RESPONSES - 2);
    assert_eq!(rig.view(frames[3], at(9.0)).unwrap().dose, before);
    tell(&mut rig, frames[1], 2.0, Command::BringIn).unwrap();
    assert_eq!(count(&rig), MOST_RESPONSES - 2, "another print counts by it");
}

/// The same light and prints in a rig that is stopped and in one that is not.
#[test]
fn a_restart_changes_no_figure() {
    let answers_to = response(0.7);
    let (mut whole, sensor, frames) = rig(&[0.8]);
    read(&mut whole, sensor, 0.0, cloudy(0.0));
    run(&mut whole, sensor, 0, 10, cloudy);
    begin_at(&mut whole, frames[0], 10.5, 4_000.0, answers_to).unwrap();
    let begun = run(&mut whole, sensor, 10, 100, cloudy);
    let settled = begun.iter().find_map(|output| match output {
        Output::Settled { seq: 0, counted, plain, .. } => {
            Some(Totals { own: counted.total, plain: plain.unwrap().total })
        }
        _ => None,
    });
    let knot = whole.sensor(sensor).unwrap().knot.unwrap();
    let mut again = Rig::new(Rules::default(), at(100.2));
    let left_off = LeftOff { knot, brightest: knot.seen.lowest(), is_cut: false };
    let sensor2 = again.add_sensor(SensorSetup { period_s: 1.0, left_off: Some(left_off) });
    let frame2 = again.add_frame(FrameSetup { sensor: sensor2, glass: 0.8 }).unwrap();
    for (response, total) in whole.responses(sensor) {
        again.resume_response(sensor2, response, total).unwrap();
    }
    let from = Mark { at: at(10.5), totals: settled.unwrap(), settled: true };
    let resumed = Resumed {
        spans: vec![Span { from, to: None }],
        next_seq: 1,
        pending: Vec::<PendingEvent>::new(),
        ..Resumed::new("print-0".into(), Plan::dose(target(4_000.0)), 0.8, answers_to)
    };
    again.resume(frame2, resumed).unwrap();
    let (ours, theirs) = (again.view(frame2, at(100.3)).unwrap(), whole.view(frames[0], at(100.3)).unwrap());
    assert_eq!((ours.dose, ours.plain), (theirs.dose, theirs.plain));
    let ours = run(&mut again, sensor2, 100, 500, cloudy);
    let theirs = run(&mut whole, sensor, 100, 500, cloudy);
    let due = |outputs: &[Output]| event(outputs, EventKind::Due).unwrap().clone();
    assert_eq!((due(&ours).at, due(&ours).counted), (due(&theirs).at, due(&theirs).counted));
    assert_eq!(due(&ours).plain, due(&theirs).plain);
}

#[test]
fn plain_prints_are_not_changed_by_others_beside_them() {
    let lived = |others: bool| {
        let (mut rig, sensor, frames) = rig(&[0.9, 1.0]);
        read(&mut rig, sensor, 0.0, cloudy(0.0));
        begin_at(&mut rig, frames[0], 0.4, 3_000.0, Response::PLAIN).unwrap();
        if others {
            begin_at(&mut rig, frames[1], 0.4, 2_000.0, response(0.6)).unwrap();
        }
        let mut outputs = run(&mut rig, sensor, 0, 300, cloudy);
        outputs.retain(|output| matches!(output, Output::Event(event) if event.frame == Some(frames[0])));
        outputs
    };
    assert_eq!(lived(true), lived(false));
}

proptest! {
    /// Whatever fell in a gap within what the hour before it allows, the effective
    /// dose lies within its bounds.
    #[test]
    fn what_fell_lies_within_the_bounds(
        p in 0.3f64..2.0, glass in 0.3f64..1.2,
        lights in prop::collection::vec(0.0f64..60.0, 8..60),
        unseen in prop::collection::vec(any::<bool>(), 60),
    ) {
        let (mut rig, sensor, frames) = rig(&[glass]);
        read(&mut rig, sensor, 0.0, 60.0);
        begin_at(&mut rig, frames[0], 0.0, 1e6, response(p)).unwrap();
        let mut all = vec![60.0];
        all.extend(&lights);
        let last = all.len() - 1;
        for (second, &light) in all.iter().enumerate().skip(1) {
            if second == last || !unseen[second] {
                read(&mut rig, sensor, second as f64, light);
            }
        }
        let light = |t: f64| {
            let from = (t.floor() as usize).min(last - 1);
            all[from] + (all[from + 1] - all[from]) * (t - from as f64)
        };
        let (answers, end) = (response(p), at(last as f64));
        let fell: f64 = (0..last).map(|s| answers.ramp(light(s as f64), light(s as f64 + 1.0), 1.0)).sum();
        let fell = fell * answers.of_factor(glass);
        let dose = rig.view(frames[0], end).unwrap().dose;
        prop_assert!(dose.low.j_m2() <= fell * (1.0 + 1e-9) && fell <= dose.high.j_m2() * (1.0 + 1e-9), "{dose:?} {fell}");
    }

    #[test]
    fn an_effective_dose_never_falls_and_due_is_called_once(
        p in 0.3f64..2.0, lights in prop::collection::vec(0.0f64..60.0, 40), j_m2 in 10.0f64..900.0,
    ) {
        let (mut rig, sensor, frames) = rig(&[1.0]);
        read(&mut rig, sensor, 0.0, 30.0);
        begin_at(&mut rig, frames[0], 0.0, j_m2, response(p)).unwrap();
        let mut outputs = Vec::new();
        let mut last = Estimate::ZERO;
        for (second, &light) in (1u32..).zip(&lights) {
            outputs.extend(run(&mut rig, sensor, second - 1, second, |_| light));
            let dose = rig.view(frames[0], at(f64::from(second))).unwrap().dose;
            prop_assert!(dose.best >= last.best && dose.low <= dose.best && dose.best <= dose.high);
            last = dose;
        }
        let calls = words(&outputs).iter().filter(|word| **word == "due").count();
        prop_assert!(calls <= 1);
        prop_assert!(calls == 1 || last.best.j_m2() < j_m2 * (1.0 + 1e-9), "{last:?} {j_m2}");
    }
}
