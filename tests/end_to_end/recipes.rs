//! From the print to the next dose, by the real binary with the daemon running and stopped:
//! a recipe, its strip, its advice, its prints, and what they are found to be.

use std::path::Path;

use frameside_tests::{Site, wait_for};
use serde_json::{Value, json};

use crate::sensitometry::scan_of;
use crate::yard::{SOON, expose, json_of, name_a_box, number, ok, refused, settled, site};

/// Waits until a frame is due, brings it in and waits until its figures are settled; gives
/// the print.
fn due_and_in(site: &Site, frame: &str) -> Value {
    let due = |status: &Value| {
        let frames = status["frames"].as_array().unwrap();
        frames.iter().any(|other| other["frame"] == frame && other["state"] == "due")
    };
    wait_for("a frame to be due", SOON, || due(&json_of(site, &["status"])).then_some(()));
    ok(&site.frameside(["bring-in", frame]));
    settled(site, name(&json_of(site, &["prints"])[0]));
    json_of(site, &["prints"])[0].clone()
}

/// Begins a print as told, waits for it and brings it in; gives the print.
fn printed(site: &Site, arguments: &[&str]) -> Value {
    let all = ["expose", "oak"].iter().chain(arguments);
    ok(&site.frameside(all));
    due_and_in(site, "oak")
}

fn name(print: &Value) -> &str {
    print["print"].as_str().unwrap()
}

#[track_caller]
fn assert_stops(dose: f64, reference: f64, stops: f64) {
    let off = (dose / reference).log2();
    assert!((off - stops).abs() < 0.01, "{dose} lies {off} stops over {reference}, not {stops}");
}

/// What was done with a print is kept with its time, once it is in.
fn worked_afterwards(site: &Site, print: &str, out: &str) {
    ok(&site.frameside(["note", print, "three changes of water", "--step", "rinse", "--for", "10min"]));
    let note = json_of(site, &["show", print])["notes"][0].clone();
    assert_eq!((&note["step"], &note["seconds"]), (&json!("rinse"), &json!(600.0)));
    let shown = ok(&site.frameside(["show", print]));
    assert!(shown.contains(", rinse for 10 min: three changes of water"), "{shown}");
    let (code, said) = refused(&site.frameside(["note", out, "air", "--step", "oxidise"]));
    assert_eq!(
        (code, said),
        (1, format!("print {out} is still out; bring it in before you note a step of the work"))
    );
}

