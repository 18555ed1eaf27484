//! Bounds of the numbers a day's files may hold.

use crate::table::Bounds;

const fn above_zero(max: f64, words: &'static str) -> Bounds {
    Bounds {
        min: 0.0,
        max,
        with_min: false,
        words,
    }
}

const fn from(min: f64, max: f64, words: &'static str) -> Bounds {
    Bounds {
        min,
        max,
        with_min: true,
        words,
    }
}

/// Physical bounds of a living person's haematocrit (HCT-01).
pub(crate) const HAEMATOCRIT: Bounds = from(0.15, 0.75, "a haematocrit in L/L from 0.15 to 0.75");
pub(crate) const DILUTION: Bounds = from(1.0, 1e4, "a dilution factor from 1 to 10000");
pub(crate) const WEIGHT_KG: Bounds = above_zero(500.0, "a weight in kg above 0 and at most 500");
pub(crate) const AGE_Y: Bounds = from(0.0, 130.0, "an age in years from 0 to 130");
pub(crate) const CREATININE: Bounds =
    above_zero(10_000.0, "a creatinine in umol/L above 0 and at most 10000");
pub(crate) const AMOUNT: Bounds = above_zero(1e6, "an amount above 0 and at most 1000000");
pub(crate) const INTERVAL_H: Bounds = above_zero(8784.0, "hours above 0 and at most 8784");
pub(crate) const INFUSION_MIN: Bounds = above_zero(10_080.0, "minutes above 0 and at most 10080");
pub(crate) const TIME_UNCERTAINTY_MIN: Bounds = above_zero(1440.0, "minutes above 0 and at most 1440");
pub(crate) const COVARIATE: Bounds = from(-1e9, 1e9, "a number");
pub(crate) const LEVEL: Bounds = above_zero(1e9, "a concentration above 0");
pub(crate) const LEVEL_UNCERTAINTY: Bounds = above_zero(1e9, "a standard uncertainty above 0");
pub(crate) const TRACE_MIN: Bounds = from(0.0, 1440.0, "minutes from 0 to 1440");
pub(crate) const RETENTION_MIN: Bounds =
    above_zero(180.0, "a retention time in minutes above 0 and at most 180");
pub(crate) const RETENTION_TOLERANCE_MIN: Bounds = above_zero(10.0, "minutes above 0 and at most 10");
pub(crate) const MZ: Bounds = from(1.0, 10_000.0, "an m/z from 1 to 10000");
pub(crate) const MOLAR_MASS: Bounds = from(1.0, 1e6, "a molar mass in g/mol from 1 to 1000000");
pub(crate) const CONCENTRATION: Bounds = above_zero(1e12, "a concentration above 0");
pub(crate) const CV_PCT: Bounds =
    above_zero(100.0, "a coefficient of variation in % above 0 and at most 100");
pub(crate) const RATIO_TOLERANCE_PCT: Bounds = above_zero(100.0, "a tolerance in % above 0 and at most 100");
pub(crate) const VALIDATED_FACTOR: Bounds = Bounds {
    min: 1.0,
    max: 1e4,
    with_min: false,
    words: "a dilution factor above 1 and at most 10000",
};
pub(crate) const CARD_AGE_D: Bounds = above_zero(36_525.0, "days above 0 and at most 36525");
pub(crate) const CONCENTRATION_FROM_ZERO: Bounds = from(0.0, 1e12, "a concentration from 0");
pub(crate) const HAEMATOCRIT_SD: Bounds =
    above_zero(0.2, "a standard deviation in L/L above 0 and at most 0.2");
pub(crate) const RATIO: Bounds = from(0.0, 1000.0, "a ratio from 0 to 1000");
pub(crate) const FRACTION: Bounds = above_zero(1.0, "a fraction above 0 and at most 1");
pub(crate) const SLOPE: Bounds = above_zero(1000.0, "a slope above 0 and at most 1000");
pub(crate) const INTERCEPT: Bounds = from(-1e9, 1e9, "an intercept");
pub(crate) const COVARIANCE: Bounds = from(-1e9, 1e9, "a covariance");
pub(crate) const STANDARD_ERROR: Bounds = from(0.0, 1e9, "a standard deviation or error from 0");
pub(crate) const RELATIVE_SLOPE: Bounds = from(-10.0, 10.0, "a number from -10 to 10");
pub(crate) const LOSS_PER_DAY: Bounds = from(0.0, 0.5, "a share lost a day from 0 to 0.5");
pub(crate) const VOLUME_UL: Bounds = above_zero(1000.0, "a volume in uL above 0 and at most 1000");
pub(crate) const DISC_MM: Bounds = above_zero(30.0, "a diameter in mm above 0 and at most 30");
pub(crate) const STUDY_N: Bounds = from(1.0, 1e6, "a whole number from 1");
/// A limit of the method.
pub(crate) const LIMIT: Bounds = from(0.0, 1e6, "a number from 0 to 1000000");
pub(crate) const LIMIT_SHARE_PCT: Bounds = from(0.0, 100.0, "a share in % from 0 to 100");
pub(crate) const LIMIT_COUNT: Bounds = from(1.0, 1e6, "a whole number from 1");

pub(crate) const CARD_SIDE_MM: Bounds = from(5.0, 1000.0, "millimetres from 5 to 1000");
pub(crate) const CIRCLE_MM: Bounds = from(2.0, 60.0, "a diameter in mm from 2 to 60");
pub(crate) const MARK_MM: Bounds = from(0.5, 30.0, "a size in mm from 0.5 to 30");
pub(crate) const REGION_MM: Bounds = from(0.5, 1000.0, "millimetres from 0.5 to 1000");
pub(crate) const PLACE_MM: Bounds = from(0.0, 1000.0, "millimetres from 0 to 1000");
pub(crate) const PIXELS_PER_MM: Bounds = from(1.0, 400.0, "pixels per mm from 1 to 400");
pub(crate) const CIRCLE_NUMBER: Bounds = from(1.0, 999.0, "a whole number from 1 to 999");

/// Bounds of an integration setting.
pub(crate) fn integration(key: &str) -> Bounds {
    match key {
        "expected_width_s" => above_zero(600.0, "seconds above 0 and at most 600"),
        "search_half_width_min" => above_zero(60.0, "minutes above 0 and at most 60"),
        "minimum_signal_to_noise" => from(1.0, 1000.0, "a signal to noise from 1 to 1000"),
        "limit_height_fraction" => above_zero(0.5, "a fraction above 0 and at most 0.5"),
        "smoothing_width_fraction" => above_zero(2.0, "a fraction above 0 and at most 2"),
        "minimum_points" => from(3.0, 1000.0, "a whole number from 3 to 1000"),
        "mz_tolerance" => above_zero(1.0, "an m/z difference above 0 and at most 1"),
        _ => above_zero(f64::MAX, "a number above 0"),
    }
}

/// What to say to a haematocrit that is no fraction; never divided silently (G-3).
pub(crate) fn haematocrit_help(value: f64) -> (Option<String>, &'static str) {
    let fraction = value / 100.0;
    let nearest = HAEMATOCRIT.hold(fraction).then(|| format!("{fraction}"));
    let help = if value >= 1.0 {
        "Haematocrit is a fraction: 42 % is written 0.42."
    } else {
        "Outside these bounds no living person's blood lies."
    };
    (nearest, help)
}
