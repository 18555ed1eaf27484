//! Trend and step of a positive series along a run (areas, retention), in robust statistics on its logarithm.

use spotwright_numerics::robust::{mann_kendall, median, median_absolute_deviation, theil_sen};
use spotwright_numerics::special::erfc;

/// Longest series the quadratic-time statistics see; longer ones are thinned to medians of equal blocks.
const MOST_POINTS: usize = 300;

/// A monotone change along the run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Trend {
    /// Change along the fitted line from first to last place (%).
    pub(crate) change_pct: f64,
    /// Two-sided p value of no trend (Mann–Kendall).
    pub(crate) p_value: f64,
}

/// The trend of positive `values` at rising `places`; `None` for fewer than five or when they do not vary.
pub(crate) fn trend(places: &[f64], values: &[f64]) -> Option<Trend> {
    let (places, logs) = thinned(places, values)?;
    let line = theil_sen(&places, &logs).ok()?;
    let test = mann_kendall(&logs).ok()?;
    let span = places.last()? - places.first()?;
    finite(Trend {
        change_pct: 100.0 * libm::expm1(line.slope * span),
        p_value: test.p_value,
    })
}

fn finite(trend: Trend) -> Option<Trend> {
    trend.change_pct.is_finite().then_some(trend)
}

/// The sharpest step of a series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Step {
    /// Size (%).
    pub(crate) step_pct: f64,
    /// Index of the first value after the step.
    pub(crate) first_after: usize,
    /// p value, corrected for all the places looked at.
    pub(crate) p_value: f64,
}

/// The sharpest local step of positive `values` in order: medians of the windows before and after every place, so that a slow
/// drift beside it counts for little. The scale is the robust spread of neighbour differences, which a step cannot
/// inflate. `None` for fewer than twelve values.
pub(crate) fn step(values: &[f64]) -> Option<Step> {
    let logs = logarithms(values)?;
    let n = logs.len();
    if n < 12 {
        return None;
    }
    let window = (n / 4).clamp(5, 15);
    let differences: Vec<f64> = logs.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let scale = median_absolute_deviation(&differences).ok()? / std::f64::consts::SQRT_2;
    let mut best: Option<(f64, usize)> = None;
    for place in window..=n - window {
        let before = median(&logs[place - window..place]).ok()?;
        let after = median(&logs[place..place + window]).ok()?;
        let size = after - before;
        if best.is_none_or(|(largest, _)| size.abs() > largest.abs()) {
            best = Some((size, place));
        }
    }
    let (size, near) = best?;
    let first_after = sharpest(&logs, near, window);
    // Standard error of a median of normal values: sqrt(π/2)·s/sqrt(n).
    let error = scale * (std::f64::consts::FRAC_PI_2 * 2.0 / window as f64).sqrt();
    let p_value = if error > 0.0 {
        (erfc(size.abs() / error / std::f64::consts::SQRT_2) * n as f64).min(1.0)
    } else if size.abs() > 0.0 {
        0.0
    } else {
        1.0
    };
    let step = Step {
        step_pct: 100.0 * libm::expm1(size),
        first_after,
        p_value,
    };
    step.step_pct.is_finite().then_some(step)
}

/// Medians are flat near the step: within half a window the place that splits the values best (least absolute deviation from
/// the two window medians) is the step's.
fn sharpest(logs: &[f64], near: usize, window: usize) -> usize {
    let first = near.saturating_sub(window);
    let last = (near + window).min(logs.len());
    let before = median(&logs[first..near]).unwrap_or(0.0);
    let after = median(&logs[near..last]).unwrap_or(0.0);
    let cost = |place: usize| {
        (first..last).fold(0.0, |sum, i| {
            sum + (logs[i] - if i < place { before } else { after }).abs()
        })
    };
    let from = near.saturating_sub(window / 2).max(first + 1);
    let to = (near + window / 2).min(last - 1);
    (from..=to)
        .min_by(|a, b| {
            cost(*a)
                .total_cmp(&cost(*b))
                .then(a.abs_diff(near).cmp(&b.abs_diff(near)))
        })
        .unwrap_or(near)
}

/// Natural logarithms; `None` when a value is not a positive number.
pub(crate) fn logarithms(values: &[f64]) -> Option<Vec<f64>> {
    values
        .iter()
        .map(|v| (v.is_finite() && *v > 0.0).then(|| libm::log(*v)))
        .collect()
}

fn thinned(places: &[f64], values: &[f64]) -> Option<(Vec<f64>, Vec<f64>)> {
    let logs = logarithms(values)?;
    if logs.len() < 5 {
        return None;
    }
    let block = logs.len().div_ceil(MOST_POINTS);
    let medians = |list: &[f64]| {
        list.chunks(block)
            .map(|c| median(c).ok())
            .collect::<Option<Vec<_>>>()
    };
    Some((medians(places)?, medians(&logs)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_found_where_it_is_and_a_drift_is_not_a_step() {
        let wobble = [0.01, -0.02, 0.015, 0.0, -0.01, 0.02, -0.015];
        let stepped: Vec<f64> = (0..60)
            .map(|i| if i < 25 { 100.0 } else { 75.0 } * (1.0 + wobble[i % 7]))
            .collect();
        let found = step(&stepped).unwrap();
        assert_eq!(found.first_after, 25);
        assert!(
            (found.step_pct + 25.0).abs() < 3.0 && found.p_value < 1e-4,
            "{found:?}"
        );
        let drifting: Vec<f64> = (0..200)
            .map(|i| 100.0 * (1.0 - 0.001 * f64::from(i)) * (1.0 + wobble[i as usize % 7]))
            .collect();
        assert!(step(&drifting).unwrap().step_pct.abs() < 5.0);
        let places: Vec<f64> = (0..200).map(f64::from).collect();
        let drift = trend(&places, &drifting).unwrap();
        assert!(
            (drift.change_pct + 20.0).abs() < 2.0 && drift.p_value < 1e-10,
            "{drift:?}"
        );
    }
}
