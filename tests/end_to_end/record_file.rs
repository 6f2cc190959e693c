//! What can happen to the file of the record from outside, with the daemon running or stopped.

use std::process::Command;

use frameside_tests::{Broker, Site, needs, wait_for};
use rusqlite::Connection;
use serde_json::Value;
use tempfile::TempDir;

use crate::yard::{SOON, expose, frame, json_of, ok, refused, site};

/// A connection of another program.
fn sqlite(site: &Site) -> Connection {
    Connection::open(site.path("ledger.sqlite")).unwrap()
}

#[test]
fn a_second_daemon_on_a_record_is_refused() {
    let site = site(60, None);
    let daemon = site.run();
    let config = std::fs::read_to_string(site.path("config.toml")).unwrap();
    let other = site.path("other.toml");
    std::fs::write(&other, config.replace("frameside.sock", "other.sock")).unwrap();
    let (code, said) = refused(&site.frameside(["run", "--config", other.to_str().unwrap()]));
    assert_eq!((code, said.lines().count()), (1, 1), "{said}");
    assert!(said.contains("another daemon keeps the record") && said.contains("[ledger] path"), "{said}");
    // A lock that outlives its process would keep the next one out.
    daemon.kill9();
    assert!(site.run().terminate().success());
}

#[test]
fn what_the_record_refuses_is_no_ok() {
    let site = site(60, None);
    let _daemon = site.run();
    let print = expose(&site, "oak", "500kJ/m2");
    sqlite(&site)
        .execute_batch(
            "CREATE TRIGGER refuse BEFORE INSERT ON event WHEN NEW.kind LIKE '%covered%'
             BEGIN SELECT RAISE(ABORT, 'not this one'); END",
        )
        .unwrap();
    let (code, said) = refused(&site.frameside(["cover", "oak"]));
    assert_eq!(code, 1, "{said}");
    assert!(said.contains(&format!("refused an entry of print {print}")), "{said}");
    assert!(said.contains("not this one"), "{said}");
    let troubles: Value = json_of(&site, &["status"])["troubles"].clone();
    assert!(troubles.to_string().contains("refused an entry"), "{troubles}");
    // Others are not kept out by it.
    sqlite(&site).execute_batch("DROP TRIGGER refuse").unwrap();
    expose(&site, "elm", "500kJ/m2");
    assert_eq!(frame(&site, "oak")["state"], "covered");
}

/// What `status` says is wrong.
fn troubles(site: &Site) -> String {
    json_of(site, &["status"])["troubles"].to_string()
}

#[test]
fn a_record_that_is_deleted_or_replaced_while_it_is_kept_is_written_anew() {
    let Some(broker) = Broker::start() else { return };
    let signals = broker.subscribe(&["frameside/yard/signal"]);
    let site = site(60, Some(broker.port()));
    let daemon = site.run();
    let first = expose(&site, "oak", "500kJ/m2");
    std::fs::remove_file(site.path("ledger.sqlite")).unwrap();
    let second = expose(&site, "elm", "500kJ/m2");
    let told = signals.wait_for(SOON, |message| message.json()["kind"] == "trouble").json();
    assert!(told["text"].as_str().unwrap().contains("deleted or moved"), "{told}");
    assert!(troubles(&site).contains("deleted or moved"), "{}", troubles(&site));

    // Another file takes its place, and later the whole folder of them is cleared.
    std::fs::write(site.path("other"), "of another kind").unwrap();
    std::fs::rename(site.path("other"), site.path("ledger.sqlite")).unwrap();
    ok(&site.frameside(["cover", "oak"]));
    let aside = std::fs::read(site.path("ledger.sqlite.replaced-1")).unwrap();
    assert_eq!(aside, b"of another kind");
    for name in ["ledger.sqlite", "ledger.sqlite-wal", "ledger.sqlite-shm"] {
        std::fs::remove_file(site.path(name)).unwrap();
    }
    ok(&site.frameside(["uncover", "oak"]));

    daemon.kill9();
    let _daemon = site.run();
    assert_eq!(frame(&site, "oak")["print"], first.as_str());
    assert_eq!(frame(&site, "elm")["print"], second.as_str());
    assert!(!troubles(&site).contains("-wal file"), "{}", troubles(&site));
    let show = json_of(&site, &["show", &first]);
    let kinds: Vec<&str> =
        show["events"].as_array().unwrap().iter().map(|event| event["kind"].as_str().unwrap()).collect();
    assert_eq!(kinds, ["begun", "covered", "uncovered"]);
}

