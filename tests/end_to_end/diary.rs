//! The diary of the light, by the real binary over a record made of real days.

use frameside::ledger::{Boot, Entry, Ledger};
use frameside_core::light::Reading;
use frameside_core::light::recorded::Parser;
use frameside_core::outlook::WallAnchor;
use frameside_core::quantity::Mono;
use frameside_tests::Site;
use frameside_tests::needs::station_day;
use serde_json::Value;

use crate::yard::{json_of, number, ok, refused};

/// 2016-06-06T00:00:00Z.
const FIRST_MS: i64 = 1_465_171_200_000;

/// A site whose record holds 6 to 10 June 2016 at Payerne.
fn with_five_days() -> Option<Site> {
    let files: Vec<_> = (6..=10).map(station_day).collect::<Option<_>>()?;
    let site = Site::new(
        "[rig]\nname = \"yard\"\ntimezone = \"UTC\"\nplace = { latitude = 46.815, longitude = 6.944 }\n\
         [[sensor]]\nname = \"sky\"\nchip = \"as7331\"\nbus = 1\naddress = 0x74\n",
    );
    let wall = WallAnchor { mono: Mono::default(), unix_ms: FIRST_MS, synchronised: true };
    let boot = Boot { id: "one".to_owned(), wall };
    let (tell, _events) = tokio::sync::mpsc::unbounded_channel();
    let (mut ledger, _) = Ledger::start(&site.path("ledger.sqlite"), &boot, tell).unwrap();
    for file in files {
        let mut parser = Parser::new();
        let mut take = |row: frameside_core::light::recorded::Row| {
            let at = Mono::from_nanos(row.unix_ns - FIRST_MS * 1_000_000);
            if let Some(seen) = row.seen {
                let reading = Reading::of(at, seen.lowest());
                ledger.write(Entry::Light { sensor: "sky".to_owned(), reading });
            }
        };
        parser.feed(&std::fs::read(file).unwrap(), &mut take).unwrap();
        parser.finish(&mut take).unwrap();
    }
    ledger.finish().unwrap();
    Some(site)
}

#[test]
fn a_clear_morning_and_a_cloudy_day_are_told_apart() {
    let Some(site) = with_five_days() else { return };
    let clear = json_of(&site, &["light", "--day", "2016-06-10"]);
    let sky = &clear["clear_sky"];
    assert_eq!(sky["fitted"], true);
    assert!((53.0..60.0).contains(&number(sky, "amplitude_w_m2")), "{sky}");
    let share = |day: &Value, hour: u64| {
        let hours = day["hours"].as_array().unwrap();
        number(hours.iter().find(|h| h["hour"] == hour).unwrap(), "clear_share")
    };
    // Nine o'clock was clear, four in the afternoon was not.
    assert!((share(&clear, 9) - 1.0).abs() < 0.03, "{}", share(&clear, 9));
    assert!(share(&clear, 16) < 0.7, "{}", share(&clear, 16));
    let dull = json_of(&site, &["light", "--day", "2016-06-08"]);
    assert!(number(&dull["clear_sky"], "share") < 0.8 * number(sky, "share"), "{}", dull["clear_sky"]);
    // The hours add up to the day.
    let sum: f64 = clear["hours"].as_array().unwrap().iter().map(|hour| number(hour, "dose_j_m2")).sum();
    assert!((sum / number(&clear, "dose_j_m2") - 1.0).abs() < 1e-9);

    let chart = site.path("day.svg");
    let said = ok(&site.frameside(["light", "--day", "2016-06-10", "--chart", chart.to_str().unwrap()]));
    assert!(
        said.contains("% of a clear sky") && said.contains("clear hours of the last two weeks"),
        "{said}"
    );
    assert!(std::fs::read_to_string(chart).unwrap().contains("clear sky"));
}

#[test]
fn the_season_names_the_best_hours_first() {
    let Some(site) = with_five_days() else { return };
    let season = json_of(&site, &["light", "--season", "--since", "2016-06-06", "--dose", "15kJ/m2"]);
    let hours = season["hours"].as_array().unwrap();
    assert_eq!(hours.len(), 24);
    let seconds: Vec<f64> = hours.iter().filter_map(|hour| hour["seconds"].as_f64()).collect();
    assert!(seconds.is_sorted() && seconds.len() >= 14, "{seconds:?}");
    // The sun stands highest at 11:32 UTC there.
    assert!((9..=13).contains(&hours[0]["hour"].as_u64().unwrap()), "{}", hours[0]);
    assert_eq!(hours[0]["days"], 5);
    let light = number(&hours[0], "irradiance_w_m2");
    assert!((seconds[0] - 15_000.0 / light).abs() < 1e-6);
    let chart = site.path("season.png");
    let said = ok(&site.frameside([
        "light",
        "--season",
        "--since",
        "2016-06-06",
        "--chart",
        chart.to_str().unwrap(),
    ]));
    assert!(said.contains("best hours first"), "{said}");
    let (code, said) = refused(&site.frameside(["light", "--season"]));
    assert!(code == 1 && said.contains("--since"), "{said}");
}
