//! How numbers are held against limits (G-1, G-2): inclusive, unrounded, with a guard for the last bits.

/// Relative guard of every comparison (G-1).
const GUARD: f64 = 1e-9;

/// Whether |value| ≤ limit. NaN never passes.
#[must_use]
pub fn within(value: f64, limit: f64) -> bool {
    value.abs() <= limit * (1.0 + GUARD)
}

/// Whether value ≤ limit, for a limit not below zero. NaN never passes.
#[must_use]
pub fn at_most(value: f64, limit: f64) -> bool {
    value <= limit * (1.0 + GUARD)
}

/// Whether value ≥ limit, for a limit not below zero. NaN never passes.
#[must_use]
pub fn at_least(value: f64, limit: f64) -> bool {
    value >= limit * (1.0 - GUARD)
}

/// Whether at least `share_pct` of `all` pass; never of none.
#[must_use]
pub fn share_passes(passing: usize, all: usize, share_pct: f64) -> bool {
    all > 0 && at_least(100.0 * passing as f64, share_pct * all as f64)
}

/// Whether at least two thirds pass, as 3·pass ≥ 2·n (G-2), so that 4 of 6 passes; never of none.
#[must_use]
pub fn two_thirds_pass(passing: usize, all: usize) -> bool {
    all > 0 && 3 * passing >= 2 * all
}

/// Whether two stated numbers (levels, dilution factors) are the same.
#[must_use]
pub fn same(a: f64, b: f64) -> bool {
    (a - b).abs() <= GUARD * a.abs().max(b.abs())
}

/// Found against nominal (%) (G-2).
#[must_use]
pub fn relative_error_pct(found: f64, nominal: f64) -> f64 {
    100.0 * (found - nominal) / nominal
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_are_inclusive_and_nothing_unknown_passes() {
        assert!(within(15.0, 15.0) && within(-15.0, 15.0));
        assert!(within(15.000_000_001, 15.0), "the guard of G-1");
        assert!(!within(15.001, 15.0));
        assert!(!within(f64::NAN, 15.0));
        assert!(two_thirds_pass(4, 6), "G-2: 4 of 6");
        assert!(!two_thirds_pass(3, 6) && !two_thirds_pass(0, 0));
        assert!(share_passes(6, 8, 75.0) && !share_passes(5, 8, 75.0));
    }
}
