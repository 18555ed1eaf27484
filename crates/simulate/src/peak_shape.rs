//! The exponentially modified Gaussian: a Gaussian of standard deviation σ smeared by an exponential of time
//! constant τ (Kalambet et al. 2011, J. Chemometrics 25:352). Written here on its own: the simulator shares no
//! formula with the code that measures.

use std::f64::consts::{PI, SQRT_2};

/// A peak of unit area; times in seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeakShape {
    /// Standard deviation of the Gaussian (s), above zero.
    pub sigma_s: f64,
    /// Time constant of the exponential (s), above zero.
    pub tau_s: f64,
}

impl PeakShape {
    /// Density (1/s) at `t_s` seconds after the centre of the Gaussian.
    #[must_use]
    pub fn density(self, t_s: f64) -> f64 {
        let (sigma, tau) = (self.sigma_s, self.tau_s);
        let z = (sigma / tau - t_s / sigma) / SQRT_2;
        if z < 0.0 {
            let exponent = 0.5 * (sigma / tau) * (sigma / tau) - t_s / tau;
            libm::exp(exponent) * libm::erfc(z) / (2.0 * tau)
        } else {
            // exp(large)·erfc(large) would overflow times underflow; the scaled function keeps both in range.
            let x = t_s / sigma;
            libm::exp(-0.5 * x * x) * scaled_erfc(z) / (2.0 * tau)
        }
    }

    /// Where the peak is highest (s after the centre of the Gaussian), by golden-section search: the mode of an
    /// exponentially modified Gaussian lies between its centre and centre + τ.
    #[must_use]
    pub fn apex_s(self) -> f64 {
        let inverse_golden = 0.5 * (5.0_f64.sqrt() - 1.0);
        let (mut low, mut high) = (0.0, self.tau_s);
        for _ in 0..48 {
            let span = inverse_golden * (high - low);
            if self.density(high - span) > self.density(low + span) {
                high = low + span;
            } else {
                low = high - span;
            }
        }
        0.5 * (low + high)
    }

    /// Height of the unit-area peak (1/s).
    #[must_use]
    pub fn height_per_area(self) -> f64 {
        self.density(self.apex_s())
    }

    /// Full width at this share of the height (s), by bisection on both flanks.
    #[must_use]
    pub fn width_s(self, share: f64) -> f64 {
        let (left, right) = self.flanks_s(share);
        left + right
    }

    /// Tailing factor at 5 % of the height: whole width over twice the front half (USP <621>).
    #[must_use]
    pub fn tailing_factor(self) -> f64 {
        let (left, right) = self.flanks_s(0.05);
        (left + right) / (2.0 * left)
    }

    /// Distances (s) from the apex to where the peak falls to this share of its height, before and after.
    fn flanks_s(self, share: f64) -> (f64, f64) {
        let apex = self.apex_s();
        let level = share * self.density(apex);
        let reach = 40.0 * (self.sigma_s + self.tau_s);
        let flank = |direction: f64| {
            let (mut inside, mut outside) = (0.0, reach);
            for _ in 0..60 {
                let middle = 0.5 * (inside + outside);
                if self.density(apex + direction * middle) > level {
                    inside = middle;
                } else {
                    outside = middle;
                }
            }
            0.5 * (inside + outside)
        };
        (flank(-1.0), flank(1.0))
    }

    /// The stretch (s from the centre of the Gaussian) outside which the density is below 1e-14 of its height.
    #[must_use]
    pub fn support_s(self) -> (f64, f64) {
        (-8.5 * self.sigma_s, 8.5 * self.sigma_s + 33.0 * self.tau_s)
    }
}

/// erfc(z)·exp(z²) for z ≥ 0.
fn scaled_erfc(z: f64) -> f64 {
    if z < 10.0 {
        return libm::exp(z * z) * libm::erfc(z);
    }
    // Continued fraction (Abramowitz & Stegun 7.1.14); twelve levels give full precision from z = 10 on.
    let mut tail = z;
    for level in (1..=12).rev() {
        tail = z + 0.5 * f64::from(level) / tail;
    }
    1.0 / (tail * PI.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    const SHAPES: [PeakShape; 3] = [
        PeakShape {
            sigma_s: 1.4,
            tau_s: 0.25,
        },
        PeakShape {
            sigma_s: 1.5,
            tau_s: 0.9,
        },
        PeakShape {
            sigma_s: 1.2,
            tau_s: 2.0,
        },
    ];

    #[test]
    fn the_area_is_one_and_the_mean_is_tau() {
        // Moments of the convolution: area 1, mean τ, variance σ² + τ² (textbook property of a sum of independent
        // normal and exponential variables).
        for shape in SHAPES {
            let (from, to) = shape.support_s();
            let step = 0.01;
            let count = ((to - from) / step) as usize;
            let (mut area, mut mean, mut square) = (0.0, 0.0, 0.0);
            for i in 0..=count {
                let t = from + i as f64 * step;
                let weight = shape.density(t) * step;
                area += weight;
                mean += weight * t;
                square += weight * t * t;
            }
            assert!((area - 1.0).abs() < 1e-10, "{shape:?} {area}");
            assert!((mean - shape.tau_s).abs() < 1e-8, "{shape:?} {mean}");
            let variance = shape.sigma_s * shape.sigma_s + shape.tau_s * shape.tau_s;
            assert!((square - mean * mean - variance).abs() < 1e-7, "{shape:?}");
        }
    }

    #[test]
    fn both_branches_meet() {
        let shape = SHAPES[1];
        let t = shape.sigma_s * shape.sigma_s / shape.tau_s;
        assert!((shape.density(t - 1e-9) / shape.density(t + 1e-9) - 1.0).abs() < 1e-7);
        // erfcx(10) = 0.05614099274382259 (Abramowitz & Stegun 7.1.23 summed to its smallest term).
        for z in [9.999_999_999, 10.000_000_001] {
            assert!(
                (scaled_erfc(z) / 0.056_140_992_743_822_59 - 1.0).abs() < 1e-9,
                "{z}"
            );
        }
    }

    #[test]
    fn a_short_exponential_leaves_a_gaussian() {
        let shape = PeakShape {
            sigma_s: 1.5,
            tau_s: 0.02,
        };
        // Full width at half height of a Gaussian: 2·sqrt(2·ln 2)·σ.
        assert!((shape.width_s(0.5) / (2.354_820_045 * 1.5) - 1.0).abs() < 2e-4);
        assert!((shape.tailing_factor() - 1.0).abs() < 5e-3);
    }
}
