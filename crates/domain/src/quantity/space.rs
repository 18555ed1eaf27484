//! Lengths, areas, volumes and spans of time.

use super::{Additive, Quantity, QuantityError, not_negative, quantity, quotient};

quantity!(
    /// A length, held in mm, not below zero.
    Length,
    "length",
    "mm",
    not_negative::<Length>
);
quantity!(
    /// An area, as of a spot or a punch, held in mm², not below zero.
    Area,
    "area",
    "mm2",
    not_negative::<Area>
);
quantity!(
    /// A volume, as of blood in a punch, held in µL, not below zero.
    Volume,
    "volume",
    "uL",
    not_negative::<Volume>
);
quantity!(
    /// A span of time, held in s, not below zero: retention, dwell, age of a card, time since a dose.
    TimeSpan,
    "span of time",
    "s",
    not_negative::<TimeSpan>
);
impl Additive for Length {}
impl Additive for Area {}
impl Additive for Volume {}
impl Additive for TimeSpan {}

impl Length {
    /// From millimetres.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_millimetres(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value)
    }

    /// In millimetres.
    #[must_use]
    pub fn millimetres(self) -> f64 {
        self.0
    }

    /// The area of a rectangle with these two sides.
    ///
    /// # Errors
    /// When the result is too large to be a number.
    pub fn by(self, other: Self) -> Result<Area, QuantityError> {
        Area::from_own_unit(self.0 * other.0)
    }
}

impl Area {
    /// From square millimetres.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_square_millimetres(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value)
    }

    /// The area of a circle, as of a round punch: π/4 · d².
    ///
    /// # Errors
    /// When the result is too large to be a number.
    pub fn of_circle(diameter: Length) -> Result<Self, QuantityError> {
        Self::from_own_unit(std::f64::consts::FRAC_PI_4 * diameter.0 * diameter.0)
    }

    /// In square millimetres.
    #[must_use]
    pub fn square_millimetres(self) -> f64 {
        self.0
    }
}

impl Volume {
    /// From microlitres.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_microlitres(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value)
    }

    /// From millilitres.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_millilitres(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value * 1000.0)
    }

    /// From litres.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_litres(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value * 1e6)
    }

    /// In microlitres.
    #[must_use]
    pub fn microlitres(self) -> f64 {
        self.0
    }

    /// In millilitres.
    #[must_use]
    pub fn millilitres(self) -> f64 {
        self.0 / 1000.0
    }

    /// In litres.
    #[must_use]
    pub fn litres(self) -> f64 {
        self.0 / 1e6
    }

    /// Microlitres on each square millimetre when it spreads over an area.
    ///
    /// # Errors
    /// When the area is zero, or the result is too large to be a number.
    pub fn microlitres_per_square_millimetre(self, area: Area) -> Result<f64, QuantityError> {
        quotient(self.0, area.0, Area::NAME)
    }
}

impl TimeSpan {
    /// From seconds.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_seconds(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value)
    }

    /// From minutes.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_minutes(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value * 60.0)
    }

    /// From hours.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_hours(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value * 3600.0)
    }

    /// From days of 24 hours.
    ///
    /// # Errors
    /// When the number is negative or not finite.
    pub fn from_days(value: f64) -> Result<Self, QuantityError> {
        Self::from_own_unit(value * 86_400.0)
    }

    /// In seconds.
    #[must_use]
    pub fn seconds(self) -> f64 {
        self.0
    }

    /// In minutes.
    #[must_use]
    pub fn minutes(self) -> f64 {
        self.0 / 60.0
    }

    /// In hours.
    #[must_use]
    pub fn hours(self) -> f64 {
        self.0 / 3600.0
    }

    /// In days of 24 hours.
    #[must_use]
    pub fn days(self) -> f64 {
        self.0 / 86_400.0
    }
}
