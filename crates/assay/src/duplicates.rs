//! Two spots of one card: do they agree? The limit follows the method's precision and the two areas' own noise; a flat 15 %
//! refuses honest pairs (EV §5).

use crate::sentence::{against, figures, reason};
use spotwright_domain::method::DuplicateLimits;
use spotwright_domain::reason::{Reason, ReasonCode, Severity};

/// A spot's result.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpotResult {
    /// Concentration.
    pub value: f64,
    /// Its standard uncertainty from the areas alone.
    pub area_standard_uncertainty: f64,
}

/// How two spots compare.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DuplicateComparison {
    /// |difference| against the mean (%).
    pub difference_pct: f64,
    /// Largest difference honest pairs show 19 times in 20 (%).
    pub limit_pct: f64,
}

/// Compares two spots: limit² = (2.77·CV)² + 1.96²·(u₁² + u₂²)/mean², the repeatability limit of ISO 5725-6:1994 §4.1.4
/// (2.77 = 1.96·√2) with the noise of two areas that are weaker than where the CV was measured. `None` when the mean is
/// not above zero.
#[must_use]
pub fn compare(
    one: &SpotResult,
    other: &SpotResult,
    within_run_cv_pct: f64,
    limits: &DuplicateLimits,
) -> Option<DuplicateComparison> {
    let mean = 0.5 * (one.value + other.value);
    if mean.is_nan() || mean <= 0.0 {
        return None;
    }
    let precision = limits.max_difference_in_cv * within_run_cv_pct;
    let squares = one.area_standard_uncertainty * one.area_standard_uncertainty
        + other.area_standard_uncertainty * other.area_standard_uncertainty;
    let noise = 1.96 * 100.0 * squares.sqrt() / mean;
    Some(DuplicateComparison {
        difference_pct: 100.0 * (one.value - other.value).abs() / mean,
        limit_pct: (precision * precision + noise * noise).sqrt(),
    })
}

/// The reason two spots give. Above the limit: a comment, since one honest pair in twenty is; above twice the limit (chance: fewer
/// than one in ten thousand) neither stands.
pub(crate) fn duplicate_reason(comparison: &DuplicateComparison, own_spot: u32, other_spot: u32) -> Reason {
    let (difference, limit) = (comparison.difference_pct, comparison.limit_pct);
    let spots = format!("Spots {own_spot} and {other_spot}");
    let numbers = against(difference, limit, "%");
    if crate::limit::at_most(difference, limit) {
        return reason(
            ReasonCode::DuplicatesAgree,
            "EV-5",
            Severity::Note,
            numbers,
            format!(
                "{spots} differ by {} % of their mean, {} % is allowed.",
                figures(difference),
                figures(limit)
            ),
        );
    }
    let apart = difference > 2.0 * limit;
    reason(
        ReasonCode::DuplicatesDisagree,
        "EV-5",
        if apart {
            Severity::Reject
        } else {
            Severity::Comment
        },
        numbers,
        format!(
            "{spots} differ by {} % of their mean, {} % is allowed: measure a third spot and take the median, never the nicer of the two.",
            figures(difference),
            figures(limit)
        ),
    )
}
