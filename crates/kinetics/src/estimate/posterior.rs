//! The joint posterior of a person's effects: importance sampling around the estimate, Markov chains where that fails.
//!
//! The proposal is a t distribution with the mean and covariance of Laplace's approximation, one for every minimum met,
//! mixed with the prior so that no tail is missed (J. Geweke, Econometrica 57 (1989) 1317-1339, for the t; T. Hesterberg,
//! Technometrics 37 (1995) 185-194, for the defensive mixture). The effective sample size is 1/Σw² of the normalised weights
//! (A. Kong, J. S. Liu, W. H. Wong, J. Am. Stat. Assoc. 89 (1994) 278-288). Draws are thinned to equal weight by systematic
//! resampling (G. Kitagawa, J. Comput. Graph. Stat. 5 (1996) 1-25).

use super::chains::{ChainReport, run_chains};
use super::error::EstimateError;
use super::map::MapEstimate;
use crate::likelihood::{EffectLabel, Objective, Problem};
use crate::structure::Parameters;
use spotwright_numerics::cholesky::Cholesky;
use spotwright_numerics::random::RandomStream;
use spotwright_numerics::special::ln_gamma;

/// Degrees of freedom of the t proposal: heavy tails, finite fourth moments.
const DEGREES: usize = 5;
/// Share of draws from the prior.
const PRIOR_SHARE: f64 = 0.1;
/// Effective draws from which a first round can guide a second.
const GUIDING: f64 = 40.0;
/// Fewest draws that make an effective sample size mean anything.
const FEWEST: usize = 100;
/// Split R-hat above which chains have not mixed.
const MOST_R_HAT: f64 = 1.05;
/// Times the chains are made twice as long.
const EXTENSIONS: usize = 2;

/// How to sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PosteriorOptions {
    /// Seed: the same seed gives the same draws.
    pub seed: u64,
    /// Draws of one importance round.
    pub importance_draws: usize,
    /// Effective sample size below which the sample is not used.
    pub least_effective: f64,
    /// Draws of equal weight handed over.
    pub kept: usize,
}

impl Default for PosteriorOptions {
    fn default() -> Self {
        Self {
            seed: 1,
            importance_draws: 2000,
            least_effective: 400.0,
            kept: 1000,
        }
    }
}

/// How the draws were made, and how good they are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SamplingMethod {
    /// Importance sampling, one or two rounds.
    Importance {
        /// Effective sample size of the round used.
        effective: f64,
        /// Rounds.
        rounds: usize,
    },
    /// Markov chains, after importance sampling gave too few effective draws.
    MarkovChains {
        /// Share of proposals accepted after warm-up.
        acceptance: f64,
        /// Split R-hat of the worst effect.
        split_r_hat: f64,
        /// Effective draws of the worst effect.
        effective: f64,
        /// Effective sample size that importance sampling had reached.
        importance_effective: f64,
    },
}

/// Draws of equal weight.
#[derive(Debug, Clone, PartialEq)]
pub struct Posterior {
    /// What each effect is.
    pub labels: Vec<EffectLabel>,
    /// The draws, one after the other.
    pub draws: Vec<f64>,
    /// How they were made.
    pub method: SamplingMethod,
    /// ln of the levels' probability density under the model: by importance, or by Laplace's approximation after Markov
    /// chains.
    pub ln_marginal_likelihood: f64,
}

impl Posterior {
    /// Number of draws.
    #[must_use]
    pub fn len(&self) -> usize {
        self.draws.len() / self.labels.len().max(1)
    }

    /// Whether there is no draw (a problem without effects has none).
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The draws, each a vector of effects.
    pub fn iter(&self) -> impl Iterator<Item = &[f64]> {
        self.draws.chunks_exact(self.labels.len().max(1))
    }

    /// What each parameter is multiplied by in one draw, occasions aside: exp(η).
    #[must_use]
    pub fn subject_factors(&self, draw: &[f64]) -> Parameters {
        let mut factors = Parameters::new();
        for (label, effect) in self.labels.iter().zip(draw) {
            if let EffectLabel::Subject(name) = label {
                factors.set(*name, libm::exp(*effect));
            }
        }
        factors
    }

    /// Mean of every effect.
    #[must_use]
    pub fn mean(&self) -> Vec<f64> {
        let size = self.labels.len();
        let mut mean = vec![0.0; size];
        for draw in self.iter() {
            for (sum, effect) in mean.iter_mut().zip(draw) {
                *sum += effect;
            }
        }
        let count = self.len().max(1) as f64;
        mean.iter_mut().for_each(|sum| *sum /= count);
        mean
    }

    /// Standard deviation of every effect.
    #[must_use]
    pub fn sd(&self) -> Vec<f64> {
        let mean = self.mean();
        let mut squares = vec![0.0; mean.len()];
        for draw in self.iter() {
            for ((sum, effect), mean) in squares.iter_mut().zip(draw).zip(&mean) {
                *sum += (effect - mean) * (effect - mean);
            }
        }
        let count = self.len().saturating_sub(1).max(1) as f64;
        squares.into_iter().map(|sum| (sum / count).sqrt()).collect()
    }
}

