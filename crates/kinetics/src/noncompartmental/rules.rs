//! The rules of a non-compartmental analysis. Every result carries those it was made by.

use serde::{Deserialize, Serialize};

/// How the area between two levels is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AreaRule {
    /// Straight lines between levels.
    Linear,
    /// Straight lines while levels rise, stay or touch zero; exponential decline while they fall
    /// (M. Gibaldi, D. Perrier, Pharmacokinetics, 2nd ed. 1982, appendix D; the usual choice of the field).
    LinearUpLogDown,
}

/// Which points the terminal slope goes through. Only levels measured above zero after the highest level (and after
/// the end of an infusion) are ever candidates; the highest level itself is not.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TerminalRule {
    /// Of the last 3, 4, … candidates the set with the greatest adjusted R²; within 10⁻⁴ of it the larger set.
    BestAdjustedRSquared,
    /// This many of the last candidates, at least 3.
    LastPoints(usize),
    /// The candidates from one time to another (h after the dose, both included), at least 3.
    Between {
        /// First time (h).
        from_h: f64,
        /// Last time (h).
        to_h: f64,
    },
}

/// What stands at the time of the dose when nothing was drawn then.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StartRule {
    /// Nothing: the area begins at the first sample. A bolus still gets its extrapolated level, since without it the
    /// largest part of the area may be missing.
    AsSampled,
    /// Zero before a first dose by mouth, muscle, skin or infusion; the extrapolated level after a bolus.
    ZeroOrExtrapolated,
    /// In steady state: the lowest level of the dosing interval; the extrapolated level after a bolus.
    LowestOfInterval,
}

/// What stands for a level below the lower limit of quantification. Never used for the terminal slope, nor as the
/// last level.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BelowLimitRule {
    /// Zero.
    Zero,
    /// Half the limit.
    HalfLimit,
    /// Nothing: the sample is left out.
    LeftOut,
}

/// Two levels at one time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DuplicateRule {
    /// No answer: someone must say which one counts.
    Refuse,
    /// Their arithmetic mean; a level below the limit beside a measured one is left out.
    Mean,
}

/// Samples drawn before the dose.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BeforeDoseRule {
    /// No answer.
    Refuse,
    /// Set aside, with a note.
    SetAside,
    /// The latest stands at the time of the dose when none was drawn then; the others are set aside, with a note.
    LatestStandsAtDose,
}

/// All rules of one analysis.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rules {
    /// Areas.
    pub area: AreaRule,
    /// Terminal slope.
    pub terminal: TerminalRule,
    /// Level at the time of the dose.
    pub start: StartRule,
    /// Levels below the limit before the first measured one.
    pub below_limit_before: BelowLimitRule,
    /// Levels below the limit between measured ones.
    pub below_limit_between: BelowLimitRule,
    /// Levels below the limit after the last measured one.
    pub below_limit_after: BelowLimitRule,
    /// Two levels at one time.
    pub duplicates: DuplicateRule,
    /// Samples drawn before the dose.
    pub before_dose: BeforeDoseRule,
}

impl Default for Rules {
    /// Linear up, logarithmic down; best adjusted R²; zero or the extrapolated level at the dose; below the limit
    /// counts as zero before the first measured level and is left out later; refuses duplicates; the latest sample
    /// before the dose stands at the dose. Common practice, no single source.
    fn default() -> Self {
        Self {
            area: AreaRule::LinearUpLogDown,
            terminal: TerminalRule::BestAdjustedRSquared,
            start: StartRule::ZeroOrExtrapolated,
            below_limit_before: BelowLimitRule::Zero,
            below_limit_between: BelowLimitRule::LeftOut,
            below_limit_after: BelowLimitRule::LeftOut,
            duplicates: DuplicateRule::Refuse,
            before_dose: BeforeDoseRule::LatestStandsAtDose,
        }
    }
}

impl Rules {
    /// The rules in sentences, in a fixed order.
    #[must_use]
    pub fn sentences(&self) -> Vec<String> {
        let area = match self.area {
            AreaRule::Linear => "Areas by linear trapezoids.",
            AreaRule::LinearUpLogDown => {
                "Areas by linear trapezoids while levels rise or touch zero, logarithmic while they fall."
            }
        };
        let terminal = match &self.terminal {
            TerminalRule::BestAdjustedRSquared => {
                "Terminal slope by regression of the logarithm on time over the last three or more levels after the \
                 highest one: the set of greatest adjusted R², or a larger set within 0.0001 of it."
                    .to_owned()
            }
            TerminalRule::LastPoints(points) => format!(
                "Terminal slope by regression of the logarithm on time over the last {points} levels after the highest \
                 one."
            ),
            TerminalRule::Between { from_h, to_h } => format!(
                "Terminal slope by regression of the logarithm on time over the levels after the highest one from \
                 {from_h} h to {to_h} h."
            ),
        };
        let start = match self.start {
            StartRule::AsSampled => {
                "The area begins at the first sample; after a bolus at the level extrapolated to the dose."
            }
            StartRule::ZeroOrExtrapolated => {
                "Where none was drawn, the level at the dose is zero; after a bolus it is extrapolated from the first \
                 two levels."
            }
            StartRule::LowestOfInterval => {
                "Where none was drawn, the level at the dose is the lowest of the interval; after a bolus it is \
                 extrapolated from the first two levels."
            }
        };
        let below = |rule| match rule {
            BelowLimitRule::Zero => "zero",
            BelowLimitRule::HalfLimit => "half the limit",
            BelowLimitRule::LeftOut => "left out",
        };
        let below_limit = format!(
            "Levels below the lower limit of quantification: {} before the first measured level, {} between measured \
             levels, {} after the last.",
            below(self.below_limit_before),
            below(self.below_limit_between),
            below(self.below_limit_after)
        );
        let duplicates = match self.duplicates {
            DuplicateRule::Refuse => "Two levels at one time are refused.",
            DuplicateRule::Mean => "Two levels at one time count as their mean.",
        };
        let before = match self.before_dose {
            BeforeDoseRule::Refuse => "Samples before the dose are refused.",
            BeforeDoseRule::SetAside => "Samples before the dose are set aside.",
            BeforeDoseRule::LatestStandsAtDose => {
                "The latest sample before the dose stands at the dose if none was drawn then."
            }
        };
        vec![
            area.to_owned(),
            terminal,
            start.to_owned(),
            below_limit,
            duplicates.to_owned(),
            before.to_owned(),
        ]
    }
}
