//! A small seeded generator for tests: `SplitMix64` (G. L. Steele et al., OOPSLA 2014) and the polar method of Marsaglia.

pub(crate) struct Noise {
    state: u64,
    spare: Option<f64>,
}

impl Noise {
    /// Seeds that follow one another must not give shifted copies of one stream: the seed is mixed first.
    pub(crate) fn new(seed: u64) -> Self {
        Self {
            state: mix(mix(seed ^ 0x5851_F42D_4C95_7F2D)),
            spare: None,
        }
    }

    fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        mix(self.state)
    }

    /// Uniform, 0 up to 1.
    pub(crate) fn uniform(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Standard normal.
    pub(crate) fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        loop {
            let (x, y) = (2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0);
            let s = x * x + y * y;
            if s > 0.0 && s < 1.0 {
                let factor = (-2.0 * libm::log(s) / s).sqrt();
                self.spare = Some(y * factor);
                return x * factor;
            }
        }
    }
}

fn mix(value: u64) -> u64 {
    let mut z = value;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}
