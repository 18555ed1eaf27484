//! The quick form for constant linear kinetics: a sum of exponentials, doses superposed by recursion.
//!
//! Concentration = Σ cᵢ·Sᵢ with Sᵢ(t) = Σ D·e^(−λᵢ·(t − u)), doses D at times u; the textbook coefficients (M. Gibaldi, D. Perrier,
//! Pharmacokinetics, 2nd ed. 1982, chapters 1-3, from memory). S is carried from dose to dose by one factor a mode, so equal
//! intervals share their exponentials; its derivative, −T with T(t) = Σ D·(t − u)·e^(−λ·(t − u)), is carried
//! the same way, and only the sum at a sample knows the parameters. Modes closer together than a thousandth would lose
//! digits here: the caller then walks the plan instead.

#![expect(
    clippy::needless_range_loop,
    reason = "modes and directions are small numbered sets met in several arrays"
)]

use super::dose::Route;
use super::parameter::{ParameterName, Parameters};
use super::plan::{EventKind, Plan};
use super::{Compartments, Elimination, Input, Structure};

/// Relative distance of two modes below which their coefficients lose too many digits.
const CLOSEST: f64 = 1e-3;

/// An amount added, or a change of infusion rate.
#[derive(Debug, Clone, Copy, PartialEq)]
struct SourceEvent {
    base_h: f64,
    /// Which of the distinct intervals leads here from the event before.
    interval: usize,
    amount: f64,
    rate_change: f64,
}

/// Everything that enters one place, in order of time.
#[derive(Debug, Clone, PartialEq, Default)]
struct Source {
    events: Vec<SourceEvent>,
    intervals: Vec<f64>,
    steady: Option<SteadySeed>,
    infusions: bool,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct SteadySeed {
    amount: f64,
    /// Zero for what enters at once.
    duration_h: f64,
    interval_h: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Query {
    time_h: f64,
    after: bool,
    kind: QueryKind,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum QueryKind {
    Sample(usize),
    AreaStart(usize),
    AreaEnd(usize),
}

/// A plan that one sum of exponentials answers.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ModalPlan {
    structure: Structure,
    depot: Source,
    central: Source,
    queries: Vec<Query>,
}

/// Room for the factors over the distinct intervals.
#[derive(Debug, Clone, Default)]
pub(crate) struct ModalScratch {
    decay: Vec<[f64; 3]>,
}

/// What a pass over the doses leaves for one query: per mode S, T and ∫S.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    s: [f64; 3],
    t: [f64; 3],
    integral: [f64; 3],
}

impl ModalPlan {
    /// `None` when the plan needs more than constant linear kinetics at known times.
    pub(crate) fn new(plan: &Plan) -> Option<Self> {
        let simple = plan.segments.len() == 1
            && plan.structure.elimination == Elimination::Linear
            && plan.layout.chain_length <= 1
            && !matches!(plan.structure.input, Input::TransitChain { .. })
            && plan.shifts.iter().all(|s| s.latent.is_none());
        if !simple {
            return None;
        }
        let mut modal = Self {
            structure: plan.structure,
            depot: Source::default(),
            central: Source::default(),
            queries: Vec::with_capacity(plan.samples + 2 * plan.areas),
        };
        if let Some(steady) = &plan.steady {
            let duration_h = match steady.route {
                Route::Infusion { duration_h } => duration_h,
                _ => 0.0,
            };
            let source = modal.source(steady.route);
            source.steady = Some(SteadySeed {
                amount: steady.amount,
                duration_h,
                interval_h: steady.interval_h,
            });
            // The regimen's dose before the first explicit one: every sample lies after it, whatever the lag.
            let before = steady.at_h - steady.interval_h;
            if duration_h > 0.0 {
                source.push(before, 0.0, steady.amount / duration_h);
                source.push(before + duration_h, 0.0, -steady.amount / duration_h);
            } else {
                source.push(before, steady.amount, 0.0);
            }
        }
        for event in &plan.events {
            let mut query = |kind, after| {
                modal.queries.push(Query {
                    time_h: event.base_h,
                    after,
                    kind,
                });
            };
            match event.kind {
                EventKind::Sample(i) => query(QueryKind::Sample(i), event.rank > 0),
                EventKind::AreaMark { area, end: false } => query(QueryKind::AreaStart(area), false),
                EventKind::AreaMark { area, end: true } => query(QueryKind::AreaEnd(area), false),
                EventKind::Entry(dose) => {
                    let dose = plan.doses[dose];
                    modal.source(dose.route).push(event.base_h, dose.amount, 0.0);
                }
                EventKind::InfusionStart(dose) | EventKind::InfusionEnd(dose) => {
                    let dose = plan.doses[dose];
                    if let Route::Infusion { duration_h } = dose.route {
                        let rate = dose.amount / duration_h;
                        let start = matches!(event.kind, EventKind::InfusionStart(_));
                        modal
                            .central
                            .push(event.base_h, 0.0, if start { rate } else { -rate });
                    }
                }
                EventKind::Change(_) => {}
            }
        }
        Some(modal)
    }

