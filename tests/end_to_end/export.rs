//! The record out of the daemon, and in again.

use std::process::Command;

use frameside_tests::needs::reference_python;
use frameside_tests::{repository, wait_for};
use serde_json::Value;

use crate::yard::{SOON, expose, json_of, number, ok, refused, site, wait_for_frame};

#[test]
fn the_record_goes_out_and_comes_back() {
    let site = site(60, None);
    let daemon = site.run();
    // A curve begins with light.
    wait_for("light", SOON, || json_of(&site, &["status"])["sensors"][0]["irradiance_w_m2"].as_f64());
    let first = expose(&site, "oak", "600J/m2");
    wait_for_frame(&site, "oak", "due", |oak| oak["state"] == "due");
    ok(&site.frameside(["bring-in", "oak"]));
    let second = expose(&site, "elm", "90kJ/m2");
    ok(&site.frameside(["note", &second, "a \"quoted\", note"]));
    wait_for_frame(&site, "elm", "some dose", |elm| number(elm, "dose_j_m2") > 100.0);

    // While it runs: a backup, and no restore.
    let copy = site.path("copy.sqlite");
    let copy = copy.to_str().unwrap();
    ok(&site.frameside(["backup", copy]));
    let (code, said) = refused(&site.frameside(["backup", copy]));
    assert!(code == 1 && said.contains("copy.sqlite exists already"), "{said}");
    let (code, said) = refused(&site.frameside(["restore", copy, "--replace"]));
    assert_eq!((code, said.as_str()), (1, "the daemon runs; stop it before its record is replaced"));
    ok(&site.frameside(["bring-in", "elm"]));
    assert!(daemon.terminate().success());

    let out = site.path("export");
    let out_text = out.to_str().unwrap();
    for format in ["csv", "parquet"] {
        ok(&site.frameside(["export", "--format", format, "--out", out_text]));
    }
    ok(&site.frameside(["export", "--prints", "--curves", "--format", "json", "--out", out_text]));
    ok(&site.frameside(["export", "--format", "json", "--out", out_text]));
    let before = json_of(&site, &["prints"]);
    let ledger = out.join("ledger.json");
    let (code, said) = refused(&site.frameside(["restore", copy]));
    assert!(code == 1 && said.contains("say --replace"), "{said}");
    let (code, said) = refused(&site.frameside(["restore", ledger.to_str().unwrap(), "--replace"]));
    assert!(code == 1 && said.contains("not a sound record"), "{said}");
    let last = site.path("last.sqlite");
    ok(&site.frameside(["backup", last.to_str().unwrap()]));

    // Each backup brings back what there was then.
    ok(&site.frameside(["restore", copy, "--replace"]));
    let older = json_of(&site, &["prints"]);
    assert_eq!((&older[0]["print"], &older[0]["state"]), (&before[0]["print"], &Value::from("exposing")));
    ok(&site.frameside(["restore", last.to_str().unwrap(), "--replace"]));
    assert_eq!(json_of(&site, &["prints"]), before);
    let daemon = site.run();
    assert_eq!(json_of(&site, &["show", &first])["dose_j_m2"], before[1]["dose_j_m2"]);
    assert!(daemon.terminate().success());

    let Some(python) = reference_python() else { return };
    let script = repository().join("tests/reference/read_export.py");
    let read = Command::new(python).arg(script).arg(&out).output().unwrap();
    assert!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));
    let text = String::from_utf8(read.stdout).unwrap();
    let tables: Vec<Vec<Value>> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let [prints, curves] = &tables[..] else { panic!("{text}") };
    assert_eq!(prints.len(), 2);
    assert_eq!(prints[0]["print"], first.as_str());
    let last_of_first = curves.iter().rfind(|row| row["print"] == first.as_str()).unwrap();
    let end = number(last_of_first, "dose_j_m2");
    assert!((end / number(&prints[0], "dose_j_m2") - 1.0).abs() < 0.03, "the curve ends at the dose: {end}");
}
