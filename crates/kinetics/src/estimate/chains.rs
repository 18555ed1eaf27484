//! Markov chains for posteriors that importance sampling cannot reach.
//!
//! Random-walk Metropolis whose proposal covariance is learnt from the chain itself during warm-up and then fixed
//! (H. Haario, E. Saksman, J. Tamminen, Bernoulli 7 (2001) 223-242), scaled by 2.38²/p (A. Gelman, G. O. Roberts, W. R. Gilks,
//! Bayesian Statistics 5 (1996) 599-607). Convergence by split R-hat and effective draws (A. Gelman et al., Bayesian Data
//! Analysis, 3rd ed. 2013, 11.4 and 11.5).

use super::map::MapEstimate;
use crate::likelihood::Objective;
use spotwright_numerics::cholesky::Cholesky;
use spotwright_numerics::random::RandomStream;

/// Chains run side by side.
pub(crate) const CHAINS: usize = 4;

/// Draws of equal weight with what is known of their quality.
pub(crate) struct ChainReport {
    pub(crate) draws: Vec<f64>,
    pub(crate) acceptance: f64,
    pub(crate) split_r_hat: f64,
    pub(crate) effective: f64,
}

/// Runs the chains from their starts; `warm_up` steps to learn, twice as many to keep.
pub(crate) fn run_chains(
    objective: &mut Objective,
    estimate: &MapEstimate,
    starts: &[Vec<f64>],
    warm_up: usize,
    kept: usize,
    random: &mut RandomStream,
) -> ChainReport {
    let size = objective.size();
    let length = 2 * warm_up;
    let mut chains: Vec<Vec<f64>> = Vec::with_capacity(CHAINS);
    let mut accepted = 0;
    for chain in 0..CHAINS {
        let start = starts.get(chain).unwrap_or(&estimate.effects);
        let (draws, count) = run_chain(objective, estimate, start, warm_up, length, random);
        chains.push(draws);
        accepted += count;
    }
    let (split_r_hat, effective) = (0..size).fold((1.0f64, f64::INFINITY), |(worst, least), effect| {
        let (r_hat, effective) = mixing(&chains, effect, size, length);
        (worst.max(r_hat), least.min(effective))
    });
    let mut draws = Vec::with_capacity(kept * size);
    let all = CHAINS * length;
    for i in 0..kept {
        let place = i * all / kept;
        let (chain, step) = (place / length, place % length);
        draws.extend_from_slice(&chains[chain][step * size..(step + 1) * size]);
    }
    ChainReport {
        draws,
        acceptance: accepted as f64 / all as f64,
        split_r_hat,
        effective,
    }
}

fn run_chain(
    objective: &mut Objective,
    estimate: &MapEstimate,
    start: &[f64],
    warm_up: usize,
    length: usize,
    random: &mut RandomStream,
) -> (Vec<f64>, usize) {
    let size = objective.size();
    let scale = 2.38 / (size.max(1) as f64).sqrt();
    let mut factor =
        Cholesky::new(&estimate.covariance, size).unwrap_or_else(|| objective.prior_factor().clone());
    let mut at = start.to_vec();
    let mut value = objective.value(&at).unwrap_or(f64::INFINITY);
    let (mut z, mut step) = (vec![0.0; size], vec![0.0; size]);
    let mut learnt: Vec<f64> = Vec::with_capacity(warm_up * size);
    let mut draws = Vec::with_capacity(length * size);
    let mut accepted = 0;
    for i in 0..warm_up + length {
        random.fill_normal(&mut z);
        factor.multiply_lower(&z, &mut step);
        for (s, x) in step.iter_mut().zip(&at) {
            *s = x + scale * *s;
        }
        let proposed = objective.value(&step).unwrap_or(f64::INFINITY);
        let take = libm::log(random.uniform()) < 0.5 * (value - proposed);
        if take {
            at.copy_from_slice(&step);
            value = proposed;
        }
        if i < warm_up {
            learnt.extend_from_slice(&at);
            // Learn at a quarter, a half and the end of warm-up, from the later half of what was seen.
            if (i + 1) * 4 % warm_up == 0
                && i + 1 >= warm_up / 4
                && let Some(better) =
                    covariance_factor(&learnt[learnt.len() / 2 / size.max(1) * size..], size)
            {
                factor = better;
            }
        } else {
            accepted += usize::from(take);
            draws.extend_from_slice(&at);
        }
    }
    (draws, accepted)
}

/// Factor of the draws' covariance, a little widened so that no direction is lost.
fn covariance_factor(draws: &[f64], size: usize) -> Option<Cholesky> {
    let count = (draws.len() / size.max(1)) as f64;
    let mut mean = vec![0.0; size];
    for draw in draws.chunks_exact(size) {
        for (sum, x) in mean.iter_mut().zip(draw) {
            *sum += x / count;
        }
    }
    let mut covariance = vec![0.0; size * size];
    for draw in draws.chunks_exact(size) {
        for i in 0..size {
            for j in 0..size {
                covariance[i * size + j] += (draw[i] - mean[i]) * (draw[j] - mean[j]) / count;
            }
        }
    }
    for i in 0..size {
        covariance[i * size + i] = covariance[i * size + i] * 1.02 + 1e-10;
    }
    Cholesky::new(&covariance, size)
}

/// Split R-hat and effective draws of one effect over all chains.
fn mixing(chains: &[Vec<f64>], effect: usize, size: usize, length: usize) -> (f64, f64) {
    let half = length / 2;
    let halves: Vec<Vec<f64>> = chains
        .iter()
        .flat_map(|chain| {
            let values = |from: usize| -> Vec<f64> {
                (from..from + half)
                    .map(|step| chain[step * size + effect])
                    .collect()
            };
            [values(0), values(length - half)]
        })
        .collect();
    let n = half as f64;
    let m = halves.len() as f64;
    let means: Vec<f64> = halves.iter().map(|h| h.iter().sum::<f64>() / n).collect();
    let grand = means.iter().sum::<f64>() / m;
    let between = n / (m - 1.0)
        * means
            .iter()
            .map(|mean| (mean - grand) * (mean - grand))
            .sum::<f64>();
    let within = halves
        .iter()
        .zip(&means)
        .map(|(half, mean)| half.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / (n - 1.0))
        .sum::<f64>()
        / m;
    if within <= 0.0 {
        return (f64::INFINITY, 0.0);
    }
    let total = (n - 1.0) / n * within + between / n;
    let r_hat = (total / within).sqrt();
    // Sum of autocorrelations while consecutive pairs stay positive (C. J. Geyer, Statist. Sci. 7 (1992) 473-483).
    let mut sum = 0.0;
    let correlation = |lag: usize| {
        let variogram = halves
            .iter()
            .map(|half| {
                half.windows(lag + 1)
                    .map(|w| (w[lag] - w[0]) * (w[lag] - w[0]))
                    .sum::<f64>()
            })
            .sum::<f64>()
            / (m * (n - lag as f64));
        1.0 - 0.5 * variogram / total
    };
    let mut lag = 1;
    while lag + 1 < half.min(400) {
        let pair = correlation(lag) + correlation(lag + 1);
        if pair < 0.0 {
            break;
        }
        sum += pair;
        lag += 2;
    }
    (r_hat, m * n / (1.0 + 2.0 * sum))
}
