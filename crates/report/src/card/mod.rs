//! Cards as looked at: one annotated drawing a photograph, and a day's sheet sorted by what needs a person.

mod drawing;
mod sheet;
mod wording;

pub use drawing::{CardPicture, card_drawing, spot_crop};
pub use sheet::{CardSheet, SheetContext};