#[test]
fn from_the_strip_to_a_better_print() {
    // Slow enough that a stall of the machine is no stall of the light.
    let site = site(20, None);
    let daemon = site.run();
    ok(&site.frameside(["recipe", "add", "citrate", "--support", "rag", "--sensitizer", "citrate 2:1"]));

    // Nothing is known: a strip is asked for, and a print of the recipe alone refused.
    let advice = json_of(&site, &["advise", "citrate"]);
    assert_eq!((&advice["answer"], advice["target_j_m2"].is_null()), (&json!("not-enough"), true));
    let said = ok(&site.frameside(["advise", "citrate"]));
    assert!(said.contains("make a strip of 6 bands from 2.00 kJ/m²"), "{said}");
    assert!(said.contains("--recipe \"citrate\" --strip 2.000kJ/m2,4.000kJ/m2,"), "{said}");
    let (code, said) = refused(&site.frameside(["expose", "oak", "--recipe", "citrate"]));
    assert!(code == 1 && said.starts_with("citrate has no target under sun yet"), "{said}");

    // Band 3 of the strip is the first that is as dark as the next.
    let strip = printed(&site, &["--recipe", "citrate", "--strip", "1kJ/m2,1.4kJ/m2,2kJ/m2,2.8kJ/m2"]);
    assert_eq!(strip["recipe_version"], 1);
    let (code, said) = refused(&site.frameside(["judge", name(&strip), "--good"]));
    assert!(code == 1 && said.contains("is a test strip; read it with 'frameside strip read"), "{said}");
    let (code, said) = refused(&site.frameside(["strip", "read", name(&strip), "--densities", "0.6,0.9"]));
    assert!(
        code == 1 && said.contains("has 4 bands with a dose of their own (1.00 kJ/m², 1.40 kJ/m², "),
        "{said}"
    );
    let again = ["expose", "oak", "--covered", "--like", name(&strip)];
    let (code, said) = refused(&site.frameside(again));
    assert!(code == 1 && said.contains("is a test strip; read it with 'frameside strip read"), "{said}");
    let densities = ["strip", "read", name(&strip), "--densities", "0.3,0.6,0.9,1.2"];
    assert_eq!(json_of(&site, &densities)["answer"], "extend");
    let advice = json_of(&site, &["advise", "citrate"]);
    assert_eq!(advice["left_out"], json!([format!("{} is a strip to be extended", name(&strip))]));
    // It rose to its last band: the next strip goes on from the one before that.
    assert_stops(number(&advice["strip"], "from_j_m2"), 2000.0, 0.0);
    let first_full = ["strip", "read", name(&strip), "--first-full", "1"];
    assert_eq!(json_of(&site, &first_full)["extend_to"], "less");
    // 1 kJ/m² is full: it is the last band but one of the strip that is proposed.
    let advice = json_of(&site, &["advise", "citrate"]);
    assert_stops(number(&advice["strip"], "from_j_m2"), 1000.0, -4.0);
    let (code, said) = refused(&site.frameside(again));
    assert!(code == 1 && said.contains("gave no answer and is to be extended"), "{said}");
    let read = json_of(&site, &["strip", "read", name(&strip), "--first-full", "3", "--dry", "--oxidised"]);
    assert_eq!((&read["answer"], &read["again"]), (&json!("found"), &json!(true)));
    let least = number(&read, "least_dose_j_m2");
    // Another reading takes its place, and says so where it was the better one.
    let said = ok(&site.frameside(["strip", "read", name(&strip), "--first-full", "1"]));
    let says = "! this takes the place of a better reading (";
    assert!(said.contains(says), "{said}");
    let said =
        ok(&site.frameside(["strip", "read", name(&strip), "--first-full", "3", "--dry", "--oxidised"]));
    assert!(said.contains("\nthis takes the place of its earlier reading\n"), "{said}");
    assert_stops(least, (1400.0f64 * 2000.0).sqrt(), 0.0);

    // The advice rests on it, and a print of the recipe takes it.
    let advice = json_of(&site, &["advise", "citrate"]);
    assert_eq!((&advice["answer"], &advice["evidence"][0]["kind"]), (&json!("found"), &json!("strip")));
    assert_stops(number(&advice, "target_j_m2"), least, 0.0);
    let first = printed(&site, &["--recipe", "citrate"]);
    assert_stops(number(&first, "target_j_m2"), least, 0.0);

    // It is judged half a stop too light: --like puts that right, and the advice moves towards it.
    let judged = json_of(&site, &["judge", name(&first), "--off", "+1/2stop", "--dry", "--oxidised"]);
    let dose = number(&judged, "dose_j_m2");
    assert_stops(number(&judged, "next_j_m2"), dose, 0.5);
    let like = printed(&site, &["--recipe", "citrate", "--like", name(&first)]);
    assert_stops(number(&like, "target_j_m2"), dose, 0.5);
    let advice = json_of(&site, &["advise", "citrate"]);
    let evidence = advice["evidence"].as_array().unwrap();
    assert_eq!(evidence.len(), 2);
    let of_print = evidence.iter().find(|piece| piece["print"] == first["print"]).unwrap();
    assert_eq!((&of_print["kind"], &of_print["off_stops"]), (&json!("print"), &json!(0.5)));
    assert_stops(number(of_print, "dose_j_m2"), dose, 0.0);
    let weights: f64 = evidence.iter().map(|piece| number(piece, "weight")).sum();
    assert!((weights - 1.0).abs() < 1e-9, "{advice}");
    let target = number(&advice, "target_j_m2");
    assert!(least < target && target < dose * 2f64.sqrt(), "{advice}");
    assert!(number(&advice, "low_j_m2") < target && target < number(&advice, "high_j_m2"));

    // Prints wait to be judged until they are; without light or in the frame there is nothing to judge.
    let waiting = json_of(&site, &["prints", "--unjudged"]);
    assert_eq!(waiting.as_array().unwrap().len(), 1);
    assert_eq!(waiting[0]["print"], like["print"]);
    ok(&site.frameside(["judge", name(&like), "--good", "--dry", "--oxidised"]));
    assert!(ok(&site.frameside(["prints", "--unjudged"])).starts_with("no print waits"));
    // A print like the strip takes what it was read to ask for, and says so.
    let like_strip = json_of(&site, &again);
    assert_stops(number(&like_strip, "target_j_m2"), least, 0.0);
    let says = format!("strip {} was read: full density from 1.67 kJ/m²", name(&strip));
    assert_eq!(like_strip["steps"], json!([says]));
    let out = expose(&site, "elm", "900kJ/m2");
    let (code, said) = refused(&site.frameside(["judge", &out, "--good"]));
    assert_eq!((code, said), (1, format!("print {out} is still out; bring it in first")));
    let shown = json_of(&site, &["show", name(&first)]);
    assert_eq!((&shown["recipe_version"], &shown["judgements"][0]["stops"]), (&json!(1), &json!(0.5)));
    worked_afterwards(&site, name(&first), &out);
    assert!(daemon.terminate().success());

    // All of it is there with the daemon stopped.
    assert_eq!(json_of(&site, &["advise", "citrate"])["evidence"].as_array().unwrap().len(), 3);
    let said = ok(&site.frameside(["judge", name(&like), "--off", "-1/3 stop"]));
    for part in ["too dark by 0.33 stops", "takes the place of its earlier judgement", "! judged wet"] {
        assert!(said.contains(part), "no '{part}' in\n{said}");
    }
    let said = ok(&site.frameside(["advise", "citrate"]));
    assert!(said.starts_with("citrate under sun: aim at ") && said.contains("before it was dry"), "{said}");
    let other = json_of(&site, &["advise", "citrate", "--source", "box"]);
    assert_eq!(other["evidence"], json!([]), "another source is another matter");
}

