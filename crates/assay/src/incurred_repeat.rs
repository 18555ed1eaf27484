//! Incurred sample reanalysis (ICH M10 §5; M10-36, M10-37).

use crate::limit::{two_thirds_pass, within};
use spotwright_domain::method::IncurredRepeatLimits;

/// Repeat against original (%), relative to the mean of both (G-2); `None` when the mean is zero.
#[must_use]
pub fn difference_pct(original: f64, repeat: f64) -> Option<f64> {
    let mean = 0.5 * (original + repeat);
    let difference = 100.0 * (repeat - original) / mean;
    difference.is_finite().then_some(difference)
}

/// How many of `samples` samples are to be repeated: a share of the first 1000, a smaller one of the rest, rounded up (M10-36).
#[must_use]
pub fn repeats_needed(samples: usize, limits: &IncurredRepeatLimits) -> usize {
    let first = samples.min(1000) as f64;
    let rest = samples.saturating_sub(1000) as f64;
    let exact = (first * limits.share_first_1000_pct + rest * limits.share_above_1000_pct) / 100.0;
    libm::ceil(exact * (1.0 - 1e-9)) as usize
}

/// How incurred repeats came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RepeatsDecision {
    /// Repeats compared.
    pub compared: usize,
    /// Repeats within the limit.
    pub passing: usize,
    /// Whether two thirds pass.
    pub accepted: bool,
}

/// Judges pairs of (original, repeat).
#[must_use]
pub fn judge_repeats(pairs: &[(f64, f64)], limits: &IncurredRepeatLimits) -> RepeatsDecision {
    let passing = pairs
        .iter()
        .filter(|(original, repeat)| {
            difference_pct(*original, *repeat).is_some_and(|d| within(d, limits.max_difference_pct))
        })
        .count();
    RepeatsDecision {
        compared: pairs.len(),
        passing,
        accepted: two_thirds_pass(passing, pairs.len()),
    }
}
