//! Error functions.

#![expect(
    clippy::excessive_precision,
    reason = "constants stand as printed in the source"
)]

/// 1/sqrt(π).
const INVERSE_ROOT_PI: f64 = 0.564_189_583_547_756_3;

/// The error function.
#[must_use]
pub fn erf(x: f64) -> f64 {
    libm::erf(x)
}

/// The complementary error function, 1 − erf(x).
#[must_use]
pub fn erfc(x: f64) -> f64 {
    libm::erfc(x)
}

/// The scaled complementary error function exp(x²)·erfc(x), accurate to about 1e-15 relative.
///
/// Rational minimax approximations of W. J. Cody, "Rational Chebyshev approximations for the error function",
/// Math. Comp. 23 (1969) 631-637, for x ≥ 0.46875; exp(x²)·erfc(x) below; reflection 2·exp(x²) − erfcx(−x) for negative x.
/// Below about −26.6 the value is beyond f64 and infinity is returned; NaN only for NaN.
#[must_use]
pub fn erfcx(x: f64) -> f64 {
    if x < -0.468_75 {
        return 2.0 * exp_of_square(x) - erfcx_upper(-x);
    }
    if x <= 0.468_75 {
        return libm::exp(x * x) * libm::erfc(x);
    }
    erfcx_upper(x)
}

fn erfcx_upper(x: f64) -> f64 {
    if x <= 4.0 {
        let mut numerator = ERFCX_MIDDLE_NUMERATOR[8] * x;
        let mut denominator = x;
        for i in 0..7 {
            numerator = (numerator + ERFCX_MIDDLE_NUMERATOR[i]) * x;
            denominator = (denominator + ERFCX_MIDDLE_DENOMINATOR[i]) * x;
        }
        return (numerator + ERFCX_MIDDLE_NUMERATOR[7]) / (denominator + ERFCX_MIDDLE_DENOMINATOR[7]);
    }
    if x > 1e8 {
        // The next term, 1/(2x²), is below rounding.
        return INVERSE_ROOT_PI / x;
    }
    let s = 1.0 / (x * x);
    let mut numerator = ERFCX_FAR_NUMERATOR[5] * s;
    let mut denominator = s;
    for i in 0..4 {
        numerator = (numerator + ERFCX_FAR_NUMERATOR[i]) * s;
        denominator = (denominator + ERFCX_FAR_DENOMINATOR[i]) * s;
    }
    let tail = s * (numerator + ERFCX_FAR_NUMERATOR[4]) / (denominator + ERFCX_FAR_DENOMINATOR[4]);
    (INVERSE_ROOT_PI - tail) / x
}

/// exp(x²) with the square split so that its rounding error is not magnified by its size (Cody 1969).
fn exp_of_square(x: f64) -> f64 {
    let coarse = (x * 16.0).trunc() / 16.0;
    let rest = (x - coarse) * (x + coarse);
    libm::exp(coarse * coarse) * libm::exp(rest)
}

const ERFCX_MIDDLE_NUMERATOR: [f64; 9] = [
    5.641_884_969_886_700_89e-1,
    8.883_149_794_388_375_94,
    6.611_919_063_714_162_95e1,
    2.986_351_381_974_001_31e2,
    8.819_522_212_417_690_90e2,
    1.712_047_612_634_070_58e3,
    2.051_078_377_826_071_47e3,
    1.230_339_354_797_997_25e3,
    2.153_115_354_744_038_46e-8,
];
const ERFCX_MIDDLE_DENOMINATOR: [f64; 8] = [
    1.574_492_611_070_983_47e1,
    1.176_939_508_913_124_99e2,
    5.371_811_018_620_098_58e2,
    1.621_389_574_566_690_19e3,
    3.290_799_235_733_459_63e3,
    4.362_619_090_143_247_16e3,
    3.439_367_674_143_721_64e3,
    1.230_339_354_803_749_42e3,
];
const ERFCX_FAR_NUMERATOR: [f64; 6] = [
    3.053_266_349_612_323_44e-1,
    3.603_448_999_498_044_39e-1,
    1.257_817_261_112_292_46e-1,
    1.608_378_514_874_227_66e-2,
    6.587_491_615_298_378_03e-4,
    1.631_538_713_730_209_78e-2,
];
const ERFCX_FAR_DENOMINATOR: [f64; 5] = [
    2.568_520_192_289_822_42,
    1.872_952_849_923_467_25,
    5.279_051_029_514_284_12e-1,
    6.051_834_131_244_131_91e-2,
    2.335_204_976_268_691_85e-3,
];
