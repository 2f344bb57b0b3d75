//! Uniform numbers of a seed, for scenarios.

/// Uniform numbers of a seed (Steele, Lea & Flood 2014, SplitMix64).
pub struct Draws(u64);

impl Draws {
    /// The numbers of a seed.
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// From 0 to 1.
    pub fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// From the normal distribution of variance 1 (Box & Muller 1958).
    pub fn normal(&mut self) -> f64 {
        let (radius, turn) = ((-2.0 * (1.0 - self.unit()).ln()).sqrt(), std::f64::consts::TAU * self.unit());
        radius * turn.cos()
    }

    /// Even between two values.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Even in the logarithm.
    pub fn ratio(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.unit())
    }

    /// Whether something of a probability happens.
    pub fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }
}
