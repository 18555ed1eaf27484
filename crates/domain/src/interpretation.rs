//! What a level means for one person's dose: the record behind the prescriber's page.
//!
//! A record is an offer of options with probabilities, or a refusal with what would lift it; never an instruction.
//! Times are hours after [`InterpretationRecord::origin`] unless a field says otherwise.

use crate::concentration::ConcentrationUnit;
use crate::matrix::MatrixKind;
use serde::{Deserialize, Serialize};

/// Version of the record layout; rises when a field changes meaning.
pub const INTERPRETATION_VERSION: u32 = 1;

/// What came of an interpretation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum InterpretationStatus {
    /// Dose options are offered to a licensed person.
    Options,
    /// An exposure estimate without options: no target range, or the person is told to look elsewhere.
    ExposureOnly,
    /// The model may be shown for research and must not guide a dose.
    ResearchDisplay,
    /// Nothing is offered; the refusals say why.
    Refused,
}

/// One person's level or levels of one drug, read against the dose history.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InterpretationRecord {
    /// [`INTERPRETATION_VERSION`].
    pub version: u32,
    /// Simulated data: every page says so.
    pub simulated: bool,
    /// Whose.
    pub subject: String,
    /// Which drug.
    pub drug: String,
    /// ISO 8601 with offset: where hour zero lies.
    pub origin: String,
    /// What came of it.
    pub status: InterpretationStatus,
    /// Why nothing, or not everything, is offered.
    pub refusals: Vec<RefusalNote>,
    /// What the reader must know; the drug's and the model's.
    pub cautions: Vec<String>,
    /// Matrix of every concentration in the record.
    pub matrix: MatrixKind,
    /// Unit of every concentration in the record.
    pub unit: ConcentrationUnit,
    /// The models that were weighed, heaviest first; empty when none could be.
    pub models: Vec<ModelUsed>,
    /// Covariates as used.
    pub covariates: Vec<CovariateUsed>,
    /// Doses as used, in order of time.
    pub doses: Vec<DoseUsed>,
    /// Levels as used, in order of time.
    pub levels: Vec<LevelUsed>,
    /// What the levels are read against; `None`: no range stored.
    pub target: Option<TargetShown>,
    /// The person's estimate; `None` when refused before it.
    pub estimate: Option<EstimateShown>,
    /// Concentration over time, estimated, through the history and the current regimen's next doses.
    pub curve: Option<Band>,
    /// What the regimen now running comes to, and what others would; in the order offered.
    pub options: Vec<OptionShown>,
    /// How the options were put in order, in a sentence.
    pub criterion: String,
    /// SHA-256 over the canonical JSON of the inputs.
    pub inputs_sha256: String,
    /// Seed of the random draws.
    pub seed: u64,
}

/// A refusal and its way out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RefusalNote {
    /// From the closed list of the kinetics room.
    pub code: String,
    /// The reason in a sentence.
    pub reason: String,
    /// What would lift it.
    pub lifted_by: String,
}

/// A model and its weight among the candidates.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ModelUsed {
    /// Model id.
    pub id: String,
    /// Title for people.
    pub title: String,
    /// Published source.
    pub citation: String,
    /// `high`, `medium`, `low`.
    pub confidence: String,
    /// Who signed the file: `name, role, date`.
    pub signed_by: Vec<String>,
    /// SHA-256 of the model's facts.
    pub sha256: String,
    /// Weight by predictive likelihood, 0 to 1; the weights sum to 1.
    pub weight: f64,
}

/// A covariate as used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CovariateUsed {
    /// Name.
    pub name: String,
    /// Value.
    pub value: f64,
    /// Unit.
    pub unit: String,
    /// From when it held (h); `None`: throughout.
    pub from_h: Option<f64>,
    /// Where it came from (`request`, `covariates.csv`, `default of the model`, …).
    pub origin: String,
    /// What the reader must know of it; empty: nothing.
    pub note: String,
}

/// A dose as used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DoseUsed {
    /// When (h).
    pub time_h: f64,
    /// Amount, in the unit beside it.
    pub amount: f64,
    /// Unit of the amount.
    pub unit: String,
    /// Route.
    pub route: String,
    /// Minutes an infusion runs.
    pub infusion_min: Option<f64>,
    /// Standard uncertainty of the time (h); 0: taken as stated.
    pub time_uncertainty_h: f64,
}

