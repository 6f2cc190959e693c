//! Sun against lamp box and the lamp box itself, by the real binary: from prints, wedges,
//! spectra and tables of readings.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;

use frameside_tests::{Site, frameside, wait_for};
use serde_json::Value;

use crate::yard::{SOON, json_of, name_a_box, number, ok, refused, settled, site};

/// The usual site with a lamp box besides the sun.
fn with_a_box() -> Site {
    let site = site(100, None);
    name_a_box(&site);
    site
}

/// A print under a source, brought in when it is due; gives its name.
fn print(site: &Site, source: &str, target: &str) -> String {
    wait_until_due(site, source, target);
    bring_in(site)
}

fn wait_until_due(site: &Site, source: &str, target: &str) {
    ok(&site.frameside(["expose", "oak", "--target", target, "--source", source]));
    let due = |status: &Value| {
        let frames = status["frames"].as_array().unwrap();
        frames.iter().any(|frame| frame["frame"] == "oak" && frame["state"] == "due")
    };
    wait_for("oak to be due", 3 * SOON, || due(&json_of(site, &["status"])).then_some(()));
}

/// Brings the print in; gives its name.
fn bring_in(site: &Site) -> String {
    ok(&site.frameside(["bring-in", "oak"]));
    let print = json_of(site, &["prints"])[0]["print"].as_str().unwrap().to_owned();
    settled(site, &print);
    print
}

fn dose(site: &Site, print: &str) -> f64 {
    number(&json_of(site, &["show", print]), "dose_j_m2")
}

#[test]
fn a_day_of_light_is_that_of_the_first_sensor_in_the_sun() {
    let site = Site::new(
        "[rig]\nname = \"yard\"\ntimezone = \"UTC\"\n\
         [[sensor]]\nname = \"bed\"\nchip = \"emulated:as7331\"\naddress = 0x75\nlight = \"day.csv\"\nlit_by = \"box\"\n\
         [[sensor]]\nname = \"yonder\"\nchip = \"emulated:as7331\"\nlight = \"day.csv\"\n\
         [[sensor]]\nname = \"attic\"\nchip = \"emulated:as7331\"\naddress = 0x76\nlight = \"day.csv\"\n\
         [[frame]]\nname = \"oak\"\nsensor = \"bed\"\n\
         [[source]]\nname = \"box\"\nkind = \"lamp\"\nrelay = \"emulated\"\n",
    );
    let day = "time,irradiance_w_m2\n2026-06-01T10:00:00Z,40\n2026-06-01T12:00:00Z,40\n";
    std::fs::write(site.path("day.csv"), day).unwrap();
    let daemon = site.run();
    let is_seen = |sensor: &Value| sensor["irradiance_w_m2"].is_number();
    wait_for("all sensors to be read", SOON, || {
        json_of(&site, &["light"])["sensors"].as_array().unwrap().iter().all(is_seen).then_some(())
    });
    let one = json_of(&site, &["light", "--sensor", "attic"]);
    assert_eq!((&one["sensors"][0]["name"], one["sensors"].as_array().unwrap().len()), (&"attic".into(), 1));
    let (code, said) = refused(&site.frameside(["light", "--sensor", "nope"]));
    assert_eq!((code, said.as_str()), (1, "there is no sensor 'nope'; the sensors are: bed, yonder, attic"));
    assert!(daemon.terminate().success());
    assert_eq!(json_of(&site, &["light", "--day", "today"])["sensor"], "yonder");
}

