//! Propagation of distributions (JCGM 101:2008) with the adaptive procedure of its §7.9: batches are drawn until mean,
//! standard uncertainty and the ends of the interval hold to the tolerance.
//!
//! A batch is a Richtmyer sequence (multiples of the square roots of primes) under a random shift of its own (Cranley
//! and Patterson 1976, SIAM J Numer Anal 13:904): its points cover the inputs evenly, so that a thousand do the work of
//! many thousand independent ones, while batches remain independent of each other, as the procedure asks.

use super::model::{Input, Model, Values};
use spotwright_numerics::special::{normal_cdf, normal_quantile};

/// How one input is distributed: normal, or scaled and shifted t (JCGM 101 §6.4.9), within bounds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Distribution {
    pub(super) input: Input,
    pub(super) mean: f64,
    pub(super) standard_uncertainty: f64,
    pub(super) bounds: [f64; 2],
    pub(super) degrees_of_freedom: Option<f64>,
}

/// What came of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Propagated {
    pub(super) mean: f64,
    pub(super) standard_uncertainty: f64,
    pub(super) interval_95: [f64; 2],
    pub(super) trials: u64,
    pub(super) tolerance: f64,
}

const POINTS: usize = 1024;
const FEWEST_BATCHES: usize = 4;
const MOST_BATCHES: usize = 400;
/// Tolerance at most so many standard uncertainties, where half a unit of the first digit would be more.
const LARGEST_TOLERANCE: f64 = 0.05;
const PRIMES: [f64; 19] = [
    2.0, 3.0, 5.0, 7.0, 11.0, 13.0, 17.0, 19.0, 23.0, 29.0, 31.0, 37.0, 41.0, 43.0, 47.0, 53.0, 59.0, 61.0,
    67.0,
];

/// Propagates to the tolerance of a day's results: one significant digit of the uncertainty, and at most a twentieth of
/// it. `None`: too many draws have no value.
pub(super) fn propagate(
    model: &Model<'_>,
    best: &Values,
    inputs: &[Distribution],
    correlation: f64,
    seed: u32,
) -> Option<Propagated> {
    let tolerance = |u: f64| half_unit_of_digit(u, 1).min(LARGEST_TOLERANCE * u);
    propagate_to(model, best, inputs, correlation, seed, tolerance)
}

/// ½·10^l where u is written as c·10^l with so many digits (JCGM 101 §7.9.2).
pub(super) fn half_unit_of_digit(u: f64, digits: i32) -> f64 {
    if u <= 0.0 {
        return 0.0;
    }
    let place = libm::floor(libm::log10(u)) - f64::from(digits - 1);
    0.5 * libm::pow(10.0, place)
}

