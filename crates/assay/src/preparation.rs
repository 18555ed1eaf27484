//! How much the ratio scatters from preparation to preparation, apart from the noise of the areas.
//!
//! Model: ratio = f(x)·(1 + δ) + ε. Var(ε) is known from the two areas; δ has the relative standard deviation s that is
//! estimated here from the run's own accepted calibrators (about the curve) and passing controls (each level about
//! its own mean, so that a control's bias does not count as scatter).
//!
//! Estimator: with residuals e = M·y, weights ω = 1/(u² + s²f²), and G = M·Σ·Mᵀ,
//! `E[Σ ω e²] = Σ c (u² + s² f²)` with `c_j = Σ_i ω_i M_ij²`. Equating Σ ω e² to its expectation gives s²; ω is then renewed
//! and the step repeated (the generalised moment estimator of R. `DerSimonian` and R. Kacker, Contemp. Clin. Trials 28
//! (2007) 105-114, eq. 6, with the projection of a regression in place of a weighted mean).
//! Degrees of freedom after F. E. Satterthwaite, Biometrics Bull. 2 (1946) 110-114: 2·(s²)²/Var(s²), with
//! `Var(Σ ω e²) = 2·Σ ω_i ω_j G_ij²` for normal errors.

use crate::calibration::Curve;

/// Degrees of freedom behind the method's within-run CV: five replicates in each of three runs (M10-10).
const VALIDATION_DEGREES_OF_FREEDOM: f64 = 12.0;
/// Below these degrees of freedom a run cannot speak for itself.
const FEWEST_DEGREES_OF_FREEDOM: f64 = 6.0;
/// Controls of a level are taken in groups of at most this many neighbours in the run: slow drift stays out of the
/// scatter, and the work stays small in long runs.
const GROUP: usize = 24;
/// Above this many calibrators the spread of the estimate is taken from its diagonal, to bound the work.
const EXACT_UP_TO: usize = 120;
const STEPS: usize = 30;

/// Between-preparation scatter of a run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Preparation {
    /// Relative standard deviation of the ratio.
    pub relative_standard_deviation: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Where it comes from.
    pub source: PreparationSource,
}

/// Where the scatter comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PreparationSource {
    /// The run's calibrators and controls.
    Run,
    /// The run's, pooled with the method's within-run CV because the run alone has too few degrees of freedom.
    Pooled,
}

/// One measured ratio.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// The ratio.
    pub ratio: f64,
    /// Its variance from the two areas.
    pub area_variance: f64,
}

/// Estimates the scatter. `calibrators` are those of the curve's fit, in its order; `controls` holds the passing
/// controls of each level, in the order of the run; `within_run_cv_pct` is the method's.
#[must_use]
pub fn preparation(
    curve: &Curve,
    calibrators: &[Reading],
    controls: &[Vec<Reading>],
    within_run_cv_pct: f64,
) -> Preparation {
    let stated = within_run_cv_pct / 100.0;
    let mut blocks = vec![calibrator_block(curve, calibrators)];
    for level in controls {
        blocks.extend(groups(level).into_iter().map(control_block));
    }
    let (variance, degrees_of_freedom) = estimate(&blocks, stated);
    if variance > 0.0 && degrees_of_freedom >= FEWEST_DEGREES_OF_FREEDOM {
        return Preparation {
            relative_standard_deviation: variance.sqrt(),
            degrees_of_freedom,
            source: PreparationSource::Run,
        };
    }
    let total = degrees_of_freedom + VALIDATION_DEGREES_OF_FREEDOM;
    let pooled = (degrees_of_freedom * variance + VALIDATION_DEGREES_OF_FREEDOM * stated * stated) / total;
    Preparation {
        relative_standard_deviation: pooled.sqrt(),
        degrees_of_freedom: total,
        source: PreparationSource::Pooled,
    }
}

/// Readings that share a fitted level: residuals, what the model says of their spread, and the projection M.
struct Block {
    squared_residuals: Vec<f64>,
    area_variances: Vec<f64>,
    squared_levels: Vec<f64>,
    projection: Vec<f64>,
}

fn calibrator_block(curve: &Curve, readings: &[Reading]) -> Block {
    let (x, weights) = curve.design();
    let n = readings.len().min(x.len());
    let rows: Vec<Vec<f64>> = x.iter().map(|x| curve.powers(*x)).collect();
    let mut projection = vec![0.0; n * n];
    for i in 0..n {
        for j in 0..n {
            let mut hat = 0.0;
            for (a, left) in rows[i].iter().enumerate() {
                for (b, right) in rows[j].iter().enumerate() {
                    hat += left * curve.fit.unscaled_covariance.get(a, b) * right;
                }
            }
            projection[i * n + j] = f64::from(i == j) - hat * weights[j];
        }
    }
    Block {
        squared_residuals: curve.fit.residuals.iter().take(n).map(|e| e * e).collect(),
        area_variances: readings.iter().take(n).map(|r| r.area_variance).collect(),
        squared_levels: x
            .iter()
            .take(n)
            .map(|x| curve.value_at(*x) * curve.value_at(*x))
            .collect(),
        projection,
    }
}

