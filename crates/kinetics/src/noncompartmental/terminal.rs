//! The terminal slope: regression of the logarithm of the level on time.

use super::profile::ProfilePoint;
use super::rules::TerminalRule;
use serde::Serialize;

/// Fewest points a slope may rest on.
const FEWEST: usize = 3;
/// Adjusted R² within which a larger set of points is preferred.
const AS_GOOD: f64 = 1e-4;

/// The terminal slope and what it rests on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TerminalSlope {
    /// λz, the rate of decline (1/h), above zero.
    pub rate_per_h: f64,
    /// ln 2 / λz (h).
    pub half_life_h: f64,
    /// Logarithm of the fitted level at time zero.
    pub ln_intercept: f64,
    /// R² adjusted for the number of points.
    pub adjusted_r_squared: f64,
    /// Times of the points it goes through (h).
    pub times_h: Vec<f64>,
    /// How many half-lives those points span.
    pub span_half_lives: f64,
}

impl TerminalSlope {
    /// The fitted level at a time (h).
    pub(super) fn level_at(&self, time_h: f64) -> f64 {
        libm::exp(self.ln_intercept - self.rate_per_h * time_h)
    }
}

/// Why there is no terminal slope.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, thiserror::Error)]
#[serde(rename_all = "kebab-case", tag = "why")]
pub enum NoTerminalSlope {
    /// Too few candidates.
    #[error("{found} levels are left for the terminal slope; {expected} are needed")]
    TooFewPoints {
        /// Candidates found.
        found: usize,
        /// Candidates needed.
        expected: usize,
    },
    /// No set of points declines.
    #[error("the levels after the highest one do not decline")]
    NoDecline,
}

/// Finds the slope among points of a profile whose highest level, or end of infusion, is at `after_h`.
pub(super) fn terminal_slope(
    points: &[ProfilePoint],
    after_h: f64,
    rule: &TerminalRule,
) -> Result<TerminalSlope, NoTerminalSlope> {
    let candidates: Vec<ProfilePoint> = points
        .iter()
        .filter(|point| point.is_measured_above_zero() && point.time_h > after_h)
        .copied()
        .collect();
    match rule {
        TerminalRule::BestAdjustedRSquared => best(&candidates),
        TerminalRule::LastPoints(count) => {
            let expected = (*count).max(FEWEST);
            let from = enough(candidates.len(), expected)?;
            regression(&candidates[from..]).ok_or(NoTerminalSlope::NoDecline)
        }
        TerminalRule::Between { from_h, to_h } => {
            let stated: Vec<ProfilePoint> = candidates
                .into_iter()
                .filter(|point| (*from_h..=*to_h).contains(&point.time_h))
                .collect();
            enough(stated.len(), FEWEST)?;
            regression(&stated).ok_or(NoTerminalSlope::NoDecline)
        }
    }
}

fn enough(found: usize, expected: usize) -> Result<usize, NoTerminalSlope> {
    found
        .checked_sub(expected)
        .ok_or(NoTerminalSlope::TooFewPoints { found, expected })
}

fn best(candidates: &[ProfilePoint]) -> Result<TerminalSlope, NoTerminalSlope> {
    let most = enough(candidates.len(), FEWEST)?;
    // From the smallest set to the largest.
    let slopes: Vec<TerminalSlope> = (0..=most)
        .rev()
        .filter_map(|from| regression(&candidates[from..]))
        .collect();
    let greatest = slopes
        .iter()
        .map(|slope| slope.adjusted_r_squared)
        .fold(f64::NEG_INFINITY, f64::max);
    slopes
        .into_iter()
        .rfind(|slope| slope.adjusted_r_squared >= greatest - AS_GOOD)
        .ok_or(NoTerminalSlope::NoDecline)
}

/// The line through (t, ln c); `None` unless it falls.
fn regression(points: &[ProfilePoint]) -> Option<TerminalSlope> {
    let n = points.len() as f64;
    let logs: Vec<f64> = points.iter().map(|point| libm::log(point.level)).collect();
    let mean_t = points.iter().map(|point| point.time_h).sum::<f64>() / n;
    let mean_log = logs.iter().sum::<f64>() / n;
    let (mut stt, mut sty, mut syy) = (0.0, 0.0, 0.0);
    for (point, log) in points.iter().zip(&logs) {
        let (t, y) = (point.time_h - mean_t, log - mean_log);
        stt += t * t;
        sty += t * y;
        syy += y * y;
    }
    let rate_per_h = -sty / stt;
    if !(rate_per_h.is_finite() && rate_per_h > 0.0 && syy > 0.0) {
        return None;
    }
    let r_squared = (sty * sty / (stt * syy)).min(1.0);
    let half_life_h = std::f64::consts::LN_2 / rate_per_h;
    let span_h = points[points.len() - 1].time_h - points[0].time_h;
    half_life_h.is_finite().then(|| TerminalSlope {
        rate_per_h,
        half_life_h,
        ln_intercept: mean_log + rate_per_h * mean_t,
        adjusted_r_squared: 1.0 - (1.0 - r_squared) * (n - 1.0) / (n - 2.0),
        times_h: points.iter().map(|point| point.time_h).collect(),
        span_half_lives: span_h / half_life_h,
    })
}
