//! Estimates a population from a study's folder: estimates, the fitted model, the visual predictive check.

use crate::output::folder::PartialFolder;
use serde::Serialize;
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::plot::PredictiveCheckPlot;
use spotwright_exchange::{
    CovariateName, FormatProblem, StudyCovariate, StudyPerson, StudyRoute, read_study, read_study_model,
};
use spotwright_kinetics::likelihood::Observation;
use spotwright_kinetics::model::Model;
use spotwright_kinetics::population::{
    ConvergenceProof, CovariateKnot, Estimate, Person, PersonEstimate, PopulationError, PopulationFit,
    PopulationOptions, Shrinkage, StudyModel, StudyModelError, estimate_population,
};
use spotwright_kinetics::predictive_check::{
    Binning, PredictiveCheckError, PredictiveCheckOptions, TimeSince, visual_predictive_check,
};
use spotwright_kinetics::structure::{DoseEvent, DoseHistory, Route, SteadyState};
use std::path::{Path, PathBuf};

/// The fitted model's file.
pub const FITTED_MODEL: &str = "fitted.toml";
/// The visual predictive check's file.
pub const PREDICTIVE_CHECK: &str = "vpc.svg";
/// The record's file.
pub const POPULATION_RECORD: &str = "population.json";

/// What is asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct PopulationRequest {
    /// Where results go; `None`: `results` in the study's folder.
    pub out: Option<PathBuf>,
    /// Different starts of the search.
    pub starts: usize,
    /// Seed of the other starts and of simulated studies.
    pub seed: u64,
    /// Studies to simulate for the check.
    pub simulated_studies: u32,
    /// Bins of time; `None`: by the number of levels.
    pub bins: Option<usize>,
    /// Whether the check is corrected for predictions.
    pub prediction_corrected: bool,
    /// Whether time counts from the latest dose.
    pub since_last_dose: bool,
}

/// What was found, as `population.json` holds it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PopulationRecord {
    /// Version of the program.
    pub program_version: String,
    /// Id of the starting model.
    pub model: String,
    /// How it was estimated.
    pub method: String,
    /// Persons.
    pub persons: usize,
    /// Levels within the range of quantification.
    pub levels: usize,
    /// Levels below the limit.
    pub levels_below_limit: usize,
    /// Every estimate.
    pub estimates: Vec<Estimate>,
    /// −2 log likelihood, constants included.
    pub minus_two_log_likelihood: f64,
    /// Akaike's criterion.
    pub akaike: f64,
    /// Condition number of the estimates' correlations.
    pub condition_number: f64,
    /// Shrinkage of each random effect.
    pub shrinkage: Vec<Shrinkage>,
    /// Shrinkage of the residuals (%).
    pub residual_shrinkage_pct: f64,
    /// What shows convergence.
    pub convergence: ConvergenceProof,
    /// Parameters of `person_estimates`' effects, in order.
    pub effects: Vec<String>,
    /// Each person's random effects.
    pub person_estimates: Vec<PersonEstimate>,
    /// The visual predictive check in numbers.
    pub predictive_check: PredictiveCheckPlot,
}

