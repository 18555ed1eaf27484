//! Random effects: how a person, and one occasion of a person, differs from typical.

use crate::structure::ParameterName;

/// Between-occasion variability of one parameter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OccasionEffect {
    /// The parameter.
    pub parameter: ParameterName,
    /// Standard deviation of its natural log between occasions of one person; above zero.
    pub sd_log: f64,
}

/// P = typical · exp(η + κ), η between subjects, κ between occasions; all normal around 0.
///
/// The vector of effects holds the ηs in the order of `between_subject`, then the κs of the first occasion in the order
/// of `between_occasion`, then those of the second, …, then one standard normal value for every uncertain time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RandomEffects {
    /// Parameters that differ between subjects.
    pub between_subject: Vec<ParameterName>,
    /// Covariance of the ηs, row by row: variances and covariances of natural logs.
    pub covariance: Vec<f64>,
    /// Parameters that differ between occasions.
    pub between_occasion: Vec<OccasionEffect>,
    /// When each occasion begins, h, rising; the first also holds before. A sample exactly at a beginning still belongs
    /// to the occasion before, a dose to the one that begins. Empty: one occasion.
    pub occasion_starts_h: Vec<f64>,
}

impl RandomEffects {
    /// Between-subject effects from standard deviations of natural logs and correlations; an SD of zero is no effect.
    #[must_use]
    pub fn between_subjects(
        sd_log: &[(ParameterName, f64)],
        correlations: &[(ParameterName, ParameterName, f64)],
    ) -> Self {
        let varying: Vec<(ParameterName, f64)> = sd_log.iter().copied().filter(|(_, sd)| *sd > 0.0).collect();
        let size = varying.len();
        let mut covariance = vec![0.0; size * size];
        for (i, (first, sd_i)) in varying.iter().enumerate() {
            for (j, (second, sd_j)) in varying.iter().enumerate() {
                let r = if i == j {
                    1.0
                } else {
                    correlations
                        .iter()
                        .find(|(a, b, _)| (a == first && b == second) || (a == second && b == first))
                        .map_or(0.0, |(_, _, r)| *r)
                };
                covariance[i * size + j] = r * sd_i * sd_j;
            }
        }
        Self {
            between_subject: varying.into_iter().map(|(name, _)| name).collect(),
            covariance,
            between_occasion: Vec::new(),
            occasion_starts_h: Vec::new(),
        }
    }

    /// Occasions met: at least one.
    #[must_use]
    pub fn occasions(&self) -> usize {
        self.occasion_starts_h.len().max(1)
    }

    /// The occasion at a time; at a beginning's own time the earlier one when `before` is true.
    #[must_use]
    pub fn occasion_at(&self, time_h: f64, before: bool) -> usize {
        let reached = self
            .occasion_starts_h
            .iter()
            .take_while(|start| {
                if before {
                    **start < time_h
                } else {
                    **start <= time_h
                }
            })
            .count();
        reached.saturating_sub(1)
    }
}
