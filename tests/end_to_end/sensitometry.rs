//! Wedges and strips from tables, by the real binary.

use frameside_tests::{Site, frameside};
use image::{ImageBuffer, Luma};
use serde_json::Value;

use crate::yard::{number, ok, refused, site};

/// A wedge of even steps, with the densities that it printed.
struct Printed {
    dose: &'static str,
    first: f64,
    increment: f64,
    densities: Vec<f64>,
}

fn first() -> Printed {
    let densities = vec![
        1.42, 1.42, 1.41, 1.40, 1.37, 1.32, 1.24, 1.13, 0.99, 0.83, 0.67, 0.52, 0.39, 0.29, 0.22, 0.17, 0.14,
        0.12, 0.11, 0.10, 0.10,
    ];
    Printed { dose: "30kJ/m2", first: 0.05, increment: 0.15, densities }
}

fn second() -> Printed {
    let mut densities = vec![
        1.55, 1.53, 1.49, 1.44, 1.36, 1.26, 1.13, 0.98, 0.82, 0.66, 0.51, 0.39, 0.30, 0.23, 0.18, 0.15, 0.12,
        0.11, 0.10, 0.09, 0.09, 0.09,
    ];
    densities.extend([0.08; 9]);
    Printed { dose: "60kJ/m2", first: 0.04, increment: 0.10, densities }
}

fn third() -> Printed {
    let densities = vec![1.30, 1.29, 1.24, 1.08, 0.78, 0.46, 0.24, 0.13, 0.09];
    Printed { dose: "16kJ/m2", first: 0.0, increment: std::f64::consts::LOG10_2, densities }
}

/// The first, printed three steps longer: its blue turns over.
fn turned() -> Printed {
    let mut densities = vec![1.18, 1.29, 1.37];
    densities.extend(first().densities);
    Printed { dose: "84.6kJ/m2", densities, ..first() }
}

impl Printed {
    fn table(&self) -> String {
        let row = |(i, density): (usize, &f64)| {
            format!("{},{},{density}\n", i + 1, self.first + self.increment * i as f64)
        };
        let rows: String = self.densities.iter().enumerate().map(row).collect();
        format!("step,wedge_density,density\n{rows}")
    }
}

/// Writes a table into the site; gives its path.
fn write(site: &Site, name: &str, table: &str) -> String {
    std::fs::write(site.path(name), table).unwrap();
    site.path(name).to_str().unwrap().to_owned()
}

fn json(arguments: &[&str]) -> Value {
    serde_json::from_str(&ok(&frameside(arguments.iter().chain(&["--json"])))).unwrap()
}

#[track_caller]
fn assert_near(value: &Value, field: &str, expected: f64, tolerance: f64) {
    let ours = number(value, field);
    assert!((ours - expected).abs() <= tolerance, "{field}: {ours} instead of {expected}");
}

#[test]
fn wedges_have_the_points_of_the_standard() {
    let site = site(1, None);
    // Computed with scipy, PchipInterpolator: toe, mid, shoulder; range, in stops, after
    // ISO 6846; dose at mid in kJ/m².
    for (printed, logs, range, iso, speed) in [
        (first(), [-0.972_879, -0.044_148, 0.609_772], [1.582_65, 5.257_45], 160, 0.903_342),
        (second(), [0.138_151, 0.850_965, 1.387_643], [1.249_492, 4.150_723], 120, 7.095_213),
        (third(), [-0.903_090, -0.083_000, 0.455_916], [1.359_006, 4.514_520], 140, 0.826_038),
    ] {
        let table = write(&site, "wedge.csv", &printed.table());
        let told = json(&["wedge", &table, "--dose", printed.dose]);
        for (field, log) in ["log_toe", "log_mid", "log_shoulder"].into_iter().zip(logs) {
            assert_near(&told, field, log, 1e-6);
        }
        assert_near(&told, "log_range", range[0], 1e-5);
        assert_near(&told, "range_stops", range[1], 1e-5);
        assert_eq!(told["iso_range"], iso);
        assert_near(&told, "speed_dose_j_m2", 1000.0 * speed, 1e-2);
        assert_eq!(told["d_max"], printed.densities[0]);
        assert_eq!(told["d_min"], *printed.densities.last().unwrap());
        assert_eq!(told["points"].as_array().unwrap().len(), printed.densities.len());
    }
}

