//! The area under mean levels when no person gives a whole profile: each time has its own persons (destructive sampling),
//! or each person is drawn at some of the times (batches).
//!
//! Area and standard error for one sample a person: A. J. Bailer, "Testing for the equality of area under the curves when using
//! destructive measurement techniques", J. Pharmacokinet. Biopharm. 16 (1988) 303-309. Persons drawn at several times add the
//! covariances of their levels: J. R. Nedelman, X. Jia, J. Biopharm. Statist. 8 (1998) 317-328. With every person drawn at
//! every time this is the standard error of the mean of the persons' own areas.

use serde::Serialize;

/// One person's (or animal's) levels: time (h) and level, each time once.
pub type PersonLevels = Vec<(f64, f64)>;

/// Area under the mean levels.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PooledArea {
    /// Times (h).
    pub times_h: Vec<f64>,
    /// Mean level at each time.
    pub mean_levels: Vec<f64>,
    /// How many levels each mean rests on.
    pub counts: Vec<usize>,
    /// Linear trapezoids under the means, first to last time (concentration·h).
    pub auc: f64,
    /// Standard error of the area; 0 when no level varies.
    pub standard_error: f64,
    /// Satterthwaite's degrees of freedom when each person was drawn once (J. R. Nedelman, E. Gibiansky, D. T. W. Lau,
    /// Pharm. Res. 12 (1995) 124-128); `None` when persons were drawn repeatedly, or nothing varies.
    pub degrees_of_freedom: Option<f64>,
}

/// Why there is no pooled area.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum PooledError {
    /// A time or a level is no number, or below zero.
    #[error("person {person}: time {time_h} h and level {level} must be finite and not below zero")]
    NotANumberFromZero {
        /// Position from 0.
        person: usize,
        /// The time (h).
        time_h: f64,
        /// The level.
        level: f64,
    },
    /// A person has two levels at one time.
    #[error("person {person} has two levels at {time_h} h")]
    DuplicateTime {
        /// Position from 0.
        person: usize,
        /// The time (h).
        time_h: f64,
    },
    /// An area needs two times.
    #[error("{found} sampling times; an area needs 2")]
    TooFewTimes {
        /// Times found.
        found: usize,
    },
    /// A variance needs two levels.
    #[error("{found} level at {time_h} h; a standard error needs 2 at every time")]
    TooFewLevels {
        /// The time (h).
        time_h: f64,
        /// Levels found.
        found: usize,
    },
    /// Two persons at least must share each pair of times that any person shares.
    #[error("only one person was drawn at both {first_h} h and {second_h} h; their covariance needs 2")]
    TooFewPairs {
        /// The earlier time (h).
        first_h: f64,
        /// The later time (h).
        second_h: f64,
    },
    /// Rounding, or a badly unbalanced design, made the variance negative.
    #[error("the variance of the area comes out as {found}; the design is too unbalanced for it")]
    VarianceBelowZero {
        /// The variance.
        found: f64,
    },
}

