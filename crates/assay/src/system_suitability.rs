//! Whether sensitivity and repeatability were as they should be (M10-35, EV-40).

use crate::limit::{at_least, at_most};
use crate::sentence::{NO_NUMBERS, against, figures, reason, stated};
use spotwright_domain::method::SystemSuitabilityLimits;
use spotwright_domain::reason::{Reason, ReasonCode, Severity};
use spotwright_numerics::robust::median;
use spotwright_numerics::summary::coefficient_of_variation;

/// Evidence of one analyte.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct SuitabilityEvidence {
    /// Signal to noise of the method's lowest calibrators, where noise could be measured.
    pub(crate) lloq_signal_to_noise: Vec<f64>,
    /// Area ratios of the system-suitability injections.
    pub(crate) area_ratios: Vec<f64>,
    /// Their retention times (min).
    pub(crate) retentions_min: Vec<f64>,
    /// System-suitability injections in the list.
    pub(crate) injections: usize,
}

/// Reasons the evidence gives. None rejects: controls and calibrators judge the run, this says where to look.
pub(crate) fn suitability_reasons(
    evidence: &SuitabilityEvidence,
    limits: &SystemSuitabilityLimits,
) -> Vec<Reason> {
    let mut reasons = Vec::new();
    if let Ok(signal_to_noise) = median(&evidence.lloq_signal_to_noise)
        && !at_least(signal_to_noise, limits.min_signal_to_noise_lloq)
    {
        reasons.push(reason(
            ReasonCode::SensitivityTooLow,
            "M10-35",
            Severity::Comment,
            against(signal_to_noise, limits.min_signal_to_noise_lloq, "1"),
            format!(
                "Signal to noise at the lowest calibrator is {}, at least {} is wanted: clean the source, and doubt results near the lower limit.",
                figures(signal_to_noise), stated(limits.min_signal_to_noise_lloq)
            ),
        ));
    }
    if evidence.injections == 0 {
        reasons.push(reason(
            ReasonCode::SystemSuitabilityMissing,
            "M10-35",
            Severity::Note,
            NO_NUMBERS,
            "The run has no system-suitability injection: inject one before the next run.".to_owned(),
        ));
    }
    let scatters = [
        ("area ratio", &evidence.area_ratios, limits.max_area_ratio_cv_pct),
        ("retention", &evidence.retentions_min, limits.max_retention_cv_pct),
    ];
    for (what, values, limit) in scatters {
        if (values.len() as f64) < limits.min_injections.max(2.0) {
            continue;
        }
        if let Ok(cv) = coefficient_of_variation(values)
            && !at_most(100.0 * cv, limit)
        {
            reasons.push(reason(
                ReasonCode::SystemSuitabilityScatter,
                "M10-35",
                Severity::Comment,
                against(100.0 * cv, limit, "%"),
                format!(
                    "The {what} of the system-suitability injections scatters by {} % (CV), {} % is allowed: check spray, pump and injector.",
                    figures(100.0 * cv), stated(limit)
                ),
            ));
        }
    }
    reasons
}
