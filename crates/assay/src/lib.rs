//! Areas to judged concentrations: calibration, controls, carry-over, run acceptance, result verdicts.
//!
//! [`judge_run`] takes a run's areas and gives a [`RunJudgement`]: whether the run stands, for each analyte, and why. The judgement
//! then makes the record of each injection on demand, so that a long run never holds all its results. Rules are named by
//! their numbers (M10-23, CAL-03, EV-55, …) as in the method's limits; a verdict is a value with reasons, never an error.
//!
//! | Question | Module |
//! |---|---|
//! | What is the ratio and how sure is it? | [`response_ratio`] |
//! | Which curve, which calibrators stand, what concentration? | [`calibration`] |
//! | How uncertain is the concentration, and from what? | [`uncertainty`], [`preparation`] |
//! | Do the controls stand, and where do samples lie among them? | [`controls`], [`brackets`] |
//! | Is a blank clean, is a sample carried over? | [`blanks`], [`carry_over`] |
//! | Does the internal standard behave? | [`internal_standard`] |
//! | Do two spots agree, does a repeat agree? | [`duplicates`], [`incurred_repeat`] |
//! | What becomes of a result, and what next? | [`verdict`] |
//! | What would the plasma or blood assay have read? | [`conversion`] |

pub mod blanks;
pub mod brackets;
pub mod calibration;
pub mod carry_over;
pub mod controls;
pub mod conversion;
pub mod duplicates;
pub mod incurred_repeat;
pub mod internal_standard;
pub mod limit;
pub mod preparation;
pub mod response_ratio;
pub mod uncertainty;
pub mod verdict;

mod analyte;
mod blank_evidence;
mod calibration_reasons;
mod card_facts;
mod control_reasons;
mod identity;
mod input;
mod instant;
mod judge;
mod measured;
mod peak_quality;
mod rack_shift;
mod result;
mod run;
mod run_curve;
mod sample_reasons;
mod sentence;
mod series;
mod standard_patterns;
mod system_suitability;

pub use input::{AnalyteResponses, AssayInjection, RunInput};
pub use judge::{JudgeError, RunJudgement, judge_facts, judge_run};
