//! What was given, when and how.

use serde::{Deserialize, Serialize};

/// How a dose enters the body.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Route {
    /// At once into the central compartment.
    Bolus,
    /// At a constant rate into the central compartment.
    Infusion {
        /// From start to end, h; above zero.
        duration_h: f64,
    },
    /// Through the depot (oral, intramuscular, subcutaneous), as the structure's input says.
    Extravascular,
}

/// How well a time is known: a distribution around the stated time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum TimeUncertainty {
    /// Normal with this standard deviation, h.
    Normal {
        /// Standard deviation, h; above zero.
        sd_h: f64,
    },
    /// Uniform within this distance on both sides, h.
    Uniform {
        /// Half the width, h; above zero.
        half_width_h: f64,
    },
}

/// One dose.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DoseEvent {
    /// When it was given (an infusion: when it began), h on the problem's own time axis.
    pub time_h: f64,
    /// Amount in the structure's dose unit; zero or more.
    pub amount: f64,
    /// How it entered.
    pub route: Route,
    /// How well the time is known; `None` when it is taken as true.
    #[serde(default)]
    pub time_uncertainty: Option<TimeUncertainty>,
}

impl DoseEvent {
    /// A dose at an exactly known time.
    #[must_use]
    pub fn new(time_h: f64, amount: f64, route: Route) -> Self {
        Self {
            time_h,
            amount,
            route,
            time_uncertainty: None,
        }
    }
}

/// A regimen that has run for ever: `dose` at `dose.time_h` and at every whole `interval_h` before it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SteadyState {
    /// The latest dose of the regimen; it counts too.
    pub dose: DoseEvent,
    /// Time from dose to dose, h.
    pub interval_h: f64,
}

/// All doses of one person.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct DoseHistory {
    /// A regimen taken to have run for ever before the listed doses.
    #[serde(default)]
    pub steady_state: Option<SteadyState>,
    /// Single doses, in any order, none before the steady state's latest dose.
    pub doses: Vec<DoseEvent>,
}

impl DoseHistory {
    /// These doses and none before.
    #[must_use]
    pub fn of(doses: Vec<DoseEvent>) -> Self {
        Self {
            steady_state: None,
            doses,
        }
    }

    /// `count` equal doses, the first at `first_h`.
    #[must_use]
    pub fn regular(first_h: f64, interval_h: f64, count: usize, amount: f64, route: Route) -> Self {
        Self::of(
            (0..count)
                .map(|i| DoseEvent::new(first_h + i as f64 * interval_h, amount, route))
                .collect(),
        )
    }

    /// Steady state of a regimen, its latest dose at `time_h`.
    #[must_use]
    pub fn at_steady_state(time_h: f64, interval_h: f64, amount: f64, route: Route) -> Self {
        Self {
            steady_state: Some(SteadyState {
                dose: DoseEvent::new(time_h, amount, route),
                interval_h,
            }),
            doses: Vec::new(),
        }
    }
}

/// Which side of a dose a sample taken exactly at the dose's time is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum AtDoseTime {
    /// Taken before the dose: the rule for every clinical sample.
    #[default]
    Before,
    /// Taken after the dose: a bolus counts at its own time.
    After,
}
