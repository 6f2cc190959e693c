use proptest::prelude::*;

use super::*;
use crate::exposure::{Plan, PrintEvent, PrintEventKind, PrintState};
use crate::light::{Flags, Response, Seen};
use crate::outlook::{Place, Site};
use crate::quantity::{Dose, Irradiance, Mono, TargetDose};
use crate::time::{Boot, BootClock};

/// 2016-06-23T11:34Z, when a clear sky gives 47.1 W/m² at Payerne (see `outlook`).
const NOON_NS: i64 = 1_466_681_640_000_000_000;

fn at(seconds: f64) -> Stamp {
    in_boot(1, seconds)
}

fn in_boot(boot: i64, seconds: f64) -> Stamp {
    Stamp::new(Boot(boot), Mono::from_seconds(seconds))
}

fn w_m2(value: f64) -> Irradiance {
    Irradiance::from_w_m2(value)
}

fn exactly(at: Stamp, value: f64) -> Sample {
    Sample { seen: Some(Seen::Exactly(w_m2(value))), ..Sample::lost(at) }
}

fn at_least(at: Stamp, value: f64) -> Sample {
    Sample { seen: Some(Seen::AtLeast(w_m2(value))), ..Sample::lost(at) }
}

/// Steady light each second of some seconds.
fn steady(seconds: std::ops::RangeInclusive<u32>, value: f64) -> impl Iterator<Item = Sample> {
    seconds.map(move |second| exactly(at(f64::from(second)), value))
}

fn boots(clocks: &[(i64, f64, Option<i64>)]) -> Clocks {
    let boot = |&(number, latest_s, wall_ns): &(i64, f64, Option<i64>)| {
        (Boot(number), BootClock { latest: Mono::from_seconds(latest_s), wall_ns, ..BootClock::default() })
    };
    clocks.iter().map(boot).collect()
}

fn payerne() -> Sky {
    Sky::new(Some(Site::flat(Place { latitude: 46.815, longitude: 6.944 })))
}

/// What a day and a place would say.
#[derive(Default)]
struct World {
    clocks: Clocks,
    sky: Sky,
    lamps: Lamps,
}

impl World {
    fn facts(&self) -> Facts<'_> {
        Facts { clocks: &self.clocks, sky: &self.sky, lamps: &self.lamps }
    }

    /// Low, best and high.
    fn dose(&self, light: &[Sample], exposure: &Exposure, at: Stamp) -> [f64; 3] {
        figures(dose(&self.clocks, &self.sky, &self.lamps, light, exposure, at))
    }
}

fn figures(Estimate { low, best, high }: Estimate) -> [f64; 3] {
    [low, best, high].map(|dose| dose.j_m2())
}

fn exposure(spans: &[(Stamp, Option<Stamp>)]) -> Exposure {
    exposure_of(spans, 1.0, Response::PLAIN)
}

fn exposure_of(spans: &[(Stamp, Option<Stamp>)], glass: f64, response: Response) -> Exposure {
    let plan = Plan::dose(TargetDose::new(Dose::from_j_m2(1000.0)).unwrap());
    let begun = PrintEvent { at: spans[0].0, kind: PrintEventKind::Begun { covered: true } };
    let mut print = PrintState::new(plan, glass, response).after(&begun);
    for &(from, to) in spans {
        print = print.after(&PrintEvent { at: from, kind: PrintEventKind::Uncovered });
        if let Some(to) = to {
            print = print.after(&PrintEvent { at: to, kind: PrintEventKind::Covered });
        }
    }
    print.exposure().clone()
}

fn assert_near(got: [f64; 3], expected: [f64; 3]) {
    let is_near = |(got, expected): (&f64, &f64)| {
        got == expected || (got - expected).abs() < 1e-9 * (1.0 + expected.abs())
    };
    assert!(got.iter().zip(&expected).all(is_near), "{got:?}, expected {expected:?}");
}

