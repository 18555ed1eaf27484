//! A seeded random stream: the same seed and stream number give the same numbers on every machine.
//!
//! The generator is `ChaCha8` (D. J. Bernstein 2008, the eight-round variant). One draw of any kind takes one
//! uniform, so that the n-th draw belongs to the n-th question whatever its kind: two options compared with the same
//! stream meet the same people.

use crate::special::normal_quantile;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// A stream of random numbers.
#[derive(Debug, Clone)]
pub struct RandomStream {
    generator: ChaCha8Rng,
}

impl RandomStream {
    /// The stream numbered `stream` of a seed; streams of different numbers never share values.
    #[must_use]
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut key = [0u8; 32];
        key[..8].copy_from_slice(&seed.to_le_bytes());
        key[8..16].copy_from_slice(&stream.to_le_bytes());
        Self {
            generator: ChaCha8Rng::from_seed(key),
        }
    }

    /// Uniform on (0, 1): the middle of one of 2⁵² equal cells, so never 0 and never 1.
    pub fn uniform(&mut self) -> f64 {
        ((self.generator.next_u64() >> 12) as f64 + 0.5) / (1u64 << 52) as f64
    }

    /// Standard normal, by inversion of one uniform.
    pub fn normal(&mut self) -> f64 {
        // The uniform lies strictly inside (0, 1), where a quantile exists.
        normal_quantile(self.uniform()).unwrap_or(0.0)
    }

    /// Fills with standard normal values.
    pub fn fill_normal(&mut self, values: &mut [f64]) {
        for value in values {
            *value = self.normal();
        }
    }

    /// Chi-squared with `degrees` degrees of freedom, as a sum of squares.
    pub fn chi_squared(&mut self, degrees: usize) -> f64 {
        let mut sum = 0.0;
        for _ in 0..degrees {
            let z = self.normal();
            sum += z * z;
        }
        sum
    }

    /// Uniform whole number below `bound`; 0 when `bound` is 0. The bias is below `bound` / 2⁵².
    pub fn below(&mut self, bound: usize) -> usize {
        ((self.uniform() * bound as f64) as usize).min(bound.saturating_sub(1))
    }
}

#[cfg(test)]
mod tests {
    use super::RandomStream;

    #[test]
    fn streams_repeat_and_differ() {
        let draw = |seed, stream| {
            let mut random = RandomStream::new(seed, stream);
            [random.uniform(), random.uniform(), random.uniform()].map(f64::to_bits)
        };
        assert_eq!(draw(1, 1), draw(1, 1));
        assert_ne!(draw(1, 1), draw(1, 2));
        assert_ne!(draw(1, 1), draw(2, 1));
    }

    /// Moments of the standard normal: mean 0, variance 1, fourth moment 3 (any handbook); 5 standard errors.
    #[test]
    fn normal_moments() {
        let mut random = RandomStream::new(7, 0);
        let n = 20_000;
        let (mut first, mut second, mut fourth) = (0.0, 0.0, 0.0);
        for _ in 0..n {
            let z = random.normal();
            first += z;
            second += z * z;
            fourth += z * z * z * z;
        }
        let n = f64::from(n);
        assert!((first / n).abs() < 5.0 / n.sqrt());
        assert!((second / n - 1.0).abs() < 5.0 * (2.0 / n).sqrt());
        assert!((fourth / n - 3.0).abs() < 5.0 * (96.0 / n).sqrt());
    }
}
