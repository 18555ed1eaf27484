//! Why a structure, a dose history or a course cannot be computed.

use super::parameter::ParameterName;

/// A structure, its parameters or a dose history that makes no sense together.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StructureError {
    /// A parameter that the structure needs is not given.
    #[error("the structure needs {name}, which is not given")]
    ParameterMissing {
        /// The parameter.
        name: ParameterName,
    },
    /// A parameter is not a usable number.
    #[error("{name} is {found}; expected a finite number {expected}")]
    ParameterOutOfRange {
        /// The parameter.
        name: ParameterName,
        /// Its value.
        found: f64,
        /// What was expected.
        expected: &'static str,
    },
    /// The concentration multiplier is not above zero.
    #[error("the concentration multiplier is {found}; expected a finite number above zero")]
    MultiplierOutOfRange {
        /// The multiplier.
        found: f64,
    },
    /// A transit chain without a compartment, or with more than 30.
    #[error("the transit chain has {found} compartments; expected 1 to 30")]
    TransitChainLength {
        /// Compartments found.
        found: usize,
    },
    /// No knot, or knots out of order.
    #[error(
        "the parameter timeline needs at least one knot, in rising order of time; knot {position} is not"
    )]
    TimelineOrder {
        /// Position of the offending knot, from 0.
        position: usize,
    },
    /// Occasions out of order.
    #[error("occasion {position} does not begin after the one before it")]
    OccasionOrder {
        /// Position of the offending beginning, from 0.
        position: usize,
    },
    /// A dose with an amount or time that is not a usable number.
    #[error("dose {position}: {what} is {found}; expected {expected}")]
    DoseOutOfRange {
        /// Position in the list of doses, from 0; the steady-state dose counts as the first.
        position: usize,
        /// Which number.
        what: &'static str,
        /// The number found.
        found: f64,
        /// What was expected.
        expected: &'static str,
    },
    /// An extravascular dose for a structure that has no depot.
    #[error("dose {position} is extravascular, but the structure has intravenous input only")]
    NoDepot {
        /// Position in the list of doses, from 0.
        position: usize,
    },
    /// A listed dose lies before the steady-state dose, which already counts it.
    #[error("dose {position} at {time_h} h lies before the latest steady-state dose at {steady_state_h} h")]
    DoseBeforeSteadyState {
        /// Position in the list of doses, from 0.
        position: usize,
        /// Its time, h.
        time_h: f64,
        /// The latest steady-state dose, h.
        steady_state_h: f64,
    },
    /// Michaelis–Menten elimination cannot keep up with the regimen: there is no steady state.
    #[error(
        "no steady state: the regimen gives {rate_per_h} a hour and elimination reaches at most {maximum_per_h}"
    )]
    NoSteadyState {
        /// Amount given an hour.
        rate_per_h: f64,
        /// Vmax.
        maximum_per_h: f64,
    },
    /// The approach to steady state is too slow to compute.
    #[error("steady state is not reached within {intervals} dose intervals")]
    SteadyStateTooFar {
        /// Dose intervals computed.
        intervals: usize,
    },
    /// A time at which a concentration or an area is wanted is not a usable number.
    #[error("{what} {position} is {found}; expected {expected}")]
    RequestOutOfRange {
        /// What was asked for.
        what: &'static str,
        /// Position in its list, from 0.
        position: usize,
        /// The number found.
        found: f64,
        /// What was expected.
        expected: &'static str,
    },
    /// The result left the range of numbers.
    #[error("the computed concentrations are not finite: parameters too extreme")]
    NotFinite,
}
