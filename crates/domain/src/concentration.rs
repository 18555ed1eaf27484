//! Units of concentration and the named cases a concentration can be.

use crate::figures::{NOT_COMPUTABLE, significant_figures};
use crate::quantity::MolarMass;
use serde::{Deserialize, Serialize};

/// Significant figures of a concentration on display (G-1).
pub const CONCENTRATION_FIGURES: usize = 3;

/// Why a concentration cannot be given in another unit.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum ConversionError {
    /// Between mass and molar units without a molar mass: mixtures and unspecified salts have none (UC-01).
    #[error("{} cannot be converted to {} without a molar mass (UC-01)", .from.ucum(), .to.ucum())]
    NoMolarMass {
        /// Unit given.
        from: ConcentrationUnit,
        /// Unit wanted.
        to: ConcentrationUnit,
    },
    /// NaN or infinite, or becoming so.
    #[error("{value} {} is not a finite number of {}", .from.ucum(), .to.ucum())]
    NotFinite {
        /// The value given.
        value: f64,
        /// Unit given.
        from: ConcentrationUnit,
        /// Unit wanted.
        to: ConcentrationUnit,
    },
}

/// A unit of concentration, named by its UCUM code (`ug/L`, `nmol/L`, …).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum ConcentrationUnit {
    /// Microgram per litre.
    #[serde(rename = "ug/L")]
    MicrogramPerLitre,
    /// Nanogram per millilitre; equal to [`Self::MicrogramPerLitre`].
    #[serde(rename = "ng/mL")]
    NanogramPerMillilitre,
    /// Milligram per litre.
    #[serde(rename = "mg/L")]
    MilligramPerLitre,
    /// Microgram per millilitre; equal to [`Self::MilligramPerLitre`].
    #[serde(rename = "ug/mL")]
    MicrogramPerMillilitre,
    /// Nanomole per litre.
    #[serde(rename = "nmol/L")]
    NanomolePerLitre,
    /// Micromole per litre.
    #[serde(rename = "umol/L")]
    MicromolePerLitre,
}

impl ConcentrationUnit {
    /// Every unit.
    pub const ALL: [Self; 6] = [
        Self::MicrogramPerLitre,
        Self::NanogramPerMillilitre,
        Self::MilligramPerLitre,
        Self::MicrogramPerMillilitre,
        Self::NanomolePerLitre,
        Self::MicromolePerLitre,
    ];

    /// The UCUM code (case-sensitive; UC-01).
    #[must_use]
    pub fn ucum(self) -> &'static str {
        match self {
            Self::MicrogramPerLitre => "ug/L",
            Self::NanogramPerMillilitre => "ng/mL",
            Self::MilligramPerLitre => "mg/L",
            Self::MicrogramPerMillilitre => "ug/mL",
            Self::NanomolePerLitre => "nmol/L",
            Self::MicromolePerLitre => "umol/L",
        }
    }

    /// For people: `µg/L`. Never read back.
    #[must_use]
    pub fn display(self) -> &'static str {
        match self {
            Self::MicrogramPerLitre => "µg/L",
            Self::NanogramPerMillilitre => "ng/mL",
            Self::MilligramPerLitre => "mg/L",
            Self::MicrogramPerMillilitre => "µg/mL",
            Self::NanomolePerLitre => "nmol/L",
            Self::MicromolePerLitre => "µmol/L",
        }
    }

    /// Whether it counts moles; otherwise it weighs.
    #[must_use]
    pub fn is_molar(self) -> bool {
        matches!(self, Self::NanomolePerLitre | Self::MicromolePerLitre)
    }

    /// A number of this unit in another. Below zero too, since intervals and estimates may reach there.
    ///
    /// ```
    /// use spotwright_domain::concentration::{ConcentrationUnit, ConversionError};
    /// use spotwright_domain::quantity::MolarMass;
    /// let (mass, molar) = (ConcentrationUnit::MilligramPerLitre, ConcentrationUnit::MicromolePerLitre);
    /// // Carbamazepine, 236.27 g/mol: 1 mg/L is 4.2324 µmol/L.
    /// let molar_mass = MolarMass::from_grams_per_mole(236.27).unwrap();
    /// let found = mass.convert(1.0, molar, Some(molar_mass)).unwrap();
    /// assert!((found - 4.2324).abs() < 0.00005);
    /// // Gentamicin is a mixture and has no molar mass.
    /// assert_eq!(mass.convert(1.0, molar, None), Err(ConversionError::NoMolarMass { from: mass, to: molar }));
    /// ```
    ///
    /// # Errors
    /// When a mass unit meets a molar one without a molar mass, or the value is or becomes NaN or infinite.
    pub fn convert(
        self,
        value: f64,
        to: Self,
        molar_mass: Option<MolarMass>,
    ) -> Result<f64, ConversionError> {
        let molar_mass = || {
            molar_mass
                .map(MolarMass::grams_per_mole)
                .ok_or(ConversionError::NoMolarMass { from: self, to })
        };
        let steps = self.thousands() - to.thousands();
        // µg/L over g/mol is µmol/L, a thousand nmol/L; nmol/L times g/mol is ng/L, a thousandth of µg/L.
        let converted = match (self.is_molar(), to.is_molar()) {
            (false, true) => by_thousands(value / molar_mass()?, steps + 1),
            (true, false) => by_thousands(value * molar_mass()?, steps - 1),
            _ => by_thousands(value, steps),
        };
        if converted.is_finite() {
            Ok(converted)
        } else {
            Err(ConversionError::NotFinite {
                value,
                from: self,
                to,
            })
        }
    }

    /// How many steps of a thousand above µg/L or nmol/L.
    fn thousands(self) -> i32 {
        match self {
            Self::MicrogramPerLitre | Self::NanogramPerMillilitre | Self::NanomolePerLitre => 0,
            Self::MilligramPerLitre | Self::MicrogramPerMillilitre | Self::MicromolePerLitre => 1,
        }
    }

    /// The unit with this UCUM code, if it is one of ours.
    #[must_use]
    pub fn from_ucum(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|unit| unit.ucum() == code)
    }
}

