//! Synthetic laboratory days with known truth.
//!
//! The simulator shares no formula with the code that measures: it knows the words of the domain and the mzML
//! writer, nothing else. What it says is true is described in `docs/truth.md`.
//!
//! ```
//! use spotwright_simulate::{Fault, PanelKind, RunPlan, simulate_run};
//!
//! let plan = RunPlan::with_fault(7, PanelKind::Antiepileptics, Fault::MissedSpray);
//! let run = simulate_run(&plan)?;
//! let met = run.truth().faults[0].orders[0];
//! let (injection, traces, truth) = run.iter().nth(met as usize - 1).unwrap();
//! assert_eq!(injection.order, met);
//! assert_eq!(traces.len(), truth.transitions.len());
//! assert_eq!(truth.faults, ["missed-spray"]);
//! # Ok::<(), spotwright_simulate::SimulateError>(())
//! ```

pub mod card;
mod covariates;
mod day;
mod error;
mod fault;
mod line;
mod method_file;
mod panel;
mod peak_shape;
mod people;
mod physics;
mod plan;
mod plant;
mod random;
mod render;
mod reporting;
mod reporting_file;
mod run;
mod sequence;
mod tables;
mod truth;

pub use day::{DaySummary, MARKER, write_day};
pub use error::SimulateError;
pub use fault::{Acceptance, Fault};
pub use panel::PanelKind;
pub use peak_shape::PeakShape;
pub use plan::{
    Compression, DEMO_SEED, DayPlan, MOST_INJECTIONS, MOST_INJECTIONS_PER_RUN, RunPlan, Scenario,
};
pub use run::{SimulatedRun, simulate_run};
pub use truth::{
    AcceptanceTruth, AnalyteTruth, FaultTruth, InjectionTruth, RunTruth, TransitionTruth, TrueCase, TruthLine,
};
