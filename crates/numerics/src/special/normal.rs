//! The standard normal distribution.

#![expect(
    clippy::excessive_precision,
    reason = "constants stand as printed in the source"
)]

use std::f64::consts::{FRAC_1_SQRT_2, FRAC_2_SQRT_PI, SQRT_2};

/// Lower tail of the standard normal distribution.
#[must_use]
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z / SQRT_2)
}

/// Density of the standard normal distribution.
#[must_use]
pub fn normal_density(z: f64) -> f64 {
    libm::exp(-0.5 * z * z) * 0.5 * FRAC_2_SQRT_PI * FRAC_1_SQRT_2
}

/// Quantile of the standard normal distribution for 0 < p < 1; `None` outside.
///
/// M. J. Wichura, "Algorithm AS 241: the percentage points of the normal distribution", Appl. Statist. 37 (1988)
/// 477-484, routine PPND16 (about 1 part in 10¹⁶).
#[must_use]
pub fn normal_quantile(p: f64) -> Option<f64> {
    if !(p > 0.0 && p < 1.0) {
        return None;
    }
    let q = p - 0.5;
    if q.abs() <= 0.425 {
        let r = 0.180_625 - q * q;
        return Some(q * ratio(&CENTRE_NUMERATOR, &CENTRE_DENOMINATOR, r));
    }
    let tail = if q < 0.0 { p } else { 1.0 - p };
    let r = (-libm::log(tail)).sqrt();
    let z = if r <= 5.0 {
        ratio(&MIDDLE_NUMERATOR, &MIDDLE_DENOMINATOR, r - 1.6)
    } else {
        ratio(&FAR_NUMERATOR, &FAR_DENOMINATOR, r - 5.0)
    };
    Some(if q < 0.0 { -z } else { z })
}

/// A rational function; coefficients from the highest power down.
fn ratio(numerator: &[f64; 8], denominator: &[f64; 8], r: f64) -> f64 {
    let horner = |c: &[f64; 8]| c.iter().fold(0.0, |sum, v| sum * r + v);
    horner(numerator) / horner(denominator)
}

const CENTRE_NUMERATOR: [f64; 8] = [
    2.509_080_928_730_122_672_7e3,
    3.343_057_558_358_812_810_5e4,
    6.726_577_092_700_870_085_3e4,
    4.592_195_393_154_987_145_7e4,
    1.373_169_376_550_946_112_5e4,
    1.971_590_950_306_551_442_7e3,
    1.331_416_678_917_843_774_5e2,
    3.387_132_872_796_366_608,
];
const CENTRE_DENOMINATOR: [f64; 8] = [
    5.226_495_278_852_854_561e3,
    2.872_908_573_572_194_267_4e4,
    3.930_789_580_009_271_061e4,
    2.121_379_430_158_659_586_7e4,
    5.394_196_021_424_751_107_7e3,
    6.871_870_074_920_579_083e2,
    4.231_333_070_160_091_125_2e1,
    1.0,
];
const MIDDLE_NUMERATOR: [f64; 8] = [
    7.745_450_142_783_414_076_4e-4,
    2.272_384_498_926_918_458_332_6e-2,
    2.417_807_251_774_506_117_7e-1,
    1.270_458_252_452_368_382_58,
    3.647_848_324_763_204_605_04,
    5.769_497_221_460_691_405_5,
    4.630_337_846_156_545_295_9,
    1.423_437_110_749_683_577_34,
];
const MIDDLE_DENOMINATOR: [f64; 8] = [
    1.050_750_071_644_416_843_24e-9,
    5.475_938_084_995_344_946e-4,
    1.519_866_656_361_645_719_66e-2,
    1.481_039_764_274_800_745_9e-1,
    6.897_673_349_851_000_045_5e-1,
    1.676_384_830_183_803_849_4,
    2.053_191_626_637_758_821_87,
    1.0,
];
const FAR_NUMERATOR: [f64; 8] = [
    2.010_334_399_292_288_132_65e-7,
    2.711_555_568_743_487_578_15e-5,
    1.242_660_947_388_078_438_6e-3,
    2.653_218_952_657_612_309_3e-2,
    2.965_605_718_285_048_912_3e-1,
    1.784_826_539_917_291_335_8,
    5.463_784_911_164_114_369_9,
    6.657_904_643_501_103_777_2,
];
const FAR_DENOMINATOR: [f64; 8] = [
    2.044_263_103_389_939_785_64e-15,
    1.421_511_758_316_445_888_7e-7,
    1.846_318_317_510_054_681_8e-5,
    7.868_691_311_456_132_591e-4,
    1.487_536_129_085_061_485_25e-2,
    1.369_298_809_227_358_053_1e-1,
    5.998_322_065_558_879_376_9e-1,
    1.0,
];
