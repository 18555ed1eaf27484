//! Mass, molar mass, and how much of a substance a litre holds.

use super::{Additive, Quantity, QuantityError, Volume, above_zero, not_negative, quantity, quotient};
use crate::identifier::AnalyteName;

quantity!(
    /// Mass of a substance in a volume of matrix, held in µg/L (equal to ng/mL), not below zero.
    MassConcentration,
    "mass concentration",
    "ug/L",
    not_negative::<MassConcentration>
);
quantity!(
    /// Amount of a substance in a volume of matrix, held in nmol/L, not below zero.
    MolarConcentration,
    "molar concentration",
    "nmol/L",
    not_negative::<MolarConcentration>
);
quantity!(
    /// Mass of one mole, held in g/mol, above zero.
    ///
    /// A mixture has none: see [`MolarMass::stated`].
    MolarMass,
    "molar mass",
    "g/mol",
    above_zero::<MolarMass>
);
quantity!(
    /// A mass, as of a dose, held in mg, not below zero.
    Mass,
    "mass",
    "mg",
    not_negative::<Mass>
);
impl Additive for Mass {}

impl MassConcentration {
    /// From micrograms a litre.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_micrograms_per_litre(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value)
    }

    /// From nanograms a millilitre: the same as micrograms a litre.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_nanograms_per_millilitre(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value)
    }

    /// From milligrams a litre.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_milligrams_per_litre(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value * 1000.0)
    }

    /// From micrograms a millilitre: the same as milligrams a litre.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_micrograms_per_millilitre(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value * 1000.0)
    }

    /// In micrograms a litre.
    #[must_use]
    pub fn micrograms_per_litre(self) -> f64 {
        self.0
    }

    /// In nanograms a millilitre.
    #[must_use]
    pub fn nanograms_per_millilitre(self) -> f64 {
        self.0
    }

    /// In milligrams a litre.
    #[must_use]
    pub fn milligrams_per_litre(self) -> f64 {
        self.0 / 1000.0
    }

    /// In micrograms a millilitre.
    #[must_use]
    pub fn micrograms_per_millilitre(self) -> f64 {
        self.0 / 1000.0
    }

    /// The amount of substance: mass concentration over molar mass (UC-01).
    ///
    /// # Errors
    /// When the result is too large to be a number.
    pub fn to_molar(self, molar_mass: MolarMass) -> Result<MolarConcentration, QuantityError> {
        // µg/L over g/mol is µmol/L.
        MolarConcentration::from_own_unit(self.0 / molar_mass.0 * 1000.0)
    }

    /// The mass a volume of it holds.
    ///
    /// # Errors
    /// When the result is too large to be a number.
    pub fn mass_in(self, volume: Volume) -> Result<Mass, QuantityError> {
        // µg/L times µL is 10^-6 µg, that is 10^-9 mg.
        Mass::from_own_unit(self.0 * volume.microlitres() / 1e9)
    }
}

impl MolarConcentration {
    /// From nanomoles a litre.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_nanomoles_per_litre(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value)
    }

    /// From micromoles a litre.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_micromoles_per_litre(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value * 1000.0)
    }

    /// In nanomoles a litre.
    #[must_use]
    pub fn nanomoles_per_litre(self) -> f64 {
        self.0
    }

    /// In micromoles a litre.
    #[must_use]
    pub fn micromoles_per_litre(self) -> f64 {
        self.0 / 1000.0
    }

    /// The mass: molar concentration times molar mass (UC-01).
    ///
    /// # Errors
    /// When the result is too large to be a number.
    pub fn to_mass(self, molar_mass: MolarMass) -> Result<MassConcentration, QuantityError> {
        // nmol/L times g/mol is ng/L.
        MassConcentration::from_own_unit(self.0 * molar_mass.0 / 1000.0)
    }
}

impl MolarMass {
    /// From grams a mole.
    ///
    /// # Errors
    /// When the number is not finite or not above zero.
    pub fn from_grams_per_mole(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value)
    }

    /// The molar mass a method states for an analyte, in g/mol.
    ///
    /// ```
    /// use spotwright_domain::identifier::AnalyteName;
    /// use spotwright_domain::quantity::{MolarMass, QuantityError};
    /// // A mixture of C1, C1a, C2 and C2a has no molar mass, so molar units are refused by name.
    /// let gentamicin = AnalyteName::new("gentamicin").unwrap();
    /// let refused = MolarMass::stated(&gentamicin, None);
    /// assert_eq!(refused, Err(QuantityError::NoMolarMass { analyte: gentamicin }));
    /// ```
    ///
    /// # Errors
    /// When none is stated, or the number is not finite or not above zero.
    pub fn stated(analyte: &AnalyteName, grams_per_mole: Option<f64>) -> Result<Self, QuantityError> {
        grams_per_mole.map_or_else(
            || {
                Err(QuantityError::NoMolarMass {
                    analyte: analyte.clone(),
                })
            },
            Self::from_grams_per_mole,
        )
    }

    /// In grams a mole.
    #[must_use]
    pub fn grams_per_mole(self) -> f64 {
        self.0
    }
}

impl Mass {
    /// From nanograms.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_nanograms(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value / 1e6)
    }

    /// From micrograms.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_micrograms(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value / 1000.0)
    }

    /// From milligrams.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_milligrams(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value)
    }

    /// From grams.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_grams(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value * 1000.0)
    }

    /// From kilograms.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_kilograms(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value * 1e6)
    }

    /// In nanograms; beyond the range of numbers a unit this small cannot hold it.
    ///
    /// # Errors
    /// When the number is too large.
    pub fn nanograms(self) -> Result<f64, QuantityError> {
        self.in_ucum("ng")
    }

    /// In micrograms.
    ///
    /// # Errors
    /// When the number is too large.
    pub fn micrograms(self) -> Result<f64, QuantityError> {
        self.in_ucum("ug")
    }

    /// In milligrams.
    #[must_use]
    pub fn milligrams(self) -> f64 {
        self.0
    }

    /// In grams.
    #[must_use]
    pub fn grams(self) -> f64 {
        self.0 / 1000.0
    }

    /// In kilograms.
    #[must_use]
    pub fn kilograms(self) -> f64 {
        self.0 / 1e6
    }

    /// The concentration when it is dissolved in a volume.
    ///
    /// # Errors
    /// When the volume is zero, or the result is too large to be a number.
    pub fn dissolved_in(self, volume: Volume) -> Result<MassConcentration, QuantityError> {
        // mg over µL is 10^9 µg/L.
        quotient(self.0, volume.microlitres(), Volume::NAME)
            .and_then(|ratio| MassConcentration::from_own_unit(ratio * 1e9))
    }
}
