//! What is said of a scan: a row's corners on the first line, areas of known density on the
//! others.
#![no_main]

use std::io::Cursor;
use std::path::Path;
use std::sync::LazyLock;

use frameside::scan::{Known, Quad, Scan};
use libfuzzer_sys::fuzz_target;

static SCAN: LazyLock<Scan> = LazyLock::new(|| {
    let bytes = Cursor::new(include_bytes!("../seeds/scan/grey.png"));
    Scan::decode(bytes, Path::new("grey.png"), false).expect("the seed is a scan")
});

fuzz_target!(|text: &str| {
    let mut lines = text.lines();
    let Some(Ok(row)) = lines.next().map(str::parse::<Quad>) else { return };
    let known: Result<Vec<Known>, _> = lines.take(8).map(str::parse).collect();
    let Ok(known) = known else { return };
    for count in [1, 7, 200] {
        match SCAN.densities(&row, count, &known) {
            Ok(patches) => assert_eq!(patches.len(), count),
            Err(error) => assert!(!error.to_string().contains('\n')),
        }
    }
});
