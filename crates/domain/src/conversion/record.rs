//! What became of one result's conversion: the record that `results.json` holds and reports show (CONV-09).

use super::Estimate;
use crate::concentration::ConcentrationUnit;
use crate::matrix::MatrixKind;
use crate::record::BudgetTerm;
use crate::target::TargetRange;
use serde::{Deserialize, Serialize};

/// One result's conversion.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ConversionRecord {
    /// By which conversion; `None`: the method has none.
    pub conversion: Option<ConversionReference>,
    /// The matrix that was measured.
    pub matrix_measured: MatrixKind,
    /// The matrix the reported value is in; without a converted value the measured one.
    pub matrix_reported: MatrixKind,
    /// Unit of every concentration here.
    pub unit: ConcentrationUnit,
    /// What came of it.
    pub outcome: ConversionOutcome,
    /// The haematocrit used and where it is from; `None`: none was needed or known.
    pub haematocrit: Option<HaematocritUsed>,
    /// The run's lower limit at this person's haematocrit and age; `None`: not convertible.
    pub lloq: Option<f64>,
    /// The run's upper limit likewise.
    pub uloq: Option<f64>,
    /// Where the uncertainty comes from. First-order terms: where [`Computation::MonteCarlo`] was needed they show shares,
    /// and do not add up to the value's uncertainty exactly.
    pub budget: Vec<BudgetTerm>,
    /// How interval and uncertainty were computed; `None` without a converted value.
    pub computation: Option<Computation>,
    /// The factors of the forward model that were applied, in its order.
    pub terms: Vec<TermApplied>,
    /// Values beside, never instead (CONV-05).
    pub beside: Vec<Beside>,
    /// What a person must know; refusals stand in the outcome.
    pub remarks: Vec<ConversionRemark>,
    /// The range it may be read against, with its own matrix, in [`Self::unit`] where the two units meet; `None`: no range
    /// stored (SAFE-06).
    pub target: Option<TargetRange>,
}

impl ConversionRecord {
    /// The converted case, if there is one.
    #[must_use]
    pub fn converted(&self) -> Option<&ConvertedCase> {
        match &self.outcome {
            ConversionOutcome::Converted { concentration } => Some(concentration),
            ConversionOutcome::MeasuredOnly { .. } | ConversionOutcome::Refused { .. } => None,
        }
    }

    /// Whether the value stands in matrix and unit of the target range.
    #[must_use]
    pub fn on_scale_of_target(&self) -> bool {
        self.converted().is_some()
            && self
                .target
                .as_ref()
                .is_some_and(|target| target.matrix == self.matrix_reported && target.unit == self.unit)
    }
}

/// Which conversion was used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ConversionReference {
    /// Its name.
    pub id: String,
    /// Its version.
    pub version: String,
    /// Its form.
    pub form: String,
    /// Where it was published.
    pub source: String,
}

/// What came of a conversion.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum ConversionOutcome {
    /// A value on the reported scale.
    Converted {
        /// The value.
        concentration: ConvertedCase,
    },
    /// No converted value; the measured one may be reported in its own matrix, and read against no other's range.
    MeasuredOnly {
        /// Why.
        refusal: ConversionRemark,
    },
    /// No converted value, and the measured one says nothing by itself.
    Refused {
        /// Why.
        refusal: ConversionRemark,
    },
}

/// A converted concentration. Never a quiet number.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "case", rename_all = "kebab-case")]
pub enum ConvertedCase {
    /// Inside the run's range.
    Measured {
        /// The value.
        value: f64,
        /// Its combined standard uncertainty.
        standard_uncertainty: f64,
        /// 95 % coverage interval, probabilistically symmetric.
        interval_95: [f64; 2],
        /// Effective degrees of freedom (Welch–Satterthwaite).
        degrees_of_freedom: f64,
    },
    /// Below the run's lower limit at this person's haematocrit.
    BelowLloq {
        /// The limit.
        limit: f64,
        /// The converted estimate, for kinetics only.
        estimate: Option<f64>,
    },
    /// Above the run's upper limit at this person's haematocrit.
    AboveUloq {
        /// The limit.
        limit: f64,
    },
    /// At least so much: an old spot of a drug that is lost on paper.
    AtLeast {
        /// The value corrected for the validated age.
        value: f64,
        /// Its standard uncertainty, without the loss beyond.
        standard_uncertainty: f64,
    },
}

/// Which haematocrit was used.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HaematocritUsed {
    /// The haematocrit (L/L) with its standard uncertainty.
    #[serde(flatten)]
    pub haematocrit: Estimate,
    /// Where it is from (CONV-09).
    pub origin: HaematocritOrigin,
}

/// Where a haematocrit is from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HaematocritOrigin {
    /// Stated by the clinic.
    Clinic,
    /// Estimated from the spot.
    Spot,
    /// The method's default.
    Default,
}

/// How an interval was computed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "by", rename_all = "kebab-case")]
pub enum Computation {
    /// First-order propagation (JCGM 100): the model is straight enough over the uncertainties.
    FirstOrder,
    /// Propagation of distributions (JCGM 101).
    MonteCarlo {
        /// Seed of the random numbers.
        seed: u32,
        /// Trials.
        trials: u64,
        /// Numerical tolerance that uncertainty and interval ends were held to.
        tolerance: f64,
    },
}

