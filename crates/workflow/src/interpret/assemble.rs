//! From rows and records to a person's case: one axis of hours, one list of levels.

use super::person::{CaseLevel, LevelValue, PersonCase};
use spotwright_domain::record::ResultVerdict;
use spotwright_domain::request::{Covariate, Dose, DoseTaken, EarlierLevel, Request};
use spotwright_domain::target::{TargetQuantity as StatedQuantity, TargetRange as StatedRange};
use spotwright_kinetics::model::person::{CovariateFact, DoseStatement, Repetition};
use spotwright_kinetics::model::{MODEL_IDS, Model, embedded};
use spotwright_kinetics::options::{TargetQuantity, TargetRange};
use spotwright_kinetics::refusal::{Refusal, RefusalCode};
use spotwright_kinetics::structure::TimeUncertainty;

/// Half the width of a 95 % interval in standard uncertainties, for a level whose interval nobody states.
const COVERAGE_95: f64 = 1.96;

/// Hour zero of a case and the axis that begins there.
#[derive(Debug, Clone)]
pub(super) struct Axis {
    origin: String,
    origin_s: i64,
}

impl Axis {
    /// Begins at the earliest of these instants; `None`: there is none.
    pub(super) fn from_first<'t>(instants: impl Iterator<Item = (&'t str, i64)>) -> Option<Self> {
        instants
            .min_by_key(|(_, seconds)| *seconds)
            .map(|(text, seconds)| Self {
                origin: text.to_owned(),
                origin_s: seconds,
            })
    }

    pub(super) fn origin(&self) -> String {
        self.origin.clone()
    }

    pub(super) fn hours(&self, unix_s: i64) -> f64 {
        (unix_s - self.origin_s) as f64 / 3600.0
    }
}

/// A dose as the kinetics room takes it; `None`: it was not taken.
pub(super) fn statement(
    dose: &Dose,
    given_at_s: i64,
    until_s: Option<i64>,
    running: bool,
    axis: &Axis,
) -> Option<DoseStatement> {
    if dose.taken == DoseTaken::Missed {
        return None;
    }
    Some(DoseStatement {
        time_h: axis.hours(given_at_s),
        amount: dose.amount,
        unit: Some(dose.unit.clone()),
        route: dose.route.clone(),
        infusion_h: dose.infusion_min.map(|minutes| minutes / 60.0),
        basis: dose.basis.clone(),
        repetition: match dose.interval_h {
            None => Repetition::Once,
            Some(interval_h) => Repetition::Every {
                interval_h,
                until_h: until_s.map(|until| axis.hours(until)),
                running,
            },
        },
        time_uncertainty: dose
            .time_uncertainty_min
            .map(|minutes| TimeUncertainty::Normal { sd_h: minutes / 60.0 }),
    })
}

/// What stands against advice before any model is asked: a dose nobody knows of, a target no regimen can be held against.
pub(super) fn doubts<'d>(
    doses: impl Iterator<Item = &'d Dose>,
    stated: Option<&StatedRange>,
) -> Vec<Refusal> {
    let uncertain = doses
        .filter(|dose| dose.taken == DoseTaken::Uncertain)
        .map(|dose| {
            Refusal::new(
                RefusalCode::DoseUncertain,
                format!("nobody knows whether the dose of {} was taken", dose.given_at),
                "whether it was taken, asked of the person",
            )
        });
    let unfit = stated.filter(|stated| target(stated).is_none()).map(|_| {
        Refusal::new(
            RefusalCode::TargetUnfit,
            "the laboratory's target is for a level at any time: no regimen can be held against it",
            "a target for the trough, the peak or an area",
        )
    });
    uncertain.chain(unfit).collect()
}

