//! What a start makes of prints, sensors and skies that were left to it.

use frameside_core::exposure::{LampRules, Plan};
use frameside_core::light::{Estimate, Knot, LeftOff, Response, Seen};
use frameside_core::outlook::Place;

use super::*;
use crate::ledger::Facts;

const GARDEN: Place = Place { latitude: 48.5, longitude: 9.0 };

/// Kept until now, and then gone as by a power cut.
fn cut(mut bench: Bench, seconds: f64) {
    bench.service.commit(at(seconds));
    bench.kill();
}

#[test]
fn a_print_whose_frame_is_gone_from_the_config_is_counted_until_that_is_back() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    let facts = Facts { exponent: Some(1.4), reference: Some(40.0), ..Facts::default() };
    let strong = Recipe { facts, ..Recipe::default() };
    Notebook::open(&setup(&folder).ledger).unwrap().keep_recipe("oxalate", NOON, &strong).unwrap();
    bench.shine(0, 0);
    let oak = Expose { recipe: Some("oxalate".into()), ..aimed("oak", 15_000.0) };
    assert_eq!(bench.ask(0.0, Request::Expose(oak))["ok"], true);
    bench.shine(1, 100);
    cut(bench, 100.0);
    // Elm lies beside its sensor, and a print there comes and goes.
    let mut without = setup(&folder);
    without.frames.remove(0);
    without.frames[0].sensor = SensorId(0);
    let mut between = Bench::start(without, 100.5);
    assert!(between.service.status(at(100.5)).troubles[0].contains("is not on the rig any more"));
    between.shine(101, 150);
    between.expose(150.0, "elm", 1_000.0);
    between.shine(151, 160);
    between.ask(160.0, bring_in("elm"));
    between.shine(161, 200);
    cut(between, 200.0);
    let mut back = Bench::start(setup(&folder), 200.5);
    back.shine(201, 210);
    // At its reference of 40 W/m² it counts what falls, and 0.5^1.4 of it through its glass.
    let (dose, had) = (back.frame(210.0, "oak"), 210.0 * 40.0 * 0.5_f64.powf(1.4));
    assert!((dose.dose_j_m2 - had).abs() < 1e-6 && dose.low_j_m2 == dose.dose_j_m2, "{had} {dose:?}");
}

#[test]
fn light_of_a_lamp_is_bounded_by_no_sky_after_a_restart_either() {
    let folder = TempDir::new().unwrap();
    let setup = || Setup { site: Some(Site::flat(GARDEN)), ..setup(&folder) };
    let mut bench = Bench::start(setup(), 0.0);
    bench.shine(0, 0);
    let under_box = Expose { source: Some("box".into()), ..aimed("elm", 5e6) };
    assert_eq!(bench.ask(0.0, Request::Expose(under_box))["ok"], true);
    assert_eq!(bench.ask(1_800.0, bring_in("elm"))["ok"], true);
    cut(bench, 1_800.0);
    let mut again = Bench::start(setup(), 1_801.0);
    again.shine(1_810, 1_810);
    let elm = again.frame(1_810.0, "elm");
    assert!(elm.low_j_m2 == 0.0 && (elm.high_j_m2 - 72_000.0).abs() < 1e-6, "{elm:?}");
}