#[test]
fn a_border_that_turned_bounds_the_advice() {
    let site = site(100, None);
    let daemon = site.run();
    let target = ["expose", "oak", "--recipe", "citrate", "--target", "3kJ/m2"];
    let print = ok(&site.frameside(target)).trim().to_owned();
    ok(&site.frameside(["note", &print, "over the top", "--tone", "grey"]));
    let print = due_and_in(&site, "oak");
    ok(&site.frameside(["judge", name(&print), "--good", "--dry", "--oxidised"]));
    let advice = json_of(&site, &["advise", "citrate"]);
    assert_eq!(
        (&advice["borders"][0]["tone"], &advice["borders"][0]["print"]),
        (&json!("grey"), &print["print"])
    );
    let turned = number(&advice["borders"][0], "dose_j_m2");
    let show = json_of(&site, &["show", name(&print)]);
    let noted = show["events"].as_array().unwrap().iter().find(|event| event["kind"] == "noted").unwrap();
    assert_eq!((&noted["dose_j_m2"], &show["notes"][0]["dose_j_m2"]), (&json!(turned), &json!(turned)));
    assert!(0.0 < turned && turned < number(&show, "dose_j_m2"), "{show}");
    let said = ok(&site.frameside(["advise", "citrate"]));
    let says = format!("! the target lies past this: the bare border of {} had turned grey", name(&print));
    assert!(said.contains(&says), "{said}");
    assert!(daemon.terminate().success());
}

#[test]
fn an_exponent_is_fitted_to_prints_in_strong_and_in_weak_light() {
    // Behind this glass it is more than two stops dimmer.
    let site = Site::new(
        "[rig]\nname = \"yard\"\ntimezone = \"UTC\"\n\
         [[sensor]]\nname = \"sky\"\nchip = \"emulated:as7331\"\nlight = \"light.csv\"\nspeed = 100\n\
         [[frame]]\nname = \"oak\"\nsensor = \"sky\"\n\
         [[frame]]\nname = \"elm\"\nsensor = \"sky\"\nglass = \"20%\"\n",
    );
    std::fs::write(
        site.path("light.csv"),
        "time,irradiance_w_m2\n2026-06-01T10:00:00Z,40\n2026-06-01T12:00:00Z,40\n",
    )
    .unwrap();
    let daemon = site.run();
    let print_in = |frame| {
        ok(&site.frameside(["expose", frame, "--recipe", "citrate", "--target", "1kJ/m2"]));
        due_and_in(&site, frame)
    };
    let prints = ["oak", "oak", "elm", "elm", "elm"].map(print_in);
    assert!(daemon.terminate().success());
    // A process of exponent one half: 2 kJ/m² in full light, and at a fifth of it a root of five less.
    let dim = 2000.0 / 5f64.sqrt();
    for (print, right) in prints.iter().zip([2000.0, 2000.0, dim, dim, dim]) {
        let off = (right / number(&json_of(&site, &["show", name(print)]), "dose_j_m2")).log2();
        ok(&site.frameside(["judge", name(print), "--off", &format!("{off}stop"), "--dry", "--oxidised"]));
    }
    let fit = json_of(&site, &["recipe", "exponent", "citrate"]);
    assert!((number(&fit, "fitted") - 0.5).abs() < 0.01, "{fit}");
    assert!(number(&fit, "low") < number(&fit, "fitted") && fit["prints"] == 5, "{fit}");
    assert_eq!((&fit["exponent"], &fit["version"]), (&json!(0.5), &json!(1)), "{fit}");
    // By hand: the fifth root of twice 40 and thrice 8 W/m².
    let reference = number(&fit, "reference_w_m2");
    assert!((reference - 15.2).abs() < 0.11, "{fit}");
    let said = ok(&site.frameside(["recipe", "exponent", "citrate"]));
    assert!(said.contains("as it is kept already: doses are counted at exponent 0.50"), "{said}");
    assert_eq!(json_of(&site, &["recipe", "show", "citrate"])["reference_w_m2"], json!(reference));
    counted_at_its_exponent(&site, reference, &prints);
}

