//! The concentration itself: measured, below or above the run's limits, on the reported scale.

use super::ConversionInput;
use super::check::Checked;
use super::haematocrit::within;
use super::propagation::{Measured, propagate};
use super::remark::{Refusal, plain, refuse, remark};
use crate::sentence::{figures, stated};
use spotwright_domain::concentration::ConcentrationCase;
use spotwright_domain::conversion::{
    Beside, ConversionCode, ConversionRecord, ConvertedCase, Estimate, Fallback,
};

impl Checked<'_> {
    fn at(&self, concentration: f64) -> Option<f64> {
        self.model.reported(&self.model.with_measurement(concentration))
    }

    /// The converted case; limits, budget and remarks go into the record.
    pub(super) fn evaluate(
        &self,
        input: &ConversionInput<'_>,
        record: &mut ConversionRecord,
    ) -> Result<ConvertedCase, Refusal> {
        if let Some([lloq, uloq]) = input.range {
            let own = |limit: f64| self.at(limit).filter(|value| *value > 0.0);
            (record.lloq, record.uloq) = (own(lloq), own(uloq));
        }
        let case = match &input.result.concentration {
            ConcentrationCase::Measured {
                value,
                standard_uncertainty,
                degrees_of_freedom,
                ..
            } => {
                let measured = Measured {
                    value: *value,
                    standard_uncertainty: *standard_uncertainty,
                    degrees_of_freedom: *degrees_of_freedom,
                };
                self.measured(input, measured, record)?
            }
            ConcentrationCase::BelowLloq { lloq, estimate } => {
                let limit = self.limit(*lloq, Side::Below, record)?;
                ConvertedCase::BelowLloq {
                    limit,
                    estimate: estimate
                        .and_then(|estimate| self.at(estimate))
                        .filter(|estimate| (0.0..limit).contains(estimate)),
                }
            }
            ConcentrationCase::AboveUloq { uloq, .. } => ConvertedCase::AboveUloq {
                limit: self.limit(*uloq, Side::Above, record)?,
            },
            ConcentrationCase::NotComputable | ConcentrationCase::NotApplicable => {
                return Err(not_computable());
            }
        };
        Ok(case)
    }

    fn measured(
        &self,
        input: &ConversionInput<'_>,
        measured: Measured,
        record: &mut ConversionRecord,
    ) -> Result<ConvertedCase, Refusal> {
        if let Some([low, high]) = self.conversion.concentration_range {
            let found = measured.value * self.scale;
            if !within(found, low, high) {
                let limit = if found < low { low } else { high };
                return Err(refuse(
                    Fallback::MeasuredOnly,
                    remark(
                        ConversionCode::ConcentrationOutsideRange,
                        "CONV-04",
                        Some(found),
                        Some(limit),
                        self.conversion.unit.ucum(),
                        format!(
                            "The spot reads {} {unit}, the conversion was derived from {} to {} {unit}: it is not stretched beyond.",
                            figures(found),
                            stated(low),
                            stated(high),
                            unit = self.conversion.unit.ucum()
                        ),
                    ),
                ));
            }
        }
        let seed = seed_of(&input.result.id, &self.conversion.id);
        let propagation = propagate(&self.model, measured, seed).ok_or_else(not_computable)?;
        if propagation.value <= 0.0 {
            return Err(below_zero(propagation.value, input.result.unit.ucum()));
        }
        record.budget = propagation.budget;
        record.computation = Some(propagation.computation);
        record.beside = self.beside(measured.value);
        if self.too_old {
            return Ok(ConvertedCase::AtLeast {
                value: propagation.value,
                standard_uncertainty: propagation.standard_uncertainty,
            });
        }
        Ok(ConvertedCase::Measured {
            value: propagation.value,
            standard_uncertainty: propagation.standard_uncertainty,
            interval_95: propagation.interval_95,
            degrees_of_freedom: propagation.degrees_of_freedom,
        })
    }

    /// A limit on the person's own scale. All forms rise with the measured value, so "less than" stays true of the edge of
    /// the conversion's range when the limit itself lies beyond it.
    fn limit(&self, limit: f64, side: Side, record: &mut ConversionRecord) -> Result<f64, Refusal> {
        // An old spot has lost drug: "less than" is then no longer true.
        if self.too_old && side == Side::Below {
            return Err(refuse(
                Fallback::Refuse,
                plain(
                    ConversionCode::AgeOutsideRange,
                    "DBS-08",
                    "The spot is older than the drug was followed on paper: below the limit may mean lost in the post."
                        .to_owned(),
                ),
            ));
        }
        let mut at = limit;
        if let Some([low, high]) = self.conversion.concentration_range {
            let edge = match side {
                Side::Below => (at * self.scale).max(low),
                Side::Above => (at * self.scale).min(high),
            };
            if !crate::limit::same(edge, at * self.scale) {
                at = edge / self.scale;
                record.remarks.push(remark(
                    ConversionCode::LimitOfConversion,
                    "CONV-04",
                    Some(limit),
                    Some(at),
                    record.unit.ucum(),
                    "The limit given is that of the conversion's range, since the run's lies beyond it."
                        .to_owned(),
                ));
            }
        }
        let converted = self.at(at).ok_or_else(not_computable)?;
        if converted > 0.0 {
            Ok(converted)
        } else {
            Err(below_zero(converted, record.unit.ucum()))
        }
    }

    fn beside(&self, measured: f64) -> Vec<Beside> {
        let (Some(standardised), Some(used)) = (self.conversion.standardised, self.haematocrit) else {
            return Vec::new();
        };
        let haematocrit: Estimate = used.haematocrit;
        let Some(blood) = self.at(measured) else {
            return Vec::new();
        };
        let value = blood * (standardised.constant + standardised.numerator / haematocrit.value);
        if !value.is_finite() {
            return Vec::new();
        }
        let label = if standardised.constant.abs() > 0.0 {
            format!(
                "haematocrit-standardised, C·({} + {}/H)",
                standardised.constant, standardised.numerator
            )
        } else {
            format!("standardised to haematocrit {}", standardised.numerator)
        };
        vec![Beside { label, value }]
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Side {
    Below,
    Above,
}

fn not_computable() -> Refusal {
    refuse(
        Fallback::MeasuredOnly,
        plain(
            ConversionCode::NotComputable,
            "G-4",
            "The conversion's arithmetic came to no number.".to_owned(),
        ),
    )
}

fn below_zero(value: f64, unit: &str) -> Refusal {
    refuse(
        Fallback::MeasuredOnly,
        remark(
            ConversionCode::ConvertedBelowZero,
            "EV-70",
            Some(value),
            Some(0.0),
            unit,
            "The line gives zero or less at this concentration: it does not hold there.".to_owned(),
        ),
    )
}

/// A seed of the result's and the conversion's names (FNV-1a): the same result gives the same numbers every time.
fn seed_of(result: &str, conversion: &str) -> u32 {
    let bytes = result.bytes().chain([0]).chain(conversion.bytes());
    bytes.fold(0x811c_9dc5, |hash, byte| {
        (hash ^ u32::from(byte)).wrapping_mul(0x0100_0193)
    })
}
