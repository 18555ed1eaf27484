//! Filter weights against the published tables.

use proptest::prelude::*;
use spotwright_numerics::savitzky_golay::{FilterError, SavitzkyGolay, coefficients};

/// Savitzky and Golay 1964, tables I (smoothing, quadratic/cubic), II (quartic), III and IV (first derivative), VI (second
/// derivative), with the corrections of Steinier, Termonia and Deltour 1972: integers over a norm.
#[test]
fn published_tables() {
    let cases: [(usize, usize, usize, f64, &[f64]); 9] = [
        (2, 2, 0, 35.0, &[-3.0, 12.0, 17.0, 12.0, -3.0]),
        (2, 3, 0, 35.0, &[-3.0, 12.0, 17.0, 12.0, -3.0]),
        (3, 2, 0, 21.0, &[-2.0, 3.0, 6.0, 7.0, 6.0, 3.0, -2.0]),
        (
            4,
            2,
            0,
            231.0,
            &[-21.0, 14.0, 39.0, 54.0, 59.0, 54.0, 39.0, 14.0, -21.0],
        ),
        (3, 4, 0, 231.0, &[5.0, -30.0, 75.0, 131.0, 75.0, -30.0, 5.0]),
        (2, 2, 1, 10.0, &[-2.0, -1.0, 0.0, 1.0, 2.0]),
        (2, 3, 1, 12.0, &[1.0, -8.0, 0.0, 8.0, -1.0]),
        (3, 3, 1, 252.0, &[22.0, -67.0, -58.0, 0.0, 58.0, 67.0, -22.0]),
        (2, 2, 2, 7.0, &[2.0, -1.0, -2.0, -1.0, 2.0]),
    ];
    for (half_width, degree, derivative, norm, integers) in cases {
        let weights = coefficients(half_width, degree, derivative, 0.0).unwrap();
        assert_same(&weights, integers, norm);
        let filter = SavitzkyGolay::new(half_width, degree, derivative).unwrap();
        assert_same(filter.centre_weights(), integers, norm);
    }
}

/// Gorry 1990: five points, quadratic, first and second point of the window.
#[test]
fn published_end_weights() {
    assert_same(
        &coefficients(2, 2, 0, -2.0).unwrap(),
        &[31.0, 9.0, -3.0, -5.0, 3.0],
        35.0,
    );
    assert_same(
        &coefficients(2, 2, 0, -1.0).unwrap(),
        &[9.0, 13.0, 12.0, 6.0, -5.0],
        35.0,
    );
}

#[test]
fn what_has_no_answer_is_named() {
    assert_eq!(
        SavitzkyGolay::new(2, 5, 0),
        Err(FilterError::Shape {
            window: 5,
            degree: 5,
            derivative: 0
        })
    );
    let filter = SavitzkyGolay::new(2, 2, 1).unwrap();
    assert_eq!(
        filter.apply(&[1.0; 4], 1.0),
        Err(FilterError::SeriesTooShort { window: 5, found: 4 })
    );
    assert!(matches!(
        filter.apply(&[f64::NAN; 9], 1.0),
        Err(FilterError::NotFinite { index: 0, .. })
    ));
    assert_eq!(
        filter.apply(&[1.0; 9], 0.0),
        Err(FilterError::Spacing { found: 0.0 })
    );
}

proptest! {
    /// A polynomial of the filter's degree passes unchanged, ends and all, and its derivative is exact.
    #[test]
    fn a_cubic_passes_unchanged(half_width in 2_usize..12, a in -9_i32..9, b in -9_i32..9, c in -9_i32..9, spacing in 0.01_f64..3.0) {
        let [a, b, c] = [a, b, c].map(f64::from);
        let x: Vec<f64> = (0..40).map(|i| (f64::from(i) - 20.0) * spacing).collect();
        let y: Vec<f64> = x.iter().map(|x| a + x * (b + x * (c + x))).collect();
        let smooth = SavitzkyGolay::new(half_width, 3, 0).unwrap().apply(&y, spacing).unwrap();
        let slope = SavitzkyGolay::new(half_width, 3, 1).unwrap().apply(&y, spacing).unwrap();
        let size = 1.0 + y.iter().fold(0.0_f64, |m, v| m.max(v.abs()));
        for i in 0..x.len() {
            prop_assert!((smooth[i] - y[i]).abs() < 1e-11 * size);
            prop_assert!((slope[i] - (b + x[i] * (2.0 * c + 3.0 * x[i]))).abs() < 1e-10 * size / spacing);
        }
    }
}

#[track_caller]
fn assert_same(weights: &[f64], integers: &[f64], norm: f64) {
    assert_eq!(weights.len(), integers.len());
    for (w, i) in weights.iter().zip(integers) {
        assert!(
            (w - i / norm).abs() < 1e-15,
            "{weights:?} against {integers:?}/{norm}"
        );
    }
}