/// The recipe's next prints count at the exponent one half, about `reference` W/m², and
/// its judged prints are told so.
fn counted_at_its_exponent(site: &Site, reference: f64, before: &[Value]) {
    // What was right in either light is the same now: 2 kJ/m² of 40 W/m².
    let right = 2000.0 * (reference / 40.0).sqrt();
    let advice = json_of(site, &["advise", "citrate"]);
    assert_eq!((&advice["exponent"], &advice["reference_w_m2"]), (&json!(0.5), &json!(reference)));
    assert_eq!(advice["evidence"].as_array().unwrap().len(), 5, "{advice}");
    for piece in advice["evidence"].as_array().unwrap() {
        assert_stops(number(piece, "says_j_m2"), right, 0.0);
    }
    let daemon = site.run();
    let begun = json_of(site, &["expose", "elm", "--recipe", "citrate"]);
    assert_eq!((&begun["exponent"], &begun["reference_w_m2"]), (&json!(0.5), &json!(reference)));
    assert_stops(number(&begun, "target_j_m2"), right, 0.0);
    let status = json_of(site, &["status"]);
    let elm = status["frames"].as_array().unwrap().iter().find(|frame| frame["frame"] == "elm").unwrap();
    assert_eq!((&elm["exponent"], &elm["target_j_m2"]), (&json!(0.5), &begun["target_j_m2"]));
    let print = due_and_in(site, "elm");
    // In light of 8 W/m² a plain dose of 8 W/m² for t counts as sqrt(reference/8) times as much.
    let (dose, plain) = (number(&print, "dose_j_m2"), number(&print, "plain_dose_j_m2"));
    assert_stops(dose / plain, (reference / 8.0).sqrt(), 0.0);
    assert!(number(&print, "dose_at_due_j_m2") / number(&begun, "target_j_m2") > 0.999, "{print}");
    let shown = ok(&site.frameside(["show", name(&print)]));
    assert!(shown.contains("doses are counted at exponent 0.50") && shown.contains("plain dose "), "{shown}");
    let shown = json_of(site, &["show", name(&print)]);
    let last = shown["curve"].as_array().unwrap().last().unwrap()[2].as_f64().unwrap();
    assert_stops(last, dose, 0.0);
    // Repeated with the recipe, an earlier print's dose is told as that counts it.
    let like = json_of(site, &["expose", "oak", "--like", name(&before[0])]);
    assert_stops(number(&like, "target_j_m2"), right, 0.0);
    let steps = like["steps"].to_string();
    assert!(steps.contains("counted at exponent 0.50: "), "{steps}");
    assert!(daemon.terminate().success());
    // A judgement of an earlier print speaks of the same.
    let judged = json_of(site, &["judge", name(&before[2]), "--good", "--dry", "--oxidised"]);
    let plain = number(&before[2], "plain_dose_j_m2");
    assert_stops(number(&judged, "dose_j_m2"), plain * (reference / 8.0).sqrt(), 0.0);
}