#[test]
fn light_that_was_seen_is_the_trapezoid_on_its_instants() {
    let world = World::default();
    let light = [exactly(at(0.0), 20.0), exactly(at(1.0), 40.0), exactly(at(2.5), 10.0)];
    let open = exposure(&[(at(0.0), None)]);
    assert_near(world.dose(&light, &open, at(2.5)), [67.5; 3]);
    // Within a step along its line: 20 rising to 30, then 40 falling to 20.
    assert_near(world.dose(&light, &open, at(0.5)), [12.5; 3]);
    let part = exposure(&[(at(0.5), Some(at(2.0)))]);
    assert_near(world.dose(&light, &part, at(2.5)), [17.5 + 30.0; 3]);
    // Two spans in one step.
    let two = exposure(&[(at(0.0), Some(at(0.25))), (at(0.5), Some(at(0.75)))]);
    assert_near(world.dose(&light, &two, at(9.0)), [0.25 * 22.5 + 0.25 * 32.5; 3]);
    // Before it was uncovered, and without light at all.
    assert_near(world.dose(&light, &part, at(0.25)), [0.0; 3]);
    assert_near(world.dose(&light, &exposure(&[(at(2.0), None)]), at(2.0)), [0.0; 3]);
    // Behind a glass.
    let glass = exposure_of(&[(at(0.0), None)], 0.8, Response::PLAIN);
    assert_near(world.dose(&light, &glass, at(2.5)), [54.0; 3]);
}

#[test]
fn the_last_light_is_held_for_one_and_a_half_periods() {
    let world = World::default();
    let light: Vec<Sample> = steady(0..=10, 40.0).collect();
    let open = exposure(&[(at(0.0), None)]);
    assert_near(world.dose(&light, &open, at(11.5)), [460.0; 3]);
    // Beyond that it is a gap since the last reading.
    assert_near(world.dose(&light, &open, at(12.0)), [400.0, 460.0, 480.0]);
    assert_near(world.dose(&light, &open, at(60.0)), [400.0, 460.0, 2400.0]);
    // Uncovered while nothing is seen.
    let late = exposure(&[(at(30.0), None)]);
    assert_near(world.dose(&light, &late, at(60.0)), [0.0, 0.0, 1200.0]);
    let late = exposure(&[(at(11.0), None)]);
    assert_near(world.dose(&light, &late, at(60.0)), [0.0, 20.0, 49.0 * 40.0]);
}

#[test]
fn a_gap_is_bounded_by_the_brightest_of_the_hour_before() {
    let world = World::default();
    let mut light: Vec<Sample> = vec![exactly(at(0.0), 50.0)];
    light.extend(steady(1..=1000, 20.0));
    light.push(exactly(at(1100.0), 10.0));
    let open = exposure(&[(at(990.0), None)]);
    // 10 s of 20 W/m², then 100 s on a line from 20 to 10.
    assert_near(world.dose(&light, &open, at(1100.0)), [200.0, 1700.0, 200.0 + 5000.0]);
    // Just over, and just within, one and a half periods.
    light[1001].at = at(1001.51);
    assert_near(world.dose(&light, &open, at(1001.51)), [200.0, 200.0 + 15.0 * 1.51, 200.0 + 50.0 * 1.51]);
    light[1001].at = at(1001.5);
    assert_near(world.dose(&light, &open, at(1001.5)), [222.5; 3]);
    // A part of it along its line: from 17.5 to 12.5.
    light[1001].at = at(1100.0);
    let part = exposure(&[(at(1025.0), Some(at(1075.0)))]);
    assert_near(world.dose(&light, &part, at(1100.0)), [0.0, 750.0, 2500.0]);
    // The bright light is forgotten after an hour, to the minute.
    let gap_after = |seconds: u32| {
        let mut light = vec![exactly(at(30.0), 50.0)];
        light.extend(steady(31..=seconds, 20.0));
        light.push(exactly(at(f64::from(seconds) + 100.0), 10.0));
        let open = exposure(&[(at(f64::from(seconds)), None)]);
        world.dose(&light, &open, at(f64::from(seconds) + 100.0))[2]
    };
    assert_eq!((gap_after(3660), gap_after(3661)), (5000.0, 2000.0));
}

