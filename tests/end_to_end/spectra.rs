//! Spectra against the standard sun, as pvlib carries it.

use std::path::PathBuf;

use frameside_core::source::{Mismatch, Spectrum, mismatch};
use frameside_tests::needs::reference_python;

/// A column of ASTM G173: wavelength in nm and W/m² per nm at AM1.5.
fn standard_sun(column: &str) -> Option<Spectrum> {
    // Where pvlib is, without the seconds that importing it takes.
    let find =
        "import importlib.util as u; print(u.find_spec('pvlib').submodule_search_locations[0], end='')";
    let output = std::process::Command::new(reference_python()?).args(["-c", find]).output().unwrap();
    let folder = PathBuf::from(String::from_utf8(output.stdout).unwrap());
    let text = std::fs::read_to_string(folder.join("data/ASTMG173.csv")).unwrap();
    // The first line tells what it is.
    let mut lines = text.lines().skip(1);
    let at = lines.next().unwrap().split(',').position(|name| name == column).unwrap();
    let point = |line: &str| {
        let cells: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap()).collect();
        (cells[0], cells[at])
    };
    Some(Spectrum::new(lines.map(point).collect()).unwrap())
}

fn of(shape: impl Fn(f64) -> f64) -> Spectrum {
    Spectrum::new((300..=500).map(|nm| (f64::from(nm), shape(f64::from(nm)))).collect()).unwrap()
}

/// A Gaussian by its full width at half maximum.
fn gaussian(peak: f64, width: f64) -> Spectrum {
    of(|nm| (-4.0 * std::f64::consts::LN_2 * ((nm - peak) / width).powi(2)).exp())
}

#[test]
fn the_standard_suns_uv_a_is_as_reckoned() {
    // W/m² of 315 to 400 nm, computed with numpy's trapezoid.
    for (column, w_m2) in [("global", 45.420), ("direct", 30.149), ("extraterrestrial", 85.505)] {
        let Some(sun) = standard_sun(column) else { return };
        let ours = sun.integral(315.0, 400.0);
        assert!((ours - w_m2).abs() < 0.001, "{column}: {ours}");
    }
    let Some(sun) = standard_sun("global") else { return };
    let all = sun.integral(280.0, 4000.0);
    assert!((all - 1000.37).abs() < 0.01, "{all}");
}

#[test]
fn lamps_against_the_standard_sun_have_the_factors_reckoned_elsewhere() {
    let Some(sun) = standard_sun("global") else { return };
    let sensor = gaussian(360.0, 50.0);
    // An assumption: no action spectrum of an iron process is known.
    let process = of(|nm| if nm <= 360.0 { 1.0 } else { 10f64.powf((360.0 - nm) / 60.0) });
    // Peak and width of the lamp in nm; the factor, computed with numpy from 300 to 500 nm at 1 nm.
    for (peak, width, factor) in [
        (365.0, 10.0, 0.667),
        (352.0, 40.0, 0.928),
        (368.0, 18.0, 0.648),
        (385.0, 12.0, 0.596),
        (395.0, 14.0, 0.756),
        (405.0, 14.0, 1.173),
    ] {
        let Mismatch { factor: ours, blind } =
            mismatch(&sun, &gaussian(peak, width), &sensor, &process).unwrap();
        // There the sun was taken at each nanometre, here at each half.
        assert!((ours / factor - 1.0).abs() < 0.002, "{peak} nm: {ours} for {factor}");
        assert_eq!(blind, peak > 400.0, "{peak} nm");
    }
    let led = mismatch(&sun, &gaussian(365.0, 10.0), &sensor, &process).unwrap();
    assert!((led.stops().value() + 0.58).abs() < 0.005, "{}", led.stops());
    // 15 kJ/m² in the sun is 22.5 at the sensor under the 365 nm lamp.
    assert!((15.0 / led.factor - 22.5).abs() < 0.02, "{}", 15.0 / led.factor);
}
