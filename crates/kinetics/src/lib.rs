//! Doses and levels to exposure and dose options, with honest uncertainty.
//!
//! | Question | Module |
//! |---|---|
//! | What concentration does a dose history make? | [`structure`] |
//! | How probable are these levels for this person? | [`likelihood`] |

pub mod likelihood;
pub mod structure;
