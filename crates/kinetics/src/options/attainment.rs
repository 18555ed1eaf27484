//! Probability of target attainment: many simulated people under one regimen.
//!
//! Every person's concentrations at whole steps after the first dose are followed, superposed dose by dose. Under a
//! constant regimen from nothing the level at a given time after the dose only rises from interval to interval (the
//! response to one dose is never negative), so once an interval counts as many points above each limit as the last one
//! does, every interval between counts the same and is not walked again: exact, and most of the points are spared.
//! Within an interval each exponential is carried from point to point by one multiplication. People are walked a few
//! side by side. Draws are `ChaCha8` streams of a block's number, so that the result does not depend on how blocks are
//! shared among threads.

use super::quick_normal::QuickNormal;
use crate::structure::Route;
use spotwright_numerics::random::RandomStream;
use std::ops::Range;

/// A population of one compartment: P = typical · exp(η), η normal with this covariance.
#[derive(Debug, Clone, PartialEq)]
pub struct Population {
    /// Clearance, L/h.
    pub clearance_l_per_h: f64,
    /// Volume, L.
    pub volume_l: f64,
    /// First-order absorption, 1/h; not read for intravenous doses.
    pub absorption_per_h: f64,
    /// Standard deviation of the natural log of the absorption rate.
    pub sd_log_absorption: f64,
    /// Covariance of the natural logs of clearance and volume.
    pub covariance: [[f64; 2]; 2],
    /// From dose unit/L to the concentration unit.
    pub concentration_multiplier: f64,
}

/// A regimen from the first dose on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SimulatedRegimen {
    /// Each dose, already times the absorbed fraction.
    pub mg: f64,
    /// Whole steps from dose to dose.
    pub interval_steps: u32,
    /// Doses.
    pub doses: u32,
    /// Step between points, h.
    pub step_h: f64,
    /// Bolus or through a depot; infusions are asked for in closed form ([`steady_state_infusion`]).
    pub oral: bool,
}

/// Limits of concentration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Counted from here on.
    pub low: f64,
    /// And up to here.
    pub high: f64,
}

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Attainment {
    /// People.
    pub subjects: usize,
    /// Share of points inside the limits, over all people and points.
    pub share_inside: f64,
    /// Share of points above the upper limit.
    pub share_above: f64,
    /// Share of people with at least the wanted share of their points inside.
    pub attained: f64,
    /// Its standard error, √(p(1 − p)/n).
    pub standard_error: f64,
}

/// Why nothing was simulated.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum AttainmentError {
    /// A typical value, dose or step that is none.
    #[error("{what} of {found} is not above 0")]
    NotPositive {
        /// What.
        what: &'static str,
        /// The number.
        found: f64,
    },
    /// Variances that no effects can have.
    #[error("the covariance of clearance and volume is not positive semidefinite")]
    Covariance,
    /// Nobody, or no dose.
    #[error("there is nobody or no dose to simulate")]
    Empty,
}

/// People drawn by one stream.
pub const BLOCK: usize = 1024;
/// People walked side by side: as many as leave everything in registers, and few enough that one slow person keeps few
/// others walking.
const LANES: usize = 4;

/// Simulates so many people; a person attains when `wanted_share` of the points lie inside the limits.
///
/// # Errors
/// Typical values, doses or steps that are none; a covariance that is none; nobody.
pub fn attainment(
    population: &Population,
    regimen: &SimulatedRegimen,
    limits: Limits,
    wanted_share: f64,
    subjects: usize,
    seed: u64,
) -> Result<Attainment, AttainmentError> {
    let blocks = subjects.div_ceil(BLOCK);
    let counts = (0..blocks)
        .map(|block| {
            count_block(
                population,
                regimen,
                limits,
                wanted_share,
                block_of(block, subjects),
                seed,
            )
        })
        .try_fold(Counts::default(), |all, counts| {
            counts.map(|counts| all.and(counts))
        })?;
    counts.into_attainment(subjects, regimen)
}

fn block_of(block: usize, subjects: usize) -> Range<usize> {
    block * BLOCK..((block + 1) * BLOCK).min(subjects)
}

