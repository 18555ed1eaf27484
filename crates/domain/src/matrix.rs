//! What was measured, and in what it swims. Dried blood, whole blood and plasma are different types, so that an
//! unconverted result cannot be read against a plasma range.

use crate::concentration::{ConcentrationUnit, ConversionError};
use crate::quantity::MolarMass;
use serde::{Deserialize, Serialize};
use std::marker::PhantomData;

/// A matrix, as a value (files, records).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MatrixKind {
    /// Dried blood on paper.
    DriedBlood,
    /// Liquid whole blood.
    WholeBlood,
    /// Plasma or serum.
    Plasma,
}

impl MatrixKind {
    /// Every matrix.
    pub const ALL: [Self; 3] = [Self::DriedBlood, Self::WholeBlood, Self::Plasma];

    /// The word in files.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::DriedBlood => "dried-blood",
            Self::WholeBlood => "whole-blood",
            Self::Plasma => "plasma",
        }
    }

    /// For people.
    #[must_use]
    pub fn display(self) -> &'static str {
        match self {
            Self::DriedBlood => "dried blood",
            Self::WholeBlood => "whole blood",
            Self::Plasma => "plasma",
        }
    }
}

/// A matrix, as a type.
pub trait Matrix {
    /// The matrix as a value.
    const KIND: MatrixKind;
}

/// Dried blood on paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DriedBlood;
/// Liquid whole blood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WholeBlood;
/// Plasma or serum.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Plasma;

impl Matrix for DriedBlood {
    const KIND: MatrixKind = MatrixKind::DriedBlood;
}
impl Matrix for WholeBlood {
    const KIND: MatrixKind = MatrixKind::WholeBlood;
}
impl Matrix for Plasma {
    const KIND: MatrixKind = MatrixKind::Plasma;
}

/// A concentration in a known matrix and unit, with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Concentration<M: Matrix> {
    value: f64,
    standard_uncertainty: f64,
    unit: ConcentrationUnit,
    matrix: PhantomData<M>,
}

/// Why two numbers are not a concentration.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum ConcentrationError {
    /// NaN, infinite or negative value.
    #[error("a concentration is a finite number not below zero, not {found}")]
    Value {
        /// The number given.
        found: f64,
    },
    /// NaN, infinite or negative uncertainty.
    #[error("a standard uncertainty is a finite number not below zero, not {found}")]
    Uncertainty {
        /// The number given.
        found: f64,
    },
}

impl<M: Matrix> Concentration<M> {
    /// A concentration.
    ///
    /// # Errors
    /// When either number is negative, infinite or NaN.
    pub fn new(
        value: f64,
        standard_uncertainty: f64,
        unit: ConcentrationUnit,
    ) -> Result<Self, ConcentrationError> {
        if !(value.is_finite() && value >= 0.0) {
            return Err(ConcentrationError::Value { found: value });
        }
        if !(standard_uncertainty.is_finite() && standard_uncertainty >= 0.0) {
            return Err(ConcentrationError::Uncertainty {
                found: standard_uncertainty,
            });
        }
        Ok(Self {
            value,
            standard_uncertainty,
            unit,
            matrix: PhantomData,
        })
    }

    /// The value, in [`Self::unit`].
    #[must_use]
    pub fn value(&self) -> f64 {
        self.value
    }

    /// The standard uncertainty, in [`Self::unit`].
    #[must_use]
    pub fn standard_uncertainty(&self) -> f64 {
        self.standard_uncertainty
    }

    /// The unit.
    #[must_use]
    pub fn unit(&self) -> ConcentrationUnit {
        self.unit
    }

    /// The same in another unit; the matrix stays.
    ///
    /// # Errors
    /// When a mass unit meets a molar one without a molar mass, or a number becomes infinite.
    pub fn in_unit(
        &self,
        unit: ConcentrationUnit,
        molar_mass: Option<MolarMass>,
    ) -> Result<Self, ConversionError> {
        let convert = |number: f64| self.unit.convert(number, unit, molar_mass);
        Ok(Self {
            value: convert(self.value)?,
            standard_uncertainty: convert(self.standard_uncertainty)?,
            unit,
            matrix: PhantomData,
        })
    }

    /// The matrix, as a value.
    #[must_use]
    pub fn matrix(&self) -> MatrixKind {
        M::KIND
    }
}