fn control_block(readings: &[Reading]) -> Block {
    let n = readings.len();
    let mean = readings.iter().fold(0.0, |sum, r| sum + r.ratio) / n as f64;
    let mut projection = vec![-1.0 / n as f64; n * n];
    for i in 0..n {
        projection[i * n + i] += 1.0;
    }
    Block {
        squared_residuals: readings
            .iter()
            .map(|r| (r.ratio - mean) * (r.ratio - mean))
            .collect(),
        area_variances: readings.iter().map(|r| r.area_variance).collect(),
        squared_levels: vec![mean * mean; n],
        projection,
    }
}

/// Neighbours in groups of at least two and about equal size.
fn groups(level: &[Reading]) -> Vec<&[Reading]> {
    if level.len() < 2 {
        return Vec::new();
    }
    let number = level.len().div_ceil(GROUP);
    let size = level.len().div_ceil(number);
    level.chunks(size).filter(|group| group.len() >= 2).collect()
}

/// The relative variance, at least 0, and its degrees of freedom, 0 when it is 0 or cannot be estimated.
fn estimate(blocks: &[Block], stated: f64) -> (f64, f64) {
    let mut variance = stated * stated;
    for _ in 0..STEPS {
        let Some((next, _)) = step(blocks, variance) else {
            return (0.0, 0.0);
        };
        let settled = (next - variance).abs() <= 1e-12 * next;
        variance = next;
        if settled {
            break;
        }
    }
    let Some((_, information)) = step(blocks, variance) else {
        return (0.0, 0.0);
    };
    if variance <= 0.0 {
        return (0.0, 0.0);
    }
    let spread = blocks
        .iter()
        .fold(0.0, |sum, block| sum + block.variance_of_sum(variance));
    let signal = variance * information;
    let degrees_of_freedom = 2.0 * signal * signal / spread;
    if degrees_of_freedom.is_finite() {
        (variance, degrees_of_freedom)
    } else {
        (0.0, 0.0)
    }
}

/// One moment step: the next variance and Σ c·f². `None` when nothing can be learnt.
fn step(blocks: &[Block], variance: f64) -> Option<(f64, f64)> {
    let (mut observed, mut known, mut information) = (0.0, 0.0, 0.0);
    for block in blocks {
        let weights = block.weights(variance);
        for ((row, weight), squared) in block.rows().zip(&weights).zip(&block.squared_residuals) {
            observed += weight * squared;
            for ((m, area), level) in row.iter().zip(&block.area_variances).zip(&block.squared_levels) {
                known += weight * m * m * area;
                information += weight * m * m * level;
            }
        }
    }
    let next = ((observed - known) / information).max(0.0);
    (information > 0.0 && next.is_finite()).then_some((next, information))
}

impl Block {
    /// Rows of M.
    fn rows(&self) -> impl Iterator<Item = &[f64]> {
        self.projection.chunks(self.squared_residuals.len().max(1))
    }

    /// 1/(u² + s²f²); s is held at least at 0.1 % so that noiseless readings do not weigh infinitely.
    fn weights(&self, variance: f64) -> Vec<f64> {
        self.area_variances
            .iter()
            .zip(&self.squared_levels)
            .map(|(area, level)| {
                let total = area + variance.max(1e-6) * level;
                if total > 0.0 { 1.0 / total } else { 0.0 }
            })
            .collect()
    }

    /// Var(Σ ω e²) for normal errors.
    fn variance_of_sum(&self, variance: f64) -> f64 {
        let n = self.squared_residuals.len();
        let weights = self.weights(variance);
        let spread: Vec<f64> = self
            .area_variances
            .iter()
            .zip(&self.squared_levels)
            .map(|(area, level)| area + variance * level)
            .collect();
        let mut total = 0.0;
        if n > EXACT_UP_TO {
            for (weight, spread) in weights.iter().zip(&spread) {
                total += (weight * spread) * (weight * spread);
            }
            return 2.0 * total;
        }
        for (left, left_weight) in self.rows().zip(&weights) {
            for (right, right_weight) in self.rows().zip(&weights) {
                let g = left
                    .iter()
                    .zip(right)
                    .zip(&spread)
                    .fold(0.0, |sum, ((a, b), spread)| sum + a * spread * b);
                total += left_weight * right_weight * g * g;
            }
        }
        2.0 * total
    }
}