/// Counts of a block of people; they add up in any order, so blocks may be shared among threads.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    inside: u64,
    above: u64,
    attained: u64,
}

impl Counts {
    /// Both together.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self {
            inside: self.inside + other.inside,
            above: self.above + other.above,
            attained: self.attained + other.attained,
        }
    }

    /// As shares.
    ///
    /// # Errors
    /// Nobody, or no dose.
    pub fn into_attainment(
        self,
        subjects: usize,
        regimen: &SimulatedRegimen,
    ) -> Result<Attainment, AttainmentError> {
        let points = f64::from(regimen.interval_steps) * f64::from(regimen.doses);
        if subjects == 0 || points <= 0.0 {
            return Err(AttainmentError::Empty);
        }
        let n = subjects as f64;
        let attained = self.attained as f64 / n;
        Ok(Attainment {
            subjects,
            share_inside: self.inside as f64 / (n * points),
            share_above: self.above as f64 / (n * points),
            attained,
            standard_error: (attained * (1.0 - attained) / n).sqrt(),
        })
    }
}

/// One block: people `range` of the whole, whose first number must be a multiple of [`BLOCK`].
///
/// # Errors
/// As [`attainment`].
pub fn count_block(
    population: &Population,
    regimen: &SimulatedRegimen,
    limits: Limits,
    wanted_share: f64,
    range: Range<usize>,
    seed: u64,
) -> Result<Counts, AttainmentError> {
    let factor = checked(population, regimen)?;
    let normal = QuickNormal::new();
    let mut random = RandomStream::new(seed, (range.start / BLOCK) as u64);
    let mut counts = Counts::default();
    let points = f64::from(regimen.interval_steps) * f64::from(regimen.doses);
    // A share as a whole number of points, so that rounding decides nothing.
    let needed = libm::ceil(wanted_share * points - 1e-9).max(0.0) as u64;
    let varies = regimen.oral && population.sd_log_absorption > 0.0;
    let typical_k = population.clearance_l_per_h / population.volume_l;
    let typical_scale = population.concentration_multiplier * regimen.mg / population.volume_l;
    let mut at = range.start;
    while at < range.end {
        let people = LANES.min(range.end - at);
        // Idle lanes repeat the last person, so that they never keep the others walking.
        let (mut of_k, mut of_volume, mut of_ka) = ([0.0; LANES], [0.0; LANES], [0.0; LANES]);
        for lane in 0..LANES {
            if lane >= people {
                of_k[lane] = of_k[lane - 1];
                of_volume[lane] = of_volume[lane - 1];
                of_ka[lane] = of_ka[lane - 1];
                continue;
            }
            let z = [normal.draw(&mut random), normal.draw(&mut random)];
            of_volume[lane] = factor[1][0] * z[0] + factor[1][1] * z[1];
            of_k[lane] = factor[0][0] * z[0] - of_volume[lane];
            if varies {
                of_ka[lane] = population.sd_log_absorption * normal.draw(&mut random);
            }
        }
        let k = exponentials(of_k).map(|factor| typical_k * factor);
        let scale = exponentials(of_volume).map(|factor| typical_scale / factor);
        let ka = exponentials(of_ka).map(|factor| population.absorption_per_h * factor);
        let walk = Walk::new(regimen, &k, &ka, &scale);
        let found = if regimen.oral {
            walk.run::<true>(regimen, limits)
        } else {
            walk.run::<false>(regimen, limits)
        };
        for (low, high) in found.into_iter().take(people) {
            let inside = low - high;
            counts.inside += inside;
            counts.above += high;
            counts.attained += u64::from(inside >= needed);
        }
        at += people;
    }
    Ok(counts)
}