/// A wedge of 21 steps of 0.15 from 0.05.
fn write_wedge(file: &Path) {
    let densities = [
        1.42, 1.42, 1.41, 1.40, 1.37, 1.32, 1.24, 1.13, 0.99, 0.83, 0.67, 0.52, 0.39, 0.29, 0.22, 0.17, 0.14,
        0.12, 0.11, 0.10, 0.10,
    ];
    let row = |(i, density)| format!("{},{density}\n", 0.05 + 0.15 * f64::from(i));
    let rows: String = (0..).zip(densities).map(row).collect();
    std::fs::write(file, format!("wedge_density,density\n{rows}")).unwrap();
}

/// A site with a print of a recipe, 2 kJ/m², brought in; the daemon has ended.
fn with_a_print(target: &str) -> (Site, Value) {
    let site = site(100, None);
    let daemon = site.run();
    ok(&site.frameside(["recipe", "add", "citrate", "--support", "rag", "--target", target]));
    let print = printed(&site, &["--recipe", "citrate", "--negative", "boats"]);
    assert!(daemon.terminate().success());
    (site, print)
}

/// Has all prints come in with one dose, however late that was; the daemon has ended.
fn came_in_with(site: &Site, j_m2: f64) {
    let record = rusqlite::Connection::open(site.path("ledger.sqlite")).unwrap();
    record.execute("UPDATE event SET best = ?1, seal = NULL WHERE kind LIKE '%brought-in%'", [j_m2]).unwrap();
}

#[test]
fn densities_are_read_on_the_recipes_own_curve() {
    let (site, print) = with_a_print("2kJ/m2");
    assert_stops(number(&print, "target_j_m2"), 2000.0, 0.0);
    let wedge = site.path("citrate.csv");
    write_wedge(&wedge);
    let wedge = ["wedge", wedge.to_str().unwrap(), "--dose", "30kJ/m2"];
    let refusal = refused(&site.frameside(wedge.iter().chain(&["--recipe", "oxalate"])));
    let says = "there is no recipe 'oxalate'; there is citrate; 'frameside recipe add' describes one";
    assert_eq!(refusal, (1, says.to_owned()));
    let kept: Vec<&str> = wedge.iter().chain(&["--recipe", "citrate"]).copied().collect();
    let told = json_of(&site, &kept);
    // The set target of 2 kJ/m² lies under the full density of this wedge.
    assert_stops(2000.0 * number(&told, "target_shift_stops").exp2(), number(&told, "full_dose_j_m2"), 0.0);

    // Printed, got 0.55, want 0.40: -0.5599 stop (computed with scipy on this curve).
    let judge = ["judge", name(&print), "--density", "0.55", "--want", "0.40", "--dry", "--oxidised"];
    let judged = json_of(&site, &judge);
    assert!((number(&judged, "off_stops") + 0.559_896_8).abs() < 1e-6, "{judged}");
    // The same as lightness (ISO/CIE 11664-4, computed with colour-science).
    let judge = ["judge", name(&print), "--lstar", "60.0544545325", "--want", "69.3345015173"];
    let judged = json_of(&site, &judge);
    assert!((number(&judged, "off_stops") + 0.559_896_8).abs() < 1e-6, "{judged}");
    assert_eq!((&judged["final"], &judged["again"]), (&json!(false), &json!(true)));
    let kinds: Vec<Value> = json_of(&site, &["advise", "citrate"])["evidence"]
        .as_array()
        .unwrap()
        .iter()
        .map(|piece| piece["kind"].clone())
        .collect();
    assert_eq!(kinds, ["wedge", "print"]);

    // On other paper the wedge says nothing; the print is still read on the curve of its own.
    ok(&site.frameside(["recipe", "change", "citrate", "--support", "washi"]));
    let advice = json_of(&site, &["advise", "citrate"]);
    assert_eq!((&advice["evidence"], advice["left_out"].as_array().unwrap().len()), (&json!([]), 2));
    let judged = json_of(&site, &["judge", name(&print), "--density", "0.55", "--want", "0.40"]);
    assert!((number(&judged, "off_stops") + 0.559_896_8).abs() < 1e-6, "{judged}");
}