#[test]
fn a_wedge_may_be_told_by_its_increment_and_in_lightness() {
    let site = site(1, None);
    let whole = json(&["wedge", &write(&site, "a.csv", &first().table()), "--dose", "30kJ/m2"]);
    let even: String = first().densities.iter().map(|d| format!("{d}\n")).collect();
    let even = write(&site, "a.csv", &format!("density\n\n# clear end first\n{even}"));
    let even = json(&["wedge", &even, "--dose", "30kJ/m2", "--increment", "0.15", "--first", "0.05"]);
    for field in ["log_toe", "log_mid", "log_shoulder", "speed_dose_j_m2", "full_dose_j_m2"] {
        assert_near(&even, field, number(&whole, field), 1e-9);
    }
    // ISO/CIE 11664-4: L* 50 is density 0.734742, L* 95 is 0.057405 (computed with colour-science).
    let lstar = "wedge_density,lstar\n0,20\n0.3,20\n0.6,25\n0.9,50\n1.2,80\n1.5,94\n1.8,95\n2.1,95\n";
    let told = json(&["wedge", &write(&site, "l.csv", lstar), "--dose", "30kJ/m2"]);
    assert_near(&told, "d_min", 0.057_405, 1e-6);
    assert_near(&told, "d_max", 1.524_466, 1e-6);
}

#[test]
fn a_wedge_without_its_dose_tells_no_dose() {
    let site = site(1, None);
    let table = write(&site, "wedge.csv", &first().table());
    let told = json(&["wedge", &table]);
    for field in ["dose_j_m2", "speed_dose_j_m2", "full_dose_j_m2"] {
        assert!(told[field].is_null(), "{field}: {told}");
    }
    assert_near(&told, "log_range", 1.582_65, 1e-5);
    // The speed point then lies at a density of the wedge: log10 of 30 above.
    assert_near(&told, "log_mid", -0.044_148 - 30f64.log10(), 1e-6);
    let said = ok(&frameside(["wedge", &table]));
    assert!(said.contains("wedge density 1.52") && !said.contains("kJ/m²"), "{said}");
}

#[test]
fn a_printmaker_reads_what_to_change() {
    let site = site(1, None);
    let table = write(&site, "citrate.csv", &turned().table());
    let wedge = ["wedge", &table, "--dose", "84.6kJ/m2", "--range", "1.4", "--target", "15kJ/m2"];
    let said = ok(&frameside(wedge));
    for part in [
        "citrate: 24 steps under 84.6 kJ/m²",
        "paper white (Dmin) 0.10, darkest (Dmax) 1.42",
        "(ISO range 160)",
        "turns over past 18.9 kJ/m²: 0.24 lost at the clearest step",
        "the negative must span 2.15",
        "yours spans 1.40, 0.75 too little: its lights come out blue, not white",
        "target shift",
    ] {
        assert!(said.contains(part), "no '{part}' in\n{said}");
    }
    let told = json(&wedge);
    assert_near(&told["turn_over"], "lost", 0.24, 1e-9);
    // The toe of the first wedge, -0.972879 (computed with scipy), under so much more dose
    // and three steps.
    let toe = -0.972_879 + (84.6f64 / 30.0).log10() - 0.45;
    let must_span = number(&told, "negative_must_span");
    assert!((must_span - (15f64.log10() - toe)).abs() < 1e-6, "{must_span}");
    assert!((number(&told, "negative_off") - (1.4 - must_span)).abs() < 1e-12);
}