/// Lower Cholesky factor of the covariance, after every number was looked at.
fn checked(population: &Population, regimen: &SimulatedRegimen) -> Result<[[f64; 2]; 2], AttainmentError> {
    let mut positive = vec![
        ("clearance", population.clearance_l_per_h),
        ("volume", population.volume_l),
        ("multiplier", population.concentration_multiplier),
        ("dose", regimen.mg),
        ("step", regimen.step_h),
    ];
    if regimen.oral {
        positive.push(("absorption rate", population.absorption_per_h));
    }
    for (what, found) in positive {
        if !(found.is_finite() && found > 0.0) {
            return Err(AttainmentError::NotPositive { what, found });
        }
    }
    if regimen.interval_steps == 0 || regimen.doses == 0 {
        return Err(AttainmentError::Empty);
    }
    let [[a, b], [_, d]] = population.covariance;
    let first = a.sqrt();
    let second = if first > 0.0 { b / first } else { 0.0 };
    let rest = d - second * second;
    let sound =
        a >= 0.0 && rest >= -1e-12 && (first > 0.0 || b == 0.0) && population.sd_log_absorption >= 0.0;
    if !sound {
        return Err(AttainmentError::Covariance);
    }
    Ok([[first, 0.0], [second, rest.max(0.0).sqrt()]])
}

/// A few people side by side: level = a − b, each carried by its own decay.
struct Walk {
    /// Decays of a step and of an interval.
    step_a: [f64; LANES],
    step_b: [f64; LANES],
    interval_a: [f64; LANES],
    interval_b: [f64; LANES],
    /// What one dose adds to each at the beginning of an interval.
    dose: [f64; LANES],
}

type LaneCounts = [u64; LANES];

impl Walk {
    fn new(regimen: &SimulatedRegimen, k: &[f64; LANES], ka: &[f64; LANES], scale: &[f64; LANES]) -> Self {
        let decay = |rates: &[f64; LANES]| exponentials(rates.map(|rate| -rate * regimen.step_h));
        let over_interval = |step: [f64; LANES]| step.map(|step| power(step, regimen.interval_steps));
        let step_a = decay(k);
        if !regimen.oral {
            return Self {
                step_a,
                step_b: [0.0; LANES],
                interval_a: over_interval(step_a),
                interval_b: [0.0; LANES],
                dose: *scale,
            };
        }
        // Equal rates share a pole: a millionth apart, the level differs by less than a millionth.
        let apart: [f64; LANES] = std::array::from_fn(|lane| {
            let near = (ka[lane] - k[lane]).abs() < 1e-6 * k[lane];
            if near { k[lane] * (1.0 + 1e-6) } else { ka[lane] }
        });
        let step_b = decay(&apart);
        Self {
            step_a,
            step_b,
            interval_a: over_interval(step_a),
            interval_b: over_interval(step_b),
            dose: std::array::from_fn(|lane| scale[lane] * apart[lane] / (apart[lane] - k[lane])),
        }
    }

    /// Points at or above `low`, and above `high`, of every lane.
    fn run<const ORAL: bool>(&self, regimen: &SimulatedRegimen, limits: Limits) -> [(u64, u64); LANES] {
        let doses = regimen.doses;
        // State at the beginning of the last interval: dose · Σ decay^n, a geometric sum.
        let (mut last_a, mut last_b) = ([0.0; LANES], [0.0; LANES]);
        for lane in 0..LANES {
            last_a[lane] = self.dose[lane] * geometric(self.interval_a[lane], doses);
            if ORAL {
                last_b[lane] = self.dose[lane] * geometric(self.interval_b[lane], doses);
            }
        }
        let last = self.interval::<ORAL>(regimen, limits, &last_a, &last_b);
        let (mut low, mut high) = ([0_u64; LANES], [0_u64; LANES]);
        let (mut a, mut b) = ([0.0; LANES], [0.0; LANES]);
        let mut walked = 0;
        while walked < doses {
            for lane in 0..LANES {
                a[lane] = a[lane] * self.interval_a[lane] + self.dose[lane];
                if ORAL {
                    b[lane] = b[lane] * self.interval_b[lane] + self.dose[lane];
                }
            }
            let (now_low, now_high) = self.interval::<ORAL>(regimen, limits, &a, &b);
            walked += 1;
            let mut settled = true;
            for lane in 0..LANES {
                low[lane] += now_low[lane];
                high[lane] += now_high[lane];
                settled &= now_low[lane] >= last.0[lane] && now_high[lane] >= last.1[lane];
            }
            if settled {
                break;
            }
        }
        let left = u64::from(doses - walked);
        std::array::from_fn(|lane| (low[lane] + left * last.0[lane], high[lane] + left * last.1[lane]))
    }

