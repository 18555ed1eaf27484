//! What a regimen comes to in steady state, for every draw of the posterior.

use super::draws::Draws;
use super::saturable_forecast::{self, Orbit};
use super::target::{TargetQuantity, TargetRange};
use crate::structure::{
    AtDoseTime, Compartments, Course, DoseHistory, Elimination, Input, ParameterName, ParameterTimeline,
    Parameters, Route, Structure,
};

/// Predictions of one regimen, a value a draw. Infinite: the draw has no steady state.
#[derive(Debug, Clone)]
pub(super) struct Forecast {
    pub(super) trough: Vec<f64>,
    pub(super) peak: Vec<f64>,
    pub(super) auc_24_h: Vec<f64>,
    /// One column for each target, in their order.
    pub(super) at_target: Vec<Vec<f64>>,
}

/// A regimen as the structure sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct ModelRegimen {
    /// One dose, model basis.
    pub(super) mg: f64,
    pub(super) interval_h: f64,
    pub(super) route: Route,
}

/// Points of one interval searched for the greatest concentration; it is refined by a parabola.
const GRID: usize = 24;

/// Forecasts for every draw; `None` when the structure cannot be asked so.
pub(super) fn forecast(
    structure: &Structure,
    typical: &Parameters,
    regimen: ModelRegimen,
    draws: &Draws,
    targets: &[TargetRange],
) -> Option<Forecast> {
    if saturable_forecast::answers(structure, regimen) {
        return Some(saturable(structure, typical, regimen, draws, targets));
    }
    let tau = regimen.interval_h;
    let timeline = ParameterTimeline::constant(*typical);
    let history = DoseHistory::at_steady_state(0.0, tau, regimen.mg, regimen.route);
    let grid = grid(regimen.route, tau);
    let mut times: Vec<(f64, AtDoseTime)> = grid.iter().map(|time| (*time, AtDoseTime::After)).collect();
    times.push((tau, AtDoseTime::Before));
    let after_end = match regimen.route {
        Route::Infusion { duration_h } => duration_h,
        _ => 0.0,
    };
    for target in targets {
        if let TargetQuantity::ConcentrationAt { hours_after_dose } = target.quantity {
            times.push(((after_end + hours_after_dose).min(tau), AtDoseTime::Before));
        }
    }
    // A regimen is asked once it exists for the typical person: what one draw lacks (a steady state) is named below.
    let mut course = Course::new(structure, &timeline, &history, &times, &[(0.0, tau)]).ok()?;
    let count = draws.count();
    let column = || Vec::with_capacity(count);
    let mut found = Forecast {
        trough: column(),
        peak: column(),
        auc_24_h: column(),
        at_target: targets.iter().map(|_| column()).collect(),
    };
    for draw in 0..count {
        let steady = course.run(&timeline, draws.factors(draw)).is_ok();
        let concentrations = course.concentrations();
        let area = course.areas()[0];
        let usable = steady && area.is_finite() && concentrations.iter().all(|c| c.is_finite());
        let (trough, peak, auc) = if usable {
            let trough = concentrations[grid.len()];
            let peak = peak(&grid, &concentrations[..grid.len()], trough);
            (trough, peak, area * 24.0 / tau)
        } else {
            (f64::INFINITY, f64::INFINITY, f64::INFINITY)
        };
        let mut at = grid.len() + 1;
        for (target, column) in targets.iter().zip(&mut found.at_target) {
            let value = match target.quantity {
                TargetQuantity::Trough => trough,
                TargetQuantity::Peak => peak,
                TargetQuantity::Auc24h => auc,
                TargetQuantity::Auc12h => auc / 2.0,
                TargetQuantity::ConcentrationAt { .. } => {
                    at += 1;
                    if usable {
                        concentrations[at - 1]
                    } else {
                        f64::INFINITY
                    }
                }
                TargetQuantity::TimeAbove { concentration } if usable => {
                    let points = grid.iter().copied().zip(concentrations.iter().copied());
                    time_above(points.take(grid.len()).chain([(tau, trough)]), tau, concentration)
                }
                TargetQuantity::TimeAbove { .. } => 100.0,
            };
            column.push(value);
        }
        found.trough.push(trough);
        found.peak.push(peak);
        found.auc_24_h.push(auc);
    }
    Some(found)
}