/// Why there is no population.
#[derive(Debug, thiserror::Error)]
pub enum PopulationActError {
    /// The study's files are not as they should be.
    #[error("{} problem{} in the study's files", .0.len(), if .0.len() == 1 { "" } else { "s" })]
    Files(Vec<FormatProblem>),
    /// The model is none.
    #[error("model.toml: {0}")]
    Model(#[from] StudyModelError),
    /// A level's unit cannot become the model's.
    #[error("person {person}: a level in {found} cannot be told in the model's {expected}")]
    Unit {
        /// Who.
        person: String,
        /// The table's unit.
        found: &'static str,
        /// The model's.
        expected: &'static str,
    },
    /// A dose into a vein under a model of oral doses.
    #[error(
        "person {person}: a dose into a vein, but the model's clearance and volume are apparent (oral doses only)"
    )]
    IntravenousUnderApparent {
        /// Who.
        person: String,
    },
    /// A steady state that is not at the beginning.
    #[error(
        "person {person}: interval_h stands on a later dose; only the first dose listed can be the latest of a regimen in steady state"
    )]
    SteadyStateLater {
        /// Who.
        person: String,
    },
    /// No estimate.
    #[error(transparent)]
    Refused(#[from] PopulationError),
    /// No check.
    #[error("no visual predictive check: {0}")]
    Check(#[from] PredictiveCheckError),
    /// A file could not be written.
    #[error("{}: {source}", path.display())]
    File {
        /// The file or folder.
        path: PathBuf,
        /// The cause.
        source: std::io::Error,
    },
}

/// Estimates the study and writes the fitted model, the check's figure and the record.
///
/// # Errors
/// When files are wrong, when the population cannot be estimated with proof, or when the disk refuses.
pub fn estimate_study(
    folder: &Path,
    request: &PopulationRequest,
) -> Result<(PopulationRecord, PathBuf), PopulationActError> {
    let text = read_study_model(folder).map_err(PopulationActError::Files)?;
    let model = StudyModel::from_toml(&text)?;
    let (read, _) = read_study(folder, &covariate_names(&model.start)).map_err(PopulationActError::Files)?;
    let persons = persons(&read, &model.start)?;
    let study = model.study(persons);
    let options = PopulationOptions {
        starts: request.starts,
        seed: request.seed,
    };
    let fit = estimate_population(&study, &options)?;
    let levels = fit.levels + fit.censored_levels;
    let check = PredictiveCheckOptions {
        simulated_studies: request.simulated_studies,
        seed: request.seed,
        // A dozen levels a bin at least, so that its outer percentiles mean something.
        binning: Binning::EqualCounts(request.bins.unwrap_or((levels / 12).clamp(2, 8))),
        prediction_corrected: request.prediction_corrected,
        time_since: if request.since_last_dose {
            TimeSince::LastDose
        } else {
            TimeSince::FirstDose
        },
        lower_limit: None,
        unit: model.start.concentration_unit.ucum().to_owned(),
    };
    let predictive_check = visual_predictive_check(&study, &fit.values, &check)?;
    let fitted = model.fitted_toml(&fit, &study.persons);
    let record = record(&model.start, study.persons.len(), fit, predictive_check);
    let out = request.out.clone().unwrap_or_else(|| folder.join("results"));
    write(&out, &fitted, &record).map_err(|source| PopulationActError::File {
        path: out.clone(),
        source,
    })?;
    Ok((record, out))
}

fn covariate_names(model: &Model) -> Vec<CovariateName> {
    let covariates = model.covariates.iter();
    covariates
        .map(|covariate| CovariateName {
            name: covariate.name.clone(),
            possible: covariate.possible,
            unit: covariate.unit.text().to_owned(),
        })
        .collect()
}

fn persons(read: &[StudyPerson], model: &Model) -> Result<Vec<Person>, PopulationActError> {
    read.iter().map(|person| of_person(person, model)).collect()
}

fn of_person(person: &StudyPerson, model: &Model) -> Result<Person, PopulationActError> {
    let mut history = DoseHistory::default();
    for (index, dose) in person.doses.iter().enumerate() {
        let route = match dose.route {
            StudyRoute::Extravascular => Route::Extravascular,
            StudyRoute::Bolus => Route::Bolus,
            StudyRoute::Infusion { infusion_min } => Route::Infusion {
                duration_h: infusion_min / 60.0,
            },
        };
        if model.apparent && route != Route::Extravascular {
            return Err(PopulationActError::IntravenousUnderApparent {
                person: person.id.clone(),
            });
        }
        let event = DoseEvent::new(dose.time_h, dose.amount_mg, route);
        match dose.interval_h {
            None => history.doses.push(event),
            Some(interval_h) if index == 0 => {
                history.steady_state = Some(SteadyState {
                    dose: event,
                    interval_h,
                });
            }
            Some(_) => {
                return Err(PopulationActError::SteadyStateLater {
                    person: person.id.clone(),
                });
            }
        }
    }
    let mut observations = Vec::with_capacity(person.levels.len());
    for level in &person.levels {
        let value = in_unit(level.value, level.unit, model.concentration_unit, &person.id)?;
        observations.push(if level.below_limit {
            Observation::below_limit(level.time_h, value)
        } else {
            Observation::quantified(level.time_h, value)
        });
    }
    Ok(Person {
        id: person.id.clone(),
        history,
        observations,
        covariates: knots(&person.covariates, model.covariates.len()),
    })
}

fn in_unit(
    value: f64,
    from: ConcentrationUnit,
    to: ConcentrationUnit,
    person: &str,
) -> Result<f64, PopulationActError> {
    from.convert(value, to, None)
        .map_err(|_| PopulationActError::Unit {
            person: person.to_owned(),
            found: from.ucum(),
            expected: to.ucum(),
        })
}

/// Values over time; a covariate's first value also holds before it was told.
fn knots(told: &[StudyCovariate], count: usize) -> Vec<CovariateKnot> {
    let first = |covariate: usize| {
        told.iter()
            .find(|value| value.covariate == covariate)
            .map(|value| value.value)
    };
    let mut values: Vec<f64> = (0..count).filter_map(first).collect();
    let mut knots = vec![CovariateKnot {
        from_h: told.first().map_or(0.0, |value| value.from_h),
        values: values.clone(),
    }];
    for same in told.chunk_by(|a, b| a.from_h.total_cmp(&b.from_h).is_eq()) {
        for value in same {
            values[value.covariate] = value.value;
        }
        let from_h = same[0].from_h;
        match knots.last_mut() {
            Some(last) if last.from_h >= from_h => last.values.clone_from(&values),
            _ => knots.push(CovariateKnot {
                from_h,
                values: values.clone(),
            }),
        }
    }
    knots
}

fn record(
    model: &Model,
    persons: usize,
    fit: PopulationFit,
    predictive_check: PredictiveCheckPlot,
) -> PopulationRecord {
    PopulationRecord {
        program_version: crate::PROGRAM_VERSION.to_owned(),
        model: model.id.clone(),
        method: "first-order conditional estimation with interaction".to_owned(),
        persons,
        levels: fit.levels,
        levels_below_limit: fit.censored_levels,
        estimates: fit.estimates,
        minus_two_log_likelihood: fit.minus_two_log_likelihood,
        akaike: fit.akaike,
        condition_number: fit.condition_number,
        shrinkage: fit.shrinkage,
        residual_shrinkage_pct: fit.residual_shrinkage_pct,
        convergence: fit.convergence,
        effects: fit.effects.iter().map(|name| name.symbol().to_owned()).collect(),
        person_estimates: fit.persons,
        predictive_check,
    }
}

fn write(out: &Path, fitted: &str, record: &PopulationRecord) -> std::io::Result<()> {
    let folder = PartialFolder::create(out)?;
    std::fs::write(folder.path(FITTED_MODEL), fitted)?;
    if let Some(figure) = spotwright_report::figure::predictive_check(&record.predictive_check) {
        std::fs::write(folder.path(PREDICTIVE_CHECK), figure.standalone())?;
    }
    let json = serde_json::to_string_pretty(record).map_err(std::io::Error::other)?;
    std::fs::write(folder.path(POPULATION_RECORD), json + "\n")?;
    folder.finish()
}
