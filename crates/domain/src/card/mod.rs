//! A card as printed, and what a photograph of it was found to show.
//!
//! Millimetres are the layout's: x to the right and y downwards from the card's upper left corner, as printed.

mod extraction;
mod layout;
mod look;
mod photo;
mod reason;
mod record;
mod spot_limits;

pub use extraction::{AfterRecord, ExtractionRecord, TakenBy};
pub use layout::{BUILT_IN_LAYOUTS, CardLayout, Fiducial, FiducialShape, LayoutError, PrintedCircle, Region};
pub use look::{LOOK_VERSION, LookRecord, Need};
pub use photo::{
    Barcode, CardPlace, Identity, NameSource, NamedBy, PhotoFormat, PhotoLimits, PhotoProblem,
    PhotoProblemCode, Symbology,
};
pub use reason::{SpotReason, SpotReasonCode, heaviest_spot_reason};
pub use record::{
    CardRecord, CardSide, CardUse, ExtractionSite, Finding, HaematocritEstimate, LimitMargin, Origin,
    Overrule, OverruleError, SpotMeasures, SpotRecord, Suitability, VolumeEstimate,
};
pub use spot_limits::{SpotLimitRow, SpotLimits};
