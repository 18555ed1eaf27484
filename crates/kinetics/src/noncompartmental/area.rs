//! Areas under the level and under its first moment, interval by interval.

use super::profile::ProfilePoint;
use super::rules::AreaRule;

/// Area (concentration·h) and first moment (concentration·h²).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Area {
    pub(super) auc: f64,
    pub(super) aumc: f64,
}

/// The area under neighbouring points, first to last.
pub(super) fn area(points: &[ProfilePoint], rule: AreaRule) -> Area {
    let mut total = Area::default();
    for pair in points.windows(2) {
        let step = segment(pair[0], pair[1], rule);
        total.auc += step.auc;
        total.aumc += step.aumc;
    }
    total
}

/// The level between two points, by the curve whose area is taken there.
pub(super) fn level_between(a: ProfilePoint, b: ProfilePoint, time_h: f64, rule: AreaRule) -> f64 {
    let share = (time_h - a.time_h) / (b.time_h - a.time_h);
    if is_logarithmic(a, b, rule) {
        a.level * libm::pow(b.level / a.level, share)
    } else {
        a.level + share * (b.level - a.level)
    }
}

fn is_logarithmic(a: ProfilePoint, b: ProfilePoint, rule: AreaRule) -> bool {
    rule == AreaRule::LinearUpLogDown && b.level < a.level && b.level > 0.0
}

/// Linear: the trapezoid of the level and of time times level. Logarithmic: with k = ln(c₁/c₂)/(t₂−t₁) the exact
/// integrals of the exponential, (c₁−c₂)/k and (t₁c₁−t₂c₂)/k + (c₁−c₂)/k² (Gibaldi & Perrier 1982, appendix D).
fn segment(a: ProfilePoint, b: ProfilePoint, rule: AreaRule) -> Area {
    let step_h = b.time_h - a.time_h;
    if is_logarithmic(a, b, rule) {
        let rate = libm::log(a.level / b.level) / step_h;
        let fall = a.level - b.level;
        return Area {
            auc: fall / rate,
            aumc: (a.time_h * a.level - b.time_h * b.level) / rate + fall / (rate * rate),
        };
    }
    Area {
        auc: 0.5 * step_h * (a.level + b.level),
        aumc: 0.5 * step_h * (a.time_h * a.level + b.time_h * b.level),
    }
}
