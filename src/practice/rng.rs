//! Small deterministic random numbers: a seeded stream (xoshiro256**), and stateless noise by hashing.
//!
//! Stateless noise is what makes the counterfactual truth possible: the same second, unit and purpose give the same
//! luck whether or not a cause acts, and however many threads run.

/// Mixes 64 bits well (the finaliser of splitmix64).
#[inline]
pub(super) fn mix(mut z: u64) -> u64 {
    z = z.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// A sub-seed for a purpose.
pub(super) fn sub(seed: u64, purpose: &str) -> u64 {
    let mut h = mix(seed);
    for b in purpose.bytes() {
        h = mix(h ^ u64::from(b));
    }
    h
}

/// Stateless 64 random bits for two indices.
#[inline]
pub(super) fn bits(seed: u64, a: u64, b: u64) -> u64 {
    mix(seed ^ a.wrapping_mul(0xD6E8_FEB8_6659_FD93) ^ b.wrapping_mul(0xA076_1D64_78BD_642F))
}

/// Stateless uniform value in 0..1.
#[inline]
pub(super) fn uni(seed: u64, a: u64, b: u64) -> f64 {
    (bits(seed, a, b) >> 11) as f64 / (1u64 << 53) as f64
}

/// Two values of mean 0 and deviation 1 (close to normal) from 64 bits.
#[inline]
pub(super) fn pair(h: u64) -> (f32, f32) {
    // Sum of two 16-bit uniforms has variance 1/6: scaled to 1. The tails end at 2.4, which is enough for noise.
    const K: f32 = 2.449_489_8;
    let a = (h & 0xFFFF) as f32 + ((h >> 16) & 0xFFFF) as f32;
    let b = ((h >> 32) & 0xFFFF) as f32 + (h >> 48) as f32;
    ((a / 65535.0 - 1.0) * K, (b / 65535.0 - 1.0) * K)
}

/// Smooth stateless noise (mean 0, deviation about 0.8) that changes over `period` steps.
#[inline]
pub(super) fn smooth(seed: u64, lane: u64, t: i64, period: i64) -> f32 {
    let k = t.div_euclid(period);
    let x = t.rem_euclid(period) as f32 / period as f32;
    let w = x * x * (3.0 - 2.0 * x);
    let a = pair(bits(seed, lane, k as u64)).0;
    let b = pair(bits(seed, lane, (k + 1) as u64)).0;
    a + (b - a) * w
}

/// A seeded stream.
pub(super) struct Rng {
    s: [u64; 4],
}

impl Rng {
    pub(super) fn new(seed: u64) -> Rng {
        let mut x = seed;
        let mut s = [0; 4];
        for v in &mut s {
            x = mix(x);
            *v = x;
        }
        Rng { s }
    }

    pub(super) fn next(&mut self) -> u64 {
        let r = self.s[1].wrapping_mul(5).rotate_left(7).wrapping_mul(9);
        let t = self.s[1] << 17;
        self.s[2] ^= self.s[0];
        self.s[3] ^= self.s[1];
        self.s[1] ^= self.s[2];
        self.s[0] ^= self.s[3];
        self.s[2] ^= t;
        self.s[3] = self.s[3].rotate_left(45);
        r
    }

    /// Uniform in 0..1.
    pub(super) fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Uniform in `a..b`.
    pub(super) fn range(&mut self, a: f64, b: f64) -> f64 {
        a + (b - a) * self.unit()
    }

    /// Whole number in `0..n` (0 for n = 0).
    pub(super) fn below(&mut self, n: usize) -> usize {
        ((self.unit() * n as f64) as usize).min(n.saturating_sub(1))
    }

    /// Whole number in `a..=b`.
    pub(super) fn int(&mut self, a: i64, b: i64) -> i64 {
        a + self.below((b - a + 1).max(1) as usize) as i64
    }

    /// True with probability `p`.
    pub(super) fn chance(&mut self, p: f64) -> bool {
        self.unit() < p
    }

    /// Mean 0, deviation 1.
    pub(super) fn normal(&mut self) -> f64 {
        let u = self.unit().max(1e-12);
        let v = self.unit();
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }

    /// One of a list (the list must not be empty).
    pub(super) fn pick<T: Copy>(&mut self, list: &[T], fallback: T) -> T {
        list.get(self.below(list.len())).copied().unwrap_or(fallback)
    }
}
