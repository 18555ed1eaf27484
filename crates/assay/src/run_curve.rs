//! The calibration of one analyte in one run: its points, the settled curve, its range and its error model.

use crate::calibration::{CalibratorPoint, Curve, CurveError, InverseOutcome, SettledCurve, settle};
use crate::input::RunInput;
use crate::limit::{at_least, at_most, relative_error_pct};
use crate::preparation::{Preparation, Reading};
use crate::response_ratio::{AreaRatio, RatioOutcome};
use crate::run::Run;
use crate::uncertainty::{ErrorModel, Estimate};
use spotwright_domain::concentration::ConcentrationCase;
use spotwright_domain::injection::SampleRole;
use spotwright_domain::record::{BudgetTerm, CalibrationPoint, CalibrationRecord};

/// A calibrator of the run, with its place.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PlacedCalibrator {
    pub(crate) position: usize,
    pub(crate) nominal: f64,
    pub(crate) ratio: RatioOutcome,
}

/// Calibrators of one analyte, in the order of the run. Lines whose level the analyte does not have are not its.
pub(crate) fn calibrators_of(input: &RunInput<'_>, run: &Run, analyte: usize) -> Vec<PlacedCalibrator> {
    let levels = &input.method.analytes[analyte].calibrators;
    run.of_role(input.injections, SampleRole::Calibrator)
        .filter_map(|position| {
            let name = input.injections[position].injection.level.as_ref()?;
            let level = levels.iter().find(|level| level.name == *name)?;
            Some(PlacedCalibrator {
                position,
                nominal: level.concentration,
                ratio: run.ratio(input.injections, position, analyte),
            })
        })
        .collect()
}

/// Fits the analyte's curve.
pub(crate) fn settle_run(
    input: &RunInput<'_>,
    analyte: usize,
    calibrators: &[PlacedCalibrator],
) -> Result<SettledCurve, CurveError> {
    let points: Vec<CalibratorPoint> = calibrators
        .iter()
        .map(|calibrator| CalibratorPoint {
            nominal: calibrator.nominal,
            area_ratio: calibrator.ratio.measured().map(|ratio| ratio.value),
        })
        .collect();
    settle(
        &points,
        &input.method.analytes[analyte],
        &input.method.limits.calibration,
    )
}

/// Readings of the calibrators in the curve's fit, in its order.
pub(crate) fn fit_readings(calibrators: &[PlacedCalibrator], settled: &SettledCurve) -> Vec<Reading> {
    calibrators
        .iter()
        .zip(&settled.used)
        .filter(|(_, used)| **used)
        .filter_map(|(calibrator, _)| calibrator.ratio.measured())
        .map(|ratio| reading(&ratio))
        .collect()
}

pub(crate) fn reading(ratio: &AreaRatio) -> Reading {
    Reading {
        ratio: ratio.value,
        area_variance: ratio.variance(),
    }
}

/// A curve that concentrations are read from.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct RunCurve {
    pub(crate) curve: Curve,
    pub(crate) model: ErrorModel,
    pub(crate) lloq: f64,
    pub(crate) uloq: f64,
}

/// A concentration, its case and its budget.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Read {
    pub(crate) case: ConcentrationCase,
    pub(crate) budget: Vec<BudgetTerm>,
    /// The number itself, whatever the case; multiplied by the dilution factor.
    pub(crate) value: Option<f64>,
}

impl RunCurve {
    pub(crate) fn new(curve: Curve, readings: &[Reading], preparation: Preparation, range: [f64; 2]) -> Self {
        Self {
            model: ErrorModel::new(&curve, readings, preparation),
            curve,
            lloq: range[0],
            uloq: range[1],
        }
    }

    /// The concentration of a ratio whose extract was diluted by `dilution_factor`. The case is decided on the undiluted
    /// scale of the curve, unrounded and inclusive (G-1).
    pub(crate) fn read(&self, ratio: &AreaRatio, dilution_factor: f64) -> Read {
        match self.model.estimate(&self.curve, ratio) {
            Ok(estimate) => self.in_range(estimate, dilution_factor),
            Err(outcome) => self.outside(outcome, dilution_factor),
        }
    }

