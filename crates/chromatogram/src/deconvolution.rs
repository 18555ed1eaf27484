//! Peaks that reach into each other: a sum of exponentially modified Gaussians over the fitted baseline.

use crate::baseline::Baseline;
use crate::emg::Emg;
use crate::noise::NoiseModel;
use crate::shape::PeakShape;
use spotwright_numerics::nonlinear_fit::{NonlinearOptions, ResidualModel, fit_nonlinear};

/// The fitted target peak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Component {
    /// Area (counts·s), the whole of the peak.
    pub area: f64,
    pub variance: f64,
    /// Apex (s).
    pub apex_s: f64,
    /// Height (counts).
    pub height: f64,
    /// Weighted mean square of the residuals: about 1 when model and noise are right.
    pub misfit: f64,
    /// Distance of the nearest other component (s).
    pub nearest_s: f64,
    /// Largest ratio of another component's area to its standard uncertainty.
    pub strongest_other: f64,
}

/// Most peaks fitted together.
pub(crate) const MOST_PEAKS: usize = 4;
/// How far the shape may stray from the run's: relative standard deviation of its width, and of its tail.
const WIDTH_DEVIATION: f64 = 0.05;
const TAIL_DEVIATION: f64 = 0.1;

/// What is fitted.
pub(crate) struct Overlap<'a> {
    pub x: &'a [f64],
    pub y: &'a [f64],
    pub baseline: &'a Baseline,
    pub shape: &'a PeakShape,
    /// Variance of the baseline's points.
    pub electronic: f64,
    pub noise: NoiseModel,
}

/// Fits the peaks, the target first, from their apexes (s) and heights (counts). All share one shape, held near the run's by a
/// normal prior on the logarithms of width and tail; the baseline may move within its own covariance. Two rounds: the second weights
/// the points by the variance at the first's curve. `None` when the fit fails or the target's area is not determined.
pub(crate) fn resolve(overlap: &Overlap<'_>, starts: &[(f64, f64)]) -> Option<Component> {
    let peaks = starts.len().min(MOST_PEAKS);
    let shape = overlap.shape;
    // Parameters: ln width factor, ln tail factor, baseline shift in its standard deviations, then area and apex of each peak
    // in units of the start's area and of the width.
    let mut parameters = vec![0.0; 3 + 2 * peaks];
    for (k, _) in starts[..peaks].iter().enumerate() {
        parameters[3 + 2 * k] = 1.0;
    }
    let mut model = Model {
        overlap,
        starts: &starts[..peaks],
        deviations: Vec::new(),
    };
    model.reweight(|i| (overlap.y[i] - overlap.baseline.at(overlap.x[i])).max(0.0));
    let options = NonlinearOptions {
        max_iterations: 60,
        polish_steps: 0,
        ..NonlinearOptions::default()
    };
    let mut last = None;
    for _ in 0..2 {
        let fit = fit_nonlinear(&model, &parameters, &options).ok()?;
        parameters.clone_from(&fit.parameters);
        let curve: Vec<f64> = (0..overlap.x.len())
            .map(|i| model.curve(&parameters, overlap.x[i]))
            .collect();
        model.reweight(|i| curve[i].max(0.0));
        last = Some(fit);
    }
    let fit = last?;
    let covariance = fit.covariance?;
    // The weights are standard deviations from elsewhere: a fit better than expected does not make them smaller.
    let scale = fit.residual_standard_deviation * fit.residual_standard_deviation;
    let shrink = if scale > 0.0 { scale.max(1.0) / scale } else { 1.0 };
    let start_area = |k: usize| starts[k].1 * shape.area_per_height_s();
    let width = shape.width_half_height_s();
    let apex = |k: usize| starts[k].0 + parameters[4 + 2 * k] * width;
    let emg = model.emg(&parameters);
    let area = parameters[3] * start_area(0);
    let variance = covariance.get(3, 3) * shrink * start_area(0) * start_area(0);
    let mut nearest_s = f64::INFINITY;
    let mut strongest_other: f64 = 0.0;
    for k in 1..peaks {
        nearest_s = nearest_s.min((apex(k) - apex(0)).abs());
        let deviation = (covariance.get(3 + 2 * k, 3 + 2 * k) * shrink).sqrt();
        strongest_other = strongest_other.max(parameters[3 + 2 * k] / deviation.max(f64::MIN_POSITIVE));
    }
    let component = Component {
        area,
        variance,
        apex_s: apex(0),
        height: area * emg.density(emg.mode()),
        misfit: scale,
        nearest_s,
        strongest_other,
    };
    let sound = [area, variance, component.apex_s, component.height, scale]
        .iter()
        .all(|v| v.is_finite());
    (sound && area > 0.0 && (apex(0) - starts[0].0).abs() < width).then_some(component)
}

struct Model<'a> {
    overlap: &'a Overlap<'a>,
    starts: &'a [(f64, f64)],
    /// Standard deviation of each point.
    deviations: Vec<f64>,
}

impl Model<'_> {
    fn reweight(&mut self, signal: impl Fn(usize) -> f64) {
        let Overlap {
            x,
            baseline,
            electronic,
            noise,
            ..
        } = self.overlap;
        let highest = self
            .starts
            .iter()
            .fold(0.0, |most: f64, (_, height)| most.max(*height));
        self.deviations.clear();
        self.deviations.extend((0..x.len()).map(|i| {
            let variance = electronic + noise.added_variance(signal(i), baseline.at(x[i]));
            // A noise-free trace still needs a weight.
            variance.sqrt().max(1e-9 * highest).max(f64::MIN_POSITIVE)
        }));
    }

    /// Unit-area peak with its apex at 0 for the shape factors of `parameters`.
    fn emg(&self, parameters: &[f64]) -> Emg {
        let run = self.overlap.shape.emg();
        let width = libm::exp(parameters[0].clamp(-1.0, 1.0));
        let tail = libm::exp(parameters[1].clamp(-2.0, 2.0));
        // The apex keeps its distance from the centre only to first order; what is left goes into the fitted apexes.
        Emg {
            centre: run.centre * width,
            sigma: run.sigma * width,
            tau: run.tau * width * tail,
        }
    }

    fn curve(&self, parameters: &[f64], x: f64) -> f64 {
        let emg = self.emg(parameters);
        let shape = self.overlap.shape;
        let width = shape.width_half_height_s();
        self.starts
            .iter()
            .enumerate()
            .map(|(k, (apex, height))| {
                let at = apex + parameters[4 + 2 * k] * width;
                parameters[3 + 2 * k] * height * shape.area_per_height_s() * emg.density(x - at)
            })
            .sum()
    }
}

impl ResidualModel for Model<'_> {
    fn residual_count(&self) -> usize {
        self.overlap.x.len() + 3
    }

    fn residuals(&self, parameters: &[f64], residuals: &mut [f64]) {
        let Overlap {
            x,
            y,
            baseline,
            electronic,
            ..
        } = self.overlap;
        let middle = 0.5 * (x[0] + x[x.len() - 1]);
        let shift = parameters[2] * (electronic * baseline.unit_variance_at(middle)).sqrt();
        for (i, deviation) in self.deviations.iter().enumerate() {
            residuals[i] = (y[i] - baseline.at(x[i]) - shift - self.curve(parameters, x[i])) / deviation;
        }
        let n = x.len();
        residuals[n] = parameters[0] / WIDTH_DEVIATION;
        residuals[n + 1] = parameters[1] / TAIL_DEVIATION;
        residuals[n + 2] = parameters[2];
    }
}