#[test]
fn a_wedge_of_a_recipe_with_an_exponent_is_read_by_the_effect_of_its_densities() {
    let (site, print) = with_a_print("2kJ/m2");
    let wedge = site.path("citrate.csv");
    write_wedge(&wedge);
    let wedge = ["wedge", wedge.to_str().unwrap(), "--dose", "30kJ/m2"];
    let plain = json_of(&site, &wedge);
    let (code, said) = refused(&site.frameside(["recipe", "change", "citrate", "--exponent", "0.8"]));
    assert!(code == 2 && said.starts_with("--exponent needs the light in which a dose stays"), "{said}");
    let change = ["recipe", "change", "citrate", "--exponent", "0.8", "--reference", "30W/m2"];
    ok(&site.frameside(change));
    let keep: Vec<&str> = wedge.iter().chain(&["--recipe", "citrate"]).copied().collect();
    json_of(&site, &keep);
    // Densities of a print take 0.8 of the log H they take of a plain dose, whose value is scipy's.
    let judge = ["judge", name(&print), "--density", "0.55", "--want", "0.40", "--dry", "--oxidised"];
    let judged = json_of(&site, &judge);
    assert!((number(&judged, "off_stops") + 0.8 * 0.559_896_8).abs() < 1e-6, "{judged}");
    ok(&site.frameside(["recipe", "change", "citrate", "--negative-base", "0.2"]));
    let told = json_of(&site, &keep);
    // By hand: behind a density D light has 10^-0.8 D of its effect.
    let full = 30_000.0 * (number(&plain, "full_dose_j_m2") / 30_000.0).powf(0.8);
    assert!((number(&told, "full_dose_j_m2") / full - 1.0).abs() < 1e-9, "{told}");
    // What a negative must span is density still.
    assert!((number(&told, "log_range") - number(&plain, "log_range")).abs() < 1e-12, "{told}");
    let through_base = full * 10f64.powf(0.8 * 0.2);
    assert_stops(2000.0 * number(&told, "target_shift_stops").exp2(), through_base, 0.0);
    let advice = json_of(&site, &["advise", "citrate"]);
    assert!((number(&advice, "target_j_m2") / through_base - 1.0).abs() < 1e-9, "{advice}");
    // At another exponent it cannot be told what the wedge had.
    ok(&site.frameside(["recipe", "change", "citrate", "--exponent", "0.9"]));
    let advice = json_of(&site, &["advise", "citrate"]);
    let left_out =
        "wedge citrate was kept before doses were counted at exponent 0.90, and its light is not known";
    assert_eq!(advice["left_out"][0], left_out, "{advice}");
}

#[test]
fn a_changed_recipe_begins_anew_and_says_so() {
    let (site, print) = with_a_print("2kJ/m2");
    came_in_with(&site, 2000.0);
    ok(&site.frameside(["judge", name(&print), "--good", "--dry", "--oxidised"]));
    assert_eq!(json_of(&site, &["advise", "citrate"])["answer"], "found");
    let (code, said) = refused(&site.frameside(["recipe", "change", "citrate", "--support", "rag"]));
    assert!(code == 1 && said.starts_with("citrate is so already"), "{said}");
    let (code, said) = refused(&site.frameside(["recipe", "add", "citrate"]));
    assert!(code == 1 && said.starts_with("there is a recipe citrate already (version 1)"), "{said}");

    // The negative's range does not bear on the dose; the paper does.
    ok(&site.frameside(["recipe", "change", "citrate", "--negative-range", "1.4"]));
    assert_eq!(json_of(&site, &["advise", "citrate"])["answer"], "found");
    name_a_box(&site);
    ok(&site.frameside(["recipe", "change", "citrate", "--support", "washi", "--target", "box=3kJ/m2"]));
    let advice = json_of(&site, &["advise", "citrate"]);
    assert_eq!((&advice["answer"], &advice["set_j_m2"]), (&json!("not-enough"), &json!(2000.0)));
    let left_out = format!("{} was made before support changed", name(&print));
    assert_eq!(advice["left_out"], json!([left_out]));
    let shown = json_of(&site, &["recipe", "show", "citrate"]);
    assert_eq!((&shown["version"], &shown["support"]), (&json!(3), &json!("washi")));
    assert_eq!(shown["targets_j_m2"], json!({ "box": 3000.0, "sun": 2000.0 }));
    assert_eq!(json_of(&site, &["recipe", "list"])[0]["recipe"], "citrate");

    // The set target is taken until there is advice; then two things have changed since.
    let daemon = site.run();
    let arguments = ["--recipe", "citrate", "--source", "box", "--negative", "boats"];
    let second = printed(&site, &arguments);
    assert_eq!((&second["recipe_version"], &second["target_j_m2"]), (&json!(3), &json!(3000.0)));
    let judged = json_of(&site, &["judge", name(&second), "--good", "--dry", "--oxidised"]);
    assert_eq!(
        (&judged["since"], &judged["changed"]),
        (&print["print"], &json!(["support", "negative range", "dose", "source"]))
    );
    assert!(daemon.terminate().success());
    let said = ok(&site.frameside(["judge", name(&second), "--good", "--dry", "--oxidised"]));
    assert!(said.contains("more than one thing changed (support, negative range, dose, source)"), "{said}");
    let (code, said) = refused(&site.frameside(["recipe", "exponent", "citrate", "--source", "box"]));
    let says = "citrate under box: an exponent needs at least 3 judged prints, not 1";
    assert_eq!((code, said.as_str()), (1, says));
}

