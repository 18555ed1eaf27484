//! A study's `model.toml`: a model file of the usual form whose numbers are starting values, and which numbers are estimated.
//!
//! * A spread above zero, a correlation and a part of the residual error above zero are estimated from where they stand; what is
//!   zero stays away. Effects joined by correlations form a block.
//! * With `[[coefficient]]` tables, formulas may name them, and they are what is estimated of the typical values.
//! * Without, the typical value of every parameter with a spread between persons is estimated: the number itself where the formula
//!   is one, else a factor of the formula.

use super::study::{
    Coefficient, CoefficientScale, EffectBlock, Person, ResidualPart, Study, StudyResidual, TypicalValues,
};
use crate::likelihood::ResidualError;
use crate::model::formula::{Formula, FormulaError, Name};
use crate::model::{Covariate, CovariateUnit, Model, ModelProblems};
use crate::structure::{BetweenKnots, ParameterName, Parameters};

/// A model whose numbers are starting values.
#[derive(Debug, Clone, PartialEq)]
pub struct StudyModel {
    /// The model at its starting values.
    pub start: Model,
    /// What is estimated of the typical values.
    pub coefficients: Vec<Coefficient>,
    pub(super) parameters: Vec<StudyParameter>,
    pub(super) table: toml::Table,
}

/// A parameter's typical value, by covariates and coefficients.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct StudyParameter {
    pub(super) name: ParameterName,
    pub(super) formula: Formula,
    pub(super) to_core_unit: f64,
}

/// Why a text is no study model.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StudyModelError {
    /// Not TOML.
    #[error("the model file is not TOML: {said}")]
    Syntax {
        /// What the reader says.
        said: String,
    },
    /// No model at its starting values.
    #[error(transparent)]
    Model(#[from] ModelProblems),
    /// A coefficient that is none.
    #[error("coefficient {position}: {found}; expected {expected}")]
    Coefficient {
        /// Position from 1.
        position: usize,
        /// What stands there.
        found: String,
        /// What could.
        expected: &'static str,
    },
    /// A formula that cannot be read with the coefficients.
    #[error("formula of {name}: {why}")]
    Formula {
        /// The parameter.
        name: ParameterName,
        /// Why.
        why: FormulaError,
    },
    /// A coefficient no formula names.
    #[error("no formula names the coefficient {name}")]
    CoefficientUnused {
        /// Which.
        name: String,
    },
    /// Variability between occasions is not estimated here.
    #[error(
        "{name} varies between occasions; a population is estimated without that: set sd_log_between_occasion to 0"
    )]
    BetweenOccasions {
        /// The parameter.
        name: ParameterName,
    },
}

impl StudyModel {
    /// Reads a study's model.
    ///
    /// # Errors
    /// When it is no model at its starting values, or a coefficient is none.
    pub fn from_toml(text: &str) -> Result<Self, StudyModelError> {
        let mut table: toml::Table = toml::from_str(text).map_err(|error| StudyModelError::Syntax {
            said: error.message().split_whitespace().collect::<Vec<_>>().join(" "),
        })?;
        let stated = stated_coefficients(&table)?;
        table.remove("coefficient");
        let covariates = listed_names(&table, "covariate");
        if let Some(index) = stated
            .iter()
            .position(|coefficient| covariates.contains(&coefficient.name.as_str()))
        {
            return Err(StudyModelError::Coefficient {
                position: index + 1,
                found: format!("{}, which is a covariate too", stated[index].name),
                expected: "a name of its own",
            });
        }
        let start = Model::from_toml(&at_start(text, &stated))?;
        if let Some(parameter) = start
            .parameters
            .iter()
            .find(|parameter| parameter.sd_log_between_occasion > 0.0)
        {
            return Err(StudyModelError::BetweenOccasions { name: parameter.name });
        }
        let (coefficients, texts) = if stated.is_empty() {
            factors(&start)
        } else {
            (stated, formula_texts(&table))
        };
        let parameters = parameters(&start, &coefficients, &texts)?;
        for (index, coefficient) in coefficients.iter().enumerate() {
            let place = start.covariates.len() + index;
            if !parameters
                .iter()
                .any(|parameter| parameter.formula.covariates().contains(&place))
            {
                return Err(StudyModelError::CoefficientUnused {
                    name: coefficient.name.clone(),
                });
            }
        }
        Ok(Self {
            start,
            coefficients,
            parameters,
            table,
        })
    }

    /// The study of these persons, whose covariates stand in the order of the model's.
    #[must_use]
    pub fn study(&self, persons: Vec<Person>) -> Study<'_> {
        let part = |value: f64| {
            if value > 0.0 {
                ResidualPart::Estimated(value)
            } else {
                ResidualPart::Absent
            }
        };
        Study {
            structure: self.start.structure,
            typical: self,
            between_knots: BetweenKnots::Constant,
            coefficients: self.coefficients.clone(),
            effects: blocks(&self.start),
            residual: match self.start.residual {
                ResidualError::Combined {
                    additive_sd,
                    proportional_sd,
                } => StudyResidual::Combined {
                    additive_sd: part(additive_sd),
                    proportional_sd: part(proportional_sd),
                },
                ResidualError::Log { sigma } => StudyResidual::Log { sigma: part(sigma) },
            },
            persons,
        }
    }
}