    fn interval<const ORAL: bool>(
        &self,
        regimen: &SimulatedRegimen,
        limits: Limits,
        a: &[f64; LANES],
        b: &[f64; LANES],
    ) -> (LaneCounts, LaneCounts) {
        let (mut a, mut b) = (*a, *b);
        let (mut below, mut high) = ([0_u64; LANES], [0_u64; LANES]);
        for _ in 0..regimen.interval_steps {
            for lane in 0..LANES {
                a[lane] *= self.step_a[lane];
                let level = if ORAL {
                    b[lane] *= self.step_b[lane];
                    a[lane] - b[lane]
                } else {
                    a[lane]
                };
                // The sign bit of a difference: comparisons would be carried through masks.
                below[lane] += (level - limits.low).to_bits() >> 63;
                high[lane] += (limits.high - level).to_bits() >> 63;
            }
        }
        let steps = u64::from(regimen.interval_steps);
        (below.map(|below| steps - below), high)
    }
}

/// e^x of a few numbers side by side, to some 2 units in the last place: x = n·ln 2 + r with |r| ≤ ln 2 / 2, and the
/// Taylor polynomial of e^r to the 13th power (its first term left out is below 1e-17). Only sums and products, so the same
/// bits everywhere; exponents beyond ±700 stay there.
fn exponentials(x: [f64; LANES]) -> [f64; LANES] {
    /// 1.5 · 2⁵²: adding it leaves the nearest whole number in the lowest bits.
    const TO_WHOLE: f64 = 6_755_399_441_055_744.0;
    const LN_2_HIGH: f64 = 0.693_147_180_369_123_8;
    const LN_2_LOW: f64 = 1.908_214_929_270_587_7e-10;
    let mut found = [0.0; LANES];
    let mut r = [0.0; LANES];
    let mut exponent = [0_u64; LANES];
    for lane in 0..LANES {
        let x = x[lane].clamp(-700.0, 700.0);
        let shifted = x * std::f64::consts::LOG2_E + TO_WHOLE;
        let whole = shifted - TO_WHOLE;
        r[lane] = (x - whole * LN_2_HIGH) - whole * LN_2_LOW;
        exponent[lane] = shifted.to_bits() << 52;
    }
    for coefficient in INVERSE_FACTORIALS {
        for lane in 0..LANES {
            found[lane] = found[lane] * r[lane] + coefficient;
        }
    }
    for lane in 0..LANES {
        found[lane] = f64::from_bits(found[lane].to_bits().wrapping_add(exponent[lane]));
    }
    found
}

/// 1/13! to 1/0!.
const INVERSE_FACTORIALS: [f64; 14] = [
    1.0 / 6_227_020_800.0,
    1.0 / 479_001_600.0,
    1.0 / 39_916_800.0,
    1.0 / 3_628_800.0,
    1.0 / 362_880.0,
    1.0 / 40_320.0,
    1.0 / 5_040.0,
    1.0 / 720.0,
    1.0 / 120.0,
    1.0 / 24.0,
    1.0 / 6.0,
    0.5,
    1.0,
    1.0,
];

/// Σ q^n for n below `count`, 0 < q < 1.
fn geometric(q: f64, count: u32) -> f64 {
    let left = 1.0 - q;
    if left > 1e-8 {
        (1.0 - power(q, count)) / left
    } else {
        f64::from(count)
    }
}

/// By repeated squaring.
fn power(base: f64, exponent: u32) -> f64 {
    let (mut all, mut square, mut left) = (1.0, base, exponent);
    while left > 0 {
        if left & 1 == 1 {
            all *= square;
        }
        square *= square;
        left >>= 1;
    }
    all
}

/// Peak at the end of an infusion and trough, in steady state, for one compartment: R/(k·V)·(1 − e^(−kT))/(1 − e^(−kτ)), and that
/// times e^(−k(τ − T)) (any handbook).
#[must_use]
pub fn steady_state_infusion(
    clearance_l_per_h: f64,
    volume_l: f64,
    dose_mg: f64,
    infusion_h: f64,
    interval_h: f64,
) -> [f64; 2] {
    let k = clearance_l_per_h / volume_l;
    let peak = dose_mg / infusion_h / clearance_l_per_h * libm::expm1(-k * infusion_h)
        / libm::expm1(-k * interval_h);
    [peak, peak * libm::exp(-k * (interval_h - infusion_h))]
}