#[test]
fn a_strip_is_read_from_its_scan() {
    let site = site(100, None);
    let _daemon = site.run();
    let strip = printed(&site, &["--strip", "1kJ/m2,1.4kJ/m2,2kJ/m2,2.8kJ/m2,4kJ/m2"]);
    let bands = [0.9, 1.15, 1.32, 1.38, 1.38];
    let typed = ["strip", "read", name(&strip), "--densities", "0.9,1.15,1.32,1.38,1.38"];
    let by_hand = number(&json_of(&site, &typed), "least_dose_j_m2");
    let scan = scan_of(&site, &bands);
    let references = ["--reference", "10,140,90,190=0.10", "--reference", "400,140,600,190=1.80"];
    let read = |count: &str, row: &str| {
        let head = ["strip", "read", name(&strip), "--scan", &scan, "--patches", count, "--row", row];
        site.frameside(head.iter().chain(&references).chain(&["--json"]))
    };
    let told: Value = serde_json::from_str(&ok(&read("5", "0,20,200,120"))).unwrap();
    assert_eq!(told["answer"], "found");
    assert_stops(number(&told, "least_dose_j_m2"), by_hand, 0.0);
    let (code, said) = refused(&read("4", "0,20,160,120"));
    assert!(code == 1 && said.contains("give as many densities, not 4"), "{said}");
    let (code, _) = refused(&site.frameside(["strip", "read", name(&strip), "--scan", &scan]));
    assert_eq!(code, 2, "where the bands lie has to be said");
}

#[test]
fn a_strip_from_a_table_is_evidence_of_its_recipe() {
    let (site, _) = with_a_print("2kJ/m2");
    let csv = site.path("march.csv");
    // Bands and answer computed with scipy: 16.994957 kJ/m².
    let rows = "4,0.62\n5.657,0.84\n8,1.06\n11.314,1.24\n16,1.34\n22.627,1.38\n32,1.38\n";
    std::fs::write(&csv, format!("dose_kj_m2,density\n{rows}")).unwrap();
    let read = ["strip", "read", "--csv", csv.to_str().unwrap()];
    assert_eq!(refused(&site.frameside(read.iter().chain(&["--source", "box"]))).0, 2);
    let keep: Vec<&str> = read.iter().chain(&["--recipe", "citrate"]).copied().collect();
    for _ in 0..2 {
        assert!((number(&json_of(&site, &keep), "least_dose_j_m2") - 16_994.957).abs() < 1e-3);
    }
    let advice = json_of(&site, &["advise", "citrate"]);
    let evidence = advice["evidence"].as_array().unwrap();
    assert_eq!(evidence.len(), 1, "read twice it is one piece: {advice}");
    assert_eq!((&evidence[0]["kind"], &evidence[0]["print"]), (&json!("strip"), &json!("march")));
    assert!((number(&advice, "target_j_m2") - 16_994.957).abs() < 1e-3, "{advice}");
    let said = ok(&site.frameside(&keep));
    assert!(said.ends_with("kept with citrate, version 1: 'frameside advise' rests on it\n"), "{said}");
    // Made before the exponent, it says nothing of what is counted now.
    ok(&site.frameside(["recipe", "change", "citrate", "--exponent", "0.8", "--reference", "30W/m2"]));
    let advice = json_of(&site, &["advise", "citrate"]);
    let left_out =
        "strip march was kept before doses were counted at exponent 0.80, and its light is not known";
    assert_eq!(advice["left_out"][0], left_out, "{advice}");
}

