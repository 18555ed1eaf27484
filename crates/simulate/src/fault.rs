//! Faults that can be planted, one at a time or together, and what a laboratory should then say.

use crate::panel::Panel;
use serde::Serialize;
use spotwright_domain::reason::ReasonCode;

/// Something that goes wrong. Analytes are named by their place in the method, from 0.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Fault {
    /// Every calibrator is stronger than its label by this much (%): all samples and controls read low.
    CalibrationStockWrong {
        /// How much (%), 20 to 100.
        bias_pct: f64,
    },
    /// Exactly one third of the analyte's controls are far off, none of its levels by more than half: the run
    /// stands, barely.
    ControlsAtTwoThirds {
        /// Which analyte.
        analyte: usize,
    },
    /// Every control of the lowest level is off, so the level fails although two thirds of all controls pass.
    ControlLevelOff {
        /// Which analyte.
        analyte: usize,
    },
    /// The analyte's ratio falls by 18 % over the run.
    ControlsDrift {
        /// Which analyte.
        analyte: usize,
    },
    /// The two calibrators of the lowest level disagree with everything: +60 % and −60 %.
    LowestCalibratorFails {
        /// Which analyte.
        analyte: usize,
    },
    /// Both calibrators of the highest level are short (−35 %).
    HighestCalibratorFails {
        /// Which analyte.
        analyte: usize,
    },
    /// One calibrator in mid-range was spiked wrong (+40 %).
    OneCalibratorOff {
        /// Which analyte.
        analyte: usize,
    },
    /// In one sample something adds 60 % to the qualifier at the analyte's retention.
    QualifierInterference {
        /// Which analyte.
        analyte: usize,
    },
    /// In one sample a neighbour overlaps the analyte's peak in both transitions.
    OverlappingNeighbour {
        /// Which analyte.
        analyte: usize,
    },
    /// In one sample that holds none of the analyte a broad peak left by the injection before stands in its window.
    LateEluter {
        /// Which analyte.
        analyte: usize,
    },
    /// One sample was not sprayed with internal standard.
    MissedSpray,
    /// One sample got 38 % of the internal standard.
    HalfSpray,
    /// One sample got 210 % of the internal standard.
    DoubleSpray,
    /// Air was injected instead of one sample: nothing is measured.
    AirInjection,
    /// A bad injection: every peak of one sample is split.
    SplitPeak,
    /// One sample is so strong that the detector's ceiling cuts its peak.
    DetectorSaturation {
        /// Which analyte.
        analyte: usize,
    },
    /// A sample at 4 × ULOQ stands right before one at 1.5 × LLOQ; the blank after the highest calibrator passes
    /// (12 % of the LLOQ response).
    CarryOverIntoWeakSample {
        /// Which analyte.
        analyte: usize,
    },
    /// The blank after the highest calibrator holds 45 % of the LLOQ response.
    CarryOverInBlank {
        /// Which analyte.
        analyte: usize,
    },
    /// The double blank holds analyte at 40 % of LLOQ.
    AnalyteInDoubleBlank {
        /// Which analyte.
        analyte: usize,
    },
    /// The double blank was given 15 % of the internal standard.
    StandardInDoubleBlank,
    /// The zero sample holds analyte at 40 % of LLOQ.
    AnalyteInZero {
        /// Which analyte.
        analyte: usize,
    },
    /// From one injection on everything elutes 2.8 % later.
    RetentionJump,
    /// From one injection on the whole response is 40 % higher (source cleaned).
    InternalStandardStep,
    /// The whole response falls by 40 % over the run.
    InternalStandardDrift,
    /// The response of every patient sample, standard and analyte, is 30 % lower than that of calibrators and
    /// controls.
    InternalStandardSamplesUnlike,
    /// The analyte leaks into its internal standard: + 35 % of the standard at ULOQ.
    CrossTalk {
        /// Which analyte.
        analyte: usize,
    },
    /// The whole response is 25 % of what it was in validation: signal to noise at LLOQ is 2.5 to 4 for the
    /// weakest analyte.
    LowSensitivity,
    /// The analyte's ratio scatters by ± 18 % over the system-suitability injections.
    SystemSuitabilityScatter {
        /// Which analyte.
        analyte: usize,
    },
    /// The second spot of one card holds 55 % of the first (disc partly off the blood).
    DuplicatesDisagree,
    /// One incurred repeat holds 55 % of its original.
    IncurredRepeatDisagrees,
    /// The dilution controls were diluted wrong: 30 % low.
    DilutionControlsFail {
        /// Which analyte.
        analyte: usize,
    },
    /// One sample's file ends early.
    TruncatedFile,
    /// Two samples' files hold the same bytes.
    SameTraceTwice,
    /// The analyte's quantifier is not in one sample's file.
    TraceMissing {
        /// Which analyte.
        analyte: usize,
    },
    /// One sample's card has no request.
    RequestMissing,
    /// One sample's haematocrit lies outside the validated range.
    HaematocritOutside,
    /// One card is older than the validated age.
    CardTooOld,
    /// One request states its last dose after collection.
    TimesContradict,
}