/// Probabilities of a peak at the end of an infusion of at least one level, a trough of at most another, and both.
///
/// # Errors
/// As [`attainment`].
pub fn peak_and_trough(
    population: &Population,
    dose_mg: f64,
    route: Route,
    interval_h: f64,
    [least_peak, most_trough]: [f64; 2],
    subjects: usize,
    seed: u64,
) -> Result<[f64; 3], AttainmentError> {
    let infusion_h = match route {
        Route::Infusion { duration_h } => duration_h,
        // A bolus is an infusion of no time.
        _ => 1e-9,
    };
    let regimen = SimulatedRegimen {
        mg: dose_mg,
        interval_steps: 1,
        doses: 1,
        step_h: interval_h,
        oral: false,
    };
    let factor = checked(population, &regimen)?;
    if subjects == 0 {
        return Err(AttainmentError::Empty);
    }
    let normal = QuickNormal::new();
    let mut random = RandomStream::new(seed, 0);
    let mut met = [0_u64; 3];
    for _ in 0..subjects {
        let z = [normal.draw(&mut random), normal.draw(&mut random)];
        let clearance = population.clearance_l_per_h * libm::exp(factor[0][0] * z[0]);
        let volume = population.volume_l * libm::exp(factor[1][0] * z[0] + factor[1][1] * z[1]);
        let [peak, trough] = steady_state_infusion(clearance, volume, dose_mg, infusion_h, interval_h);
        let multiplier = population.concentration_multiplier;
        let (peak, trough) = (
            peak * multiplier >= least_peak,
            trough * multiplier <= most_trough,
        );
        met[0] += u64::from(peak);
        met[1] += u64::from(trough);
        met[2] += u64::from(peak && trough);
    }
    Ok(met.map(|count| count as f64 / subjects as f64))
}

