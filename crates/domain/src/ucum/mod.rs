//! Units by their UCUM codes, case-sensitive (UC-01): read, checked, converted, shown.
//!
//! Source: The Unified Code for Units of Measure, version 2.2 (2024), §§ 2–12 for the grammar and tables 1–7
//! for prefixes and atoms. Only the atoms a drug laboratory writes are known here (see [`IN_USE`] for whole codes);
//! any other is refused by name.
//!
//! Two things differ from the standard, both on the side of refusing:
//! * an amount of substance is a dimension of its own (as in the SI), so `mol/L` is not read as a count a litre;
//! * `Cel` stands alone: `mCel` and `Cel/min` are refused (§ 21 leaves special units in products undefined).
//!
//! m/z has no UCUM unit of its own: it is the dimensionless `1` (Murray et al. 2013, Pure Appl Chem 85:1515).

mod atom;
mod parser;
mod scale;

use scale::Scale;
use std::fmt;

/// Codes in use in files and records (UC-01).
pub const IN_USE: [&str; 26] = [
    "ug/L", "ng/mL", "mg/L", "ug/mL", "umol/L", "nmol/L", "uL", "mL", "L", "mm", "mm2", "Cel", "s", "min",
    "h", "d", "%", "L/L", "1", "ug", "mg", "g", "kg", "g/mol", "wk", "a",
];

/// A unit: its code, its dimension and its size.
///
/// ```
/// use spotwright_domain::ucum::Unit;
/// let found = Unit::parse("ug/L").unwrap();
/// let wanted = Unit::parse("ng/mL").unwrap();
/// assert!(found.is_commensurable_with(&wanted));
/// assert_eq!(found.convert(5.1, &wanted), Ok(5.1));
/// assert_eq!(found.to_string(), "ug/L");
/// assert_eq!(found.display(), "µg/L");
///
/// // Case matters, and a mass is not an amount of substance.
/// assert!(Unit::parse("UG/L").is_err());
/// assert!(found.convert(5.1, &Unit::parse("nmol/L").unwrap()).is_err());
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unit {
    code: String,
    display: String,
    dimension: Dimension,
    scale: Scale,
    zero: Zero,
}

/// Exponents of the base units.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Dimension {
    /// Metre.
    pub length: i32,
    /// Gram.
    pub mass: i32,
    /// Second.
    pub time: i32,
    /// Kelvin.
    pub temperature: i32,
    /// Mole.
    pub amount: i32,
}

/// Where a scale of temperature begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Zero {
    /// Where the quantity vanishes: every unit but one.
    Absolute,
    /// At 273.15 K.
    Celsius,
}

/// Zero of the Celsius scale (K), exact by definition (UCUM table 3; SI Brochure 9th ed., § 2.3.1).
const CELSIUS_ZERO_K: f64 = 273.15;

/// Why a text is not a unit here, or a conversion cannot be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum UcumError {
    /// Nothing there. A number without dimension is `1`.
    #[error("a unit cannot be empty; a number without unit has the unit \"1\"")]
    Empty,
    /// Longer than any unit.
    #[error("a unit has at most {limit} characters, this one has {found}")]
    TooLong {
        /// Characters found.
        found: usize,
        /// Characters allowed.
        limit: usize,
    },
    /// Not an atom known here, nor a prefix before one.
    #[error("\"{found}\" in the unit \"{code}\" is not known here{}", or_rather(*.suggestion))]
    Unknown {
        /// The whole text.
        code: String,
        /// The part that is not known.
        found: String,
        /// What the writer may have meant.
        suggestion: Option<&'static str>,
    },
    /// A character that cannot stand there.
    #[error("{found:?} cannot stand at character {position} of the unit \"{code}\"")]
    UnexpectedCharacter {
        /// The whole text.
        code: String,
        /// The character.
        found: char,
        /// Its place, from 1.
        position: usize,
    },
    /// The text ends where a unit or a bracket must follow.
    #[error("the unit \"{code}\" ends too early: {expected} must follow")]
    Incomplete {
        /// The whole text.
        code: String,
        /// What must follow.
        expected: &'static str,
    },
    /// `Cel` with a prefix, an exponent or in a product.
    #[error("\"Cel\" in \"{code}\" must stand alone: its scale does not begin at zero")]
    CelsiusNotAlone {
        /// The whole text.
        code: String,
    },
    /// Numbers beyond what can be held exactly.
    #[error("the unit \"{code}\" holds a number too large to be exact")]
    TooLarge {
        /// The whole text.
        code: String,
    },
    /// Two units of different dimension.
    #[error("{from} ({from_dimension}) cannot be converted to {to} ({to_dimension})")]
    NotCommensurable {
        /// Unit given.
        from: String,
        /// Its dimension.
        from_dimension: Dimension,
        /// Unit wanted.
        to: String,
        /// Its dimension.
        to_dimension: Dimension,
    },
    /// The value is NaN or infinite, or becomes so.
    #[error("{value} {from} is not a finite number of {to}")]
    NotFinite {
        /// The value given.
        value: f64,
        /// Unit given.
        from: String,
        /// Unit wanted.
        to: String,
    },
}

