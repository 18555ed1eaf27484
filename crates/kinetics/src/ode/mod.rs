//! Saturable elimination and clearance that changes with time: the differential equation by Taylor series.

mod taylor;

pub(crate) use taylor::{NonlinearRates, TaylorScratch, advance_by_taylor};
