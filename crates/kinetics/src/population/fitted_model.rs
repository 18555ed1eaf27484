//! A fitted population as a model file of the project's form.

use super::result::PopulationFit;
use super::study::Person;
use super::study_model::{StudyModel, plain, replaced};
use crate::likelihood::ResidualError;
use crate::structure::ParameterName;
use spotwright_domain::figures::significant_figures;
use toml::{Table, Value};

/// Keys of a model file in the order of the project's own files.
const ORDER: [&str; 12] = [
    "id",
    "drug",
    "title",
    "confidence",
    "source",
    "matrix",
    "population",
    "structure",
    "covariate",
    "parameter",
    "correlation",
    "residual",
];
/// Ranges of a population, and the covariates that tell them.
const RANGES: [(&str, &[&str]); 6] = [
    ("age_years", &["age_y", "age_years"]),
    ("pna_days", &["pna_days"]),
    ("pma_weeks", &["pma_weeks"]),
    ("ga_weeks", &["ga_weeks"]),
    ("weight_kg", &["weight_kg"]),
    ("birth_weight_kg", &["birth_weight_kg"]),
];
/// Figures of an estimate in the file: rounding moves no prediction by more than a thousandth of its own uncertainty.
const FIGURES: usize = 6;

impl StudyModel {
    /// The fitted model as text: confidence low, every estimate with its provenance, ranges from the study's own persons.
    #[must_use]
    pub fn fitted_toml(&self, fit: &PopulationFit, persons: &[Person]) -> String {
        let mut table = self.table.clone();
        let said = said(fit, persons.len());
        table.remove("sign_off");
        set_text(&mut table, "confidence", "low");
        if let Some(source) = table.get_mut("source").and_then(Value::as_table_mut) {
            let citation = source
                .get("citation")
                .and_then(Value::as_str)
                .unwrap_or_default()
                .to_owned();
            set_text(source, "citation", "The study's own data; not published");
            set_text(source, "doi", "");
            set_text(
                source,
                "status",
                &format!("{said}; starting values from: {citation}"),
            );
        }
        self.set_population(&mut table, persons);
        self.set_covariates(&mut table, persons);
        self.set_parameters(&mut table, fit, &said);
        set_correlations(&mut table, fit, &said);
        set_residual(&mut table, &fit.values.residual, &said);
        written(&table)
    }

    fn set_population(&self, table: &mut Table, persons: &[Person]) {
        let Some(population) = table.get_mut("population").and_then(Value::as_table_mut) else {
            return;
        };
        population.insert(
            "n".to_owned(),
            Value::Integer(i64::try_from(persons.len()).unwrap_or(i64::MAX)),
        );
        let mut kept = Vec::new();
        for (range, names) in RANGES {
            let index = names
                .iter()
                .find_map(|name| self.start.covariate(name).map(|(index, _)| index));
            match index.and_then(|index| span(persons, index)) {
                Some([low, high]) => {
                    population.insert(
                        range.to_owned(),
                        Value::Array(vec![Value::Float(low), Value::Float(high)]),
                    );
                }
                None if population.contains_key(range) => kept.push(range),
                None => {}
            }
        }
        let provenance = if kept.is_empty() {
            "the study's own persons".to_owned()
        } else {
            format!(
                "the study's own persons; {} as stated with the starting model",
                kept.join(", ")
            )
        };
        set_text(population, "ranges_provenance", &provenance);
    }

    fn set_covariates(&self, table: &mut Table, persons: &[Person]) {
        for entry in entries(table, "covariate") {
            let found = entry
                .get("name")
                .and_then(Value::as_str)
                .and_then(|name| self.start.covariate(name))
                .and_then(|(index, covariate)| Some((span(persons, index)?, covariate)));
            if let Some(([low, high], covariate)) = found {
                entry.insert("low".to_owned(), Value::Float(low));
                entry.insert("high".to_owned(), Value::Float(high));
                entry.insert(
                    "default".to_owned(),
                    Value::Float(covariate.default.clamp(low, high)),
                );
            }
        }
    }

    fn set_parameters(&self, table: &mut Table, fit: &PopulationFit, said: &str) {
        for entry in entries(table, "parameter") {
            let symbol = entry.get("name").and_then(Value::as_str).unwrap_or_default();
            let Some(parameter) = self
                .parameters
                .iter()
                .find(|parameter| parameter.name.symbol() == symbol)
            else {
                continue;
            };
            let mut estimated = false;
            let value_of = |name: &str| {
                let index = self
                    .coefficients
                    .iter()
                    .position(|coefficient| coefficient.name == name)?;
                Some(plain(rounded(fit.values.coefficients[index])))
            };
            let formula = replaced(parameter.formula.text(), value_of);
            estimated |= formula != parameter.formula.text();
            entry.insert("formula".to_owned(), Value::String(formula));
            if let Some(k) = fit.effects.iter().position(|name| *name == parameter.name) {
                let spread = fit.values.covariance[k * fit.effects.len() + k].sqrt();
                entry.insert("sd_log_between_subject".to_owned(), Value::Float(rounded(spread)));
                estimated = true;
            }
            if estimated {
                set_text(entry, "provenance", &self.provenance(fit, parameter.name, said));
                entry.insert("verified".to_owned(), Value::Boolean(false));
            }
        }
    }

