//! The atoms and prefixes that are known (UCUM 2.2, tables 1–6). One line a unit, in the standard's own code.

use super::Dimension;
use super::scale::Scale;

/// An atom: its code, how it is shown, what it measures and how large it is.
#[derive(Debug, Clone, Copy)]
pub(super) struct Atom {
    pub(super) code: &'static str,
    pub(super) display: &'static str,
    /// Whether prefixes may stand before it.
    pub(super) metric: bool,
    pub(super) dimension: Dimension,
    /// Size in base units: a whole number, and a power of ten.
    size: (u64, i32),
}

impl Atom {
    pub(super) fn scale(&self) -> Option<Scale> {
        Scale::whole(self.size.0, self.size.1)
    }

    /// Degrees Celsius have a zero of their own and cannot be multiplied.
    pub(super) fn is_celsius(&self) -> bool {
        self.code == "Cel"
    }
}

const NUMBER: Dimension = Dimension {
    length: 0,
    mass: 0,
    time: 0,
    temperature: 0,
    amount: 0,
};
const LENGTH: Dimension = Dimension { length: 1, ..NUMBER };
const VOLUME: Dimension = Dimension { length: 3, ..NUMBER };
const MASS: Dimension = Dimension { mass: 1, ..NUMBER };
const TIME: Dimension = Dimension { time: 1, ..NUMBER };
const TEMPERATURE: Dimension = Dimension {
    temperature: 1,
    ..NUMBER
};
const AMOUNT: Dimension = Dimension { amount: 1, ..NUMBER };

const fn metric(code: &'static str, display: &'static str, dimension: Dimension, size: (u64, i32)) -> Atom {
    Atom {
        code,
        display,
        metric: true,
        dimension,
        size,
    }
}

const fn plain(code: &'static str, display: &'static str, dimension: Dimension, size: (u64, i32)) -> Atom {
    Atom {
        code,
        display,
        metric: false,
        dimension,
        size,
    }
}

/// Every atom.
pub(super) const ATOMS: [Atom; 18] = [
    metric("m", "m", LENGTH, (1, 0)),
    metric("g", "g", MASS, (1, 0)),
    metric("s", "s", TIME, (1, 0)),
    metric("K", "K", TEMPERATURE, (1, 0)),
    // Marked metric in the standard; a prefix before it is read, then refused because it must stand alone.
    metric("Cel", "°C", TEMPERATURE, (1, 0)),
    metric("mol", "mol", AMOUNT, (1, 0)),
    metric("L", "L", VOLUME, (1, -3)),
    metric("l", "l", VOLUME, (1, -3)),
    plain("min", "min", TIME, (60, 0)),
    plain("h", "h", TIME, (3_600, 0)),
    plain("d", "d", TIME, (86_400, 0)),
    plain("wk", "wk", TIME, (604_800, 0)),
    // A twelfth of the year below.
    plain("mo", "mo", TIME, (2_629_800, 0)),
    // Mean Julian year, 365.25 d.
    plain("a", "a", TIME, (31_557_600, 0)),
    plain("%", "%", NUMBER, (1, -2)),
    plain("[ppm]", "ppm", NUMBER, (1, -6)),
    plain("10*", "10", NUMBER, (10, 0)),
    plain("10^", "10", NUMBER, (10, 0)),
];

/// Every prefix: code, how it is shown, power of ten. The micro sign shown is U+00B5, which single-byte fonts and
/// code pages hold; the Greek letter U+03BC they do not.
pub(super) const PREFIXES: [(&str, &str, i32); 20] = [
    ("Y", "Y", 24),
    ("Z", "Z", 21),
    ("E", "E", 18),
    ("P", "P", 15),
    ("T", "T", 12),
    ("G", "G", 9),
    ("M", "M", 6),
    ("k", "k", 3),
    ("h", "h", 2),
    ("da", "da", 1),
    ("d", "d", -1),
    ("c", "c", -2),
    ("m", "m", -3),
    ("u", "\u{b5}", -6),
    ("n", "n", -9),
    ("p", "p", -12),
    ("f", "f", -15),
    ("a", "a", -18),
    ("z", "z", -21),
    ("y", "y", -24),
];

/// Writings met in practice that are not UCUM, and the code that was meant (common practice, no source).
const MEANT: [(&str, &str); 21] = [
    ("mcg", "ug"),
    ("mcL", "uL"),
    ("ML", "mL"),
    ("ml.", "mL"),
    ("UG", "ug"),
    ("MG", "mg"),
    ("NG", "ng"),
    ("G", "g"),
    ("Kg", "kg"),
    ("KG", "kg"),
    ("hr", "h"),
    ("hrs", "h"),
    ("sec", "s"),
    ("mins", "min"),
    ("day", "d"),
    ("days", "d"),
    ("yr", "a"),
    ("C", "Cel"),
    ("degC", "Cel"),
    ("uM", "umol/L"),
    ("nM", "nmol/L"),
];

/// The code a writer may have meant by an atom that is not known.
pub(super) fn meant(text: &str) -> Option<&'static str> {
    MEANT
        .iter()
        .find(|(written, _)| *written == text)
        .map(|(_, code)| *code)
}