#[test]
fn judgements_that_contradict_one_another_are_told() {
    let (site, first) = with_a_print("2kJ/m2");
    let daemon = site.run();
    let second = printed(&site, &["--recipe", "citrate", "--negative", "boats"]);
    let repeated = printed(&site, &["--like", name(&first)]);
    assert_eq!((&repeated["recipe"], &repeated["negative"]), (&json!("citrate"), &json!("boats")));
    let other = printed(&site, &["--like", name(&first), "--negative", "boats 2"]);
    assert_eq!((&other["recipe"], &other["negative"]), (&json!("citrate"), &json!("boats 2")));
    assert!(daemon.terminate().success());
    // Both came in with the same dose.
    came_in_with(&site, 2000.0);

    let judge =
        |print, how: &[&str]| ok(&site.frameside(["judge", print, "--dry", "--oxidised"].iter().chain(how)));
    let said = judge(name(&first), &["--good"]);
    assert!(!said.contains("contradicts"), "{said}");
    let said = judge(name(&first), &["--off", "+1stop"]);
    let says = "! this contradicts its earlier judgement (good) and takes its place; judge it again";
    assert!(said.contains(says), "{said}");
    let said = judge(name(&second), &["--off", "-1/2stop"]);
    let says = format!(
        "! {} had the same dose, recipe, negative and source, and was judged otherwise (too light, it wanted +1.00 stop)",
        name(&first)
    );
    assert!(said.contains(&says), "{said}");
    let said = ok(&site.frameside(["advise", "citrate"]));
    assert!(said.contains("contradict one another") && said.contains("recipe exponent citrate"), "{said}");
}

#[test]
fn what_cannot_be_judged_is_refused_and_nothing_is_kept() {
    let (site, print) = with_a_print("2kJ/m2");
    let print = name(&print);
    for arguments in [
        &["judge", print][..],
        &["judge", print, "--good", "--off", "1stop"],
        &["judge", print, "--density", "0.5"],
        &["judge", print, "--want", "0.5"],
        &["judge", print, "--good", "--want", "0.5"],
        &["judge", print, "--density", "NaN", "--want", "0.4"],
        &["judge", print, "--density", "55", "--want", "0.4"],
        &["judge", print, "--lstar", "-1", "--want", "40"],
        &["judge", print, "--lstar", "0.55", "--want", "40"],
        &["judge", print, "--off", "1/3"],
        &["judge", print, "--off", "+20stop"],
        &["judge", print, "--off", "100stop"],
        &["strip", "read", print, "--lstar", "62,0.84,1.06"],
        &["strip", "read", print],
        &["strip", "read", print, "--first-full", "2", "--densities", "1,2"],
        &["strip", "read", "--csv", "a.csv", "--first-full", "2"],
        &["recipe", "add", " "],
        &["recipe", "add", "oxalate", "--target", "box=0kJ/m2"],
        &["recipe", "add", "oxalate", "--negative-range", "NaN"],
        &["recipe", "add", "oxalate", "--support", "rag\nwashi"],
        &["recipe", "change", "citrate", "--exponent", "7"],
        &["recipe"],
        &["advise"],
    ] {
        assert_eq!(refused(&site.frameside(arguments)).0, 2, "{arguments:?}");
    }
    for (arguments, says) in [
        (&["judge", "1999", "--good"][..], "there is no print '1999'"),
        (&["judge", print, "--lstar", "55", "--want", "0.4"], "--want: '0.4' is darker than any print"),
        (&["judge", print, "--density", "0.5", "--want", "50"], "--want: '50' is not a density"),
        (&["strip", "read", print, "--first-full", "2"], "is no test strip"),
        (&["strip", "read", "1999", "--first-full", "2"], "there is no print '1999'"),
        (&["advise", "oxalate"], "there is no recipe 'oxalate'; the recipes are citrate"),
        (&["recipe", "show", "oxalate"], "there is no recipe 'oxalate'; there is citrate"),
        (&["recipe", "change", "oxalate", "--support", "rag"], "there is no recipe 'oxalate'"),
    ] {
        let (code, said) = refused(&site.frameside(arguments));
        assert!(code == 1 && said.contains(says) && !said.contains('\n'), "{arguments:?}: {code}, {said}");
    }
    assert_eq!(json_of(&site, &["show", print])["judgements"], json!([]));
    assert_eq!(json_of(&site, &["recipe", "list"]).as_array().unwrap().len(), 1);
}
