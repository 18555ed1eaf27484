//! Volume of blood from the area of its spot.
//!
//! One photograph gives one area, and the area depends on volume and on haematocrit: it cannot yield both (EV-18). The
//! haematocrit is therefore an input here, and the estimate says which was assumed.

use core::f64::consts::PI;
use spotwright_domain::card::{
    HaematocritEstimate, Origin, SpotLimits, SpotMeasures, SpotReason, SpotReasonCode, VolumeEstimate,
};
use spotwright_domain::reason::Severity;

/// Haematocrit taken when nothing is known (middle of the adult range, standards §2.3), with the population's spread.
pub const UNKNOWN_HAEMATOCRIT: [f64; 2] = [0.40, 0.05];

/// Area (mm²) to volume (µL): `V = exp(intercept)·A₀^exponent`, where `A₀ = A / (1 + slope·(H − H₀))` is the area the
/// same blood would cover at the reference haematocrit.
#[derive(Debug, Clone, PartialEq)]
pub struct VolumeRelation {
    /// Natural logarithm of the volume (µL) at 1 mm².
    pub intercept: f64,
    /// Exponent of the area.
    pub exponent: f64,
    /// Relative standard uncertainty of a single volume, everything but area and haematocrit.
    pub relative_u: f64,
    /// Relative change of area per unit of haematocrit. Negative on cellulose, positive on some other papers (SPOT-05).
    pub area_per_haematocrit: f64,
    /// Its standard uncertainty.
    pub u_area_per_haematocrit: f64,
    /// Haematocrit the relation holds at.
    pub reference_haematocrit: f64,
    /// Smallest and largest area it was made from (mm²).
    pub area_range_mm2: [f64; 2],
    /// Where it comes from.
    pub origin: Origin,
}

/// Published volumes (µL) and diameters (mm) on cellulose paper: SPOT-04, typical figures and the two measured ones
/// (50 µL: measured 2014; 100 µL: paper specification).
const PUBLISHED: [[f64; 2]; 7] = [
    [10.0, 6.0],
    [15.0, 7.0],
    [20.0, 7.75],
    [30.0, 9.0],
    [50.0, 11.9],
    [72.5, 13.0],
    [100.0, 16.0],
];

/// Why a calibration of volume is refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum VolumeCalibrationError {
    /// Too few spots.
    #[error("a volume calibration needs at least {expected} spots, found {found}")]
    TooFew {
        /// Needed.
        expected: usize,
        /// Found.
        found: usize,
    },
    /// A volume, area or haematocrit that cannot be.
    #[error("spot {index}: volume, area and haematocrit must be positive numbers, haematocrit below 1")]
    Point {
        /// Position in the list, from 0.
        index: usize,
    },
    /// The fit failed: volumes or areas do not vary.
    #[error("volumes and areas do not vary enough to fit a relation")]
    NoFit,
}

impl VolumeRelation {
    /// From published figures, with 15 % standard uncertainty: the typical figures scatter by 8 % about a power law and
    /// come from several papers. Slope with haematocrit −0.76 per unit (SPOT-05, −7.6 % area per +0.10), uncertainty by
    /// half: its correlation is −0.80 only.
    #[must_use]
    pub fn published() -> Self {
        let points: Vec<[f64; 3]> = PUBLISHED
            .iter()
            .map(|[volume, diameter]| [*volume, PI * diameter * diameter / 4.0, 0.40])
            .collect();
        let (intercept, exponent, _) = power_law(&points, -0.76, 0.40).unwrap_or((0.0, 1.0, 0.15));
        Self {
            intercept,
            exponent,
            relative_u: 0.15,
            area_per_haematocrit: -0.76,
            u_area_per_haematocrit: 0.38,
            reference_haematocrit: 0.40,
            area_range_mm2: [28.0, 202.0],
            origin: Origin::Published("SPOT-04, SPOT-05: cellulose paper, several sources".into()),
        }
    }

    /// The method's own relation from spots of known volume (µL), area (mm²) and haematocrit, the slope with haematocrit
    /// given (it may have either sign).
    ///
    /// # Errors
    /// Fewer than six spots, impossible numbers, or no variation.
    pub fn calibrated(
        name: &str,
        spots: &[[f64; 3]],
        area_per_haematocrit: f64,
        u_area_per_haematocrit: f64,
        reference_haematocrit: f64,
    ) -> Result<Self, VolumeCalibrationError> {
        if spots.len() < 6 {
            return Err(VolumeCalibrationError::TooFew {
                expected: 6,
                found: spots.len(),
            });
        }
        let sound = |[v, a, h]: &[f64; 3]| {
            v.is_finite()
                && a.is_finite()
                && *v > 0.0
                && *a > 0.0
                && *h > 0.0
                && *h < 1.0
                && 1.0 + area_per_haematocrit * (h - reference_haematocrit) > 0.1
        };
        if let Some(index) = spots.iter().position(|spot| !sound(spot)) {
            return Err(VolumeCalibrationError::Point { index });
        }
        let (intercept, exponent, residual) = power_law(spots, area_per_haematocrit, reference_haematocrit)
            .ok_or(VolumeCalibrationError::NoFit)?;
        let areas = spots.iter().map(|s| s[1]);
        Ok(Self {
            intercept,
            exponent,
            relative_u: residual * (1.0 + 1.0 / spots.len() as f64).sqrt(),
            area_per_haematocrit,
            u_area_per_haematocrit,
            reference_haematocrit,
            area_range_mm2: [
                areas.clone().fold(f64::INFINITY, f64::min),
                areas.fold(0.0, f64::max),
            ],
            origin: Origin::Calibration(name.to_owned()),
        })
    }

