//! Analyte area over internal-standard area, with its standard uncertainty and its named failures.

use crate::input::AssayInjection;
use spotwright_domain::peak::{NoPeakReason, Response};

/// A ratio of areas with what each area contributes to its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AreaRatio {
    /// Analyte area over internal-standard area.
    pub value: f64,
    /// Standard uncertainty from the analyte's area.
    pub from_analyte: f64,
    /// Standard uncertainty from the internal standard's area.
    pub from_internal_standard: f64,
}

impl AreaRatio {
    /// Combined standard uncertainty of the ratio (JCGM 100:2008 §5.1.2: first order, the two areas independent).
    #[must_use]
    pub fn standard_uncertainty(&self) -> f64 {
        self.variance().sqrt()
    }

    /// Square of [`Self::standard_uncertainty`].
    #[must_use]
    pub fn variance(&self) -> f64 {
        self.from_analyte * self.from_analyte + self.from_internal_standard * self.from_internal_standard
    }
}

/// What an injection says about the ratio. Never infinite: a ratio without internal standard is a case of its own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RatioOutcome {
    /// Both peaks were found.
    Measured(AreaRatio),
    /// The internal standard was found, the analyte was not.
    NothingDetected {
        /// Why there is no peak.
        reason: NoPeakReason,
        /// Residual area over internal-standard area, when the residual is known.
        residual: Option<AreaRatio>,
    },
    /// No internal standard: the ratio does not exist.
    InternalStandardAbsent(NoPeakReason),
    /// Nothing can be said of the analyte (file, trace or window).
    NotMeasurable(NoPeakReason),
}

impl RatioOutcome {
    /// The ratio when both peaks were found.
    #[must_use]
    pub fn measured(&self) -> Option<AreaRatio> {
        match self {
            Self::Measured(ratio) => Some(*ratio),
            _ => None,
        }
    }
}

/// The ratio of one analyte in one injection; `standard` is the index of its internal standard. A list too short
/// for the method counts as an absent trace.
#[must_use]
pub fn ratio_of(injection: &AssayInjection, analyte: usize, standard: usize) -> RatioOutcome {
    let (Some(responses), Some(standard)) =
        (injection.analytes.get(analyte), injection.standards.get(standard))
    else {
        return RatioOutcome::NotMeasurable(NoPeakReason::TraceAbsent);
    };
    area_ratio(&responses.quantifier, standard)
}

/// The ratio of two responses.
#[must_use]
pub fn area_ratio(analyte: &Response, standard: &Response) -> RatioOutcome {
    use NoPeakReason::{FileUnreadable, NothingAboveNoise, NothingAtExpectedTime, TooFewPoints};
    if analyte.missing == Some(FileUnreadable) {
        return RatioOutcome::NotMeasurable(FileUnreadable);
    }
    let Some(denominator) = usable_area(standard).filter(|area| standard.found() && *area > 0.0) else {
        return RatioOutcome::InternalStandardAbsent(standard.missing.unwrap_or(NothingAboveNoise));
    };
    let ratio = usable_area(analyte)
        .map(|area| {
            let value = area / denominator;
            AreaRatio {
                value,
                from_analyte: uncertainty(analyte) / denominator,
                from_internal_standard: (value * uncertainty(standard) / denominator).abs(),
            }
        })
        // Beyond the range of a number: no detector counts like that.
        .filter(|ratio| (ratio.value * ratio.value).is_finite() && ratio.variance().is_finite());
    match (analyte.missing, ratio) {
        (None, Some(ratio)) => RatioOutcome::Measured(ratio),
        (None, None) => RatioOutcome::NotMeasurable(TooFewPoints),
        (Some(reason @ (NothingAboveNoise | NothingAtExpectedTime)), residual) => {
            RatioOutcome::NothingDetected { reason, residual }
        }
        (Some(reason), _) => RatioOutcome::NotMeasurable(reason),
    }
}

/// The area, peak or residual, when it is a finite number.
pub(crate) fn usable_area(response: &Response) -> Option<f64> {
    response.area_counts_s.filter(|area| area.is_finite())
}

/// The standard uncertainty of the area, 0 when it is not a usable number.
pub(crate) fn uncertainty(response: &Response) -> f64 {
    let u = response.area_standard_uncertainty_counts_s;
    if u.is_finite() { u.max(0.0) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn response(area: f64, u: f64) -> Response {
        Response {
            missing: None,
            area_counts_s: Some(area),
            area_standard_uncertainty_counts_s: u,
            retention_time_min: 1.0,
            signal_to_noise: 100.0,
            width_half_height_s: 4.0,
            flags: 0,
            manual: false,
        }
    }

    fn absent(reason: NoPeakReason) -> Response {
        Response {
            missing: Some(reason),
            area_counts_s: None,
            ..response(0.0, 0.0)
        }
    }

    // JCGM 100:2008 §5.1.6: relative uncertainties of a quotient add in squares: sqrt(0.03² + 0.04²) = 0.05.
    #[test]
    fn relative_uncertainties_add_in_squares() {
        let RatioOutcome::Measured(ratio) = area_ratio(&response(200.0, 6.0), &response(1000.0, 40.0)) else {
            panic!("both peaks stand")
        };
        assert!((ratio.value - 0.2).abs() < 1e-15);
        assert!((ratio.standard_uncertainty() / ratio.value - 0.05).abs() < 1e-15);
    }

    #[test]
    fn a_missing_or_empty_standard_is_a_case_not_an_infinity() {
        let analyte = response(200.0, 6.0);
        let gone = absent(NoPeakReason::NothingAboveNoise);
        assert_eq!(
            area_ratio(&analyte, &gone),
            RatioOutcome::InternalStandardAbsent(NoPeakReason::NothingAboveNoise)
        );
        assert_eq!(
            area_ratio(&analyte, &response(0.0, 1.0)),
            RatioOutcome::InternalStandardAbsent(NoPeakReason::NothingAboveNoise)
        );
        assert_eq!(
            area_ratio(&absent(NoPeakReason::TraceAbsent), &response(1.0, 0.0)),
            RatioOutcome::NotMeasurable(NoPeakReason::TraceAbsent)
        );
        assert_eq!(
            area_ratio(&response(f64::NAN, 0.0), &response(1.0, 0.0)),
            RatioOutcome::NotMeasurable(NoPeakReason::TooFewPoints)
        );
    }
}
