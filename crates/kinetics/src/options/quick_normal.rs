//! Standard normal numbers quickly, for populations of a hundred thousand: the ziggurat (Marsaglia G, Tsang WW. J Stat Softw
//! 2000;5(8)) of 128 layers, in the form of Doornik JA (2005, "An improved ziggurat method to generate normal random
//! samples"; both from memory). The distribution is exact; unlike [`RandomStream::normal`] a number may take more than one
//! uniform.

use spotwright_numerics::random::RandomStream;
use std::sync::LazyLock;

const LAYERS: usize = 128;
/// Where the tail begins.
const TAIL: f64 = 3.442_619_855_899;
/// Area of each layer.
const AREA: f64 = 9.912_563_035_262_17e-3;

/// Right ends of the layers, the lowest (with the tail) first, and how much of each lies wholly under the curve.
struct Layers {
    ends: [f64; LAYERS + 1],
    inside: [f64; LAYERS],
}

static TABLE: LazyLock<Layers> = LazyLock::new(|| {
    let density = |x: f64| libm::exp(-0.5 * x * x);
    let mut ends = [0.0; LAYERS + 1];
    ends[0] = AREA / density(TAIL);
    ends[1] = TAIL;
    for i in 2..LAYERS {
        let before: f64 = ends[i - 1];
        ends[i] = (-2.0 * libm::log(AREA / before + density(before))).sqrt();
    }
    let inside = std::array::from_fn(|i| ends[i + 1] / ends[i]);
    Layers { ends, inside }
});

/// The constant tables, looked up once.
#[derive(Clone, Copy)]
pub(super) struct QuickNormal {
    table: &'static Layers,
}

impl QuickNormal {
    pub(super) fn new() -> Self {
        Self { table: &TABLE }
    }

    #[inline]
    pub(super) fn draw(self, random: &mut RandomStream) -> f64 {
        loop {
            // One uniform holds the layer in its upper figures and the place within the layer in the others.
            let layered = random.uniform() * LAYERS as f64;
            let layer = layered as usize;
            let place = 2.0 * (layered - layer as f64) - 1.0;
            let x = place * self.table.ends[layer];
            if place.abs() < self.table.inside[layer] {
                return x;
            }
            if let Some(x) = self.at_the_edge(layer, x, random) {
                return x;
            }
        }
    }

    #[cold]
    fn at_the_edge(self, layer: usize, x: f64, random: &mut RandomStream) -> Option<f64> {
        if layer == 0 {
            // The tail, by rejection from an exponential (Marsaglia 1964).
            loop {
                let beyond = -libm::log(random.uniform()) / TAIL;
                if -2.0 * libm::log(random.uniform()) >= beyond * beyond {
                    return Some(if x < 0.0 { -TAIL - beyond } else { TAIL + beyond });
                }
            }
        }
        let ratio = |end: f64| libm::exp(-0.5 * (end * end - x * x));
        let (low, high) = (ratio(self.table.ends[layer]), ratio(self.table.ends[layer + 1]));
        (high + random.uniform() * (low - high) < 1.0).then_some(x)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use spotwright_numerics::special::normal_cdf;

    /// Shares below quantiles, tails included, against the normal distribution function; four standard errors.
    #[test]
    fn shares_are_those_of_the_normal_distribution() {
        let (normal, mut random) = (QuickNormal::new(), RandomStream::new(3, 0));
        let n = 400_000;
        let draws: Vec<f64> = (0..n).map(|_| normal.draw(&mut random)).collect();
        for limit in [
            -4.0, -3.5, -3.0, -2.0, -1.3, -0.4, 0.0, 0.2, 0.9, 1.7, 2.5, 3.2, 3.6, 4.1,
        ] {
            let p = normal_cdf(limit);
            let found = draws.iter().filter(|x| **x < limit).count() as f64 / f64::from(n);
            let se = (p * (1.0 - p) / f64::from(n)).sqrt();
            assert!((found - p).abs() <= 4.0 * se, "{limit}: {found} {p}");
        }
    }
}