#[test]
fn a_source_that_the_config_does_not_name_is_refused_by_all_that_keep_it() {
    let site = with_a_box();
    std::fs::write(site.path("s.csv"), "dose_kj_m2,density\n4,0.6\n8,1.3\n16,1.3\n").unwrap();
    std::fs::write(site.path("w.csv"), "wedge_density,density\n0.1,1.4\n1,0.7\n2,0.1\n").unwrap();
    let [strip, wedge] = ["s.csv", "w.csv"].map(|file| site.path(file).to_str().unwrap().to_owned());
    let _daemon = site.run();
    ok(&site.frameside(["recipe", "add", "citrate", "--target", "box=3kJ/m2"]));
    for all in [
        &["expose", "oak", "--target", "12kJ/m2", "--source", "bxo"][..],
        &["expose", "oak", "--recipe", "citrate", "--source", "bxo"],
        &["recipe", "add", "oxalate", "--target", "bxo=3kJ/m2"],
        &["recipe", "change", "citrate", "--target", "bxo=3kJ/m2"],
        &["wedge", &wedge, "--dose", "30kJ/m2", "--recipe", "citrate", "--source", "bxo"],
        &["strip", "read", "--csv", &strip, "--recipe", "citrate", "--source", "bxo"],
        &["sensor", "calibrate", "sky", "--reference", "40", "--source", "bxo"],
    ] {
        let (code, said) = refused(&site.frameside(all));
        let says = "there is no source 'bxo'; did you mean 'box'? the sources are: sun, box; ";
        assert!(code == 1 && said.starts_with(says), "{all:?}: {said}");
    }
    assert_eq!(json_of(&site, &["prints"]), serde_json::json!([]));
    ok(&site.frameside(["expose", "oak", "--target", "12kJ/m2", "--source", "box"]));
}

#[test]
fn pairs_of_prints_give_the_factor_between_sources() {
    let site = with_a_box();
    let daemon = site.run();
    let under_sun = [print(&site, "sun", "1.2kJ/m2"), print(&site, "sun", "1.2kJ/m2")];
    let under_box = [print(&site, "box", "1.8kJ/m2"), print(&site, "box", "2.4kJ/m2")];
    assert!(daemon.terminate().success());
    compared(&site);
    // However late each came in, the pairs agree.
    let record = rusqlite::Connection::open(site.path("ledger.sqlite")).unwrap();
    let came_in = "UPDATE event SET best = ?1, seal = NULL WHERE kind LIKE '%brought-in%'
                   AND print = (SELECT seq FROM print WHERE id = ?2)";
    for (print, j_m2) in under_sun.iter().chain(&under_box).zip([1200.0, 1200.0, 1800.0, 2400.0]) {
        assert_eq!(record.execute(came_in, (j_m2, print)), Ok(1));
    }

    // The order within a pair does not matter.
    let pair = ["source", "factor", "sun", "box", "--paired", &under_box[0], &under_sun[0]];
    let found = json_of(&site, &pair);
    let ratio = dose(&site, &under_sun[0]) / dose(&site, &under_box[0]);
    assert!((number(&found, "factor") / ratio - 1.0).abs() < 1e-9, "{found}");
    assert_eq!(found["from"], "pairs");
    assert!(number(&found, "low") < ratio && ratio < number(&found, "high"));
    assert!((number(&found, "stops") - ratio.log2()).abs() < 1e-9);

    // A judgement tells what a print should have had: the second should have had 0.415 stop less.
    ok(&site.frameside(["judge", &under_box[1], "--off", "-0.415stop", "--dry", "--oxidised"]));
    let corrected = ["source", "factor", "sun", "box", "--paired", &under_sun[1], &under_box[1]];
    let corrected = number(&json_of(&site, &corrected), "factor");
    let ratio = dose(&site, &under_sun[1]) / (dose(&site, &under_box[1]) * 2f64.powf(-0.415));
    assert!((corrected / ratio - 1.0).abs() < 1e-6, "{corrected} for {ratio}");

    // Two pairs are surer than one.
    let both = ["source", "factor", "sun", "box", "--paired", &under_sun[0], &under_box[0]];
    let both: Vec<&str> = both.into_iter().chain([under_sun[1].as_str(), &under_box[1]]).collect();
    let both = json_of(&site, &both);
    let width = |found: &Value| number(found, "high") / number(found, "low");
    assert!(width(&both) < width(&found), "{both} {found}");

    for (arguments, code, says) in [
        (vec!["sun", "box", "--paired", &under_sun[0], &under_sun[1]], 1, "was made under sun"),
        (vec!["sun", "box", "--paired", &under_sun[0], &under_box[0], &under_sun[1]], 2, "two by two"),
        (vec!["sun", "sun", "--paired", &under_sun[0], &under_sun[1]], 2, "between two sources"),
        (vec!["sun", "box", "--recipe", "citrate"], 1, "no wedge of citrate under sun"),
    ] {
        let (exit, said) = refused(&site.frameside(["source", "factor"].iter().chain(&arguments)));
        assert!(exit == code && said.contains(says), "{arguments:?}: {exit} {said}");
    }
    repeated(&site, &under_sun[0]);
}