/// A level written down elsewhere. Its result was released there, so it counts as reportable.
pub(super) fn earlier_level(level: &EarlierLevel, axis: &Axis) -> CaseLevel {
    let u = level.standard_uncertainty;
    let value = if level.below_lloq {
        LevelValue::Below(level.value)
    } else {
        let u = u.unwrap_or(0.0);
        LevelValue::Quantified {
            value: level.value,
            standard_uncertainty: u,
            interval_95: [
                (level.value - COVERAGE_95 * u).max(0.0),
                level.value + COVERAGE_95 * u,
            ],
        }
    };
    CaseLevel {
        time_h: axis.hours(level.taken_at_unix_s),
        taken_at: level.taken_at.clone(),
        verdict: ResultVerdict::Reportable,
        matrix: level.matrix,
        unit: level.unit,
        value,
        origin: match (u, level.below_lloq) {
            (None, false) => "As stated; its uncertainty was not.".to_owned(),
            _ => "As stated.".to_owned(),
        },
    }
}

pub(super) fn fact(covariate: &Covariate, axis: &Axis) -> CovariateFact {
    CovariateFact {
        name: covariate.name.clone(),
        value: covariate.value,
        unit: if covariate.unit == "1" {
            "0/1".to_owned()
        } else {
            covariate.unit.clone()
        },
        from_h: covariate.from_unix_s.map(|seconds| axis.hours(seconds)),
        equation: None,
        origin: "covariates.csv".to_owned(),
    }
}

/// What the request itself says, where no covariate of the same name is stated beside it.
pub(super) fn facts_of_request(request: &Request, stated: &[CovariateFact]) -> Vec<CovariateFact> {
    use spotwright_kinetics::model::person::canonical_name;
    let fact = |name: &str, value: Option<f64>, unit: &str| {
        value.map(|value| CovariateFact {
            origin: "request".to_owned(),
            ..CovariateFact::throughout(name, value, unit)
        })
    };
    let sex = match request.sex.as_deref() {
        Some("female") => Some(1.0),
        Some("male") => Some(0.0),
        _ => None,
    };
    [
        fact("weight", request.weight_kg, "kg"),
        fact("age", request.age_y, "years"),
        fact("creatinine", request.creatinine_umol_per_l, "umol/L"),
        fact("haematocrit", request.haematocrit, "L/L"),
        fact("female", sex, "0/1"),
    ]
    .into_iter()
    .flatten()
    .filter(|fact| {
        let name = canonical_name(&fact.name);
        stated.iter().all(|other| canonical_name(&other.name) != name)
    })
    .collect()
}

/// A target range of a method or case file.
pub(super) fn target(of: &StatedRange) -> Option<TargetRange> {
    Some(TargetRange {
        quantity: match of.quantity {
            StatedQuantity::Trough => TargetQuantity::Trough,
            StatedQuantity::Peak => TargetQuantity::Peak,
            StatedQuantity::Auc12h => TargetQuantity::Auc12h,
            StatedQuantity::Auc24h => TargetQuantity::Auc24h,
            // A range for any time says nothing of a regimen.
            StatedQuantity::Level => return None,
        },
        low: of.low,
        high: of.high,
        toxic_above: of.toxic_above,
        unit: of.unit,
        matrix: of.matrix,
        sampling: of.sampling_time.clone(),
        indication: of.indication.clone(),
        source: of.source.clone(),
        status: "stated by the laboratory".to_owned(),
        verified: true,
    })
}

/// Models for a case: those named, or every embedded one of the drug. `own` are the laboratory's files, which stand in
/// for embedded ones of the same id.
pub(super) fn models(drug: &str, named: &[String], own: &[Model]) -> Vec<(Model, f64)> {
    let find = |id: &str| {
        own.iter()
            .find(|model| model.id == id)
            .cloned()
            .or_else(|| embedded(id))
    };
    if !named.is_empty() {
        return named
            .iter()
            .filter_map(|id| find(id))
            .map(|model| (model, 1.0))
            .collect();
    }
    let others = own
        .iter()
        .filter(|model| model.drug == drug && !MODEL_IDS.contains(&model.id.as_str()))
        .cloned();
    MODEL_IDS
        .iter()
        .filter_map(|id| find(id))
        .filter(|model| model.drug == drug)
        .chain(others)
        .map(|model| (model, 1.0))
        .collect()
}

/// Sorts what must be in order of time.
pub(super) fn in_order(mut case: PersonCase) -> PersonCase {
    case.levels.sort_by(|a, b| a.time_h.total_cmp(&b.time_h));
    case.doses.sort_by(|a, b| a.time_h.total_cmp(&b.time_h));
    case
}
