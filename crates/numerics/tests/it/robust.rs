//! Robust statistics against published examples.

use proptest::prelude::*;
use spotwright_numerics::robust::{
    algorithm_a, interquartile_scale, mann_kendall, median, median_absolute_deviation, median_of_sorted,
    moving_median, pettitt, quantile_of_sorted, theil_sen, theil_sen_slope_interval,
};
use spotwright_numerics::sample::SampleError;
use spotwright_numerics::summary::{compensated_sum, mean, weighted_mean};

use crate::support::{assert_digits, strd};

/// Seven results of a brief on robust statistics (Analytical Methods Committee, "Robust statistics: a method of coping with
/// outliers", AMC technical brief 6, 2001; data from memory), iterated to convergence independently; and twelve values
/// worked the same way. The published definition: ISO 13528:2022, C.3.
#[test]
fn algorithm_a_examples() {
    let first = algorithm_a(&[4.5, 4.9, 5.6, 4.2, 6.2, 5.2, 9.9], 1e-12).unwrap();
    assert_digits("x*", first.mean, 5.386_489_23, 8.5);
    assert_digits("s*", first.standard_deviation, 1.145_956_92, 8.5);
    assert_digits("u", first.standard_uncertainty, 0.541_413_754_4, 9.0);
    let second = algorithm_a(
        &[10.1, 9.8, 10.3, 10.0, 9.9, 10.2, 10.4, 9.7, 10.0, 10.1, 12.9, 7.2],
        1e-12,
    )
    .unwrap();
    assert_digits("x*", second.mean, 10.05, 12.0);
    assert_digits("s*", second.standard_deviation, 0.323_784_019_1, 9.5);
    assert_digits("u", second.standard_uncertainty, 0.116_835_494_1, 9.5);
    // More than half tied: no scale, by ISO 13528 note to C.3.1 another estimator is needed.
    assert_eq!(
        algorithm_a(&[3.0, 3.0, 3.0, 3.0, 9.0], 1e-12),
        Err(SampleError::NoSpread)
    );
}

/// The Michelson speed-of-light data: R's `summary(morley$Speed)` for the same hundred values (in km/s above 299 000) gives quartiles
/// 807.5, 850 and 892.5 (from memory).
#[test]
fn median_and_scales_of_the_speed_of_light() {
    let text = strd("univariate/Michelso.dat");
    let mut values: Vec<f64> = text
        .lines()
        .skip(60)
        .filter_map(|l| l.trim().parse().ok())
        .collect();
    assert_eq!(values.len(), 100);
    assert_digits("median", median(&values).unwrap(), 299.85, 14.0);
    let by_iqr = interquartile_scale(&values).unwrap();
    values.sort_by(f64::total_cmp);
    assert_digits(
        "median of sorted",
        median_of_sorted(&values).unwrap(),
        299.85,
        14.0,
    );
    assert_digits(
        "first quartile",
        quantile_of_sorted(&values, 0.25).unwrap(),
        299.8075,
        12.0,
    );
    assert_digits(
        "third quartile",
        quantile_of_sorted(&values, 0.75).unwrap(),
        299.8925,
        12.0,
    );
    // Factor: 1/(2·0.674489750196) from a normal table.
    assert_digits("scale", by_iqr, 0.085 / (2.0 * 0.674_489_750_196), 9.0);
    assert_eq!(
        quantile_of_sorted(&values, 1.5),
        Err(SampleError::Probability { found: 1.5 })
    );
}

/// Median absolute deviation: Hampel's consistency factor 1/Φ⁻¹(0.75) and a list whose deviations can be read off.
#[test]
fn median_absolute_deviation_by_hand() {
    // Median 2, deviations 1 1 0 0 2 4 7: median 1.
    let scale = median_absolute_deviation(&[1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0]).unwrap();
    assert_digits("mad", scale, 1.0 / 0.674_489_750_196_081_7, 14.0);
    assert!(median_absolute_deviation(&[5.0, 5.0, 5.0, 80.0]).unwrap().abs() <= 0.0);
}

/// Hollander and Wolfe, Nonparametric Statistical Methods (1973), chapter 8: nine canned-tuna lots, K = 16 (T = 26), tau 0.444, exact two-sided
/// p 0.1194; here the second measure is put in the order of the first. Values from memory of the book's data set.
#[test]
fn mann_kendall_exact() {
    // x 41.9 44.1 44.4 44.7 45.2 45.9 50.7 53.3 60.1
    let test = mann_kendall(&[2.5, 4.0, 2.6, 3.6, 2.8, 3.1, 5.2, 5.0, 3.8]).unwrap();
    assert_eq!((test.s, test.exact), (16, true));
    assert_digits("tau", test.tau, 0.444_444_4, 6.5);
    assert!((test.p_value - 0.1194).abs() < 0.000_05, "{}", test.p_value);
}

/// College worked example, J. Little, "A Mann-Kendall example by hand" (College of the Holy Cross): S 54, Z 2.9058, one-sided p
/// 0.0018, one pair of ties.
#[test]
fn mann_kendall_with_a_tie() {
    let series = [
        12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7,
    ];
    let test = mann_kendall(&series).unwrap();
    assert_eq!((test.s, test.exact), (54, false));
    assert_digits(
        "variance",
        test.variance,
        (14.0 * 13.0 * 33.0 - 18.0) / 18.0,
        14.0,
    );
    assert!((test.z - 2.9058).abs() < 0.000_05, "{}", test.z);
    assert!((0.5 * test.p_value - 0.0018).abs() < 0.000_05, "{}", test.p_value);
    assert_eq!(mann_kendall(&[1.0; 8]), Err(SampleError::NoSpread));
}