    fn source(&mut self, route: Route) -> &mut Source {
        if route == Route::Extravascular {
            &mut self.depot
        } else {
            &mut self.central
        }
    }

    /// Concentrations, areas and, when `names` asks for them, derivatives of the concentrations by the natural log of
    /// those parameters (a row a sample). `false` when two modes lie too close together, or when derivatives are asked
    /// for beside areas.
    pub(crate) fn evaluate(
        &self,
        parameters: &Parameters,
        names: &[ParameterName],
        scratch: &mut ModalScratch,
        concentrations: &mut [f64],
        areas: &mut [f64],
        gradient: &mut [f64],
    ) -> bool {
        if !names.is_empty() && !areas.is_empty() {
            return false;
        }
        let Some(modes) = Modes::new(self, parameters) else {
            return false;
        };
        concentrations.fill(0.0);
        gradient.fill(0.0);
        areas.fill(0.0);
        let slopes = (!names.is_empty()).then(|| modes.slopes(names));
        let lag = parameters.get(ParameterName::LagTime).unwrap_or(0.0);
        for (source, lag_h, is_depot) in [(&self.depot, lag, true), (&self.central, 0.0, false)] {
            if source.events.is_empty() {
                continue;
            }
            let coefficients = if is_depot { &modes.depot } else { &modes.central };
            let count = if is_depot {
                modes.depot_count
            } else {
                modes.central_count
            };
            source.pass(
                &modes.rates[..count],
                lag_h,
                &self.queries,
                !areas.is_empty(),
                scratch,
                |query, sums| match query.kind {
                    QueryKind::Sample(i) => {
                        let mut value = 0.0;
                        for m in 0..count {
                            value += coefficients[m] * sums.s[m];
                        }
                        concentrations[i] += value;
                        if let Some(slopes) = &slopes {
                            let row = &mut gradient[i * names.len()..(i + 1) * names.len()];
                            slopes.add(&modes, is_depot, count, lag_h, &sums, row);
                        }
                    }
                    QueryKind::AreaStart(i) | QueryKind::AreaEnd(i) => {
                        let mut value = 0.0;
                        for m in 0..count {
                            value += coefficients[m] * sums.integral[m];
                        }
                        let start = matches!(query.kind, QueryKind::AreaStart(_));
                        areas[i] += if start { -value } else { value };
                    }
                },
            );
        }
        true
    }
}

impl Source {
    fn push(&mut self, base_h: f64, amount: f64, rate_change: f64) {
        let width = self.events.last().map_or(0.0, |last| base_h - last.base_h);
        let known = self.intervals.iter().position(|i| i.to_bits() == width.to_bits());
        let interval = known.unwrap_or_else(|| {
            self.intervals.push(width);
            self.intervals.len() - 1
        });
        self.infusions |= rate_change.abs() > 0.0;
        self.events.push(SourceEvent {
            base_h,
            interval,
            amount,
            rate_change,
        });
    }