/// Draws from the posterior around an estimate of the same problem.
///
/// # Errors
/// A problem that makes no sense, too few draws asked for, or a posterior that neither way can sample.
pub fn sample_posterior(
    problem: &Problem,
    estimate: &MapEstimate,
    options: &PosteriorOptions,
) -> Result<Posterior, EstimateError> {
    let mut objective = Objective::new(problem)?;
    let size = objective.size();
    if size == 0 {
        return Err(EstimateError::NoEffects);
    }
    let fewest = options.importance_draws.min(options.kept);
    if fewest < FEWEST {
        return Err(EstimateError::TooFewDraws {
            found: fewest,
            least: FEWEST,
        });
    }
    let mut random = RandomStream::new(options.seed, 0);
    let mut proposal = Mixture::around(estimate, &objective, size).ok_or(EstimateError::NotAMinimum)?;
    let mut sample = proposal.sample(&mut objective, options.importance_draws, &mut random);
    let mut rounds = 1;
    if sample.effective < options.least_effective
        && sample.effective >= GUIDING
        && let Some(better) = sample.guide(&objective, size)
    {
        proposal = better;
        sample = proposal.sample(&mut objective, 2 * options.importance_draws, &mut random);
        rounds = 2;
    }
    if sample.effective >= options.least_effective {
        return Ok(Posterior {
            labels: objective.labels().to_vec(),
            draws: sample.resample(options.kept, size, &mut random),
            method: SamplingMethod::Importance {
                effective: sample.effective,
                rounds,
            },
            ln_marginal_likelihood: sample.ln_mean_weight - 0.5 * objective.left_out_constant(),
        });
    }
    let importance_effective = sample.effective;
    let mut warm_up = 2000;
    let mut report: Option<ChainReport> = None;
    for _ in 0..=EXTENSIONS {
        let found = run_chains(
            &mut objective,
            estimate,
            &sample.starts(size),
            warm_up,
            options.kept,
            &mut random,
        );
        let mixed = found.split_r_hat <= MOST_R_HAT && found.effective >= 0.25 * options.least_effective;
        report = Some(found);
        if mixed {
            break;
        }
        warm_up *= 2;
    }
    match report {
        Some(report) if report.split_r_hat <= MOST_R_HAT => Ok(Posterior {
            labels: objective.labels().to_vec(),
            draws: report.draws,
            method: SamplingMethod::MarkovChains {
                acceptance: report.acceptance,
                split_r_hat: report.split_r_hat,
                effective: report.effective,
                importance_effective,
            },
            ln_marginal_likelihood: estimate.ln_marginal_likelihood,
        }),
        other => Err(EstimateError::PosteriorNotSampled {
            effective: importance_effective,
            split_r_hat: other.map_or(f64::INFINITY, |report| report.split_r_hat),
        }),
    }
}

/// t distributions around minima, and the prior.
struct Mixture {
    size: usize,
    parts: Vec<Part>,
    prior: Cholesky,
    prior_share: f64,
}

struct Part {
    share: f64,
    mean: Vec<f64>,
    factor: Cholesky,
    /// ln of the density's constant.
    ln_constant: f64,
}

impl Part {
    fn new(share: f64, mean: Vec<f64>, factor: Cholesky) -> Self {
        let p = mean.len() as f64;
        let v = DEGREES as f64;
        let ln_constant = ln_gamma(0.5 * (v + p))
            - ln_gamma(0.5 * v)
            - 0.5 * p * libm::log(v * std::f64::consts::PI)
            - 0.5 * factor.ln_determinant();
        Self {
            share,
            mean,
            factor,
            ln_constant,
        }
    }
}

impl Mixture {
    fn around(estimate: &MapEstimate, objective: &Objective, size: usize) -> Option<Self> {
        let factor = Cholesky::new(&estimate.covariance, size)?;
        let mut parts = vec![Part::new(1.0, estimate.effects.clone(), factor.clone())];
        for other in &estimate.other_minima {
            let share = libm::exp(0.5 * (estimate.objective - other.objective)).max(0.05);
            parts.push(Part::new(share, other.effects.clone(), factor.clone()));
        }
        Some(Self::of(parts, objective, size))
    }

    fn of(mut parts: Vec<Part>, objective: &Objective, size: usize) -> Self {
        let total: f64 = parts.iter().map(|part| part.share).sum();
        for part in &mut parts {
            part.share *= (1.0 - PRIOR_SHARE) / total;
        }
        Self {
            size,
            parts,
            prior: objective.prior_factor().clone(),
            prior_share: PRIOR_SHARE,
        }
    }

