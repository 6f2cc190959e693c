//! A file put back as a record. What was put back can be exported.
#![no_main]

use frameside::ledger::{restore, write_json};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let folder = tempfile::tempdir().expect("there is room for a folder");
    let path = |name: &str| folder.path().join(name);
    std::fs::write(path("backup"), bytes).expect("there is room for a file");
    if restore(&path("backup"), &path("record"), false).is_err() {
        return assert!(!path("record").exists());
    }
    write_json(&path("record"), std::io::sink()).expect("a record that was put back can be exported");
});
