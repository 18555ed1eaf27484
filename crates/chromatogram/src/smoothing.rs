//! Savitzky–Golay smoothing without allocation, used to find peaks and their apex, never for areas.

/// Half width (points) of a quadratic filter whose window is at most `fraction` of a peak of `points_per_width` points at
/// half height.
///
/// Five points are the least that smooths; a peak of fewer than five points at half height is left as recorded, since
/// a five-point window would take more than 1 % off its height.
pub(crate) fn half_width(points_per_width: f64, fraction: f64) -> usize {
    if points_per_width < 5.0 {
        return 0;
    }
    let window = points_per_width * fraction.clamp(0.0, 1.0);
    ((window / 2.0) as usize).clamp(2, MAX_HALF_WIDTH)
}

/// Longest filter: 129 points.
const MAX_HALF_WIDTH: usize = 64;

/// A quadratic smoothing filter (A. Savitzky, M. J. E. Golay, Anal. Chem. 36 (1964) 1627, closed form of the quadratic
/// smoothing weights: 3(3m² + 3m − 1 − 5j²) / ((2m − 1)(2m + 1)(2m + 3))). Its weights sum to 1, so areas are kept.
#[derive(Debug, Clone)]
pub(crate) struct Smoother {
    half_width: usize,
    /// Weights at distance 0, 1, … from the middle.
    weights: [f64; MAX_HALF_WIDTH + 1],
    /// Σ w²: variance of the smoothed over that of the recorded value, independent noise.
    pub variance_ratio: f64,
}

impl Smoother {
    pub(crate) fn new(half_width: usize) -> Self {
        let half_width = half_width.min(MAX_HALF_WIDTH);
        let mut weights = [0.0; MAX_HALF_WIDTH + 1];
        let m = half_width as f64;
        if half_width < 2 {
            weights[0] = 1.0;
            return Self {
                half_width: 0,
                weights,
                variance_ratio: 1.0,
            };
        }
        let scale = 3.0 / ((2.0 * m - 1.0) * (2.0 * m + 1.0) * (2.0 * m + 3.0));
        let mut variance_ratio = 0.0;
        for (j, weight) in weights.iter_mut().enumerate().take(half_width + 1) {
            let d = j as f64;
            *weight = scale * (3.0 * m * m + 3.0 * m - 1.0 - 5.0 * d * d);
            variance_ratio += *weight * *weight * if j == 0 { 1.0 } else { 2.0 };
        }
        Self {
            half_width,
            weights,
            variance_ratio,
        }
    }

    /// Smooths `y` into `smooth`; points nearer to an end than the half width stay as recorded.
    pub(crate) fn apply(&self, y: &[f64], smooth: &mut Vec<f64>) {
        smooth.clear();
        smooth.extend_from_slice(y);
        let m = self.half_width;
        if m < 2 || y.len() < 2 * m + 1 {
            return;
        }
        match m {
            2 => run::<2>(y, &self.weights, smooth),
            3 => run::<3>(y, &self.weights, smooth),
            4 => run::<4>(y, &self.weights, smooth),
            5 => run::<5>(y, &self.weights, smooth),
            _ => {
                for (window, out) in y.windows(2 * m + 1).zip(&mut smooth[m..]) {
                    let mut sum = self.weights[0] * window[m];
                    for j in 1..=m {
                        sum += self.weights[j] * (window[m - j] + window[m + j]);
                    }
                    *out = sum;
                }
            }
        }
    }
}

/// The common short filters, unrolled; the same sums in the same order.
fn run<const M: usize>(y: &[f64], weights: &[f64], smooth: &mut [f64]) {
    for (window, out) in y.windows(2 * M + 1).zip(&mut smooth[M..]) {
        let mut sum = weights[0] * window[M];
        for j in 1..=M {
            sum += weights[j] * (window[M - j] + window[M + j]);
        }
        *out = sum;
    }
}

#[cfg(test)]
mod tests {
    use super::{Smoother, half_width};
    use spotwright_numerics::savitzky_golay::coefficients;

    #[test]
    fn weights_are_those_of_the_general_filter() {
        // Steinier, Termonia, Deltour, Anal. Chem. 44 (1972) 1906: five-point quadratic −3 12 17 12 −3 over 35.
        let five = Smoother::new(2);
        for (weight, numerator) in five.weights.iter().zip([17.0, 12.0, -3.0]) {
            assert!((weight - numerator / 35.0).abs() < 1e-15);
        }
        for m in [2, 3, 4, 7, 20, 64] {
            let general = coefficients(m, 2, 0, 0.0).unwrap();
            let own = Smoother::new(m);
            for (j, weight) in own.weights[..=m].iter().enumerate() {
                assert!(
                    (weight - general[m + j]).abs() < 1e-14,
                    "half width {m}, distance {j}"
                );
            }
            let squares: f64 = general.iter().map(|w| w * w).sum();
            assert!((own.variance_ratio - squares).abs() < 1e-13);
        }
    }

    /// PR-32: area within 1 %, width within 5 %, for every width that is smoothed at all, wherever the points fall.
    #[test]
    fn smoothing_keeps_area_and_width() {
        for points_per_width in [5.0, 5.5, 6.0, 8.0, 10.0, 15.0, 25.0, 60.0, 130.0] {
            for phase in [0.0, 0.25, 0.5, 0.9] {
                let sigma: f64 = points_per_width / 2.354_820_045;
                let reach = (8.0 * sigma).ceil() + 70.0;
                let x: Vec<f64> = (0..2 * reach as usize)
                    .map(|i| i as f64 - reach + phase)
                    .collect();
                let y: Vec<f64> = x
                    .iter()
                    .map(|x| libm::exp(-0.5 * x * x / (sigma * sigma)))
                    .collect();
                let smoother = Smoother::new(half_width(points_per_width, 0.5));
                let mut smooth = Vec::new();
                smoother.apply(&y, &mut smooth);
                let (before, after): (f64, f64) = (y.iter().sum(), smooth.iter().sum());
                assert!(
                    (after / before - 1.0).abs() < 0.01,
                    "area at {points_per_width} points"
                );
                let widened = width(&x, &smooth) / width(&x, &y);
                assert!(
                    (widened - 1.0).abs() < 0.05,
                    "width × {widened} at {points_per_width} points"
                );
            }
        }
    }

    /// Full width at half of the highest point, flanks interpolated.
    fn width(x: &[f64], y: &[f64]) -> f64 {
        let half = 0.5 * y.iter().fold(0.0, |m: f64, v| m.max(*v));
        let crossings: Vec<f64> = (1..x.len())
            .filter(|i| (y[i - 1] < half) != (y[*i] < half))
            .map(|i| x[i - 1] + (half - y[i - 1]) / (y[i] - y[i - 1]))
            .collect();
        crossings[crossings.len() - 1] - crossings[0]
    }

    #[test]
    fn short_series_and_few_points_stay_as_they_are() {
        let mut smooth = Vec::new();
        Smoother::new(3).apply(&[1.0, 5.0, 2.0], &mut smooth);
        assert_eq!(smooth, [1.0, 5.0, 2.0]);
        assert_eq!(half_width(4.9, 0.5), 0);
    }
}
