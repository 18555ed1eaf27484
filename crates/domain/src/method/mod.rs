//! A method: what is measured, how it is calibrated and what is allowed. Read from `method.toml`.

mod integration;
mod limits;

pub use integration::IntegrationSettings;
pub use limits::{
    CalibrationLimits, CarryOverLimits, ControlLimits, DuplicateLimits, IdentityLimits, IncurredRepeatLimits,
    InterferenceLimits, InternalStandardLimits, LimitOverride, Limits, PeakLimits, SystemSuitabilityLimits,
};

use crate::concentration::ConcentrationUnit;
use crate::conversion::Conversion;
use crate::identifier::{AnalyteName, InternalStandardName, LevelName, MethodId};
use crate::matrix::MatrixKind;
use crate::quantity::{MolarMass, QuantityError};
use crate::target::{Interpretation, TargetRange};
use crate::trace::Polarity;
use serde::{Deserialize, Serialize};

/// A versioned method.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Method {
    /// Name of the method, the same in every version.
    pub id: MethodId,
    /// Version of the method.
    pub version: String,
    /// Title for people.
    pub title: String,
    /// The matrix that is measured.
    pub matrix: MatrixKind,
    /// How the internal standard joins the sample (DBS-06).
    pub internal_standard_addition: InternalStandardAddition,
    /// Who approved this version, and when; `None`: not approved.
    pub approval: Option<Approval>,
    /// Where the method was shown to work.
    pub validated: ValidatedRanges,
    /// How blood is taken from the card.
    pub extraction: Extraction,
    /// Internal standards.
    pub internal_standards: Vec<InternalStandard>,
    /// Analytes, in the order of the file.
    pub analytes: Vec<Analyte>,
    /// How chromatograms are integrated.
    pub integration: IntegrationSettings,
    /// What is allowed.
    pub limits: Limits,
    /// Which limits differ from the defaults.
    pub limit_overrides: Vec<LimitOverride>,
}

impl Method {
    /// The internal standard of an analyte.
    ///
    /// # Panics
    /// Never for a method made by the reader, which checks that every analyte's internal standard exists.
    #[must_use]
    pub fn internal_standard_index(&self, analyte: &Analyte) -> usize {
        self.internal_standards
            .iter()
            .position(|standard| standard.name == analyte.internal_standard)
            .expect("the method reader checks that every analyte's internal standard exists")
    }

    /// Every transition with what to expect of it: internal standards first, then each analyte's quantifier and
    /// qualifiers. This order is the order of every table of transitions in the program.
    #[must_use]
    pub fn transitions(&self) -> Vec<TransitionOf> {
        let standards = self
            .internal_standards
            .iter()
            .enumerate()
            .map(|(standard, of)| TransitionOf {
                part: TransitionPart::InternalStandard { standard },
                name: of.name.to_string(),
                transition: of.transition,
                retention_time_min: of.retention_time_min,
            });
        let analytes = self.analytes.iter().enumerate().flat_map(|(analyte, of)| {
            let quantifier = TransitionOf {
                part: TransitionPart::Quantifier { analyte },
                name: of.name.to_string(),
                transition: of.quantifier,
                retention_time_min: of.retention_time_min,
            };
            let qualifiers = of
                .qualifiers
                .iter()
                .enumerate()
                .map(move |(qualifier, q)| TransitionOf {
                    part: TransitionPart::Qualifier { analyte, qualifier },
                    name: format!("{} qualifier {}", of.name, qualifier + 1),
                    transition: q.transition,
                    retention_time_min: of.retention_time_min,
                });
            std::iter::once(quantifier).chain(qualifiers)
        });
        standards.chain(analytes).collect()
    }
}

/// One row of a method's table of transitions.
#[derive(Debug, Clone, PartialEq)]
pub struct TransitionOf {
    /// Which part it plays.
    pub part: TransitionPart,
    /// Name for people.
    pub name: String,
    /// The transition.
    pub transition: Transition,
    /// The method's retention time (min).
    pub retention_time_min: f64,
}

/// The part a transition plays in a method.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "part", rename_all = "kebab-case")]
pub enum TransitionPart {
    /// An internal standard.
    InternalStandard {
        /// Its index in the method.
        standard: usize,
    },
    /// The transition an analyte is quantified by.
    Quantifier {
        /// Index of the analyte.
        analyte: usize,
    },
    /// A transition that confirms the analyte's identity.
    Qualifier {
        /// Index of the analyte.
        analyte: usize,
        /// Index of the qualifier within the analyte.
        qualifier: usize,
    },
}

/// Who approved a version, and when.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Approval {
    /// Role or code of the person.
    pub by: String,
    /// Date, ISO 8601.
    pub on: String,
}

