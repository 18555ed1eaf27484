//! Walks a plan's events, carrying the amounts from one to the next.

use super::dose::Route;
use super::error::StructureError;
use super::parameter::ParameterName;
use super::plan::{Event, EventKind, Plan, PlannedSteadyState};
use super::timeline::ParameterTimeline;
use super::transition::{LinearRates, TransitionScratch, apply, transition};
use super::{Compartments, Elimination, Input};
use crate::ode::{NonlinearRates, TaylorScratch, advance_by_taylor};
use spotwright_numerics::dual::Real;

/// Dose intervals computed on the way to a Michaelis–Menten steady state.
const MOST_INTERVALS: usize = 3000;

/// Parameters of one segment, with derivatives in whatever directions the caller seeds.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SegmentParameters<R> {
    values: [Option<R>; 12],
    /// Change of CL and Vmax an hour.
    pub(crate) clearance_slope: R,
    pub(crate) maximum_rate_slope: R,
}

impl<R: Real> SegmentParameters<R> {
    /// The parameters of segment `segment`, each multiplied by its factor.
    pub(crate) fn new(
        plan: &Plan,
        timeline: &ParameterTimeline,
        segment: usize,
        factor: impl Fn(ParameterName) -> R,
    ) -> Self {
        let place = plan.segments[segment];
        let knot = &timeline.knots[place.knot];
        let mut values = [None; 12];
        for (name, value) in knot.values.iter() {
            values[name as usize] = Some(factor(name) * value);
        }
        let mut all = Self {
            values,
            clearance_slope: R::constant(0.0),
            maximum_rate_slope: R::constant(0.0),
        };
        if let Some(next) = place.towards {
            let next = &timeline.knots[next];
            let width = next.from_h - knot.from_h;
            for (name, slope) in [
                (ParameterName::Clearance, &mut all.clearance_slope),
                (ParameterName::MaximumRate, &mut all.maximum_rate_slope),
            ] {
                if let (Some(here), Some(there)) = (knot.values.get(name), next.values.get(name)) {
                    let an_hour = (there - here) / width;
                    *slope = factor(name) * an_hour;
                    // A segment may begin between two knots, at an occasion.
                    let begun = here + an_hour * (place.from_h - knot.from_h);
                    all.values[name as usize] = Some(factor(name) * begun);
                }
            }
        }
        all
    }

    #[inline]
    fn get(&self, name: ParameterName) -> Option<R> {
        self.values[name as usize]
    }

    #[inline]
    fn or(&self, name: ParameterName, otherwise: f64) -> R {
        self.get(name).unwrap_or_else(|| R::constant(otherwise))
    }

    /// What reaches the depot of an extravascular dose, as a fraction.
    pub(crate) fn absorbed_fraction(&self) -> R {
        self.or(ParameterName::Bioavailability, 1.0) * self.or(ParameterName::RelativeBioavailability, 1.0)
    }

    pub(crate) fn lag(&self) -> R {
        self.or(ParameterName::LagTime, 0.0)
    }

    fn linear(&self, plan: &Plan) -> LinearRates<R> {
        let structure = &plan.structure;
        let volume = self.or(structure.central_volume(), 1.0);
        let absorption = self.or(ParameterName::AbsorptionRate, 0.0);
        let zero = R::constant(0.0);
        let (outward, inward) = match structure.compartments {
            Compartments::One => (zero, zero),
            Compartments::Two => {
                let flow = self.or(ParameterName::IntercompartmentalClearance, 0.0);
                (
                    flow / volume,
                    flow / self.or(ParameterName::PeripheralVolume, 1.0),
                )
            }
        };
        LinearRates {
            transit: match structure.input {
                Input::TransitChain { .. } => self.get(ParameterName::TransitRate).unwrap_or(absorption),
                _ => absorption,
            },
            absorption,
            elimination: self.or(ParameterName::Clearance, 0.0) / volume,
            outward,
            inward,
            concentration: R::constant(structure.concentration_multiplier) / volume,
        }
    }

    fn nonlinear(&self, plan: &Plan) -> NonlinearRates<R> {
        let linear = self.linear(plan);
        let volume = self.or(plan.structure.central_volume(), 1.0);
        let saturable = plan.structure.elimination == Elimination::MichaelisMenten;
        NonlinearRates {
            elimination_slope: self.clearance_slope / volume,
            maximum_rate: if saturable {
                self.or(ParameterName::MaximumRate, 0.0)
            } else {
                R::constant(0.0)
            },
            maximum_rate_slope: self.maximum_rate_slope,
            michaelis: saturable.then(|| self.or(ParameterName::MichaelisConstant, 1.0)),
            linear,
        }
    }
}

