//! Saturable elimination in steady state (phenytoin): a small change of dose is a large change of level.
//!
//! M. E. Winter, Basic Clinical Pharmacokinetics; M. Rowland, T. N. Tozer, Clinical Pharmacokinetics (both from memory).
//! Rates in mg a unit of time, concentrations in mg/L; the unit of time is the caller's, the same throughout.

/// C = Km·R/(Vmax − R), the mean level in steady state; `None` when the rate reaches Vmax: the level rises without bound.
///
/// ```
/// use spotwright_kinetics::options::saturable::mean_level;
/// assert!((mean_level(490.0, 4.0, 276.0).unwrap() - 5.158_878_504_672_9).abs() < 1e-10);
/// assert_eq!(mean_level(415.0, 5.7, 415.0), None);
/// ```
#[must_use]
pub fn mean_level(maximum_rate: f64, km_mg_per_l: f64, rate: f64) -> Option<f64> {
    let left = maximum_rate - rate;
    let level = km_mg_per_l * rate / left;
    (left > 0.0 && rate >= 0.0 && level.is_finite()).then_some(level)
}

/// R = Vmax·C/(Km + C), the rate that keeps a mean level.
#[must_use]
pub fn rate_for(maximum_rate: f64, km_mg_per_l: f64, level_mg_per_l: f64) -> f64 {
    maximum_rate * level_mg_per_l / (km_mg_per_l + level_mg_per_l)
}

/// Time from nothing to a share of the steady-state level at a constant rate:
/// Km·V/(Vmax − R)² · (Vmax·ln(1/(1 − share)) − share·R). Infinite when the rate reaches Vmax.
#[must_use]
pub fn hours_to_share(maximum_rate: f64, km_mg_per_l: f64, volume_l: f64, rate: f64, share: f64) -> f64 {
    let left = maximum_rate - rate;
    if left <= 0.0 {
        return f64::INFINITY;
    }
    km_mg_per_l * volume_l / (left * left) * (-libm::log1p(-share) * maximum_rate - share * rate)
}

/// Vmax and Km of two steady states at two rates, from R = Vmax − Km·R/C (Ludden; Mullen; from memory). `None` when the
/// pairs contradict saturation: a higher rate without a level that rises more than in proportion.
#[must_use]
pub fn from_two_pairs([r1, c1]: [f64; 2], [r2, c2]: [f64; 2]) -> Option<[f64; 2]> {
    let km = (r2 - r1) / (r1 / c1 - r2 / c2);
    let maximum_rate = r1 + km * r1 / c1;
    let sensible = km.is_finite() && km > 0.0 && maximum_rate.is_finite() && maximum_rate > r1.max(r2);
    sensible.then_some([maximum_rate, km])
}

/// Share of Vmax at which a rate is called near it.
pub const NEAR_MAXIMUM: f64 = 0.9;
/// Probability of a rate near Vmax above which a dose is refused.
pub const NEAR_MAXIMUM_PROBABILITY: f64 = 0.1;
