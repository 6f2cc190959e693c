//! The pure library stays pure, and arrows between the packages run one way.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use frameside_tests::{cargo, repository};

/// All that the pure library may be built from, its proc macros included.
const ALLOWED: [&str; 12] = [
    "frameside-core",
    "embedded-hal",
    "serde",
    "serde_core",
    "solar-positioning",
    "serde_derive",
    "thiserror",
    "thiserror-impl",
    "proc-macro2",
    "quote",
    "syn",
    "unicode-ident",
];

/// Packages of a `cargo tree --prefix none` that are not allowed.
fn strangers(tree: &str) -> BTreeSet<&str> {
    let names = tree.lines().filter_map(|line| line.split_whitespace().next());
    names.filter(|name| !ALLOWED.contains(name)).collect()
}

fn stdout_of_cargo(args: &[&str]) -> String {
    let output = cargo().args(args).arg("--locked").output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn pure_library_is_built_from_the_allowed_packages_only() {
    let tree = stdout_of_cargo(&[
        "tree",
        "--package=frameside-core",
        "--edges=normal,build",
        "--all-features",
        "--target=all",
        "--prefix=none",
    ]);
    assert!(tree.starts_with("frameside-core "), "{tree}");
    assert_eq!(strangers(&tree), BTreeSet::new());
}

#[test]
fn a_runtime_in_the_pure_library_is_found() {
    let tree = "frameside-core v0.1.0 (/x)\nserde v1.0.1\ntokio v1.48.0\nserde v1.0.1 (*)\nmio v1.1.0\n";
    assert_eq!(strangers(tree), BTreeSet::from(["mio", "tokio"]));
}

/// Workspace members that each member depends on, in any way (also for tests and builds).
fn arrows(metadata: &str) -> BTreeSet<(String, String)> {
    let metadata: serde_json::Value = serde_json::from_str(metadata).unwrap();
    let name_of = |package: &serde_json::Value| package["name"].as_str().unwrap().to_owned();
    let packages = metadata["packages"].as_array().unwrap();
    let arrows_of = |package: &serde_json::Value| {
        let dependencies = package["dependencies"].as_array().unwrap().iter();
        let members = dependencies.filter(|dependency| !dependency["path"].is_null()).map(name_of);
        let from = name_of(package);
        members.map(|to| (from.clone(), to)).collect::<Vec<_>>()
    };
    packages.iter().flat_map(arrows_of).collect()
}

#[test]
fn arrows_run_from_tests_to_daemon_to_the_pure_library() {
    let arrows = arrows(&stdout_of_cargo(&["metadata", "--no-deps", "--format-version=1"]));
    let allowed = [
        ("frameside", "frameside-core"),
        ("frameside-estimates", "frameside-core"),
        ("frameside-tests", "frameside"),
        ("frameside-tests", "frameside-core"),
    ];
    let allowed: BTreeSet<_> = allowed.map(|(from, to)| (from.to_owned(), to.to_owned())).into();
    assert_eq!(arrows, allowed);
}

#[test]
fn an_arrow_the_wrong_way_is_seen() {
    let metadata = r#"{ "packages": [ { "name": "frameside-core", "dependencies": [
        { "name": "serde", "kind": null },
        { "name": "frameside", "kind": "dev", "path": "/x/daemon" } ] } ] }"#;
    assert_eq!(arrows(metadata), BTreeSet::from([("frameside-core".into(), "frameside".into())]));
}

/// Modules of std which reach out of the program.
const OUTSIDE: [&str; 6] = ["env", "fs", "net", "os", "process", "thread"];
/// Types which read a clock, under whatever path they are named.
const CLOCKS: [&str; 2] = ["Instant", "SystemTime"];

/// What of the outside world a source text names, comments left out.
fn outside_world(source: &str) -> BTreeSet<&str> {
    let code = || source.lines().map(|line| line.split("//").next().unwrap_or_default());
    let words = code().flat_map(words_of).filter(|word| CLOCKS.contains(word));
    let modules = code().flat_map(words_after_std).filter(|word| OUTSIDE.contains(word));
    words.chain(modules).collect()
}

fn words_of(code: &str) -> impl Iterator<Item = &str> {
    code.split(|letter: char| !letter.is_alphanumeric() && letter != '_')
}

/// The module in `std::fs::read` and those in `use std::{fs, net::TcpStream}`: in a
/// `use`, everything that follows on the line.
fn words_after_std(code: &str) -> Vec<&str> {
    let many = code.trim_start().trim_start_matches("pub ").starts_with("use ");
    let taken = if many { usize::MAX } else { 1 };
    code.split("std::").skip(1).flat_map(|rest| words_of(rest.trim_start_matches('{')).take(taken)).collect()
}

fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let (folders, files): (Vec<_>, Vec<_>) = entries.partition(|path| path.is_dir());
    let rust = files.into_iter().filter(|file| file.extension().is_some_and(|ending| ending == "rs"));
    rust.chain(folders.iter().flat_map(|folder| rust_files(folder))).collect()
}

#[test]
fn pure_sources_name_nothing_of_the_outside_world() {
    let files = rust_files(&repository().join("firmware-free/src"));
    assert!(files.len() > 3, "found only {files:?}");
    for file in files {
        let source = std::fs::read_to_string(&file).unwrap();
        assert_eq!(outside_world(&source), BTreeSet::new(), "in {}", file.display());
    }
}

#[test]
fn the_outside_world_is_found_however_it_is_named() {
    let cases = [
        ("let now = std::time::Instant::now();", "Instant"),
        ("use std::time::{Duration, SystemTime};", "SystemTime"),
        ("fn at(t: &Instant) {}", "Instant"),
        ("use std::fs;", "fs"),
        ("use std::{fmt, net::TcpStream};", "net"),
        ("    std::thread::sleep(d);", "thread"),
        ("let home = ::std::env::var(\"HOME\");", "env"),
    ];
    for (source, named) in cases {
        assert_eq!(outside_world(source), BTreeSet::from([named]), "in {source}");
    }
    let innocent =
        "// an Instant or std::fs would be wrong here\nuse std::fmt;\nlet e = std::f64::consts::E / net;";
    assert_eq!(outside_world(innocent), BTreeSet::new());
}
