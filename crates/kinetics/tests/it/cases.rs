//! People, doses and levels for tests. Invented: they prove nothing about a method, only what the program does.

use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::matrix::Concentration;
use spotwright_domain::record::ResultVerdict;
use spotwright_kinetics::model::person::{CovariateFact, DoseStatement, Person, Repetition};
use spotwright_kinetics::model::{Model, embedded, embedded_text};
use spotwright_kinetics::options::{
    AcceptedConcentration, AcceptedValue, Case, Evidence, InterpretableLevel, SystemicMatrix,
};
use spotwright_numerics::random::RandomStream;

pub(crate) fn fact(name: &str, value: f64, unit: &str) -> CovariateFact {
    CovariateFact::throughout(name, value, unit)
}

pub(crate) fn person(facts: &[(&str, f64, &str)]) -> Person {
    Person {
        facts: facts
            .iter()
            .map(|(name, value, unit)| fact(name, *value, unit))
            .collect(),
        other_drugs: Some(Vec::new()),
        states: Some(Vec::new()),
        genotype_frequencies: None,
    }
}

pub(crate) fn every(time_h: f64, mg: f64, interval_h: f64) -> DoseStatement {
    DoseStatement {
        time_h,
        amount: mg,
        unit: Some("mg".to_owned()),
        route: "oral".to_owned(),
        infusion_h: None,
        basis: None,
        repetition: Repetition::Every {
            interval_h,
            until_h: None,
            running: false,
        },
        time_uncertainty: None,
    }
}

pub(crate) fn infused(time_h: f64, mg: f64, interval_h: f64, infusion_h: f64) -> DoseStatement {
    DoseStatement {
        route: "intravenous-infusion".to_owned(),
        infusion_h: Some(infusion_h),
        ..every(time_h, mg, interval_h)
    }
}

pub(crate) fn level<M: SystemicMatrix>(
    time_h: f64,
    value: f64,
    unit: ConcentrationUnit,
) -> InterpretableLevel<M> {
    let concentration = Concentration::<M>::new(value, 0.05 * value, unit).unwrap();
    let accepted = AcceptedConcentration::accept(
        ResultVerdict::Reportable,
        AcceptedValue::Quantified(concentration),
    );
    InterpretableLevel::new(time_h, accepted.unwrap())
}

/// A model signed by two invented people, so that it may advise.
pub(crate) fn signed(id: &str) -> Model {
    let digest = embedded(id).unwrap().digest;
    let signature = |name: &str| {
        format!(
            "\n[[sign_off]]\nname = \"{name}\"\nrole = \"pharmacologist\"\non = \"2026-11-25\"\ndigest = \"{digest}\"\n"
        )
    };
    let text = embedded_text(id).unwrap();
    Model::from_toml(&format!(
        "{text}{}{}",
        signature("Ingrid Holm"),
        signature("Tomas Vale")
    ))
    .unwrap()
}

/// A posterior for tests: the prior's independent normals, drawn in and moved.
pub(crate) fn evidence<M: SystemicMatrix>(case: &Case<'_, M>, mean: &[f64], narrowed: f64) -> Evidence {
    let effects = &case.problem().effects;
    let width = effects.between_subject.len();
    let mut random = RandomStream::new(11, 0);
    let mut draws = Vec::new();
    for _ in 0..1000 {
        for k in 0..width {
            let sd = effects.covariance[k * width + k].sqrt();
            draws.push(mean.get(k).copied().unwrap_or(0.0) + narrowed * sd * random.normal());
        }
    }
    Evidence {
        draws,
        width,
        effective_draws: 1000.0,
        not_converged: None,
        surprises: Vec::new(),
    }
}

pub(crate) fn tacrolimus_adult() -> Person {
    person(&[
        ("cyp3a5_1_carrier", 0.0, "0/1"),
        ("cyp3a4_22_carrier", 0.0, "0/1"),
        ("hct", 0.34, "L/L"),
        ("creatinine", 135.0, "umol/L"),
        ("albumin", 42.0, "g/L"),
        ("age_y", 56.0, "years"),
        ("bsa_m2", 1.93, "m2"),
        ("lean_kg", 59.8, "kg"),
        ("weight_kg", 80.0, "kg"),
    ])
}

pub(crate) fn newborn() -> Person {
    person(&[
        ("weight_kg", 2.4, "kg"),
        ("ga_weeks", 35.0, "weeks"),
        ("pna_days", 2.0, "day"),
        ("dopamine", 0.0, "0/1"),
    ])
}

pub(crate) fn phenytoin_adult() -> Person {
    person(&[
        ("weight_kg", 70.0, "kg"),
        ("age_y", 35.0, "years"),
        ("japanese", 0.0, "0/1"),
        ("albumin", 42.0, "g/L"),
    ])
}

pub(crate) fn sodium(statement: DoseStatement) -> DoseStatement {
    DoseStatement {
        basis: Some("capsule of the sodium salt".to_owned()),
        ..statement
    }
}

pub(crate) fn running(statement: DoseStatement) -> DoseStatement {
    let Repetition::Every {
        interval_h, until_h, ..
    } = statement.repetition
    else {
        return statement;
    };
    DoseStatement {
        repetition: Repetition::Every {
            interval_h,
            until_h,
            running: true,
        },
        ..statement
    }
}
