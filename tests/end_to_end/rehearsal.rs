//! `frameside rehearse` and what it leaves.

use std::path::Path;

use frameside_tests::{Site, frameside};
use serde_json::Value;

use crate::yard::{assert_on_target, json_of, number, ok, refused, site};

fn rehearse(site: &Site, folder: &str) -> Value {
    let out = site.path(folder);
    let arguments = ["rehearse", "--speed", "100000", "--seed", "4", "--out", out.to_str().unwrap()];
    json_of(site, &arguments)
}

/// The binary on the config that a rehearsal left.
fn left(config: &Path, arguments: &[&str]) -> Value {
    let config = ["--config", config.to_str().unwrap(), "--json"];
    serde_json::from_str(&ok(&frameside(config.iter().chain(arguments)))).unwrap()
}

#[test]
fn it_tells_the_truth_and_the_same_each_time() {
    let site = site(20, None);
    let (one, two) = (rehearse(&site, "one"), rehearse(&site, "two"));
    assert_eq!(one["prints"], two["prints"]);
    let prints = one["prints"].as_array().unwrap();
    assert_eq!(prints.len(), 4);
    let mut certain = 0;
    for print in prints {
        let (dose, low, high) =
            (number(print, "dose_j_m2"), number(print, "low_j_m2"), number(print, "high_j_m2"));
        assert_on_target(number(print, "dose_at_due_j_m2"), number(print, "target_j_m2"));
        assert!(low <= dose && dose <= high, "{print}");
        let fell = number(print, "fell_j_m2");
        // Where the sensor was out, the truth lies inside the bounds; else the dose is the truth.
        if low < high {
            assert!(low <= fell && fell <= high, "{print}");
        } else {
            certain += 1;
            assert!((dose / fell - 1.0).abs() < 5e-3, "{print}");
        }
        // The reason for all of this: the same minutes at another hour give another dose.
        assert!(number(print, "same_minutes_most_j_m2") > 1.5 * number(print, "same_minutes_least_j_m2"));
    }
    assert!((1..4).contains(&certain), "the drop-out is seen by some prints and not by all: {one}");
}

#[test]
fn it_leaves_pictures_and_a_record_that_every_verb_reads() {
    let site = site(20, None);
    let summary = rehearse(&site, "out");
    let config = site.path("out").join("config.toml");
    let prints = left(&config, &["prints"]);
    let names = |list: &Value| -> Vec<String> {
        list.as_array().unwrap().iter().map(|print| print["print"].as_str().unwrap().to_owned()).collect()
    };
    let (mut of_record, of_summary) = (names(&prints), names(&summary["prints"]));
    of_record.reverse();
    assert_eq!(of_record, of_summary, "newest first, and the same prints");
    for told in summary["prints"].as_array().unwrap() {
        let name = told["print"].as_str().unwrap();
        let shown = left(&config, &["show", name]);
        for field in ["dose_at_due_j_m2", "dose_j_m2", "low_j_m2", "high_j_m2", "target_j_m2"] {
            assert_eq!(shown[field], told[field], "{field} of {name}");
        }
        let is_certain = told["low_j_m2"] == told["high_j_m2"];
        assert_eq!(shown["gaps"].as_array().unwrap().is_empty(), is_certain, "{name}");
        let picture = std::fs::read(site.path("out").join(format!("{name}.png"))).unwrap();
        assert!(picture.starts_with(b"\x89PNG") && picture.len() > 3000, "{name}.png");
    }
    assert!(std::fs::metadata(site.path("out").join("overview.png")).unwrap().len() > 3000);
    let (code, said) = refused(&site.frameside(["rehearse", "--out", site.path("out").to_str().unwrap()]));
    assert_eq!(code, 1);
    assert!(said.ends_with("is not empty; choose a new folder with --out"), "{said}");
    assert_eq!(left(&config, &["prints"]), prints, "what lies in the folder is left alone");
}
