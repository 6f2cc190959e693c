//! The charts as a whole: what they say, and that they can be drawn.

use resvg::tiny_skia::Pixmap;

use super::*;

/// A print in steady light with everything a chart can show.
fn a_print() -> DoseCurve {
    let points = (0..=600).map(|s| CurvePoint {
        seconds: f64::from(s),
        irradiance_w_m2: if (200..=260).contains(&s) { f64::NAN } else { 30.0 },
        dose_j_m2: 30.0 * f64::from(s),
    });
    let band = (200..=600).map(|s| {
        let off = 10.0 * (f64::from(s) - 200.0).min(60.0);
        let best = 30.0 * f64::from(s);
        BandPoint { seconds: f64::from(s), low_j_m2: best - off, high_j_m2: best + off }
    });
    DoseCurve {
        title: "Fern & <oak>".to_owned(),
        subtitle: vec!["large oak frame".to_owned()],
        started: "10:04 on 14 July 2026".to_owned(),
        points: points.collect(),
        target_j_m2: 15_000.0,
        covered: vec![Span { from_s: 300.0, to_s: 380.0 }],
        gaps: vec![Span { from_s: 200.0, to_s: 260.0 }],
        band: band.collect(),
        signals: vec![Signal { seconds: 440.0, kind: "nearly".to_owned() }],
        due_s: Some(500.0),
        brought_in_s: Some(600.0),
    }
}

fn a_day() -> DayOfLight {
    let light = |minute: i32| LightPoint { seconds: 60.0 * f64::from(minute), irradiance_w_m2: 20.0 };
    DayOfLight {
        title: "Light of 14 July".to_owned(),
        subtitle: vec![],
        points: (480..1080).map(light).collect(),
        gaps: vec![Span { from_s: 43_200.0, to_s: 46_800.0 }],
        clear: (480..1080)
            .map(|minute| LightPoint { seconds: 60.0 * f64::from(minute), irradiance_w_m2: 35.0 })
            .collect(),
        hours: vec![HourDose { hour: 8, dose_j_m2: 72_000.0 }, HourDose { hour: 9, dose_j_m2: f64::NAN }],
    }
}

fn a_few_prints() -> Overview {
    let print = |name: &str, start: f64, seconds: f64| OverviewPrint {
        label: vec![name.to_owned(), format!("{} min", seconds / 60.0)],
        points: (0..=20)
            .map(|i| f64::from(i) / 20.0)
            .map(|part| FractionPoint { seconds: start + part * seconds, fraction: part })
            .collect(),
    };
    Overview {
        title: "One day".to_owned(),
        subtitle: vec![],
        prints: vec![print("oak", 36_000.0, 600.0), print("elm", 36_300.0, 2400.0)],
        light: a_day().points,
        gaps: vec![],
    }
}

fn a_wedge() -> Characteristic {
    let curve = |label: &str, shift: f64| {
        let line = (0..=100)
            .map(|i| 0.03 * f64::from(i))
            .map(|x| (x - 1.5 + shift, 0.1 + 1.3 / (1.0 + (-3.0 * (x - 1.5)).exp())));
        let line: Vec<_> = line.collect();
        let (log_h, density) = line[50];
        let marks = vec![Mark {
            log_h,
            density,
            sigma: 0.1,
            label: vec!["speed point".to_owned(), "1.00 kJ/m²".to_owned()],
        }];
        WedgeCurve { label: label.to_owned(), steps: line.iter().step_by(5).copied().collect(), line, marks }
    };
    Characteristic {
        title: "Characteristic curves".to_owned(),
        subtitle: vec!["range 1.58".to_owned()],
        curves: vec![curve("May", 0.0), curve("June", 0.3)],
        in_doses: true,
    }
}

#[test]
fn readings_name_their_kinds_and_their_axes() {
    let series = |label: &str, value: f64| Series {
        label: vec![label.to_owned()],
        dots: (8..16).map(|hour| (3600.0 * f64::from(hour), value)).collect(),
        ..Series::default()
    };
    let chart = Readings {
        title: "sun and box".to_owned(),
        name: "minutes",
        series: vec![series("sun", 8.0), series("box", 11.0), Series::default()],
        ..Readings::default()
    };
    let texts = texts(&readings(&chart));
    for wanted in ["sun and box", "minutes", "sun", "box", "time of day"] {
        assert!(texts.iter().any(|text| text == wanted), "{wanted} in {texts:?}");
    }
}

#[test]
fn a_bed_shows_each_place_and_how_far_it_is_even() {
    let places: Vec<_> =
        (0..9).map(|i| (f64::from(i % 3) * 20.0, f64::from(i / 3) * 15.0, -0.05 * f64::from(i))).collect();
    let chart = Bed { title: "box".to_owned(), places, even: Some((20.0, 15.0)), ..Bed::default() };
    let svg = bed(&chart);
    let texts = texts(&svg);
    for wanted in ["0.00", "-0.40", "cm, and stops against the brightest place"] {
        assert!(texts.iter().any(|text| text == wanted), "{wanted} in {texts:?}");
    }
    assert!(svg.contains("stroke-dasharray"), "the even area is drawn");
    assert!(png(&svg, 300).is_ok());
}