#[test]
fn the_hour_is_that_before_the_last_reading_however_long_ago_that_was() {
    let clocks = boots(&[(1, 1000.0, Some(NOON_NS)), (2, 600.0, Some(NOON_NS + 90_000_000_000_000))]);
    let world = World { clocks, ..World::default() };
    let light = [
        exactly(in_boot(1, 900.0), 50.0),
        exactly(in_boot(1, 901.0), 20.0),
        exactly(in_boot(2, 500.0), 10.0),
    ];
    // Laid out a day later, and a hundred seconds before its sensor sees again.
    let open = exposure(&[(in_boot(2, 400.0), None)]);
    let [low, _, high] = world.dose(&light, &open, in_boot(2, 500.0));
    assert_eq!((low, high), (0.0, 5000.0));
    let [_, _, high] = world.dose(&light[1..], &open, in_boot(2, 500.0));
    assert_eq!(high, 2000.0);
}

#[test]
fn the_last_reading_leads_to_the_next_over_whatever_was_none() {
    // 20 W/m² an hour and more before, then only a mark of lost light and a reading over a switch.
    let spanning = Sample { span_s: 2.0, ..exactly(at(7300.0), 500.0) };
    let light = [exactly(at(3000.0), 20.0), Sample::lost(at(7200.0)), spanning, exactly(at(7500.0), 10.0)];
    let switched = [(7299.5, Lamp::On), (7299.6, Lamp::Off)];
    let lamps = switched.map(|(seconds, lamp)| LampFact { at: at(seconds), lamp });
    let world = World { lamps: Lamps::new(lamps.to_vec(), None), ..World::default() };
    let open = exposure(&[(at(7150.0), Some(at(7160.0)))]);
    // 10 s at the last light, which is held up to the switch.
    assert_near(world.dose(&light, &open, at(7500.0)), [0.0, 200.0, 10.0 * 85.505]);
    let world = World::default();
    let open = exposure(&[(at(7250.0), Some(at(7260.0)))]);
    let light = [light[0], light[1], light[3]];
    // The line falls from 20 to 10 W/m² in 4,500 s.
    let [low, best, high] = world.dose(&light, &open, at(7500.0));
    assert_near([low, best, high], [0.0, 10.0 * (20.0 - 4255.0 / 450.0), 10.0 * 85.505]);
}

#[test]
fn before_the_first_reading_is_a_gap_however_short() {
    let world = World::default();
    let light = [exactly(at(10.0), 40.0), exactly(at(11.0), 40.0)];
    let open = exposure(&[(at(9.5), None)]);
    assert_near(world.dose(&[], &open, at(9.75)), [0.0, 0.0, 0.25 * 85.505]);
    assert_near(world.dose(&light, &open, at(11.0)), [40.0, 60.0, 40.0 + 0.5 * 85.505]);
    // A sensor whose first reading is above what the sun gives outside the air.
    let bright = [exactly(at(10.0), 100.0)];
    assert_near(world.dose(&bright, &open, at(10.0)), [0.0, 50.0, 60.0]);
}

#[test]
fn saturation_parts_low_and_high() {
    let world = World::default();
    let open = exposure(&[(at(0.0), None)]);
    let light = [exactly(at(0.0), 50.0), at_least(at(1.0), 60.0), exactly(at(2.0), 50.0)];
    // The sun gives 85.505 W/m² outside the air.
    assert_near(world.dose(&light, &open, at(2.0)), [110.0, 110.0, 50.0 + 85.505]);
    assert_near(world.dose(&light, &open, at(1.0)), [55.0, 55.0, 0.5 * (50.0 + 85.505)]);
    // Held.
    assert_near(world.dose(&light[..2], &open, at(2.0)), [115.0, 115.0, 0.5 * (50.0 + 85.505) + 85.505]);
    // In the hour before a gap it counts as the most that it may have been.
    let gap = [light[0], light[1], light[2], exactly(at(102.0), 50.0)];
    assert_near(world.dose(&gap, &open, at(102.0)), [110.0, 5110.0, 135.505 + 8550.5]);
}

#[test]
fn no_line_of_light_leads_over_what_was_lost() {
    let world = World::default();
    let open = exposure(&[(at(0.0), None)]);
    let light =
        [exactly(at(0.0), 40.0), Sample::lost(at(0.5)), exactly(at(1.0), 20.0), exactly(at(2.0), 20.0)];
    // What was lost may have been brighter than all that is left.
    assert_near(world.dose(&light, &open, at(2.0)), [20.0, 50.0, 20.0 + 85.505]);
    assert_near(world.dose(&light[..2], &open, at(0.75)), [0.0, 30.0, 0.75 * 85.505]);
}

