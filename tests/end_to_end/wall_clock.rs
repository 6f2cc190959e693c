//! The wall clock is stepped from outside while a print is out: labels follow,
//! doses do not.

use std::path::Path;
use std::process::Command;

use frameside_tests::needs::need;
use frameside_tests::{Site, wait_for};
use serde_json::Value;

use crate::yard::{SOON, assert_within, due_of, expose, json_of, number, ok, settled, wait_for_frame};

/// Where Debian puts it, by architecture.
fn libfaketime() -> Option<std::path::PathBuf> {
    let libraries = std::fs::read_dir("/usr/lib").ok().into_iter().flatten().flatten();
    let found =
        libraries.map(|entry| entry.path().join("faketime/libfaketime.so.1")).find(|file| file.is_file());
    need(found, "libfaketime", "apt install faketime")
}

/// Shows the daemon another time. By rename, so that it never reads half of it.
fn set_wall(file: &Path, offset: &str) {
    let next = file.with_extension("next");
    std::fs::write(&next, offset).unwrap();
    std::fs::rename(next, file).unwrap();
}

/// The year and whether the label is known to be right.
fn label(show: &Value) -> (i32, bool) {
    (show["begun"].as_str().unwrap()[..4].parse().unwrap(), show["synchronised"].as_bool().unwrap())
}

#[test]
fn labels_follow_the_wall_clock_and_doses_do_not() {
    let Some(library) = libfaketime() else { return };
    let site = Site::new(
        "[rig]\nname = \"yard\"\ntimezone = \"UTC\"\n\
         [[sensor]]\nname = \"sky\"\nchip = \"emulated:as7331\"\nlight = \"{dir}/light.csv\"\n\
         [[frame]]\nname = \"oak\"\nsensor = \"sky\"\n",
    );
    let light = "time,irradiance_w_m2\n2026-06-01T10:00:00Z,40\n2026-06-01T11:00:00Z,40\n";
    std::fs::write(site.path("light.csv"), light).unwrap();
    let wall = site.path("wall");
    // No clock that runs without power, no network yet.
    set_wall(&wall, "@1970-01-01 00:00:20");
    let mut env = Command::new("env");
    env.arg(format!("LD_PRELOAD={}", library.display()))
        .arg(format!("FAKETIME_TIMESTAMP_FILE={}", wall.display()))
        .args(["FAKETIME_NO_CACHE=1", "FAKETIME_DONT_FAKE_MONOTONIC=1", "NO_FAKE_STAT=1", "TZ=UTC"]);
    let daemon = site.run_under(env);
    let print = expose(&site, "oak", "800J/m2");
    assert_eq!(&print, "1970-01-01-oak-1");
    assert_eq!(label(&json_of(&site, &["show", &print])), (1970, false));

    // The network brings the time: the label follows.
    let year = ok(&Command::new("date").args(["-u", "+%Y"]).output().unwrap()).trim().parse().unwrap();
    set_wall(&wall, "+0d");
    wait_for("the label to follow", SOON, || {
        (label(&json_of(&site, &["show", &print])) == (year, true)).then_some(())
    });
    // Somebody sets the clock wrong, forwards and backwards: a label that was right stays.
    for step in ["+20y", "-3600s"] {
        let steps = || daemon.stderr().matches("the wall clock was set").count();
        let before = steps();
        set_wall(&wall, step);
        wait_for("the step to be seen", SOON, || (steps() > before).then_some(()));
        assert_eq!(label(&json_of(&site, &["show", &print])), (year, true));
    }
    wait_for_frame(&site, "oak", "due", |oak| oak["state"] == "due");
    ok(&site.frameside(["bring-in", "oak"]));
    let show = settled(&site, &print);
    assert_within(800.0, due_of(&show));
    // A machine that stands still makes a short gap; a step that was followed makes one as long as itself.
    let mut gaps = show["gaps"].as_array().unwrap().iter();
    assert!(gaps.all(|gap| (number(gap, "to_s") - number(gap, "from_s")).abs() < 600.0), "{show}");
    assert!(daemon.terminate().success());
}
