//! Seeded random numbers for tests: SplitMix64 (Steele, Lea and Flood 2014).

pub(crate) struct SplitMix64(u64);

impl SplitMix64 {
    pub(crate) const fn new(seed: u64) -> Self {
        Self(seed)
    }

    const fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Evenly between two values.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// A number below another.
    pub(crate) const fn below(&mut self, count: u64) -> u64 {
        self.next() % count
    }

    /// True in so many of a hundred cases.
    pub(crate) const fn percent(&mut self, percent: u64) -> bool {
        self.below(100) < percent
    }

    /// Normal with mean zero (Box and Muller).
    pub(crate) fn normal(&mut self, sigma: f64) -> f64 {
        let radius = (-2.0 * (1.0 - self.between(0.0, 1.0)).ln()).sqrt();
        sigma * radius * (std::f64::consts::TAU * self.between(0.0, 1.0)).cos()
    }
}

#[test]
fn gives_the_published_sequence() {
    // First outputs for seed 1234567 of the reference implementation [memory].
    let mut random = SplitMix64::new(1_234_567);
    assert_eq!(random.next(), 6_457_827_717_110_365_317);
    assert_eq!(random.next(), 3_203_168_211_198_807_973);
}
