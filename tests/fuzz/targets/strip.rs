//! The table of a test strip.
#![no_main]

use frameside::measured::strip;
use frameside_core::sensitometry::StripReading;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    match strip(bytes) {
        Ok((_, StripReading::Found(least))) => {
            assert!(least.low <= least.dose && least.dose <= least.high, "{least:?}");
        }
        Ok(_) => {}
        Err(error) => assert!(error.line >= 1 && !error.to_string().contains('\n')),
    }
});