/// A print is repeated under another source by the factor that was kept, and not without one.
fn repeated(site: &Site, print: &str) {
    let daemon = site.run();
    let like = ["expose", "oak", "--like", print, "--source", "box"];
    let (code, said) = refused(&site.frameside(like));
    assert!(code == 1 && said.starts_with("nothing says what a dose under sun is under box;"), "{said}");
    let prints = json_of(site, &["prints"]);
    let under_box = prints.as_array().unwrap().iter().find(|other| other["source"] == "box").unwrap();
    let under_box = under_box["print"].as_str().unwrap();
    // Kept the other way round, it is turned.
    let kept = ["source", "factor", "box", "sun", "--keep", "--paired", print, under_box];
    let factor = number(&json_of(site, &kept), "factor");
    let begun = json_of(site, &like);
    let ratio = number(&begun, "target_j_m2") / dose(site, print);
    assert!((ratio / factor - 1.0).abs() < 1e-9, "{begun}");
    let steps = begun["steps"].as_array().unwrap();
    assert!(steps[1].as_str().unwrap().contains("from 1 pair of prints, kept on "), "{begun}");
    let shown = json_of(site, &["show", begun["print"].as_str().unwrap()]);
    assert_eq!(shown["source"], "box");
    // Under its own source nothing is converted, and none has to be told.
    ok(&site.frameside(["bring-in", "oak"]));
    let again = json_of(site, &["expose", "oak", "--like", print]);
    assert!((number(&again, "target_j_m2") / dose(site, print) - 1.0).abs() < 1e-9, "{again}");
    assert!(daemon.terminate().success());
}

/// Both sources have the same made-up light here: about 40 W/m².
fn compared(site: &Site) {
    let chart = site.path("sources.svg");
    let chart = ["source", "compare", "sun", "box", "--dose", "15kJ/m2", "--chart", chart.to_str().unwrap()];
    let compared = json_of(site, &chart);
    for source in compared["sources"].as_array().unwrap() {
        assert_eq!(source["prints"], 2);
        let light = number(source, "irradiance_w_m2");
        assert!((30.0..=50.0).contains(&light), "{source}");
        assert!((number(source, "seconds") - 15_000.0 / light).abs() < 1e-6);
    }
    let svg = std::fs::read_to_string(site.path("sources.svg")).unwrap();
    assert!(svg.contains("sun") && svg.contains("box") && svg.contains("time of day"));
    let said = ok(&site.frameside(["source", "list"]));
    assert!(said.contains("sun: sun, 2 prints") && said.contains("box: lamp, 2 prints"), "{said}");
    assert!(said.contains("ICNIRP") && said.contains("software is never the only cut-off"), "{said}");
    let (code, said) = refused(&site.frameside(["source", "compare", "sun", "moon"]));
    assert!(code == 1 && said.contains("no print under moon"), "{said}");
}

/// A wedge whose curve has its middle `shift` further right in log H than that of
/// `shift` zero, printed with 30 kJ/m².
fn wedge(shift: f64) -> String {
    let mut table = String::from("wedge_density,density\n");
    for step in 0..21 {
        let wedge = 0.05 + 0.15 * f64::from(step);
        let log_h = 30f64.log10() - wedge - shift;
        let _ = writeln!(table, "{wedge:.2},{:.4}", 0.1 + 1.3 / (1.0 + (-4.0 * log_h).exp()));
    }
    table
}

#[test]
fn wedges_under_both_sources_give_their_shift() {
    let site = with_a_box();
    let daemon = site.run();
    ok(&site.frameside(["recipe", "add", "citrate", "--support", "rag", "--sensitizer", "citrate 2:1"]));
    for (source, shift) in [("sun", 0.0), ("box", 0.18)] {
        let file = site.path(&format!("{source}.csv"));
        std::fs::write(&file, wedge(shift)).unwrap();
        let file = file.to_str().unwrap();
        ok(&site.frameside(["wedge", file, "--dose", "30kJ/m2", "--recipe", "citrate", "--source", source]));
    }
    assert!(daemon.terminate().success());
    let found = json_of(&site, &["source", "factor", "sun", "box", "--recipe", "citrate"]);
    assert!((number(&found, "factor").log10() + 0.18).abs() < 1e-3, "{found}");
    assert_eq!(found["evidence"], "step wedges of citrate");
}