/// Everything a walk needs, kept between walks.
#[derive(Debug, Clone, Default)]
pub(crate) struct Scratch<R> {
    state: Vec<R>,
    moved: Vec<R>,
    shifts: Vec<R>,
    order: Vec<Event>,
    area_start: Vec<R>,
    transition: TransitionScratch<R>,
    cached: Vec<(usize, u64, Vec<R>)>,
    cached_used: usize,
    taylor: TaylorScratch<R>,
}

/// Concentrations at the samples and areas under the concentration, in the order they were asked for.
#[derive(Debug, Clone, Default)]
pub(crate) struct Outcome<R> {
    pub(crate) concentrations: Vec<R>,
    pub(crate) areas: Vec<R>,
}

/// Walks the plan with these parameters (one a segment) and latent times (hours).
pub(crate) fn walk<R: Real>(
    plan: &Plan,
    parameters: &[SegmentParameters<R>],
    latent_h: &[R],
    scratch: &mut Scratch<R>,
    outcome: &mut Outcome<R>,
) -> Result<(), StructureError> {
    let zero = R::constant(0.0);
    scratch.cached_used = 0;
    outcome.concentrations.clear();
    outcome.concentrations.resize(plan.samples, zero);
    outcome.areas.clear();
    outcome.areas.resize(plan.areas, zero);
    scratch.area_start.clear();
    scratch.area_start.resize(plan.areas, zero);
    scratch.state.clear();
    scratch.state.resize(plan.layout.size, zero);
    scratch.moved.clear();
    scratch.moved.resize(plan.layout.size, zero);
    order_events(plan, parameters, latent_h, scratch);

    let mut walk = Walk {
        plan,
        parameters,
        segment: 0,
        base_h: 0.0,
        shift: 0,
        started: false,
    };
    if let Some(steady) = &plan.steady {
        walk.segment = steady.segment;
        walk.base_h = steady.at_h;
        walk.started = true;
        walk.steady_state(steady, scratch)?;
    }
    let events = std::mem::take(&mut scratch.order);
    let mut result = Ok(());
    for event in &events {
        result = walk.meet(event, scratch, outcome);
        if result.is_err() {
            break;
        }
    }
    scratch.order = events;
    result?;
    let finite = outcome
        .concentrations
        .iter()
        .chain(&outcome.areas)
        .all(Real::is_finite);
    finite.then_some(()).ok_or(StructureError::NotFinite)
}

/// The shifts' values, and the events in the order they happen.
fn order_events<R: Real>(
    plan: &Plan,
    parameters: &[SegmentParameters<R>],
    latent_h: &[R],
    scratch: &mut Scratch<R>,
) {
    scratch.shifts.clear();
    scratch.shifts.extend(plan.shifts.iter().map(|shift| {
        let lag = shift
            .lag_of_segment
            .map_or(R::constant(0.0), |s| parameters[s].lag());
        shift.latent.map_or(lag, |latent| lag + latent_h[latent])
    }));
    scratch.order.clear();
    scratch.order.extend_from_slice(&plan.events);
    if plan.reorder {
        // Nearly sorted already: insertion keeps equal times in their planned order.
        let when = |e: &Event| e.base_h + scratch.shifts[e.shift].value();
        for i in 1..scratch.order.len() {
            let mut j = i;
            while j > 0 {
                let (a, b) = (&scratch.order[j - 1], &scratch.order[j]);
                let (earlier, later) = (when(a), when(b));
                if earlier < later || earlier <= later && a.rank <= b.rank {
                    break;
                }
                scratch.order.swap(j - 1, j);
                j -= 1;
            }
        }
    }
}

struct Walk<'a, R> {
    plan: &'a Plan,
    parameters: &'a [SegmentParameters<R>],
    segment: usize,
    base_h: f64,
    shift: usize,
    started: bool,
}