/// Hollander and Wolfe (1973), 9.1: cloud seeding ratios of five years, Theil's slope the mean of −0.0575 and −0.055. Data from memory.
#[test]
fn theil_sen_example() {
    let (x, y) = ([1.0, 2.0, 3.0, 4.0, 5.0], [1.26, 1.27, 1.12, 1.16, 1.03]);
    let line = theil_sen(&x, &y).unwrap();
    assert_digits("slope", line.slope, -0.056_25, 12.0);
    assert_eq!(line.pairs, 10);
    // Five points hold no 99 % interval; at 80 % it is the order statistics next to the middle.
    assert_eq!(theil_sen_slope_interval(&x, &y, 0.99), Ok(None));
    let (lower, upper) = theil_sen_slope_interval(&x, &y, 0.8).unwrap().unwrap();
    assert!(lower < line.slope && line.slope < upper, "{lower} {upper}");
    assert_eq!(theil_sen(&[2.0, 2.0], &[1.0, 3.0]), Err(SampleError::NoSpread));
}

/// E. S. Page's simulated series (Biometrika 42 (1955) 523-527) as analysed by Pettitt (1979), table 1: K = 232 at i = 17,
/// p = 0.014. Data from memory; K and place agree with the paper.
#[test]
fn pettitt_example() {
    let series = [
        -1.05, 0.96, 1.22, 0.58, -0.98, -0.03, -1.54, -0.71, -0.35, 0.66, 0.44, 0.91, -0.02, -1.42, 1.26,
        -1.02, -0.81, 1.66, 1.05, 0.97, 2.14, 1.22, -0.24, 1.60, 0.72, -0.12, 0.44, 0.03, 0.66, 0.56, 1.37,
        1.66, 0.10, 0.80, 1.29, 0.49, -0.07, 1.18, 3.29, 1.84,
    ];
    let step = pettitt(&series).unwrap();
    assert_eq!((step.k, step.first_after), (232, 17));
    assert!((step.p_value - 0.0145).abs() < 0.0005, "{}", step.p_value);
    assert!(step.median_before < 0.0 && step.median_after > 0.5, "{step:?}");
    assert_eq!(pettitt(&[2.0; 9]), Err(SampleError::NoSpread));
}

#[test]
fn what_has_no_answer_is_named() {
    assert_eq!(median(&[]), Err(SampleError::TooFew { needed: 1, found: 0 }));
    assert!(matches!(
        median(&[1.0, f64::NAN]),
        Err(SampleError::NotFinite { index: 1, .. })
    ));
    assert_eq!(mean(&[]), Err(SampleError::TooFew { needed: 1, found: 0 }));
    assert_eq!(mean(&[f64::MAX, f64::MAX]), Err(SampleError::Overflow));
    assert!(matches!(
        weighted_mean(&[1.0, 2.0], &[1.0, 0.0]),
        Err(SampleError::WeightNotPositive { index: 1, .. })
    ));
    assert_eq!(
        theil_sen(&[1.0], &[1.0, 2.0]),
        Err(SampleError::LengthMismatch {
            expected: 1,
            found: 2
        })
    );
}

proptest! {
    /// The moving median against its definition, window by window.
    #[test]
    fn moving_median_is_the_median_of_each_window(
        values in prop::collection::vec(-50_i32..50, 1..60), half_width in 0_usize..9
    ) {
        let values: Vec<f64> = values.iter().map(|v| f64::from(*v)).collect();
        let moved = moving_median(&values, half_width).unwrap();
        for (i, m) in moved.iter().enumerate() {
            let window = &values[i.saturating_sub(half_width)..(i + half_width + 1).min(values.len())];
            let mut sorted = window.to_vec();
            sorted.sort_by(f64::total_cmp);
            let middle = (sorted[(sorted.len() - 1) / 2] + sorted[sorted.len() / 2]) / 2.0;
            prop_assert!((m - middle).abs() <= 0.0);
        }
    }

    /// One wild value of nine cannot move the Theil–Sen slope of a line out of the slopes of the others; an exact line is recovered.
    #[test]
    fn theil_sen_resists_one_wild_value(slope in -5_i32..5, place in 0_usize..9, wild in -1000_i32..1000) {
        let x: Vec<f64> = (0..9).map(f64::from).collect();
        let mut y: Vec<f64> = x.iter().map(|v| f64::from(slope) * v + 2.0).collect();
        y[place] += f64::from(wild);
        let line = theil_sen(&x, &y).unwrap();
        prop_assert!((line.slope - f64::from(slope)).abs() < 1e-12);
        prop_assert!((line.intercept - 2.0).abs() < 1e-12);
    }
}

/// Plain addition: the ones are lost beside 1e16 unless the rounding is carried along.
#[test]
fn compensated_sum_keeps_small_terms() {
    let sum = compensated_sum(&[1e16, 1.0, 1.0, -1e16, 1.0]).unwrap();
    assert_digits("sum", sum, 3.0, 15.0);
    assert!(matches!(
        compensated_sum(&[f64::NAN]),
        Err(SampleError::NotFinite { index: 0, .. })
    ));
}