impl HaematocritOrigin {
    /// The word in files.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Clinic => "clinic",
            Self::Spot => "spot",
            Self::Default => "default",
        }
    }
}

/// One factor of the forward model.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TermApplied {
    /// Which: `plasma-fraction`, `haematocrit-effect`, `volume`, `site`, `recovery`, `stability`.
    pub term: String,
    /// Apparent over true: the measured value is divided by it.
    pub factor: f64,
}

/// A value beside the reported one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Beside {
    /// What it is.
    pub label: String,
    /// The value, in the record's unit.
    pub value: f64,
}

/// Why something was not converted, or what a person must know of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ConversionRemark {
    /// Which, from the closed list.
    pub code: ConversionCode,
    /// The numbered rule it comes from.
    pub rule: String,
    /// What was found, when it is a number.
    pub found: Option<f64>,
    /// What was allowed, when it is a number.
    pub limit: Option<f64>,
    /// Unit of both.
    pub unit: String,
    /// In a sentence.
    pub text: String,
    /// What would lift it.
    pub lift: String,
}

macro_rules! codes {
    ($($(#[$doc:meta])* $variant:ident = $text:literal, $lift:literal,)*) => {
        /// The closed list of refusals and remarks, each with what would lift it.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum ConversionCode {
            $($(#[$doc])* #[serde(rename = $text)] $variant,)*
        }

        impl ConversionCode {
            /// Every code, in the order of the list.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// The stable word used in files.
            #[must_use]
            pub fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $text,)* }
            }

            /// What would lift it.
            #[must_use]
            pub fn lift(self) -> &'static str {
                match self { $(Self::$variant => $lift,)* }
            }
        }
    };
}

codes! {
    /// The method holds no conversion of this analyte.
    NoConversion = "no-conversion", "A conversion in the method, from a study of paired samples.",
    /// The two matrices do not predict one another.
    NotPredictable = "not-predictable", "A venous plasma sample.",
    /// The conversion contradicts itself or corrects one thing twice.
    ConversionFaulty = "conversion-faulty", "A corrected conversion in a new method version.",
    /// The conversion begins with another matrix than was measured.
    MatrixMismatch = "matrix-mismatch", "A conversion from the measured matrix.",
    /// The units cannot be brought together.
    UnitMismatch = "unit-mismatch", "The molar mass in the method, or a conversion in the analyte's unit.",
    /// The measured value lies outside the concentrations the conversion was derived on.
    ConcentrationOutsideRange = "concentration-outside-range", "A conversion validated at this concentration, or a venous sample.",
    /// The haematocrit lies outside the validated range.
    HaematocritOutsideRange = "haematocrit-outside-conversion", "A conversion validated at this haematocrit, or a venous sample.",
    /// The haematocrit is needed and not known.
    HaematocritNeeded = "haematocrit-needed", "The haematocrit of the day from the clinic, or one estimated from the spot by a validated method.",
    /// The conversion gives zero or less.
    ConvertedBelowZero = "converted-below-zero", "A conversion validated at low concentrations, or a venous sample.",
    /// The spot's age is needed and not known.
    AgeNeeded = "age-needed", "The times of collection and of measurement.",
    /// The spot is older than was validated.
    AgeOutsideRange = "age-outside-range", "A new card that reaches the laboratory in time.",
    /// The spot's volume lies outside the validated range.
    VolumeOutsideRange = "volume-outside-range", "Another spot of the card, or a new card.",
    /// The disc was taken further out than was validated.
    SiteOutsideRange = "site-outside-range", "A disc from the middle of another spot.",
    /// The arithmetic came to no number.
    NotComputable = "conversion-not-computable", "A look at the method's coefficients.",
    // Remarks
    /// A default haematocrit was used; the interval is wider for it.
    DefaultHaematocritUsed = "default-haematocrit-used", "The haematocrit of the day from the clinic.",
    /// Clinic and spot disagree about the haematocrit.
    HaematocritDisagrees = "haematocrit-disagrees", "A look whose card it is and when blood was drawn; a new haematocrit.",
    /// The haematocrit is not known; this conversion does without, but its validated range cannot be checked.
    HaematocritUnchecked = "haematocrit-unchecked", "The haematocrit of the day from the clinic.",
    /// Age is not corrected: no slope was validated.
    AgeNotCorrected = "age-not-corrected", "A validated loss per day.",
    /// Volume unknown: reference volume assumed, scatter added.
    VolumeUnknown = "volume-unknown", "A photograph from which the volume can be estimated.",
    /// Site unknown: centre assumed, scatter added.
    SiteUnknown = "site-unknown", "A photograph after extraction.",
    /// The limit shown is the edge of the conversion's range, not of the run's.
    LimitOfConversion = "limit-of-conversion", "A conversion validated over the whole of the run's range.",
    /// The conversion is approved by nobody.
    ConversionNotApproved = "conversion-not-approved", "Approval of the conversion by a named person.",
}