#[test]
fn a_response_makes_its_own_of_each_reading() {
    let world = World::default();
    let response = Response::new(0.5, w_m2(25.0)).unwrap();
    // 25 sqrt(E / 25): 25, 50, 10.
    let light = [exactly(at(0.0), 25.0), exactly(at(1.0), 100.0), exactly(at(61.0), 4.0)];
    let open = exposure_of(&[(at(0.0), None)], 0.64, response);
    assert_near(world.dose(&light[..2], &open, at(1.0)), [0.8 * 37.5; 3]);
    let gap = exposure_of(&[(at(1.0), None)], 0.64, response);
    assert_near(world.dose(&light, &gap, at(61.0)), [0.0, 0.8 * 1800.0, 0.8 * 3000.0]);
}

#[test]
fn a_gap_under_a_known_sky_is_bounded_by_its_own_hours() {
    let world = World { clocks: boots(&[(1, 0.0, Some(NOON_NS))]), sky: payerne(), ..World::default() };
    let light = [exactly(at(0.0), 40.0), exactly(at(300.0), 10.0)];
    let clear = 47.1 * 300.0;
    let [low, best, high] = world.dose(&light, &exposure(&[(at(0.0), None)]), at(300.0));
    assert!((low / clear - 0.10).abs() < 1e-3 && (high / clear - 1.20).abs() < 1e-2, "{low} {high}");
    assert_eq!(best, 7500.0);
    // Exactly the part that it was open in, at the same hour.
    let part = world.dose(&light, &exposure(&[(at(100.0), Some(at(200.0)))]), at(300.0));
    assert!((part[0] / low - 1.0 / 3.0).abs() < 1e-3 && (part[2] / high - 1.0 / 3.0).abs() < 1e-3);
    // The best figure keeps to the bounds.
    let dark = [exactly(at(0.0), 0.0), exactly(at(300.0), 0.0)];
    let [low, best, _] = world.dose(&dark, &exposure(&[(at(0.0), None)]), at(300.0));
    assert_eq!(low, best);
    // By exponents: of the bounds at each instant.
    let response = Response::new(0.7, w_m2(25.0)).unwrap();
    let [low, _, high] = world.dose(&light, &exposure_of(&[(at(0.0), None)], 1.0, response), at(300.0));
    let of = |share: f64| response.rate(w_m2(share * 47.1)).w_m2() * 300.0;
    assert!((low / of(0.1) - 1.0).abs() < 1e-2 && (high / of(1.2) - 1.0).abs() < 1e-2, "{low} {high}");
}

#[test]
fn a_whole_day_without_light_follows_the_sun() {
    // From midnight to midnight, in the pieces of the rule and in a thousand times more.
    let midnight = NOON_NS - 41_640_000_000_000;
    let world = World { clocks: boots(&[(1, 0.0, Some(midnight))]), sky: payerne(), ..World::default() };
    let light = [exactly(at(0.0), 0.0), exactly(at(86_400.0), 0.0)];
    let [low, _, high] = world.dose(&light, &exposure(&[(at(0.0), None)]), at(86_400.0));
    let parts = 2880;
    let part = |n: i32| {
        let (from, to) = (f64::from(n) * 30.0, f64::from(n + 1) * 30.0);
        world.dose(&light, &exposure(&[(at(from), Some(at(to)))]), at(86_400.0))
    };
    let fine = (0..parts).map(part).fold([0.0; 2], |sum, part| [sum[0] + part[0], sum[1] + part[2]]);
    assert!(
        (low / fine[0] - 1.0).abs() < 2e-4 && (high / fine[1] - 1.0).abs() < 2e-4,
        "{low} {high} {fine:?}"
    );
    assert!((high / low - 12.0).abs() < 1e-9);
    assert!(low > 100_000.0, "{low}");
}

