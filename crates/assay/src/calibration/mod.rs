//! From area ratios of known concentrations to a curve that stands, and back from a ratio to a concentration.

mod acceptance;
mod curve;
mod inverse;
mod inverse_prediction;
mod settle;

pub(crate) use acceptance::limit_pct;
pub use acceptance::{CalibratorCheck, CalibratorsDecision, LevelDecision, judge_calibrators};
pub use curve::{Curve, CurveError, fit_curve, fit_curve_with_weights};
pub use inverse::InverseOutcome;
pub use inverse_prediction::{
    InversePrediction, PredictionError, critical_value, detection_limit, inverse_prediction,
    quantification_limit,
};
pub use settle::{CalibratorPoint, SettledCurve, settle};