/// What is known of a concentration. Never a quiet 0, −1 or NaN. All values are in the analyte's unit,
/// after multiplication by the dilution factor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "case", rename_all = "kebab-case")]
pub enum ConcentrationCase {
    /// Inside the run's range.
    Measured {
        /// The value.
        value: f64,
        /// Its combined standard uncertainty, absolute.
        standard_uncertainty: f64,
        /// 95 % coverage interval.
        interval_95: [f64; 2],
        /// Effective degrees of freedom of the uncertainty (Welch–Satterthwaite, GUM-1).
        degrees_of_freedom: f64,
    },
    /// Below the run's lower limit of quantification: reported as `< lloq` (M10-28), never as 0.
    BelowLloq {
        /// The limit, times the dilution factor.
        lloq: f64,
        /// The estimate, for kinetics only; absent when nothing was detected.
        estimate: Option<f64>,
    },
    /// Above the run's upper limit of quantification: dilute, or report as `> uloq` (M10-28).
    AboveUloq {
        /// The limit, times the dilution factor.
        uloq: f64,
        /// The extrapolated estimate, never to be reported.
        estimate: Option<f64>,
    },
    /// No number can be computed; the reasons say why.
    NotComputable,
    /// No number is wanted (blanks, conditioning).
    NotApplicable,
}

impl ConcentrationCase {
    /// As it is reported, in the unit of the analyte by its UCUM code: `5.12 ug/L`, `< 1.00 ug/L` (M10-28),
    /// `not computable`. Three significant figures, ties to even (see [`crate::figures`]).
    ///
    /// ```
    /// use spotwright_domain::concentration::{ConcentrationCase, ConcentrationUnit};
    /// let below = ConcentrationCase::BelowLloq { lloq: 1.0, estimate: Some(0.4) };
    /// assert_eq!(below.text(ConcentrationUnit::MicrogramPerLitre), "< 1.00 ug/L");
    /// assert_eq!(below.display_text(ConcentrationUnit::MicrogramPerLitre), "< 1.00 µg/L");
    /// assert_eq!(ConcentrationCase::NotComputable.text(ConcentrationUnit::MicrogramPerLitre), "not computable");
    /// ```
    #[must_use]
    pub fn text(&self, unit: ConcentrationUnit) -> String {
        self.with_unit(unit.ucum())
    }

    /// As [`Self::text`], with the unit as people write it: `< 1.00 µg/L`.
    #[must_use]
    pub fn display_text(&self, unit: ConcentrationUnit) -> String {
        self.with_unit(unit.display())
    }

    /// The same case in another unit.
    ///
    /// # Errors
    /// As [`ConcentrationUnit::convert`].
    pub fn in_unit(
        &self,
        from: ConcentrationUnit,
        to: ConcentrationUnit,
        molar_mass: Option<MolarMass>,
    ) -> Result<Self, ConversionError> {
        let convert = |value: f64| from.convert(value, to, molar_mass);
        Ok(match self {
            Self::Measured {
                value,
                standard_uncertainty,
                interval_95: [low, high],
                degrees_of_freedom,
            } => Self::Measured {
                value: convert(*value)?,
                standard_uncertainty: convert(*standard_uncertainty)?,
                interval_95: [convert(*low)?, convert(*high)?],
                degrees_of_freedom: *degrees_of_freedom,
            },
            Self::BelowLloq { lloq, estimate } => Self::BelowLloq {
                lloq: convert(*lloq)?,
                estimate: estimate.map(convert).transpose()?,
            },
            Self::AboveUloq { uloq, estimate } => Self::AboveUloq {
                uloq: convert(*uloq)?,
                estimate: estimate.map(convert).transpose()?,
            },
            Self::NotComputable => Self::NotComputable,
            Self::NotApplicable => Self::NotApplicable,
        })
    }

