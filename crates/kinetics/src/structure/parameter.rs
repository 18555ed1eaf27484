//! The parameters a structure can have.

use serde::{Deserialize, Serialize};

/// A pharmacokinetic parameter by its field name. Rates are per hour, volumes in litres.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum ParameterName {
    /// Clearance, L/h.
    #[serde(rename = "CL")]
    Clearance,
    /// Volume of distribution of the only compartment, L.
    #[serde(rename = "V")]
    Volume,
    /// Central volume, L.
    #[serde(rename = "V1")]
    CentralVolume,
    /// Clearance between the compartments, L/h.
    #[serde(rename = "Q")]
    IntercompartmentalClearance,
    /// Peripheral volume, L.
    #[serde(rename = "V2")]
    PeripheralVolume,
    /// First-order absorption rate, 1/h.
    #[serde(rename = "ka")]
    AbsorptionRate,
    /// Delay between an extravascular dose and its entry into the depot, h.
    #[serde(rename = "tlag")]
    LagTime,
    /// Fraction of an extravascular dose that is absorbed.
    #[serde(rename = "F")]
    Bioavailability,
    /// Absorbed fraction relative to a reference form.
    #[serde(rename = "Frel")]
    RelativeBioavailability,
    /// Greatest elimination rate of Michaelis–Menten elimination, dose unit/h.
    #[serde(rename = "Vmax")]
    MaximumRate,
    /// Concentration at half the greatest rate, in the structure's concentration unit.
    #[serde(rename = "Km")]
    MichaelisConstant,
    /// Rate of every step of the transit chain but the last, 1/h; equal to ka unless given.
    #[serde(rename = "ktr")]
    TransitRate,
}

impl ParameterName {
    /// All names, in a fixed order.
    pub const ALL: [Self; 12] = [
        Self::Clearance,
        Self::Volume,
        Self::CentralVolume,
        Self::IntercompartmentalClearance,
        Self::PeripheralVolume,
        Self::AbsorptionRate,
        Self::LagTime,
        Self::Bioavailability,
        Self::RelativeBioavailability,
        Self::MaximumRate,
        Self::MichaelisConstant,
        Self::TransitRate,
    ];

    /// The name as models and papers write it.
    #[must_use]
    pub fn symbol(self) -> &'static str {
        [
            "CL", "V", "V1", "Q", "V2", "ka", "tlag", "F", "Frel", "Vmax", "Km", "ktr",
        ][self as usize]
    }

    /// The parameter with this symbol.
    #[must_use]
    pub fn from_symbol(symbol: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|name| name.symbol() == symbol)
    }
}

impl std::fmt::Display for ParameterName {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.symbol())
    }
}

/// One value for each parameter that is given.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Parameters {
    values: [f64; 12],
    given: u16,
}

impl Parameters {
    /// No parameter given.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// These parameters; a name given twice keeps its last value.
    #[must_use]
    pub fn of(values: &[(ParameterName, f64)]) -> Self {
        values
            .iter()
            .fold(Self::new(), |all, (name, value)| all.with(*name, *value))
    }

    /// The same with one value set.
    #[must_use]
    pub fn with(mut self, name: ParameterName, value: f64) -> Self {
        self.set(name, value);
        self
    }

    /// Sets one value.
    pub fn set(&mut self, name: ParameterName, value: f64) {
        self.values[name as usize] = value;
        self.given |= 1 << name as u16;
    }

    /// The value, when given.
    #[must_use]
    #[inline]
    pub fn get(&self, name: ParameterName) -> Option<f64> {
        (self.given & (1 << name as u16) != 0).then(|| self.values[name as usize])
    }

    /// The names given, in the order of [`ParameterName::ALL`], with their values.
    pub fn iter(&self) -> impl Iterator<Item = (ParameterName, f64)> + '_ {
        ParameterName::ALL
            .into_iter()
            .filter_map(|name| self.get(name).map(|value| (name, value)))
    }
}