#[test]
fn commits_that_vanished_with_a_deleted_log_are_missed() {
    let Some(broker) = Broker::start() else { return };
    let signals = broker.subscribe(&["frameside/yard/signal"]);
    let site = site(60, Some(broker.port()));
    let daemon = site.run();
    let first = expose(&site, "oak", "500kJ/m2");
    assert!(daemon.terminate().success());
    let daemon = site.run();
    let second = expose(&site, "elm", "500kJ/m2");
    ok(&site.frameside(["cover", "oak"]));
    daemon.kill9();
    for name in ["ledger.sqlite-wal", "ledger.sqlite-shm"] {
        std::fs::remove_file(site.path(name)).unwrap();
    }

    let daemon = site.run();
    let troubles_now = troubles(&site);
    let said = "had 2 prints with 3 events when frameside last wrote it, and has 1 with 1";
    assert!(troubles_now.contains(said) && troubles_now.contains("frameside restore"), "{troubles_now}");
    // Whether it is covered is lost with the rest.
    assert!(troubles_now.contains(&format!("the dose of print {first}")), "{troubles_now}");
    assert!(!site.frameside(["show", &second]).status.success());
    let _ = signals.wait_for(SOON, |message| message.json()["text"].to_string().contains(said));
    daemon.kill9();
    let _daemon = site.run();
    assert!(!troubles(&site).contains("-wal file"), "{}", troubles(&site));
}

/// A file system of its own, writable or not; gone when dropped.
struct Mounted(TempDir);

impl Mounted {
    fn new() -> Option<Self> {
        let folder = TempDir::new().unwrap();
        let mut mount = Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", "size=1m", "frameside-test"]).arg(folder.path());
        let is_mounted = mount.output().is_ok_and(|output| output.status.success());
        needs::need(is_mounted.then_some(Self(folder)), "the right to mount a file system", "run as root")
    }

    fn remount(&self, how: &str) {
        let mut mount = Command::new("mount");
        mount.args(["-o", &format!("remount,{how},size=1m")]).arg(self.0.path());
        assert!(mount.status().unwrap().success());
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        // Lazily: a failed test may still have a daemon on it.
        let _ = Command::new("umount").arg("-l").arg(self.0.path()).status();
    }
}

/// A site with its record on a file system of its own.
fn site_on(disk: &Mounted) -> Site {
    let site = site(60, None);
    let config = std::fs::read_to_string(site.path("config.toml")).unwrap();
    let record = disk.0.path().join("ledger.sqlite");
    let beside = site.path("ledger.sqlite");
    site.configure(&config.replace(beside.to_str().unwrap(), record.to_str().unwrap()));
    site
}

#[test]
fn on_a_file_system_that_cannot_be_written_it_starts_and_keeps_all_in_memory() {
    let Some(disk) = Mounted::new() else { return };
    let site = site_on(&disk);
    let daemon = site.run();
    let first = expose(&site, "oak", "500kJ/m2");
    // As after a crash on a card that the kernel no longer trusts.
    daemon.kill9();
    disk.remount("ro");
    let daemon = site.run();
    assert_eq!(frame(&site, "oak")["print"], first.as_str());
    assert!(troubles(&site).contains("the record cannot be written"), "{}", troubles(&site));
    let answer = json_of(&site, &["expose", "elm", "--target", "500kJ/m2"]);
    assert!(answer["warning"].as_str().unwrap().contains("in memory only"), "{answer}");
    ok(&site.frameside(["cover", "oak"]));

    disk.remount("rw");
    wait_for("the record to be written", SOON, || {
        json_of(&site, &["status"]).get("troubles").is_none().then_some(())
    });
    daemon.kill9();
    let _daemon = site.run();
    assert_eq!(frame(&site, "oak")["state"], "covered");
    assert_eq!(frame(&site, "elm")["print"], answer["print"]);
}

#[test]
fn on_a_full_file_system_it_starts_and_keeps_all_in_memory() {
    let Some(disk) = Mounted::new() else { return };
    let site = site_on(&disk);
    let filler = disk.0.path().join("filler");
    // As much as there is room for.
    assert!(std::fs::write(&filler, vec![0; 4 << 20]).is_err());
    let daemon = site.run();
    let answer = json_of(&site, &["expose", "oak", "--target", "500kJ/m2"]);
    assert!(answer["warning"].as_str().unwrap().contains("in memory only"), "{answer}");
    std::fs::remove_file(filler).unwrap();
    wait_for("the record to be written", SOON, || {
        json_of(&site, &["status"]).get("troubles").is_none().then_some(())
    });
    daemon.kill9();
    let _daemon = site.run();
    assert_eq!(frame(&site, "oak")["print"], answer["print"]);
}

#[test]
fn without_memory_shared_between_programs_the_record_is_kept_all_the_same() {
    let site = site(60, None);
    // Where its file should be, none can be made.
    std::os::unix::fs::symlink("nowhere/shm", site.path("ledger.sqlite-shm")).unwrap();
    let daemon = site.run();
    let print = expose(&site, "oak", "500kJ/m2");
    assert_eq!(json_of(&site, &["show", &print])["state"], "exposing");
    assert!(daemon.stderr().contains("shares no memory between programs"), "{}", daemon.stderr());
    daemon.kill9();
    let _daemon = site.run();
    assert_eq!(frame(&site, "oak")["print"], print.as_str());
}