/// Propagates to a tolerance given by the uncertainty found so far.
pub(super) fn propagate_to(
    model: &Model<'_>,
    best: &Values,
    inputs: &[Distribution],
    correlation: f64,
    seed: u32,
    tolerance: impl Fn(f64) -> f64,
) -> Option<Propagated> {
    let mut stream = Stream::new(seed);
    let steps: Vec<f64> = PRIMES.iter().map(|prime| fraction(prime.sqrt())).collect();
    let ranges: Vec<[f64; 2]> = inputs.iter().map(allowed).collect();
    let mut batches: Vec<[f64; 4]> = Vec::new();
    let mut results = Vec::with_capacity(POINTS);
    loop {
        let shifts: Vec<f64> = inputs.iter().map(|_| stream.uniform()).collect();
        results.clear();
        for point in 0..POINTS {
            let mut values = *best;
            let mut slope_score = None;
            for (index, input) in inputs.iter().enumerate() {
                let uniform = fraction((point + 1) as f64 * steps[index] + shifts[index]);
                let [low, high] = ranges[index];
                // Half a step from either end: a quantile at 0 or 1 is infinite.
                let probability = (low + (high - low) * uniform).clamp(1e-12, 1.0 - 1e-12);
                let mut score = normal_quantile(probability)?;
                match input.input {
                    Input::Slope => slope_score = Some(score),
                    Input::Intercept => {
                        if let Some(slope) = slope_score {
                            score = correlation * slope
                                + (1.0 - correlation * correlation).max(0.0).sqrt() * score;
                        }
                    }
                    _ => {}
                }
                if let Some(df) = input.degrees_of_freedom {
                    score = student_score(score, df);
                }
                values[input.input as usize] = input.mean + input.standard_uncertainty * score;
            }
            results.extend(model.reported(&values));
        }
        // A draw without a value is a slope or a factor that reached zero: that far out the model says nothing.
        if results.len() * 1000 < POINTS * 999 {
            return None;
        }
        batches.push(summary(&mut results));
        if batches.len() < FEWEST_BATCHES {
            continue;
        }
        let found: Vec<[f64; 2]> = (0..4).map(|of| mean_and_error(&batches, of)).collect();
        let allowed = tolerance(found[1][0]);
        let worst = found.iter().map(|[_, error]| 2.0 * error).fold(0.0, f64::max);
        if worst < allowed || batches.len() >= MOST_BATCHES {
            return Some(Propagated {
                mean: found[0][0],
                standard_uncertainty: found[1][0],
                interval_95: [found[2][0], found[3][0]],
                trials: (batches.len() * POINTS) as u64,
                tolerance: allowed.max(worst),
            });
        }
    }
}

/// The part of the normal distribution that lies within an input's bounds.
fn allowed(of: &Distribution) -> [f64; 2] {
    let score = |value: f64| {
        if value.is_finite() {
            normal_cdf((value - of.mean) / of.standard_uncertainty)
        } else if value < 0.0 {
            0.0
        } else {
            1.0
        }
    };
    [score(of.bounds[0]), score(of.bounds[1])]
}

/// Mean, standard deviation and the 2.5 % and 97.5 % quantiles of a batch.
fn summary(results: &mut [f64]) -> [f64; 4] {
    let n = results.len() as f64;
    let mean = results.iter().sum::<f64>() / n;
    let squares: f64 = results.iter().map(|value| (value - mean) * (value - mean)).sum();
    results.sort_unstable_by(f64::total_cmp);
    let quantile = |p: f64| {
        let place = (p * n - 0.5).clamp(0.0, n - 1.0);
        let below = libm::floor(place) as usize;
        let above = (below + 1).min(results.len() - 1);
        results[below] + (place - below as f64) * (results[above] - results[below])
    };
    [
        mean,
        (squares / (n - 1.0)).sqrt(),
        quantile(0.025),
        quantile(0.975),
    ]
}

/// Mean over batches and its standard error.
fn mean_and_error(batches: &[[f64; 4]], of: usize) -> [f64; 2] {
    let n = batches.len() as f64;
    let mean = batches.iter().map(|batch| batch[of]).sum::<f64>() / n;
    let squares: f64 = batches
        .iter()
        .map(|batch| (batch[of] - mean) * (batch[of] - mean))
        .sum();
    [mean, (squares / (n * (n - 1.0))).sqrt()]
}

/// Student's t with the same tail as a normal score (Wallace 1959, Ann Math Stat 30:1121, eq. 3.3, solved for t): within
/// 0.2 % to ± 3 from 3 degrees of freedom.
fn student_score(score: f64, df: f64) -> f64 {
    let df = df.max(1.0);
    let ratio = (8.0 * df + 3.0) / (8.0 * df + 1.0);
    let size = (df * libm::expm1(score * score * ratio * ratio / df)).sqrt();
    if score < 0.0 { -size } else { size }
}

fn fraction(value: f64) -> f64 {
    value - libm::floor(value)
}

/// Uniform numbers: `SplitMix64` (Steele, Lea, Flood 2014, OOPSLA, fig. 17).
struct Stream(u64);

impl Stream {
    fn new(seed: u32) -> Self {
        Self(u64::from(seed))
    }

    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        (z >> 11) as f64 / (1u64 << 53) as f64
    }
}