/// A level as used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LevelUsed {
    /// When it was taken (h).
    pub time_h: f64,
    /// ISO 8601 with offset.
    pub taken_at: String,
    /// Hours since the last dose before it; `None`: no dose before it.
    pub hours_since_dose: Option<f64>,
    /// The value; for a censored level the limit it lies below.
    pub value: f64,
    /// Below the limit of quantification.
    pub below_limit: bool,
    /// 95 % interval of the measurement, conversion included.
    pub interval_95: [f64; 2],
    /// What it was measured in before conversion, and how it came here, in a sentence.
    pub origin: String,
    /// What the fitted person's curve gives there (median).
    pub predicted: Option<f64>,
    /// Where the level lies among what the model expected beforehand (percentile, 0–100).
    pub prior_percentile: Option<f64>,
    /// What is surprising about it; empty: nothing.
    pub flags: Vec<String>,
}

/// What a level is read against (SAFE-06).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TargetShown {
    /// `trough`, `peak`, `AUC24`, …, in words.
    pub quantity: String,
    /// Lower end; `None`: open.
    pub low: Option<f64>,
    /// Upper end; `None`: open.
    pub high: Option<f64>,
    /// Above it harm is likelier; `None`: not stated.
    pub toxic_above: Option<f64>,
    /// Unit of the three.
    pub unit: String,
    /// Matrix it holds for.
    pub matrix: MatrixKind,
    /// When to sample for it.
    pub sampling: String,
    /// For whom it holds.
    pub indication: String,
    /// Where it comes from.
    pub source: String,
    /// Whether its numbers were read in the source by the laboratory.
    pub verified: bool,
}

impl TargetShown {
    /// Whether the quantity is a concentration, so that the band can stand behind the curve.
    #[must_use]
    pub fn is_concentration(&self) -> bool {
        !self.quantity.to_ascii_uppercase().starts_with("AUC") && !self.quantity.contains("time above")
    }
}

/// A number of the posterior: median and central 90 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Spread {
    /// Median.
    pub median: f64,
    /// 5th percentile.
    pub low_90: f64,
    /// 95th percentile.
    pub high_90: f64,
}

/// A parameter of the person.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ParameterShown {
    /// Name in words (`clearance`, `central volume`).
    pub name: String,
    /// Unit.
    pub unit: String,
    /// What the model gives for people of these covariates.
    pub typical: f64,
    /// This person.
    pub person: Spread,
    /// How much the estimate leans on the model instead of the levels (0 to 1); `None`: it does not vary.
    pub shrinkage: Option<f64>,
}

/// The person's estimate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EstimateShown {
    /// How the posterior was drawn, in a sentence.
    pub method: String,
    /// Effective number of draws.
    pub effective_draws: f64,
    /// Parameters.
    pub parameters: Vec<ParameterShown>,
    /// Half-life (h); for saturable elimination at the last level.
    pub half_life_h: Option<Spread>,
    /// Remarks of the fit, in sentences (disagreement of models, leaning on the model, surprises).
    pub remarks: Vec<String>,
}

/// A band over time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Band {
    /// Times (h), rising.
    pub time_h: Vec<f64>,
    /// Median at each time.
    pub median: Vec<f64>,
    /// 5th percentile.
    pub low_90: Vec<f64>,
    /// 95th percentile.
    pub high_90: Vec<f64>,
    /// What the model gives for a typical person of these covariates; empty: not drawn.
    pub typical: Vec<f64>,
    /// Where the known history ends and the forecast begins (h).
    pub forecast_from_h: f64,
}

/// What kind of option.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OptionKind {
    /// Go on as now.
    KeepDose,
    /// Another regimen.
    ChangeDose,
    /// Measure again before deciding.
    RepeatLevel,
}

/// One option.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OptionShown {
    /// What kind.
    pub kind: OptionKind,
    /// The regimen in words (`4 mg every 12 h by mouth`, `repeat the level first`).
    pub label: String,
    /// Amount of each dose and its unit; `None` for a repeat.
    pub dose: Option<(f64, String)>,
    /// Hours between doses.
    pub interval_h: Option<f64>,
    /// Change of the daily dose against now (%).
    pub daily_change_pct: Option<f64>,
    /// Trough, at steady state unless a note says otherwise.
    pub trough: Option<Spread>,
    /// Peak.
    pub peak: Option<Spread>,
    /// Area under the curve over 24 h (concentration unit × h).
    pub auc_24_h: Option<Spread>,
    /// Probabilities of lying below, in and above the target; `None`: no target.
    pub below_in_above: Option<[f64; 3]>,
    /// Probability of lying above the toxic limit.
    pub toxic: Option<f64>,
    /// Hours to steady state: median and 90th percentile of the person.
    pub steady_state_h: Option<[f64; 2]>,
    /// A first, larger dose that reaches the same level sooner, when it makes sense.
    pub loading_dose: Option<(f64, String)>,
    /// What speaks for care with this option.
    pub notes: Vec<String>,
}