/// What a fault does to the acceptance of an analyte in its run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Acceptance {
    /// The analyte's run should stand.
    Accepted,
    /// Depends on the laboratory's rule; not to be tested.
    Either,
    /// The analyte's run must be rejected.
    Rejected,
}

impl Fault {
    /// One of each kind; those that need an analyte take the first.
    #[must_use]
    pub fn one_of_each() -> Vec<Self> {
        let analyte = 0;
        vec![
            Self::CalibrationStockWrong { bias_pct: 30.0 },
            Self::ControlsAtTwoThirds { analyte },
            Self::ControlLevelOff { analyte },
            Self::ControlsDrift { analyte },
            Self::LowestCalibratorFails { analyte },
            Self::HighestCalibratorFails { analyte },
            Self::OneCalibratorOff { analyte },
            Self::QualifierInterference { analyte },
            Self::OverlappingNeighbour { analyte },
            Self::LateEluter { analyte },
            Self::MissedSpray,
            Self::HalfSpray,
            Self::DoubleSpray,
            Self::AirInjection,
            Self::SplitPeak,
            Self::DetectorSaturation { analyte },
            Self::CarryOverIntoWeakSample { analyte },
            Self::CarryOverInBlank { analyte },
            Self::AnalyteInDoubleBlank { analyte },
            Self::StandardInDoubleBlank,
            Self::AnalyteInZero { analyte },
            Self::RetentionJump,
            Self::InternalStandardStep,
            Self::InternalStandardDrift,
            Self::InternalStandardSamplesUnlike,
            Self::CrossTalk { analyte },
            Self::LowSensitivity,
            Self::SystemSuitabilityScatter { analyte },
            Self::DuplicatesDisagree,
            Self::IncurredRepeatDisagrees,
            Self::DilutionControlsFail { analyte },
            Self::TruncatedFile,
            Self::SameTraceTwice,
            Self::TraceMissing { analyte },
            Self::RequestMissing,
            Self::HaematocritOutside,
            Self::CardTooOld,
            Self::TimesContradict,
        ]
    }