/// The texts of a chart as its reader sees them.
fn texts(svg: &str) -> Vec<String> {
    let document = resvg::usvg::roxmltree::Document::parse(svg).unwrap();
    let texts = document.descendants().filter(|node| node.has_tag_name("text"));
    texts.filter_map(|node| node.text()).map(str::to_owned).collect()
}

#[test]
fn a_dose_curve_says_what_it_shows() {
    let texts = texts(&dose_curve(&a_print()));
    for wanted in [
        "Fern & <oak>",
        "large oak frame",
        "dose, kJ/m²",
        "light, W/m²",
        "minutes since the start, 10:04 on 14 July 2026",
        "target 15.0 kJ/m²",
        "due, 8 min 20 s",
        "brought in, 10 min",
        "18.0 kJ/m²",
        "(between 17.4 and 18.6)",
        "covered",
        "not seen",
        "nearly",
    ] {
        assert!(texts.iter().any(|text| text == wanted), "{wanted} is not among {texts:?}");
    }
}

#[test]
fn a_print_still_out_says_so_far() {
    let texts = texts(&dose_curve(&DoseCurve { brought_in_s: None, due_s: None, ..a_print() }));
    assert!(texts.contains(&"so far, 10 min".to_owned()), "{texts:?}");
    assert!(!texts.iter().any(|text| text.starts_with("due") || text.starts_with("brought in")));
}

#[test]
fn a_repeated_signal_is_named_once() {
    let overdue = |seconds| Signal { seconds, kind: "overdue".to_owned() };
    let signals = (0..5).map(|i| overdue(510.0 + 20.0 * f64::from(i))).collect();
    let texts = texts(&dose_curve(&DoseCurve { signals, ..a_print() }));
    assert_eq!(texts.iter().filter(|text| *text == "overdue").count(), 1);
}

#[test]
fn a_day_and_an_overview_say_what_they_show() {
    let day = texts(&day_of_light(&a_day()));
    for wanted in ["light, W/m²", "time of day", "12:00", "not seen", "dose of each hour, kJ/m²", "72", "–"]
    {
        assert!(day.iter().any(|text| text == wanted), "{wanted} is not among {day:?}");
    }
    let prints = texts(&overview(&a_few_prints()));
    for wanted in ["dose, % of its target", "100", "oak", "10 min", "elm", "40 min"] {
        assert!(prints.iter().any(|text| text == wanted), "{wanted} is not among {prints:?}");
    }
}

#[test]
fn characteristic_curves_say_what_they_show() {
    let told = texts(&characteristic(&a_wedge()));
    for wanted in ["density of the print", "dose, kJ/m²", "0.05", "0.1", "20", "speed point", "May", "June"]
    {
        assert!(told.iter().any(|text| text == wanted), "{wanted} is not among {told:?}");
    }
    let told = texts(&characteristic(&Characteristic { in_doses: false, ..a_wedge() }));
    assert!(told.iter().any(|text| text == "log H, zero where the wedge is clear"), "{told:?}");
}

fn a_correction() -> Correction {
    Correction {
        title: "May".to_owned(),
        subtitle: vec![],
        tones: vec![(22.0, 0.0), (40.0, 0.35), (60.0, 0.7), (80.0, 1.2), (91.0, 1.58)],
    }
}

#[test]
fn a_correction_names_its_ends() {
    let told = texts(&correction(&a_correction()));
    for wanted in
        ["density of the negative", "lightness of the print, L*", "L* 22: 0.00", "L* 91: 1.58", "this paper"]
    {
        assert!(told.iter().any(|text| text == wanted), "{wanted} is not among {told:?}");
    }
}

#[test]
fn every_number_of_a_full_day_is_shown() {
    let hours: Vec<_> = (0..24).map(|hour| HourDose { hour, dose_j_m2: 100_000.0 }).collect();
    let texts = texts(&day_of_light(&DayOfLight { hours, ..a_day() }));
    assert_eq!(texts.iter().filter(|text| *text == "100").count(), 24);
}

#[test]
fn nothing_is_written_outside_the_picture() {
    let charts = [
        dose_curve(&a_print()),
        day_of_light(&a_day()),
        overview(&a_few_prints()),
        characteristic(&a_wedge()),
        correction(&a_correction()),
    ];
    for svg in charts {
        let tree = raster::tree(&svg).unwrap();
        let size = tree.size();
        for node in tree.root().children() {
            if let resvg::usvg::Node::Text(text) = node {
                let area = text.abs_bounding_box();
                assert!(area.left() >= 0.0 && area.right() <= size.width(), "{area:?}");
                assert!(area.top() >= 0.0 && area.bottom() <= size.height(), "{area:?}");
            }
        }
    }
}

