//! What a run came to: the records that `results.json` holds and reports show. Versioned; nothing is edited,
//! a correction is a new record.

use crate::concentration::{ConcentrationCase, ConcentrationUnit};
use crate::conversion::ConversionRecord;
use crate::identifier::{AnalyteName, CardId, InternalStandardName, LevelName, RunId, SubjectId};
use crate::injection::{Injection, SampleRole};
use crate::method::{CurveModel, LimitOverride, TransitionPart, Weighting};
use crate::peak::PeakOutcome;
use crate::reason::Reason;
use serde::{Deserialize, Serialize};

/// Version of the record layout; rises when a field changes meaning.
pub const RECORD_VERSION: u32 = 1;

/// What becomes of a run, an analyte of a run, a calibrator or a control.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Acceptance {
    /// Stands.
    Accepted,
    /// Stands, with something a person must read.
    AcceptedWithComment,
    /// Does not stand.
    Rejected,
}

/// What becomes of one result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ResultVerdict {
    /// May go to review.
    Reportable,
    /// May go to review with its reasons on the report.
    ReportableWithComment,
    /// Must not be reported.
    NotReportable,
    /// Blanks, conditioning: nothing to report.
    NotApplicable,
}

/// What to do next about a result. Proposed; a person decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NextStep {
    /// Nothing: report after review.
    Report,
    /// Look at the evidence, then decide.
    Review,
    /// Measure the same extract or spot again.
    Repeat,
    /// Measure a diluted extract, by a validated factor.
    Dilute,
    /// Measure another spot of the card.
    SecondSpot,
    /// Ask for a new card: this one cannot give a result.
    Refuse,
    /// Nothing to do.
    None,
}

/// One transition of one injection.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TransitionRecord {
    /// Name for people.
    pub name: String,
    /// Its part in the method.
    #[serde(flatten)]
    pub part: TransitionPart,
    /// Precursor m/z.
    pub precursor_mz: f64,
    /// Product m/z.
    pub product_mz: f64,
    /// What was found.
    #[serde(flatten, with = "crate::peak::flat_outcome")]
    pub peak: PeakOutcome,
    /// Qualifier area over quantifier area, for a qualifier when both were found.
    pub ion_ratio: Option<f64>,
    /// Expected retention in this injection after alignment (min).
    pub expected_retention_min: f64,
}

/// One injection, measured and judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InjectionRecord {
    /// `run/order`.
    pub id: String,
    /// The line of the injection list.
    #[serde(flatten)]
    pub injection: Injection,
    /// SHA-256 of the trace file's bytes (hexadecimal); `None`: file unreadable.
    pub trace_sha256: Option<String>,
    /// Reasons that concern the injection as a whole (file, alignment).
    pub reasons: Vec<Reason>,
    /// Every transition of the method, in the method's order.
    pub transitions: Vec<TransitionRecord>,
    /// Every analyte's result, in the method's order.
    pub results: Vec<ResultRecord>,
}

/// One named term of an uncertainty budget.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BudgetTerm {
    /// What it comes from: `analyte-area`, `internal-standard-area`, `calibration`, `preparation`, ….
    pub source: String,
    /// Its standard uncertainty in the result's unit.
    pub standard_uncertainty: f64,
    /// Its degrees of freedom; `None`: known well.
    pub degrees_of_freedom: Option<f64>,
}

/// A qualifier/quantifier ratio and how it was judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct IonRatioRecord {
    /// Index of the qualifier within the analyte.
    pub qualifier: usize,
    /// Qualifier area over quantifier area.
    pub ratio: f64,
    /// Its standard uncertainty.
    pub standard_uncertainty: f64,
    /// Mean of the accepted calibrators.
    pub expected: f64,
    /// Relative difference (%).
    pub difference_pct: f64,
    /// Tolerance applied (%), widened by the ratio's own noise.
    pub tolerance_pct: f64,
}