/// Pools levels of several persons.
///
/// # Errors
/// When a number is none, when a person has two levels at one time, or when levels are too few for a standard error.
pub fn pooled_area(persons: &[PersonLevels]) -> Result<PooledArea, PooledError> {
    let times_h = times(persons)?;
    if times_h.len() < 2 {
        return Err(PooledError::TooFewTimes { found: times_h.len() });
    }
    let levels: Vec<Vec<Option<f64>>> = times_h.iter().map(|time| at(persons, *time)).collect();
    let counts: Vec<usize> = levels.iter().map(|row| row.iter().flatten().count()).collect();
    for (time_h, found) in times_h.iter().zip(&counts) {
        if *found < 2 {
            return Err(PooledError::TooFewLevels {
                time_h: *time_h,
                found: *found,
            });
        }
    }
    let mean = |row: &[Option<f64>], count: usize| row.iter().flatten().sum::<f64>() / count as f64;
    let mean_levels: Vec<f64> = levels.iter().zip(&counts).map(|(row, n)| mean(row, *n)).collect();
    let weights = weights(&times_h);
    let auc = weights.iter().zip(&mean_levels).map(|(w, mean)| w * mean).sum();
    let mut variance = 0.0;
    let mut satterthwaite = 0.0;
    let mut repeated = false;
    for (i, weight) in weights.iter().enumerate() {
        let n = counts[i] as f64;
        let own = weight * weight * cross_product(&levels[i], &levels[i]) / ((n - 1.0) * n);
        variance += own;
        satterthwaite += own * own / (n - 1.0);
        for j in i + 1..weights.len() {
            let both = levels[i]
                .iter()
                .zip(&levels[j])
                .filter(|(a, b)| a.is_some() && b.is_some());
            let shared = both.count();
            if shared == 0 {
                continue;
            }
            repeated = true;
            if shared == 1 {
                return Err(PooledError::TooFewPairs {
                    first_h: times_h[i],
                    second_h: times_h[j],
                });
            }
            let shared = shared as f64;
            let covariance = cross_product(&levels[i], &levels[j]) / (shared - 1.0);
            variance += 2.0 * weight * weights[j] * shared * covariance / (n * counts[j] as f64);
        }
    }
    if variance < 0.0 {
        return Err(PooledError::VarianceBelowZero { found: variance });
    }
    Ok(PooledArea {
        times_h,
        mean_levels,
        counts,
        auc,
        standard_error: variance.sqrt(),
        degrees_of_freedom: (!repeated && variance > 0.0).then(|| variance * variance / satterthwaite),
    })
}

fn times(persons: &[PersonLevels]) -> Result<Vec<f64>, PooledError> {
    let mut times = Vec::new();
    for (person, levels) in persons.iter().enumerate() {
        let mut own = Vec::with_capacity(levels.len());
        for (time_h, level) in levels.iter().copied() {
            let from_zero = |value: f64| value.is_finite() && value >= 0.0;
            if !(from_zero(time_h) && from_zero(level)) {
                return Err(PooledError::NotANumberFromZero {
                    person,
                    time_h,
                    level,
                });
            }
            own.push(time_h);
        }
        own.sort_by(f64::total_cmp);
        if let Some(pair) = own.windows(2).find(|pair| pair[0].total_cmp(&pair[1]).is_eq()) {
            return Err(PooledError::DuplicateTime {
                person,
                time_h: pair[0],
            });
        }
        times.extend(own);
    }
    times.sort_by(f64::total_cmp);
    times.dedup_by(|a, b| a.total_cmp(b).is_eq());
    Ok(times)
}

/// Each person's level at a time.
fn at(persons: &[PersonLevels], time_h: f64) -> Vec<Option<f64>> {
    persons
        .iter()
        .map(|levels| {
            let here = levels.iter().find(|(time, _)| time.total_cmp(&time_h).is_eq());
            here.map(|(_, level)| *level)
        })
        .collect()
}

/// Share of each mean in the linear trapezoids: half the way from the time before to the time after.
fn weights(times_h: &[f64]) -> Vec<f64> {
    let last = times_h.len() - 1;
    (0..=last)
        .map(|i| 0.5 * (times_h[(i + 1).min(last)] - times_h[i.saturating_sub(1)]))
        .collect()
}

/// Sum of products of deviations over those drawn at both times, each from the mean of those.
fn cross_product(a: &[Option<f64>], b: &[Option<f64>]) -> f64 {
    let pairs: Vec<(f64, f64)> = a.iter().zip(b).filter_map(|(a, b)| a.zip(*b)).collect();
    let n = pairs.len() as f64;
    let mean_a = pairs.iter().map(|(a, _)| a).sum::<f64>() / n;
    let mean_b = pairs.iter().map(|(_, b)| b).sum::<f64>() / n;
    pairs.iter().map(|(a, b)| (a - mean_a) * (b - mean_b)).sum()
}
