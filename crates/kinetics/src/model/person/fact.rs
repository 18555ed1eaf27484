//! Facts about a person, their names and their units.

use crate::model::{Covariate, CovariateUnit, RenalEquation};
use crate::refusal::{Refusal, RefusalCode};

/// A covariate's value from a time on.
#[derive(Debug, Clone, PartialEq)]
pub struct CovariateFact {
    /// The model's name of it or the plain one: `weight_kg`, `weight`, `creatinine`, `hct`, `haematocrit`, `height`.
    pub name: String,
    /// The value.
    pub value: f64,
    /// Its unit: `kg`, `g`, `umol/L`, `mg/dL`, `L/L`, `%`, `0/1`, ….
    pub unit: String,
    /// From when it holds (h); `None`: throughout. A value also holds before its time when none is earlier.
    pub from_h: Option<f64>,
    /// The equation of a filtration estimate.
    pub equation: Option<RenalEquation>,
    /// Where it comes from, for people: `request`, `clinic`, ….
    pub origin: String,
}

impl CovariateFact {
    /// A value that holds throughout.
    #[must_use]
    pub fn throughout(name: &str, value: f64, unit: &str) -> Self {
        Self {
            name: name.to_owned(),
            value,
            unit: unit.to_owned(),
            from_h: None,
            equation: None,
            origin: "stated".to_owned(),
        }
    }
}

/// One name for one quantity, however a model or a clinic writes it.
#[must_use]
pub fn canonical_name(name: &str) -> String {
    let lower = name.to_lowercase();
    match lower.as_str() {
        "scr_umol"
        | "scr_mg_dl"
        | "scr"
        | "creatinine_umol_l"
        | "creatinine_umol_per_l"
        | "creatinine_mg_dl" => "creatinine",
        "hct" | "hct_l_l" | "hematocrit" => "haematocrit",
        "age_y" | "age_years" => "age",
        "weight_kg" => "weight",
        "birth_weight_kg" => "birth_weight",
        "albumin_g_l" => "albumin",
        "bsa_m2" => "bsa",
        "lean_kg" => "lean_weight",
        "ideal_weight_kg" => "ideal_weight",
        "height_cm" => "height",
        "pna_days" => "pna",
        "pma_weeks" => "pma",
        "ga_weeks" => "ga",
        _ => lower.as_str(),
    }
    .to_owned()
}

/// Micromole a litre of one milligram a decilitre of creatinine (molar mass 113.12 g/mol).
pub(super) const CREATININE_UMOL_PER_MG_DL: f64 = 88.4;

/// The factor from a unit as written to the model's; `None`: not a unit of the quantity.
fn factor(name: &str, from: &str, to: CovariateUnit) -> Option<f64> {
    use CovariateUnit as U;
    if from == to.text() {
        return Some(1.0);
    }
    let creatinine = canonical_name(name) == "creatinine";
    Some(match (from, to) {
        ("g", U::Kilogram) => 0.001,
        ("%", U::LitrePerLitre) => 0.01,
        ("L/L" | "1" | "{fraction}", U::LitrePerLitre) => 1.0,
        ("umol/L", U::MilligramPerDecilitre) if creatinine => 1.0 / CREATININE_UMOL_PER_MG_DL,
        ("mg/dL", U::MicromolePerLitre) if creatinine => CREATININE_UMOL_PER_MG_DL,
        ("g/dL", U::GramPerLitre) => 10.0,
        ("year" | "a" | "y", U::Year) => 1.0,
        ("month" | "months" | "mo", U::Year) => 1.0 / 12.0,
        ("day" | "days" | "d", U::Year) => 1.0 / 365.25,
        ("week" | "wk", U::Week) => 1.0,
        ("day" | "days" | "d", U::Week) => 1.0 / 7.0,
        ("days" | "d", U::Day) => 1.0,
        ("weeks" | "week" | "wk", U::Day) => 7.0,
        ("h", U::Day) => 1.0 / 24.0,
        ("m^2" | "m²", U::SquareMetre) => 1.0,
        ("mL/min/{1.73_m2}" | "mL/min/1.73 m2", U::MillilitrePerMinutePerSurface) => 1.0,
        ("mL/s", U::MillilitrePerMinute) => 60.0,
        ("1", U::Flag | U::Copies) => 1.0,
        _ => return None,
    })
}

