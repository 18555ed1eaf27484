//! What options cost: target attainment of a population, and a full answer for one person.
//!
//! `cargo bench -p spotwright-kinetics --bench options`; the yardstick is `benches/baselines/attainment_numpy.py`.

use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::matrix::{Concentration, WholeBlood};
use spotwright_domain::record::ResultVerdict;
use spotwright_kinetics::model::person::{CovariateFact, DoseStatement, Person, Repetition};
use spotwright_kinetics::model::{Model, embedded, embedded_text};
use spotwright_kinetics::options::attainment::{Limits, Population, SimulatedRegimen, attainment};
use spotwright_kinetics::options::{
    AcceptedConcentration, AcceptedValue, Case, DrugTable, InterpretableLevel, Wanted, estimate_case, offer,
};

fn main() {
    divan::main();
}

/// 100 000 people, 336 hourly points, draws included; one core.
#[divan::bench]
fn attainment_of_100_000_people(bencher: divan::Bencher<'_, '_>) {
    let population = Population {
        clearance_l_per_h: 5.73,
        volume_l: 61.6,
        absorption_per_h: 0.564,
        sd_log_absorption: 0.6,
        covariance: [[0.1225, 0.03], [0.03, 0.16]],
        concentration_multiplier: 1.0,
    };
    let regimen = SimulatedRegimen {
        mg: 400.0,
        interval_steps: 12,
        doses: 28,
        step_h: 1.0,
        oral: true,
    };
    let limits = Limits { low: 3.0, high: 8.0 };
    bencher.bench(|| attainment(&population, &regimen, limits, 0.8, 100_000, 1));
}

fn person() -> Person {
    let facts = [
        ("cyp3a5_1_carrier", 0.0, "0/1"),
        ("cyp3a4_22_carrier", 0.0, "0/1"),
        ("hct", 0.34, "L/L"),
        ("creatinine", 135.0, "umol/L"),
        ("albumin", 42.0, "g/L"),
        ("age_y", 56.0, "years"),
        ("bsa_m2", 1.93, "m2"),
        ("lean_kg", 59.8, "kg"),
        ("weight_kg", 80.0, "kg"),
    ];
    Person {
        facts: facts
            .map(|(name, value, unit)| CovariateFact::throughout(name, value, unit))
            .to_vec(),
        other_drugs: Some(Vec::new()),
        states: Some(Vec::new()),
        genotype_frequencies: None,
    }
}

fn signed_model() -> Model {
    let id = "tacrolimus_adult_kidney";
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

fn levels() -> Vec<InterpretableLevel<WholeBlood>> {
    [(73.0, 14.0), (76.0, 11.0), (83.9, 7.1)]
        .map(|(time_h, value)| {
            let unit = ConcentrationUnit::NanogramPerMillilitre;
            let concentration = Concentration::new(value, 0.4, unit).unwrap();
            let accepted = AcceptedConcentration::accept(
                ResultVerdict::Reportable,
                AcceptedValue::Quantified(concentration),
            );
            InterpretableLevel::new(time_h, accepted.unwrap())
        })
        .to_vec()
}

fn dose() -> DoseStatement {
    DoseStatement {
        time_h: 0.0,
        amount: 4.0,
        unit: Some("mg".to_owned()),
        route: "oral".to_owned(),
        infusion_h: None,
        basis: None,
        repetition: Repetition::Every {
            interval_h: 12.0,
            until_h: None,
            running: false,
        },
        time_uncertainty: None,
    }
}

/// Case, estimate, posterior of 1 000 draws, fit, and every regimen within the limits: two compartments, three levels.
#[divan::bench]
fn full_answer_tacrolimus(bencher: divan::Bencher<'_, '_>) {
    let (model, person, levels, dose) = (signed_model(), person(), levels(), dose());
    let wanted = wanted();
    bencher.bench(|| {
        let case = Case::new(&model, &person, std::slice::from_ref(&dose), &levels, 84.0).unwrap();
        let estimated = estimate_case(&case, 1).unwrap();
        offer(&case, &estimated.evidence, &wanted)
    });
}

/// The last step alone: odds of every regimen from 1 000 draws.
#[divan::bench]
fn offer_tacrolimus(bencher: divan::Bencher<'_, '_>) {
    let (model, person, levels, dose) = (signed_model(), person(), levels(), dose());
    let wanted = wanted();
    let case = Case::new(&model, &person, std::slice::from_ref(&dose), &levels, 84.0).unwrap();
    let estimated = estimate_case(&case, 1).unwrap();
    bencher.bench(|| offer(&case, &estimated.evidence, &wanted));
}

fn wanted() -> Wanted {
    Wanted {
        targets: DrugTable::embedded().drug("tacrolimus").unwrap().targets[1..2].to_vec(),
        most_options: 12,
        seed: 1,
    }
}

/// A model file read and checked.
#[divan::bench]
fn read_a_model() -> Option<Model> {
    embedded("tacrolimus_adult_kidney")
}