#[test]
fn without_the_hour_the_most_of_any_hour_bounds_a_gap() {
    let most = 55.2 * 1.2 * 1.033;
    let light = [exactly(at(0.0), 40.0), exactly(at(300.0), 10.0)];
    let open = exposure(&[(at(0.0), None)]);
    let undated = World { sky: payerne(), ..World::default() };
    assert_near(undated.dose(&light, &open, at(300.0)), [0.0, 7500.0, 300.0 * most]);
    // As it was known by the end of the gap, and not by what was found later.
    let mut world = World { sky: payerne(), ..World::default() };
    world.sky.note_amplitude(at(300.0), w_m2(60.0));
    world.sky.note_amplitude(at(301.0), w_m2(70.0));
    assert_near(world.dose(&light, &open, at(300.0)), [0.0, 7500.0, 300.0 * 60.0 * 1.2 * 1.033]);
    // Months on end.
    let clocks = boots(&[(1, 0.0, Some(NOON_NS))]);
    let world = World { clocks, sky: payerne(), ..World::default() };
    let months = 33.0 * 86_400.0;
    let late = [exactly(at(0.0), 40.0), exactly(at(months), 40.0)];
    assert_near(world.dose(&late, &open, at(months)), [0.0, 40.0 * months, months * most]);
    let weeks = 32.0 * 86_400.0;
    let late = [exactly(at(0.0), 40.0), exactly(at(weeks), 40.0)];
    assert!(world.dose(&late, &open, at(weeks))[0] > 0.0);
}

#[test]
fn light_that_is_not_of_the_sky_is_not_bounded_by_it() {
    let clocks = boots(&[(1, 0.0, Some(NOON_NS))]);
    let world = World { clocks, sky: payerne(), ..World::default() };
    let open = exposure(&[(at(0.0), None)]);
    let bounded = |left: Sample, right: Sample| world.dose(&[left, right], &open, at(300.0))[0] > 0.0;
    let (left, right) = (exactly(at(0.0), 40.0), exactly(at(300.0), 10.0));
    assert!(bounded(left, right));
    // Over twice what a clear sky gives, and in no units of it.
    assert!(!bounded(exactly(at(0.0), 97.0), right) && !bounded(left, exactly(at(300.0), 97.0)));
    assert!(!bounded(Sample { flags: Flags::UNCALIBRATED, ..left }, right));
    // Where the hour of an end is not known, more than any hour gives is not of the sky.
    let undated = World { sky: payerne(), ..World::default() };
    let high = |value: f64| undated.dose(&[exactly(at(0.0), value), right], &open, at(300.0))[2];
    assert_eq!((high(69.0), high(68.0)), (69.0 * 300.0, 55.2 * 1.2 * 1.033 * 300.0));
    // A lamp beside the sensor.
    let by_hand = LampFact { at: at(299.0), lamp: Lamp::ByHand };
    let world = World { lamps: Lamps::new(vec![by_hand], None), ..world };
    assert_near(world.dose(&[left, right], &open, at(300.0)), [0.0, 7500.0, 300.0 * 1.05 * 40.0]);
}

#[test]
fn an_outage_between_dated_boots_is_a_gap_like_any_other() {
    let light =
        [exactly(in_boot(1, 100.0), 40.0), exactly(in_boot(2, 10.0), 20.0), exactly(in_boot(2, 11.0), 20.0)];
    let open = exposure(&[(in_boot(1, 100.0), None)]);
    // The second boot began 190 s after the last reading of the first: 200 s without light.
    let clocks = boots(&[(1, 150.0, Some(0)), (2, 11.0, Some(290_000_000_000))]);
    let world = World { clocks, ..World::default() };
    assert_near(world.dose(&light, &open, in_boot(2, 11.0)), [20.0, 6020.0, 8020.0]);
    // Covered as soon as the second began.
    let part = exposure(&[(in_boot(1, 100.0), Some(in_boot(2, 0.0)))]);
    assert_near(world.dose(&light, &part, in_boot(2, 11.0)), [0.0, 190.0 * 30.5, 7600.0]);
    // Without dates at least 60 s have passed, and nothing says how many more.
    let world = World { clocks: boots(&[(1, 150.0, None), (2, 11.0, None)]), ..World::default() };
    assert_near(world.dose(&light, &open, in_boot(2, 11.0)), [20.0, 1820.0, f64::INFINITY]);
    // Not even in the dark.
    let dark = [exactly(in_boot(1, 100.0), 0.0), exactly(in_boot(2, 10.0), 0.0)];
    assert_near(world.dose(&dark, &open, in_boot(2, 10.0)), [0.0, 0.0, f64::INFINITY]);
}

