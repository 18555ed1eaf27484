//! Trace to peak: noise, baseline, peak detection, integration, identity of the trace.
//!
//! Three acts, in this order, for every run:
//!
//! 1. [`match_traces`]: which trace of a file belongs to which transition of the method;
//! 2. [`learn_reference`]: from the run's own calibrators and controls, where each transition elutes, how wide and how
//!    tailed its peak is, how noise grows with signal, and hence the integration limits relative to the apex. The same
//!    limits serve every injection of the run (consistent parameters within a run, ICH M10 3.3.6);
//! 3. [`measure_injection`]: internal standards first, then everything else at its retention relative to them; each
//!    transition gives a [`PeakOutcome`](spotwright_domain::peak::PeakOutcome) with area and standard uncertainty.
//!
//! Smoothing serves to find peaks and their apex; areas are trapezoid sums of the points as recorded. Distances from an
//! apex are in seconds, times of day of the chromatogram in minutes, areas in counts·s.

mod area;
mod baseline;
mod candidate;
mod deconvolution;
mod emg;
mod empty;
mod figures;
mod injection;
mod learn;
mod manual;
mod matching;
mod noise;
mod order_statistic;
mod placement;
mod reference;
mod residuals;
mod scratch;
mod shape;
mod shoulder;
mod smoothing;
mod transition;
mod view;

pub use emg::Emg;
pub use injection::{InjectionMeasurement, MeasurementNote, TransitionMeasurement, measure_injection};
pub use learn::learn_reference;
pub use manual::ManualLimits;
pub use matching::{MatchCase, TraceMatch, match_traces};
pub use noise::NoiseModel;
pub use reference::{ReferenceNote, ReferenceOrigin, RunReference, TransitionReference};
pub use scratch::Scratch;
pub use shape::PeakShape;
