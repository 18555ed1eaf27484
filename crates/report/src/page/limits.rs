//! The limits a run was judged by: the defaults, and over them what the method changed.

use spotwright_domain::method::Limits;
use spotwright_domain::record::RunRecord;

/// The few limits that figures draw.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct LimitsInForce {
    pub(super) calibrator_lloq_pct: f64,
    pub(super) calibrator_pct: f64,
    pub(super) control_pct: f64,
    pub(super) internal_standard_pct: [f64; 2],
}

impl LimitsInForce {
    pub(super) fn of(run: &RunRecord) -> Self {
        let defaults = Limits::default();
        let in_force = |name: &str, default: f64| {
            run.limit_overrides
                .iter()
                .find(|of| of.name == name)
                .map_or(default, |of| of.value)
        };
        Self {
            calibrator_lloq_pct: in_force(
                "calibration.max_relative_error_lloq_pct",
                defaults.calibration.max_relative_error_lloq_pct,
            ),
            calibrator_pct: in_force(
                "calibration.max_relative_error_pct",
                defaults.calibration.max_relative_error_pct,
            ),
            control_pct: in_force(
                "control.max_relative_error_pct",
                defaults.control.max_relative_error_pct,
            ),
            internal_standard_pct: [
                in_force(
                    "internal_standard.min_share_of_mean_pct",
                    defaults.internal_standard.min_share_of_mean_pct,
                ),
                in_force(
                    "internal_standard.max_share_of_mean_pct",
                    defaults.internal_standard.max_share_of_mean_pct,
                ),
            ],
        }
    }
}