    /// Carries S, T and ∫S over the events and hands them over at every query.
    #[inline]
    fn pass(
        &self,
        rates: &[f64],
        lag_h: f64,
        queries: &[Query],
        integrate: bool,
        scratch: &mut ModalScratch,
        mut answer: impl FnMut(&Query, Sums),
    ) {
        let count = rates.len();
        scratch.decay.clear();
        for width in &self.intervals {
            let mut decay = [1.0; 3];
            for m in 0..count {
                decay[m] = libm::exp(-rates[m] * width);
            }
            scratch.decay.push(decay);
        }
        let mut sums = Sums::default();
        let mut rate = 0.0;
        if let Some(seed) = &self.steady {
            for m in 0..count {
                (sums.s[m], sums.t[m]) = seed.before_dose(rates[m]);
            }
        }
        let mut next = 0;
        let mut at_h = 0.0;
        for query in queries {
            while let Some(event) = self.events.get(next) {
                let entry_h = event.base_h + lag_h;
                if entry_h > query.time_h || (entry_h >= query.time_h && !query.after) {
                    break;
                }
                if next > 0 {
                    let decay = &scratch.decay[event.interval];
                    let width = self.intervals[event.interval];
                    sums.carry(rates, decay, width, rate, integrate);
                }
                for m in 0..count {
                    sums.s[m] += event.amount;
                }
                rate += event.rate_change;
                at_h = entry_h;
                next += 1;
            }
            let mut there = sums;
            let width = query.time_h - at_h;
            if next > 0 && width > 0.0 {
                let mut decay = [1.0; 3];
                for m in 0..count {
                    decay[m] = libm::exp(-rates[m] * width);
                }
                there.carry(rates, &decay, width, rate, integrate);
            }
            answer(query, there);
        }
    }
}

impl Sums {
    #[inline]
    fn carry(&mut self, rates: &[f64], decay: &[f64; 3], width: f64, rate: f64, integrate: bool) {
        for (m, lambda) in rates.iter().enumerate() {
            let (e, s) = (decay[m], self.s[m]);
            if integrate {
                let share = share_gone(*lambda, width);
                self.integral[m] += s * share + rate * (width - share) / lambda;
            }
            self.t[m] = e * (self.t[m] + width * s);
            self.s[m] = e * s;
        }
        if rate.abs() > 0.0 {
            for (m, lambda) in rates.iter().enumerate() {
                let share = share_gone(*lambda, width);
                self.s[m] += rate * share;
                self.t[m] += rate * share_slope(*lambda, width, share);
            }
        }
    }
}

/// (1 − e^(−λw))/λ.
fn share_gone(lambda: f64, width: f64) -> f64 {
    let x = lambda * width;
    if x < 1e-8 {
        width * (1.0 - 0.5 * x)
    } else {
        -libm::expm1(-x) / lambda
    }
}

/// −d/dλ of (1 − e^(−λw))/λ: (share − w·e^(−λw))/λ, by its series where that cancels.
fn share_slope(lambda: f64, width: f64, share: f64) -> f64 {
    let x = lambda * width;
    if x < 0.05 {
        // w²·Σ (−x)ⁿ (n+1)/(n+2)!
        let mut term = 1.0;
        let mut sum = 0.0;
        for n in 0..10 {
            let n = f64::from(n);
            // term = (−x)ⁿ/(n+1)!; (n+1)/(n+2)! = (n+1)/((n+2)·(n+1)!)
            sum += term * (n + 1.0) / (n + 2.0);
            term *= -x / (n + 2.0);
        }
        width * width * sum
    } else {
        (share - width * libm::exp(-x)) / lambda
    }
}

impl SteadySeed {
    /// S and T just before a dose of a regimen that has run for ever.
    fn before_dose(&self, lambda: f64) -> (f64, f64) {
        let q = libm::exp(-lambda * self.interval_h);
        let gone = -libm::expm1(-lambda * self.interval_h);
        let remaining = self.interval_h - self.duration_h;
        if self.duration_h > 0.0 {
            let rate = self.amount / self.duration_h;
            let a = share_gone(lambda, self.duration_h);
            let a_slope = share_slope(lambda, self.duration_h, a);
            let b = libm::exp(-lambda * remaining);
            let s = rate * a * b / gone;
            let t = rate * b / gone * (a_slope + remaining * a + a * self.interval_h * q / gone);
            (s, t)
        } else {
            let s = self.amount * q / gone;
            (s, s * self.interval_h * (1.0 + q / gone))
        }
    }
}

/// Rates of the modes (central ones first, ka last) and the concentration each unit of S makes.
struct Modes {
    rates: [f64; 3],
    central: [f64; 3],
    depot: [f64; 3],
    central_count: usize,
    depot_count: usize,
    micro: Micro,
    /// Concentration of an amount of 1 in the central compartment, before bioavailability.
    concentration: f64,
    fraction: f64,
    /// The name of the central volume.
    volume: ParameterName,
}

/// Micro rates, 1/h, and what the two-compartment form needs of them.
#[derive(Debug, Clone, Copy, Default)]
struct Micro {
    elimination: f64,
    outward: f64,
    inward: f64,
    absorption: f64,
    fast_share: f64,
    slow_share: f64,
}

impl Modes {
    fn new(plan: &ModalPlan, parameters: &Parameters) -> Option<Self> {
        let structure = &plan.structure;
        let has_depot = !plan.depot.events.is_empty();
        let volume = parameters.get(structure.central_volume())?;
        let concentration = structure.concentration_multiplier / volume;
        let fraction = parameters.get(ParameterName::Bioavailability).unwrap_or(1.0)
            * parameters
                .get(ParameterName::RelativeBioavailability)
                .unwrap_or(1.0);
        let mut micro = Micro {
            elimination: parameters.get(ParameterName::Clearance)? / volume,
            absorption: if has_depot {
                parameters.get(ParameterName::AbsorptionRate)?
            } else {
                0.0
            },
            ..Micro::default()
        };
        let mut modes = Self {
            rates: [0.0; 3],
            central: [0.0; 3],
            depot: [0.0; 3],
            central_count: 1,
            depot_count: 0,
            micro,
            concentration,
            fraction,
            volume: structure.central_volume(),
        };
        match structure.compartments {
            Compartments::One => {
                modes.rates[0] = micro.elimination;
                micro.fast_share = 1.0;
                modes.central[0] = concentration;
            }
            Compartments::Two => {
                let flow = parameters.get(ParameterName::IntercompartmentalClearance)?;
                micro.outward = flow / volume;
                micro.inward = flow / parameters.get(ParameterName::PeripheralVolume)?;
                let (fast, slow) = disposition(&mut micro);
                if fast - slow <= CLOSEST * fast {
                    return None;
                }
                modes.rates[0] = fast;
                modes.rates[1] = slow;
                modes.central[0] = concentration * micro.fast_share;
                modes.central[1] = concentration * micro.slow_share;
                modes.central_count = 2;
            }
        }
        // A rate of zero (no clearance at all) is the walk's business.
        if modes.rates[..modes.central_count]
            .iter()
            .any(|rate| !(*rate > 0.0 && rate.is_finite()))
        {
            return None;
        }
        if has_depot {
            let ka = micro.absorption;
            let last = modes.central_count;
            let mut sum = 0.0;
            for m in 0..last {
                let rate = modes.rates[m];
                if (ka - rate).abs() <= CLOSEST * ka.max(rate) {
                    return None;
                }
                modes.depot[m] = fraction * modes.central[m] * ka / (ka - rate);
                sum += modes.depot[m];
            }
            modes.depot[last] = -sum;
            modes.rates[last] = ka;
            modes.depot_count = last + 1;
        }
        modes.micro = micro;
        Some(modes)
    }

