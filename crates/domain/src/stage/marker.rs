//! The stages: by name, and as types that say what may follow what.

use serde::{Deserialize, Serialize};
use std::fmt;

/// The stages, as values.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StageName {
    /// Peaks are measured.
    Measured,
    /// The run and its results are judged.
    Accepted,
    /// Results are on the scale of the target range.
    Converted,
    /// Results are read against exposure and dose.
    Interpreted,
    /// A named person stands behind it.
    Released,
}

impl StageName {
    /// The word in files.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Measured => "measured",
            Self::Accepted => "accepted",
            Self::Converted => "converted",
            Self::Interpreted => "interpreted",
            Self::Released => "released",
        }
    }
}

impl fmt::Display for StageName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// A stage, as a type.
pub trait StageMarker {
    /// The stage as a value.
    const NAME: StageName;
}

/// A stage that is made from another.
pub trait Follows: StageMarker {
    /// The stage it is made from.
    type Predecessor: StageMarker;
}

/// Peaks are measured. Follows nothing: its evidence is raw files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Measured;
/// The run and its results are judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Accepted;
/// Results are on the scale of the target range.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Converted;
/// Results are read against exposure and dose.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Interpreted;
/// A named person stands behind it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Released;

impl StageMarker for Measured {
    const NAME: StageName = StageName::Measured;
}
impl StageMarker for Accepted {
    const NAME: StageName = StageName::Accepted;
}
impl StageMarker for Converted {
    const NAME: StageName = StageName::Converted;
}
impl StageMarker for Interpreted {
    const NAME: StageName = StageName::Interpreted;
}
impl StageMarker for Released {
    const NAME: StageName = StageName::Released;
}
impl Follows for Accepted {
    type Predecessor = Measured;
}
impl Follows for Converted {
    type Predecessor = Accepted;
}
impl Follows for Interpreted {
    type Predecessor = Converted;
}
impl Follows for Released {
    type Predecessor = Interpreted;
}