#[test]
fn several_outages_of_which_the_sum_is_known_share_it() {
    // Boots 1 and 4 are dated: 1,000 s apart, of which 100 + 50 + 50 are counted and 800 off.
    let second = 1_000_000_000;
    let clocks =
        boots(&[(1, 100.0, Some(0)), (2, 50.0, None), (3, 50.0, None), (4, 9.0, Some(1000 * second))]);
    let world = World { clocks, ..World::default() };
    let light = [
        exactly(in_boot(1, 100.0), 40.0),
        exactly(in_boot(2, 0.0), 20.0),
        exactly(in_boot(2, 50.0), 20.0),
        exactly(in_boot(3, 0.0), 30.0),
        exactly(in_boot(3, 50.0), 30.0),
        exactly(in_boot(4, 0.0), 10.0),
    ];
    let from_to = |from, to| world.dose(&light, &exposure(&[(from, None)]), to);
    // One outage may have been all of it.
    let [low, best, high] = from_to(in_boot(1, 100.0), in_boot(2, 0.0));
    assert_eq!((low, high), (0.0, 800.0 * 40.0));
    assert!((best - 800.0 / 3.0 * 30.0).abs() < 1e-6);
    // Two of them too: with the 50 s between, in which nothing was seen either.
    let [low, _, high] = from_to(in_boot(1, 100.0), in_boot(3, 0.0));
    assert_eq!((low, high), (0.0, (800.0 + 50.0) * 40.0));
    // Light is never more than in the brightest of the gaps.
    let [_, _, high] = from_to(in_boot(2, 50.0), in_boot(4, 0.0));
    assert_eq!(high, (800.0 + 50.0) * 40.0);
    // By the brightest of the gaps, whichever comes first.
    for values in [[20.0, 20.0, 50.0, 10.0], [50.0, 10.0, 20.0, 20.0]] {
        let at = [in_boot(1, 100.0), in_boot(2, 0.0), in_boot(2, 50.0), in_boot(3, 0.0)];
        let light: Vec<Sample> = at.into_iter().zip(values).map(|(at, value)| exactly(at, value)).collect();
        let gaps = [(at[0], Some(at[1])), (at[2], Some(at[3]))];
        assert_eq!(world.dose(&light, &exposure(&gaps), at[3])[2], 800.0 * 50.0);
    }
    // In two prints of one frame each has it once.
    let twice = exposure(&[(in_boot(1, 100.0), Some(in_boot(2, 0.0))), (in_boot(3, 50.0), None)]);
    let [_, _, high] = world.dose(&light, &twice, in_boot(4, 0.0));
    assert_eq!(high, 800.0 * 40.0);
}

#[test]
fn a_lamp_steps_where_it_was_switched() {
    let facts = [(0.0, Lamp::Off), (10.3, Lamp::On), (70.6, Lamp::Off)];
    let facts = facts.map(|(seconds, lamp)| LampFact { at: at(seconds), lamp });
    let world = World { lamps: Lamps::new(facts.to_vec(), None), ..World::default() };
    let open = exposure(&[(at(0.0), None)]);
    for span_s in [0.0, 0.064, 0.4, 1.0] {
        // A reading is the mean over its span, from the middle of it.
        let lit = |from: f64, to: f64| (to.min(70.6) - from.max(10.3)).max(0.0) / (to - from);
        let reading = |second: i32| {
            let middle = f64::from(second) + 0.05;
            let half = f64::from(span_s).max(1e-6) / 2.0;
            Sample { span_s, ..exactly(at(middle), 40.0 * lit(middle - half, middle + half)) }
        };
        let light: Vec<Sample> = (-1..=90).map(reading).collect();
        assert_near(world.dose(&light, &open, at(90.0)), [40.0 * 60.3; 3]);
    }
}

