//! How a concentration measured in dried blood becomes one on the scale of the target range. A conversion is an
//! object of its own (EV-70): which drug, from which matrix to which, by which form, on which input, in which unit,
//! within which range, for which card and people, from which study, approved by whom.
//!
//! Only `assay::conversion` computes with it.

mod fault;
mod record;
mod term;

pub use fault::ConversionFault;
pub use record::{
    Beside, Computation, ConversionCode, ConversionOutcome, ConversionRecord, ConversionReference,
    ConversionRemark, ConvertedCase, HaematocritOrigin, HaematocritUsed, TermApplied,
};
pub use term::{
    BeyondStability, HaematocritEffect, RecoveryTerm, SiteTerm, SpotEvidence, SpotTerms, StabilityTerm,
    VolumeTerm,
};

use crate::concentration::ConcentrationUnit;
use crate::identifier::AnalyteName;
use crate::matrix::MatrixKind;
use serde::{Deserialize, Serialize};

/// A number with its standard uncertainty, both in the unit of the place where it stands.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Its standard uncertainty; 0: taken as known.
    pub standard_uncertainty: f64,
}

impl Estimate {
    /// A value taken as known.
    #[must_use]
    pub fn known(value: f64) -> Self {
        Self {
            value,
            standard_uncertainty: 0.0,
        }
    }

    /// A value and its standard uncertainty.
    #[must_use]
    pub fn new(value: f64, standard_uncertainty: f64) -> Self {
        Self {
            value,
            standard_uncertainty,
        }
    }
}

/// A conversion of one drug.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Conversion {
    /// Its name, the same in every version.
    pub id: String,
    /// Its version.
    pub version: String,
    /// The drug.
    pub analyte: AnalyteName,
    /// The matrix that is measured.
    pub matrix_in: MatrixKind,
    /// The matrix of the reported value.
    pub matrix_out: MatrixKind,
    /// How.
    pub form: ConversionForm,
    /// Unit of the coefficients and of [`Self::concentration_range`].
    pub unit: ConcentrationUnit,
    /// Scatter of the reported value about the conversion that no other term explains (CV, %); `None`: not known.
    pub residual_cv_pct: Option<f64>,
    /// Measured concentrations it was derived on, lowest and highest, in [`Self::unit`]; `None`: not stated.
    pub concentration_range: Option<[f64; 2]>,
    /// Haematocrit (L/L) it was derived on, lowest and highest; `None`: not stated.
    pub haematocrit_range: Option<[f64; 2]>,
    /// What to do when the haematocrit lies outside.
    pub haematocrit_outside: Fallback,
    /// What to do when the haematocrit is not known and the conversion needs it.
    pub haematocrit_unknown: HaematocritUnknown,
    /// Standard uncertainty of a haematocrit the clinic states (L/L).
    pub clinic_haematocrit_sd: f64,
    /// What a haematocrit estimated from the spot is good for.
    pub spot_haematocrit: SpotHaematocrit,
    /// The terms of the spot that the method validated; those absent are not corrected.
    pub spot: SpotTerms,
    /// A value standardised to a haematocrit, reported beside and never instead (CONV-05).
    pub standardised: Option<Standardised>,
    /// Card or device it holds for.
    pub device: Option<String>,
    /// Paper it holds for.
    pub paper: Option<String>,
    /// Diameter of the disc it holds for (mm); `None`: the whole spot, or not stated.
    pub disc_mm: Option<f64>,
    /// People it was derived on.
    pub population: Option<String>,
    /// How many of them.
    pub study_n: Option<u32>,
    /// Where it was published, or which study of the laboratory.
    pub source: String,
    /// Role or code of who approved it; `None`: nobody yet.
    pub approved_by: Option<String>,
}

impl Conversion {
    /// A conversion of dried blood with nothing but a form: no ranges, no spot terms, haematocrit needed where the
    /// form uses it.
    #[must_use]
    pub fn plain(
        id: &str,
        analyte: AnalyteName,
        matrix_out: MatrixKind,
        form: ConversionForm,
        unit: ConcentrationUnit,
        source: &str,
    ) -> Self {
        Self {
            id: id.to_owned(),
            version: "1".to_owned(),
            analyte,
            matrix_in: MatrixKind::DriedBlood,
            matrix_out,
            form,
            unit,
            residual_cv_pct: None,
            concentration_range: None,
            haematocrit_range: None,
            haematocrit_outside: Fallback::MeasuredOnly,
            haematocrit_unknown: HaematocritUnknown::MeasuredOnly,
            clinic_haematocrit_sd: CLINIC_HAEMATOCRIT_SD,
            spot_haematocrit: SpotHaematocrit::Check,
            spot: SpotTerms::default(),
            standardised: None,
            device: None,
            paper: None,
            disc_mm: None,
            population: None,
            study_n: None,
            source: source.to_owned(),
            approved_by: None,
        }
    }