    /// Who estimated it, and how surely.
    fn provenance(&self, fit: &PopulationFit, name: ParameterName, said: &str) -> String {
        let place = self.start.covariates.len();
        let of = self.parameters.iter().find(|parameter| parameter.name == name);
        let own = of
            .into_iter()
            .flat_map(|parameter| parameter.formula.covariates());
        let coefficients = own
            .filter_map(|index| index.checked_sub(place))
            .map(|index| &self.coefficients[index].name);
        let mut errors = Vec::new();
        for wanted in coefficients.cloned().chain([format!("sd_log {name}")]) {
            if let Some(estimate) = fit.estimates.iter().find(|estimate| estimate.name == wanted) {
                errors.push(format!(
                    "{wanted} ± {}",
                    significant_figures(estimate.standard_error, 3)
                ));
            }
        }
        format!("{said}; standard errors: {}", errors.join(", "))
    }
}

fn said(fit: &PopulationFit, persons: usize) -> String {
    format!(
        "estimated by first-order conditional estimation with interaction from {persons} persons and {} levels, {} of them \
         outside the range of quantification; −2 log likelihood {}",
        fit.levels + fit.censored_levels,
        fit.censored_levels,
        significant_figures(fit.minus_two_log_likelihood, 7)
    )
}

fn set_correlations(table: &mut Table, fit: &PopulationFit, said: &str) {
    let size = fit.effects.len();
    for entry in entries(table, "correlation") {
        let between: Vec<Option<usize>> = entry
            .get("between")
            .and_then(Value::as_array)
            .into_iter()
            .flatten()
            .map(|name| {
                let name = ParameterName::from_symbol(name.as_str()?)?;
                fit.effects.iter().position(|effect| *effect == name)
            })
            .collect();
        if let [Some(i), Some(j)] = between[..] {
            let covariance = |a: usize, b: usize| fit.values.covariance[a * size + b];
            let r = covariance(i, j) / (covariance(i, i) * covariance(j, j)).sqrt();
            entry.insert("r".to_owned(), Value::Float(rounded(r)));
            set_text(entry, "provenance", said);
        }
    }
}

fn set_residual(table: &mut Table, residual: &ResidualError, said: &str) {
    let Some(section) = table.get_mut("residual").and_then(Value::as_table_mut) else {
        return;
    };
    match *residual {
        ResidualError::Combined {
            additive_sd,
            proportional_sd,
        } => {
            section.insert("additive_sd".to_owned(), Value::Float(rounded(additive_sd)));
            section.insert(
                "proportional_sd".to_owned(),
                Value::Float(rounded(proportional_sd)),
            );
        }
        ResidualError::Log { sigma } => {
            section.insert("sigma".to_owned(), Value::Float(rounded(sigma)));
        }
    }
    set_text(section, "provenance", said);
}

fn entries<'t>(table: &'t mut Table, key: &str) -> impl Iterator<Item = &'t mut Table> {
    let list = table.get_mut(key).and_then(Value::as_array_mut);
    list.into_iter().flatten().filter_map(Value::as_table_mut)
}

fn set_text(table: &mut Table, key: &str, text: &str) {
    table.insert(key.to_owned(), Value::String(text.to_owned()));
}

fn span(persons: &[Person], covariate: usize) -> Option<[f64; 2]> {
    let knots = persons.iter().flat_map(|person| &person.covariates);
    let values: Vec<f64> = knots
        .filter_map(|knot| knot.values.get(covariate).copied())
        .collect();
    let low = values.iter().copied().reduce(f64::min)?;
    let high = values.iter().copied().reduce(f64::max)?;
    Some([low, high])
}

/// An estimate as it stands in the file.
fn rounded(value: f64) -> f64 {
    significant_figures(value, FIGURES).parse().unwrap_or(value)
}

fn written(table: &Table) -> String {
    let mut out = String::new();
    let rest = table
        .keys()
        .map(String::as_str)
        .filter(|key| !ORDER.contains(key));
    let keys: Vec<&str> = ORDER
        .into_iter()
        .filter(|key| table.contains_key(*key))
        .chain(rest)
        .collect();
    for key in &keys {
        if !table[*key].is_table() && !is_tables(&table[*key]) {
            out.push_str(&format!("{key} = {}\n", table[*key]));
        }
    }
    for key in keys {
        write_tables(&mut out, key, &table[key]);
    }
    out
}

fn is_tables(value: &Value) -> bool {
    value
        .as_array()
        .is_some_and(|list| !list.is_empty() && list.iter().all(Value::is_table))
}

fn write_tables(out: &mut String, path: &str, value: &Value) {
    let tables: Vec<(&Table, bool)> = match value {
        Value::Table(table) => vec![(table, false)],
        Value::Array(list) if is_tables(value) => list
            .iter()
            .filter_map(Value::as_table)
            .map(|t| (t, true))
            .collect(),
        _ => return,
    };
    for (table, listed) in tables {
        out.push_str(&if listed {
            format!("\n[[{path}]]\n")
        } else {
            format!("\n[{path}]\n")
        });
        // The name first, as in the project's own files.
        let mut keys: Vec<&String> = table.keys().collect();
        keys.sort_by_key(|key| (*key != "name", *key != "between"));
        for key in &keys {
            if !table[*key].is_table() && !is_tables(&table[*key]) {
                out.push_str(&format!("{key} = {}\n", table[*key]));
            }
        }
        for key in keys {
            write_tables(out, &format!("{path}.{key}"), &table[key]);
        }
    }
}
