//! Everything that is estimated as one vector without bounds: coefficients (positive ones by their logarithm), Cholesky factors of
//! the effects' covariances (diagonals by their logarithm, J. C. Pinheiro, D. M. Bates, Stat. Comput. 6 (1996) 289-296),
//! logarithms of residual standard deviations.

use super::study::{
    CoefficientScale, EffectBlock, PopulationValues, ResidualPart, Study, StudyError, StudyResidual,
};
use crate::likelihood::ResidualError;
use crate::structure::ParameterName;
use spotwright_numerics::cholesky::Cholesky;

/// Where each estimated number stands in the vector.
#[derive(Debug, Clone)]
pub(super) struct Packing {
    scales: Vec<CoefficientScale>,
    blocks: Vec<EffectBlock>,
    residual: StudyResidual,
    /// Names of the entries, for messages.
    pub(super) names: Vec<String>,
    /// Number of random effects.
    pub(super) effects: usize,
}

impl Packing {
    /// The layout and the starting vector.
    pub(super) fn new(study: &Study<'_>) -> Result<(Self, Vec<f64>), StudyError> {
        let mut packing = Self {
            scales: study
                .coefficients
                .iter()
                .map(|coefficient| coefficient.scale)
                .collect(),
            blocks: study.effects.clone(),
            residual: study.residual,
            names: Vec::new(),
            effects: study.effects.iter().map(|block| block.parameters.len()).sum(),
        };
        let mut start = Vec::new();
        for coefficient in &study.coefficients {
            let positive = coefficient.scale == CoefficientScale::Positive;
            check_start(&coefficient.name, coefficient.start, positive)?;
            start.push(if positive {
                libm::log(coefficient.start)
            } else {
                coefficient.start
            });
            packing.names.push(coefficient.name.clone());
        }
        for block in &study.effects {
            let size = block.parameters.len();
            let factor = (block.covariance.len() == size * size)
                .then(|| Cholesky::new(&block.covariance, size))
                .flatten()
                .ok_or_else(|| StudyError::Covariance {
                    names: join(&block.parameters),
                })?;
            if block.fixed {
                continue;
            }
            for i in 0..size {
                for j in 0..=i {
                    let entry = factor.lower()[i * size + j];
                    start.push(if i == j { libm::log(entry) } else { entry });
                    packing.names.push(if i == j {
                        format!("spread of {}", block.parameters[i])
                    } else {
                        format!(
                            "covariance of {} and {}",
                            block.parameters[i], block.parameters[j]
                        )
                    });
                }
            }
        }
        for (name, part) in parts(&study.residual) {
            match part {
                ResidualPart::Absent => {}
                ResidualPart::Fixed(value) => check_start(name, value, true)?,
                ResidualPart::Estimated(value) => {
                    check_start(name, value, true)?;
                    start.push(libm::log(value));
                    packing.names.push(name.to_owned());
                }
            }
        }
        Ok((packing, start))
    }

    /// The values a vector stands for.
    pub(super) fn values(&self, x: &[f64]) -> PopulationValues {
        let mut next = x.iter().copied();
        let mut take = || next.next().unwrap_or(0.0);
        let coefficients = self
            .scales
            .iter()
            .map(|scale| match scale {
                CoefficientScale::Positive => libm::exp(take()),
                CoefficientScale::Any => take(),
            })
            .collect();
        let mut covariance = vec![0.0; self.effects * self.effects];
        let mut at = 0;
        for block in &self.blocks {
            let size = block.parameters.len();
            let own = if block.fixed {
                block.covariance.clone()
            } else {
                let mut factor = vec![0.0; size * size];
                for i in 0..size {
                    for j in 0..=i {
                        let entry = take();
                        factor[i * size + j] = if i == j { libm::exp(entry) } else { entry };
                    }
                }
                times_transpose(&factor, size)
            };
            for i in 0..size {
                for j in 0..size {
                    covariance[(at + i) * self.effects + at + j] = own[i * size + j];
                }
            }
            at += size;
        }
        let mut part = |part| match part {
            ResidualPart::Absent => 0.0,
            ResidualPart::Fixed(value) => value,
            ResidualPart::Estimated(_) => libm::exp(take()),
        };
        let residual = match self.residual {
            StudyResidual::Combined {
                additive_sd,
                proportional_sd,
            } => ResidualError::Combined {
                additive_sd: part(additive_sd),
                proportional_sd: part(proportional_sd),
            },
            StudyResidual::Log { sigma } => ResidualError::Log { sigma: part(sigma) },
        };
        PopulationValues {
            coefficients,
            covariance,
            residual,
        }
    }