#[test]
fn a_gap_under_a_lamp_is_bounded_by_what_its_readings_saw() {
    let facts = |facts: &[(f64, Lamp)]| {
        facts.iter().map(|&(seconds, lamp)| LampFact { at: at(seconds), lamp }).collect()
    };
    let open = exposure(&[(at(10.0), None)]);
    let lit = [exactly(at(9.0), 60.0), exactly(at(10.0), 40.0), exactly(at(110.0), 30.0)];
    let lamps = Lamps::new(facts(&[(0.0, Lamp::On)]), None);
    let world = World { lamps, sky: payerne(), clocks: boots(&[(1, 0.0, Some(NOON_NS))]) };
    assert_near(world.dose(&lit, &open, at(110.0)), [0.0, 3500.0, 100.0 * 42.0]);
    // By hand it may have burned as in the hour before.
    let world = World { lamps: Lamps::new(facts(&[(0.0, Lamp::ByHand)]), None), ..World::default() };
    assert_near(world.dose(&lit, &open, at(110.0)), [0.0, 3500.0, 100.0 * 60.0]);
    // Switched off and on in the gap: 40, dark, and 30 W/m².
    let switched = facts(&[(0.0, Lamp::On), (30.0, Lamp::Off), (90.0, Lamp::On)]);
    let world = World { lamps: Lamps::new(switched.clone(), Some(w_m2(70.0))), ..World::default() };
    let dose = world.dose(&lit, &open, at(110.0));
    assert_near(dose, [0.0, 800.0 + 600.0, 20.0 * 42.0 + 60.0 * 70.0 + 20.0 * 31.5]);
    // What a lamp gives at most, where that was not measured: no more than the sun, or what was seen.
    let world = World { lamps: Lamps::new(switched, None), ..World::default() };
    assert_near(world.dose(&lit, &open, at(110.0)), [0.0, 1400.0, 20.0 * 42.0 + 60.0 * 85.505 + 20.0 * 31.5]);
}

#[test]
fn an_exposure_in_many_parts_is_that_of_the_whole() {
    let world = World { clocks: boots(&[(1, 0.0, Some(NOON_NS))]), sky: payerne(), ..World::default() };
    let light: Vec<Sample> = steady(0..=20, 30.0).chain([exactly(at(200.0), 50.0)]).collect();
    let whole = world.dose(&light, &exposure(&[(at(3.0), Some(at(190.0)))]), at(200.0));
    let parts: Vec<_> =
        (3..190).map(|n| exposure(&[(at(f64::from(n)), Some(at(f64::from(n) + 1.0)))])).collect();
    let sum = parts.iter().map(|part| world.dose(&light, part, at(200.0)));
    let sum = sum.fold([0.0; 3], |sum, dose| [sum[0] + dose[0], sum[1] + dose[1], sum[2] + dose[2]]);
    assert!(whole.iter().zip(&sum).all(|(whole, sum)| (whole / sum - 1.0).abs() < 1e-6), "{whole:?} {sum:?}");
}

#[test]
fn live_refuses_what_comes_too_late_and_forgets() {
    let world = World::default();
    let open = exposure(&[(at(0.0), None)]);
    let light: Vec<Sample> = steady(0..=5, 40.0).collect();
    let mut live = Live::of(world.facts(), &light, [(PrintKey(1), &open)]);
    let again = live.take(world.facts(), &light[5]);
    assert_eq!(again, Err(Backwards { from: at(5.0), to: at(5.0) }));
    live.take(world.facts(), &Sample::lost(at(5.5))).unwrap();
    assert!(live.take(world.facts(), &exactly(at(5.5), 1.0)).is_err());
    assert_eq!(live.dose(world.facts(), PrintKey(2), at(6.0)), None);
    assert!(live.dose(world.facts(), PrintKey(1), at(6.0)).is_some());
    live.forget(PrintKey(1));
    assert_eq!(live.dose(world.facts(), PrintKey(1), at(6.0)), None);
    // Nothing is left of it that a reading would trip over.
    live.take(world.facts(), &exactly(at(60.0), 40.0)).unwrap();
}