    fn sample(&self, objective: &mut Objective, count: usize, random: &mut RandomStream) -> Weighted {
        let size = self.size;
        let mut sample = Weighted {
            draws: Vec::with_capacity(count * size),
            weights: Vec::with_capacity(count),
            effective: 0.0,
            ln_mean_weight: f64::NEG_INFINITY,
        };
        let (mut z, mut x, mut room) = (vec![0.0; size], vec![0.0; size], vec![0.0; size]);
        let ln_prior_constant =
            -0.5 * (size as f64 * libm::log(2.0 * std::f64::consts::PI) + self.prior.ln_determinant());
        for i in 0..count {
            // Stratified over the parts: the first shares of every hundred.
            let place = (i as f64 + random.uniform()) / count as f64;
            random.fill_normal(&mut z);
            self.draw(place, &z, &mut x, random);
            let mut density = 0.0;
            for part in &self.parts {
                for ((slot, value), mean) in room.iter_mut().zip(&x).zip(&part.mean) {
                    *slot = value - mean;
                }
                part.factor.solve_lower(&mut room);
                let distance: f64 = room.iter().map(|v| v * v).sum();
                let v = DEGREES as f64;
                let exponent = -0.5 * (v + size as f64) * libm::log1p(distance / v);
                density += part.share * libm::exp(part.ln_constant + exponent);
            }
            density += self.prior_share * libm::exp(ln_prior_constant - 0.5 * objective.prior(&x));
            let ln_target = objective
                .value(&x)
                .map_or(f64::NEG_INFINITY, |value| -0.5 * value);
            sample.draws.extend_from_slice(&x);
            sample.weights.push(ln_target - libm::log(density));
        }
        sample.normalise();
        sample
    }

    fn draw(&self, place: f64, z: &[f64], x: &mut [f64], random: &mut RandomStream) {
        let mut reached = 0.0;
        for part in &self.parts {
            reached += part.share;
            if place < reached {
                part.factor.multiply_lower(z, x);
                let scale = (DEGREES as f64 / random.chi_squared(DEGREES)).sqrt();
                for (value, mean) in x.iter_mut().zip(&part.mean) {
                    *value = mean + *value * scale;
                }
                return;
            }
        }
        self.prior.multiply_lower(z, x);
    }
}

/// Draws with weights.
struct Weighted {
    draws: Vec<f64>,
    /// ln of the weights first, then the weights, which sum to 1.
    weights: Vec<f64>,
    effective: f64,
    ln_mean_weight: f64,
}

impl Weighted {
    fn normalise(&mut self) {
        let largest = self.weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if !largest.is_finite() {
            self.weights.fill(0.0);
            return;
        }
        for weight in &mut self.weights {
            *weight = libm::exp(*weight - largest);
        }
        let total: f64 = self.weights.iter().sum();
        for weight in &mut self.weights {
            *weight /= total;
        }
        self.effective = 1.0 / self.weights.iter().map(|w| w * w).sum::<f64>();
        self.ln_mean_weight = largest + libm::log(total / self.weights.len() as f64);
    }

    /// A better proposal from the weighted mean and covariance.
    fn guide(&self, objective: &Objective, size: usize) -> Option<Mixture> {
        let mut mean = vec![0.0; size];
        for (draw, weight) in self.draws.chunks_exact(size).zip(&self.weights) {
            for (sum, x) in mean.iter_mut().zip(draw) {
                *sum += weight * x;
            }
        }
        let mut covariance = vec![0.0; size * size];
        for (draw, weight) in self.draws.chunks_exact(size).zip(&self.weights) {
            for i in 0..size {
                for j in 0..size {
                    covariance[i * size + j] += weight * (draw[i] - mean[i]) * (draw[j] - mean[j]);
                }
            }
        }
        let factor = Cholesky::new(&covariance, size)?;
        Some(Mixture::of(vec![Part::new(1.0, mean, factor)], objective, size))
    }

    /// Systematic resampling to equal weights.
    fn resample(&self, kept: usize, size: usize, random: &mut RandomStream) -> Vec<f64> {
        let mut draws = Vec::with_capacity(kept * size);
        let offset = random.uniform();
        let mut reached = 0.0;
        let mut taken = 0;
        for (draw, weight) in self.draws.chunks_exact(size.max(1)).zip(&self.weights) {
            reached += weight * kept as f64;
            while taken < kept && (taken as f64 + offset) < reached {
                draws.extend_from_slice(draw);
                taken += 1;
            }
        }
        // Rounding can leave the last place open.
        while taken < kept && !draws.is_empty() {
            draws.extend_from_within(draws.len() - size..);
            taken += 1;
        }
        draws
    }

    /// Where chains can begin: the draws of greatest weight.
    fn starts(&self, size: usize) -> Vec<Vec<f64>> {
        let mut order: Vec<usize> = (0..self.weights.len()).collect();
        order.sort_by(|a, b| self.weights[*b].total_cmp(&self.weights[*a]));
        order
            .into_iter()
            .take(super::chains::CHAINS)
            .map(|i| self.draws[i * size..(i + 1) * size].to_vec())
            .collect()
    }
}
