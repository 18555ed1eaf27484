//! The exponentially modified Gaussian: a Gaussian convolved with an exponential decay, the usual model of a peak.

use spotwright_numerics::special::{erfcx, normal_cdf};
use std::f64::consts::{PI, SQRT_2};

/// An exponentially modified Gaussian of unit area.
///
/// Written by the scaled complementary error function so that neither branch overflows (Y. Kalambet, Y. Kozmin,
/// K. Mikhailova, I. Nagaev, P. Tikhonov, J. Chemometrics 25 (2011) 352-356, the forms from memory, checked in the tests
/// against quadrature of the convolution). Its mean is `centre + tau` and its variance `sigma² + tau²`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Emg {
    /// Centre of the Gaussian.
    pub centre: f64,
    /// Standard deviation of the Gaussian; positive.
    pub sigma: f64,
    /// Time constant of the exponential: positive tails to the right, negative to the left (fronting), zero is a
    /// Gaussian.
    pub tau: f64,
}

/// Below this share of sigma the tail is worked out as a series: the closed form of the derivatives cancels.
const SMALL_TAU: f64 = 2e-3;

impl Emg {
    /// Density at `x`; integrates to 1.
    #[must_use]
    pub fn density(&self, x: f64) -> f64 {
        let tau = self.tau.abs();
        let u = self.deviate(x);
        if tau <= 0.0 {
            return self.gaussian(u);
        }
        let ratio = self.sigma / tau;
        let z = (ratio - u) / SQRT_2;
        if z < 0.0 {
            // u > ratio here, so the exponent is below -ratio²/2.
            libm::exp(0.5 * ratio * ratio - u * ratio) * libm::erfc(z) / (2.0 * tau)
        } else {
            libm::exp(-0.5 * u * u) * erfcx(z) / (2.0 * tau)
        }
    }

    /// Density at `x` with its derivatives by centre, sigma and tau.
    #[must_use]
    pub fn density_with_gradient(&self, x: f64) -> (f64, [f64; 3]) {
        let tau = self.tau.abs();
        // A fronting peak is the mirror image: centre and sign of tau change direction.
        let side = if self.tau < 0.0 { -1.0 } else { 1.0 };
        let (s, u) = (self.sigma, self.deviate(x));
        let normal = self.gaussian(u);
        let (density, by_x, by_sigma, by_tau);
        if tau < SMALL_TAU * s {
            // g = G − τG′ + τ²G″ − …, from g + τg′ = G.
            let (d1, d2) = (-u / s * normal, (u * u - 1.0) / (s * s) * normal);
            let d3 = (3.0 * u - u * u * u) / (s * s * s) * normal;
            density = normal - tau * d1 + tau * tau * d2;
            by_x = d1 - tau * d2 + tau * tau * d3;
            by_sigma = s * (d2 - tau * d3);
            by_tau = -d1 + 2.0 * tau * d2 - 3.0 * tau * tau * d3;
        } else {
            density = self.density(x);
            by_x = (normal - density) / tau;
            // ∂g/∂σ = σ·∂²g/∂x² (the Gaussian obeys the heat equation).
            by_sigma = s * (-u / s * normal - by_x) / tau;
            by_tau = (-density + s * u * density / tau + s * s * by_x / tau) / tau;
        }
        (density, [-side * by_x, by_sigma, side * by_tau])
    }

    /// Share of the area to the left of `x`.
    #[must_use]
    pub fn cumulative(&self, x: f64) -> f64 {
        let u = self.deviate(x);
        // F = Φ(u) − τ·g(u): integrate g + τg′ = G.
        let left = (normal_cdf(u) - self.tau.abs() * self.density(x)).clamp(0.0, 1.0);
        if self.tau < 0.0 { 1.0 - left } else { left }
    }

    /// Where the density is largest.
    #[must_use]
    pub fn mode(&self) -> f64 {
        let tau = self.tau.abs();
        if tau < 1e-9 * self.sigma {
            return self.centre;
        }
        // The derivative changes sign once, between the centre and the mean.
        let side = if self.tau < 0.0 { -1.0 } else { 1.0 };
        let (mut rising, mut falling) = (0.0, tau);
        for _ in 0..44 {
            let middle = 0.5 * (rising + falling);
            let x = self.centre + side * middle;
            if self.gaussian(self.deviate(x)) > self.density(x) {
                rising = middle;
            } else {
                falling = middle;
            }
        }
        self.centre + side * 0.5 * (rising + falling)
    }

    /// Distance from the centre in standard deviations, along the direction of the tail.
    fn deviate(&self, x: f64) -> f64 {
        let u = (x - self.centre) / self.sigma;
        if self.tau < 0.0 { -u } else { u }
    }

    fn gaussian(&self, u: f64) -> f64 {
        libm::exp(-0.5 * u * u) / (self.sigma * (2.0 * PI).sqrt())
    }
}