#[test]
fn live_counts_a_print_that_moved_after_a_reading_that_comes_late() {
    let world = World::default();
    let light: Vec<Sample> = steady(0..=5, 40.0).collect();
    let open = exposure(&[(at(6.5), None)]);
    let mut live = Live::of(world.facts(), &light, []);
    live.begin(PrintKey(1), &open);
    live.uncover(PrintKey(1), at(6.5));
    // Taken at 6 s, it arrives after the print was uncovered.
    live.take(world.facts(), &exactly(at(6.0), 20.0)).unwrap();
    live.take(world.facts(), &exactly(at(7.0), 20.0)).unwrap();
    live.cover(PrintKey(1), at(8.25));
    live.take(world.facts(), &exactly(at(8.0), 20.0)).unwrap();
    let dose = |live: &Live, seconds| figures(live.dose(world.facts(), PrintKey(1), at(seconds)).unwrap());
    assert_near(dose(&live, 8.5), [35.0; 3]);
    live.take(world.facts(), &exactly(at(9.0), 60.0)).unwrap();
    // 20 rising to 30 in the last quarter of a second.
    assert_near(dose(&live, 9.0), [36.25; 3]);
}

#[test]
fn a_year_of_light_is_summed_without_loss() {
    // Terms of which a plain sum would lose a part each time.
    let world = World::default();
    let other = exposure(&[(at(0.0), None)]);
    let mut live = Live::of(world.facts(), &[exactly(at(0.0), 1e9)], [(PrintKey(0), &other)]);
    live.take(world.facts(), &exactly(at(1.0), 1e9)).unwrap();
    let run = |live: &mut Live, seconds: std::ops::RangeInclusive<u32>| {
        steady(seconds, 0.001).for_each(|sample| live.take(world.facts(), &sample).unwrap());
    };
    run(&mut live, 2..=500);
    let open = exposure(&[(at(500.0), None)]);
    live.begin(PrintKey(1), &open);
    live.uncover(PrintKey(1), at(500.0));
    run(&mut live, 501..=1500);
    let dose = figures(live.dose(world.facts(), PrintKey(1), at(1500.0)).unwrap());
    assert!(dose.iter().all(|dose| (dose - 1.0).abs() < 1e-12), "{dose:?}");
}

proptest! {
    /// Readings anywhere, covers anywhere: live says what the fold says, and the doses that are
    /// settled never fall with time.
    #[test]
    fn live_is_the_fold(
        steps in prop::collection::vec((0.2f64..3.0, 0.0f64..60.0, 0u8..6), 1..60),
        exponent in prop::sample::select(vec![0.6, 1.0, 1.5]),
    ) {
        let world = World::default();
        let response = Response::new(exponent, w_m2(25.0)).unwrap();
        let mut live = Live::default();
        let (mut now, mut light, mut spans) = (0.0, Vec::new(), vec![(at(0.0), None)]);
        live.begin(PrintKey(0), &exposure_of(&spans, 0.9, response));
        live.uncover(PrintKey(0), at(0.0));
        for (after, value, what) in steps {
            now += after;
            let is_open = spans.last().is_some_and(|(_, to)| to.is_none());
            match what {
                0 if is_open => {
                    spans.last_mut().unwrap().1 = Some(at(now));
                    live.cover(PrintKey(0), at(now));
                }
                0 | 1 if !is_open => {
                    spans.push((at(now), None));
                    live.uncover(PrintKey(0), at(now));
                }
                _ => {
                    let sample = if what == 5 { at_least(at(now), value) } else { exactly(at(now), value) };
                    light.push(sample);
                    live.take(world.facts(), &sample).unwrap();
                }
            }
            let exposure = exposure_of(&spans, 0.9, response);
            let fold = world.dose(&light, &exposure, at(now));
            let again = Live::of(world.facts(), &light, [(PrintKey(0), &exposure)]);
            for live in [&live, &again] {
                let got = figures(live.dose(world.facts(), PrintKey(0), at(now)).unwrap());
                let is_same = |(got, fold): (&f64, &f64)| (got - fold).abs() <= 1e-6 + 1e-9 * fold;
                prop_assert!(got.iter().zip(&fold).all(is_same), "{got:?} {fold:?}");
            }
            prop_assert!(0.0 <= fold[0] && fold[0] <= fold[1] && fold[1] <= fold[2]);
        }
        let exposure = exposure_of(&spans, 0.9, response);
        let settled = light.last().map_or(0.0, |last| last.at.at.seconds());
        let mut before = [0.0; 3];
        for part in 0..=50 {
            let now = world.dose(&light, &exposure, at(settled * f64::from(part) / 50.0));
            prop_assert!(before.iter().zip(&now).all(|(before, now)| before - 1e-9 <= *now), "{before:?} {now:?}");
            before = now;
        }
    }
}
