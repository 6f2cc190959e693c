//! Libraries that stand in for system calls, for a binary that does not know it.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Mutex;

use crate::cargo;

/// The library of one of this workspace's packages, built first.
///
/// # Panics
///
/// When it does not build.
pub(crate) fn library(package: &str) -> PathBuf {
    static BUILT: Mutex<BTreeMap<String, PathBuf>> = Mutex::new(BTreeMap::new());
    let mut built = BUILT.lock().unwrap();
    let path = built.entry(package.to_owned()).or_insert_with(|| {
        let build = cargo().args(["build", "--quiet", "--package", package]).status().unwrap();
        assert!(build.success(), "{package} does not build");
        let target = std::env::current_exe().unwrap();
        let target = target.ancestors().nth(3).expect("cargo puts tests into target/PROFILE/deps");
        target.join(format!("debug/lib{}.so", package.replace('-', "_")))
    });
    path.clone()
}
