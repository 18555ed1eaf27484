//! The range a value may be read against: always with its matrix, sampling time, indication and source (SAFE-06).

use crate::concentration::{ConcentrationUnit, ConversionError};
use crate::matrix::MatrixKind;
use crate::quantity::MolarMass;
use serde::{Deserialize, Serialize};

/// A target range of one analyte.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TargetRange {
    /// What the range is about.
    pub quantity: TargetQuantity,
    /// Lowest wanted, in [`Self::unit`] (times hours for an area under the curve).
    pub low: Option<f64>,
    /// Highest wanted.
    pub high: Option<f64>,
    /// Above it harm is to be expected.
    pub toxic_above: Option<f64>,
    /// Unit.
    pub unit: ConcentrationUnit,
    /// Matrix the range is for. A value in another is not read against it.
    pub matrix: MatrixKind,
    /// When the sample is taken, in words: `before the morning dose, steady state`.
    pub sampling_time: String,
    /// What for.
    pub indication: String,
    /// Where the range is from.
    pub source: String,
}

impl TargetRange {
    /// The same range in another unit, so that value and range never stand beside one another in two.
    ///
    /// # Errors
    /// When a mass unit meets a molar one without a molar mass.
    pub fn in_unit(
        &self,
        unit: ConcentrationUnit,
        molar_mass: Option<MolarMass>,
    ) -> Result<Self, ConversionError> {
        let convert = |value: Option<f64>| {
            value
                .map(|value| self.unit.convert(value, unit, molar_mass))
                .transpose()
        };
        Ok(Self {
            low: convert(self.low)?,
            high: convert(self.high)?,
            toxic_above: convert(self.toxic_above)?,
            unit,
            ..self.clone()
        })
    }
}

/// What a target range is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TargetQuantity {
    /// Concentration just before a dose.
    Trough,
    /// Highest concentration after a dose.
    Peak,
    /// A concentration whenever it is taken.
    Level,
    /// Area under the curve over 12 hours, in the unit times hours.
    #[serde(rename = "auc-12h")]
    Auc12h,
    /// Area under the curve over 24 hours, in the unit times hours.
    #[serde(rename = "auc-24h")]
    Auc24h,
}

impl TargetQuantity {
    /// Every quantity with its word in files.
    pub const ALL: [(&'static str, Self); 5] = [
        ("trough", Self::Trough),
        ("peak", Self::Peak),
        ("level", Self::Level),
        ("auc-12h", Self::Auc12h),
        ("auc-24h", Self::Auc24h),
    ];

    /// The word in files.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Trough => "trough",
            Self::Peak => "peak",
            Self::Level => "level",
            Self::Auc12h => "auc-12h",
            Self::Auc24h => "auc-24h",
        }
    }

    /// Whether it is an area under the curve, in the unit times hours.
    #[must_use]
    pub fn is_area(self) -> bool {
        matches!(self, Self::Auc12h | Self::Auc24h)
    }
}

/// Which kinetic model an analyte is interpreted by.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Interpretation {
    /// The model's id.
    pub model: String,
}
