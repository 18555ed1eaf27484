//! What a model is made of: compartments, input, elimination, parameters over time, doses.

mod course;
mod dose;
mod error;
mod half_life;
pub(crate) mod modal;
mod parameter;
pub(crate) mod plan;
pub(crate) mod propagate;
mod timeline;
pub(crate) mod transition;

pub use course::{Course, PredictionGradient, areas_under_concentration, predict, predict_with_gradient};
pub use dose::{AtDoseTime, DoseEvent, DoseHistory, Route, SteadyState, TimeUncertainty};
pub use error::StructureError;
pub use half_life::half_life_h;
pub use parameter::{ParameterName, Parameters};
pub use timeline::{BetweenKnots, ParameterTimeline, TimelineKnot};

use serde::{Deserialize, Serialize};

/// How many compartments the drug distributes into.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Compartments {
    /// One: CL and V.
    One,
    /// Two: CL, V1, Q and V2.
    Two,
}

/// How an extravascular dose reaches the central compartment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Input {
    /// It cannot: only boluses and infusions.
    Intravenous,
    /// From a depot at rate ka, after tlag when that is given.
    FirstOrder,
    /// Depot → transit compartments → central, every step first order: ktr, the last step ka (ktr = ka unless given).
    TransitChain {
        /// Compartments between depot and central; at least one.
        transit_compartments: usize,
    },
}

/// How the drug leaves the central compartment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Elimination {
    /// Rate = CL · C.
    Linear,
    /// Rate = Vmax · C / (Km + C), and CL · C beside it when CL is given.
    MichaelisMenten,
}

/// The structure of a model.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Structure {
    /// How many compartments.
    pub compartments: Compartments,
    /// How an extravascular dose enters.
    pub input: Input,
    /// How the drug leaves.
    pub elimination: Elimination,
    /// From dose unit/L to the concentration unit (mg and ng/mL: 1000).
    pub concentration_multiplier: f64,
}
