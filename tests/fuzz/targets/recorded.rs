//! Recorded light: the same rows however the file is cut into blocks, rising, and no light
//! that cannot be. The first byte says how long a block is.
#![no_main]

use frameside::replay::RecordedLight;
use frameside_core::light::recorded::{Parser, RecordedError, Row};
use libfuzzer_sys::fuzz_target;

fn read(bytes: &[u8], block: usize) -> Result<Vec<Row>, (u64, RecordedError)> {
    let (mut parser, mut rows) = (Parser::new(), Vec::new());
    let mut take = |row| rows.push(row);
    let mut read = bytes.chunks(block).try_for_each(|block| parser.feed(block, &mut take));
    if read.is_ok() {
        read = parser.finish(&mut take);
    }
    read.map(|()| rows).map_err(|error| (parser.line(), error))
}

fuzz_target!(|bytes: &[u8]| {
    let Some((&block, file)) = bytes.split_first() else { return };
    let whole = read(file, usize::MAX);
    assert_eq!(read(file, usize::from(block) + 1), whole);
    let Ok(rows) = whole else { return };
    // The shortest row is "2026-06-01T10:00:00Z,".
    assert!(rows.len() <= file.len() / 21);
    assert!(rows.windows(2).all(|pair| pair[0].unix_ns < pair[1].unix_ns));
    for seen in rows.iter().filter_map(|row| row.seen) {
        assert!((-10.0..=10_000.0).contains(&seen.lowest().w_m2()));
    }
    if let Ok(light) = RecordedLight::read(file) {
        for at in [light.first_ns(), light.first_ns() + light.length_ns() / 2, i64::MIN, i64::MAX] {
            assert!(light.at(at).is_none_or(|light| light.w_m2() >= -10.0));
        }
    }
});
