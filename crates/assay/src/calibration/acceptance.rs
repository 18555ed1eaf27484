//! Whether calibrators stand (ICH M10 §3.2.4, 3.3.2; M10-05, M10-22), apart from how they were fitted.

use crate::limit::{same, share_passes, within};
use spotwright_domain::method::CalibrationLimits;

/// One calibrator, back-calculated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CalibratorCheck {
    /// Nominal concentration.
    pub nominal: f64,
    /// Back-calculated against nominal (%); `None`: not measurable, or left out of the fit. Counts as failed.
    pub relative_error_pct: Option<f64>,
}

/// What becomes of a curve's calibrators.
#[derive(Debug, Clone, PartialEq)]
pub struct CalibratorsDecision {
    /// Whether the curve stands.
    pub accepted: bool,
    /// Whether each calibrator passes, in the order given: within its own limit and at a level that passes.
    pub passes: Vec<bool>,
    /// Levels, lowest first.
    pub levels: Vec<LevelDecision>,
    /// Lowest and highest passing level: the run's range; `None`: no level passes.
    pub range: Option<[f64; 2]>,
    /// Whether enough calibrators pass.
    pub enough_calibrators: bool,
    /// Whether enough levels pass.
    pub enough_levels: bool,
}

/// What becomes of one level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelDecision {
    /// Nominal concentration.
    pub nominal: f64,
    /// Calibrators at this level.
    pub calibrators: usize,
    /// How many of them are within their limit.
    pub within_limit: usize,
    /// Whether the level passes.
    pub passes: bool,
}

/// Largest relative error (%) allowed at a nominal concentration. The wider limit belongs to the method's own lowest level;
/// a level that becomes the lowest because others failed keeps its own (M10-22).
#[must_use]
pub(crate) fn limit_pct(nominal: f64, lloq: f64, limits: &CalibrationLimits) -> f64 {
    if nominal < lloq || same(nominal, lloq) {
        limits.max_relative_error_lloq_pct
    } else {
        limits.max_relative_error_pct
    }
}

/// Judges calibrators. `lloq` is the method's lowest level.
#[must_use]
pub fn judge_calibrators(
    checks: &[CalibratorCheck],
    lloq: f64,
    limits: &CalibrationLimits,
) -> CalibratorsDecision {
    let within_limit: Vec<bool> = checks
        .iter()
        .map(|check| {
            check
                .relative_error_pct
                .is_some_and(|error| within(error, limit_pct(check.nominal, lloq, limits)))
        })
        .collect();
    let mut nominals: Vec<f64> = checks.iter().map(|check| check.nominal).collect();
    nominals.sort_unstable_by(f64::total_cmp);
    nominals.dedup_by(|b, a| same(*a, *b));
    let levels: Vec<LevelDecision> = nominals
        .into_iter()
        .map(|nominal| {
            let here = |i: &usize| same(checks[*i].nominal, nominal);
            let calibrators = (0..checks.len()).filter(here).count();
            let passing = (0..checks.len())
                .filter(here)
                .filter(|i| within_limit[*i])
                .count();
            LevelDecision {
                nominal,
                calibrators,
                within_limit: passing,
                passes: passing > 0 && share_passes(passing, calibrators, limits.min_pass_per_level_pct),
            }
        })
        .collect();
    let standing: Vec<f64> = levels.iter().filter(|l| l.passes).map(|l| l.nominal).collect();
    let enough_calibrators = share_passes(
        within_limit.iter().filter(|passes| **passes).count(),
        checks.len(),
        limits.min_pass_pct,
    );
    let enough_levels = standing.len() as f64 >= limits.min_levels;
    CalibratorsDecision {
        accepted: enough_calibrators && enough_levels,
        passes: checks
            .iter()
            .zip(&within_limit)
            .map(|(check, passes)| *passes && standing.iter().any(|nominal| same(*nominal, check.nominal)))
            .collect(),
        range: standing
            .first()
            .zip(standing.last())
            .map(|(low, high)| [*low, *high]),
        levels,
        enough_calibrators,
        enough_levels,
    }
}
