//! Drop and refit (M10-05): a failing calibrator is rejected and the curve fitted again without it, until all that are
//! left pass or too few are left.
//!
//! One calibrator is dropped at a time, because one bad calibrator pulls the curve and makes good ones fail. With weights of
//! 1/x² the lowest one pulls so hard that it may pass while its good neighbour fails, so every calibrator of the fit is tried,
//! not only the failing ones: it may go when it fails on the curve fitted without it. Of these that one goes whose absence
//! leaves the fewest failing; then the smallest sum of squared errors in units of their limits; then the larger error.
//! Calibrators that tie in all three go together, so the order of injection never matters. A calibrator once dropped stays
//! out. At a level where fewer than the allowed share of replicates pass, the rest go too.
//!
//! Where one replicate of a level failed, the others must also pass on the curve fitted without that level. Otherwise the
//! survivor of two replicates that contradict each other would vouch for itself: with 1/x² the lowest one bends the curve to
//! itself. Stricter than M10-05, in the spirit of its two thirds; a level without a failure is not asked.

use super::acceptance::{CalibratorCheck, CalibratorsDecision, judge_calibrators, limit_pct};
use super::{Curve, CurveError, fit_curve};
use crate::limit::{relative_error_pct, same, share_passes, within};
use spotwright_domain::method::{Analyte, CalibrationLimits};

/// Up to this many calibrators all are tried out when choosing which to drop …
const TRY_ALL_UP_TO: usize = 64;
/// … above it this many of the failing ones, worst first: bounds the work of a long run.
const CANDIDATES: usize = 8;

/// One calibrator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CalibratorPoint {
    /// Nominal concentration.
    pub nominal: f64,
    /// Area ratio; `None`: not measurable.
    pub area_ratio: Option<f64>,
}

/// A curve after drop and refit.
#[derive(Debug, Clone, PartialEq)]
pub struct SettledCurve {
    /// The last curve.
    pub curve: Curve,
    /// Whether each calibrator is in the last fit, in the order given.
    pub used: Vec<bool>,
    /// Back-calculated concentration of each calibrator on the last curve, dropped ones too; `None`: not computable.
    pub back_calculated: Vec<Option<f64>>,
    /// What becomes of the calibrators.
    pub decision: CalibratorsDecision,
    /// Where the first curve, with every calibrator, turns inside its range (CAL-03). A curve of that shape is refused
    /// even when dropping its top would hide the turn.
    pub first_curve_turns_at: Option<f64>,
    /// How often the curve was fitted, trials not counted.
    pub fits: usize,
}

