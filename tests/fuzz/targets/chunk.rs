//! A chunk of stored light: a codec's number, how many samples (two bytes), when the first was
//! (eight bytes), and its bytes.
#![no_main]

use frameside::ledger::{Codec, decode, encode};
use frameside_core::quantity::Mono;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let Some((head, chunk)) = bytes.split_first_chunk::<11>() else { return };
    let Ok(codec) = Codec::from_number(i64::from(head[0])) else { return };
    let count = usize::from(u16::from_le_bytes([head[1], head[2]]));
    let from = Mono::from_nanos(i64::from_le_bytes(head[3..].try_into().expect("eight bytes are left")));
    let Ok(samples) = decode(codec, count, from, chunk) else { return };
    assert_eq!(samples.len(), count);
    // Light as there is keeps its values.
    if samples.iter().any(|sample| sample.seen.lowest().w_m2().abs() > 1e6) {
        return;
    }
    for codec in [Codec::Open, Codec::Packed] {
        let first = samples.first().map_or(from, |sample| sample.at);
        let again = decode(codec, count, first, &encode(codec, &samples)).expect("what is written is read");
        for (a, b) in again.iter().zip(&samples) {
            assert_eq!((a.at, a.flags, a.seen.is_bound()), (b.at, b.flags, b.seen.is_bound()));
            assert!((a.seen.lowest().w_m2() - b.seen.lowest().w_m2()).abs() < 0.0011);
        }
    }
});
