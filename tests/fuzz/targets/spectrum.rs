//! The table of a spectrum, and of the places of a lamp box.
#![no_main]

use frameside::measured::{places, spectrum};
use frameside_core::quantity::Stops;
use frameside_core::source::{evenness, mismatch, uv_index};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    match spectrum(bytes) {
        Ok(spectrum) => {
            assert!(spectrum.peak() > 0.0);
            assert!((0..=200).all(|step| spectrum.at(f64::from(step) * 50.0) >= 0.0));
            let _ = (spectrum.integral(315.0, 400.0), uv_index(&spectrum));
            let _ = mismatch(&spectrum, &spectrum, &spectrum, &spectrum);
        }
        Err(error) => assert!(error.line >= 1 && !error.to_string().contains('\n')),
    }
    if let Ok(places) = places(bytes)
        && let Ok(found) = evenness(&places, Stops::new(0.33))
    {
        assert!(found.darkest < places.len() && found.below_brightest.len() == places.len());
    }
});