fn or_rather(suggestion: Option<&'static str>) -> String {
    suggestion.map_or_else(String::new, |code| format!("; did you mean \"{code}\"?"))
}

impl Unit {
    /// Reads a UCUM code.
    ///
    /// # Errors
    /// When the text is no UCUM expression, or holds an atom that is not known here.
    pub fn parse(code: &str) -> Result<Self, UcumError> {
        let term = parser::parse(code)?;
        Ok(Self {
            code: code.to_owned(),
            display: term.display,
            dimension: term.dimension,
            scale: term.scale,
            zero: if term.celsius {
                Zero::Celsius
            } else {
                Zero::Absolute
            },
        })
    }

    /// The code, as it was read.
    #[must_use]
    pub fn code(&self) -> &str {
        &self.code
    }

    /// For people: `µg/L`, `mm²`, `°C`. Never read back.
    #[must_use]
    pub fn display(&self) -> &str {
        &self.display
    }

    /// The dimension.
    #[must_use]
    pub fn dimension(&self) -> Dimension {
        self.dimension
    }

    /// Whether values in this unit can be converted to the other.
    #[must_use]
    pub fn is_commensurable_with(&self, other: &Self) -> bool {
        self.dimension == other.dimension
    }

    /// Whether the two codes mean the same unit (`ug/L` and `ng/mL` do).
    #[must_use]
    pub fn is_equal_to(&self, other: &Self) -> bool {
        self.dimension == other.dimension && self.scale == other.scale && self.zero == other.zero
    }

    /// Converts a value in this unit to another. The ratio of the two units is kept as whole numbers and a power of
    /// ten, so a change of prefix rounds once and equal units not at all.
    ///
    /// # Errors
    /// When the dimensions differ, or the value is or becomes NaN or infinite.
    pub fn convert(&self, value: f64, to: &Self) -> Result<f64, UcumError> {
        if !self.is_commensurable_with(to) {
            return Err(UcumError::NotCommensurable {
                from: self.code.clone(),
                from_dimension: self.dimension,
                to: to.code.clone(),
                to_dimension: to.dimension,
            });
        }
        // Equal scales give exactly one; the quotient of two sizes that cannot be held is no conversion.
        let scaled = |number: f64| self.scale.divided_by(to.scale).map(|ratio| ratio.times(number));
        let converted = match (self.zero, to.zero) {
            (Zero::Absolute, Zero::Absolute) => scaled(value),
            (Zero::Celsius, Zero::Celsius) => Some(value),
            (Zero::Celsius, Zero::Absolute) => scaled(value + CELSIUS_ZERO_K),
            (Zero::Absolute, Zero::Celsius) => scaled(value).map(|kelvin| kelvin - CELSIUS_ZERO_K),
        };
        converted
            .filter(|number| number.is_finite())
            .ok_or_else(|| UcumError::NotFinite {
                value,
                from: self.code.clone(),
                to: to.code.clone(),
            })
    }
}

/// Converts a value between two units given by their codes.
///
/// ```
/// use spotwright_domain::ucum::convert;
/// assert_eq!(convert(90.0, "min", "h"), Ok(1.5));
/// assert!(convert(90.0, "min", "mm").is_err());
/// ```
///
/// # Errors
/// When a code cannot be read, the dimensions differ, or the value is or becomes NaN or infinite.
pub fn convert(value: f64, from: &str, to: &str) -> Result<f64, UcumError> {
    Unit::parse(from)?.convert(value, &Unit::parse(to)?)
}

impl fmt::Display for Unit {
    /// The code.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.code)
    }
}

impl Dimension {
    fn each(self) -> [(&'static str, i32); 5] {
        [
            ("length", self.length),
            ("mass", self.mass),
            ("time", self.time),
            ("temperature", self.temperature),
            ("amount", self.amount),
        ]
    }

    fn plus(self, other: Self, sign: i32) -> Self {
        Self {
            length: self.length + sign * other.length,
            mass: self.mass + sign * other.mass,
            time: self.time + sign * other.time,
            temperature: self.temperature + sign * other.temperature,
            amount: self.amount + sign * other.amount,
        }
    }

    fn times(self, exponent: i32) -> Self {
        Self {
            length: self.length * exponent,
            mass: self.mass * exponent,
            time: self.time * exponent,
            temperature: self.temperature * exponent,
            amount: self.amount * exponent,
        }
    }
}

impl fmt::Display for Dimension {
    /// In words: `mass·length^-3`; `number` for none.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let words: Vec<String> = self
            .each()
            .into_iter()
            .filter(|(_, exponent)| *exponent != 0)
            .map(|(word, exponent)| {
                if exponent == 1 {
                    word.to_owned()
                } else {
                    format!("{word}^{exponent}")
                }
            })
            .collect();
        f.write_str(&if words.is_empty() {
            "number".to_owned()
        } else {
            words.join("·")
        })
    }
}