#[test]
fn empty_and_senseless_charts_are_still_pictures() {
    let senseless = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, -1.0, 1e12].map(|v| CurvePoint {
        seconds: v,
        irradiance_w_m2: v,
        dose_j_m2: v,
    });
    let hostile = DoseCurve {
        title: "\u{0}]]>\u{fffe}\"' --> \n".to_owned(),
        points: senseless.to_vec(),
        target_j_m2: f64::NAN,
        ..DoseCurve::default()
    };
    let points: Vec<_> = senseless.iter().map(|point| (point.seconds, point.dose_j_m2)).collect();
    let hostile_wedge = WedgeCurve { line: points.clone(), steps: points, ..WedgeCurve::default() };
    for svg in [
        dose_curve(&DoseCurve::default()),
        dose_curve(&hostile),
        day_of_light(&DayOfLight::default()),
        overview(&Overview::default()),
        characteristic(&Characteristic::default()),
        characteristic(&Characteristic { curves: vec![hostile_wedge.clone()], ..a_wedge() }),
        correction(&Correction::default()),
        correction(&Correction { tones: hostile_wedge.line, ..Correction::default() }),
    ] {
        raster::tree(&svg).unwrap();
    }
}

#[test]
fn a_gap_in_the_light_is_not_bridged() {
    let whole = DoseCurve { gaps: vec![], ..a_print() };
    let light_at_gap = |chart: &DoseCurve| {
        let pixels = Pixmap::decode_png(&png(&dose_curve(chart), 760).unwrap()).unwrap();
        let orange = pixels.pixels().iter().filter(|p| p.red() > 150 && p.green() < 110 && p.blue() < 30);
        orange.count()
    };
    // The points of the gap are left out: the line would run straight across.
    let mut bridged = whole.clone();
    bridged.points.retain(|p| p.irradiance_w_m2.is_finite());
    let hidden = DoseCurve { gaps: a_print().gaps, ..bridged.clone() };
    assert!(light_at_gap(&hidden) < light_at_gap(&bridged), "the gap hides the line across it");
}

#[test]
fn a_png_has_the_size_asked_for_and_is_not_blank() {
    let svg = dose_curve(&a_print());
    let size = raster::tree(&svg).unwrap().size();
    let pixels = Pixmap::decode_png(&png(&svg, 600).unwrap()).unwrap();
    assert_eq!(pixels.width(), 600);
    assert_eq!(pixels.height(), (600.0 * size.height() / size.width()).round() as u32);
    let blue = pixels.pixels().iter().filter(|p| i32::from(p.blue()) > i32::from(p.red()) + 60).count();
    assert!(blue > 1000, "{blue} pixels of the dose curve");
    for bad in [0, 20_001] {
        assert!(matches!(png(&svg, bad), Err(ChartError::Width { width }) if width == bad));
    }
    assert!(matches!(png("<svg", 600), Err(ChartError::Svg(_))));
}

#[test]
fn text_in_a_png_is_drawn_by_the_embedded_font() {
    // Every sign the charts and their callers use; a missing one is as wide as the next missing one.
    let missing = raster::text_width("\u{4e00}", 20.0);
    for sign in "0Az°²µ·–—×±≥≤½⅓⅔→′−éèäöüßçàñåøłžĐ…’“".chars() {
        let width = raster::text_width(&sign.to_string(), 20.0);
        assert!(width > 0.0 && (width - missing).abs() > 1e-3, "{sign}: {width}");
    }
    // Advance of "0" in DejaVu Sans: 1303 of 2048 units (its hmtx table).
    assert!((raster::text_width("00", 20.48) - 26.06).abs() < 1e-2);
}

#[test]
fn the_ending_decides_what_is_saved() {
    let folder = tempfile::tempdir().unwrap();
    let svg = day_of_light(&a_day());
    let at = |name: &str| folder.path().join(name);
    save(&at("day.svg"), &svg).unwrap();
    assert_eq!(std::fs::read_to_string(at("day.svg")).unwrap(), svg);
    save(&at("day.PNG"), &svg).unwrap();
    assert_eq!(Pixmap::load_png(at("day.PNG")).unwrap().width(), PNG_WIDTH);
    for bad in ["day.gif", "day", ".svg"] {
        let error = save(&at(bad), &svg).unwrap_err();
        assert!(matches!(&error, ChartError::Ending { path } if *path == at(bad)));
        assert!(error.to_string().contains(".svg, .png or .pdf"), "{error}");
        assert!(!at(bad).exists());
    }
    let error = save(&at("no/such/folder.svg"), &svg).unwrap_err();
    assert!(matches!(error, ChartError::Write { .. }));
}