/// How the internal standard joins the sample; says what it can correct (DBS-06, EV-30).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum InternalStandardAddition {
    /// Sprayed on the dry spot before extraction.
    Sprayed,
    /// In the extraction solvent.
    InSolvent,
    /// In the paper before sampling.
    PreImpregnated,
    /// Mixed into liquid sample.
    InSample,
}

/// Where a method was shown to work; outside, refuse or flag. `None`: not stated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
pub struct ValidatedRanges {
    /// Haematocrit (L/L), lowest and highest (DBS-02).
    pub haematocrit: Option<[f64; 2]>,
    /// Oldest card at analysis (days since collection; DBS-08).
    pub card_age_max_d: Option<f64>,
}

/// How blood is taken from the card.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Default)]
pub struct Extraction {
    /// Diameter of the disc or extraction head (mm); `None`: the whole spot, or not stated.
    pub head_diameter_mm: Option<f64>,
}

/// A transition: two mass filters and a polarity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Transition {
    /// First mass filter (m/z).
    pub precursor_mz: f64,
    /// Second mass filter (m/z).
    pub product_mz: f64,
    /// Polarity.
    pub polarity: Polarity,
}

/// An internal standard.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InternalStandard {
    /// Name.
    pub name: InternalStandardName,
    /// Its transition.
    pub transition: Transition,
    /// Expected retention (min).
    pub retention_time_min: f64,
}

/// A qualifier transition.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Qualifier {
    /// Its transition.
    pub transition: Transition,
    /// Allowed difference of the qualifier/quantifier ratio from the calibrators' mean (%, relative; C62-2).
    /// `None`: the method's limit.
    pub ratio_tolerance_pct: Option<f64>,
}

/// An analyte.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Analyte {
    /// Name.
    pub name: AnalyteName,
    /// Unit of every concentration of this analyte.
    pub unit: ConcentrationUnit,
    /// Molar mass (g/mol); `None` refuses molar conversion (UC-01).
    pub molar_mass_g_per_mol: Option<f64>,
    /// Which internal standard it is read against.
    pub internal_standard: InternalStandardName,
    /// Expected retention (min).
    pub retention_time_min: f64,
    /// Allowed distance from the expected retention (min). `None`: the method's limit.
    pub retention_tolerance_min: Option<f64>,
    /// The transition it is quantified by.
    pub quantifier: Transition,
    /// Transitions that confirm it.
    pub qualifiers: Vec<Qualifier>,
    /// Curve model.
    pub model: CurveModel,
    /// Curve weighting.
    pub weighting: Weighting,
    /// Calibrator levels, lowest first.
    pub calibrators: Vec<Level>,
    /// Control levels, lowest first.
    pub controls: Vec<Level>,
    /// Within-run coefficient of variation at mid range (%), from validation; gives the duplicate limit 2.77·CV.
    pub within_run_cv_pct: f64,
    /// Dilution factors that were validated (M10-13).
    pub dilution_factors: Vec<f64>,
    /// How a result is brought to the scale of the target range; `None`: it is not.
    pub conversion: Option<Conversion>,
    /// The range a reported value may be read against; `None`: no range stored (SAFE-06).
    pub target: Option<TargetRange>,
    /// By which kinetic model a result is interpreted; `None`: by none.
    pub interpretation: Option<Interpretation>,
}

impl Analyte {
    /// The molar mass.
    ///
    /// # Errors
    /// When the method states none, as for a mixture (UC-01), or one that is not above zero.
    pub fn molar_mass(&self) -> Result<MolarMass, QuantityError> {
        MolarMass::stated(&self.name, self.molar_mass_g_per_mol)
    }

    /// Lower limit of quantification: the lowest calibrator.
    #[must_use]
    pub fn lloq(&self) -> f64 {
        self.calibrators.first().map_or(0.0, |level| level.concentration)
    }

    /// Upper limit of quantification: the highest calibrator.
    #[must_use]
    pub fn uloq(&self) -> f64 {
        self.calibrators.last().map_or(0.0, |level| level.concentration)
    }
}

/// A calibrator or control level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Level {
    /// Name, as in the injection list.
    pub name: LevelName,
    /// Nominal concentration, in the analyte's unit.
    pub concentration: f64,
}

/// Shape of the calibration curve: area ratio against concentration.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CurveModel {
    /// Straight line with intercept.
    Linear,
    /// Parabola with intercept.
    Quadratic,
}

/// Weight of a calibrator in the fit; x is the nominal concentration (CAL-01).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Weighting {
    /// All alike.
    #[serde(rename = "1")]
    None,
    /// 1/x.
    #[serde(rename = "1/x")]
    InverseX,
    /// 1/x².
    #[serde(rename = "1/x^2")]
    InverseXSquared,
}
