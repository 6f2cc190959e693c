//! Chance that can be had again from its seed.

/// SplitMix64 (Steele, Lea and Flood, OOPSLA 2014).
#[derive(Debug, Clone)]
pub(super) struct Chance(u64);

impl Chance {
    pub(super) const fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Between 0 and 1.
    pub(super) fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    pub(super) fn between(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * self.share()
    }

    /// True in so many of a hundred cases.
    pub(super) fn percent(&mut self, percent: u64) -> bool {
        self.next() % 100 < percent
    }

    pub(super) fn below(&mut self, count: usize) -> usize {
        (self.next() % count as u64) as usize
    }
}