fn spectrum(file: &Path, shape: impl Fn(f64) -> f64) -> String {
    let rows: String = (300..=500).map(|nm| format!("{nm},{}\n", shape(f64::from(nm)))).collect();
    std::fs::write(file, format!("wavelength_nm,value\n{rows}")).unwrap();
    file.to_str().unwrap().to_owned()
}

#[test]
fn spectra_predict_a_factor_and_say_that_it_is_predicted() {
    let folder = tempfile::TempDir::new().unwrap();
    let gaussian = |peak: f64, width: f64| {
        move |nm: f64| (-4.0 * std::f64::consts::LN_2 * ((nm - peak) / width).powi(2)).exp()
    };
    let sensor = spectrum(&folder.path().join("sensor.csv"), gaussian(360.0, 50.0));
    let process = spectrum(&folder.path().join("process.csv"), |nm| 10f64.powf((360.0 - nm).min(0.0) / 60.0));
    let near = spectrum(&folder.path().join("near.csv"), gaussian(365.0, 10.0));
    let far = spectrum(&folder.path().join("far.csv"), gaussian(405.0, 14.0));
    let ask = |b: &str, more: &[&str]| {
        let all = ["source", "mismatch", "--sensor", &sensor, "--process", &process, "--a", &near, "--b", b];
        frameside(all.iter().chain(more))
    };
    let found: Value = serde_json::from_str(&ok(&ask(&far, &["--json"]))).unwrap();
    // 1.173 / 0.667 of the sun (computed with numpy).
    assert!((number(&found, "factor") - 1.173 / 0.667).abs() < 5e-3, "{found}");
    assert_eq!(found["blind"], true);
    let said = ok(&ask(&far, &[]));
    assert!(said.contains("predicted from spectra") && said.contains("nearly blind"), "{said}");
    assert!(said.contains("is an assumption"), "{said}");
    let found: Value = serde_json::from_str(&ok(&ask(&near, &["--json"]))).unwrap();
    assert_eq!(
        (number(&found, "factor"), number(&found, "stops"), &found["blind"]),
        (1.0, 0.0, &false.into())
    );
    let wrong = folder.path().join("wrong.csv");
    std::fs::write(&wrong, "wavelength_nm,value\n300,1\n290,1\n").unwrap();
    let (code, said) = refused(&ask(wrong.to_str().unwrap(), &[]));
    assert!(code == 1 && said.contains("wrong.csv:3: wavelengths must rise"), "{said}");
}

