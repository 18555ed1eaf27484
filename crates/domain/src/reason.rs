//! Why a verdict is what it is: a closed list of reasons, each with the measured value, the limit and the rule.

use serde::{Deserialize, Serialize};

/// How much a reason weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// Worth knowing; changes nothing.
    Note,
    /// A person must look; the result may stand with a comment.
    Comment,
    /// The result, level, analyte or run cannot stand.
    Reject,
}

/// One reason. Built by the room that judges; read by reports.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reason {
    /// Which reason, from the closed list.
    pub code: ReasonCode,
    /// The numbered rule it comes from, e.g. `M10-23`.
    pub rule: String,
    /// How much it weighs.
    pub severity: Severity,
    /// What was measured, when it is a number.
    pub measured: Option<f64>,
    /// What was allowed, when it is a number.
    pub limit: Option<f64>,
    /// Unit of both (`%`, `min`, `1`, `ug/L`, `counts.s`).
    pub unit: String,
    /// The reason in a sentence a bench chemist can act on.
    pub text: String,
}

macro_rules! reason_codes {
    ($($(#[$doc:meta])* $variant:ident = $text:literal,)*) => {
        /// The closed list of reasons.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum ReasonCode {
            $($(#[$doc])* #[serde(rename = $text)] $variant,)*
        }

        impl ReasonCode {
            /// Every reason, in the order of the list.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// The stable word used in files.
            #[must_use]
            pub fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $text,)* }
            }
        }
    };
}

