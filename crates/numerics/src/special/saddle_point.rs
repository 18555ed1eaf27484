//! The parts of a probability that would cancel if computed head-on (C. Loader, "Fast and accurate computation of
//! binomial probabilities", 2000).

/// ln Γ(a) − [(a − ½)·ln a − a + ½·ln 2π]: DLMF 5.11.1.
pub(super) fn stirling_error(a: f64) -> f64 {
    if a < 15.0 {
        const HALF_LN_TWO_PI: f64 = 0.918_938_533_204_672_8;
        return libm::lgamma(a) - (a - 0.5) * libm::log(a) + a - HALF_LN_TWO_PI;
    }
    // Bernoulli numbers B₂ₖ / (2k(2k−1)): the first neglected term is below 1e-17 at a = 15.
    let s = 1.0 / (a * a);
    let series = 1.0 / 12.0
        - s * (1.0 / 360.0
            - s * (1.0 / 1260.0
                - s * (1.0 / 1680.0 - s * (1.0 / 1188.0 - s * (691.0 / 360_360.0 - s * (1.0 / 156.0))))));
    series / a
}

/// a·ln(a/m) + m − a, without cancellation near a = m (Loader's bd0).
pub(super) fn deviance(a: f64, m: f64) -> f64 {
    if m <= 0.0 || !m.is_finite() {
        return f64::INFINITY;
    }
    let v = (a - m) / (a + m);
    if v.abs() >= 0.1 {
        return a * libm::log(a / m) + m - a;
    }
    let mut total = (a - m) * v;
    let mut term = 2.0 * a * v;
    let square = v * v;
    // Each term is at most a hundredth of the one before.
    for k in 1..20 {
        term *= square;
        total += term / f64::from(2 * k + 1);
    }
    total
}