/// As [`forecast`], by the quick periodic orbit.
fn saturable(
    structure: &Structure,
    typical: &Parameters,
    regimen: ModelRegimen,
    draws: &Draws,
    targets: &[TargetRange],
) -> Forecast {
    let tau = regimen.interval_h;
    let mut found = Forecast {
        trough: Vec::new(),
        peak: Vec::new(),
        auc_24_h: Vec::new(),
        at_target: targets.iter().map(|_| Vec::new()).collect(),
    };
    let mut orbit = Orbit::default();
    for draw in 0..draws.count() {
        let steady = orbit.find(structure, &draws.values(draw, typical), regimen);
        let or_unbounded = |value: f64| {
            if steady && value.is_finite() {
                value
            } else {
                f64::INFINITY
            }
        };
        let (trough, peak) = (or_unbounded(orbit.trough()), or_unbounded(orbit.peak()));
        let auc = or_unbounded(orbit.area() * 24.0 / tau);
        for (target, column) in targets.iter().zip(&mut found.at_target) {
            column.push(match target.quantity {
                TargetQuantity::Trough => trough,
                TargetQuantity::Peak => peak,
                TargetQuantity::Auc24h => auc,
                TargetQuantity::Auc12h => auc / 2.0,
                TargetQuantity::ConcentrationAt { hours_after_dose } => {
                    or_unbounded(orbit.at(hours_after_dose.min(tau)))
                }
                TargetQuantity::TimeAbove { concentration } if steady => {
                    time_above(orbit.points(), tau, concentration)
                }
                TargetQuantity::TimeAbove { .. } => 100.0,
            });
        }
        found.trough.push(trough);
        found.peak.push(peak);
        found.auc_24_h.push(auc);
    }
    found
}

impl Forecast {
    /// The same for another dose where concentrations are proportional to it.
    pub(super) fn scaled(&self, factor: f64, targets: &[TargetRange]) -> Option<Self> {
        // Time above a level is not proportional.
        if targets
            .iter()
            .any(|target| matches!(target.quantity, TargetQuantity::TimeAbove { .. }))
        {
            return None;
        }
        let scale = |column: &Vec<f64>| column.iter().map(|value| value * factor).collect();
        Some(Self {
            trough: scale(&self.trough),
            peak: scale(&self.peak),
            auc_24_h: scale(&self.auc_24_h),
            at_target: self.at_target.iter().map(scale).collect(),
        })
    }
}

/// Denser just after the dose, where the greatest concentration lies; the end of an infusion is a point of its own.
fn grid(route: Route, tau: f64) -> Vec<f64> {
    let mut times: Vec<f64> = (0..GRID)
        .map(|i| {
            let share = i as f64 / GRID as f64;
            tau * share * share
        })
        .collect();
    if let Route::Infusion { duration_h } = route
        && duration_h < tau
    {
        times.push(duration_h);
        times.sort_by(f64::total_cmp);
        times.dedup();
    }
    times
}

/// The greatest concentration: the grid's, refined by the parabola through its neighbours.
fn peak(grid: &[f64], concentrations: &[f64], trough: f64) -> f64 {
    let mut best = 0;
    for (at, value) in concentrations.iter().enumerate() {
        if *value > concentrations[best] {
            best = at;
        }
    }
    let top = concentrations[best].max(trough);
    if best == 0 || best + 1 >= grid.len() {
        return top;
    }
    let [x0, x1, x2] = [grid[best - 1], grid[best], grid[best + 1]];
    let [y0, y1, y2] = [
        concentrations[best - 1],
        concentrations[best],
        concentrations[best + 1],
    ];
    let (left, right) = ((y1 - y0) / (x1 - x0), (y2 - y1) / (x2 - x1));
    let curvature = (right - left) / (x2 - x0);
    // An infusion's end is a corner, not a parabola's top: there the slopes differ by more than a smooth peak's would.
    if curvature >= 0.0 || left <= 0.0 || right >= 0.0 {
        return top;
    }
    let slope = left + curvature * (x1 - x0);
    let rise = -slope * slope / (4.0 * curvature);
    if slope.abs() > 0.5 * left.max(-right) {
        top
    } else {
        top.max(y1 + rise)
    }
}

/// Percentage of the interval above a concentration, straight lines between points.
fn time_above(points: impl Iterator<Item = (f64, f64)>, tau: f64, limit: f64) -> f64 {
    let mut above = 0.0;
    let mut last: Option<(f64, f64)> = None;
    for (time, value) in points {
        if let Some((before, level)) = last {
            let width = time - before;
            above += match (level > limit, value > limit) {
                (true, true) => width,
                (false, false) => 0.0,
                (true, false) => width * (level - limit) / (level - value),
                (false, true) => width * (value - limit) / (value - level),
            };
        }
        last = Some((time, value));
    }
    100.0 * above / tau
}

/// What is left to steady state when a trough counts as steady: 2^-5, five half-lives of a single exponential.
pub(super) const LEFT_AT_STEADY_STATE: f64 = 1.0 / 32.0;