reason_codes! {
    // Calibration
    /// Fewer calibrator levels than the method needs pass (M10-05).
    TooFewCalibratorLevels = "too-few-calibrator-levels",
    /// Fewer calibrators than 75 % pass (M10-05).
    TooFewCalibratorsPass = "too-few-calibrators-pass",
    /// At a level fewer than half of the replicates pass (M10-05).
    CalibratorLevelFails = "calibrator-level-fails",
    /// A calibrator's back-calculated value is outside its limit; it was left out and the curve fitted again (M10-05).
    CalibratorOutsideLimit = "calibrator-outside-limit",
    /// A calibrator has no usable area ratio.
    CalibratorNotMeasured = "calibrator-not-measured",
    /// The lowest level failed: the run's lower limit rises (M10-22).
    LowerLimitRaised = "lower-limit-raised",
    /// The highest level failed: the run's upper limit falls (M10-22).
    UpperLimitLowered = "upper-limit-lowered",
    /// The shrunken range no longer holds the control levels (M10-22).
    ControlsOutsideRange = "controls-outside-range",
    /// The curve cannot be fitted.
    CurveNotComputable = "curve-not-computable",
    /// The curve turns over inside the range (CAL-03).
    CurveTurnsOver = "curve-turns-over",
    /// The fitted slope is not positive.
    SlopeNotPositive = "slope-not-positive",
    /// The run alone says too little about the scatter of preparation; the method's CV was pooled with it.
    PreparationScatterPooled = "preparation-scatter-pooled",
    /// Calibrators or controls read right when each is taken for its neighbour: the rack stood one place off.
    RackShifted = "rack-shifted",
    // Controls
    /// A control is outside its limit (M10-23).
    ControlOutsideLimit = "control-outside-limit",
    /// Fewer than two thirds of all controls pass (M10-23).
    TooFewControlsPass = "too-few-controls-pass",
    /// At a level fewer than half of the controls pass (M10-23).
    ControlLevelFails = "control-level-fails",
    /// Fewer controls or levels than the run's size asks for (M10-20).
    TooFewControls = "too-few-controls",
    /// Controls do not bracket the samples (M10-21).
    ControlsNotBracketing = "controls-not-bracketing",
    /// A sub-batch has no controls of its own (M10-21).
    SubBatchWithoutControls = "sub-batch-without-controls",
    /// Fewer than two control levels lie within the measured samples' range (M10-27).
    ControlsDoNotCoverSamples = "controls-do-not-cover-samples",
    /// Controls drift across the run.
    ControlsDrift = "controls-drift",
    /// A dilution control at this factor failed (M10-26).
    DilutionControlFails = "dilution-control-fails",
    /// No dilution control at this factor stands in the run (M10-26).
    DilutionControlMissing = "dilution-control-missing",
    /// The dilution factor is not validated (M10-13).
    DilutionNotValidated = "dilution-not-validated",
    // Blanks
    /// Analyte response in a blank above the allowed share of the LLOQ response (M10-02).
    InterferenceInBlank = "interference-in-blank",
    /// Internal-standard response in a double blank above the allowed share (M10-02).
    InternalStandardInDoubleBlank = "internal-standard-in-double-blank",
    /// Analyte response in the zero sample above the allowed share of the LLOQ response.
    AnalyteInZero = "analyte-in-zero",
    /// A blank the run needs is missing.
    BlankMissing = "blank-missing",
    /// The blank after the highest calibrator carries over (M10-12).
    CarryOverInBlank = "carry-over-in-blank",
    /// A sample may hold too much of its predecessor (PR-24).
    CarryOverFromPredecessor = "carry-over-from-predecessor",
    // Internal standard
    /// No internal standard was found.
    InternalStandardAbsent = "internal-standard-absent",
    /// Internal-standard area outside the limits (M10-34).
    InternalStandardOutsideLimits = "internal-standard-outside-limits",
    /// Internal-standard area falls or rises across the run.
    InternalStandardDrift = "internal-standard-drift",
    /// Internal-standard area steps at one place of the run.
    InternalStandardStep = "internal-standard-step",
    /// Internal-standard area of samples unlike that of calibrators and controls.
    InternalStandardSamplesUnlike = "internal-standard-samples-unlike",
    /// Internal-standard area rises with concentration (cross-talk).
    InternalStandardRisesWithConcentration = "internal-standard-rises-with-concentration",
    /// Internal-standard area falls with concentration (suppression by the analyte, or a saturated source).
    InternalStandardFallsWithConcentration = "internal-standard-falls-with-concentration",
    // Peak and identity
    /// No peak was found.
    PeakMissing = "peak-missing",
    /// The transition's trace is not in the file.
    TraceMissing = "trace-missing",
    /// The trace file could not be read.
    TraceFileUnreadable = "trace-file-unreadable",
    /// Retention outside the tolerance (C62-2).
    RetentionOutsideTolerance = "retention-outside-tolerance",
    /// Retention jumps within the run.
    RetentionJump = "retention-jump",
    /// Qualifier/quantifier ratio outside the tolerance (C62-2).
    IonRatioOutsideTolerance = "ion-ratio-outside-tolerance",
    /// Ratio cannot be judged: too little signal (EV-55).
    IonRatioNotAssessable = "ion-ratio-not-assessable",
    /// The detector was saturated (PR-34).
    DetectorSaturated = "detector-saturated",
    /// The peak is split or has a shoulder (PR-7 case 13, EV-59).
    PeakSplit = "peak-split",
    /// Another peak overlaps; areas were separated by a fit.
    PeakOverlaps = "peak-overlaps",
    /// Several peaks stand in the window (EV-51).
    SeveralPeaksInWindow = "several-peaks-in-window",
    /// Too few points across the peak (PR-30).
    TooFewPoints = "too-few-points",
    /// The peak is much wider than its neighbours (EV-33: late eluter of the injection before).
    PeakUnusuallyWide = "peak-unusually-wide",
    /// Limits were set by hand (M10-33).
    ManualIntegration = "manual-integration",
    /// More manual integrations than 5 % of the run's peaks (PR-35).
    ManyManualIntegrations = "many-manual-integrations",
    /// The trace had an oddity worth a look.
    TraceProblem = "trace-problem",
    /// What the run's calibrators show of retention, width or noise is thin, or unlike the method.
    RunReferenceUncertain = "run-reference-uncertain",
    /// Two injections point at the same bytes.
    SameTraceTwice = "same-trace-twice",
    // System suitability
    /// Signal to noise at the lowest level too small (M10-35).
    SensitivityTooLow = "sensitivity-too-low",
    /// System-suitability injections scatter too much (M10-35).
    SystemSuitabilityScatter = "system-suitability-scatter",
    /// No system-suitability injection in the run.
    SystemSuitabilityMissing = "system-suitability-missing",
    // Results
    /// Below the run's lower limit.
    BelowLowerLimit = "below-lower-limit",
    /// Above the run's upper limit.
    AboveUpperLimit = "above-upper-limit",
    /// The analyte's run was rejected (G-4).
    RunRejected = "run-rejected",
    /// The sample stands outside the part of the run that controls cover.
    OutsideBrackets = "outside-brackets",
    /// Two spots of the card disagree (2.77·CV).
    DuplicatesDisagree = "duplicates-disagree",
    /// Two spots of the card agree.
    DuplicatesAgree = "duplicates-agree",
    /// An incurred repeat disagrees with its original (M10-37).
    IncurredRepeatDisagrees = "incurred-repeat-disagrees",
    /// Too many incurred repeats disagree (M10-37).
    IncurredRepeatsFail = "incurred-repeats-fail",
    /// Fewer incurred repeats than planned (M10-36).
    TooFewIncurredRepeats = "too-few-incurred-repeats",
    /// The card is not in the requests.
    RequestMissing = "request-missing",
    /// Haematocrit outside the validated range (DBS-02).
    HaematocritOutsideRange = "haematocrit-outside-range",
    /// Haematocrit unknown.
    HaematocritUnknown = "haematocrit-unknown",
    /// Card older than the validated age (DBS-08).
    CardTooOld = "card-too-old",
    /// Collection time, receipt and injection contradict one another.
    TimesContradict = "times-contradict",
    /// Last dose time missing.
    LastDoseTimeMissing = "last-dose-time-missing",
    /// A limit of the method differs from the default.
    LimitChanged = "limit-changed",
    /// The method is not approved.
    MethodNotApproved = "method-not-approved",
    /// The same extract was injected again without a reason (M10-32).
    RepeatWithoutReason = "repeat-without-reason",
}

/// Heaviest severity among reasons; `None` for an empty list.
#[must_use]
pub fn heaviest(reasons: &[Reason]) -> Option<Severity> {
    reasons.iter().map(|reason| reason.severity).max()
}
