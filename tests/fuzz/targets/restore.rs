//! A whole export put back as a record. What was put back is exported and put back the same.
#![no_main]

use std::path::Path;

use frameside::ledger::{restore, write_json};
use libfuzzer_sys::fuzz_target;

fn exported(record: &Path) -> Vec<u8> {
    let mut text = b"[".to_vec();
    write_json(record, &mut text).expect("a record that was put back can be exported");
    text
}

fuzz_target!(|bytes: &[u8]| {
    let folder = tempfile::tempdir().expect("there is room for a folder");
    let path = |name: &str| folder.path().join(name);
    std::fs::write(path("a.json"), bytes).expect("there is room for a file");
    if restore(&path("a.json"), &path("a.sqlite"), false).is_err() {
        return assert!(!path("a.sqlite").exists());
    }
    if !bytes.starts_with(b"[") {
        return;
    }
    let first = exported(&path("a.sqlite"));
    std::fs::write(path("b.json"), &first).expect("there is room for a file");
    restore(&path("b.json"), &path("b.sqlite"), false).expect("what was exported is put back");
    assert_eq!(exported(&path("b.sqlite")), first);
});
