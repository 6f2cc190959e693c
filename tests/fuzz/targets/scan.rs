//! A picture of a flat-bed scanner, and a row of patches on it.
#![no_main]

use std::io::Cursor;
use std::path::Path;

use frameside::scan::{Quad, Scan};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let Ok(scan) = Scan::decode(Cursor::new(bytes), Path::new("scan"), false) else { return };
    let known = ["0,0,16,16=0.06", "16,0,32,16=1.8"].map(|text| text.parse().expect("these are references"));
    let Ok(patches) = scan.densities(&Quad::between((0.0, 0.0), (64.0, 16.0)), 4, &known) else { return };
    assert_eq!(patches.len(), 4);
    assert!(patches.iter().all(|patch| patch.density.value().is_finite()));
});