/// Probabilities of a daily area below, inside and above two limits: AUC24 = dose a day / clearance.
///
/// # Errors
/// As [`attainment`].
pub fn area_attainment(
    clearance_l_per_h: f64,
    sd_log_clearance: f64,
    mg_per_day: f64,
    limits: Limits,
    subjects: usize,
    seed: u64,
) -> Result<[f64; 3], AttainmentError> {
    for (what, found) in [("clearance", clearance_l_per_h), ("dose", mg_per_day)] {
        if !(found.is_finite() && found > 0.0) {
            return Err(AttainmentError::NotPositive { what, found });
        }
    }
    if subjects == 0 {
        return Err(AttainmentError::Empty);
    }
    let normal = QuickNormal::new();
    let mut random = RandomStream::new(seed, 0);
    let mut met = [0_u64; 3];
    for _ in 0..subjects {
        let area = mg_per_day / (clearance_l_per_h * libm::exp(sd_log_clearance * normal.draw(&mut random)));
        let place = if area < limits.low {
            0
        } else if area > limits.high {
            2
        } else {
            1
        };
        met[place] += 1;
    }
    Ok(met.map(|count| count as f64 / subjects as f64))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn population() -> Population {
        Population {
            clearance_l_per_h: 5.73,
            volume_l: 61.6,
            absorption_per_h: 0.564,
            sd_log_absorption: 0.6,
            covariance: [[0.1225, 0.03], [0.03, 0.16]],
            concentration_multiplier: 1.0,
        }
    }

    /// Every point of every person computed by itself, from the sum over all doses.
    fn point_by_point(
        regimen: &SimulatedRegimen,
        limits: Limits,
        wanted: f64,
        subjects: usize,
        seed: u64,
    ) -> Counts {
        let population = population();
        let factor = checked(&population, regimen).unwrap();
        let mut counts = Counts::default();
        let normal = QuickNormal::new();
        let mut random = RandomStream::new(seed, 0);
        let points = regimen.interval_steps * regimen.doses;
        for _ in 0..subjects {
            let z = [normal.draw(&mut random), normal.draw(&mut random)];
            let ka = if regimen.oral {
                population.absorption_per_h
                    * libm::exp(population.sd_log_absorption * normal.draw(&mut random))
            } else {
                0.0
            };
            let clearance = population.clearance_l_per_h * libm::exp(factor[0][0] * z[0]);
            let volume = population.volume_l * libm::exp(factor[1][0] * z[0] + factor[1][1] * z[1]);
            let k = clearance / volume;
            let mut inside = 0;
            for point in 1..=points {
                let mut level = 0.0;
                for dose in 0..regimen.doses {
                    let since =
                        (f64::from(point) - f64::from(dose * regimen.interval_steps)) * regimen.step_h;
                    if since > 0.0 {
                        level += regimen.mg / volume
                            * if regimen.oral {
                                ka / (ka - k) * (libm::exp(-k * since) - libm::exp(-ka * since))
                            } else {
                                libm::exp(-k * since)
                            };
                    }
                }
                inside += u64::from(level >= limits.low && level <= limits.high);
                counts.above += u64::from(level > limits.high);
            }
            counts.inside += inside;
            counts.attained += u64::from(inside as f64 >= wanted * f64::from(points));
        }
        counts
    }

    #[test]
    fn walking_intervals_counts_what_every_point_counts() {
        for (oral, interval_steps, doses, mg) in [
            (true, 12, 14, 400.0),
            (false, 12, 14, 400.0),
            (true, 24, 7, 800.0),
            (false, 8, 3, 900.0),
        ] {
            let regimen = SimulatedRegimen {
                mg,
                interval_steps,
                doses,
                step_h: 1.0,
                oral,
            };
            let limits = Limits { low: 3.0, high: 8.0 };
            let quick = count_block(&population(), &regimen, limits, 0.6, 0..300, 3).unwrap();
            assert_eq!(quick, point_by_point(&regimen, limits, 0.6, 300, 3));
            assert!(quick.inside > 0 && quick.above > 0 && quick.attained > 0 && quick.attained < 300);
        }
    }

    #[test]
    fn exponentials_agree_with_the_mathematics_library() {
        let mut x = -699.0;
        while x < 699.0 {
            let found = exponentials([x; LANES])[0];
            assert!((found / libm::exp(x) - 1.0).abs() < 1e-15, "{x}");
            x += 0.371_3;
        }
        assert!((exponentials([0.0; LANES])[0] - 1.0).abs() < 1e-16);
    }

    #[test]
    fn blocks_add_up_whatever_their_order() {
        let regimen = SimulatedRegimen {
            mg: 400.0,
            interval_steps: 12,
            doses: 28,
            step_h: 1.0,
            oral: true,
        };
        let limits = Limits { low: 3.0, high: 8.0 };
        let whole = attainment(&population(), &regimen, limits, 0.8, 2500, 9).unwrap();
        let block =
            |block| count_block(&population(), &regimen, limits, 0.8, block_of(block, 2500), 9).unwrap();
        let shared = block(2)
            .and(block(0))
            .and(block(1))
            .into_attainment(2500, &regimen)
            .unwrap();
        assert_eq!(whole, shared);
    }

    #[test]
    fn what_is_no_population_is_refused() {
        let regimen = SimulatedRegimen {
            mg: 400.0,
            interval_steps: 12,
            doses: 28,
            step_h: 1.0,
            oral: true,
        };
        let limits = Limits { low: 3.0, high: 8.0 };
        let with = |change: &dyn Fn(&mut Population)| {
            let mut population = population();
            change(&mut population);
            attainment(&population, &regimen, limits, 0.8, 10, 9).unwrap_err()
        };
        assert!(matches!(
            with(&|p| p.clearance_l_per_h = f64::NAN),
            AttainmentError::NotPositive {
                what: "clearance",
                ..
            }
        ));
        assert_eq!(
            with(&|p| p.covariance[1][1] = 0.0001),
            AttainmentError::Covariance
        );
        let nobody = attainment(&population(), &regimen, limits, 0.8, 0, 9);
        assert_eq!(nobody, Err(AttainmentError::Empty));
    }
}
