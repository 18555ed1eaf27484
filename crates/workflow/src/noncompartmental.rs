//! Analyses the profiles of a table without a model.

use serde::Serialize;
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_exchange::{FormatProblem, StudyPerson, StudyRoute, read_profiles};
use spotwright_kinetics::noncompartmental::{
    Dose, Level, Noncompartmental, NoncompartmentalError, Route, Sample, noncompartmental,
};
use std::path::Path;

pub use spotwright_kinetics::noncompartmental::{
    AreaRule, Caution, IntervalEnd, Rules, StartRule, TerminalRule,
};

/// One person's analysis, or why there is none.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ProfileAnalysis {
    /// Who.
    pub person: String,
    /// Unit of the levels.
    pub level_unit: String,
    /// Unit of clearance: `L/h`, or `mg/(unit·h)` where levels are molar.
    pub clearance_unit: String,
    /// Unit of volumes: `L`, or `mg/unit` where levels are molar.
    pub volume_unit: String,
    /// The analysis.
    pub analysis: Option<Noncompartmental>,
    /// Why there is none.
    pub refused: Option<String>,
}

/// Every profile of a table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ProfilesReport {
    /// The file.
    pub file: String,
    /// The rules in sentences.
    pub rules: Vec<String>,
    /// The profiles, persons in the order of the file.
    pub profiles: Vec<ProfileAnalysis>,
}

/// Why one person's profile cannot be analysed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
enum ProfileError {
    #[error("{found} doses; an analysis without a model follows one dose, or one interval of a regimen")]
    Doses { found: usize },
    #[error("levels in {first} and in {other}")]
    Units {
        first: &'static str,
        other: &'static str,
    },
    #[error("no level")]
    NoLevel,
    #[error(transparent)]
    Analysis(#[from] NoncompartmentalError),
}

/// Analyses every person of the table.
///
/// # Errors
/// Every problem of the table. A person who cannot be analysed is among the profiles, with the reason.
pub fn analyse_profiles(file: &Path, rules: &Rules) -> Result<ProfilesReport, Vec<FormatProblem>> {
    let persons = read_profiles(file)?;
    let profiles = persons.iter().map(|person| {
        let unit = person.levels.first().map(|level| level.unit);
        let (level_unit, is_mass) =
            unit.map_or(("", true), |unit| (unit.ucum(), amount_in(1.0, unit).is_some()));
        let analysed = analyse(person, rules);
        ProfileAnalysis {
            person: person.id.clone(),
            level_unit: level_unit.to_owned(),
            clearance_unit: if is_mass {
                "L/h".to_owned()
            } else {
                format!("mg/({level_unit}·h)")
            },
            volume_unit: if is_mass {
                "L".to_owned()
            } else {
                format!("mg/({level_unit})")
            },
            refused: analysed.as_ref().err().map(ToString::to_string),
            analysis: analysed.ok(),
        }
    });
    Ok(ProfilesReport {
        file: file.display().to_string(),
        rules: rules.sentences(),
        profiles: profiles.collect(),
    })
}

fn analyse(person: &StudyPerson, rules: &Rules) -> Result<Noncompartmental, ProfileError> {
    let [dose] = person.doses.as_slice() else {
        return Err(ProfileError::Doses {
            found: person.doses.len(),
        });
    };
    let unit = person.levels.first().ok_or(ProfileError::NoLevel)?.unit;
    if let Some(other) = person.levels.iter().find(|level| level.unit != unit) {
        return Err(ProfileError::Units {
            first: unit.ucum(),
            other: other.unit.ucum(),
        });
    }
    let samples: Vec<Sample> = person
        .levels
        .iter()
        .map(|level| Sample {
            time_h: level.time_h - dose.time_h,
            level: if level.below_limit {
                Level::BelowLimit { lloq: level.value }
            } else {
                Level::Measured(level.value)
            },
        })
        .collect();
    let dose = Dose {
        amount: amount_in(dose.amount_mg, unit).unwrap_or(dose.amount_mg),
        route: match dose.route {
            StudyRoute::Extravascular => Route::Extravascular,
            StudyRoute::Bolus => Route::Bolus,
            StudyRoute::Infusion { infusion_min } => Route::Infusion {
                duration_h: infusion_min / 60.0,
            },
        },
        interval_h: dose.interval_h,
        steady_state: dose.interval_h.is_some(),
    };
    Ok(noncompartmental(&samples, &dose, rules)?)
}

/// An amount (mg) as so many of the unit's mass in a litre, so that clearance comes out in L/h; `None` for a molar unit.
fn amount_in(amount_mg: f64, unit: ConcentrationUnit) -> Option<f64> {
    ConcentrationUnit::MilligramPerLitre
        .convert(amount_mg, unit, None)
        .ok()
}