/// One analyte of one injection.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ResultRecord {
    /// `run/order/analyte`.
    pub id: String,
    /// The analyte.
    pub analyte: AnalyteName,
    /// Sample role, repeated here so that a result stands alone.
    pub role: SampleRole,
    /// Calibrator or control level.
    pub level: Option<LevelName>,
    /// The card.
    pub card: Option<CardId>,
    /// The spot.
    pub spot: Option<u32>,
    /// Whose card, from the request.
    pub subject: Option<SubjectId>,
    /// Unit of every concentration here.
    pub unit: ConcentrationUnit,
    /// Analyte area over internal-standard area.
    pub area_ratio: Option<f64>,
    /// Standard uncertainty of the ratio from the two areas.
    pub area_ratio_standard_uncertainty: Option<f64>,
    /// The concentration, as a named case.
    pub concentration: ConcentrationCase,
    /// Nominal concentration of a calibrator or control.
    pub nominal: Option<f64>,
    /// Found against nominal (%), for calibrators and controls.
    pub relative_error_pct: Option<f64>,
    /// Where the uncertainty comes from.
    pub budget: Vec<BudgetTerm>,
    /// Ion ratios.
    pub ion_ratios: Vec<IonRatioRecord>,
    /// What becomes of it.
    pub verdict: ResultVerdict,
    /// Why.
    pub reasons: Vec<Reason>,
    /// What to do next.
    pub next_step: NextStep,
    /// The value on the scale of the target range; `None`: nothing to convert (no patient's sample, or one that must not
    /// be reported).
    pub conversion: Option<ConversionRecord>,
}

/// One calibrator of the fit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CalibrationPoint {
    /// Order of the injection in the run.
    pub order: u32,
    /// Level.
    pub level: LevelName,
    /// Nominal concentration.
    pub nominal: f64,
    /// Area ratio; `None`: not measurable.
    pub area_ratio: Option<f64>,
    /// Back-calculated concentration; `None`: not computable.
    pub back_calculated: Option<f64>,
    /// Back-calculated against nominal (%).
    pub relative_error_pct: Option<f64>,
    /// Whether the point is in the final fit.
    pub used: bool,
}

/// The fitted curve: area ratio = c0 + c1·x (+ c2·x²), x in the analyte's unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CalibrationRecord {
    /// Shape.
    pub model: CurveModel,
    /// Weighting.
    pub weighting: Weighting,
    /// Coefficients, constant first.
    pub coefficients: Vec<f64>,
    /// Covariance of the coefficients, row by row.
    pub covariance: Vec<Vec<f64>>,
    /// Standard errors of the coefficients.
    pub standard_errors: Vec<f64>,
    /// Weighted residual standard deviation.
    pub residual_standard_deviation: f64,
    /// Degrees of freedom of the fit.
    pub degrees_of_freedom: f64,
    /// Coefficient of determination of the weighted fit (not an acceptance criterion; CAL-03).
    pub r_squared: f64,
    /// Lowest concentration of the run's range.
    pub lloq: f64,
    /// Highest concentration of the run's range.
    pub uloq: f64,
    /// How often the curve was fitted before it settled.
    pub fits: usize,
}

/// One control.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ControlRecord {
    /// Order of the injection.
    pub order: u32,
    /// Level.
    pub level: LevelName,
    /// Nominal concentration.
    pub nominal: f64,
    /// Found concentration; `None`: not computable.
    pub found: Option<f64>,
    /// Found against nominal (%).
    pub relative_error_pct: Option<f64>,
    /// Whether it is within its limit.
    pub passes: bool,
    /// Dilution factor, for a dilution control.
    pub dilution_factor: f64,
}

/// One internal standard along the run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InternalStandardRecord {
    /// Name.
    pub name: InternalStandardName,
    /// Mean area of accepted calibrators and controls (counts·s); `None`: none measurable.
    pub mean_area_counts_s: Option<f64>,
    /// CV of those areas (%).
    pub cv_pct: Option<f64>,
    /// Change along the fitted trend from the first to the last injection (%).
    pub drift_pct: Option<f64>,
    /// Largest step (%), and the order of the first injection after it.
    pub step: Option<StepRecord>,
    /// What was seen in words.
    pub reasons: Vec<Reason>,
}

/// A step in a series.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StepRecord {
    /// Size (%).
    pub step_pct: f64,
    /// Order of the first injection after the step.
    pub first_order: u32,
    /// Probability of a step at least as clear by chance.
    pub p_value: f64,
}

