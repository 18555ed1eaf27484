//! Whether controls stand (ICH M10 §3.3.1, 3.3.2; M10-20, M10-23), apart from how they were measured.

use crate::limit::{share_passes, two_thirds_pass, within};
use spotwright_domain::method::ControlLimits;

/// The controls of one level.
#[derive(Debug, Clone, PartialEq)]
pub struct ControlLevel {
    /// Nominal concentration.
    pub nominal: f64,
    /// Largest error allowed at this level (%).
    pub limit_pct: f64,
    /// Found against nominal (%); `None`: not computable, which counts as failed.
    pub errors_pct: Vec<Option<f64>>,
}

impl ControlLevel {
    /// How many of the level's controls pass.
    #[must_use]
    pub fn passing(&self) -> usize {
        self.errors_pct
            .iter()
            .filter(|error| error.is_some_and(|error| within(error, self.limit_pct)))
            .count()
    }
}

/// What becomes of a run's controls.
#[derive(Debug, Clone, PartialEq)]
pub struct ControlsDecision {
    /// Whether the controls let the run stand.
    pub accepted: bool,
    /// Whether there are enough, at enough levels, for the run's size.
    pub enough: bool,
    /// Controls the run needs.
    pub needed: usize,
    /// Controls in the list.
    pub all: usize,
    /// Controls that pass.
    pub passing: usize,
    /// Whether two thirds of all pass.
    pub two_thirds: bool,
    /// Whether each level has its share, in the order given.
    pub level_passes: Vec<bool>,
}

/// Controls a run of `samples` samples needs: levels × replicates, or the share of samples rounded up, whichever is greater
/// (M10-20).
#[must_use]
pub fn controls_needed(samples: usize, limits: &ControlLimits) -> usize {
    let by_design = limits.min_levels * limits.min_per_level;
    let by_size = samples as f64 * limits.min_share_of_samples_pct / 100.0;
    libm::ceil((by_design.max(by_size)) * (1.0 - 1e-9)) as usize
}

/// Judges the controls of a run of `samples` samples.
#[must_use]
pub fn judge_controls(levels: &[ControlLevel], samples: usize, limits: &ControlLimits) -> ControlsDecision {
    let all = levels.iter().map(|level| level.errors_pct.len()).sum();
    let passing = levels.iter().map(ControlLevel::passing).sum();
    let full_levels = levels
        .iter()
        .filter(|level| level.errors_pct.len() as f64 >= limits.min_per_level)
        .count();
    let needed = controls_needed(samples, limits);
    let enough = all >= needed && full_levels as f64 >= limits.min_levels;
    let two_thirds = two_thirds_pass(passing, all);
    let level_passes: Vec<bool> = levels
        .iter()
        .map(|level| {
            share_passes(
                level.passing(),
                level.errors_pct.len(),
                limits.min_pass_per_level_pct,
            )
        })
        .collect();
    ControlsDecision {
        accepted: enough && two_thirds && level_passes.iter().all(|passes| *passes),
        enough,
        needed,
        all,
        passing,
        two_thirds,
        level_passes,
    }
}
