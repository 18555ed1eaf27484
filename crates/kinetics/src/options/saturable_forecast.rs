//! Steady state of saturable elimination fed from a depot, quickly: one periodic orbit a draw.
//!
//! V·dC/dt = ka·A(t)·k − (Vmax·C/(Km + C) + CL·C)·k, A the depot's own steady state, k the concentration multiplier. The
//! level at the beginning of an interval is the fixed point of one interval, found by Newton's method with the
//! derivative carried along; the interval is walked by the classical Runge-Kutta method (Kutta 1901) in steps of at
//! most an hour, which ka of 0.3/h asks for: the error is far below that of any parameter.

use crate::structure::{Compartments, Elimination, Input, ParameterName, Parameters, Route, Structure};

use super::forecast::{ModelRegimen, absorbed_fraction};

/// One interval of the orbit: level and its slope at equal steps.
#[derive(Debug, Clone, Default)]
pub(super) struct Orbit {
    step_h: f64,
    level: Vec<f64>,
    slope: Vec<f64>,
}

/// Whether this quick form answers a regimen.
pub(super) fn answers(structure: &Structure, regimen: ModelRegimen) -> bool {
    structure.elimination == Elimination::MichaelisMenten
        && structure.compartments == Compartments::One
        && structure.input == Input::FirstOrder
        && regimen.route == Route::Extravascular
}

/// Newton's method settles in a handful of steps or not at all.
const MOST_ITERATIONS: usize = 60;
/// Relative change of the level at which the orbit is closed.
const CLOSED: f64 = 1e-9;

struct Flow {
    /// Concentration a time from what the depot holds, at the beginning of an interval.
    input: f64,
    ka: f64,
    tlag: f64,
    tau: f64,
    maximum: f64,
    km: f64,
    linear: f64,
}

impl Flow {
    fn input_at(&self, t: f64) -> f64 {
        let since = t - self.tlag;
        let since = if since < 0.0 { since + self.tau } else { since };
        self.input * libm::exp(-self.ka * since)
    }

    fn slope(&self, input: f64, c: f64) -> f64 {
        input - self.maximum * c / (self.km + c) - self.linear * c
    }

    fn sensitivity(&self, c: f64) -> f64 {
        let sum = self.km + c;
        -self.maximum * self.km / (sum * sum) - self.linear
    }
}

impl Orbit {
    /// Finds the orbit; false when there is none (the rate reaches Vmax) or it does not close.
    pub(super) fn find(&mut self, structure: &Structure, values: &Parameters, regimen: ModelRegimen) -> bool {
        let get = |name| values.get(name).unwrap_or(0.0);
        let multiplier = structure.concentration_multiplier;
        let volume = get(ParameterName::Volume);
        let ka = get(ParameterName::AbsorptionRate);
        let tau = regimen.interval_h;
        let absorbed = regimen.mg * absorbed_fraction(values);
        let linear = get(ParameterName::Clearance) / volume;
        let (maximum_rate, km) = (
            get(ParameterName::MaximumRate),
            get(ParameterName::MichaelisConstant),
        );
        let rate = absorbed / tau;
        if linear <= 0.0 && rate >= maximum_rate {
            self.level = vec![f64::INFINITY; 2];
            self.slope = vec![0.0; 2];
            self.step_h = tau;
            return false;
        }
        let flow = Flow {
            input: multiplier * absorbed * ka / volume / -libm::expm1(-ka * tau),
            ka,
            tlag: get(ParameterName::LagTime).rem_euclid(tau),
            tau,
            maximum: multiplier * maximum_rate / volume,
            km,
            linear,
        };
        let steps = (libm::ceil(tau) as usize).clamp(8, 48);
        self.step_h = tau / steps as f64;
        let inputs: Vec<f64> = (0..=2 * steps)
            .map(|half| flow.input_at(half as f64 * self.step_h / 2.0))
            .collect();
        // The mean level of the elimination that is left when the linear part is ignored, or the linear one's alone.
        let mut start = match super::saturable::mean_level(maximum_rate, km, rate) {
            Some(level) => level,
            None => multiplier * rate / get(ParameterName::Clearance),
        };
        for _ in 0..MOST_ITERATIONS {
            let (end, derivative) = self.walk(&flow, &inputs, start, steps);
            let gap = end - start;
            let next = start + gap / (1.0 - derivative);
            let next = if next.is_finite() && next > 0.0 {
                next
            } else {
                start / 2.0
            };
            if (next - start).abs() <= CLOSED * start {
                return true;
            }
            start = next;
        }
        false
    }

