//! A study's folder: `model.toml`, `observations.csv` and, when the model has covariates, `covariates.csv`.

mod covariates;
mod observations;

use crate::problem::{FormatProblem, FormatWarning, Problems};
use crate::text::read_text;
use spotwright_domain::concentration::ConcentrationUnit;
use std::path::Path;

/// The table of doses and levels.
pub const OBSERVATIONS: &str = "observations.csv";
/// The model's file.
pub const STUDY_MODEL: &str = "model.toml";
/// Largest model file (bytes).
const LARGEST_MODEL: u64 = 1024 * 1024;

/// A covariate the study's model names.
#[derive(Debug, Clone, PartialEq)]
pub struct CovariateName {
    /// Its name.
    pub name: String,
    /// Least and greatest value a living person can have.
    pub possible: [f64; 2],
    /// Its unit, for messages.
    pub unit: String,
}

/// How a dose of a study was given.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StudyRoute {
    /// By mouth, muscle, skin or rectum.
    Extravascular,
    /// At once into a vein.
    Bolus,
    /// Into a vein at a constant rate for so many minutes.
    Infusion {
        /// Minutes.
        infusion_min: f64,
    },
}

/// A dose of a study.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StudyDose {
    /// When (h on the person's own time axis).
    pub time_h: f64,
    /// Amount (mg).
    pub amount_mg: f64,
    /// How.
    pub route: StudyRoute,
    /// When given: this dose is the latest of a regimen at this interval (h) that has reached its steady state.
    pub interval_h: Option<f64>,
}

/// A level of a study.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StudyLevel {
    /// When (h on the person's own time axis).
    pub time_h: f64,
    /// The level, or the limit it lies below.
    pub value: f64,
    /// Whether it lies below `value`, the lower limit of quantification.
    pub below_limit: bool,
    /// Unit of `value`.
    pub unit: ConcentrationUnit,
    /// Line of the table, for messages.
    pub line: u32,
}

/// A covariate's value from a time on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StudyCovariate {
    /// Position in the list of names the study was read with.
    pub covariate: usize,
    /// From when (h); the first of a person also before.
    pub from_h: f64,
    /// The value.
    pub value: f64,
}

/// A person of a study.
#[derive(Debug, Clone, PartialEq)]
pub struct StudyPerson {
    /// Code.
    pub id: String,
    /// Doses in order of time.
    pub doses: Vec<StudyDose>,
    /// Levels in order of time.
    pub levels: Vec<StudyLevel>,
    /// Covariates in order of time.
    pub covariates: Vec<StudyCovariate>,
}

/// Reads a study's model file as text.
///
/// # Errors
/// When it is not there, or no text.
pub fn read_study_model(folder: &Path) -> Result<String, Vec<FormatProblem>> {
    let read = read_text(&folder.join(STUDY_MODEL), STUDY_MODEL, LARGEST_MODEL);
    read.map(|(text, _)| text).map_err(|problem| vec![*problem])
}

/// Reads a study's tables, persons in the order of their first line.
///
/// # Errors
/// Every problem of the tables, with its place.
pub fn read_study(
    folder: &Path,
    covariates: &[CovariateName],
) -> Result<(Vec<StudyPerson>, Vec<FormatWarning>), Vec<FormatProblem>> {
    let mut problems = Problems::default();
    let mut persons = observations::read(folder, OBSERVATIONS, &mut problems);
    // A line that was refused leaves a gap that is no second mistake.
    if problems.count() == 0 {
        for person in &persons {
            observations::check_person(person, OBSERVATIONS, &mut problems);
        }
    }
    covariates::read(folder, covariates, &mut persons, &mut problems);
    let warnings = problems.finish()?;
    Ok((persons, warnings))
}

/// Reads one table of doses and levels of the form of [`OBSERVATIONS`], whatever its name.
///
/// # Errors
/// Every problem of the table, with its place.
pub fn read_profiles(file: &Path) -> Result<Vec<StudyPerson>, Vec<FormatProblem>> {
    let mut problems = Problems::default();
    let name = file.file_name().map(|name| name.to_string_lossy().into_owned());
    let folder = file.parent().unwrap_or(Path::new(""));
    let persons = observations::read(folder, &name.unwrap_or_default(), &mut problems);
    problems.finish()?;
    Ok(persons)
}