#[test]
fn a_lamp_box_is_measured_from_tables() {
    let folder = tempfile::TempDir::new().unwrap();
    let write = |name: &str, text: String| {
        std::fs::write(folder.path().join(name), text).unwrap();
        folder.path().join(name).to_str().unwrap().to_owned()
    };
    let json = |arguments: &[&str]| -> Value {
        serde_json::from_str(&ok(&frameside(arguments.iter().chain(&["--json"])))).unwrap()
    };
    let cold: String = (0..900)
        .map(|s| {
            let light = 30.0 * (1.0 - 0.4 * (-f64::from(s) / 60.0).exp());
            format!("2026-03-01T10:{:02}:{:02}Z,{light:.4}\n", s / 60, s % 60)
        })
        .collect();
    let cold = write("cold.csv", format!("time,irradiance_w_m2\n{cold}"));
    let found = json(&["lamp", "warm-up", "--csv", &cold]);
    // 60 ln 20 = 179.7 s, and 30 x 0.4 x 60 x (1 - 1/20) = 684 J/m²; by hand.
    assert!((number(&found, "seconds") - 180.0).abs() <= 1.0, "{found}");
    assert!((number(&found, "lacks_j_m2") - 684.0).abs() < 2.0, "{found}");
    assert!((number(&found, "eye_limit_seconds") - 333.3).abs() < 0.2, "{found}");

    let bed: String = (0..25)
        .map(|i| (f64::from(i % 5) / 2.0 - 1.0, f64::from(i / 5) / 2.0 - 1.0))
        .map(|(x, y)| {
            let light = 25.0 * (-0.5 * x.abs().max(y.abs())).exp2();
            format!("{},{},{light}\n", 20.0 + 20.0 * x, 15.0 + 15.0 * y)
        })
        .collect();
    let bed = write("bed.csv", format!("x_cm,y_cm,irradiance_w_m2\n{bed}"));
    let chart = folder.path().join("bed.png");
    let found = json(&["lamp", "evenness", &bed, "--within", "1/4stop", "--chart", chart.to_str().unwrap()]);
    // Half a stop from the middle to the edge: a quarter half way out.
    assert!(
        (number(&found, "width_m") - 0.2).abs() < 1e-9 && (number(&found, "height_m") - 0.15).abs() < 1e-9
    );
    assert!((number(&found, "spread_stops") - 0.5).abs() < 1e-9, "{found}");
    assert!(std::fs::read(&chart).unwrap().starts_with(b"\x89PNG"));

    let months: String = (1..=9)
        .map(|month| format!("2026-{month:02}-01T12:00:00Z,{}\n", 25.0 * (-f64::from(month) / 20.0).exp2()))
        .collect();
    let months = write("months.csv", format!("time,irradiance_w_m2\n{months}"));
    let found = json(&["lamp", "ageing", "--csv", &months, "--loss", "1/2stop"]);
    // A twentieth of a stop a month: half a stop after ten.
    assert!((number(&found, "lost_stops") - 0.4).abs() < 0.01, "{found}");
    assert!(found["expected"].as_str().unwrap().starts_with("2026-1"), "{found}");
    let (code, said) = refused(&frameside(["lamp", "ageing", "--csv", &cold]));
    assert!(code == 1 && said.contains("all of one day"), "{said}");
}

/// A rig with a lamp box whose relay is emulated and a sensor in it that the lamp lights,
/// ten times as fast as life: the lamp is cut when its sensor is silent for 3 s.
fn switched_box() -> Site {
    let site = Site::new(
        "[rig]\nname = \"shed\"\ntimezone = \"UTC\"\n\
         [[sensor]]\nname = \"bed\"\nchip = \"emulated:as7331\"\nperiod = \"10s\"\n\
         light = \"tube.csv\"\nlit_by = \"box\"\nspeed = 10\n\
         [[frame]]\nname = \"oak\"\nsensor = \"bed\"\n\
         [[source]]\nname = \"box\"\nkind = \"lamp\"\nrelay = \"emulated\"\n",
    );
    let light = |minute: f64| 30.0 * (1.0 - 0.4 * (-minute).exp());
    let rows = (0..120).map(|half| {
        format!("2026-06-01T10:{:02}:{:02}Z,{:.3}\n", half / 2, half % 2 * 30, light(f64::from(half) / 2.0))
    });
    let table = format!("time,irradiance_w_m2\n{}", rows.collect::<String>());
    std::fs::write(site.path("tube.csv"), table).unwrap();
    site
}

#[test]
fn a_lamp_that_is_switched_warms_up_in_its_own_prints() {
    let site = switched_box();
    let _daemon = site.run();
    wait_until_due(&site, "box", "8kJ/m2");
    let is_dark = |sensor: &Value| sensor["irradiance_w_m2"].as_f64().is_some_and(|light| light < 1.0);
    wait_for("the dark", SOON, || is_dark(&json_of(&site, &["status"])["sensors"][0]).then_some(()));
    let print = bring_in(&site);
    let found = json_of(&site, &["lamp", "warm-up", "--print", &print]);
    let shown = json_of(&site, &["show", &print]);
    // 0.4 exp(-t / 60 s) = 0.02 after 180 s; readings are 10 s apart or late, the file's rows 30 s.
    let curve = shown["curve"].as_array().unwrap();
    let steps = curve.windows(2).map(|pair| pair[1][0].as_f64().unwrap() - pair[0][0].as_f64().unwrap());
    let longest = steps.fold(10.0, f64::max);
    assert!((number(&found, "seconds") - 180.0).abs() <= 5.0 + longest, "{found}");
    assert!((number(&found, "steady_w_m2") - 30.0).abs() < 0.2, "{found}");
    let events = shown["events"].as_array().unwrap().iter().rev();
    let last: Vec<&str> = events.take(3).map(|event| event["kind"].as_str().unwrap()).collect();
    assert_eq!(last, ["brought-in", "lamp-off", "due"], "{shown}");
    // The mean light is that of the time it was on.
    let listed = json_of(&site, &["source", "list"]);
    let mean = number(&listed["sources"][1], "irradiance_w_m2");
    assert!((25.0..30.0).contains(&mean), "{listed}");
}