/// What a number of creatinine can be in a living person, µmol/L: an adult in kidney failure to a newborn. Common
/// practice, no source.
const CREATININE_PLAUSIBLE_UMOL: [f64; 2] = [8.0, 2000.0];

/// A fact's value in the unit a model wants.
///
/// # Errors
/// An unknown unit, a value that no living person has (named, with the unit it would make sense in when there is one),
/// a filtration estimate of another equation, a flag that is neither 0 nor 1.
pub fn in_model_unit(fact: &CovariateFact, covariate: &Covariate) -> Result<f64, Refusal> {
    let name = &covariate.name;
    let Some(factor) = factor(name, &fact.unit, covariate.unit) else {
        return Err(Refusal::new(
            RefusalCode::CovariateUnit,
            format!("{name} is given in {:?}, which is no unit of it", fact.unit),
            format!("{name} in {}", covariate.unit.text()),
        ));
    };
    let shown = format!("{} {}", fact.value, fact.unit);
    if covariate.unit.is_renal_estimate() && fact.equation != covariate.equation {
        let needed = covariate.equation.map_or("", RenalEquation::text);
        let given = fact.equation.map_or("no equation", RenalEquation::text);
        return Err(Refusal::new(
            RefusalCode::RenalEquation,
            format!("{name} of {shown} was estimated by {given}; the model was built on {needed}"),
            format!("{name} estimated by {needed}"),
        ));
    }
    let value = fact.value * factor;
    let [least, most] = covariate.possible;
    if !value.is_finite() || value < least || value > most {
        return Err(impossible(fact, covariate, &shown));
    }
    if canonical_name(name) == "creatinine" {
        let umol = creatinine_umol(value, covariate.unit);
        if !is_plausible_creatinine(umol) {
            return Err(impossible(fact, covariate, &shown));
        }
    }
    let counts = matches!(covariate.unit, CovariateUnit::Flag | CovariateUnit::Copies);
    if counts && libm::floor(value) < value {
        return Err(Refusal::new(
            RefusalCode::CovariateImpossible,
            format!("{name} is a count, not {shown}"),
            format!("a whole number from {least} to {most}"),
        ));
    }
    Ok(value)
}

fn is_plausible_creatinine(umol: f64) -> bool {
    (CREATININE_PLAUSIBLE_UMOL[0]..=CREATININE_PLAUSIBLE_UMOL[1]).contains(&umol)
}

fn creatinine_umol(value: f64, unit: CovariateUnit) -> f64 {
    if unit == CovariateUnit::MilligramPerDecilitre {
        value * CREATININE_UMOL_PER_MG_DL
    } else {
        value
    }
}

/// Names the unit in which the number would make sense, if there is one.
fn impossible(fact: &CovariateFact, covariate: &Covariate, shown: &str) -> Refusal {
    let name = &covariate.name;
    let [least, most] = covariate.possible;
    let creatinine = canonical_name(name) == "creatinine";
    let others: &[&str] = match covariate.unit {
        CovariateUnit::Kilogram => &["kg", "g"],
        CovariateUnit::LitrePerLitre => &["L/L", "%"],
        CovariateUnit::GramPerLitre => &["g/L", "g/dL"],
        CovariateUnit::MicromolePerLitre | CovariateUnit::MilligramPerDecilitre if creatinine => {
            &["umol/L", "mg/dL"]
        }
        _ => &[],
    };
    let fits = others.iter().find(|unit| {
        factor(name, unit, covariate.unit).is_some_and(|factor| {
            let value = fact.value * factor;
            let plausible = if creatinine {
                let umol = creatinine_umol(value, covariate.unit);
                is_plausible_creatinine(umol)
            } else {
                true
            };
            **unit != fact.unit && value >= least && value <= most && plausible
        })
    });
    match fits {
        Some(unit) => Refusal::new(
            RefusalCode::CovariateUnitDoubtful,
            format!(
                "{name} of {shown} is not possible, but {} {unit} would be",
                fact.value
            ),
            format!("{name} with its true unit"),
        ),
        None => Refusal::new(
            RefusalCode::CovariateImpossible,
            format!("{name} of {shown} is not possible in a living person"),
            format!("{name} between {least} and {most} {}", covariate.unit.text()),
        ),
    }
}