/// Blank and carry-over evidence of one blank injection.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BlankRecord {
    /// Order of the injection.
    pub order: u32,
    /// Role.
    pub role: SampleRole,
    /// Analyte response (counts·s); `None`: not measurable.
    pub analyte_area_counts_s: Option<f64>,
    /// Against the mean response of the lowest accepted calibrators (%).
    pub share_of_lloq_pct: Option<f64>,
    /// Internal-standard response against the mean of calibrators and controls (%).
    pub share_of_internal_standard_pct: Option<f64>,
    /// Whether it is within its limits.
    pub passes: bool,
}

/// One analyte of a run, judged (M10-24: each analyte stands alone).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AnalyteRunRecord {
    /// The analyte.
    pub analyte: AnalyteName,
    /// Unit of every concentration here.
    pub unit: ConcentrationUnit,
    /// Internal standard it is read against.
    pub internal_standard: InternalStandardName,
    /// What becomes of it.
    pub acceptance: Acceptance,
    /// Why.
    pub reasons: Vec<Reason>,
    /// The curve; `None`: not computable.
    pub calibration: Option<CalibrationRecord>,
    /// Its points, in the order of the run.
    pub calibration_points: Vec<CalibrationPoint>,
    /// Controls, in the order of the run.
    pub controls: Vec<ControlRecord>,
    /// Dilution controls, in the order of the run.
    pub dilution_controls: Vec<ControlRecord>,
    /// Blanks, in the order of the run.
    pub blanks: Vec<BlankRecord>,
    /// Estimated share of a predecessor's response left in the next injection; `None`: not measurable.
    pub carry_over_fraction: Option<f64>,
    /// Between-preparation standard deviation of the ratio (relative, %), with its degrees of freedom.
    pub preparation_cv_pct: Option<f64>,
    /// Degrees of freedom of [`Self::preparation_cv_pct`].
    pub preparation_degrees_of_freedom: Option<f64>,
    /// Mean qualifier/quantifier ratio of accepted calibrators, one a qualifier; `None`: not measurable.
    pub expected_ion_ratios: Vec<Option<f64>>,
    /// Mean retention of accepted calibrators (min).
    pub retention_time_min: Option<f64>,
}

/// How many results got which verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct VerdictCounts {
    /// Reportable.
    pub reportable: u64,
    /// Reportable with comment.
    pub reportable_with_comment: u64,
    /// Not reportable.
    pub not_reportable: u64,
}

/// A run, judged: everything but its injections.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunRecord {
    /// The run.
    pub run: RunId,
    /// Method id and version it was judged by.
    pub method: String,
    /// Version of the method.
    pub method_version: String,
    /// SHA-256 of the method file's bytes.
    pub method_sha256: String,
    /// What becomes of it: rejected when every analyte is rejected.
    pub acceptance: Acceptance,
    /// Reasons that concern the run as a whole.
    pub reasons: Vec<Reason>,
    /// Injections in the list (in = out).
    pub injections: u64,
    /// How many of each role.
    pub roles: Vec<(SampleRole, u64)>,
    /// Limits that differ from the defaults.
    pub limit_overrides: Vec<LimitOverride>,
    /// Analytes, in the method's order.
    pub analytes: Vec<AnalyteRunRecord>,
    /// Internal standards, in the method's order.
    pub internal_standards: Vec<InternalStandardRecord>,
    /// Verdicts of patients' results.
    pub verdicts: VerdictCounts,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::peak::NoPeakReason;

    #[test]
    fn a_transition_is_flat_in_json_and_comes_back() {
        let record = TransitionRecord {
            name: "tacrolimus".to_owned(),
            part: TransitionPart::Quantifier { analyte: 0 },
            precursor_mz: 821.5,
            product_mz: 768.4,
            peak: PeakOutcome::absent(NoPeakReason::TraceAbsent),
            ion_ratio: None,
            expected_retention_min: 1.85,
        };
        let json = serde_json::to_value(&record).unwrap();
        assert_eq!(json["outcome"], "not-found");
        assert_eq!(json["reason"], "trace-absent");
        assert_eq!(json["part"], "quantifier");
        assert_eq!(serde_json::from_value::<TransitionRecord>(json).unwrap(), record);
    }
}
