//! How large a drop is and how far it spreads.

use crate::random::Stream;

/// Blood a spot holds per area (µL/mm²) by volume (µL), haematocrit 0.40, cellulose paper. 10 to 30 µL from typical
/// diameters (6, 7, 7.75, 9 mm), 50 µL from 1.11 cm² at haematocrit 0.309 (`McCloskey` 2014, Clin Chim Acta 437:187)
/// carried to 0.40 by [`AREA_BY_HAEMATOCRIT`]; 5 and 100 µL extrapolated.
const LOAD: [(f64, f64); 6] = [
    (5.0, 0.31),
    (10.0, 0.354),
    (15.0, 0.390),
    (20.0, 0.424),
    (30.0, 0.472),
    (50.0, 0.484),
];

/// Relative change of area per unit of haematocrit: −7.6 % per +0.10 (same source).
const AREA_BY_HAEMATOCRIT: f64 = -0.76;

/// Blood per area (µL/mm²) of a spot of this volume and haematocrit.
pub(crate) fn load_ul_per_mm2(volume_ul: f64, haematocrit: f64) -> f64 {
    load_at_forty(volume_ul) / (1.0 + AREA_BY_HAEMATOCRIT * (haematocrit - 0.40))
}

/// Area (mm²) of a spot of this volume and haematocrit, without its own scatter.
pub(crate) fn area_mm2(volume_ul: f64, haematocrit: f64) -> f64 {
    volume_ul / load_ul_per_mm2(volume_ul, haematocrit)
}

/// The volume (µL) whose spot has this area, by bisection.
pub(crate) fn volume_ul(area: f64, haematocrit: f64) -> f64 {
    let (mut low, mut high) = (0.2, 250.0);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if area_mm2(middle, haematocrit) < area {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

fn load_at_forty(volume_ul: f64) -> f64 {
    if volume_ul <= LOAD[0].0 {
        return LOAD[0].1;
    }
    for pair in LOAD.windows(2) {
        let ((v0, l0), (v1, l1)) = (pair[0], pair[1]);
        if volume_ul <= v1 {
            return l0 + (l1 - l0) * (volume_ul - v0) / (v1 - v0);
        }
    }
    LOAD[LOAD.len() - 1].1
}

/// Who took the sample: decides how large drops are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Collector {
    /// At home, a drop from the finger: log-normal, median 22 µL, σ 0.45, 5 to 70 µL.
    Home,
    /// A nurse: 40 ± 10 µL.
    Nurse,
    /// A capillary of 15, 30 or 50 µL, ± 2 %.
    Capillary,
}

impl Collector {
    /// One drop (µL).
    pub(crate) fn drop_ul(self, stream: &mut Stream) -> f64 {
        match self {
            Self::Home => (22.0 * libm::exp(0.45 * stream.normal())).clamp(5.0, 70.0),
            Self::Nurse => (40.0 + 10.0 * stream.normal()).clamp(15.0, 75.0),
            Self::Capillary => [15.0, 30.0, 50.0][stream.below(3)] * (1.0 + 0.02 * stream.normal()),
        }
    }
}

/// Whose blood: mean and standard deviation of haematocrit.
pub(crate) const POPULATIONS: [(f64, f64); 4] = [(0.45, 0.03), (0.40, 0.03), (0.36, 0.05), (0.53, 0.06)];

/// Days from collection to the photograph: exponential, mean 3, at least an hour or two of drying, at most 60.
pub(crate) fn age_d(stream: &mut Stream) -> f64 {
    (-3.0 * libm::log(1.0 - stream.uniform())).clamp(0.12, 60.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn areas_agree_with_published_spots() {
        // McCloskey 2014: 50 µL at mean haematocrit 0.309 give 1.11 ± 0.056 cm².
        assert!((area_mm2(50.0, 0.309) - 111.0).abs() < 5.6);
        // standards.md SPOT-04 (handbook, ±0.3 mm of the diameter): 10, 20 and 30 µL give 6, 7.75 and 9 mm.
        for (volume, diameter) in [(10.0, 6.0), (20.0, 7.75), (30.0, 9.0)] {
            let found = 2.0 * (area_mm2(volume, 0.40) / std::f64::consts::PI).sqrt();
            assert!((found - diameter).abs() < 0.3, "{volume} µL: {found} mm");
        }
    }

    #[test]
    fn volume_is_the_inverse_of_area() {
        for volume in [5.0, 22.0, 60.0] {
            assert!((volume_ul(area_mm2(volume, 0.35), 0.35) - volume).abs() < 1e-6);
        }
    }
}
