//! Doses and levels to exposure and dose options, with honest uncertainty.
//!
//! | Question | Module |
//! |---|---|
//! | What concentration does a dose history make? | [`structure`] |
//! | How probable are these levels for this person? | [`likelihood`] |
//! | What do a whole profile's levels say without a model? | [`noncompartmental`] |

pub mod likelihood;
pub mod noncompartmental;
pub mod structure;
