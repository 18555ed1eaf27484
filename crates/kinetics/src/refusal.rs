//! Refusals: a closed list, each with its reason and what would lift it. A refusal is an answer, not an error.

use serde::{Deserialize, Serialize};

/// A refusal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Refusal {
    /// Which.
    pub code: RefusalCode,
    /// The reason, in a sentence with the numbers met.
    pub reason: String,
    /// What would lift it, in a sentence.
    pub lifted_by: String,
}

impl Refusal {
    /// A refusal.
    #[must_use]
    pub fn new(code: RefusalCode, reason: impl Into<String>, lifted_by: impl Into<String>) -> Self {
        Self {
            code,
            reason: reason.into(),
            lifted_by: lifted_by.into(),
        }
    }
}

/// What is refused by a refusal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stops {
    /// Advice: an exposure estimate may still be shown.
    Advice,
    /// The estimate too.
    Estimate,
}

macro_rules! codes {
    ($($(#[doc = $doc:literal])* $name:ident = $code:literal stops $stops:ident),* $(,)?) => {
        /// The closed list of refusals.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum RefusalCode {
            $($(#[doc = $doc])* #[serde(rename = $code)] $name,)*
        }

        impl RefusalCode {
            /// Every code.
            pub const ALL: &[Self] = &[$(Self::$name),*];

            /// Its writing in records.
            #[must_use]
            pub fn code(self) -> &'static str {
                match self { $(Self::$name => $code,)* }
            }

            /// How much it stops.
            #[must_use]
            pub fn stops(self) -> Stops {
                match self { $(Self::$name => Stops::$stops,)* }
            }
        }
    };
}

codes! {
    // The model
    /// No model is named for the drug.
    NoModel = "no-model" stops Estimate,
    /// Its confidence is low and two people have not signed.
    ModelLowConfidence = "model-low-confidence" stops Advice,
    /// A number of its clearance was not read in the source and two people have not signed.
    ModelUnsigned = "model-unsigned" stops Advice,
    /// The model's own rule refuses this person.
    ModelLimit = "model-limit" stops Advice,
    /// Exposure only: no dose is ever proposed for a person.
    ExposureOnly = "exposure-only" stops Advice,
    // The person
    /// Outside the model's population by more than a fifth of the limit passed.
    OutsidePopulation = "outside-population" stops Advice,
    /// A quantity the population is limited by is not known.
    PopulationUnknown = "population-unknown" stops Advice,
    /// A covariate without which there is no estimate.
    CovariateMissing = "covariate-missing" stops Estimate,
    /// A covariate that must be answered before advice.
    CovariateUnanswered = "covariate-unanswered" stops Advice,
    /// A value no living person has.
    CovariateImpossible = "covariate-impossible" stops Estimate,
    /// A unit that is none of the quantity's.
    CovariateUnit = "covariate-unit" stops Estimate,
    /// A value that only makes sense in another unit.
    CovariateUnitDoubtful = "covariate-unit-doubtful" stops Estimate,
    /// A filtration estimate of another equation, or of none.
    RenalEquation = "renal-equation" stops Estimate,
    /// A typical value that cannot be computed for this person.
    TypicalValue = "typical-value" stops Estimate,
    /// A drug beside which this model advises nothing.
    InteractingDrug = "interacting-drug" stops Advice,
    /// A state of the person the model does not know.
    StateOutsideModel = "state-outside-model" stops Advice,
    // Doses
    /// No dose is on record.
    NoDose = "no-dose" stops Estimate,
    /// A dose without its unit.
    DoseUnitMissing = "dose-unit-missing" stops Estimate,
    /// A dose in a unit that is none.
    DoseUnitUnknown = "dose-unit-unknown" stops Estimate,
    /// A dose so large that another unit must be meant.
    DoseUnitDoubtful = "dose-unit-doubtful" stops Estimate,
    /// A dose by weight of a person whose weight is unknown.
    DoseWithoutWeight = "dose-without-weight" stops Estimate,
    /// An amount that is negative or no number.
    DoseAmount = "dose-amount" stops Estimate,
    /// A dose without knowing whether it counts as acid, salt or prodrug.
    DoseBasisUnknown = "dose-basis-unknown" stops Estimate,
    /// Nobody knows whether a dose was taken.
    DoseUncertain = "dose-uncertain" stops Advice,
    /// The same dose twice.
    DoseTwice = "dose-twice" stops Estimate,
    /// An interval that is zero, negative or no number.
    IntervalNotPositive = "interval-not-positive" stops Estimate,
    /// The interval between doses is not known.
    IntervalUnknown = "interval-unknown" stops Advice,
    /// A route the model does not have.
    RouteNotInModel = "route-not-in-model" stops Estimate,
    /// The end of an infusion is not known.
    InfusionEndUnknown = "infusion-end-unknown" stops Estimate,
    /// A time that is no number.
    TimeUnknown = "time-unknown" stops Estimate,
    // Levels
    /// No level is left to interpret.
    NoLevel = "no-level" stops Advice,
    /// A level in a matrix the model was not built in.
    WrongMatrix = "wrong-matrix" stops Estimate,
    /// A result that may not be reported.
    LevelRejected = "level-rejected" stops Estimate,
    /// A level with no number.
    LevelNotComputable = "level-not-computable" stops Estimate,
    /// A level in a unit that cannot be turned into the model's.
    LevelUnit = "level-unit" stops Estimate,
    /// A level that only makes sense in another unit, or in several.
    LevelUnitDoubtful = "level-unit-doubtful" stops Estimate,
    /// A level from before the first dose.
    LevelBeforeFirstDose = "level-before-first-dose" stops Estimate,
    // The estimate
    /// A level the model did not expect: a wrong sample until shown otherwise.
    Surprise = "surprise" stops Advice,
    /// The fit did not converge.
    NotConverged = "not-converged" stops Estimate,
    /// Too few effective draws to speak of probabilities.
    TooFewDraws = "too-few-draws" stops Advice,
    /// Too few samples for an area under the curve.
    TooFewSamplesForArea = "too-few-samples-for-area" stops Advice,
    // The options
    /// No target range is stored.
    NoTarget = "no-target" stops Advice,
    /// The target is for another matrix, unit or quantity than can be computed.
    TargetUnfit = "target-unfit" stops Advice,
    /// The drug's lead-in is not over.
    LeadIn = "lead-in" stops Advice,
    /// A titration rule outranks any computed dose.
    Titration = "titration" stops Advice,
    /// Elimination near its greatest rate: a small change may raise the level without bound.
    Saturation = "saturation" stops Advice,
    /// No practical regimen is left within the limits.
    NoPracticalRegimen = "no-practical-regimen" stops Advice,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_has_one_writing() {
        let mut codes: Vec<&str> = RefusalCode::ALL.iter().map(|code| code.code()).collect();
        for code in RefusalCode::ALL {
            assert_eq!(
                serde_json::to_string(code).unwrap(),
                format!("\"{}\"", code.code())
            );
        }
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), RefusalCode::ALL.len());
    }
}
