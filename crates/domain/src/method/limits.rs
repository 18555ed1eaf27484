//! What is allowed. Defaults come from published rules, named beside each; a method may change them with a reason.

use serde::{Deserialize, Serialize};

/// A limit that differs from the default.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LimitOverride {
    /// Which limit, e.g. `control.max_relative_error_pct`.
    pub name: String,
    /// The default.
    pub default: f64,
    /// The method's value.
    pub value: f64,
    /// Why.
    pub reason: String,
}

macro_rules! limits {
    ($(#[$doc:meta])* $name:ident { $($(#[$field_doc:meta])* $field:ident: $default:literal,)* }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
        #[serde(deny_unknown_fields, default)]
        pub struct $name {
            $($(#[$field_doc])* pub $field: f64,)*
        }

        impl Default for $name {
            fn default() -> Self {
                Self { $($field: $default,)* }
            }
        }

        impl $name {
            /// Every limit of this group by name, in a fixed order.
            #[must_use]
            pub fn entries(&self) -> Vec<(&'static str, f64)> {
                vec![$((stringify!($field), self.$field),)*]
            }
        }
    };
}

limits! {
    /// Calibration curve (ICH M10 §3.2.4, 3.3.2; M10-05, M10-22).
    CalibrationLimits {
        /// Levels that must pass.
        min_levels: 6.0,
        /// Back-calculated against nominal at the lowest level (%).
        max_relative_error_lloq_pct: 20.0,
        /// Back-calculated against nominal elsewhere (%).
        max_relative_error_pct: 15.0,
        /// Share of calibrators that must pass (%).
        min_pass_pct: 75.0,
        /// Share of replicates that must pass at each level (%).
        min_pass_per_level_pct: 50.0,
    }
}
limits! {
    /// Controls (ICH M10 §3.3.1, 3.3.2; M10-20, M10-23).
    ControlLimits {
        /// Found against nominal (%).
        max_relative_error_pct: 15.0,
        /// Levels a run needs.
        min_levels: 3.0,
        /// Controls a run needs at each level.
        min_per_level: 2.0,
        /// Controls a run needs, as a share of its samples (%).
        min_share_of_samples_pct: 5.0,
        /// Share of controls that must pass at each level (%). Over all levels two thirds must pass.
        min_pass_per_level_pct: 50.0,
    }
}
limits! {
    /// Blanks (ICH M10 §3.2.1; M10-02).
    InterferenceLimits {
        /// Analyte response in a blank against the mean response of the lowest accepted calibrators (%).
        max_share_of_lloq_pct: 20.0,
        /// Internal-standard response in a double blank against the mean of calibrators and controls (%).
        max_share_of_internal_standard_pct: 5.0,
    }
}
limits! {
    /// Carry-over (ICH M10 §3.2.6; M10-12, PR-24).
    CarryOverLimits {
        /// Analyte response in the blank after the highest calibrator against the LLOQ response (%).
        max_share_of_lloq_pct: 20.0,
        /// Internal-standard response in that blank, when it holds none (%).
        max_share_of_internal_standard_pct: 5.0,
        /// Largest share of a sample's own response that may come from the injection before it (%; common practice).
        max_share_of_sample_pct: 5.0,
    }
}
limits! {
    /// Internal standard (M10-34; numbers are common practice, no source).
    InternalStandardLimits {
        /// Smallest area against the mean of accepted calibrators and controls (%).
        min_share_of_mean_pct: 50.0,
        /// Largest area against that mean (%).
        max_share_of_mean_pct: 150.0,
        /// Change over the run along the fitted trend that is worth a comment (%).
        max_drift_pct: 30.0,
        /// Step at one place of the run that is worth a comment (%).
        max_step_pct: 20.0,
        /// Difference of the samples' median from that of calibrators and controls that is worth a comment (%).
        max_group_difference_pct: 20.0,
        /// Change of the internal standard from lowest to highest calibrator that is worth a comment (%).
        max_change_with_concentration_pct: 15.0,
    }
}
limits! {
    /// Identity (CLSI C62-A; C62-2).
    IdentityLimits {
        /// Retention against the calibrators' mean (%); the larger of this and the next applies.
        max_retention_difference_pct: 2.5,
        /// Retention against the calibrators' mean (min).
        max_retention_difference_min: 0.1,
        /// Qualifier/quantifier ratio against the calibrators' mean (%, relative).
        max_ion_ratio_difference_pct: 20.0,
        /// How many standard uncertainties of the ratio's own noise widen the tolerance (EV-55).
        ion_ratio_noise_factor: 3.0,
        /// Widened tolerance above which the ratio cannot be assessed (%).
        ion_ratio_not_assessable_pct: 60.0,
    }
}
limits! {
    /// Peaks (PR-30, PR-34, PR-35; common practice, no source).
    PeakLimits {
        /// Share of manually integrated peaks in a run worth a comment (%).
        max_manual_pct: 5.0,
        /// Width against the run's median for the transition above which a peak is unusually wide (ratio).
        max_width_ratio: 1.5,
        /// Tailing factor worth a comment.
        max_tailing_factor: 2.5,
    }
}
limits! {
    /// System suitability (M10-35; common practice, no source, but signal to noise: EMA 2011 for the LLOQ).
    SystemSuitabilityLimits {
        /// Signal to noise at the lowest calibrator.
        min_signal_to_noise_lloq: 5.0,
        /// Scatter of the area ratio over system-suitability injections (CV, %).
        max_area_ratio_cv_pct: 10.0,
        /// Scatter of retention over system-suitability injections (CV, %).
        max_retention_cv_pct: 2.0,
        /// Injections needed for a scatter to be judged.
        min_injections: 3.0,
    }
}
limits! {
    /// Two spots of one card (EV §5: limit from the method's precision).
    DuplicateLimits {
        /// Difference allowed, in within-run CVs (2.77 = 1.96·√2, repeatability limit).
        max_difference_in_cv: 2.77,
    }
}
limits! {
    /// Incurred sample reanalysis (ICH M10 §5; M10-36, M10-37).
    IncurredRepeatLimits {
        /// Difference of repeat and original against their mean (%).
        max_difference_pct: 20.0,
        /// Share of samples to repeat up to 1000 samples (%).
        share_first_1000_pct: 10.0,
        /// Share of samples to repeat above 1000 samples (%).
        share_above_1000_pct: 5.0,
    }
}

/// Every limit of a method.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Limits {
    /// Calibration curve.
    pub calibration: CalibrationLimits,
    /// Controls.
    pub control: ControlLimits,
    /// Blanks.
    pub interference: InterferenceLimits,
    /// Carry-over.
    pub carry_over: CarryOverLimits,
    /// Internal standard.
    pub internal_standard: InternalStandardLimits,
    /// Identity.
    pub identity: IdentityLimits,
    /// Peaks.
    pub peak: PeakLimits,
    /// System suitability.
    pub system_suitability: SystemSuitabilityLimits,
    /// Two spots of one card.
    pub duplicate: DuplicateLimits,
    /// Incurred sample reanalysis.
    pub incurred_repeat: IncurredRepeatLimits,
}

impl Limits {
    /// Every limit by its dotted name (`control.max_relative_error_pct`), in a fixed order.
    #[must_use]
    pub fn entries(&self) -> Vec<(String, f64)> {
        let groups = [
            ("calibration", self.calibration.entries()),
            ("control", self.control.entries()),
            ("interference", self.interference.entries()),
            ("carry_over", self.carry_over.entries()),
            ("internal_standard", self.internal_standard.entries()),
            ("identity", self.identity.entries()),
            ("peak", self.peak.entries()),
            ("system_suitability", self.system_suitability.entries()),
            ("duplicate", self.duplicate.entries()),
            ("incurred_repeat", self.incurred_repeat.entries()),
        ];
        groups
            .into_iter()
            .flat_map(|(group, entries)| {
                entries
                    .into_iter()
                    .map(move |(name, value)| (format!("{group}.{name}"), value))
            })
            .collect()
    }
}