#[test]
fn the_bed_is_read_place_by_place_on_a_terminal() {
    let site = switched_box();
    let args = ["lamp", "evenness", "--grid", "2x2", "--size", "40x30cm"];
    let (code, said) = refused(&site.frameside(args));
    assert!(code == 2 && said.contains("place by place it asks on a terminal"), "{said}");

    // Under a lamp that burns in any case, and so steadily.
    let config = std::fs::read_to_string(site.path("config.toml")).unwrap();
    site.configure(&config.replace("lit_by = \"box\"\n", "").replace("speed = 10", "speed = 100"));
    let steady = "time,irradiance_w_m2\n2026-06-01T10:00:00Z,29.8\n2026-06-01T22:00:00Z,29.8\n";
    std::fs::write(site.path("tube.csv"), steady).unwrap();
    let _daemon = site.run();
    let bed = site.path("bed.csv");
    // Four corners and the middle, one of them read again, and what is none of the keys.
    let (is_done, said) =
        on_a_terminal(&site, &args, &["", "", "x", "b", "", "", "", "", bed.to_str().unwrap()]);
    assert!(is_done && said.contains("3 of 5: 40.0 cm from the left, 30.0 cm from below"), "{said}");
    assert!(said.contains("5 of 5: 20.0 cm from the left, 15.0 cm from below"), "{said}");
    assert!(said.contains("Enter, b or q"), "{said}");
    assert!(said.contains("5 places, ") && said.contains("within 0.17 stops: 40.0 by 30.0 cm"), "{said}");
    let found = json_of(&site, &["lamp", "evenness", bed.to_str().unwrap()]);
    assert_eq!(found["places"].as_array().unwrap().len(), 5);
    assert!((number(&found["places"][3], "irradiance_w_m2") - 29.8).abs() < 0.5, "{found}");

    // Called away after two places.
    let part = site.path("part.csv");
    let there = [&args[..], &["--save", bed.to_str().unwrap()]].concat();
    let (is_done, said) = on_a_terminal(&site, &there, &[]);
    assert!(!is_done && said.contains("bed.csv is there already; name a new file"), "{said}");
    let names = [bed.to_str().unwrap(), part.to_str().unwrap()];
    let (is_done, said) = on_a_terminal(&site, &args, &["", "", "q", names[0], names[1]]);
    assert!(!is_done && said.contains("ended before the last place; what was read is in"), "{said}");
    assert_eq!(std::fs::read_to_string(&part).unwrap().lines().count(), 1 + 2);
}

/// Types lines at a command on a terminal of its own; gives whether that succeeds, and what it shows.
fn on_a_terminal(site: &Site, args: &[&str], lines: &[&str]) -> (bool, String) {
    let mut child = site.on_a_terminal(args);
    let mut keyboard = child.stdin.take().unwrap();
    for line in lines {
        // The terminal keeps what is typed ahead.
        writeln!(keyboard, "{line}").unwrap();
    }
    let output = child.wait_with_output().unwrap();
    drop(keyboard);
    (output.status.success(), String::from_utf8(output.stdout).unwrap())
}

#[test]
fn a_sensor_that_is_read_seldom_has_no_lamp_to_mind() {
    let site = switched_box();
    let config = std::fs::read_to_string(site.path("config.toml")).unwrap();
    std::fs::write(site.path("config.toml"), config.replace("\"10s\"", "\"11s\"")).unwrap();
    let _daemon = site.run();
    let (code, said) = refused(&site.frameside(["expose", "oak", "--target", "1kJ/m2", "--source", "box"]));
    assert!(code == 1 && said.ends_with("set its period to 10 s or less"), "{said}");
}
