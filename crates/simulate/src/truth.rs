//! What is true of a simulated day; described in `docs/truth.md`.

use crate::fault::Acceptance;
use serde::Serialize;
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::identifier::{AnalyteName, CardId, LevelName, MethodId, RunId};
use spotwright_domain::injection::SampleRole;
use spotwright_domain::reason::ReasonCode;

/// One line of `truth.jsonl`.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum TruthLine {
    /// A run; its injections follow.
    Run(RunTruth),
    /// An injection.
    Injection(InjectionTruth),
}

/// What is true of a run.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunTruth {
    /// The run.
    pub run: RunId,
    /// Its method.
    pub method: MethodId,
    /// The seed of the day.
    pub seed: u64,
    /// Number of injections.
    pub injections: usize,
    /// Number of cards.
    pub cards: usize,
    /// What went wrong, in the order of the plan.
    pub faults: Vec<FaultTruth>,
    /// What should become of each analyte, in the method's order.
    pub analytes: Vec<AcceptanceTruth>,
}

/// A planted fault.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FaultTruth {
    /// The fault's word.
    pub fault: &'static str,
    /// The analyte it is about; `None`: all, or none in particular.
    pub analyte: Option<AnalyteName>,
    /// Orders of the injections it meets (for a jump or step: the first injection after it); empty: the whole run.
    pub orders: Vec<u32>,
    /// Reasons: the first must be given, the others usually come with it.
    pub expected_reasons: Vec<ReasonCode>,
}

/// What should become of an analyte in a run.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AcceptanceTruth {
    /// The analyte.
    pub analyte: AnalyteName,
    /// Whether its run should stand.
    pub expected: Acceptance,
    /// Nominal concentration of the lowest level that should remain.
    pub lloq: f64,
    /// Nominal concentration of the highest level that should remain.
    pub uloq: f64,
    /// Unit of both.
    pub unit: ConcentrationUnit,
    /// Share of an injected amount found in the next injection.
    pub carry_over_fraction: f64,
}

/// What is true of an injection.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InjectionTruth {
    /// The run.
    pub run: RunId,
    /// Place in the run.
    pub order: u32,
    /// The trace file.
    pub trace_file: String,
    /// The role.
    pub role: SampleRole,
    /// The level.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub level: Option<LevelName>,
    /// The card.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub card: Option<CardId>,
    /// The spot.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub spot: Option<u32>,
    /// Dilution factor.
    pub dilution_factor: f64,
    /// Words of the faults that meet this injection.
    pub faults: Vec<&'static str>,
    /// Analytes, in the method's order.
    pub analytes: Vec<AnalyteTruth>,
    /// Transitions, in the method's order.
    pub transitions: Vec<TransitionTruth>,
}

/// Where a true concentration lies in the range that should remain.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum TrueCase {
    /// Below the lowest level.
    BelowLloq,
    /// Within range.
    Within,
    /// Above the highest level.
    AboveUloq,
}

/// What is true of an analyte in an injection.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AnalyteTruth {
    /// The analyte.
    pub analyte: AnalyteName,
    /// Whether a person's card asks for it; always true for other roles.
    pub asked: bool,
    /// True concentration in the sample, before dilution.
    pub concentration: f64,
    /// Its unit.
    pub unit: ConcentrationUnit,
    /// Where the (diluted) concentration lies.
    pub case: TrueCase,
    /// Share of the quantifier's area that injections before left (%).
    pub carry_over_pct: f64,
    /// Whether nothing planted bends the number: a sound method finds the true concentration within its
    /// uncertainty.
    pub sound: bool,
}

/// What is true of a transition in an injection.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TransitionTruth {
    /// Name, as in the method's table of transitions.
    pub transition: String,
    /// Expected area (counts·s) of the compound's peak, carry-over included, foreign peaks not.
    pub area_counts_s: f64,
    /// Carry-over within it (counts·s).
    pub carry_over_counts_s: f64,
    /// Area (counts·s) of foreign peaks in the trace.
    pub foreign_counts_s: f64,
    /// Apex (min) of the compound's tallest peak.
    pub retention_min: f64,
    /// Expected height (counts) above baseline, before the detector's ceiling.
    pub height_counts: f64,
    /// Standard deviation (counts) of the baseline's points.
    pub baseline_noise_counts: f64,
    /// Height over baseline noise.
    pub signal_to_noise: f64,
    /// Full width at half height (s).
    pub width_half_height_s: f64,
    /// Whether the detector's ceiling cuts the peak.
    pub saturated: bool,
    /// Whether the trace is in the file.
    pub recorded: bool,
}
