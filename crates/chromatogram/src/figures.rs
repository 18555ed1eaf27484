//! Widths, symmetry and flat tops.

use crate::baseline::Baseline;

/// Widths of a peak, read off the smoothed trace above the baseline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Figures {
    /// Full width at half height (s).
    pub width_half_height_s: Option<f64>,
    /// USP <621> / Ph. Eur. 2.2.46: w(5 %) / (2·front half of it).
    pub tailing_factor: Option<f64>,
    /// Back over front at 10 %.
    pub asymmetry: Option<f64>,
}

/// A level this many standard deviations of the smoothed noise above the baseline can be read; lower ones cannot.
const READABLE: f64 = 3.0;

/// Reads the widths. `reach_s`: how far from the apex the peak may reach.
pub(crate) fn read(
    x: &[f64],
    smooth: &[f64],
    baseline: &Baseline,
    apex: (usize, f64),
    height: f64,
    smooth_noise: f64,
    reach_s: (f64, f64),
) -> Figures {
    let front_and_back = |share: f64| -> Option<(f64, f64)> {
        let level = share * height;
        if level <= READABLE * smooth_noise {
            return None;
        }
        let above = |i: usize| smooth[i] - baseline.at(x[i]) - level;
        let (index, apex_s) = apex;
        let mut front = None;
        for i in (0..index).rev() {
            if above(i) <= 0.0 {
                front = Some(apex_s - between(x[i], x[i + 1], above(i), above(i + 1)));
                break;
            }
            if apex_s - x[i] > reach_s.0 {
                break;
            }
        }
        let mut back = None;
        for i in index + 1..x.len() {
            if above(i) <= 0.0 {
                back = Some(between(x[i], x[i - 1], above(i), above(i - 1)) - apex_s);
                break;
            }
            if x[i] - apex_s > reach_s.1 {
                break;
            }
        }
        front
            .zip(back)
            .filter(|(front, back)| *front > 0.0 && *back > 0.0)
    };
    Figures {
        width_half_height_s: front_and_back(0.5).map(|(front, back)| front + back),
        tailing_factor: front_and_back(0.05).map(|(front, back)| (front + back) / (2.0 * front)),
        asymmetry: front_and_back(0.1).map(|(front, back)| back / front),
    }
}

/// Where the line from (`low_x`, `low`) to (`high_x`, `high`) is zero; `low` ≤ 0 ≤ `high`.
fn between(low_x: f64, high_x: f64, low: f64, high: f64) -> f64 {
    let share = if high > low { -low / (high - low) } else { 0.5 };
    low_x + share.clamp(0.0, 1.0) * (high_x - low_x)
}

/// Fewest points of a flat top where no ceiling is stated: three equal points are met by chance once in some hundred thousand
/// noisy peaks, which is once in a laboratory's month.
const FLAT_POINTS: usize = 4;
/// Fewest points of a flat top near a stated ceiling.
const FLAT_POINTS_NEAR_CEILING: usize = 3;
/// Points of a flat top lie this close to the highest, as a share of it.
const FLAT_SHARE: f64 = 2e-4;
/// A flat top lasts at least this share of the usual width at half height: a Gaussian top stays within `FLAT_SHARE` for 2 %.
const FLAT_WIDTH: f64 = 0.1;

/// Share of a stated ceiling below which a plateau is chance.
const FLAT_BELOW_CEILING: f64 = 0.8;
/// Whether the highest points form a plateau: at the stated ceiling, or several in a row that are equal while a peak's top is not.
pub(crate) fn is_saturated(
    x: &[f64],
    y: &[f64],
    ceiling: Option<f64>,
    usual_width_s: f64,
    noise: f64,
) -> bool {
    let highest = y.iter().fold(f64::NEG_INFINITY, |most, v| most.max(*v));
    if let Some(ceiling) = ceiling {
        // A detector whose ceiling is stated does not flatten far below it.
        if highest < FLAT_BELOW_CEILING * ceiling {
            return false;
        }
        if highest >= ceiling {
            return true;
        }
    }
    // A few counts are equal by chance.
    if highest <= 50.0 * noise {
        return false;
    }
    let points = if ceiling.is_some() {
        FLAT_POINTS_NEAR_CEILING
    } else {
        FLAT_POINTS
    };
    let mut run_start = None;
    for (i, value) in y.iter().enumerate() {
        if *value < highest * (1.0 - FLAT_SHARE) {
            run_start = None;
            continue;
        }
        let start = *run_start.get_or_insert(i);
        if i - start + 1 >= points && x[i] - x[start] >= FLAT_WIDTH * usual_width_s {
            return true;
        }
    }
    false
}
