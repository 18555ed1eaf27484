//! Time of the fits a run makes thousands of: `cargo bench -p spotwright-numerics`.

use divan::{Bencher, black_box};
use spotwright_numerics::linear_least_squares::fit_linear;
use spotwright_numerics::nonlinear_fit::{NonlinearOptions, ResidualModel, fit_nonlinear};
use spotwright_numerics::polynomial_fit::fit_polynomial;
use spotwright_numerics::savitzky_golay::SavitzkyGolay;

fn main() {
    divan::main();
}

/// Eight levels in duplicate, weights 1/x².
#[divan::bench(args = [1, 2])]
fn calibration_curve(bencher: Bencher<'_, '_>, degree: usize) {
    let x: Vec<f64> = (0..16).map(|i| f64::from(1 << (i / 2))).collect();
    let y: Vec<f64> = x
        .iter()
        .enumerate()
        .map(|(i, v)| 0.02 * v * (1.0 + 0.01 * ((i % 3) as f64 - 1.0)))
        .collect();
    let weights: Vec<f64> = x.iter().map(|v| 1.0 / (v * v)).collect();
    bencher.bench(|| fit_polynomial(black_box(&x), black_box(&y), &weights, degree, true));
}

/// A straight baseline and one template under sixty points.
#[divan::bench]
fn baseline_and_template(bencher: Bencher<'_, '_>) {
    let peak = bell(60, [0.0, 1.0, 30.0, 4.0]);
    let design: Vec<f64> = peak
        .iter()
        .enumerate()
        .flat_map(|(i, p)| [1.0, i as f64, *p])
        .collect();
    let y = bell(60, [10.0, 800.0, 30.2, 4.1]);
    let weights = vec![1.0; 60];
    bencher.bench(|| fit_linear(black_box(&design), 3, black_box(&y), &weights));
}

/// A bell with a baseline, four parameters, derivatives by differences.
#[divan::bench]
fn bell_by_levenberg_marquardt(bencher: Bencher<'_, '_>) {
    let model = Bell {
        observed: bell(60, [10.0, 800.0, 30.2, 4.1]),
    };
    bencher.bench(|| {
        fit_nonlinear(
            &model,
            black_box(&[5.0, 700.0, 29.0, 3.0]),
            &NonlinearOptions::default(),
        )
    });
}

#[divan::bench(args = [120, 1200])]
fn smooth_a_trace(bencher: Bencher<'_, '_>, points: usize) {
    let trace = bell(points, [10.0, 800.0, 0.5 * points as f64, 4.1]);
    let filter = SavitzkyGolay::new(4, 2, 0).expect("a nine-point quadratic filter exists");
    bencher.bench(|| filter.apply(black_box(&trace), 1.0));
}

struct Bell {
    observed: Vec<f64>,
}

impl ResidualModel for Bell {
    fn residual_count(&self) -> usize {
        self.observed.len()
    }

    fn residuals(&self, parameters: &[f64], residuals: &mut [f64]) {
        for (i, (r, y)) in residuals.iter_mut().zip(&self.observed).enumerate() {
            *r = bell_at(i, parameters) - y;
        }
    }
}

/// Offset, height, centre, width; the offset wavers a little so that no fit is exact.
fn bell(points: usize, shape: [f64; 4]) -> Vec<f64> {
    (0..points)
        .map(|i| bell_at(i, &shape) + (i % 5) as f64 - 2.0)
        .collect()
}

fn bell_at(i: usize, shape: &[f64]) -> f64 {
    let z = (i as f64 - shape[2]) / shape[3];
    shape[0] + shape[1] * libm::exp(-0.5 * z * z)
}
