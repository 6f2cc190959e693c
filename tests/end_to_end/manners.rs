//! Rules of the repository itself: what may lie in it, and what never.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;

use frameside_tests::needs::{need, program};
use frameside_tests::{Site, repository};

const TOP_LEVEL: [&str; 9] = [
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "configs",
    "daemon",
    "firmware-free",
    "tests",
];

/// Every file that is, or could be, committed; `None` outside of a git clone.
fn repository_files() -> Option<Vec<String>> {
    let git = program("git").filter(|_| repository().join(".git").exists());
    let git = need(git, "a git clone", "apt install git, then clone the repository")?;
    let mut list = Command::new(git);
    // A clone that belongs to another user is still only listed.
    list.args(["-c", "safe.directory=*", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]);
    let output = list.current_dir(repository()).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let names = String::from_utf8(output.stdout).unwrap();
    Some(names.split_terminator('\0').map(Into::into).collect())
}

#[test]
fn top_level_holds_only_what_the_layout_names() {
    let Some(files) = repository_files() else { return };
    let top: BTreeSet<&str> = files.iter().filter_map(|file| file.split('/').next()).collect();
    let others: Vec<_> =
        top.into_iter().filter(|name| !name.starts_with('.') && !TOP_LEVEL.contains(name)).collect();
    assert!(others.is_empty(), "not in the layout: {others:?}");
    for name in TOP_LEVEL {
        assert!(repository().join(name).exists(), "the layout's {name} is missing");
    }
}

/// The station's data may be used by anyone but not passed on.
fn looks_like_station_data(name: &str, content: &[u8]) -> bool {
    let name = name.to_lowercase();
    let named =
        ["pay0616", ".dat", ".dat.gz"].iter().any(|part| name.ends_with(part) || name.contains("pay0616"));
    let holds =
        |line_start: &[u8]| content.split(|&byte| byte == b'\n').any(|line| line.starts_with(line_start));
    named || holds(b"*U0500") || holds(b"2016-06-")
}

#[test]
fn station_data_are_not_in_the_repository() {
    let Some(files) = repository_files() else { return };
    for file in files {
        // A file deleted but not yet committed so is listed too.
        let Ok(content) = std::fs::read(repository().join(&file)) else { continue };
        assert!(!looks_like_station_data(&file, &content), "{file} looks like station data");
    }
}

#[test]
fn station_data_are_known_by_name_and_by_content() {
    assert!(looks_like_station_data("tests/bsrn-pay0616.dat.gz", b""));
    assert!(looks_like_station_data("month.txt", b"*U0001\n 21  6 2016\n*U0500\n"));
    assert!(looks_like_station_data("light.csv", b"time,irradiance_w_m2\n2016-06-01T00:00:00Z,0.0\n"));
    assert!(!looks_like_station_data("light.csv", b"time,irradiance_w_m2\n2026-06-01T00:00:00Z,0.0\n"));
    assert!(!looks_like_station_data("tests/data.rs", b"lines.index(\"*U0500\")\n"));
}

/// Without its hardware an example has troubles; it runs all the same.
#[test]
fn each_example_is_good_and_starts_as_it_is_shipped() {
    let folder = repository().join("configs");
    let files = || std::fs::read_dir(&folder).unwrap().map(|file| file.unwrap().path());
    let with_extension = |extension: &'static str| {
        files().filter(move |file| file.extension().is_some_and(|found| found == extension))
    };
    for example in with_extension("toml") {
        let config = std::fs::read_to_string(&example).unwrap();
        let here = config.replace("/var/lib/frameside", "{dir}").replace("/run/frameside", "{dir}");
        let site = Site::new(&here);
        for light in with_extension("csv") {
            std::fs::copy(&light, site.path(light.file_name().unwrap().to_str().unwrap())).unwrap();
        }
        let checked = site.frameside(["check"]);
        assert!(checked.status.success(), "{}: {checked:?}", example.display());
        assert!(site.run().terminate().success(), "{}", example.display());
    }
}

#[test]
fn configs_are_complete_and_say_what_they_are_for() {
    let folder = repository().join("configs");
    let names: Vec<_> = std::fs::read_dir(&folder)
        .expect("configs exists")
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    for part in [".toml", ".service", "acl"] {
        assert!(names.iter().any(|name| name.contains(part)), "no {part} in configs: {names:?}");
    }
    for name in names.iter().filter(|name| Path::new(name).extension().is_some_and(|ending| ending == "toml"))
    {
        let text = std::fs::read_to_string(folder.join(name)).unwrap();
        assert!(text.starts_with("# "), "{name} does not begin by saying what it is for");
    }
}

#[test]
fn the_service_unit_is_shut_in() {
    let Some(analyze) = need(program("systemd-analyze"), "systemd-analyze", "apt install systemd") else {
        return;
    };
    let unit = repository().join("configs/frameside.service");
    let judged = Command::new(analyze)
        .args(["security", "--offline=true", "--threshold=20", "--no-pager"])
        .arg(unit)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&judged.stdout);
    assert!(judged.status.success(), "exposed by more than 2.0:\n{said}");
    // What the daemon needs has to stay.
    let text = std::fs::read_to_string(repository().join("configs/frameside.service")).unwrap();
    for needed in ["DeviceAllow=char-i2c rw", "DeviceAllow=char-gpiochip rw", "StateDirectory=frameside"] {
        assert!(text.contains(needed), "{needed}");
    }
}
