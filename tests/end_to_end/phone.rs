//! The page in a real Chromium at a phone's size: a print from its recipe to its
//! judgement by fingers alone, and the rules of accessibility on the way.

use std::path::PathBuf;
use std::time::Duration;

use frameside_tests::{Browser, Site, http, needs, repository, wait_for};
use jiff::Timestamp;
use serde_json::Value;

use crate::page::Paged;
use crate::yard::{frame, json_of, number, ok, wait_for_frame};

/// A browser on a busy machine takes its time.
const PATIENCE: Duration = Duration::from_secs(60);
/// A common phone, in CSS pixels.
const PHONE: (u32, u32) = (390, 844);

/// A phone that looks at a rig.
struct Phone<'a> {
    browser: Browser,
    axe: String,
    rig: &'a Paged,
}

impl Phone<'_> {
    fn wait(&self, what: &str, script: &str) {
        wait_for(what, PATIENCE, || (self.browser.run(&format!("return {script}")) == true).then_some(()));
    }

    fn wait_for_text(&self, css: &str, part: &str) {
        wait_for(&format!("{part:?} in {css}"), PATIENCE, || {
            self.browser.text(css).contains(part).then_some(())
        });
    }

    /// No rule of WCAG 2.2 A to AAA or of good practice is broken by what is seen now, light or dark.
    fn check(&self, what: &str) {
        for dark in [false, true] {
            self.browser.be_a_phone(PHONE.0, PHONE.1, dark);
            self.keep_picture(&format!("{what}-{}", if dark { "dark" } else { "light" }));
            let rules = r#"{"runOnly": ["wcag2a", "wcag2aa", "wcag2aaa", "wcag21a", "wcag21aa", "wcag22aa",
                            "best-practice"], "rules": {"color-contrast-enhanced": {"enabled": true},
                            "target-size": {"enabled": true}}}"#;
            let script = format!("{}; return axe.run(document, {rules})", self.axe);
            let found = self.browser.run(&script);
            let violations = found["violations"].as_array().unwrap();
            assert!(violations.is_empty(), "{what}, dark {dark}: {violations:#?}");
            let passed =
                |rule: &str| found["passes"].as_array().unwrap().iter().any(|pass| pass["id"] == rule);
            assert!(passed("color-contrast-enhanced") && passed("button-name"), "{what}: it was looked at");
        }
        self.browser.be_a_phone(PHONE.0, PHONE.1, false);
    }

    /// What can be pressed is large, apart, and inside the window.
    fn check_targets(&self, width: u32) {
        self.browser.be_a_phone(width, PHONE.1, false);
        let wide = self.browser.run("return document.documentElement.scrollWidth");
        assert!(wide.as_u64().unwrap() <= u64::from(width), "{wide} of {width}");
        let boxes = self.browser.run(
            "return [...document.querySelectorAll('button, .pick, dialog[open] input:not([type=radio], [type=checkbox])')]
                .filter((target) => target.checkVisibility())
                .map((target) => { const b = target.getBoundingClientRect(); return [b.left, b.right, b.height, target.textContent]; })",
        );
        let boxes = boxes.as_array().unwrap();
        assert!(boxes.len() > 2, "{boxes:?}");
        for target in boxes {
            let at = |side: usize| target[side].as_f64().unwrap();
            assert!(at(0) >= 0.0 && at(1) <= f64::from(width) && at(2) >= 60.0, "{target} at {width}");
        }
        self.browser.be_a_phone(PHONE.0, PHONE.1, false);
    }

    /// For people to look at, where `FRAMESIDE_PICTURES` names a folder.
    fn keep_picture(&self, name: &str) {
        if let Some(folder) = std::env::var_os("FRAMESIDE_PICTURES") {
            self.browser.screenshot(&PathBuf::from(folder).join(format!("{name}.png")));
        }
    }

    /// A touch that is none of the last one's: so soon after a dialog came or went the page
    /// takes it for the same wet finger.
    fn click(&self, css: &str) {
        std::thread::sleep(Duration::from_millis(800));
        self.browser.click(css);
    }

    fn state(&self) -> Value {
        frame(&self.rig.site, "oak")
    }
}

