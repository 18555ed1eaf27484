//! The posterior as factors on a person's typical values, for doses still to come.

use crate::likelihood::RandomEffects;
use crate::refusal::{Refusal, RefusalCode};
use crate::structure::Parameters;
use spotwright_numerics::random::RandomStream;

/// What an estimate hands over: equally weighted draws of the random effects, and how far they may be trusted.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// Draws, a row each: the ηs in the order of the problem's effects; further columns (occasions, times) are of the past
    /// and not read.
    pub draws: Vec<f64>,
    /// Numbers in a row.
    pub width: usize,
    /// Effective number of draws.
    pub effective_draws: f64,
    /// Whether the estimate converged; when not, why.
    pub not_converged: Option<String>,
    /// Levels the model did not expect, each in a sentence.
    pub surprises: Vec<String>,
}

/// Fewer effective draws say nothing about a probability of a tenth: its standard error would exceed 1.5 %.
pub const LEAST_EFFECTIVE_DRAWS: f64 = 400.0;

/// Factors on the typical values, one set a draw.
#[derive(Debug, Clone)]
pub(super) struct Draws {
    factors: Vec<Parameters>,
}

impl Draws {
    /// Occasions to come are drawn afresh: yesterday's occasion says nothing of tomorrow's.
    pub(super) fn new(effects: &RandomEffects, evidence: &Evidence, seed: u64) -> Result<Self, Refusal> {
        let between = effects.between_subject.len();
        // A model without random effects has one person.
        let count = evidence.draws.len().checked_div(evidence.width).unwrap_or(1);
        let malformed = evidence.width < between
            || count * evidence.width != evidence.draws.len()
            || evidence.draws.iter().any(|value| !value.is_finite());
        if malformed || count == 0 {
            return Err(Refusal::new(
                RefusalCode::TooFewDraws,
                format!(
                    "{} numbers are no draws of {between} effects",
                    evidence.draws.len()
                ),
                "draws of this very case",
            ));
        }
        let mut random = RandomStream::new(seed, 1);
        let mut factors = Vec::with_capacity(count);
        for draw in 0..count {
            let row = &evidence.draws[draw * evidence.width..][..between];
            let mut values = Parameters::new();
            for (name, eta) in effects.between_subject.iter().zip(row) {
                values.set(*name, libm::exp(*eta));
            }
            for occasion in &effects.between_occasion {
                let kappa = libm::exp(occasion.sd_log * random.normal());
                let so_far = values.get(occasion.parameter).unwrap_or(1.0);
                values.set(occasion.parameter, so_far * kappa);
            }
            factors.push(values);
        }
        Ok(Self { factors })
    }

    pub(super) fn count(&self) -> usize {
        self.factors.len()
    }

    pub(super) fn factors(&self, draw: usize) -> &Parameters {
        &self.factors[draw]
    }

    /// A draw's own values.
    pub(super) fn values(&self, draw: usize, typical: &Parameters) -> Parameters {
        let mut values = *typical;
        for (name, factor) in self.factors[draw].iter() {
            if let Some(value) = typical.get(name) {
                values.set(name, value * factor);
            }
        }
        values
    }
}
