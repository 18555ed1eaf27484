//! Judged runs to documents: self-contained HTML pages and SVG figures.
//!
//! A [`RunPage`] is written once, front to back, while a run's injections pass by; it needs no server, no network
//! and no other file. Without scripts every table and figure can still be read; with them results can be filtered
//! and chromatograms opened full size.

mod answers;
mod card;
mod chromatogram;
pub mod figure;
mod index;
mod interpretation;
mod number;
mod page;
mod words;

pub use answers::{AnswerLink, answers_page};
pub use card::{CardPicture, CardSheet, SheetContext, card_drawing, spot_crop};
pub use index::{DayContext, RunLink, index_page};
pub use interpretation::interpretation_page;
pub use page::{Drawer, DrawnInjection, PageContext, PageTotals, RunPage, Shown};
