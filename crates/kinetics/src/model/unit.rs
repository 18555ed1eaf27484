//! Units of covariates, and the equations kidney function is estimated with.

use serde::{Deserialize, Serialize};

/// The unit of a covariate. A closed list: what is not here has no meaning to a formula.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum CovariateUnit {
    /// No or yes.
    #[serde(rename = "0/1")]
    Flag,
    /// Copies of a variant.
    #[serde(rename = "0/1/2")]
    Copies,
    /// Kilogram.
    #[serde(rename = "kg")]
    Kilogram,
    /// Litre of red cells a litre of blood.
    #[serde(rename = "L/L")]
    LitrePerLitre,
    /// Micromole a litre.
    #[serde(rename = "umol/L")]
    MicromolePerLitre,
    /// Milligram a decilitre.
    #[serde(rename = "mg/dL")]
    MilligramPerDecilitre,
    /// Gram a litre.
    #[serde(rename = "g/L")]
    GramPerLitre,
    /// Year.
    #[serde(rename = "years")]
    Year,
    /// Week.
    #[serde(rename = "weeks")]
    Week,
    /// Day.
    #[serde(rename = "day")]
    Day,
    /// Square metre.
    #[serde(rename = "m2")]
    SquareMetre,
    /// Millilitre a minute.
    #[serde(rename = "mL/min")]
    MillilitrePerMinute,
    /// Millilitre a minute for a body surface of 1.73 m².
    #[serde(rename = "mL/min/1.73m2")]
    MillilitrePerMinutePerSurface,
    /// Milligram.
    #[serde(rename = "mg")]
    Milligram,
    /// Milligram for a kilogram of body weight a day.
    #[serde(rename = "mg/kg/day")]
    MilligramPerKilogramPerDay,
}

impl CovariateUnit {
    /// Every unit with its writing in a model file.
    pub const ALL: [(&'static str, Self); 15] = [
        ("0/1", Self::Flag),
        ("0/1/2", Self::Copies),
        ("kg", Self::Kilogram),
        ("L/L", Self::LitrePerLitre),
        ("umol/L", Self::MicromolePerLitre),
        ("mg/dL", Self::MilligramPerDecilitre),
        ("g/L", Self::GramPerLitre),
        ("years", Self::Year),
        ("weeks", Self::Week),
        ("day", Self::Day),
        ("m2", Self::SquareMetre),
        ("mL/min", Self::MillilitrePerMinute),
        ("mL/min/1.73m2", Self::MillilitrePerMinutePerSurface),
        ("mg", Self::Milligram),
        ("mg/kg/day", Self::MilligramPerKilogramPerDay),
    ];

    /// As a model file writes it.
    #[must_use]
    pub fn text(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(_, unit)| *unit == self)
            .map_or("", |(text, _)| text)
    }

    /// The unit a name ends in, for the names that say theirs: `weight_kg`, `pna_days`, `bsa_m2`.
    pub(crate) fn of_name(name: &str) -> Option<Self> {
        [
            ("_mg_kg_day", Self::MilligramPerKilogramPerDay),
            ("_mg_dL", Self::MilligramPerDecilitre),
            ("_umol", Self::MicromolePerLitre),
            ("_g_L", Self::GramPerLitre),
            ("_days", Self::Day),
            ("_weeks", Self::Week),
            ("_y", Self::Year),
            ("_m2", Self::SquareMetre),
            ("_kg", Self::Kilogram),
            ("_mg", Self::Milligram),
        ]
        .into_iter()
        .find(|(ending, _)| name.ends_with(ending))
        .map(|(_, unit)| unit)
        .or(match name {
            "hct" => Some(Self::LitrePerLitre),
            "clcr" => Some(Self::MillilitrePerMinute),
            "egfr" => Some(Self::MillilitrePerMinutePerSurface),
            "days_on_drug" | "days_after_tx" => Some(Self::Day),
            _ => None,
        })
    }

    /// Whether it counts elapsed time, so that a value given once goes on by itself.
    #[must_use]
    pub fn elapses(self) -> bool {
        matches!(self, Self::Day | Self::Week)
    }

    /// Whether it says how well the kidneys filter, which has no meaning without its equation.
    #[must_use]
    pub fn is_renal_estimate(self) -> bool {
        matches!(
            self,
            Self::MillilitrePerMinute | Self::MillilitrePerMinutePerSurface
        )
    }
}

/// The equation a filtration estimate was made with; a value without it is refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RenalEquation {
    /// Cockcroft and Gault 1976.
    CockcroftGault,
    /// CKD-EPI 2009.
    CkdEpi2009,
    /// CKD-EPI 2021.
    CkdEpi2021,
    /// Bedside Schwartz 2009: 0.413 · height (cm) / creatinine (mg/dL).
    BedsideSchwartz,
}

impl RenalEquation {
    /// Every equation with its writing.
    pub const ALL: [(&'static str, Self); 4] = [
        ("cockcroft-gault", Self::CockcroftGault),
        ("ckd-epi-2009", Self::CkdEpi2009),
        ("ckd-epi-2021", Self::CkdEpi2021),
        ("bedside-schwartz", Self::BedsideSchwartz),
    ];

    /// As files write it.
    #[must_use]
    pub fn text(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(_, equation)| *equation == self)
            .map_or("", |(text, _)| text)
    }
}
