//! Quantities whose unit is in the type. Each is made by a constructor named by a unit, read by a getter named by a
//! unit, and always a finite number of the right sign, so that order and equality are total and NaN cannot enter.
//!
//! ```
//! use spotwright_domain::quantity::{MassConcentration, MolarMass, Quantity};
//!
//! // Tacrolimus, molar mass 804.02 g/mol: 1 µg/L is 1.2438 nmol/L.
//! let found = MassConcentration::from_micrograms_per_litre(1.0).unwrap();
//! let molar = found.to_molar(MolarMass::from_grams_per_mole(804.02).unwrap()).unwrap();
//! assert!((molar.nanomoles_per_litre() - 1.2438).abs() < 0.00005);
//!
//! // Units come in and go out by their UCUM codes; a unit of another dimension is refused.
//! assert_eq!(MassConcentration::from_ucum(1.0, "ng/mL"), Ok(found));
//! assert!(MassConcentration::from_ucum(1.0, "nmol/L").is_err());
//! assert!(MassConcentration::from_micrograms_per_litre(f64::NAN).is_err());
//! ```

mod concentration;
mod ratio;
mod space;

pub use concentration::{Mass, MassConcentration, MolarConcentration, MolarMass};
pub use ratio::{Fraction, HIGHEST_HAEMATOCRIT, Haematocrit, LOWEST_HAEMATOCRIT, MassToCharge};
pub use space::{Area, Length, TimeSpan, Volume};

use crate::identifier::AnalyteName;
use crate::ucum::{self, UcumError};
use serde::{Deserialize, Serialize};

/// Why a number is not this quantity.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum QuantityError {
    /// NaN or infinite.
    #[error("a {quantity} is a finite number, not {found}")]
    NotFinite {
        /// Which quantity.
        quantity: &'static str,
        /// The number given or computed.
        found: f64,
    },
    /// Below zero.
    #[error("a {quantity} is not below zero, as {found} {unit} is")]
    Negative {
        /// Which quantity.
        quantity: &'static str,
        /// The number given or computed.
        found: f64,
        /// Its unit (UCUM).
        unit: &'static str,
    },
    /// Zero or below, where something must be there.
    #[error("a {quantity} is above zero, and {found} {unit} is not")]
    NotAboveZero {
        /// Which quantity.
        quantity: &'static str,
        /// The number given or computed.
        found: f64,
        /// Its unit (UCUM).
        unit: &'static str,
    },
    /// A fraction above one.
    #[error("a fraction is between 0 and 1, not {found}; is it a percentage?")]
    AboveOne {
        /// The number given or computed.
        found: f64,
    },
    /// A haematocrit of one or more: probably a percentage, but never divided on a guess (G-3).
    #[error(
        "a haematocrit is a fraction (L/L) below 1, not {found}; a percentage must say its unit, % (G-3)"
    )]
    HaematocritNotAFraction {
        /// The number given.
        found: f64,
    },
    /// A haematocrit no person has (HCT-01).
    #[error("a haematocrit of {found} L/L is outside {lowest} to {highest}, which no person's is (HCT-01)")]
    HaematocritNotPhysical {
        /// The number given.
        found: f64,
        /// Lowest accepted.
        lowest: f64,
        /// Highest accepted.
        highest: f64,
    },
    /// Divided by nothing.
    #[error("a {quantity} of zero cannot divide")]
    DividedByZero {
        /// Which quantity is zero.
        quantity: &'static str,
    },
    /// No molar mass is stated, as for a mixture or an unspecified salt (UC-01).
    #[error(
        "no molar mass is stated for {analyte}: conversion between mass and molar units is refused (UC-01)"
    )]
    NoMolarMass {
        /// The analyte.
        analyte: AnalyteName,
    },
    /// The unit cannot be read, or measures something else.
    #[error("not a {quantity}: {source}")]
    Unit {
        /// Which quantity was wanted.
        quantity: &'static str,
        /// What is wrong with the unit.
        source: UcumError,
    },
}

/// What all quantities share: a name, the unit they are held in, and UCUM in and out.
pub trait Quantity: Copy + Ord {
    /// The quantity in words, for messages.
    const NAME: &'static str;
    /// UCUM code of the unit it is held and written in.
    const UNIT: &'static str;

    /// From a number of [`Self::UNIT`].
    ///
    /// # Errors
    /// When the number is not finite, or outside the range of this quantity.
    fn from_own_unit(value: f64) -> Result<Self, QuantityError>;

    /// As a number of [`Self::UNIT`].
    fn in_own_unit(self) -> f64;

    /// From a number of any commensurable unit.
    ///
    /// # Errors
    /// When the unit cannot be read or measures something else, or the number is not finite or out of range.
    fn from_ucum(value: f64, code: &str) -> Result<Self, QuantityError> {
        if !value.is_finite() {
            return Err(QuantityError::NotFinite {
                quantity: Self::NAME,
                found: value,
            });
        }
        let own = ucum::convert(value, code, Self::UNIT).map_err(|source| QuantityError::Unit {
            quantity: Self::NAME,
            source,
        })?;
        Self::from_own_unit(own)
    }

