//! Tails and quantiles against printed tables and against values computed in 40 digits.

use proptest::prelude::*;
use spotwright_numerics::distribution::{
    DistributionError, chi_squared_cdf, chi_squared_quantile, chi_squared_upper_tail, f_cdf, f_quantile,
    f_upper_tail, student_t_cdf, student_t_quantile, student_t_two_sided_p,
};

use crate::support::assert_digits;

/// NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2 (t), 1.3.6.7.3 (F) and 1.3.6.7.4 (chi-squared), printed to three
/// decimals (values typed from memory of the tables; the 40-digit references below cover the same functions).
#[test]
fn handbook_tables() {
    let agrees =
        |found: f64, printed: f64| assert!((found - printed).abs() <= 0.0005, "{found} against {printed}");
    for (df, upper_5_percent, upper_2_5_percent, upper_0_5_percent) in [
        (1.0, 6.314, 12.706, 63.657),
        (2.0, 2.920, 4.303, 9.925),
        (5.0, 2.015, 2.571, 4.032),
        (10.0, 1.812, 2.228, 3.169),
        (30.0, 1.697, 2.042, 2.750),
        (100.0, 1.660, 1.984, 2.626),
    ] {
        agrees(student_t_quantile(0.95, df).unwrap(), upper_5_percent);
        agrees(student_t_quantile(0.975, df).unwrap(), upper_2_5_percent);
        agrees(student_t_quantile(0.995, df).unwrap(), upper_0_5_percent);
    }
    for (numerator, denominator, upper_5_percent) in [
        (1.0, 1.0, 161.448),
        (2.0, 3.0, 9.552),
        (5.0, 10.0, 3.326),
        (8.0, 20.0, 2.447),
        (10.0, 60.0, 1.993),
    ] {
        agrees(f_quantile(0.95, numerator, denominator).unwrap(), upper_5_percent);
    }
    for (df, lower_5_percent, upper_5_percent, upper_1_percent) in [
        (1.0, 0.004, 3.841, 6.635),
        (5.0, 1.145, 11.070, 15.086),
        (10.0, 3.940, 18.307, 23.209),
        (30.0, 18.493, 43.773, 50.892),
        (100.0, 77.929, 124.342, 135.807),
    ] {
        agrees(chi_squared_quantile(0.05, df).unwrap(), lower_5_percent);
        agrees(chi_squared_quantile(0.95, df).unwrap(), upper_5_percent);
        agrees(chi_squared_quantile(0.99, df).unwrap(), upper_1_percent);
    }
}

/// mpmath 1.3.0: bisection of the regularised incomplete beta function in 40 digits.
#[test]
fn student_t_in_full() {
    for (p, df, reference) in [
        (0.975, 1.0, 12.706_204_736_174_693),
        (0.975, 4.0, 2.776_445_105_197_793_5),
        (0.9, 2.5, 1.730_250_928_807_176_8),
        (0.995, 16.0, 2.920_781_622_425_1),
        (0.6, 7.0, 0.263_166_861_352_022_8),
        (0.51, 30.0, 0.025_278_783_971_765_81),
        (0.999_999, 3.0, 103.299_467_779_428_97),
        (1e-12, 5.0, -393.956_959_577_603_77),
        (0.975, 1000.0, 1.962_339_080_826_408),
        (0.95, 1e6, 1.644_855_150_722_04),
        (0.3, 0.5, -1.009_525_878_607_166),
    ] {
        let t = student_t_quantile(p, df).unwrap();
        assert_digits(&format!("t({p}, {df})"), t, reference, 13.0);
        assert_digits(
            &format!("back({p}, {df})"),
            student_t_cdf(t, df).unwrap(),
            p,
            12.5,
        );
    }
    assert!(student_t_quantile(0.5, 3.0).unwrap().abs() <= 0.0);
}

