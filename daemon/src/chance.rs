//! Chance that can be had again from its seed: for made-up days, and for tests.

/// SplitMix64 (Steele, Lea and Flood, OOPSLA 2014).
#[derive(Debug, Clone)]
pub struct Chance(u64);

impl Chance {
    /// From a seed.
    #[must_use]
    pub const fn new(seed: u64) -> Self {
        Self(seed)
    }

    const fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly between two values.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// A number from 0 up to but not including `count`, which is above 0.
    pub const fn below(&mut self, count: u64) -> u64 {
        self.next() % count
    }

    /// True in so many of a hundred cases.
    pub const fn percent(&mut self, percent: u64) -> bool {
        self.below(100) < percent
    }
}

#[test]
fn it_is_the_published_sequence() {
    // First outputs for seed 1234567 of the reference implementation [memory].
    let mut chance = Chance::new(1_234_567);
    assert_eq!([chance.next(), chance.next()], [6_457_827_717_110_365_317, 3_203_168_211_198_807_973]);
}