#[test]
fn a_wedge_says_what_negative_gives_which_tone() {
    let site = site(1, None);
    let (table, tones) = (write(&site, "citrate.csv", &first().table()), site.path("tones.csv"));
    let target = ["--dose", "30kJ/m2", "--target", "4.07kJ/m2", "--tones", tones.to_str().unwrap()];
    ok(&frameside(["wedge", &table].iter().chain(&target)));
    let text = std::fs::read_to_string(&tones).unwrap();
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some("lstar,density,negative_density"));
    let rows: Vec<Vec<f64>> =
        lines.map(|line| line.split(',').map(|cell| cell.parse().unwrap()).collect()).collect();
    // From the toe, Dmin + 0.04, to the shoulder: the log range (computed with scipy).
    let (light, dark) = (&rows[0], &rows[rows.len() - 1]);
    assert!((light[1] - 0.14).abs() < 1e-3 && (light[2] - 1.582_5).abs() < 1e-3, "{light:?}");
    assert!((dark[1] - 1.288).abs() < 1e-3 && dark[2].abs() < 1e-3, "{dark:?}");
    let step = rows[0][0] - rows[1][0];
    assert!(rows.windows(2).all(|pair| (pair[0][0] - pair[1][0] - step).abs() < 2e-3), "even in L*");
    let (code, said) = refused(&frameside(["wedge", &table, &table].iter().chain(&target)));
    assert_eq!((code, said.as_str()), (1, "--tones takes one wedge; give one FILE"));
}

#[test]
fn several_wedges_are_compared_in_one_chart() {
    let site = site(1, None);
    let (may, june) =
        (write(&site, "may.csv", &first().table()), write(&site, "june.csv", &turned().table()));
    let (svg, png) = (site.path("both.svg"), site.path("one.png"));
    let both = ["wedge", &may, &june, "--dose", "30kJ/m2", "--chart", svg.to_str().unwrap()];
    let said = ok(&frameside(both));
    assert!(said.starts_with("may: ") && said.contains("\njune: "), "{said}");
    let drawn = std::fs::read_to_string(&svg).unwrap();
    assert!(drawn.contains(">may<") && drawn.contains(">june<") && drawn.contains("dose, kJ/m²"));
    assert_eq!(json(&both).as_array().unwrap().len(), 2);
    ok(&frameside(["wedge", &may, "--dose", "30kJ/m2", "--chart", png.to_str().unwrap()]));
    assert!(std::fs::read(&png).unwrap().starts_with(b"\x89PNG"));
}

#[test]
fn a_strip_is_planned_in_even_stops() {
    let plan = ["strip", "plan", "--from", "4kJ/m2", "--bands", "7", "--step", "1/2stop"];
    let told = json(&plan);
    let doses: Vec<f64> =
        told["doses_j_m2"].as_array().unwrap().iter().map(|dose| dose.as_f64().unwrap()).collect();
    assert_eq!(doses.len(), 7);
    for (dose, n) in doses.iter().zip(0i32..) {
        assert!((dose / (4000.0 * (0.5 * f64::from(n)).exp2()) - 1.0).abs() < 1e-12, "{dose}");
    }
    let said = ok(&frameside(plan));
    assert!(said.contains("band 4  11.3 kJ/m²") && said.contains("--strip 4.000kJ/m2,5.657kJ/m2,"), "{said}");
}