    /// The fault's word in files.
    #[must_use]
    pub fn kind(self) -> &'static str {
        match self {
            Self::CalibrationStockWrong { .. } => "calibration-stock-wrong",
            Self::ControlsAtTwoThirds { .. } => "controls-at-two-thirds",
            Self::ControlLevelOff { .. } => "control-level-off",
            Self::ControlsDrift { .. } => "controls-drift",
            Self::LowestCalibratorFails { .. } => "lowest-calibrator-fails",
            Self::HighestCalibratorFails { .. } => "highest-calibrator-fails",
            Self::OneCalibratorOff { .. } => "one-calibrator-off",
            Self::QualifierInterference { .. } => "qualifier-interference",
            Self::OverlappingNeighbour { .. } => "overlapping-neighbour",
            Self::LateEluter { .. } => "late-eluter",
            Self::MissedSpray => "missed-spray",
            Self::HalfSpray => "half-spray",
            Self::DoubleSpray => "double-spray",
            Self::AirInjection => "air-injection",
            Self::SplitPeak => "split-peak",
            Self::DetectorSaturation { .. } => "detector-saturation",
            Self::CarryOverIntoWeakSample { .. } => "carry-over-into-weak-sample",
            Self::CarryOverInBlank { .. } => "carry-over-in-blank",
            Self::AnalyteInDoubleBlank { .. } => "analyte-in-double-blank",
            Self::StandardInDoubleBlank => "standard-in-double-blank",
            Self::AnalyteInZero { .. } => "analyte-in-zero",
            Self::RetentionJump => "retention-jump",
            Self::InternalStandardStep => "internal-standard-step",
            Self::InternalStandardDrift => "internal-standard-drift",
            Self::InternalStandardSamplesUnlike => "internal-standard-samples-unlike",
            Self::CrossTalk { .. } => "cross-talk",
            Self::LowSensitivity => "low-sensitivity",
            Self::SystemSuitabilityScatter { .. } => "system-suitability-scatter",
            Self::DuplicatesDisagree => "duplicates-disagree",
            Self::IncurredRepeatDisagrees => "incurred-repeat-disagrees",
            Self::DilutionControlsFail { .. } => "dilution-controls-fail",
            Self::TruncatedFile => "truncated-file",
            Self::SameTraceTwice => "same-trace-twice",
            Self::TraceMissing { .. } => "trace-missing",
            Self::RequestMissing => "request-missing",
            Self::HaematocritOutside => "haematocrit-outside",
            Self::CardTooOld => "card-too-old",
            Self::TimesContradict => "times-contradict",
        }
    }

    /// The reasons of which at least the first must be given; the others usually come with it.
    #[must_use]
    pub fn expected_reasons(self) -> &'static [ReasonCode] {
        use ReasonCode as R;
        match self {
            Self::CalibrationStockWrong { .. } => &[
                R::TooFewControlsPass,
                R::ControlOutsideLimit,
                R::ControlLevelFails,
                R::RunRejected,
            ],
            Self::ControlsAtTwoThirds { .. } => &[R::ControlOutsideLimit],
            Self::ControlLevelOff { .. } => &[R::ControlLevelFails, R::ControlOutsideLimit, R::RunRejected],
            Self::ControlsDrift { .. } => &[R::ControlsDrift],
            Self::LowestCalibratorFails { .. } => &[
                R::LowerLimitRaised,
                R::CalibratorOutsideLimit,
                R::CalibratorLevelFails,
            ],
            Self::HighestCalibratorFails { .. } => &[
                R::UpperLimitLowered,
                R::CalibratorOutsideLimit,
                R::CalibratorLevelFails,
            ],
            Self::OneCalibratorOff { .. } => &[R::CalibratorOutsideLimit],
            Self::QualifierInterference { .. } => &[R::IonRatioOutsideTolerance],
            Self::OverlappingNeighbour { .. } => &[R::PeakOverlaps],
            Self::LateEluter { .. } => &[R::PeakUnusuallyWide],
            Self::MissedSpray => &[R::InternalStandardAbsent],
            Self::AirInjection => &[R::InternalStandardAbsent, R::PeakMissing],
            Self::HalfSpray | Self::DoubleSpray => &[R::InternalStandardOutsideLimits],
            Self::SplitPeak => &[R::PeakSplit],
            Self::DetectorSaturation { .. } => &[R::DetectorSaturated, R::AboveUpperLimit],
            Self::CarryOverIntoWeakSample { .. } => &[R::CarryOverFromPredecessor],
            Self::CarryOverInBlank { .. } => &[R::CarryOverInBlank],
            Self::AnalyteInDoubleBlank { .. } => &[R::InterferenceInBlank],
            Self::StandardInDoubleBlank => &[R::InternalStandardInDoubleBlank],
            Self::AnalyteInZero { .. } => &[R::AnalyteInZero],
            Self::RetentionJump => &[R::RetentionJump],
            Self::InternalStandardStep => &[R::InternalStandardStep],
            Self::InternalStandardDrift => &[R::InternalStandardDrift],
            Self::InternalStandardSamplesUnlike => &[R::InternalStandardSamplesUnlike],
            Self::CrossTalk { .. } => &[R::InternalStandardRisesWithConcentration],
            Self::LowSensitivity => &[R::SensitivityTooLow],
            Self::SystemSuitabilityScatter { .. } => &[R::SystemSuitabilityScatter],
            Self::DuplicatesDisagree => &[R::DuplicatesDisagree],
            Self::IncurredRepeatDisagrees => &[R::IncurredRepeatDisagrees],
            Self::DilutionControlsFail { .. } => &[R::DilutionControlFails],
            Self::TruncatedFile => &[R::TraceFileUnreadable],
            Self::SameTraceTwice => &[R::SameTraceTwice],
            Self::TraceMissing { .. } => &[R::TraceMissing],
            Self::RequestMissing => &[R::RequestMissing],
            Self::HaematocritOutside => &[R::HaematocritOutsideRange],
            Self::CardTooOld => &[R::CardTooOld],
            Self::TimesContradict => &[R::TimesContradict],
        }
    }

    /// The analyte the fault is about; `None`: all, or none in particular.
    #[must_use]
    pub fn analyte(self) -> Option<usize> {
        match self {
            Self::ControlsAtTwoThirds { analyte }
            | Self::ControlLevelOff { analyte }
            | Self::ControlsDrift { analyte }
            | Self::LowestCalibratorFails { analyte }
            | Self::HighestCalibratorFails { analyte }
            | Self::OneCalibratorOff { analyte }
            | Self::QualifierInterference { analyte }
            | Self::OverlappingNeighbour { analyte }
            | Self::LateEluter { analyte }
            | Self::DetectorSaturation { analyte }
            | Self::CarryOverIntoWeakSample { analyte }
            | Self::CarryOverInBlank { analyte }
            | Self::AnalyteInDoubleBlank { analyte }
            | Self::AnalyteInZero { analyte }
            | Self::CrossTalk { analyte }
            | Self::SystemSuitabilityScatter { analyte }
            | Self::DilutionControlsFail { analyte }
            | Self::TraceMissing { analyte } => Some(analyte),
            _ => None,
        }
    }

    /// What the fault should do to the run's acceptance of an analyte.
    #[must_use]
    pub fn acceptance_of(self, analyte: usize) -> Acceptance {
        let here = self.analyte().is_none_or(|of| of == analyte);
        match self {
            Self::CalibrationStockWrong { .. } => Acceptance::Rejected,
            Self::ControlLevelOff { .. } if here => Acceptance::Rejected,
            Self::ControlsDrift { .. }
            | Self::CarryOverInBlank { .. }
            | Self::AnalyteInDoubleBlank { .. }
            | Self::StandardInDoubleBlank
            | Self::AnalyteInZero { .. }
            | Self::CrossTalk { .. }
            | Self::LowSensitivity
            | Self::SystemSuitabilityScatter { .. }
                if here =>
            {
                Acceptance::Either
            }
            _ => Acceptance::Accepted,
        }
    }

    /// Lowest and highest calibrator level (places in the method, from 0) that should remain of the analyte.
    #[must_use]
    pub(crate) fn levels_left(self, analyte: usize) -> (usize, usize) {
        match self {
            Self::LowestCalibratorFails { analyte: of } if of == analyte => (1, 7),
            Self::HighestCalibratorFails { analyte: of } if of == analyte => (0, 6),
            _ => (0, 7),
        }
    }

    /// Whether the concentrations this fault leaves behind are no longer what a sound method should find for
    /// this analyte in every sample of the run.
    #[must_use]
    pub(crate) fn biases_run(self, analyte: usize) -> bool {
        match self {
            Self::CalibrationStockWrong { .. } => true,
            Self::ControlsDrift { analyte: of } | Self::CrossTalk { analyte: of } => of == analyte,
            _ => false,
        }
    }

    pub(crate) fn needs_known_analyte(self, panel: &Panel) -> Option<usize> {
        self.analyte()
            .filter(|analyte| *analyte >= panel.method.analytes.len())
    }
}