    /// The numbers a reader wants, by name: coefficients, standard deviations and correlations of effects, residual parts.
    /// Fixed ones are left out.
    pub(super) fn reported(&self, x: &[f64]) -> Vec<(String, f64)> {
        let values = self.values(x);
        let mut reported: Vec<(String, f64)> = self
            .names
            .iter()
            .cloned()
            .zip(values.coefficients.iter().copied())
            .collect();
        let variance = |i: usize| values.covariance[i * self.effects + i];
        let mut at = 0;
        for block in &self.blocks {
            let size = block.parameters.len();
            if !block.fixed {
                for i in 0..size {
                    let name = format!("sd_log {}", block.parameters[i]);
                    reported.push((name, variance(at + i).sqrt()));
                }
                for i in 0..size {
                    for j in 0..i {
                        let name = format!("correlation {} {}", block.parameters[j], block.parameters[i]);
                        let covariance = values.covariance[(at + i) * self.effects + at + j];
                        let r = covariance / (variance(at + i) * variance(at + j)).sqrt();
                        reported.push((name, r));
                    }
                }
            }
            at += size;
        }
        let found = match values.residual {
            ResidualError::Combined {
                additive_sd,
                proportional_sd,
            } => vec![additive_sd, proportional_sd],
            ResidualError::Log { sigma } => vec![sigma],
        };
        for ((name, part), value) in parts(&self.residual).into_iter().zip(found) {
            if matches!(part, ResidualPart::Estimated(_)) {
                reported.push((name.to_owned(), value));
            }
        }
        reported
    }

    /// Entries that stand for the logarithm of a standard deviation, with what each spreads.
    pub(super) fn log_spreads(&self) -> Vec<(usize, String)> {
        let mut found = Vec::new();
        let mut at = self.scales.len();
        for block in self.blocks.iter().filter(|block| !block.fixed) {
            for i in 0..block.parameters.len() {
                at += i;
                found.push((
                    at,
                    format!("the spread of {} between persons", block.parameters[i]),
                ));
                at += 1;
            }
        }
        for (name, part) in parts(&self.residual) {
            if matches!(part, ResidualPart::Estimated(_)) {
                found.push((at, format!("the residual error's {name}")));
                at += 1;
            }
        }
        found
    }

    /// Parameters with a random effect, in order.
    pub(super) fn effect_names(&self) -> Vec<ParameterName> {
        self.blocks
            .iter()
            .flat_map(|block| block.parameters.iter().copied())
            .collect()
    }
}

fn parts(residual: &StudyResidual) -> Vec<(&'static str, ResidualPart)> {
    match residual {
        StudyResidual::Combined {
            additive_sd,
            proportional_sd,
        } => vec![
            ("additive_sd", *additive_sd),
            ("proportional_sd", *proportional_sd),
        ],
        StudyResidual::Log { sigma } => vec![("sigma", *sigma)],
    }
}

fn check_start(name: &str, found: f64, above_zero: bool) -> Result<(), StudyError> {
    if found.is_finite() && (found > 0.0 || !above_zero) {
        Ok(())
    } else {
        Err(StudyError::Start {
            name: name.to_owned(),
            found,
            above_zero,
        })
    }
}

fn times_transpose(factor: &[f64], size: usize) -> Vec<f64> {
    let mut product = vec![0.0; size * size];
    for i in 0..size {
        for j in 0..size {
            product[i * size + j] = (0..=i.min(j))
                .map(|k| factor[i * size + k] * factor[j * size + k])
                .sum();
        }
    }
    product
}

fn join(names: &[ParameterName]) -> String {
    let names: Vec<&str> = names.iter().map(|name| name.symbol()).collect();
    names.join(", ")
}
