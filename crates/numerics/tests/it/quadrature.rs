//! Integrals with known closed forms.

use std::f64::consts::PI;

use proptest::prelude::*;
use spotwright_numerics::quadrature::{QuadratureError, integrate, trapezoid};
use spotwright_numerics::sample::SampleError;
use spotwright_numerics::special::erf;

use crate::support::assert_digits;

/// Abramowitz and Stegun 4.4.42 (arctangent), 7.1.1 (error function), 4.1.48 (logarithm).
#[test]
fn closed_forms() {
    let arctangent = integrate(|x| 4.0 / (1.0 + x * x), 0.0, 1.0, 0.0, 1e-13).unwrap();
    assert_digits("π", arctangent.value, PI, 14.5);
    let gauss = integrate(|x| libm::exp(-x * x), -1.0, 3.0, 0.0, 1e-12).unwrap();
    assert_digits(
        "gauss",
        gauss.value,
        0.5 * PI.sqrt() * (erf(3.0) + erf(1.0)),
        14.0,
    );
    let logarithm = integrate(libm::log, 0.0, 1.0, 1e-9, 0.0).unwrap();
    assert!(
        (logarithm.value + 1.0).abs() <= logarithm.error_estimate,
        "{logarithm:?}"
    );
    // A peak of 1/1000 of the range must not be missed once a point touches it: Lorentzian, half width 1e-3.
    let narrow = integrate(|x| 1e-3 / (x * x + 1e-6), -1.0, 1.0, 0.0, 1e-11).unwrap();
    assert_digits("narrow", narrow.value, 2.0 * libm::atan(1e3), 12.0);
}

/// The 15-point Kronrod rule is exact to degree 22 (A. S. Kronrod 1965), so one interval holds all digits.
#[test]
fn polynomial_of_degree_22() {
    let power = integrate(|x| libm::pow(x, 22.0), 0.0, 1.0, 1.0, 0.0).unwrap();
    assert_eq!(power.intervals, 1);
    assert_digits("x²²", power.value, 1.0 / 23.0, 14.0);
}

#[test]
fn what_has_no_answer_is_named() {
    assert!(matches!(
        integrate(|x| x, 0.0, f64::INFINITY, 0.0, 1e-9),
        Err(QuadratureError::Bounds { .. })
    ));
    assert!(matches!(
        integrate(|x| 1.0 / x, -1.0, 1.0, 0.0, 1e-9),
        Err(QuadratureError::NotFinite { .. })
    ));
    assert!(matches!(
        integrate(|x| 1.0 / x, 0.0, 1.0, 0.0, 1e-9),
        Err(QuadratureError::Tolerance { .. })
    ));
    assert_eq!(
        trapezoid(&[], &[]),
        Err(SampleError::TooFew { needed: 1, found: 0 })
    );
    assert_eq!(
        trapezoid(&[1.0], &[]),
        Err(SampleError::LengthMismatch {
            expected: 1,
            found: 0
        })
    );
}

proptest! {
    /// On any grid the trapezoid of a straight line is exact.
    #[test]
    fn trapezoid_of_a_line(mut x in prop::collection::vec(-100.0_f64..100.0, 2..40), slope in -5.0_f64..5.0) {
        x.sort_by(f64::total_cmp);
        let y: Vec<f64> = x.iter().map(|v| 3.0 + slope * v).collect();
        let (a, b) = (x[0], x[x.len() - 1]);
        let exact = 3.0 * (b - a) + 0.5 * slope * (b * b - a * a);
        prop_assert!((trapezoid(&x, &y).unwrap() - exact).abs() < 1e-9);
    }
}
