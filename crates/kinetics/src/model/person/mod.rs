//! One person before a model: what is known of them, what follows from that, and where the model stops.

mod derived;
mod dose;
mod fact;
mod population;
mod prepare;
mod resolve;

pub(crate) use dose::greatest_single_mg;
pub use dose::{DoseStatement, Rate, Repetition, Running, Schedule, schedule};
pub use fact::{CovariateFact, canonical_name, in_model_unit};
pub use population::{OUTSIDE_BY, population_findings};
pub(crate) use prepare::typical_for_regimen;
pub use prepare::{Prepared, prepare};
pub use resolve::{CovariateKnot, CovariateUsed, Origin, Resolved, SpreadOverride, resolve};

use crate::refusal::Refusal;

/// What is known of a person.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Person {
    /// Covariates, each from a time on.
    pub facts: Vec<CovariateFact>,
    /// Drugs and drug classes taken beside; `None`: nobody asked.
    pub other_drugs: Option<Vec<String>>,
    /// States such as `pregnancy`, `dialysis`, `cooling`; `None`: nobody asked.
    pub states: Option<Vec<String>>,
    /// Local frequencies of 0, 1 and 2 copies, for a genotype nobody determined.
    pub genotype_frequencies: Option<[f64; 3]>,
}

/// What was found wanting.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Findings {
    /// Refusals.
    pub refusals: Vec<Refusal>,
    /// Sentences every answer must carry.
    pub cautions: Vec<String>,
}

impl Findings {
    pub(crate) fn add(&mut self, other: Self) {
        self.refusals.extend(other.refusals);
        for caution in other.cautions {
            self.caution(caution);
        }
    }

    pub(crate) fn caution(&mut self, caution: impl Into<String>) {
        let caution = caution.into();
        if !self.cautions.contains(&caution) {
            self.cautions.push(caution);
        }
    }
}