    /// Area at the reference haematocrit over area as found: `1 / (1 + slope·(H − H₀))`; `None` where the straight
    /// line is carried beyond sense (the factor would leave 0.3 to 3).
    #[must_use]
    pub fn area_factor(&self, haematocrit: f64) -> Option<f64> {
        let denominator = 1.0 + self.area_per_haematocrit * (haematocrit - self.reference_haematocrit);
        (denominator.is_finite() && (1.0 / 3.0..=10.0 / 3.0).contains(&denominator))
            .then(|| 1.0 / denominator)
    }

    /// Volume and its standard uncertainty (µL).
    #[must_use]
    pub fn volume_ul(&self, area_mm2: f64, u_area_mm2: f64, haematocrit: [f64; 2]) -> Option<(f64, f64)> {
        let factor = self.area_factor(haematocrit[0])?;
        let volume = libm::exp(self.intercept + self.exponent * libm::log(area_mm2 * factor));
        // d ln A0 / dH = -slope * factor; d ln A0 / d slope = -(H - H0) * factor.
        let by_area = self.exponent * u_area_mm2 / area_mm2;
        let by_haematocrit = self.exponent * self.area_per_haematocrit * factor * haematocrit[1];
        let by_slope = self.exponent
            * (haematocrit[0] - self.reference_haematocrit)
            * factor
            * self.u_area_per_haematocrit;
        let relative = (self.relative_u * self.relative_u
            + by_area * by_area
            + by_haematocrit * by_haematocrit
            + by_slope * by_slope)
            .sqrt();
        (volume.is_finite() && volume > 0.0).then_some((volume, volume * relative))
    }
}

/// Least squares of ln V on ln A₀: intercept, exponent, residual standard deviation.
fn power_law(points: &[[f64; 3]], slope: f64, reference: f64) -> Option<(f64, f64, f64)> {
    let x: Vec<f64> = points
        .iter()
        .map(|[_, area, h]| libm::log(area / (1.0 + slope * (h - reference))))
        .collect();
    let y: Vec<f64> = points.iter().map(|[volume, ..]| libm::log(*volume)).collect();
    let line = spotwright_numerics::regression_line::fit_line(&x, &y).ok()?;
    let squares: f64 = x
        .iter()
        .zip(&y)
        .map(|(x, y)| {
            let r = y - line.intercept - line.slope * x;
            r * r
        })
        .sum();
    Some((
        line.intercept,
        line.slope,
        (squares / (points.len() - 2) as f64).sqrt(),
    ))
}

/// Volume of the whole spot and under the disc, `V·(d_disc/d_spot)²` (SPOT-04), with reasons when it lies outside what
/// the relation covers.
#[must_use]
pub fn volume_of(
    measures: &SpotMeasures,
    head_diameter_mm: f64,
    relation: &VolumeRelation,
    haematocrit: Option<&HaematocritEstimate>,
    limits: &SpotLimits,
) -> (Option<VolumeEstimate>, Vec<SpotReason>) {
    let _ = limits;
    let assumed = haematocrit.map_or(UNKNOWN_HAEMATOCRIT, |h| [h.fraction, h.u_fraction]);
    let area = measures.area_mm2;
    let [low, high] = relation.area_range_mm2;
    let mut reasons = Vec::new();
    if area < 0.95 * low || area > 1.05 * high {
        let limit = if area < low { low } else { high };
        reasons.push(SpotReason {
            code: SpotReasonCode::VolumeOutsideCalibration,
            rule: "SPOT-04".into(),
            severity: Severity::Note,
            measured: Some(area),
            limit: Some(limit),
            unit: "mm2".into(),
            beyond: Some((area - limit).abs()),
            text: format!(
                "The area of {area:.1} mm² lies outside {low:.0} to {high:.0} mm², which the relation of area and volume \
                 covers: the volume is extrapolated, so do not rely on it."
            ),
        });
    }
    let estimate = relation
        .volume_ul(area, measures.u_area_mm2, assumed)
        .map(|(volume, u_volume)| {
            let share = (head_diameter_mm / measures.equivalent_diameter_mm)
                * (head_diameter_mm / measures.equivalent_diameter_mm);
            // A disc cannot hold more than the spot.
            let share = share.min(1.0);
            VolumeEstimate {
                volume_ul: volume,
                u_volume_ul: u_volume,
                disc_volume_ul: volume * share,
                u_disc_volume_ul: u_volume * share,
                assumed_haematocrit: assumed[0],
                u_assumed_haematocrit: assumed[1],
                origin: relation.origin.clone(),
            }
        });
    (estimate, reasons)
}
