//! Seeded random streams: one for every injection, so that no file depends on the order in which files are made.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// What a stream is for; streams of different purposes never share numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Purpose {
    /// Properties of a whole run: drift, retention offset, sensitivity.
    Run = 1,
    /// Cards, people and their concentrations.
    People = 2,
    /// Which samples a fault meets.
    Faults = 3,
    /// What happens to one injection: suppression, spray, jitter.
    Injection = 4,
    /// Noise of one injection's traces.
    Noise = 5,
    /// Paper, shared by the cards of a set.
    CardTexture = 6,
    /// What is on a card: print, drops, faults.
    Card = 7,
    /// One photograph of a card: place, light, camera.
    Photograph = 8,
}

/// A stream of random numbers.
pub(crate) struct Stream {
    generator: ChaCha8Rng,
    spare_normal: Option<f64>,
}

impl Stream {
    /// The stream of a purpose; `number` tells injections (or other things of one kind) apart.
    pub(crate) fn new(seed: u64, run: u64, purpose: Purpose, number: u64) -> Self {
        let mut key = [0u8; 32];
        for (slot, word) in key.chunks_exact_mut(8).zip([seed, run, purpose as u64, number]) {
            slot.copy_from_slice(&word.to_le_bytes());
        }
        Self {
            generator: ChaCha8Rng::from_seed(key),
            spare_normal: None,
        }
    }

    /// 64 random bits.
    pub(crate) fn bits(&mut self) -> u64 {
        self.generator.next_u64()
    }

    /// Uniform on [0, 1), 53 random bits.
    pub(crate) fn uniform(&mut self) -> f64 {
        (self.generator.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Uniform on [low, high).
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Uniform whole number below `bound` (which is above zero); the bias of the multiplication is below 2⁻⁵⁰.
    pub(crate) fn below(&mut self, bound: usize) -> usize {
        ((self.uniform() * bound as f64) as usize).min(bound.saturating_sub(1))
    }

    /// True with this probability.
    pub(crate) fn chance(&mut self, probability: f64) -> bool {
        self.uniform() < probability
    }

    /// Standard normal, by the polar method (Marsaglia & Bray 1964, SIAM Review 6:260).
    pub(crate) fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare_normal.take() {
            return spare;
        }
        loop {
            let (u, v) = (self.between(-1.0, 1.0), self.between(-1.0, 1.0));
            let s = u * u + v * v;
            if s < 1.0 && s > 0.0 {
                let scale = (-2.0 * libm::log(s) / s).sqrt();
                self.spare_normal = Some(v * scale);
                return u * scale;
            }
        }
    }

    /// Log-normal factor with median 1 and this coefficient of variation.
    pub(crate) fn factor(&mut self, cv: f64) -> f64 {
        let log_sd = libm::log1p(cv * cv).sqrt();
        libm::exp(log_sd * self.normal())
    }

    /// Shuffles in place (Fisher–Yates).
    pub(crate) fn shuffle<T>(&mut self, items: &mut [T]) {
        for i in (1..items.len()).rev() {
            items.swap(i, self.below(i + 1));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_are_those_of_the_normal() {
        let mut stream = Stream::new(7, 0, Purpose::Noise, 1);
        let n = 100_000;
        let draws: Vec<f64> = (0..n).map(|_| stream.normal()).collect();
        let mean = draws.iter().sum::<f64>() / n as f64;
        let variance = draws.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / n as f64;
        // Five standard errors: 5/sqrt(n) and 5·sqrt(2/n).
        assert!(mean.abs() < 0.0158, "{mean}");
        assert!((variance - 1.0).abs() < 0.0224, "{variance}");
    }

    #[test]
    fn streams_differ_by_run_purpose_and_number() {
        let first = |run, purpose, number| Stream::new(7, run, purpose, number).uniform();
        let one = first(0, Purpose::Noise, 1);
        for other in [
            first(1, Purpose::Noise, 1),
            first(0, Purpose::Injection, 1),
            first(0, Purpose::Noise, 2),
        ] {
            assert!((one - other).abs() > 1e-12);
        }
    }
}
