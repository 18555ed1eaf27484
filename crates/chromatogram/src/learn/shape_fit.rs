//! One peak's shape: an exponentially modified Gaussian fitted to its points.

use crate::candidate::Candidate;
use crate::emg::Emg;
use crate::shape::{PeakShape, width_half_height};
use spotwright_numerics::nonlinear_fit::{NonlinearOptions, ResidualModel, fit_nonlinear};
use spotwright_numerics::robust::median_in_place;

#[derive(Debug, Clone, Copy)]
pub(super) struct FittedShape {
    pub(super) sigma_s: f64,
    pub(super) tau_s: f64,
    /// Root-mean-square residual as a share of height.
    pub(super) residual: f64,
}

pub(super) fn median_shape(fits: &[FittedShape]) -> Option<(PeakShape, f64)> {
    let median = |of: &dyn Fn(&FittedShape) -> f64| {
        let mut values: Vec<f64> = fits.iter().map(of).collect();
        median_in_place(&mut values).ok()
    };
    // Width and tail over sigma: their errors are less entangled than those of sigma and tail.
    let ratio = median(&|f| f.tau_s / f.sigma_s)?;
    let width = median(&|f| width_half_height(f.sigma_s, f.tau_s))?;
    let residual = median(&|f| f.residual)?;
    let sigma = width / width_half_height(1.0, ratio);
    Some((PeakShape::new(sigma, ratio * sigma), residual))
}

/// Fits height, apex, sigma and tail to the points above the baseline: tailing or fronting as the two flanks say, the other way too when the
/// tail comes out too short to tell.
pub(super) fn fit_emg(
    x: &[f64],
    above: &[f64],
    peak: &Candidate,
    start: &PeakShape,
    noise: f64,
) -> Option<FittedShape> {
    let height = peak.height;
    let deviations: Vec<f64> = above
        .iter()
        .map(|y| {
            let signal = y.max(0.0);
            // 2 % a point: what is not yet known of the noise.
            (noise * noise + 4e-4 * signal * signal).sqrt().max(1e-6 * height)
        })
        .collect();
    let lean: f64 = x.iter().zip(above).map(|(x, y)| (x - peak.apex_s) * y).sum();
    let side = if lean >= 0.0 { 1.0 } else { -1.0 };
    let first = fit_side(x, above, &deviations, peak, start, noise, side);
    let told = first
        .as_ref()
        .is_some_and(|(_, fit)| fit.tau_s.abs() > UNTOLD_TAIL * fit.sigma_s);
    if told {
        return first.map(|(_, fit)| fit);
    }
    let second = fit_side(x, above, &deviations, peak, start, noise, -side);
    match (first, second) {
        (Some(a), Some(b)) => Some(if a.0 <= b.0 { a.1 } else { b.1 }),
        (one, other) => one.or(other).map(|(_, fit)| fit),
    }
}

/// Tails shorter than this share of sigma are as well none.
const UNTOLD_TAIL: f64 = 0.25;

/// Sum of squares and shape of the fit with the tail on one side.
fn fit_side(
    x: &[f64],
    above: &[f64],
    deviations: &[f64],
    peak: &Candidate,
    start: &PeakShape,
    noise: f64,
    side: f64,
) -> Option<(f64, FittedShape)> {
    let width = start.width_half_height_s();
    // Tail over sigma and what that makes of the width: roughly, it is only a start.
    let ratio = (start.tau_s() / start.sigma_s()).abs().clamp(0.3, 1.5);
    let sigma = width / (2.355 + 0.9 * ratio);
    let model = EmgModel {
        x,
        above,
        deviations,
        side,
        height: peak.height,
        width,
    };
    let parameters = [
        start.area_per_height_s() / width,
        peak.apex_s - side * 0.6 * ratio * sigma,
        libm::log(sigma),
        libm::log(ratio * sigma),
    ];
    // A hundredth of the parameters' own uncertainty is close enough.
    let options = NonlinearOptions {
        max_iterations: 40,
        offset_tolerance: 1e-2,
        step_tolerance: 1e-4,
        polish_steps: 0,
        ..NonlinearOptions::default()
    };
    let fit = fit_nonlinear(&model, &parameters, &options).ok()?;
    let p = &fit.parameters;
    let (sigma_s, tau_s) = (libm::exp(p[2]), side * model.tail(p));
    // Weighted residuals are in units of 2 % at the top; unweighted ones, less the noise, say how well the shape fits.
    let weighted = fit.residuals.iter().zip(deviations);
    let squares: f64 = weighted.map(|(r, d)| r * d * r * d).sum();
    let residual = (squares / x.len() as f64 - noise * noise).max(0.0).sqrt() / peak.height;
    let sound = sigma_s > 0.1 * start.sigma_s() && sigma_s < 10.0 * start.sigma_s() && residual.is_finite();
    sound.then_some((
        fit.residual_sum_of_squares,
        FittedShape {
            sigma_s,
            tau_s,
            residual,
        },
    ))
}

/// Parameters: area over height × width, centre (s), ln sigma, ln tail.
struct EmgModel<'a> {
    x: &'a [f64],
    above: &'a [f64],
    deviations: &'a [f64],
    side: f64,
    height: f64,
    width: f64,
}

impl EmgModel<'_> {
    /// The tail (s), no shorter than a hundredth of sigma: shorter ones cannot be told from none.
    fn tail(&self, p: &[f64]) -> f64 {
        libm::exp(p[3].clamp(p[2] - 4.6, p[2] + 3.0))
    }
}

impl ResidualModel for EmgModel<'_> {
    fn residual_count(&self) -> usize {
        self.x.len() + 1
    }

    fn residuals(&self, p: &[f64], residuals: &mut [f64]) {
        let m = self;
        let emg = Emg {
            centre: p[1],
            sigma: libm::exp(p[2]),
            tau: m.side * m.tail(p),
        };
        let scale = p[0] * m.width * m.height;
        for (i, residual) in residuals.iter_mut().enumerate().take(m.x.len()) {
            *residual = (m.above[i] - scale * emg.density(m.x[i])) / m.deviations[i];
        }
        // A very weak pull towards a usual tail keeps the fit determined where the tail cannot be told from none.
        residuals[m.x.len()] = 0.01 * (p[3] - p[2]);
    }

    fn jacobian(&self, p: &[f64], jacobian: &mut [f64]) {
        let m = self;
        let n = self.residual_count();
        let (sigma, tail) = (libm::exp(p[2]), m.tail(p));
        let emg = Emg {
            centre: p[1],
            sigma,
            tau: m.side * tail,
        };
        let unit = m.width * m.height;
        for i in 0..m.x.len() {
            let (density, [by_centre, by_sigma, by_tau]) = emg.density_with_gradient(m.x[i]);
            let weight = -unit / m.deviations[i];
            jacobian[i] = weight * density;
            jacobian[n + i] = weight * p[0] * by_centre;
            jacobian[2 * n + i] = weight * p[0] * by_sigma * sigma;
            jacobian[3 * n + i] = weight * p[0] * by_tau * m.side * tail;
        }
        let last = m.x.len();
        jacobian[last] = 0.0;
        jacobian[n + last] = 0.0;
        jacobian[2 * n + last] = -0.01;
        jacobian[3 * n + last] = 0.01;
    }
}