/// Fits, drops and refits.
///
/// # Errors
/// [`CurveError`], when the first curve, or a later one, cannot be fitted.
pub fn settle(
    points: &[CalibratorPoint],
    analyte: &Analyte,
    limits: &CalibrationLimits,
) -> Result<SettledCurve, CurveError> {
    let lloq = analyte.lloq();
    let mut used: Vec<bool> = points
        .iter()
        .map(|point| point.area_ratio.is_some_and(f64::is_finite))
        .collect();
    let mut curve = fit(points, &used, analyte)?;
    let mut fits = 1;
    let first_curve_turns_at = curve.turns_inside(curve.range);
    loop {
        let errors = errors_in_limits(points, &used, &curve, lloq, limits);
        let going = match failing(&errors).as_slice() {
            [] => match rest_of_failed_levels(points, &used, limits) {
                rest if rest.is_empty() => vouching_for_themselves(points, &used, analyte, limits),
                rest => rest,
            },
            candidates => match vouching_for_themselves(points, &used, analyte, limits) {
                // A survivor that bends the curve to itself may be what makes the others fail.
                survivors if !survivors.is_empty() && settles(points, &used, &survivors, analyte, limits) => {
                    survivors
                }
                _ => worst(points, &used, candidates, &errors, analyte, limits),
            },
        };
        if going.is_empty() {
            break;
        }
        for index in &going {
            used[*index] = false;
        }
        let left = used.iter().filter(|in_fit| **in_fit).count();
        let still_possible = share_passes(left, points.len(), limits.min_pass_pct)
            && levels_left(points, &used) as f64 >= limits.min_levels;
        if !still_possible {
            // The curve before this drop is the last that means anything; the calibrators that fail on it are named.
            for index in going {
                used[index] = true;
            }
            return Ok(settled(
                points,
                used,
                curve,
                Ended::TooFewLeft,
                analyte,
                limits,
                first_curve_turns_at,
                fits,
            ));
        }
        curve = fit(points, &used, analyte)?;
        fits += 1;
    }
    Ok(settled(
        points,
        used,
        curve,
        Ended::AllPass,
        analyte,
        limits,
        first_curve_turns_at,
        fits,
    ))
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ended {
    AllPass,
    TooFewLeft,
}

#[expect(clippy::too_many_arguments, reason = "one private constructor of one struct")]
fn settled(
    points: &[CalibratorPoint],
    mut used: Vec<bool>,
    curve: Curve,
    ended: Ended,
    analyte: &Analyte,
    limits: &CalibrationLimits,
    first_curve_turns_at: Option<f64>,
    fits: usize,
) -> SettledCurve {
    let back_calculated: Vec<Option<f64>> = points
        .iter()
        .map(|point| point.area_ratio.and_then(|ratio| curve.inverse(ratio).value()))
        .collect();
    let checks: Vec<CalibratorCheck> = points
        .iter()
        .zip(&back_calculated)
        .zip(&used)
        .map(|((point, found), in_fit)| CalibratorCheck {
            nominal: point.nominal,
            relative_error_pct: found
                .filter(|_| *in_fit)
                .map(|found| relative_error_pct(found, point.nominal)),
        })
        .collect();
    let decision = judge_calibrators(&checks, analyte.lloq(), limits);
    if ended == Ended::TooFewLeft {
        // Calibrators that fail on the last curve are not called used, though they bent it.
        for (in_fit, passes) in used.iter_mut().zip(&decision.passes) {
            *in_fit &= *passes;
        }
    }
    SettledCurve {
        curve,
        used,
        back_calculated,
        decision,
        first_curve_turns_at,
        fits,
    }
}

fn fit(points: &[CalibratorPoint], used: &[bool], analyte: &Analyte) -> Result<Curve, CurveError> {
    let pairs: Vec<(f64, f64)> = points
        .iter()
        .zip(used)
        .filter(|(_, in_fit)| **in_fit)
        .filter_map(|(point, _)| point.area_ratio.map(|ratio| (point.nominal, ratio)))
        .collect();
    fit_curve(&pairs, analyte.model, analyte.weighting)
}

/// Error of each calibrator of the fit in units of its limit; infinite when it cannot be back-calculated, `None` when it
/// is not in the fit.
fn errors_in_limits(
    points: &[CalibratorPoint],
    used: &[bool],
    curve: &Curve,
    lloq: f64,
    limits: &CalibrationLimits,
) -> Vec<Option<f64>> {
    points
        .iter()
        .zip(used)
        .map(|(point, in_fit)| {
            let ratio = point.area_ratio.filter(|_| *in_fit)?;
            let limit = limit_pct(point.nominal, lloq, limits);
            Some(curve.inverse(ratio).value().map_or(f64::INFINITY, |found| {
                relative_error_pct(found, point.nominal).abs() / limit
            }))
        })
        .collect()
}

/// Failing calibrators, worst first.
fn failing(errors: &[Option<f64>]) -> Vec<usize> {
    let mut failing: Vec<usize> = (0..errors.len())
        .filter(|i| errors[*i].is_some_and(|error| !within(error, 1.0)))
        .collect();
    failing.sort_by(|a, b| size(errors, *b).total_cmp(&size(errors, *a)));
    failing
}

fn size(errors: &[Option<f64>], index: usize) -> f64 {
    errors[index].unwrap_or(0.0)
}

/// Which of the failing calibrators to drop: one, or several that cannot be told apart.
fn worst(
    points: &[CalibratorPoint],
    used: &[bool],
    failing_now: &[usize],
    errors: &[Option<f64>],
    analyte: &Analyte,
    limits: &CalibrationLimits,
) -> Vec<usize> {
    let in_fit = used.iter().filter(|in_fit| **in_fit).count();
    let candidates: Vec<usize> = if in_fit <= TRY_ALL_UP_TO {
        (0..points.len()).filter(|i| used[*i]).collect()
    } else {
        failing_now.iter().copied().take(CANDIDATES).collect()
    };
    let mut tried: Vec<Trial> = candidates
        .into_iter()
        .filter_map(|index| attempt(points, used, index, errors, analyte, limits))
        .collect();
    if tried.is_empty() {
        // None fails without itself (a wrong model, say): the worst failing one goes, and its equals.
        tried = failing_now
            .iter()
            .map(|index| Trial {
                failing: 0,
                sum: 0.0,
                error: size(errors, *index),
                index: *index,
            })
            .collect();
    }
    let Some(best) = tried.iter().min_by(|a, b| {
        (a.failing.cmp(&b.failing))
            .then(a.sum.total_cmp(&b.sum))
            .then(b.error.total_cmp(&a.error))
    }) else {
        return Vec::new();
    };
    tried
        .iter()
        .filter(|other| {
            other.failing == best.failing && alike(other.sum, best.sum) && alike(other.error, best.error)
        })
        .map(|trial| trial.index)
        .collect()
}

/// What dropping one calibrator would do.
struct Trial {
    failing: usize,
    sum: f64,
    error: f64,
    index: usize,
}

/// Drops one calibrator on trial; `None` when it passes on the curve fitted without it.
fn attempt(
    points: &[CalibratorPoint],
    used: &[bool],
    index: usize,
    errors: &[Option<f64>],
    analyte: &Analyte,
    limits: &CalibrationLimits,
) -> Option<Trial> {
    let mut without = used.to_vec();
    without[index] = false;
    let curve = fit(points, &without, analyte).ok()?;
    let mut only = vec![false; points.len()];
    only[index] = true;
    let own = errors_in_limits(points, &only, &curve, analyte.lloq(), limits);
    if within(size(&own, index), 1.0) {
        return None;
    }
    let after = errors_in_limits(points, &without, &curve, analyte.lloq(), limits);
    Some(Trial {
        failing: failing(&after).len(),
        sum: after.iter().flatten().fold(0.0, |sum, e| sum + e * e),
        error: size(errors, index),
        index,
    })
}

fn alike(a: f64, b: f64) -> bool {
    same(a, b) || (a.is_infinite() && b.is_infinite() && a.is_sign_positive() == b.is_sign_positive())
}

/// Calibrators still in the fit at levels where too few replicates are.
fn rest_of_failed_levels(
    points: &[CalibratorPoint],
    used: &[bool],
    limits: &CalibrationLimits,
) -> Vec<usize> {
    (0..points.len())
        .filter(|i| used[*i])
        .filter(|i| {
            let here = |j: &usize| same(points[*j].nominal, points[*i].nominal);
            let all = (0..points.len()).filter(here).count();
            let left = (0..points.len()).filter(here).filter(|j| used[*j]).count();
            !share_passes(left, all, limits.min_pass_per_level_pct)
        })
        .collect()
}

/// Survivors of a level that lost a replicate which fail on the curve fitted without their level.
fn vouching_for_themselves(
    points: &[CalibratorPoint],
    used: &[bool],
    analyte: &Analyte,
    limits: &CalibrationLimits,
) -> Vec<usize> {
    let mut going = Vec::new();
    for index in (0..points.len()).filter(|i| used[*i]) {
        let level = |j: usize| same(points[j].nominal, points[index].nominal);
        let lost_one = (0..points.len()).any(|j| level(j) && !used[j] && points[j].area_ratio.is_some());
        if !lost_one {
            continue;
        }
        let others: Vec<bool> = (0..points.len()).map(|j| used[j] && !level(j)).collect();
        // Too few other levels to fit a curve: then nothing can be said against the survivor.
        let Ok(curve) = fit(points, &others, analyte) else {
            continue;
        };
        let only: Vec<bool> = (0..points.len()).map(|j| j == index).collect();
        let error = errors_in_limits(points, &only, &curve, analyte.lloq(), limits);
        if !within(size(&error, index), 1.0) {
            going.push(index);
        }
    }
    going
}

/// Whether all that are left pass when these are dropped.
fn settles(
    points: &[CalibratorPoint],
    used: &[bool],
    going: &[usize],
    analyte: &Analyte,
    limits: &CalibrationLimits,
) -> bool {
    let without: Vec<bool> = (0..points.len())
        .map(|i| used[i] && !going.contains(&i))
        .collect();
    fit(points, &without, analyte).is_ok_and(|curve| {
        failing(&errors_in_limits(
            points,
            &without,
            &curve,
            analyte.lloq(),
            limits,
        ))
        .is_empty()
    })
}

fn levels_left(points: &[CalibratorPoint], used: &[bool]) -> usize {
    let mut nominals: Vec<f64> = points
        .iter()
        .zip(used)
        .filter(|(_, in_fit)| **in_fit)
        .map(|(p, _)| p.nominal)
        .collect();
    nominals.sort_unstable_by(f64::total_cmp);
    nominals.dedup_by(|b, a| same(*a, *b));
    nominals.len()
}