/// mpmath 1.3.0, as above. The first two are the critical values of a Cochran/Fisher variance comparison of six against six
/// readings.
#[test]
fn f_in_full() {
    for (p, numerator, denominator, reference) in [
        (0.95, 5.0, 5.0, 5.050_329_057_632_645),
        (0.99, 5.0, 5.0, 10.967_020_650_907_992),
        (0.95, 1.0, 10.0, 4.964_602_743_730_712),
        (0.01, 3.0, 7.0, 0.036_138_008_940_924_79),
        (0.5, 2.0, 9.0, 0.749_380_678_092_524_6),
        (0.975, 40.0, 120.0, 1.614_147_307_650_644_6),
        (0.999, 8.0, 180.0, 3.453_605_719_247_538_4),
        (0.05, 0.7, 12.5, 4.154_306_804_881_987e-4),
        (0.95, 500.0, 800.0, 1.140_584_939_504_311),
    ] {
        let f = f_quantile(p, numerator, denominator).unwrap();
        assert_digits(&format!("F({p}, {numerator}, {denominator})"), f, reference, 13.0);
        assert_digits("back", f_cdf(f, numerator, denominator).unwrap(), p, 12.5);
    }
    // mpmath: the upper tail of the certified F of SmLs01.
    assert_digits(
        "F tail",
        f_upper_tail(21.0, 8.0, 180.0).unwrap(),
        2.583_264_337_268_971_4e-22,
        13.0,
    );
}

/// mpmath 1.3.0: bisection of the regularised incomplete gamma function in 40 digits.
#[test]
fn chi_squared_in_full() {
    for (p, df, reference) in [
        (0.95, 1.0, 3.841_458_820_694_124_5),
        (0.95, 10.0, 18.307_038_053_275_144),
        (0.025, 20.0, 9.590_777_392_264_867),
        (0.99, 100.0, 135.806_723_171_026_77),
        (0.5, 0.3, 0.012_469_611_517_980_433),
        (0.001, 2.0, 0.002_001_000_667_167_067),
        (0.95, 5000.0, 5_165.614_518_675_803),
        (1e-10, 4.0, 2.828_440_458_165_948_3e-5),
    ] {
        let value = chi_squared_quantile(p, df).unwrap();
        assert_digits(&format!("chi²({p}, {df})"), value, reference, 13.0);
        assert_digits("back", chi_squared_cdf(value, df).unwrap(), p, 12.5);
    }
    assert_digits(
        "tail",
        chi_squared_upper_tail(100.0, 10.0).unwrap(),
        5.449_701_982_920_529e-17,
        13.0,
    );
}

#[test]
fn what_has_no_answer_is_named() {
    assert_eq!(
        student_t_quantile(0.975, 0.0),
        Err(DistributionError::DegreesOfFreedom { found: 0.0 })
    );
    assert_eq!(
        f_quantile(1.0, 2.0, 3.0),
        Err(DistributionError::Probability { found: 1.0 })
    );
    assert_eq!(f_cdf(f64::NAN, 2.0, 3.0), Err(DistributionError::NotANumber));
    assert!(matches!(
        chi_squared_quantile(f64::NAN, 3.0),
        Err(DistributionError::Probability { .. })
    ));
    // With a hundredth of a degree of freedom the quantile is about 1e-1000 of its unit or beyond 1e+300.
    assert_eq!(student_t_quantile(1e-6, 0.01), Err(DistributionError::OutOfRange));
    // So heavy a tail reaches past where t² overflows, and has no step there.
    let (before, after) = (
        student_t_two_sided_p(1.3e154, 0.01).unwrap(),
        student_t_two_sided_p(1.4e154, 0.01).unwrap(),
    );
    assert!(
        before > after && before - after < 1e-3 * before,
        "{before} {after}"
    );
    assert!((student_t_cdf(f64::INFINITY, 3.0).unwrap() - 1.0).abs() <= 0.0);
    assert!(student_t_two_sided_p(f64::NEG_INFINITY, 3.0).unwrap().abs() <= 0.0);
    assert!(f_cdf(-1.0, 2.0, 3.0).unwrap().abs() <= 0.0);
}

proptest! {
    /// The square of t is F with one numerator degree of freedom (Abramowitz and Stegun 26.6.10).
    #[test]
    fn t_squared_is_f(t in 0.001_f64..200.0, df in 0.5_f64..500.0) {
        let outside = student_t_two_sided_p(t, df).unwrap();
        let upper = f_upper_tail(t * t, 1.0, df).unwrap();
        prop_assert!((outside - upper).abs() <= 1e-12 * upper);
    }

    /// Exchanging the degrees of freedom mirrors F (26.6.9).
    #[test]
    fn f_mirrors(p in 0.0001_f64..0.9999, a in 0.5_f64..300.0, b in 0.5_f64..300.0) {
        let quantile = f_quantile(p, a, b).unwrap();
        let (lower, upper) = (f_cdf(quantile, a, b).unwrap(), f_upper_tail(quantile, a, b).unwrap());
        prop_assert!((lower + upper - 1.0).abs() < 1e-14);
        prop_assert!((f_upper_tail(1.0 / quantile, b, a).unwrap() - p).abs() < 1e-11, "{}", p);
    }
}
