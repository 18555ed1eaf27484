//! Parameter values over time: covariates change, clearance induces itself, children mature.

use super::parameter::{ParameterName, Parameters};

/// Values that hold from a time on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimelineKnot {
    /// From when, h. The first knot also holds before its time.
    pub from_h: f64,
    /// The values.
    pub values: Parameters,
}

/// What happens between two knots.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum BetweenKnots {
    /// Values stay until the next knot.
    #[default]
    Constant,
    /// CL and Vmax run straight from knot to knot (autoinduction), before the first knot and after the last they stay;
    /// everything else stays until the next knot.
    LinearClearance,
}

/// Parameter values over time.
#[derive(Debug, Clone, PartialEq)]
pub struct ParameterTimeline {
    /// Knots in rising order of time; at least one.
    pub knots: Vec<TimelineKnot>,
    /// What happens between them.
    pub between: BetweenKnots,
}

impl ParameterTimeline {
    /// The same values at all times.
    #[must_use]
    pub fn constant(values: Parameters) -> Self {
        Self {
            knots: vec![TimelineKnot { from_h: 0.0, values }],
            between: BetweenKnots::Constant,
        }
    }

    /// The knot that holds at a time; at a knot's own time the earlier one when `before` is true.
    #[must_use]
    pub fn knot_at(&self, time_h: f64, before: bool) -> usize {
        let reached = self
            .knots
            .iter()
            .take_while(|knot| {
                if before {
                    knot.from_h < time_h
                } else {
                    knot.from_h <= time_h
                }
            })
            .count();
        reached.saturating_sub(1)
    }

    /// Every value of one parameter multiplied, at every knot where it is given.
    #[must_use]
    pub fn scaled(&self, name: ParameterName, factor: f64) -> Self {
        let mut scaled = self.clone();
        for knot in &mut scaled.knots {
            if let Some(value) = knot.values.get(name) {
                knot.values.set(name, value * factor);
            }
        }
        scaled
    }
}