    fn walk(&mut self, flow: &Flow, inputs: &[f64], start: f64, steps: usize) -> (f64, f64) {
        let h = self.step_h;
        let (mut c, mut s) = (start, 1.0);
        self.level.clear();
        self.slope.clear();
        for step in 0..steps {
            let [i0, i1, i2] = [inputs[2 * step], inputs[2 * step + 1], inputs[2 * step + 2]];
            let k1 = flow.slope(i0, c);
            self.level.push(c);
            self.slope.push(k1);
            let c2 = c + 0.5 * h * k1;
            let k2 = flow.slope(i1, c2);
            let c3 = c + 0.5 * h * k2;
            let k3 = flow.slope(i1, c3);
            let c4 = c + h * k3;
            let k4 = flow.slope(i2, c4);
            let l1 = flow.sensitivity(c) * s;
            let l2 = flow.sensitivity(c2) * (s + 0.5 * h * l1);
            let l3 = flow.sensitivity(c3) * (s + 0.5 * h * l2);
            let l4 = flow.sensitivity(c4) * (s + h * l3);
            c += h / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4);
            s += h / 6.0 * (l1 + 2.0 * l2 + 2.0 * l3 + l4);
        }
        // Just before the next dose, whose depot is full again a moment later.
        let last = inputs[2 * steps];
        let before = if flow.tlag > 0.0 {
            last
        } else {
            last * libm::exp(-flow.ka * flow.tau)
        };
        self.level.push(c);
        self.slope.push(flow.slope(before, c));
        (c, s)
    }

    /// Level just before the next dose.
    pub(super) fn trough(&self) -> f64 {
        self.level.last().copied().unwrap_or(f64::INFINITY)
    }

    /// Level at a time within the interval, by the cubic through levels and slopes (Hermite).
    pub(super) fn at(&self, time_h: f64) -> f64 {
        let last = self.level.len() - 2;
        let step = (libm::floor(time_h / self.step_h) as usize).min(last);
        let t = (time_h - step as f64 * self.step_h) / self.step_h;
        let [c0, c1] = [self.level[step], self.level[step + 1]];
        let [m0, m1] = [self.slope[step] * self.step_h, self.slope[step + 1] * self.step_h];
        let (t2, t3) = (t * t, t * t * t);
        c0 * (2.0 * t3 - 3.0 * t2 + 1.0)
            + m0 * (t3 - 2.0 * t2 + t)
            + c1 * (3.0 * t2 - 2.0 * t3)
            + m1 * (t3 - t2)
    }

    /// Greatest level: of the steps and the middles between.
    pub(super) fn peak(&self) -> f64 {
        let halves = 2 * (self.level.len() - 1);
        (0..=halves)
            .map(|half| self.at(half as f64 * self.step_h / 2.0))
            .fold(0.0, f64::max)
    }

    /// Area over the interval, by the same cubics.
    pub(super) fn area(&self) -> f64 {
        let h = self.step_h;
        self.level
            .windows(2)
            .zip(self.slope.windows(2))
            .map(|(c, m)| h / 2.0 * (c[0] + c[1]) + h * h / 12.0 * (m[0] - m[1]))
            .sum()
    }

    /// Times and levels of the steps.
    pub(super) fn points(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.level
            .iter()
            .enumerate()
            .map(|(step, level)| (step as f64 * self.step_h, *level))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::structure::{AtDoseTime, Course, DoseHistory, ParameterTimeline};

    /// Against the room's own integrator of guarded error.
    #[test]
    fn the_quick_orbit_agrees_with_the_integrator() {
        let structure = Structure {
            compartments: Compartments::One,
            input: Input::FirstOrder,
            elimination: Elimination::MichaelisMenten,
            concentration_multiplier: 1.0,
        };
        for (mg, tau, vmax) in [(138.0, 12.0, 19.0), (276.0, 24.0, 17.3), (92.0, 8.0, 16.0)] {
            let values = Parameters::of(&[
                (ParameterName::MaximumRate, vmax),
                (ParameterName::MichaelisConstant, 5.7),
                (ParameterName::Volume, 45.5),
                (ParameterName::AbsorptionRate, 0.3),
            ]);
            let regimen = ModelRegimen {
                mg,
                interval_h: tau,
                route: Route::Extravascular,
            };
            let mut orbit = Orbit::default();
            assert!(orbit.find(&structure, &values, regimen));
            let timeline = ParameterTimeline::constant(values);
            let history = DoseHistory::at_steady_state(0.0, tau, mg, Route::Extravascular);
            let times = [(3.3, AtDoseTime::Before), (tau, AtDoseTime::Before)];
            let mut course = Course::new(&structure, &timeline, &history, &times, &[(0.0, tau)]).unwrap();
            course.run(&timeline, &Parameters::new()).unwrap();
            let close = |found: f64, expected: f64| {
                assert!(
                    (found / expected - 1.0).abs() < 2e-4,
                    "{mg} {tau}: {found} {expected}"
                );
            };
            close(orbit.at(3.3), course.concentrations()[0]);
            close(orbit.trough(), course.concentrations()[1]);
            close(orbit.area(), course.areas()[0]);
        }
    }
}