impl<R: Real> Walk<'_, R> {
    fn meet(
        &mut self,
        event: &Event,
        scratch: &mut Scratch<R>,
        outcome: &mut Outcome<R>,
    ) -> Result<(), StructureError> {
        if self.started {
            let mut time = R::constant(event.base_h - self.base_h);
            if event.shift != self.shift {
                time = time + (scratch.shifts[event.shift] - scratch.shifts[self.shift]);
            }
            self.advance(time, scratch)?;
        }
        self.started = true;
        self.base_h = event.base_h;
        self.shift = event.shift;
        let layout = &self.plan.layout;
        match event.kind {
            EventKind::Sample(i) => {
                let rates = self.parameters[self.segment].linear(self.plan);
                outcome.concentrations[i] = scratch.state[layout.central] * rates.concentration;
            }
            EventKind::AreaMark { area, end } => {
                if let Some(place) = layout.area {
                    if end {
                        outcome.areas[area] = scratch.state[place] - scratch.area_start[area];
                    } else {
                        scratch.area_start[area] = scratch.state[place];
                    }
                }
            }
            EventKind::Change(segment) => self.segment = segment,
            EventKind::Entry(dose) => {
                let dose = &self.plan.doses[dose];
                let (place, amount) = if dose.route == Route::Extravascular {
                    let fraction = self.parameters[dose.segment].absorbed_fraction();
                    (layout.chain, fraction * dose.amount)
                } else {
                    (layout.central, R::constant(dose.amount))
                };
                scratch.state[place] = scratch.state[place] + amount;
            }
            EventKind::InfusionStart(dose) => self.infuse(dose, 1.0, scratch),
            EventKind::InfusionEnd(dose) => self.infuse(dose, -1.0, scratch),
        }
        Ok(())
    }

    fn infuse(&self, dose: usize, sign: f64, scratch: &mut Scratch<R>) {
        let dose = &self.plan.doses[dose];
        if let (Some(place), Route::Infusion { duration_h }) = (self.plan.layout.rate, dose.route) {
            scratch.state[place] = scratch.state[place] + sign * dose.amount / duration_h;
        }
    }

    fn is_linear(&self) -> bool {
        self.plan.structure.elimination == Elimination::Linear
            && self.plan.segments[self.segment].towards.is_none()
    }

    fn advance(&self, time_h: R, scratch: &mut Scratch<R>) -> Result<(), StructureError> {
        if time_h.value() <= 0.0 && time_h.is_constant() {
            return Ok(());
        }
        if scratch
            .state
            .iter()
            .all(|v| v.value().abs() <= 0.0 && v.is_constant())
        {
            return Ok(());
        }
        let parameters = &self.parameters[self.segment];
        if self.is_linear() {
            let layout = &self.plan.layout;
            let key = (self.segment, time_h.value().to_bits());
            let cacheable = time_h.is_constant();
            let used = scratch.cached_used;
            let found = scratch.cached[..used]
                .iter()
                .position(|(segment, bits, _)| cacheable && (*segment, *bits) == key);
            let slot = found.unwrap_or_else(|| {
                if scratch.cached.len() == used {
                    scratch.cached.push((0, 0, Vec::new()));
                }
                let entry = &mut scratch.cached[used];
                (entry.0, entry.1) = key;
                transition(
                    layout,
                    &parameters.linear(self.plan),
                    time_h,
                    &mut scratch.transition,
                    &mut entry.2,
                );
                if cacheable {
                    scratch.cached_used += 1;
                }
                used
            });
            apply(
                layout,
                &scratch.cached[slot].2,
                &scratch.state,
                &mut scratch.moved,
            );
            std::mem::swap(&mut scratch.state, &mut scratch.moved);
            return Ok(());
        }
        let from_h = self.plan.segments[self.segment].from_h;
        let since = if from_h.is_finite() {
            scratch.shifts[self.shift] + (self.base_h - from_h)
        } else {
            R::constant(0.0)
        };
        let rates = parameters.nonlinear(self.plan);
        advance_by_taylor(
            &self.plan.layout,
            &rates,
            since,
            time_h,
            &mut scratch.state,
            &mut scratch.taylor,
        )
    }

    /// The state just before a dose of a regimen that has run for ever.
    fn steady_state(
        &self,
        steady: &PlannedSteadyState,
        scratch: &mut Scratch<R>,
    ) -> Result<(), StructureError> {
        let parameters = &self.parameters[self.segment];
        let lag = if steady.route == Route::Extravascular {
            parameters.lag()
        } else {
            R::constant(0.0)
        };
        if lag.value() >= steady.interval_h {
            return Err(StructureError::DoseOutOfRange {
                position: 0,
                what: "lag time (h)",
                found: lag.value(),
                expected: "below the dose interval of the steady state",
            });
        }
        if self.is_linear() {
            self.linear_steady_state(steady, scratch)?;
        } else {
            self.saturable_steady_state(steady, scratch)?;
        }
        self.give(steady, scratch)?;
        let duration = match steady.route {
            Route::Infusion { duration_h } => duration_h,
            _ => 0.0,
        };
        self.advance(-(lag - (steady.interval_h - duration)), scratch)?;
        if let Some(area) = self.plan.layout.area {
            scratch.state[area] = R::constant(0.0);
        }
        Ok(())
    }

    /// Gives one dose of the regimen: an infusion is over when this returns.
    fn give(&self, steady: &PlannedSteadyState, scratch: &mut Scratch<R>) -> Result<(), StructureError> {
        let layout = &self.plan.layout;
        let add = |state: &mut [R], place: usize, amount: R| state[place] = state[place] + amount;
        match steady.route {
            Route::Bolus => add(&mut scratch.state, layout.central, R::constant(steady.amount)),
            Route::Extravascular => {
                let amount = self.parameters[steady.segment].absorbed_fraction() * steady.amount;
                add(&mut scratch.state, layout.chain, amount);
            }
            Route::Infusion { duration_h } => {
                if let Some(place) = layout.rate {
                    scratch.state[place] = R::constant(steady.amount / duration_h);
                    self.advance(R::constant(duration_h), scratch)?;
                    scratch.state[place] = R::constant(0.0);
                }
            }
        }
        Ok(())
    }

    /// Solves x = E·(x + dose) for the state before a dose enters, E the transition over an interval.
    fn linear_steady_state(
        &self,
        steady: &PlannedSteadyState,
        scratch: &mut Scratch<R>,
    ) -> Result<(), StructureError> {
        let layout = &self.plan.layout;
        let n = layout.size;
        let duration = match steady.route {
            Route::Infusion { duration_h } => duration_h,
            _ => 0.0,
        };
        self.give(steady, scratch)?;
        self.advance(R::constant(steady.interval_h - duration), scratch)?;
        let mut matrix = Vec::new();
        let mut room = TransitionScratch::default();
        let rates = self.parameters[self.segment].linear(self.plan);
        transition(
            layout,
            &rates,
            R::constant(steady.interval_h),
            &mut room,
            &mut matrix,
        );
        // Chain, central and peripheral only: rate and area do not recur.
        let (low, high) = (layout.chain, layout.peripheral.unwrap_or(layout.central) + 1);
        for i in low..high {
            for j in low..high {
                let identity = if i == j { 1.0 } else { 0.0 };
                matrix[i * n + j] = -(matrix[i * n + j] - identity);
            }
        }
        solve_in_place(&mut matrix, n, low, high, &mut scratch.state);
        Ok(())
    }

    /// Doses until the state recurs, from the level at which elimination balances the mean rate of dosing.
    fn saturable_steady_state(
        &self,
        steady: &PlannedSteadyState,
        scratch: &mut Scratch<R>,
    ) -> Result<(), StructureError> {
        let layout = &self.plan.layout;
        let parameters = &self.parameters[self.segment];
        let rates = parameters.nonlinear(self.plan);
        let fraction = if steady.route == Route::Extravascular {
            parameters.absorbed_fraction()
        } else {
            R::constant(1.0)
        };
        let dosing = fraction * (steady.amount / steady.interval_h);
        let no_clearance = rates.linear.elimination.value() <= 0.0;
        if no_clearance && dosing.value() >= rates.maximum_rate.value() {
            return Err(StructureError::NoSteadyState {
                rate_per_h: dosing.value(),
                maximum_per_h: rates.maximum_rate.value(),
            });
        }
        if let (true, Some(michaelis)) = (no_clearance, rates.michaelis) {
            let level = michaelis * dosing / (rates.maximum_rate - dosing);
            scratch.state[layout.central] = level / rates.linear.concentration;
            if let Some(p) = layout.peripheral {
                let central = scratch.state[layout.central];
                scratch.state[p] = central * rates.linear.outward / rates.linear.inward;
            }
        }
        let duration = match steady.route {
            Route::Infusion { duration_h } => duration_h,
            _ => 0.0,
        };
        let mut before = scratch.state.clone();
        for _ in 0..MOST_INTERVALS {
            self.give(steady, scratch)?;
            self.advance(R::constant(steady.interval_h - duration), scratch)?;
            if let Some(area) = layout.area {
                scratch.state[area] = R::constant(0.0);
            }
            let size = scratch
                .state
                .iter()
                .fold(0.0f64, |most, v| most.max(v.magnitude()));
            let change = scratch
                .state
                .iter()
                .zip(&before)
                .fold(0.0f64, |most, (now, then)| most.max((*now - *then).magnitude()));
            if change <= 1e-13 * size {
                return Ok(());
            }
            before.copy_from_slice(&scratch.state);
        }
        Err(StructureError::SteadyStateTooFar {
            intervals: MOST_INTERVALS,
        })
    }
}

/// Gaussian elimination without exchanges: I − E of a compartment model is an M-matrix, for which it is stable.
fn solve_in_place<R: Real>(matrix: &mut [R], n: usize, low: usize, high: usize, b: &mut [R]) {
    for k in low..high {
        for i in k + 1..high {
            let factor = matrix[i * n + k] / matrix[k * n + k];
            for j in k..high {
                matrix[i * n + j] = matrix[i * n + j] - factor * matrix[k * n + j];
            }
            b[i] = b[i] - factor * b[k];
        }
    }
    for i in (low..high).rev() {
        let mut sum = b[i];
        for j in i + 1..high {
            sum = sum - matrix[i * n + j] * b[j];
        }
        b[i] = sum / matrix[i * n + i];
    }
}