impl TypicalValues for StudyModel {
    fn typical(&self, coefficients: &[f64], covariates: &[f64]) -> Result<Parameters, String> {
        let known: Vec<f64> = covariates.iter().chain(coefficients).copied().collect();
        let mut values = Parameters::new();
        for parameter in &self.parameters {
            let value = parameter
                .formula
                .value(&known)
                .map_err(|error| format!("{}: {error}", parameter.name))?;
            values.set(parameter.name, value * parameter.to_core_unit);
        }
        Ok(values)
    }
}

/// Names formulas of a study may use: covariates, then coefficients.
fn names<'n>(covariates: &'n [Covariate], coefficients: &'n [Coefficient]) -> Vec<Name<'n>> {
    let of_covariates = covariates.iter().map(|covariate| Name {
        name: &covariate.name,
        is_flag: covariate.unit == CovariateUnit::Flag,
    });
    let of_coefficients = coefficients.iter().map(|coefficient| Name {
        name: &coefficient.name,
        is_flag: false,
    });
    of_covariates.chain(of_coefficients).collect()
}

fn stated_coefficients(table: &toml::Table) -> Result<Vec<Coefficient>, StudyModelError> {
    let Some(stated) = table.get("coefficient") else {
        return Ok(Vec::new());
    };
    let wrong = |position: usize, found: String, expected| StudyModelError::Coefficient {
        position,
        found,
        expected,
    };
    let list = stated
        .as_array()
        .ok_or_else(|| wrong(1, stated.to_string(), "[[coefficient]] tables"))?;
    let mut coefficients: Vec<Coefficient> = Vec::new();
    for (index, entry) in list.iter().enumerate() {
        let position = index + 1;
        let entry = entry
            .as_table()
            .ok_or_else(|| wrong(position, entry.to_string(), "a table"))?;
        if let Some(key) = entry
            .keys()
            .find(|key| !["name", "start", "positive"].contains(&key.as_str()))
        {
            return Err(wrong(
                position,
                format!("the key {key}"),
                "name, start and positive",
            ));
        }
        let name = entry
            .get("name")
            .and_then(toml::Value::as_str)
            .unwrap_or_default();
        let well = name.starts_with(|c: char| c.is_ascii_alphabetic())
            && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
            && !matches!(name, "exp" | "ln" | "if")
            && !coefficients.iter().any(|other| other.name == name);
        if !well {
            let found = format!("the name {name:?}");
            return Err(wrong(
                position,
                found,
                "a name of letters, figures and _, each once",
            ));
        }
        let start = entry.get("start").and_then(|start| {
            start
                .as_float()
                .or_else(|| start.as_integer().map(|whole| whole as f64))
        });
        let positive = match entry.get("positive") {
            None => true,
            Some(said) => said
                .as_bool()
                .ok_or_else(|| wrong(position, format!("positive = {said}"), "true or false"))?,
        };
        let start = start
            .filter(|start| start.is_finite() && (*start > 0.0 || !positive))
            .ok_or_else(|| {
                let found = entry
                    .get("start")
                    .map_or("no start".to_owned(), |start| format!("start = {start}"));
                wrong(
                    position,
                    found,
                    "a starting value, above zero unless positive = false",
                )
            })?;
        coefficients.push(Coefficient {
            name: name.to_owned(),
            start,
            scale: if positive {
                CoefficientScale::Positive
            } else {
                CoefficientScale::Any
            },
        });
    }
    Ok(coefficients)
}

/// Names of the tables of one kind.
fn listed_names<'t>(table: &'t toml::Table, key: &str) -> Vec<&'t str> {
    let list = table.get(key).and_then(toml::Value::as_array);
    let entries = list.into_iter().flatten().filter_map(toml::Value::as_table);
    entries.filter_map(|entry| entry.get("name")?.as_str()).collect()
}

/// The text with coefficients in formulas replaced by their starts and their own tables blanked, line for line, so that problems still point
/// at the right line.
fn at_start(text: &str, coefficients: &[Coefficient]) -> String {
    let mut own = false;
    let mut out = String::with_capacity(text.len());
    for line in text.lines() {
        let trimmed = line.trim_start();
        if trimmed.starts_with('[') {
            own = trimmed.trim_end().starts_with("[[coefficient]]");
        }
        if own {
            out.push('\n');
            continue;
        }
        match trimmed.split_once('=') {
            Some((key, formula)) if key.trim() == "formula" => {
                out.push_str("formula =");
                out.push_str(&replaced(formula, |name| {
                    coefficients
                        .iter()
                        .find(|c| c.name == name)
                        .map(|c| plain(c.start))
                }));
            }
            _ => out.push_str(line),
        }
        out.push('\n');
    }
    out
}

