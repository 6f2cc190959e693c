//! What `frameside shelf` writes for a package, read by the programs it is for.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

use frameside_tests::Site;
use frameside_tests::needs::{need, program};

use crate::yard::{ok, site};

/// 2026-07-14T00:00:00Z.
const DAY: &str = "1783987200";

/// A site with its shelf, and the shelf's folder.
fn shelf() -> (Site, PathBuf) {
    let site = site(20, None).with_environment(vec![("SOURCE_DATE_EPOCH", DAY.into())]);
    let folder = site.path("shelf");
    let said = ok(&site.frameside(["shelf", folder.to_str().unwrap()]));
    assert_eq!(said, format!("written: {}\n", folder.display()));
    (site, folder)
}

fn files(folder: &Path) -> BTreeSet<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
}

/// What a program that reads a file of the shelf says; `None` where it is not installed.
fn read_by(name: &str, package: &str, arguments: &[&str], home: &Path) -> Option<String> {
    let found = need(program(name), name, &format!("apt install {package}"))?;
    let output = Command::new(found).args(arguments).env("HOME", home).output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout) + String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{name} {arguments:?}: {said}");
    Some(said.into_owned())
}

#[test]
fn every_verb_has_a_man_page_that_reads_without_a_warning() {
    let (site, folder) = shelf();
    let man = folder.join("man");
    let pages = files(&man);
    let help = ok(&site.frameside(["--help"]));
    let listed = help.split_once("Commands:\n").unwrap().1.split_once("\n\n").unwrap().0;
    let verbs: Vec<&str> = listed
        .lines()
        .filter_map(|line| line.strip_prefix("  ").filter(|rest| !rest.starts_with(' ')))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|&verb| verb != "help")
        .collect();
    assert!(verbs.len() > 20, "{help}");
    for verb in verbs {
        assert!(pages.contains(&format!("frameside-{verb}.1")), "no page of {verb}: {pages:?}");
    }
    for page in ["frameside.1", "frameside-sensor-calibrate.1"] {
        assert!(pages.contains(page), "{page}");
    }
    assert!(!pages.contains("frameside-shelf.1"), "what is for packagers is not for everyone");
    let page = std::fs::read_to_string(man.join("frameside-note.1")).unwrap();
    assert!(page.contains(".TH FRAMESIDE-NOTE 1 2026-07-14 \"frameside "), "{page}");
    assert!(page.contains("border turning"), "the examples are in it: {page}");
    let paths: Vec<PathBuf> = pages.iter().map(|page| man.join(page)).collect();
    let mut arguments = vec!["-T", "lint", "-W", "warning"];
    arguments.extend(paths.iter().map(|path| path.to_str().unwrap()));
    let Some(said) = read_by("mandoc", "mandoc", &arguments, &folder) else { return };
    assert_eq!(said, "");
}

#[test]
fn the_completions_load_and_complete() {
    let (_site, folder) = shelf();
    let completions = folder.join("completions");
    let path = |name: &str| completions.join(name).to_str().unwrap().to_owned();
    let (bash, zsh, fish) = (path("frameside.bash"), path("_frameside"), path("frameside.fish"));
    assert_eq!(files(&completions).len(), 3);

    let script = format!(
        ". {bash}; COMP_WORDS=(frameside bri); COMP_CWORD=1; _frameside frameside bri frameside; echo ${{COMPREPLY[*]}}"
    );
    if let Some(said) = read_by("bash", "bash", &["--norc", "-c", &script], &folder) {
        assert_eq!(said.trim(), "bring-in");
    }
    let script = format!("autoload -Uz compinit; compinit -u -D; . {zsh}; print -r -- $_comps[frameside]");
    if read_by("zsh", "zsh", &["-f", "-n", &zsh], &folder).is_some() {
        let said = read_by("zsh", "zsh", &["-f", "-c", &script], &folder).unwrap();
        assert_eq!(said.trim(), "_frameside");
    }
    let script = format!("source {fish}; complete --do-complete 'frameside bri'");
    if let Some(said) = read_by("fish", "fish", &["--no-config", "--command", &script], &folder) {
        assert!(said.starts_with("bring-in\tEnd the exposure"), "{said}");
    }
}