    /// Derivatives of rates and coefficients by the natural logs of the named parameters.
    fn slopes(&self, names: &[ParameterName]) -> Slopes {
        let mut slopes = Slopes {
            count: names.len().min(MOST_NAMES),
            rates: [[0.0; MOST_NAMES]; 3],
            central: [[0.0; MOST_NAMES]; 3],
            depot: [[0.0; MOST_NAMES]; 3],
            lag: None,
        };
        let micro = &self.micro;
        for (n, name) in names.iter().enumerate().take(MOST_NAMES) {
            // How the natural log of each micro rate and of 1/V moves with that of the parameter.
            let (elimination, outward, inward, absorption, volume, fraction) = match name {
                ParameterName::Clearance => (1.0, 0.0, 0.0, 0.0, 0.0, 0.0),
                ParameterName::Volume | ParameterName::CentralVolume => {
                    let counts = f64::from(u8::from(*name == self.volume));
                    (-counts, -counts, 0.0, 0.0, -counts, 0.0)
                }
                ParameterName::IntercompartmentalClearance => (0.0, 1.0, 1.0, 0.0, 0.0, 0.0),
                ParameterName::PeripheralVolume => (0.0, 0.0, -1.0, 0.0, 0.0, 0.0),
                ParameterName::AbsorptionRate => (0.0, 0.0, 0.0, 1.0, 0.0, 0.0),
                ParameterName::Bioavailability | ParameterName::RelativeBioavailability => {
                    (0.0, 0.0, 0.0, 0.0, 0.0, 1.0)
                }
                ParameterName::LagTime => {
                    slopes.lag = Some(n);
                    continue;
                }
                ParameterName::MaximumRate
                | ParameterName::MichaelisConstant
                | ParameterName::TransitRate => continue,
            };
            let (d_ke, d_out, d_in) = (
                elimination * micro.elimination,
                outward * micro.outward,
                inward * micro.inward,
            );
            let d_ka = absorption * micro.absorption;
            if self.central_count == 1 {
                slopes.rates[0][n] = d_ke;
                slopes.central[0][n] = volume * self.concentration;
            } else {
                let (fast, slow) = (self.rates[0], self.rates[1]);
                let gap = fast - slow;
                let (d_sum, d_product) = (
                    d_ke + d_out + d_in,
                    d_ke * micro.inward + micro.elimination * d_in,
                );
                let d_fast = (fast * d_sum - d_product) / gap;
                let d_slow = (d_product - slow * d_sum) / gap;
                slopes.rates[0][n] = d_fast;
                slopes.rates[1][n] = d_slow;
                let d_gap = d_fast - d_slow;
                let d_fast_share = (d_fast - d_in - micro.fast_share * d_gap) / gap;
                let d_slow_share = (d_in - d_slow - micro.slow_share * d_gap) / gap;
                slopes.central[0][n] = self.concentration * (d_fast_share + volume * micro.fast_share);
                slopes.central[1][n] = self.concentration * (d_slow_share + volume * micro.slow_share);
            }
            if self.depot_count > 0 {
                let ka = micro.absorption;
                let last = self.central_count;
                let mut sum = 0.0;
                for m in 0..last {
                    let gap = ka - self.rates[m];
                    let ratio = ka / gap;
                    let d_ratio = (d_ka - ratio * (d_ka - slopes.rates[m][n])) / gap;
                    let d = self.fraction * (slopes.central[m][n] * ratio + self.central[m] * d_ratio)
                        + fraction * self.depot[m];
                    slopes.depot[m][n] = d;
                    sum += d;
                }
                slopes.depot[last][n] = -sum;
                slopes.rates[last][n] = d_ka;
            }
        }
        slopes
    }
}

/// Rates of the two disposition modes; leaves their shares of a bolus in `micro`. No difference of near numbers is taken.
fn disposition(micro: &mut Micro) -> (f64, f64) {
    let (ke, out, back) = (micro.elimination, micro.outward, micro.inward);
    let difference = ke + out - back;
    let root = (difference * difference + 4.0 * out * back).sqrt();
    let fast = 0.5 * (ke + out + back + root);
    let slow = ke * back / fast;
    let (above, below) = if difference >= 0.0 {
        let above = 0.5 * (difference + root);
        (above, out * back / above)
    } else {
        let below = 0.5 * (root - difference);
        (out * back / below, below)
    };
    micro.fast_share = above / root;
    micro.slow_share = below / root;
    (fast, slow)
}

/// Parameters that can move a linear one- or two-compartment prediction.
const MOST_NAMES: usize = 9;

struct Slopes {
    count: usize,
    rates: [[f64; MOST_NAMES]; 3],
    central: [[f64; MOST_NAMES]; 3],
    depot: [[f64; MOST_NAMES]; 3],
    lag: Option<usize>,
}

impl Slopes {
    #[inline]
    fn add(&self, modes: &Modes, is_depot: bool, count: usize, lag_h: f64, sums: &Sums, row: &mut [f64]) {
        let (coefficients, slopes) = if is_depot {
            (&modes.depot, &self.depot)
        } else {
            (&modes.central, &self.central)
        };
        for m in 0..count {
            let weighted = coefficients[m] * sums.t[m];
            for n in 0..self.count {
                row[n] += slopes[m][n] * sums.s[m] - weighted * self.rates[m][n];
            }
        }
        if let (true, Some(n)) = (is_depot, self.lag) {
            let mut slope = 0.0;
            for m in 0..count {
                slope += coefficients[m] * modes.rates[m] * sums.s[m];
            }
            row[n] += lag_h * slope;
        }
    }
}