    /// Nothing was detected: below the lower limit, with what the residual area would come to.
    pub(crate) fn nothing_detected(&self, dilution_factor: f64) -> Read {
        Read {
            case: ConcentrationCase::BelowLloq {
                lloq: self.lloq * dilution_factor,
                estimate: None,
            },
            budget: Vec::new(),
            value: None,
        }
    }

    fn in_range(&self, estimate: Estimate, factor: f64) -> Read {
        let value = estimate.value * factor;
        if !at_least(estimate.value, self.lloq) {
            return Read {
                case: ConcentrationCase::BelowLloq {
                    lloq: self.lloq * factor,
                    estimate: Some(value.max(0.0)),
                },
                budget: Vec::new(),
                value: Some(value),
            };
        }
        if !at_most(estimate.value, self.uloq) {
            return Read {
                case: ConcentrationCase::AboveUloq {
                    uloq: self.uloq * factor,
                    estimate: Some(value),
                },
                budget: Vec::new(),
                value: Some(value),
            };
        }
        Read {
            case: ConcentrationCase::Measured {
                value,
                standard_uncertainty: estimate.standard_uncertainty * factor,
                interval_95: estimate.interval_95.map(|end| end * factor),
                degrees_of_freedom: estimate.degrees_of_freedom,
            },
            budget: estimate
                .budget
                .into_iter()
                .map(|term| BudgetTerm {
                    standard_uncertainty: term.standard_uncertainty * factor,
                    ..term
                })
                .collect(),
            value: Some(value),
        }
    }

    fn outside(&self, outcome: InverseOutcome, factor: f64) -> Read {
        let case = match outcome {
            InverseOutcome::AboveTurningPoint { .. } => ConcentrationCase::AboveUloq {
                uloq: self.uloq * factor,
                estimate: None,
            },
            InverseOutcome::BelowTurningPoint { .. } => ConcentrationCase::BelowLloq {
                lloq: self.lloq * factor,
                estimate: None,
            },
            InverseOutcome::Value(_) | InverseOutcome::NotComputable => ConcentrationCase::NotComputable,
        };
        Read {
            case,
            budget: Vec::new(),
            value: None,
        }
    }
}

/// The record of the curve; covariance and standard errors are those of the weighted fit.
pub(crate) fn calibration_record(
    input: &RunInput<'_>,
    analyte: usize,
    settled: &SettledCurve,
    range: [f64; 2],
) -> CalibrationRecord {
    let fit = &settled.curve.fit;
    let size = fit.coefficients.len();
    CalibrationRecord {
        model: settled.curve.model,
        weighting: input.method.analytes[analyte].weighting,
        coefficients: fit.coefficients.clone(),
        covariance: (0..size)
            .map(|i| (0..size).map(|j| fit.covariance.get(i, j)).collect())
            .collect(),
        standard_errors: (0..size).map(|i| fit.standard_error(i)).collect(),
        residual_standard_deviation: fit.residual_standard_error,
        degrees_of_freedom: fit.degrees_of_freedom as f64,
        r_squared: fit.r_squared.unwrap_or(0.0),
        lloq: range[0],
        uloq: range[1],
        fits: settled.fits,
    }
}

/// The records of the calibrators; `settled` is `None` when there is no curve.
pub(crate) fn calibration_points(
    input: &RunInput<'_>,
    calibrators: &[PlacedCalibrator],
    settled: Option<&SettledCurve>,
) -> Vec<CalibrationPoint> {
    calibrators
        .iter()
        .enumerate()
        .filter_map(|(i, calibrator)| {
            let line = &input.injections[calibrator.position].injection;
            let back_calculated = settled.and_then(|settled| settled.back_calculated[i]);
            Some(CalibrationPoint {
                order: line.order,
                level: line.level.clone()?,
                nominal: calibrator.nominal,
                area_ratio: calibrator.ratio.measured().map(|ratio| ratio.value),
                back_calculated,
                relative_error_pct: back_calculated
                    .map(|found| relative_error_pct(found, calibrator.nominal)),
                used: settled.is_some_and(|settled| settled.used[i]),
            })
        })
        .collect()
}
