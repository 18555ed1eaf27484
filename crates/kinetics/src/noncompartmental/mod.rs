//! Exposure straight from levels, without a model: areas, terminal slope, clearance and volume by rules that the result
//! states.
//!
//! Formulas as in M. Gibaldi, D. Perrier, Pharmacokinetics (2nd ed. 1982), chapter 11 and appendix D, and, for the
//! first moment, K. Yamaoka, T. Nakagawa, T. Uno, J. Pharmacokinet. Biopharm. 6 (1978) 547-558.
//!
//! Units: the caller's dose unit and concentration unit pass through. Areas are in concentration·h, clearance in dose per
//! (concentration·h), volumes in dose per concentration: mg and mg/L give L/h and L.

mod area;
mod pooled;
mod profile;
mod result;
mod rules;
mod terminal;

pub use pooled::{PersonLevels, PooledArea, PooledError, pooled_area};
pub use profile::{Level, Note, Origin, ProfilePoint, Sample};
pub use result::{
    Caution, Dose, ExposureToInfinity, IntervalEnd, IntervalExposure, Noncompartmental,
    NoncompartmentalError, Route,
};
pub use rules::{AreaRule, BeforeDoseRule, BelowLimitRule, DuplicateRule, Rules, StartRule, TerminalRule};
pub use terminal::{NoTerminalSlope, TerminalSlope};

use area::{area, level_between};

/// Analyses the samples of one person after one dose.
///
/// # Errors
/// When an input is no such quantity, when no level was measured above zero, or when a rule refuses a sample.
pub fn noncompartmental(
    samples: &[Sample],
    dose: &Dose,
    rules: &Rules,
) -> Result<Noncompartmental, NoncompartmentalError> {
    check_dose(dose)?;
    let (points, notes) = profile::prepare(samples, dose, rules)?;
    let Some(last) = points.iter().rposition(ProfilePoint::is_measured_above_zero) else {
        return Err(NoncompartmentalError::NoLevelAboveZero);
    };
    // The first of equals.
    let highest = points.iter().fold(points[0], |highest, point| {
        if point.level > highest.level {
            *point
        } else {
            highest
        }
    });
    let infusion_h = infusion_h(dose);
    let slope = terminal::terminal_slope(&points, highest.time_h.max(infusion_h), &rules.terminal);
    let (terminal, no_terminal) = match slope {
        Ok(slope) => (Some(slope), None),
        Err(none) => (None, Some(none)),
    };
    let to_last = area(&points[..=last], rules.area);
    let to_infinity = terminal
        .as_ref()
        .map(|slope| exposure_to_infinity(to_last, points[last], slope, dose));
    let interval = dose
        .interval_h
        .and_then(|interval_h| interval_exposure(&points, last, interval_h, terminal.as_ref(), dose, rules));
    let mut result = Noncompartmental {
        dose: *dose,
        rules: rules.clone(),
        notes,
        c_max: highest.level,
        t_max_h: highest.time_h,
        c_max_measured: highest.is_measured_above_zero(),
        c_last: points[last].level,
        t_last_h: points[last].time_h,
        auc_last: to_last.auc,
        aumc_last: to_last.aumc,
        auc_all: area(&points, rules.area).auc,
        terminal,
        no_terminal,
        to_infinity,
        interval,
        cautions: Vec::new(),
        points,
    };
    result.cautions = cautions(&result);
    if all_finite(&result) {
        Ok(result)
    } else {
        Err(NoncompartmentalError::OutOfRange)
    }
}

fn check_dose(dose: &Dose) -> Result<(), NoncompartmentalError> {
    let above_zero = |value: f64| value.is_finite() && value > 0.0;
    if !above_zero(dose.amount) {
        return Err(NoncompartmentalError::DoseNotAboveZero { found: dose.amount });
    }
    match dose.route {
        Route::Infusion { duration_h } if !above_zero(duration_h) => {
            return Err(NoncompartmentalError::InfusionNotAboveZero { found: duration_h });
        }
        _ => {}
    }
    match dose.interval_h {
        Some(found) if !above_zero(found) => Err(NoncompartmentalError::IntervalNotAboveZero { found }),
        None if dose.steady_state => Err(NoncompartmentalError::SteadyStateWithoutInterval),
        _ => Ok(()),
    }
}

fn infusion_h(dose: &Dose) -> f64 {
    match dose.route {
        Route::Infusion { duration_h } => duration_h,
        Route::Extravascular | Route::Bolus => 0.0,
    }
}

fn exposure_to_infinity(
    to_last: area::Area,
    last: ProfilePoint,
    slope: &TerminalSlope,
    dose: &Dose,
) -> ExposureToInfinity {
    let rate = slope.rate_per_h;
    let auc = to_last.auc + last.level / rate;
    let aumc = to_last.aumc + last.level * last.time_h / rate + last.level / (rate * rate);
    let single = !dose.steady_state;
    let mean_residence_h = single.then(|| aumc / auc - 0.5 * infusion_h(dose));
    let clearance = single.then(|| dose.amount / auc);
    let intravenous = dose.route != Route::Extravascular;
    ExposureToInfinity {
        auc,
        auc_from_fitted_last: to_last.auc + slope.level_at(last.time_h) / rate,
        extrapolated_pct: 100.0 * (last.level / rate) / auc,
        aumc,
        mean_residence_h,
        clearance,
        volume_terminal: clearance.map(|clearance| clearance / rate),
        volume_steady_state: clearance
            .zip(mean_residence_h)
            .filter(|_| intravenous)
            .map(|(clearance, residence)| clearance * residence),
    }
}