    /// Whether its value depends on the haematocrit at all.
    #[must_use]
    pub fn needs_haematocrit(&self) -> bool {
        self.spot.needs_haematocrit()
            || match &self.form {
                ConversionForm::NoneNeeded | ConversionForm::NotPredictable { .. } => false,
                ConversionForm::Theoretical { .. } | ConversionForm::UnboundEquilibrium { .. } => true,
                ConversionForm::LinearRegression(regression) => match regression.input {
                    RegressionInput::Raw => false,
                    RegressionInput::HaematocritCorrected { partition } => partition.is_some(),
                },
            }
    }

    /// Everything in it that contradicts itself; empty: it may be used.
    #[must_use]
    pub fn faults(&self) -> Vec<ConversionFault> {
        fault::faults(self)
    }
}

/// Standard uncertainty of a haematocrit stated by the clinic (L/L) where the method gives none: analyser and the
/// hours between the two samples (common practice, no source).
pub const CLINIC_HAEMATOCRIT_SD: f64 = 0.01;

/// How the measured concentration C relates to the reported one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "form", rename_all = "kebab-case")]
pub enum ConversionForm {
    /// The spot reads as the reported matrix does.
    NoneNeeded,
    /// `C_p = C/(1 − H + H·K)` (CONV-01).
    Theoretical {
        /// How the drug divides between cells and plasma.
        partition: Partition,
    },
    /// `C_p = C/(1 − H)·f_b` (CONV-03; Kromdijk 2012): unbound drug equilibrates into the cells.
    UnboundEquilibrium {
        /// The fraction bound in plasma, `f_b`.
        fraction_bound: Estimate,
    },
    /// A line through paired samples (CONV-04).
    LinearRegression(LinearRegression),
    /// The two do not predict one another: always refused.
    NotPredictable {
        /// Lowest and highest reported/measured ratio that was seen.
        ratio_seen: Option<[f64; 2]>,
    },
}

impl ConversionForm {
    /// The word in files.
    #[must_use]
    pub fn as_str(&self) -> &'static str {
        match self {
            Self::NoneNeeded => "none-needed",
            Self::Theoretical { .. } => "theoretical",
            Self::UnboundEquilibrium { .. } => "unbound-equilibrium",
            Self::LinearRegression(_) => "linear-regression",
            Self::NotPredictable { .. } => "not-predictable",
        }
    }
}

/// How a drug divides between red cells and plasma.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "partition", rename_all = "kebab-case")]
pub enum Partition {
    /// K: concentration in red cells over total concentration in plasma (CONV-01).
    Constant {
        /// K, from 0.
        ratio: Estimate,
    },
    /// `K = ρ_u·f_u` (CONV-02): it shifts when protein binding does.
    FreePartition {
        /// `ρ_u`: concentration in red cells over unbound concentration in plasma.
        red_cell_over_unbound: Estimate,
        /// `f_u`: the fraction unbound in plasma.
        fraction_unbound: Estimate,
    },
}

/// A straight line between measured and reported concentrations.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LinearRegression {
    /// Which of the two was drawn on which.
    pub direction: RegressionDirection,
    /// What the measured side was when the line was drawn (the trap of CONV-10).
    pub input: RegressionInput,
    /// Slope and its standard error.
    pub slope: Estimate,
    /// Intercept and its standard error, in the conversion's unit.
    pub intercept: Estimate,
    /// Covariance of slope and intercept, in the conversion's unit; 0 when not published.
    pub covariance: f64,
    /// Standard deviation about the line, on the side that was drawn, in the conversion's unit; `None`: not known.
    pub residual_sd: Option<f64>,
}

/// Which side of a regression is given by the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RegressionDirection {
    /// reported = intercept + slope·measured.
    ReportedOnMeasured,
    /// measured = intercept + slope·reported.
    MeasuredOnReported,
}

/// What stood on the measured side of a regression.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "input", rename_all = "kebab-case")]
pub enum RegressionInput {
    /// The spot's concentration as measured: the line holds the study's mean haematocrit within it.
    Raw,
    /// The spot's concentration after correction for haematocrit.
    HaematocritCorrected {
        /// Corrected by CONV-01 with this partition; `None`: by the haematocrit effect of the spot terms alone.
        partition: Option<Partition>,
    },
}

/// What is reported when a conversion cannot be made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fallback {
    /// The measured value in its own matrix, and no converted one.
    MeasuredOnly,
    /// Nothing.
    Refuse,
}

/// What happens when the haematocrit is not known and the conversion needs it (CONV-08).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "unknown", rename_all = "kebab-case")]
pub enum HaematocritUnknown {
    /// A stated default with its standard deviation over the population (L/L), in the budget.
    UseDefault {
        /// The default.
        default: Estimate,
    },
    /// The measured value alone.
    MeasuredOnly,
    /// Nothing.
    Refuse,
}

/// What a haematocrit estimated from the spot is good for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SpotHaematocrit {
    /// To convert by, when the clinic states none.
    Use,
    /// Only to check the clinic's (EV-19: good enough to exclude extremes, not to correct).
    Check,
}

/// A value standardised to a haematocrit: `C·(constant + numerator/H)`. CONV-05 has constant 0 and numerator
/// `H_std`; CONV-07 (Limsrichamrern 2016) 0.21 and 0.89·0.40.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Standardised {
    /// Share that does not depend on the haematocrit.
    pub constant: f64,
    /// Share that goes with 1/H (L/L).
    pub numerator: f64,
}
