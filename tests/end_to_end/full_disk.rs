//! A record that cannot be written: doses and calls go on from memory, loudly,
//! and all of it is written when there is room again.

use std::path::PathBuf;
use std::process::Command;

use frameside_tests::needs::need;
use frameside_tests::{Broker, Site, wait_for};
use serde_json::json;
use tempfile::TempDir;

use crate::yard::{SOON, expose, frame, json_of, number, ok, wait_for_frame};

/// A file system of its own of 512 KiB; gone when dropped.
struct SmallDisk(TempDir);

impl SmallDisk {
    fn mount() -> Option<Self> {
        let folder = TempDir::new().unwrap();
        let mut mount = Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", "size=512k", "frameside-test"]).arg(folder.path());
        let mounted = mount.output().is_ok_and(|output| output.status.success());
        need(mounted.then_some(Self(folder)), "the right to mount a small file system", "run as root")
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    /// Leaves no room for anything.
    fn fill(&self) {
        let mut length = 512 * 1024;
        while length > 0 {
            let more = vec![b'x'; length];
            let file = self.path(&format!("filler-{length}"));
            if std::fs::write(&file, more).is_err() {
                // What was written of it stays.
                length /= 2;
            }
        }
    }

    fn empty(&self) {
        for entry in std::fs::read_dir(self.0.path()).unwrap() {
            let entry = entry.unwrap();
            if entry.file_name().to_string_lossy().starts_with("filler") {
                std::fs::remove_file(entry.path()).unwrap();
            }
        }
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        // Lazily: a failed test may still have a daemon on it.
        let _ = Command::new("umount").arg("-l").arg(self.0.path()).status();
    }
}

#[test]
fn on_a_full_disk_doses_and_calls_go_on_and_are_written_later() {
    let Some(disk) = SmallDisk::mount() else { return };
    let Some(broker) = Broker::start() else { return };
    let site = Site::new(&format!(
        "[rig]\nname = \"yard\"\n\
         [[sensor]]\nname = \"sky\"\nchip = \"emulated:as7331\"\nlight = \"{{dir}}/light.csv\"\nspeed = 60\n\
         [[frame]]\nname = \"oak\"\nsensor = \"sky\"\n\
         [mqtt]\nbroker = \"127.0.0.1\"\nport = {}\n\
         [ledger]\npath = \"{}\"\n",
        broker.port(),
        disk.path("ledger.sqlite").display()
    ));
    let light = "time,irradiance_w_m2\n2026-06-01T10:00:00Z,40\n2026-06-01T11:00:00Z,45\n";
    std::fs::write(site.path("light.csv"), light).unwrap();
    let signals = broker.subscribe(&["frameside/yard/signal"]);
    let daemon = site.run();
    let first = expose(&site, "oak", "500J/m2");
    disk.fill();
    wait_for_frame(&site, "oak", "due", |oak| oak["state"] == "due");
    let told = signals.wait_for(SOON, |message| message.json()["kind"] == "due").json();
    assert_eq!(told["print"], json!(first));
    // Loudly: in the answers and in the status.
    let answer = json_of(&site, &["bring-in", "oak"]);
    let warning = answer["warning"].as_str().unwrap();
    assert!(warning.starts_with("this is in memory only; the record cannot be written: "), "{answer}");
    let troubles = json_of(&site, &["status"])["troubles"].to_string();
    assert!(troubles.contains("the record cannot be written"), "{troubles}");
    let second = expose(&site, "oak", "500kJ/m2");
    assert_ne!(first, second);

    disk.empty();
    wait_for("the record to be written again", SOON, || {
        json_of(&site, &["status"]).get("troubles").is_none().then_some(())
    });
    assert_eq!(frame(&site, "oak")["state"], "exposing");
    daemon.kill9();
    // All that was done in between is in the record.
    let show = json_of(&site, &["show", &first]);
    assert!(number(&show, "dose_at_due_j_m2") > 499.0 && number(&show, "dose_j_m2") > 500.0, "{show}");
    assert_eq!(json_of(&site, &["show", &second])["state"], "exposing");
    ok(&site.frameside(["prints"]));
}
