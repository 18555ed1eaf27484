//! Doses and levels to exposure and dose options, with honest uncertainty.
//!
//! | Question | Module |
//! |---|---|
//! | What concentration does a dose history make? | [`structure`] |
//! | How probable are these levels for this person? | [`likelihood`] |
//! | What are this person's parameters, how sure, and do the levels fit? | [`estimate`] |
//! | Where do a model's numbers come from, and may it advise? | [`model`] |
//! | What could be given next, with which odds, or why is nothing said? | [`options`] |
//! | What do a whole profile's levels say without a model? | [`noncompartmental`] |
//! | What model describes a study's own persons? | [`population`] |
//! | Would studies simulated from it look like the study? | [`predictive_check`] |

pub mod estimate;
pub mod likelihood;
pub mod model;
pub mod noncompartmental;
pub mod options;
pub mod population;
pub mod predictive_check;
pub mod refusal;
pub mod structure;

mod ode;