#[test]
fn a_strip_tells_the_least_dose_for_full_density() {
    let site = site(1, None);
    let read = |doses: &[f64], densities: &[f64]| {
        let rows: String = doses.iter().zip(densities).map(|(h, d)| format!("{h},{d}\n")).collect();
        let table = write(&site, "strip.csv", &format!("dose_kj_m2,density\n{rows}"));
        let arguments = ["strip", "read", "--csv", &table];
        (json(&arguments), ok(&frameside(arguments)))
    };
    // Computed with scipy: least dose in J/m² and plateau.
    let (told, said) =
        read(&[4.0, 5.657, 8.0, 11.314, 16.0, 22.627, 32.0], &[0.62, 0.84, 1.06, 1.24, 1.34, 1.38, 1.38]);
    assert_eq!(told["answer"], "found");
    assert_near(&told, "least_dose_j_m2", 16_994.957, 1e-3);
    assert_near(&told, "plateau_density", 1.380, 1e-9);
    assert!(said.starts_with("full density of 1.38 from 17.0 kJ/m²"), "{said}");
    let (told, _) = read(
        &[6.0, 8.0, 10.0, 12.0, 14.0, 16.0, 18.0, 20.0],
        &[0.95, 1.12, 1.24, 1.31, 1.35, 1.36, 1.34, 1.29],
    );
    assert_near(&told, "least_dose_j_m2", 12_588.021, 1e-3);
    let (told, said) = read(&[3.0, 6.0, 12.0, 24.0], &[0.40, 0.71, 1.02, 1.27]);
    assert_eq!((&told["answer"], told["least_dose_j_m2"].is_null()), (&Value::from("extend"), true));
    assert!(said.contains("extend the strip to more dose"), "{said}");
}

#[test]
fn wrong_tables_are_refused_at_their_line() {
    let site = site(1, None);
    let wedge = |table: &str| {
        let file = write(&site, "wedge.csv", table);
        let (code, said) = refused(&frameside(["wedge", &file, "--dose", "30kJ/m2", "--json"]));
        assert!(code == 1 && !said.contains('\n'), "{code}: {said}");
        said.strip_prefix(&format!("{file}:")).unwrap_or_else(|| panic!("{said}")).to_owned()
    };
    let good = first().table();
    for (table, says) in [
        (String::new(), "1: the file is empty; its first line names columns"),
        ("step,colour\n".to_owned(), "1: 'colour' is not a column here; the columns are step"),
        ("density,density\n".to_owned(), "1: the column density comes twice"),
        ("wedge_density\n0.1\n".to_owned(), "1: there is neither a column density nor lstar"),
        ("density\n0.1\n".to_owned(), "1: there is no column wedge_density; add it, or give --increment"),
        (good.replace(",1.13", ",1,13"), "9: 4 cells instead of 3; part them with commas"),
        (good.replace(",1.13", ",dark"), "9: 'dark' in column density is not a number"),
        (good.replace(",1.13", ",NaN"), "9: 'NaN' in column density is not a number"),
        (good.replace(",1.13", ",0.29"), "9: step 8 with density 0.29 breaks the run"),
        (good.replace(",1.13", ",11.3"), "9: step 8 has print density 11.3"),
        (good.replace("8,1.1", "8,0.1"), "9: step 8 has wedge density 0.10, below the step before it"),
        ("wedge_density,density\n0,1\n".to_owned(), "1: a wedge needs at least 5 steps, not 1"),
    ] {
        let said = wedge(&table);
        assert!(said.starts_with(says), "{said}");
    }
    let strip = write(&site, "strip.csv", "dose_kj_m2,density\n4,0.6\n8,0.9\n6,1.2\n");
    let (code, said) = refused(&frameside(["strip", "read", "--csv", &strip]));
    assert_eq!(code, 1);
    assert!(said.starts_with(&format!("{strip}:4: band 3 with 6.00 kJ/m² is not above")), "{said}");
    let (code, said) = refused(&frameside(["wedge", "/nowhere.csv"]));
    assert!(code == 1 && said.starts_with("/nowhere.csv: "), "{said}");
    let table = write(&site, "wedge.csv", &good);
    let (code, said) = refused(&frameside(["wedge", &table, "--chart", "wedge.gif"]));
    assert!(code == 2 && said.contains(".svg, .png or .pdf"), "{said}");
}

#[test]
fn wrong_usage_is_told_as_such() {
    for arguments in [
        &["wedge"][..],
        &["wedge", "a.csv", "--dose", "30"],
        &["wedge", "a.csv", "--increment", "0"],
        &["wedge", "a.csv", "--first", "0.05"],
        &["wedge", "a.csv", "--target", "15kJ/m2"],
        &["strip", "plan", "--from", "4kJ/m2", "--bands", "1", "--step", "1/2stop"],
        &["strip", "plan", "--from", "4kJ/m2", "--bands", "5", "--step", "-1stop"],
        &["strip", "plan", "--from", "0kJ/m2", "--bands", "5", "--step", "1stop"],
        &["strip", "read"],
    ] {
        assert_eq!(refused(&frameside(arguments)).0, 2, "{arguments:?}");
    }
}