#[test]
fn a_print_by_fingers_alone() {
    let (Some(axe), Some(browser)) = (needs::axe(), Browser::start()) else { return };
    let rig = Paged::on("127.0.0.1", 20);
    let daemon = rig.site.run();
    // More than is had before the call is looked for, on a machine that is busy.
    ok(&rig.site.frameside(["recipe", "add", "citrate", "--target", "200kJ/m2"]));
    let phone = Phone { browser, axe, rig: &rig };
    let browser = &phone.browser;
    browser.be_a_phone(PHONE.0, PHONE.1, false);

    // Looking is free; commanding is not.
    browser.open(&format!("http://127.0.0.1:{}/", rig.port));
    phone.wait_for_text("[data-frame=oak] .state", "empty");
    phone.click("[data-frame=oak] [data-do=expose]");
    phone.wait_for_text("#recipes", "citrate, 200 kJ/m²");
    phone.check("expose");
    phone.check_targets(PHONE.0);
    phone.check_targets(320);
    phone.click("#expose [type=submit]");
    phone.wait_for_text("#token", "frameside page token");
    phone.check("token");
    browser.write("#typed", "0000 0000 0000 0000");
    phone.click("#token [type=submit]");
    phone.wait_for_text("#token .wrong", "That is not the token");
    assert_eq!(phone.state()["state"], "empty");
    let token = rig.token();
    browser.write("#typed", &token.to_uppercase());
    phone.click("#token [type=submit]");
    phone.wait("the token's dialog to close", "!document.getElementById('token').open");

    // Exposed by its recipe, covered and uncovered.
    browser.write("#negative", "boats 3");
    phone.click("#expose [type=submit]");
    phone.wait_for_text("[data-frame=oak] .state", "exposing");
    phone.wait_for_text("#said", "has begun, up to 200 kJ/m²");
    phone.wait_for_text("[data-frame=oak] .next", "Due about");
    phone.click("#said button");
    // Each command says when it was issued.
    let watch = "window.asked = []; const send = window.fetch;
                 window.fetch = (to, how) => { if (how?.body) asked.push(JSON.parse(how.body)); return send(to, how) };
                 return 0";
    assert_eq!(browser.run(watch), 0);
    // A wet finger counts twice; the second time the button may be another.
    let twice = "for (const what of ['cover', 'uncover'])
                   document.querySelector(`[data-frame=oak] [data-do=${what}]`).click();
                 return 0";
    assert_eq!(browser.run(twice), 0);
    phone.wait_for_text("#said", "Oak is covered");
    phone.wait_for_text("[data-frame=oak] .state", "covered");
    assert_eq!(phone.state()["state"], "covered");
    let asked = browser.run("return asked");
    let [cover] = &asked.as_array().unwrap()[..] else { panic!("{asked}") };
    assert_eq!((&cover["do"], cover["id"].is_string()), (&"cover".into(), true), "{asked}");
    assert!(cover["issued_at"].as_str().unwrap().parse::<Timestamp>().is_ok(), "{asked}");
    phone.check("covered");
    phone.click("[data-frame=oak] [data-do=uncover]");
    phone.wait_for_text("[data-frame=oak] .state", "exposing");
    phone.wait("a curve", "document.querySelector('[data-frame=oak] .chart .line') !== null");
    phone.check("exposing");
    phone.check_targets(PHONE.0);

    // Noted, and given more, then less.
    phone.click("[data-frame=oak] [data-do=note]");
    assert!(!browser.sees("#work"), "nothing is done with a print that is out");
    phone.click("#note [type=submit]");
    phone.wait_for_text("#note .wrong", "Write a word or two");
    browser.write("#text", "border turning");
    browser.write("#tone", "blue");
    phone.check("note");
    phone.check_targets(320);
    phone.click("#note [type=submit]");
    phone.wait_for_text("#said", "The note is kept");
    phone.click("#said button");
    phone.click("[data-frame=oak] [data-do=retarget]");
    phone.wait_for_text("#new-target-help", "As it is, 200 kJ/m²");
    phone.click("#retarget [type=submit]");
    phone.wait_for_text("#retarget .wrong", "That is its target already");
    phone.click("#more");
    phone.click("#more");
    phone.wait_for_text("#new-target-help", "1/3 stop more than 200 kJ/m²");
    phone.check("retarget");
    phone.check_targets(320);
    phone.click("#retarget [type=submit]");
    phone.wait_for_text("#said", "Oak now aims at 252 kJ/m²");
    phone.click("#said button");
    phone.click("[data-frame=oak] [data-do=retarget]");
    browser.clear("#new-target");
    for (written, why) in
        [("", "Say the target as a number"), ("1e3", "Say the target"), ("1,000", "Write 1000, or 1.000")]
    {
        browser.write("#new-target", written);
        phone.click("#retarget [type=submit]");
        phone.wait_for_text("#retarget .wrong", why);
        browser.clear("#new-target");
    }
    browser.write("#new-target", "300");
    phone.click("#more");
    phone.wait_for_text("#new-target-help", "0.42 stop more than 252 kJ/m²");
    browser.clear("#new-target");
    browser.write("#new-target", "1,0");
    phone.wait_for_text("#new-target-help", "7.98 stops less than 252 kJ/m²");
    phone.click("#retarget [type=submit]");
    phone.wait_for_text("#said", "Oak now aims at 1.00 kJ/m²");
    phone.click("#said button");

    // Called, hushed, brought in: asked first whether it is meant.
    wait_for("the call", PATIENCE, || browser.sees("#calls").then_some(()));
    phone.wait_for_text("#who-calls", "Oak is due: bring it in covered.");
    phone.check("due");
    phone.check_targets(320);
    phone.click("#hush-all");
    phone.wait("silence", "document.getElementById('calls').hidden");
    assert_eq!(phone.state()["waiting"], false);
    phone.click("[data-frame=oak] [data-do=bring-in]");
    phone.wait_for_text("#sure", "does not begin again");
    phone.check("sure");
    phone.click("#sure [data-close]");
    assert_eq!(phone.state()["state"], "due", "left out");
    phone.click("[data-frame=oak] [data-do=bring-in]");
    phone.click("#sure [type=submit]");
    phone.wait_for_text("[data-frame=oak] .state", "in");
    phone.wait_for_text("#said", "Oak is in, with");
    phone.click("#said button");

    // Washed, then judged.
    phone.wait_for_text("#unjudged", "Oak, citrate, boats 3");
    phone.click("#unjudged [data-do=note]");
    browser.write("#minutes", "10");
    phone.click("#note [type=submit]");
    phone.wait_for_text("#note .wrong", "Write a word or two");
    browser.write("#step", "rinsed");
    phone.check("note-in");
    phone.check_targets(320);
    phone.click("#note [type=submit]");
    phone.wait_for_text("#said", "The note is kept");
    phone.click("#said button");
    phone.click("#unjudged [data-do=judge]");
    phone.click("#judge [type=submit]");
    phone.wait_for_text("#judge .wrong", "Say how the print is");
    phone.click("#verdicts .pick:nth-of-type(2)");
    phone.check("judge");
    phone.check_targets(320);
    phone.click("#stops .pick:nth-of-type(2)");
    phone.click("#judge .pick:has(#dry)");
    phone.click("#judge .pick:has(#oxidised)");
    phone.click("#judge [type=submit]");
    phone.wait_for_text("#said", "too light by 0.33 stops; the next gets");
    phone.wait("nothing waits to be judged", "document.getElementById('waiting').hidden");

    let print = json_of(&rig.site, &["prints"])[0].clone();
    assert_eq!((&print["recipe"], &print["negative"]), (&"citrate".into(), &"boats 3".into()));
    let show = json_of(&rig.site, &["show", print["print"].as_str().unwrap()]);
    let judgement = &show["judgements"][0];
    assert!((number(judgement, "stops") - 1.0 / 3.0).abs() < 1e-9, "{judgement}");
    assert_eq!((&judgement["dry"], &judgement["oxidised"]), (&true.into(), &true.into()));
    let notes: Vec<_> = show["notes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|note| ["text", "tone", "step", "seconds"].map(|part| note[part].clone()))
        .collect();
    let none = Value::Null;
    assert_eq!(
        notes,
        [
            ["border turning".into(), "blue".into(), none.clone(), none.clone()],
            ["rinsed".into(), none, "rinse".into(), 600.0.into()],
        ]
    );

    // A test strip.
    phone.click("[data-frame=oak] [data-do=expose]");
    phone.click("#kinds .pick:nth-of-type(2)");
    phone.click("#expose [type=submit]");
    phone.wait_for_text("#expose .wrong", "Say what the first band gets");
    browser.write("#first-band", "40");
    browser.clear("#bands");
    browser.write("#bands", "3");
    phone.wait_for_text("#strip-help", "40.0, 56.6, 80.0 kJ/m²");
    phone.check("strip");
    phone.check_targets(320);
    phone.click("#expose [type=submit]");
    phone.wait_for_text("[data-frame=oak] .next", "Band 1");
    assert!(!browser.sees("[data-frame=oak] [data-do=retarget]"), "a strip keeps its bands");
    // Twice by the same finger: the dialog that comes under it takes nothing.
    phone.click("[data-frame=oak] [data-do=note]");
    browser.click("#note [data-close]");
    assert!(browser.sees("#note"), "left open");
    phone.click("#note [data-close]");
    assert!(!browser.sees("#note"));
    phone.check("strip-out");
    let print = json_of(&rig.site, &["prints"])[0].clone();
    let show = json_of(&rig.site, &["show", print["print"].as_str().unwrap()]);
    assert_eq!(show["plan_j_m2"], serde_json::json!([40_000.0, 56_570.0, 80_000.0]), "{show}");

    // The daemon goes: the page says that it shows what was, and takes up again by itself.
    assert!(daemon.terminate().success());
    wait_for("word of it", PATIENCE, || browser.sees("#away").then_some(()));
    phone.check("away");
    let daemon = rig.site.run();
    wait_for("news", PATIENCE, || (!browser.sees("#away")).then_some(()));
    // The light that nobody saw meanwhile is shaded in the curve of the strip that is out.
    phone.wait("the gap", "document.querySelector('[data-frame=oak] .chart .unseen') !== null");
    phone.check("gap");
    assert!(daemon.terminate().success());
}

#[test]
fn a_link_brings_the_token_and_leaves_no_trace_of_it() {
    let (Some(axe), Some(browser)) = (needs::axe(), Browser::start()) else { return };
    // As from the network: without the token nothing is seen.
    let rig = Paged::on("0.0.0.0", 20);
    let daemon = rig.site.run();
    let phone = Phone { browser, axe, rig: &rig };
    phone.browser.be_a_phone(320, 640, false);
    let page = format!("http://127.0.0.1:{}/", rig.port);
    phone.browser.open(&page);
    phone.wait_for_text("#token .wrong", "needs the token");
    assert!(!phone.browser.sees("[data-frame=oak]"));
    let token = rig.token();
    phone.browser.open("about:blank");
    phone.browser.open(&format!("{page}#token={token}"));
    phone.wait_for_text("[data-frame=oak] .state", "empty");
    assert_eq!(phone.browser.run("return location.href"), page, "not in the address");
    phone.browser.open("about:blank");
    phone.browser.open(&page);
    phone.wait_for_text("[data-frame=oak] .state", "empty");
    phone.wait_for_text("#may", "may command");
    phone.click("#give-token");
    phone.click("#forget");
    phone.wait_for_text("#token .wrong", "needs the token");
    assert!(daemon.terminate().success());
}

/// A morning with four frames, each in another state, before the hour of light that is
/// shipped with the configs.
fn four_frames() -> Paged {
    let port = http::free_port();
    let frames = [
        ("oak", "large oak frame", "92%"),
        ("ash", "ash frame", "92%"),
        ("pine", "small pine frame", "100%"),
        ("board", "board for test strips", "100%"),
    ];
    let frames = frames.map(|(name, label, glass)| {
        format!("[[frame]]\nname = \"{name}\"\nlabel = \"{label}\"\nsensor = \"sky\"\nglass = \"{glass}\"\n")
    });
    let light = repository().join("configs/cloudy-hour.csv");
    let site = Site::new(&format!(
        "[rig]\nname = \"yard\"\ntimezone = \"UTC\"\n\
         [[sensor]]\nname = \"sky\"\nchip = \"emulated:as7331\"\nlight = {light:?}\nspeed = 10\n{}\
         [[source]]\nname = \"box\"\nkind = \"lamp\"\n\
         [page]\nlisten = \"127.0.0.1:{port}\"\n",
        frames.concat()
    ));
    Paged { site, port }
}

#[test]
fn four_frames_on_a_narrow_phone() {
    let (Some(axe), Some(browser)) = (needs::axe(), Browser::start()) else { return };
    let rig = four_frames();
    let daemon = rig.site.run();
    let say = |words: &[&str]| ok(&rig.site.frameside(words));
    say(&["recipe", "add", "citrate", "--target", "12kJ/m2"]);
    say(&["recipe", "add", "classic", "--support", "washi", "--target", "box=16kJ/m2"]);
    say(&["expose", "ash", "--recipe", "citrate"]);
    say(&["expose", "oak", "--recipe", "citrate", "--negative", "boats 3"]);
    say(&["expose", "board", "--recipe", "citrate", "--strip", "2kJ/m2,4kJ/m2,8kJ/m2,16kJ/m2"]);
    say(&["expose", "pine", "--target", "0.5kJ/m2", "--recipe", "citrate"]);
    wait_for_frame(&rig.site, "pine", "some dose", |pine| number(pine, "dose_j_m2") > 700.0);
    say(&["bring-in", "pine"]);
    wait_for_frame(&rig.site, "ash", "some dose", |ash| number(ash, "dose_j_m2") > 1500.0);
    say(&["cover", "ash"]);
    say(&["expose", "pine", "--target", "3kJ/m2", "--recipe", "citrate"]);
    let phone = Phone { browser, axe, rig: &rig };
    phone.browser.be_a_phone(PHONE.0, PHONE.1, false);
    phone.browser.open(&format!("http://127.0.0.1:{}/#token={}", rig.port, rig.token()));
    phone.wait_for_text("[data-frame=oak] .name", "large oak frame");
    phone.wait_for_text("[data-frame=ash] .state", "covered");
    phone.wait_for_text("[data-frame=board] .next", "Band");
    phone.wait_for_text("[data-frame=pine] .state", "due");
    phone.wait_for_text("#who-calls", "Board for test strips: lay card over one more band.");
    // What calls is in reach beside a dialog too.
    phone.click("[data-frame=oak] [data-do=note]");
    phone.check("note-beside-calls");
    phone.check_targets(320);
    assert!(phone.browser.sees("#note #hush-all"), "in the dialog");
    phone.click("#note [data-close]");
    phone.wait("the calls back on the page", "document.querySelector('body > #told') !== null");
    // No further call of these two comes over what is pressed from here on, however long it takes.
    say(&["retarget", "oak", "500kJ/m2"]);
    say(&["bring-in", "board"]);
    phone.wait_for_text("#unjudged", "Small pine frame, citrate");
    phone.wait("a curve", "document.querySelector('[data-frame=pine] .chart .line') !== null");
    phone.check("four-frames");
    for dark in [false, true] {
        for width in [320, PHONE.0] {
            phone.browser.be_a_phone(width, 2600, dark);
            phone.keep_picture(&format!("four-frames-whole-{width}-{}", if dark { "dark" } else { "light" }));
        }
    }
    phone.check_targets(320);
    phone.click("[data-frame=oak] [data-do=bring-in]");
    phone.check("bring-in-early");
    phone.click("#sure [data-close]");

    // Under the lamp box other targets count.
    wait_for_frame(&rig.site, "pine", "a call", |pine| pine["waiting"] == true);
    phone.click("#hush-all");
    phone.wait_for_text("#said", "Hushed");
    phone.click("#said button");
    phone.click("[data-frame=pine] [data-do=bring-in]");
    phone.click("#sure [type=submit]");
    phone.wait_for_text("[data-frame=pine] .state", "in");
    phone.click("#said button");
    phone.click("[data-frame=pine] [data-do=expose]");
    phone.wait_for_text("#recipes", "classic, no target yet");
    phone.click("#sources .pick:nth-of-type(2)");
    phone.wait_for_text("#recipes", "classic, 16.0 kJ/m²");
    phone.browser.be_a_phone(320, 1300, false);
    phone.keep_picture("expose-320");
    phone.browser.be_a_phone(PHONE.0, PHONE.1, false);
    phone.click("#expose [type=submit]");
    phone.wait_for_text("#expose .wrong", "Citrate has no target under box yet");
    phone.click("#recipes .pick:nth-of-type(2)");
    phone.click("#expose [type=submit]");
    phone.wait_for_text("[data-frame=pine] .state", "exposing");
    let print = json_of(&rig.site, &["prints"])[0].clone();
    assert_eq!((&print["recipe"], &print["source"]), (&"classic".into(), &"box".into()));
    assert!(daemon.terminate().success());
}