/// A formula with some names replaced.
pub(super) fn replaced(formula: &str, by: impl Fn(&str) -> Option<String>) -> String {
    let mut out = String::new();
    let mut name = String::new();
    for c in formula.chars().chain(['\n']) {
        // A figure after a figure is a number; a name begins with a letter.
        if c.is_ascii_alphanumeric() || c == '_' {
            name.push(c);
            continue;
        }
        match by(&name) {
            Some(text) => out.push_str(&text),
            None => out.push_str(&name),
        }
        name.clear();
        if c != '\n' {
            out.push(c);
        }
    }
    out
}

/// A number as formulas write it: no exponent, in parentheses when below zero.
pub(super) fn plain(value: f64) -> String {
    if value < 0.0 {
        format!("({value})")
    } else {
        format!("{value}")
    }
}

fn formula_texts(table: &toml::Table) -> Vec<(ParameterName, String)> {
    let parameters = table.get("parameter").and_then(toml::Value::as_array);
    let entries = parameters.into_iter().flatten().filter_map(toml::Value::as_table);
    entries
        .filter_map(|entry| {
            let name = ParameterName::from_symbol(entry.get("name")?.as_str()?)?;
            Some((name, entry.get("formula")?.as_str()?.to_owned()))
        })
        .collect()
}

/// The coefficients of a model that states none, and its formulas with them.
fn factors(start: &Model) -> (Vec<Coefficient>, Vec<(ParameterName, String)>) {
    let mut coefficients = Vec::new();
    let mut texts = Vec::new();
    for parameter in &start.parameters {
        let text = parameter.formula.text();
        if parameter.sd_log_between_subject <= 0.0 {
            texts.push((parameter.name, text.to_owned()));
            continue;
        }
        let number = text.trim().parse::<f64>().ok().filter(|number| *number > 0.0);
        let (name, formula) = match number {
            Some(_) => (
                format!("typical_{}", parameter.name),
                format!("typical_{}", parameter.name),
            ),
            None => (
                format!("factor_{}", parameter.name),
                format!("factor_{} * ({text})", parameter.name),
            ),
        };
        coefficients.push(Coefficient {
            name,
            start: number.unwrap_or(1.0),
            scale: CoefficientScale::Positive,
        });
        texts.push((parameter.name, formula));
    }
    (coefficients, texts)
}

fn parameters(
    start: &Model,
    coefficients: &[Coefficient],
    texts: &[(ParameterName, String)],
) -> Result<Vec<StudyParameter>, StudyModelError> {
    let names = names(&start.covariates, coefficients);
    let mut parameters = Vec::with_capacity(start.parameters.len());
    for parameter in &start.parameters {
        let name = parameter.name;
        let text = texts.iter().find(|(other, _)| *other == name);
        let text = text.map_or(parameter.formula.text(), |(_, text)| text.as_str());
        parameters.push(StudyParameter {
            name,
            formula: Formula::parse(text, &names).map_err(|why| StudyModelError::Formula { name, why })?,
            to_core_unit: parameter.to_core_unit,
        });
    }
    Ok(parameters)
}

/// Effects of parameters with a spread; those joined by correlations, directly or through others, in one block.
fn blocks(start: &Model) -> Vec<EffectBlock> {
    let varying: Vec<(ParameterName, f64)> = start
        .parameters
        .iter()
        .filter(|parameter| parameter.sd_log_between_subject > 0.0)
        .map(|parameter| (parameter.name, parameter.sd_log_between_subject))
        .collect();
    let correlation = |a: ParameterName, b: ParameterName| {
        let found = start
            .correlations
            .iter()
            .find(|c| c.between == [a, b] || c.between == [b, a]);
        found.map(|correlation| correlation.r)
    };
    let mut left = varying.clone();
    let mut blocks = Vec::new();
    while !left.is_empty() {
        let mut members = vec![left.remove(0)];
        while let Some(next) = left.iter().position(|(name, _)| {
            members
                .iter()
                .any(|(member, _)| correlation(*member, *name).is_some())
        }) {
            members.push(left.remove(next));
        }
        let size = members.len();
        let mut covariance = vec![0.0; size * size];
        for (i, (a, sd_a)) in members.iter().enumerate() {
            for (j, (b, sd_b)) in members.iter().enumerate() {
                let r = if i == j {
                    1.0
                } else {
                    correlation(*a, *b).unwrap_or(0.0)
                };
                covariance[i * size + j] = r * sd_a * sd_b;
            }
        }
        blocks.push(EffectBlock {
            parameters: members.into_iter().map(|(name, _)| name).collect(),
            covariance,
            fixed: false,
        });
    }
    blocks
}