    fn with_unit(&self, unit: &str) -> String {
        let (sign, value) = match self {
            Self::Measured { value, .. } => ("", *value),
            Self::BelowLloq { lloq, .. } => ("< ", *lloq),
            Self::AboveUloq { uloq, .. } => ("> ", *uloq),
            Self::NotComputable => return NOT_COMPUTABLE.to_owned(),
            Self::NotApplicable => return "not applicable".to_owned(),
        };
        if value.is_finite() {
            format!(
                "{sign}{} {unit}",
                significant_figures(value, CONCENTRATION_FIGURES)
            )
        } else {
            NOT_COMPUTABLE.to_owned()
        }
    }
}

/// Dividing by a thousand rather than multiplying by a thousandth rounds once.
fn by_thousands(value: f64, steps: i32) -> f64 {
    let size = (0..steps.unsigned_abs()).fold(1.0, |size, _| size * 1000.0);
    if steps < 0 { value / size } else { value * size }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ucum::Unit;
    use proptest::prelude::*;

    #[test]
    fn the_unit_for_people_is_the_one_its_code_shows() {
        for unit in ConcentrationUnit::ALL {
            assert_eq!(Unit::parse(unit.ucum()).unwrap().display(), unit.display());
            assert_eq!(ConcentrationUnit::from_ucum(unit.ucum()), Some(unit));
        }
    }

    #[test]
    fn a_number_that_is_none_is_neither_converted_nor_shown() {
        let (from, to) = (
            ConcentrationUnit::MilligramPerLitre,
            ConcentrationUnit::MicrogramPerLitre,
        );
        assert!(matches!(
            from.convert(f64::NAN, to, None),
            Err(ConversionError::NotFinite { .. })
        ));
        assert!(matches!(
            from.convert(1e307, to, None),
            Err(ConversionError::NotFinite { .. })
        ));
        let broken = ConcentrationCase::BelowLloq {
            lloq: f64::NAN,
            estimate: None,
        };
        assert_eq!(broken.text(from), "not computable");
    }

    #[test]
    fn every_case_is_shown_by_name() {
        let unit = ConcentrationUnit::MicromolePerLitre;
        let measured = ConcentrationCase::Measured {
            value: 12.345,
            standard_uncertainty: 0.5,
            interval_95: [11.3, 13.4],
            degrees_of_freedom: 20.0,
        };
        assert_eq!(measured.text(unit), "12.3 umol/L");
        assert_eq!(measured.display_text(unit), "12.3 µmol/L");
        assert_eq!(
            ConcentrationCase::AboveUloq {
                uloq: 50.0,
                estimate: None
            }
            .text(unit),
            "> 50.0 umol/L"
        );
        assert_eq!(ConcentrationCase::NotApplicable.text(unit), "not applicable");
    }

    #[test]
    fn a_case_stays_the_same_case_in_another_unit() {
        let below = ConcentrationCase::BelowLloq {
            lloq: 0.5,
            estimate: Some(-0.25),
        };
        assert_eq!(
            below.in_unit(
                ConcentrationUnit::MilligramPerLitre,
                ConcentrationUnit::NanogramPerMillilitre,
                None
            ),
            Ok(ConcentrationCase::BelowLloq {
                lloq: 500.0,
                estimate: Some(-250.0)
            })
        );
        assert!(
            below
                .in_unit(
                    ConcentrationUnit::MilligramPerLitre,
                    ConcentrationUnit::NanomolePerLitre,
                    None
                )
                .is_err()
        );
    }

    fn any_unit() -> impl Strategy<Value = ConcentrationUnit> {
        prop::sample::select(ConcentrationUnit::ALL.to_vec())
    }

    proptest! {
        #[test]
        fn there_and_back_is_where_it_began(
            from in any_unit(), to in any_unit(), value in 1e-6..1e9_f64, molar_mass in 50.0..2000.0_f64,
        ) {
            let molar_mass = MolarMass::from_grams_per_mole(molar_mass).ok();
            let there = from.convert(value, to, molar_mass).unwrap();
            let back = to.convert(there, from, molar_mass).unwrap();
            prop_assert!((back - value).abs() <= 4.0 * f64::EPSILON * value);
        }

        /// UCUM's own factors are the other derivation.
        #[test]
        fn ucum_agrees_within_a_kind(from in any_unit(), to in any_unit(), value in 1e-6..1e9_f64) {
            let by_code = Unit::parse(from.ucum()).unwrap().convert(value, &Unit::parse(to.ucum()).unwrap());
            let here = from.convert(value, to, None);
            prop_assert_eq!(here.is_ok(), by_code.is_ok());
            if let (Ok(here), Ok(by_code)) = (here, by_code) {
                prop_assert_eq!(here.to_bits(), by_code.to_bits());
            }
        }
    }
}
