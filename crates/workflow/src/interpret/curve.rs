//! The person's concentration over time, with its band: history, then the running regimen's next doses.

use super::estimate::Estimated;
use spotwright_domain::interpretation::Band;
use spotwright_kinetics::options::SystemicMatrix;
use spotwright_kinetics::structure::{AtDoseTime, Course, DoseEvent, DoseHistory, Parameters};

/// Draws behind the band: enough for its 5th and 95th percentiles to within the width of a line.
const DRAWS: usize = 250;
/// Points over the whole span.
const POINTS: usize = 240;
/// Intervals of the running regimen shown after the decision.
const FORECAST_INTERVALS: f64 = 3.0;
/// Longest history shown before the first level (h): what lies further back is in the level, not in the eye.
const MOST_HISTORY_H: f64 = 96.0;

/// The band; `None` when no time can be shown or the course cannot be computed.
pub(super) fn band<M: SystemicMatrix>(of: &Estimated<'_, M>) -> Option<Band> {
    let problem = of.case.problem();
    let decision = of.case.decision_h();
    let (history, end) = forecast(of, decision);
    let begins = of.case.prepared().schedule.begins_h()?;
    let first_level = problem
        .observations
        .iter()
        .map(|observation| observation.time_h)
        .fold(decision, f64::min);
    let begin = begins.max(first_level - MOST_HISTORY_H).max(0.0).min(decision);
    let times = times(begin, end, &history);
    if times.len() < 2 {
        return None;
    }
    let samples: Vec<(f64, AtDoseTime)> = times.iter().map(|time| (*time, AtDoseTime::Before)).collect();
    let mut course = Course::new(&problem.structure, &problem.typical, &history, &samples, &[]).ok()?;
    course.run(&problem.typical, &Parameters::new()).ok()?;
    let typical = course.concentrations().to_vec();
    let stride = (of.posterior.len() / DRAWS).max(1);
    let mut columns: Vec<Vec<f64>> = vec![Vec::with_capacity(DRAWS); times.len()];
    for draw in of.posterior.iter().step_by(stride) {
        if course
            .run(&problem.typical, &of.posterior.subject_factors(draw))
            .is_ok()
        {
            for (column, value) in columns.iter_mut().zip(course.concentrations()) {
                column.push(*value);
            }
        }
    }
    if columns.first().is_none_or(|column| column.len() < 20) {
        return None;
    }
    let mut band = Band {
        median: Vec::with_capacity(times.len()),
        low_90: Vec::with_capacity(times.len()),
        high_90: Vec::with_capacity(times.len()),
        time_h: times,
        typical,
        forecast_from_h: decision,
    };
    for column in &mut columns {
        column.sort_by(f64::total_cmp);
        band.low_90.push(quantile(column, 0.05));
        band.median.push(quantile(column, 0.5));
        band.high_90.push(quantile(column, 0.95));
    }
    Some(band)
}

/// The history with the running regimen's next doses, and where the picture ends.
fn forecast<M: SystemicMatrix>(of: &Estimated<'_, M>, decision: f64) -> (DoseHistory, f64) {
    let mut history = of.case.problem().history.clone();
    let Some(running) = of.case.running() else {
        return (history, decision + 24.0);
    };
    let end = decision + FORECAST_INTERVALS * running.interval_h;
    let latest = history
        .doses
        .iter()
        .map(|dose| dose.time_h)
        .chain(history.steady_state.map(|steady| steady.dose.time_h))
        .fold(running.last_dose_h, f64::max);
    let mut next = latest + running.interval_h;
    while next < end {
        history
            .doses
            .push(DoseEvent::new(next, running.mg, running.route));
        next += running.interval_h;
    }
    (history, end)
}

/// An even grid, closer just after each dose, where the curve bends.
fn times(begin: f64, end: f64, history: &DoseHistory) -> Vec<f64> {
    let step = (end - begin) / POINTS as f64;
    if !(step.is_finite() && step > 0.0) {
        return Vec::new();
    }
    let mut times: Vec<f64> = (0..=POINTS).map(|place| begin + step * place as f64).collect();
    let shown = history
        .doses
        .iter()
        .map(|dose| dose.time_h)
        .filter(|time| (begin..end).contains(time));
    for dose in shown {
        for after in [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0] {
            if dose + after <= end {
                times.push(dose + after);
            }
        }
    }
    times.sort_by(f64::total_cmp);
    times.dedup_by(|a, b| (*a - *b).abs() < 1e-6);
    times
}

/// Quantile of sorted numbers by linear interpolation (Hyndman & Fan 1996, definition 7).
pub(super) fn quantile(sorted: &[f64], share: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else {
        return 0.0;
    };
    let place = share.clamp(0.0, 1.0) * last as f64;
    let below = place.floor();
    let low = sorted[below as usize];
    let high = sorted[(below as usize + 1).min(last)];
    low + (high - low) * (place - below)
}
