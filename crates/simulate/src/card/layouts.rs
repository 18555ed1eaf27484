//! The designs cards are printed in: the built-in ones and two that only the simulator has, for variety.

use crate::error::SimulateError;
use spotwright_domain::card::{BUILT_IN_LAYOUTS, CardLayout};

/// Designs of the simulator's own, written beside the photographs so that they can be read.
pub(crate) const OWN_LAYOUTS: [(&str, &str); 2] = [
    ("sim-six", include_str!("layouts/sim-six.toml")),
    ("sim-three", include_str!("layouts/sim-three.toml")),
];

/// All designs: built-in first.
///
/// # Errors
/// When a design's text is not one.
pub(crate) fn layouts() -> Result<Vec<CardLayout>, SimulateError> {
    BUILT_IN_LAYOUTS
        .iter()
        .chain(&OWN_LAYOUTS)
        .map(|(name, text)| {
            let layout: CardLayout = toml::from_str(text).map_err(|error| SimulateError::Layout {
                name,
                problem: error.to_string(),
            })?;
            layout.check().map_err(|error| SimulateError::Layout {
                name,
                problem: error.to_string(),
            })?;
            Ok(layout)
        })
        .collect()
}