/// A scan in sRGB of patches, each 40 pixels wide, over a white of 0.10 and a black of 1.80.
pub(crate) fn scan_of(site: &Site, densities: &[f64]) -> String {
    let density = |x: u32, y: u32| match ((x / 40) as usize, y) {
        (patch, 20..120) if patch < densities.len() => densities[patch],
        (10..15, 140..190) => 1.80,
        _ => 0.10,
    };
    let number = |x, y| {
        let light: f64 = 0.9 * (10f64.powf(-density(x, y)) + 0.002);
        // IEC 61966-2-1.
        let number = if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 };
        Luma([(number * 65_535.0).round() as u16])
    };
    let file = site.path("scan.png");
    ImageBuffer::from_fn(900, 200, number).save(&file).unwrap();
    file.to_str().unwrap().to_owned()
}

#[test]
fn a_scan_gives_the_table_of_a_wedge() {
    let site = site(1, None);
    let (scan, table) = (scan_of(&site, &first().densities), site.path("wedge.csv"));
    let references = ["--reference", "10,140,90,190=0.10", "--reference", "400,140,600,190=1.80"];
    let row = ["wedge", "scan", &scan, "--patches", "21", "--row", "0,20,840,120"];
    let arguments: Vec<&str> = row.iter().chain(&references).copied().collect();
    let told = json(&arguments);
    for (patch, known) in told["patches"].as_array().unwrap().iter().zip(first().densities) {
        assert_near(patch, "density", known, 1e-3);
    }
    let table = table.to_str().unwrap();
    let said = ok(&frameside(arguments.iter().chain(&["--out", table])));
    assert!(said.contains("step  9  0.99 ± 0.00") && said.contains("no densitometer"), "{said}");
    let wedge = json(&["wedge", table, "--dose", "30kJ/m2", "--increment", "0.15", "--first", "0.05"]);
    assert_near(&wedge, "log_range", 1.582_65, 5e-3);

    let refused_with = |row: &str, references: &[&str]| {
        let head = ["wedge", "scan", &scan, "--patches", "21", "--row", row];
        let (code, said) = refused(&frameside(head.iter().chain(references)));
        assert_eq!(code, 1, "{said}");
        said.strip_prefix(&format!("{scan}: ")).unwrap_or_else(|| panic!("{said}")).to_owned()
    };
    let said = refused_with("20,20,860,120", &references);
    assert!(
        said.starts_with("patch 4 is uneven by 0.0") || said.starts_with("patch 5 is uneven by 0.0"),
        "{said}"
    );
    let said = refused_with("0,20,840,201", &references);
    assert_eq!(said, "patch 1 lies outside the scan of 900 by 200 pixels");
    let said = refused_with(
        "0,20,840,120",
        &["--reference", "10,140,90,190=0.10", "--reference", "10,140,90,190=1.8"],
    );
    assert!(said.starts_with("the references contradict one another"), "{said}");
    let said = refused_with(
        "0,20,840,120",
        &[references[0], references[1], references[2], references[3], "--linear"],
    );
    assert!(said.ends_with("read it again without --linear"), "{said}");
    let said = refused_with("0,20,840,120", &["--reference", "380,140,420,190=1.80"]);
    assert!(said.starts_with("reference 1 is uneven"), "{said}");
    for wrong in [&["--row", "0,20,840"][..], &["--row", "0,20,840,120", "--reference", "1,2,3,4"]] {
        let head = ["wedge", "scan", &scan, "--patches", "21"];
        assert_eq!(refused(&frameside(head.iter().chain(wrong))).0, 2, "{wrong:?}");
    }
}