    /// As a number of any commensurable unit.
    ///
    /// # Errors
    /// When the unit cannot be read or measures something else.
    fn in_ucum(self, code: &str) -> Result<f64, QuantityError> {
        ucum::convert(self.in_own_unit(), Self::UNIT, code).map_err(|source| QuantityError::Unit {
            quantity: Self::NAME,
            source,
        })
    }
}

/// Quantities of which two can be added: amounts of something. Concentrations, fractions and m/z are not.
pub trait Additive: Quantity {
    /// The sum.
    ///
    /// # Errors
    /// When it is too large to be a number.
    fn plus(self, other: Self) -> Result<Self, QuantityError> {
        Self::from_own_unit(self.in_own_unit() + other.in_own_unit())
    }

    /// What is left after taking the other away.
    ///
    /// # Errors
    /// When the other is larger.
    fn minus(self, other: Self) -> Result<Self, QuantityError> {
        Self::from_own_unit(self.in_own_unit() - other.in_own_unit())
    }

    /// So many times this.
    ///
    /// # Errors
    /// When the factor is negative or not finite, or the product is too large.
    fn times(self, factor: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(self.in_own_unit() * factor)
    }

    /// How often the other goes into this.
    ///
    /// # Errors
    /// When the other is zero, or the ratio is too large.
    fn over(self, other: Self) -> Result<f64, QuantityError> {
        quotient(self.in_own_unit(), other.in_own_unit(), Self::NAME)
    }
}

/// A quotient that is a number.
fn quotient(numerator: f64, denominator: f64, of: &'static str) -> Result<f64, QuantityError> {
    if denominator == 0.0 {
        return Err(QuantityError::DividedByZero { quantity: of });
    }
    let ratio = numerator / denominator;
    if ratio.is_finite() {
        Ok(ratio)
    } else {
        Err(QuantityError::NotFinite {
            quantity: "ratio",
            found: ratio,
        })
    }
}

/// A finite number not below zero; −0 becomes 0.
fn not_negative<Q: Quantity>(value: f64) -> Result<f64, QuantityError> {
    if !value.is_finite() {
        Err(QuantityError::NotFinite {
            quantity: Q::NAME,
            found: value,
        })
    } else if value < 0.0 {
        Err(QuantityError::Negative {
            quantity: Q::NAME,
            found: value,
            unit: Q::UNIT,
        })
    } else {
        Ok(value + 0.0)
    }
}

/// A finite number above zero.
fn above_zero<Q: Quantity>(value: f64) -> Result<f64, QuantityError> {
    if !value.is_finite() {
        Err(QuantityError::NotFinite {
            quantity: Q::NAME,
            found: value,
        })
    } else if value <= 0.0 {
        Err(QuantityError::NotAboveZero {
            quantity: Q::NAME,
            found: value,
            unit: Q::UNIT,
        })
    } else {
        Ok(value)
    }
}

/// How a quantity stands in a file: never a bare number.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    value: f64,
    unit: String,
}

/// Declares a quantity held in one unit: the type, its order, its display and its written form. What makes each
/// quantity itself, its constructors, getters and arithmetic, is written out where it is declared.
macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $words:literal, $unit:literal, $check:path) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, serde::Serialize, serde::Deserialize)]
        #[serde(try_from = "super::Written", into = "super::Written")]
        pub struct $name(f64);

        impl super::Quantity for $name {
            const NAME: &'static str = $words;
            const UNIT: &'static str = $unit;

            fn from_own_unit(value: f64) -> Result<Self, super::QuantityError> {
                $check(value).map(Self)
            }

            fn in_own_unit(self) -> f64 {
                self.0
            }
        }

        // Total, because the number is always finite and never −0.
        impl Ord for $name {
            fn cmp(&self, other: &Self) -> std::cmp::Ordering {
                self.0.total_cmp(&other.0)
            }
        }
        impl PartialOrd for $name {
            fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
                Some(self.cmp(other))
            }
        }
        impl Eq for $name {}
        impl PartialEq for $name {
            fn eq(&self, other: &Self) -> bool {
                self.cmp(other).is_eq()
            }
        }

        impl std::fmt::Display for $name {
            /// The number, unrounded, and the UCUM code.
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                write!(f, "{} {}", self.0, $unit)
            }
        }

        impl TryFrom<super::Written> for $name {
            type Error = super::QuantityError;
            fn try_from(written: super::Written) -> Result<Self, super::QuantityError> {
                <Self as super::Quantity>::from_ucum(written.value, &written.unit)
            }
        }

        impl From<$name> for super::Written {
            fn from(quantity: $name) -> Self {
                Self {
                    value: quantity.0,
                    unit: $unit.to_owned(),
                }
            }
        }
    };
}
use quantity;

#[cfg(test)]
mod tests;