/// Hours until the trough of a regimen has come to all but 1/32 of its steady state from nothing: exactly five half-lives where
/// the decline is one exponential; where it is two, each counts by its share of the trough.
///
/// Michaelis-Menten elimination at a constant rate R: C = Km·R/(Vmax − R), and t = Km·V/(Vmax − R)² · (Vmax·ln(1/ε) −
/// (1 − ε)·R), ε = 1/32 (M. E. Winter, Basic Clinical Pharmacokinetics; M. Rowland, T. N. Tozer, from memory). Infinite
/// when the rate reaches Vmax.
pub(super) fn hours_to_steady_state(
    structure: &Structure,
    values: &Parameters,
    regimen: ModelRegimen,
) -> f64 {
    let get = |name| values.get(name).unwrap_or(0.0);
    if structure.elimination == Elimination::MichaelisMenten {
        let absorbed = match regimen.route {
            Route::Extravascular => absorbed_fraction(values),
            _ => 1.0,
        };
        return super::saturable::hours_to_share(
            get(ParameterName::MaximumRate),
            get(ParameterName::MichaelisConstant) / structure.concentration_multiplier,
            get(ParameterName::Volume),
            regimen.mg * absorbed / regimen.interval_h,
            1.0 - LEFT_AT_STEADY_STATE,
        );
    }
    let modes = modes(structure, values, regimen.route);
    let tau = regimen.interval_h;
    let shares: Vec<(f64, f64)> = modes
        .iter()
        .map(|(rate, weight)| {
            let decay = libm::exp(-rate * tau);
            (*rate, weight * decay / (1.0 - decay))
        })
        .collect();
    let whole: f64 = shares.iter().map(|(_, share)| share).sum();
    let left = |t: f64| {
        shares
            .iter()
            .map(|(rate, share)| share * libm::exp(-rate * t))
            .sum::<f64>()
            / whole
    };
    // Bracketed by the slowest rate; what is left falls from there on.
    let slowest = modes.iter().map(|(rate, _)| *rate).fold(f64::INFINITY, f64::min);
    let (mut low, mut high) = (0.0, 8.0 * std::f64::consts::LN_2 / slowest);
    for _ in 0..24 {
        let middle = f64::midpoint(low, high);
        if left(middle) > LEFT_AT_STEADY_STATE {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

pub(super) fn absorbed_fraction(values: &Parameters) -> f64 {
    values.get(ParameterName::Bioavailability).unwrap_or(1.0)
        * values.get(ParameterName::RelativeBioavailability).unwrap_or(1.0)
}

/// Rates with their weights in the concentration after one dose (M. Gibaldi, D. Perrier, Pharmacokinetics, 2nd ed. 1982, from
/// memory).
fn modes(structure: &Structure, values: &Parameters, route: Route) -> Vec<(f64, f64)> {
    let get = |name| values.get(name).unwrap_or(0.0);
    let disposition = match structure.compartments {
        Compartments::One => vec![(get(ParameterName::Clearance) / get(ParameterName::Volume), 1.0)],
        Compartments::Two => {
            let v1 = get(ParameterName::CentralVolume);
            let q = get(ParameterName::IntercompartmentalClearance);
            let (k10, k12, k21) = (
                get(ParameterName::Clearance) / v1,
                q / v1,
                q / get(ParameterName::PeripheralVolume),
            );
            let sum = k10 + k12 + k21;
            let root = (sum * sum - 4.0 * k10 * k21).max(0.0).sqrt();
            let fast = f64::midpoint(sum, root);
            let slow = k10 * k21 / fast;
            let gap = (fast - slow).max(1e-12 * fast);
            vec![(fast, (fast - k21) / gap), (slow, (k21 - slow) / gap)]
        }
    };
    if route != Route::Extravascular || structure.input == Input::Intravenous {
        return disposition;
    }
    let ka = get(ParameterName::AbsorptionRate);
    let steps = match structure.input {
        Input::TransitChain { transit_compartments } => transit_compartments as i32 + 1,
        _ => 1,
    };
    let mut found: Vec<(f64, f64)> = Vec::new();
    let mut absorbed = 0.0;
    for (rate, weight) in disposition {
        // Equal rates share a pole that no trough depends on by more than this.
        let apart = if (ka - rate).abs() < 1e-4 * rate {
            1e-4 * rate
        } else {
            ka - rate
        };
        let factor = (0..steps).fold(weight, |factor, _| factor * ka / apart);
        found.push((rate, factor));
        absorbed -= factor;
    }
    if steps == 1 {
        found.push((ka, absorbed));
    }
    found
}
