//! Special functions against values computed with mpmath 1.3.0 in 30 to 50 digits (arguments are the 53-bit numbers).

use spotwright_numerics::special::{
    erfcx, incomplete_beta, incomplete_gamma_lower, incomplete_gamma_upper, normal_cdf, normal_quantile,
};

use crate::support::assert_digits;

/// mpmath: `exp(x*x) * erfc(x)`, from 1e3 the asymptotic series.
#[test]
fn scaled_complementary_error_function() {
    for (x, reference) in [
        (-26.0, 7.657_724_931_490_568e293),
        (-10.3, 2.373_184_924_132_338_6e46),
        (-3.0, 16_205.988_853_999_587),
        (-1.0, 5.008_980_080_762_284),
        (-0.468_75, 1.859_402_416_871_422_2),
        (-0.2, 1.272_602_028_483_195_8),
        (0.0, 1.0),
        (1e-9, 0.999_999_998_871_620_8),
        (0.1, 0.896_456_979_969_126_6),
        (0.3, 0.734_599_334_567_655_2),
        (0.468_75, 0.632_069_689_249_556_1),
        (0.5, 0.615_690_344_192_925_9),
        (1.0, 0.427_583_576_155_807),
        (1.7, 0.291_663_297_075_343_5),
        (2.5, 0.210_806_364_061_143_6),
        (3.999, 0.137_031_848_598_271_2),
        (4.0, 0.136_999_457_625_061_4),
        (4.001, 0.136_967_081_582_718_8),
        (6.0, 0.092_776_567_800_538_35),
        (10.0, 0.056_140_992_743_822_59),
        (26.5, 0.021_275_046_685_371_11),
        (30.0, 0.018_795_888_861_416_75),
        (100.0, 0.005_641_613_782_989_433),
        (1e4, 5.641_895_807_268_084e-5),
        (1e8, 5.641_895_835_477_563e-9),
        (1e12, 5.641_895_835_477_563e-13),
        (1e200, 5.641_895_835_477_563e-201),
    ] {
        assert_digits(&format!("erfcx({x})"), erfcx(x), reference, 14.9);
    }
    assert!(erfcx(-30.0).is_infinite() && erfcx(f64::INFINITY).abs() <= 0.0);
}

/// mpmath: `sqrt(2) * erfinv(2p - 1)`, far tails by bisection of erfc.
#[test]
fn normal_quantiles() {
    for (p, reference) in [
        (1e-300, -37.047_096_299_361_2),
        (1e-20, -9.262_340_089_798_408),
        (1e-5, -4.264_890_793_922_825),
        (0.024_25, -1.972_961_051_311_884_8),
        (0.2, -0.841_621_233_572_914_2),
        (0.6, 0.253_347_103_135_799_7),
        (0.925, 1.439_531_470_938_456),
        (0.975, 1.959_963_984_540_054),
        (0.999_999_9, 5.199_337_582_290_661),
    ] {
        let z = normal_quantile(p).unwrap();
        assert_digits(&format!("z({p})"), z, reference, 14.9);
        assert_digits(&format!("back({p})"), normal_cdf(z), p, 12.0);
    }
    assert!(normal_quantile(0.5).unwrap().abs() <= 0.0);
    assert!(
        [0.0, 1.0, -0.1, f64::NAN]
            .iter()
            .all(|p| normal_quantile(*p).is_none())
    );
}

/// mpmath: `betainc(a, b, 0, x, regularized=True)`; the last by quadrature of the density.
#[test]
fn incomplete_beta_function() {
    for (a, b, x, reference) in [
        (0.5, 0.5, 0.25, 1.0 / 3.0),
        (2.0, 3.0, 0.3, 0.3483),
        (1000.0, 2000.0, 0.34, 0.781_215_091_160_642_7),
        (0.001, 5.0, 0.5, 0.999_989_127_924_940_8),
        (30_000.0, 20_000.0, 0.6, 0.499_757_210_727_022_1),
    ] {
        assert_digits(
            &format!("I({a}, {b}, {x})"),
            incomplete_beta(a, b, x).unwrap(),
            reference,
            13.0,
        );
    }
    assert!(incomplete_beta(0.0, 1.0, 0.5).is_none() && incomplete_beta(1.0, 1.0, f64::NAN).is_none());
}

/// mpmath: `gammainc(a, 0, x, regularized=True)` and its complement; the last by quadrature of the density.
#[test]
fn incomplete_gamma_function() {
    for (a, x, lower, upper) in [
        (0.5, 0.2, 0.472_910_743_134_461_9, 0.527_089_256_865_538_1),
        (3.0, 10.0, 0.997_230_604_284_488_4, 0.002_769_395_715_511_576),
        (1000.0, 1010.0, 0.627_678_944_736_994_7, 0.372_321_055_263_005_3),
        (0.01, 1e-5, 0.896_336_798_267_197_2, 0.103_663_201_732_802_8),
        (
            1e5,
            100_400.0,
            1.0 - 0.103_064_381_253_006_37,
            0.103_064_381_253_006_37,
        ),
    ] {
        assert_digits(
            &format!("P({a}, {x})"),
            incomplete_gamma_lower(a, x).unwrap(),
            lower,
            13.0,
        );
        assert_digits(
            &format!("Q({a}, {x})"),
            incomplete_gamma_upper(a, x).unwrap(),
            upper,
            13.0,
        );
    }
    assert!(incomplete_gamma_lower(-1.0, 1.0).is_none() && incomplete_gamma_upper(1.0, f64::NAN).is_none());
}
