//! Numbers without dimension that must not be confused with one another.

use super::{Quantity, QuantityError, above_zero, not_negative, quantity};

/// Lowest haematocrit taken for a person's (L/L; HCT-01).
pub const LOWEST_HAEMATOCRIT: f64 = 0.15;
/// Highest haematocrit taken for a person's (L/L; HCT-01).
pub const HIGHEST_HAEMATOCRIT: f64 = 0.75;

quantity!(
    /// A share of a whole, between 0 and 1.
    Fraction,
    "fraction",
    "1",
    up_to_one
);
quantity!(
    /// Volume of red cells in a volume of blood (L/L): a fraction, between the bounds of HCT-01.
    ///
    /// ```
    /// use spotwright_domain::quantity::{Haematocrit, Quantity, QuantityError};
    /// let stated = Haematocrit::from_litres_per_litre(0.42).unwrap();
    /// // A percentage is read when it says that it is one, and never guessed (G-3).
    /// assert_eq!(Haematocrit::from_ucum(42.0, "%"), Ok(stated));
    /// assert_eq!(
    ///     Haematocrit::from_litres_per_litre(42.0),
    ///     Err(QuantityError::HaematocritNotAFraction { found: 42.0 })
    /// );
    /// assert!(Haematocrit::from_litres_per_litre(0.05).is_err());
    /// ```
    Haematocrit,
    "haematocrit",
    "L/L",
    physical_haematocrit
);
quantity!(
    /// Mass of an ion over its charge number (m/z), above zero. It has no dimension (Murray et al. 2013, Pure Appl
    /// Chem 85:1515) and so no UCUM unit but `1`.
    MassToCharge,
    "mass-to-charge ratio",
    "1",
    above_zero::<MassToCharge>
);

impl Fraction {
    /// From a fraction of one.
    ///
    /// # Errors
    /// When the number is not between 0 and 1.
    pub fn from_fraction(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value)
    }

    /// From a percentage.
    ///
    /// # Errors
    /// When the number is not between 0 and 100.
    pub fn from_percent(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value / 100.0)
    }

    /// As a fraction of one.
    #[must_use]
    pub fn fraction(self) -> f64 {
        self.0
    }

    /// As a percentage.
    #[must_use]
    pub fn percent(self) -> f64 {
        self.0 * 100.0
    }

    /// What is left of the whole.
    #[must_use]
    pub fn remainder(self) -> Self {
        Self(1.0 - self.0)
    }
}

impl Haematocrit {
    /// From litres of cells in a litre of blood.
    ///
    /// # Errors
    /// When the number is one or more (G-3), or outside [`LOWEST_HAEMATOCRIT`] to [`HIGHEST_HAEMATOCRIT`] (HCT-01).
    pub fn from_litres_per_litre(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value)
    }

    /// In litres of cells in a litre of blood.
    #[must_use]
    pub fn litres_per_litre(self) -> f64 {
        self.0
    }

    /// The volume fraction of plasma, one less the haematocrit.
    #[must_use]
    pub fn plasma_fraction(self) -> Fraction {
        Fraction(1.0 - self.0)
    }
}

impl MassToCharge {
    /// From m/z.
    ///
    /// # Errors
    /// When the number is not finite or not above zero.
    pub fn from_mz(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value)
    }

    /// As m/z.
    #[must_use]
    pub fn mz(self) -> f64 {
        self.0
    }

    /// Distance to another m/z.
    #[must_use]
    pub fn distance_mz(self, other: Self) -> f64 {
        (self.0 - other.0).abs()
    }
}

fn up_to_one(value: f64) -> Result<f64, QuantityError> {
    let value = not_negative::<Fraction>(value)?;
    if value > 1.0 {
        Err(QuantityError::AboveOne { found: value })
    } else {
        Ok(value)
    }
}

fn physical_haematocrit(value: f64) -> Result<f64, QuantityError> {
    let value = not_negative::<Haematocrit>(value)?;
    if value >= 1.0 {
        Err(QuantityError::HaematocritNotAFraction { found: value })
    } else if (LOWEST_HAEMATOCRIT..=HIGHEST_HAEMATOCRIT).contains(&value) {
        Ok(value)
    } else {
        Err(QuantityError::HaematocritNotPhysical {
            found: value,
            lowest: LOWEST_HAEMATOCRIT,
            highest: HIGHEST_HAEMATOCRIT,
        })
    }
}