/// `None` when the interval ends behind the last level and there is no slope to follow, or before the first sample.
fn interval_exposure(
    points: &[ProfilePoint],
    last: usize,
    interval_h: f64,
    slope: Option<&TerminalSlope>,
    dose: &Dose,
    rules: &Rules,
) -> Option<IntervalExposure> {
    let points = &points[..=last];
    let before = points.partition_point(|point| point.time_h < interval_h);
    let mut covered = points[..before].to_vec();
    let from = *covered.last()?;
    let (end_point, end) = match points.get(before) {
        Some(at) if at.time_h.total_cmp(&interval_h).is_eq() => (*at, IntervalEnd::Measured),
        Some(after) => {
            let level = level_between(from, *after, interval_h, rules.area);
            (
                ProfilePoint {
                    time_h: interval_h,
                    level,
                    ..from
                },
                IntervalEnd::Interpolated,
            )
        }
        None => {
            let rate = slope?.rate_per_h;
            let level = from.level * libm::exp(-rate * (interval_h - from.time_h));
            (
                ProfilePoint {
                    time_h: interval_h,
                    level,
                    ..from
                },
                IntervalEnd::Extrapolated,
            )
        }
    };
    let mut over = area(&covered, rules.area);
    covered.push(end_point);
    // Behind the last level the curve is the exponential itself, whatever the rule of areas.
    let step_rule = if end == IntervalEnd::Extrapolated {
        AreaRule::LinearUpLogDown
    } else {
        rules.area
    };
    let step = area(&covered[before - 1..], step_rule);
    over.auc += step.auc;
    over.aumc += step.aumc;
    // At infinity as if no further dose came: along the slope from the interval's end.
    let residence = slope.map(|slope| {
        let rest = end_point.level / slope.rate_per_h;
        (over.aumc + interval_h * rest) / over.auc - 0.5 * infusion_h(dose)
    });
    Some(IntervalExposure {
        interval_h,
        auc: over.auc,
        average_level: over.auc / interval_h,
        level_at_end: end_point.level,
        end,
        clearance: dose.steady_state.then(|| dose.amount / over.auc),
        mean_residence_h: residence.filter(|_| dose.steady_state),
    })
}

fn cautions(result: &Noncompartmental) -> Vec<Caution> {
    let mut cautions = Vec::new();
    if let Some(to_infinity) = &result.to_infinity {
        let (found_pct, limit_pct) = (to_infinity.extrapolated_pct, 20.0);
        if found_pct > limit_pct && !result.dose.steady_state {
            cautions.push(Caution::LargelyExtrapolated { found_pct, limit_pct });
        }
    }
    if let Some(slope) = &result.terminal {
        let (found, limit) = (slope.span_half_lives, 2.0);
        if found < limit {
            cautions.push(Caution::ShortTerminalSpan { found, limit });
        }
        let (found, limit) = (slope.adjusted_r_squared, 0.8);
        if found < limit {
            cautions.push(Caution::PoorTerminalFit { found, limit });
        }
    }
    let first_sample = result.points.iter().find(|point| point.is_measured_above_zero());
    if let Some(first) = first_sample.filter(|first| first.time_h >= result.t_max_h)
        && result.dose.route == Route::Extravascular
    {
        cautions.push(Caution::PeakAtFirstSample { time_h: first.time_h });
    }
    let at_dose = result.points.first().filter(|first| first.time_h <= 0.0);
    if let Some(at_dose) = at_dose
        && result.dose.route != Route::Bolus
        && !result.dose.steady_state
    {
        let (found_pct, limit_pct) = (100.0 * at_dose.level / result.c_max, 5.0);
        if found_pct > limit_pct {
            cautions.push(Caution::LevelBeforeDose { found_pct, limit_pct });
        }
    }
    cautions
}

fn all_finite(result: &Noncompartmental) -> bool {
    let mut numbers = vec![result.auc_last, result.aumc_last, result.auc_all];
    if let Some(exposure) = &result.to_infinity {
        numbers.extend([
            exposure.auc,
            exposure.auc_from_fitted_last,
            exposure.extrapolated_pct,
            exposure.aumc,
        ]);
        numbers.extend(exposure.mean_residence_h);
        numbers.extend(exposure.clearance);
        numbers.extend(exposure.volume_terminal);
        numbers.extend(exposure.volume_steady_state);
    }
    if let Some(interval) = &result.interval {
        numbers.extend([interval.auc, interval.average_level, interval.level_at_end]);
        numbers.extend(interval.clearance);
        numbers.extend(interval.mean_residence_h);
    }
    numbers.iter().all(|number| number.is_finite())
}