#[test]
fn a_print_that_is_out_goes_on_by_the_calibration_it_was_begun_under() {
    let folder = TempDir::new().unwrap();
    let calibrate = |factors: &[(&str, f64)]| {
        let factors = factors.iter().map(|&(source, factor)| (source.to_owned(), factor)).collect();
        let correction = Calibration { factors, ..Calibration::default() };
        let mut notebook = Notebook::open(&setup(&folder).ledger).unwrap();
        notebook.keep_calibration("wall", NOON, "by hand", &correction).unwrap();
    };
    Bench::start(setup(&folder), 0.0).kill();
    calibrate(&[("box", 0.8)]);
    let mut bench = Bench::start(setup(&folder), 1.0);
    bench.shine(1, 10);
    let under_box = Expose { source: Some("box".into()), ..aimed("elm", 15_000.0) };
    bench.ask(10.0, Request::Expose(under_box));
    bench.shine(11, 20);
    cut(bench, 20.0);
    calibrate(&[("box", 0.8), ("sun", 1.1)]);
    let mut again = Bench::start(setup(&folder), 20.5);
    again.shine(21, 30);
    // 20 s of 40 W/m² by the part, which are 32 in the box.
    assert!((again.frame(30.0, "elm").dose_j_m2 - 640.0).abs() < 1e-9, "{:?}", again.frame(30.0, "elm"));
    let troubles = again.service.status(at(30.0)).troubles;
    assert!(troubles[0].contains("sensor wall was calibrated while print"), "{troubles:?}");
    again.ask(30.0, bring_in("elm"));
    again.shine(31, 31);
    cut(again, 31.0);
    let mut last = Bench::start(setup(&folder), 31.5);
    last.shine(32, 32);
    let status = last.service.status(at(32.0));
    assert_eq!((status.sensors[1].irradiance_w_m2, status.troubles.len()), (Some(44.0), 0));
}

#[test]
fn a_start_knows_how_bright_the_clear_sky_was() {
    let folder = TempDir::new().unwrap();
    let setup = || Setup { site: Some(Site::flat(GARDEN)), ..setup(&folder) };
    let mut bench = Bench::start(setup(), 0.0);
    let usual = bench.service.rig.clear_light(at(0.0)).unwrap();
    bench.service.on_clear_sky(Irradiance::from_w_m2(2.0 * 55.2));
    cut(bench, 0.0);
    let again = Bench::start(setup(), 1.0);
    let now = again.service.rig.clear_light(at(0.0)).unwrap();
    assert!((now.w_m2() / usual.w_m2() - 2.0).abs() < 1e-9, "{usual} {now}");
}

#[test]
fn a_gap_over_a_start_is_bounded_by_the_light_before_it() {
    let folder = TempDir::new().unwrap();
    let mut bench = Bench::start(setup(&folder), 0.0);
    bench.shine(0, 0);
    bench.expose(0.0, "elm", 50_000.0);
    bench.shine(1, 10);
    cut(bench, 10.0);
    let mut again = Bench::start(setup(&folder), 109.0);
    again.shine(110, 110);
    // Ten seconds of 40 W/m², and a hundred of at most that.
    assert!((again.frame(110.0, "elm").high_j_m2 - 4_400.0).abs() < 1e-6);
}

#[test]
fn no_line_leads_from_the_light_of_a_switched_lamp_to_the_next_reading() {
    let folder = TempDir::new().unwrap();
    let rules = LampRules { min_off_s: 60.0, max_on_s: 600.0 };
    let switched = vec![LampPart { name: "box".into(), relay: None, rules }];
    let setup = Setup { switched, ..setup(&folder) };
    let seen = Seen::Exactly(Irradiance::from_w_m2(40.0));
    let knot = Knot { at: at(9.0), seen, total: Estimate::ZERO };
    let left_off = LeftOff { knot, brightest: seen.lowest(), is_cut: false };
    let print = |source: &str| {
        let plan = Plan::dose(aimed_at(1_000.0));
        let resumed = Resumed::new("print".into(), plan, 1.0, Response::PLAIN);
        let (frame, sensor, source) = ("oak".into(), "sky".into(), source.into());
        OpenPrint { frame, sensor, source, begun_under: None, resumed }
    };
    let taken = |prints: &[OpenPrint]| lamps::left_off(left_off, "sky", prints, &setup);
    let dark = taken(&[print("box")]);
    assert!(dark.is_cut && dark.knot.seen.lowest() == Irradiance::ZERO && dark.brightest == seen.lowest());
    for others in [vec![], vec![print("box"), print("sun")]] {
        assert_eq!(taken(&others), left_off);
    }
}
