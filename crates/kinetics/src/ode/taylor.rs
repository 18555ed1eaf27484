//! Stepping a compartment model by its own Taylor series.
//!
//! The right-hand side is made of sums, products and one quotient, so that every Taylor coefficient of the solution follows
//! from those before it by recurrence, without differencing; with dual numbers the sensitivities come the same way. Order
//! and step length after À. Jorba, M. Zou, "A software package for the numerical integration of ODEs by means of high-order
//! Taylor methods", Experimental Mathematics 14 (2005) 99-117: the step is the part of the radius of convergence (seen in
//! the last two coefficients) at which the last term falls below the tolerance.

use crate::structure::StructureError;
use crate::structure::plan::Layout;
use crate::structure::transition::LinearRates;
use spotwright_numerics::dual::Real;

/// Degree of the series.
const ORDER: usize = 16;
/// Size of the last term kept, relative to the amounts in the body; what is left out is smaller by the same ratio again.
const TOLERANCE: f64 = 1e-13;
/// Steps between two events before we give up.
const MOST_STEPS: usize = 200_000;

type Series<R> = [R; ORDER + 1];

/// Kinetics of one segment.
#[derive(Debug, Clone, Copy)]
pub(crate) struct NonlinearRates<R> {
    pub(crate) linear: LinearRates<R>,
    /// Change of CL/V an hour.
    pub(crate) elimination_slope: R,
    /// Vmax at the segment's beginning, amount/h, and its change an hour.
    pub(crate) maximum_rate: R,
    pub(crate) maximum_rate_slope: R,
    /// Km, when elimination saturates.
    pub(crate) michaelis: Option<R>,
}

/// Coefficients of every amount, kept between steps.
#[derive(Debug, Clone, Default)]
pub(crate) struct TaylorScratch<R> {
    series: Vec<Series<R>>,
}

/// Carries `state` on by `time_h`, which begins `since_h` after the segment's beginning.
pub(crate) fn advance_by_taylor<R: Real>(
    layout: &Layout,
    rates: &NonlinearRates<R>,
    since_h: R,
    time_h: R,
    state: &mut [R],
    scratch: &mut TaylorScratch<R>,
) -> Result<(), StructureError> {
    let zero = R::constant(0.0);
    scratch.series.clear();
    scratch.series.resize(layout.size, [zero; ORDER + 1]);
    let mut left = time_h;
    let mut since = since_h;
    for _ in 0..MOST_STEPS {
        expand(layout, rates, since, state, &mut scratch.series);
        let step = step_length(layout, &scratch.series);
        if step.is_nan() {
            return Err(StructureError::NotFinite);
        }
        if step >= left.value() {
            // The last step carries the end's own derivative (an uncertain time).
            sum_series(&scratch.series, left, state);
            return Ok(());
        }
        sum_series(&scratch.series, R::constant(step), state);
        left = left - step;
        since = since + step;
    }
    Err(StructureError::NotFinite)
}

/// All coefficients from the state.
fn expand<R: Real>(
    layout: &Layout,
    rates: &NonlinearRates<R>,
    since: R,
    state: &[R],
    series: &mut [Series<R>],
) {
    for (coefficients, start) in series.iter_mut().zip(state) {
        coefficients[0] = *start;
    }
    let linear = &rates.linear;
    let elimination = linear.elimination + rates.elimination_slope * since;
    let maximum = rates.maximum_rate + rates.maximum_rate_slope * since;
    let (c, first, length) = (layout.central, layout.chain, layout.chain_length);
    let slope_given =
        !(rates.elimination_slope.value().abs() <= 0.0 && rates.elimination_slope.is_constant());
    // Saturation U = conc/(Km + conc): U·(Km + conc) = conc, coefficient by coefficient.
    let mut saturation = [R::constant(0.0); ORDER + 1];
    let inverse_sum = rates
        .michaelis
        .map(|michaelis| R::constant(1.0) / (michaelis + series[c][0] * linear.concentration));
    for k in 0..ORDER {
        let share = 1.0 / (k + 1) as f64;
        let mut inflow = layout.rate.map_or(R::constant(0.0), |u| {
            if k == 0 { series[u][0] } else { R::constant(0.0) }
        });
        let mut previous = R::constant(0.0);
        for step in 0..length {
            let i = first + step;
            let rate = if step + 1 == length {
                linear.absorption
            } else {
                linear.transit
            };
            let flow = series[i][k] * rate;
            series[i][k + 1] = (previous - flow) * share;
            previous = flow;
        }
        inflow = inflow + previous;
        let central = series[c][k];
        let mut change = inflow - central * elimination;
        if slope_given && k > 0 {
            change = change - series[c][k - 1] * rates.elimination_slope;
        }
        if let Some(p) = layout.peripheral {
            let outward = central * linear.outward;
            let inward = series[p][k] * linear.inward;
            change = change - outward + inward;
            series[p][k + 1] = (outward - inward) * share;
        }
        if let Some(inverse) = inverse_sum {
            let mut sum = central;
            for i in 0..k {
                sum = sum - saturation[i] * series[c][k - i];
            }
            // `saturation` is kept per amount: conc = amount · concentration, which factors out of the sum.
            saturation[k] = sum * linear.concentration * inverse;
            change = change - saturation[k] * maximum;
            if k > 0 {
                change = change - saturation[k - 1] * rates.maximum_rate_slope;
            }
        }
        series[c][k + 1] = change * share;
        if let Some(area) = layout.area {
            series[area][k + 1] = central * linear.concentration * share;
        }
    }
    if let Some(u) = layout.rate {
        // The rate itself stays.
        series[u][1..].fill(R::constant(0.0));
    }
}

/// The step at which the last two terms fall below the tolerance; infinite when nothing changes.
fn step_length<R: Real>(layout: &Layout, series: &[Series<R>]) -> f64 {
    let amounts = layout.chain..=layout.peripheral.unwrap_or(layout.central);
    let size = |degree: usize| {
        amounts
            .clone()
            .fold(0.0f64, |most, i| most.max(series[i][degree].magnitude()))
    };
    let rate = layout.rate.map_or(0.0, |u| series[u][0].value());
    // Into an empty body the amounts are those of the first hour's infusion.
    let scale = size(0).max(rate);
    let mut step = f64::INFINITY;
    for degree in [ORDER - 1, ORDER] {
        let last = size(degree);
        if last.is_nan() || scale.is_nan() {
            return f64::NAN;
        }
        if last > 0.0 && scale > 0.0 {
            let ratio = libm::log(TOLERANCE * scale / last) / degree as f64;
            step = step.min(libm::exp(ratio));
        }
    }
    step
}

fn sum_series<R: Real>(series: &[Series<R>], time: R, state: &mut [R]) {
    for (amount, coefficients) in state.iter_mut().zip(series) {
        let mut sum = coefficients[ORDER];
        for k in (0..ORDER).rev() {
            sum = sum * time + coefficients[k];
        }
        *amount = sum;
    }
}
