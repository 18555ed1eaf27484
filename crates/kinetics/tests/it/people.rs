//! Covariates, doses and levels that are wrong or missing, and what is said; how covariates move typical values.

use crate::cases::{
    every, fact, infused, level, newborn, person, phenytoin_adult, running, tacrolimus_adult,
};
use proptest::prelude::*;
use spotwright_domain::concentration::ConcentrationUnit::{MilligramPerLitre, NanogramPerMillilitre};
use spotwright_domain::matrix::{Plasma, WholeBlood};
use spotwright_kinetics::model::person::{
    CovariateFact, DoseStatement, Origin, Person, Prepared, Repetition, prepare,
};
use spotwright_kinetics::model::{MODEL_IDS, Model, RenalEquation, embedded};
use spotwright_kinetics::options::{Case, DrugTable};
use spotwright_kinetics::refusal::Refusal;
use spotwright_kinetics::structure::{ParameterName, predict};
use std::sync::LazyLock;

fn told(refusals: &[Refusal]) -> String {
    refusals
        .iter()
        .map(|refusal| {
            format!(
                "{}: {}\n  lifted by: {}\n",
                refusal.code.code(),
                refusal.reason,
                refusal.lifted_by
            )
        })
        .collect()
}

fn with(facts: &[(&str, f64, &str)], without: &[&str], base: Person) -> Person {
    let mut person = base;
    person.facts.retain(|fact| {
        !without.contains(&fact.name.as_str()) && !facts.iter().any(|(name, ..)| *name == fact.name)
    });
    person
        .facts
        .extend(facts.iter().map(|(name, value, unit)| fact(name, *value, unit)));
    person
}

/// Messages for everything that can be wrong with what people write down.
#[test]
fn bad_input_is_refused_by_name() {
    let mut shown = String::new();
    let mut say = |what: &str, found: Result<(), Vec<Refusal>>| {
        shown.push_str(&format!("# {what}\n{}\n", told(&found.unwrap_err())));
    };
    let tacrolimus = embedded("tacrolimus_adult_kidney").unwrap();
    let dose = |change: &dyn Fn(&mut DoseStatement)| {
        let mut statement = every(0.0, 3.0, 12.0);
        change(&mut statement);
        prepare(&tacrolimus, &tacrolimus_adult(), &[statement], 144.0).map(|_| ())
    };
    say("dose without unit", dose(&|d| d.unit = None));
    say(
        "dose in a unit that is none",
        dose(&|d| d.unit = Some("ml".to_owned())),
    );
    say(
        "dose in micrograms written as milligrams",
        dose(&|d| d.amount = 3000.0),
    );
    say(
        "dose in milligrams written as micrograms",
        dose(&|d| d.unit = Some("ug".to_owned())),
    );
    say("negative dose", dose(&|d| d.amount = -3.0));
    say("dose that is no number", dose(&|d| d.amount = f64::NAN));
    say("dose at no time", dose(&|d| d.time_h = f64::INFINITY));
    let repeated = |interval_h| Repetition::Every {
        interval_h,
        until_h: None,
        running: false,
    };
    say("negative interval", dose(&|d| d.repetition = repeated(-12.0)));
    say("interval of nothing", dose(&|d| d.repetition = repeated(0.0)));
    say(
        "intravenous dose in an apparent model",
        dose(&|d| d.route = "intravenous-bolus".to_owned()),
    );
    say(
        "no dose",
        prepare(&tacrolimus, &tacrolimus_adult(), &[], 144.0).map(|_| ()),
    );
    let twice = [
        every(0.0, 3.0, 12.0),
        DoseStatement {
            repetition: Repetition::Once,
            ..every(0.0, 3.0, 12.0)
        },
    ];
    say(
        "duplicate dose",
        prepare(&tacrolimus, &tacrolimus_adult(), &twice, 144.0).map(|_| ()),
    );

    let gentamicin = embedded("gentamicin_neonate").unwrap();
    let by_weight = DoseStatement {
        amount: 4.0,
        unit: Some("mg/kg".to_owned()),
        ..infused(0.0, 4.0, 24.0, 0.5)
    };
    let weightless = with(&[], &["weight_kg"], newborn());
    say(
        "mg/kg without weight",
        prepare(&gentamicin, &weightless, &[by_weight], 48.0).map(|_| ()),
    );
    let endless = DoseStatement {
        infusion_h: None,
        ..infused(0.0, 10.0, 24.0, 0.5)
    };
    say(
        "infusion without an end",
        prepare(&gentamicin, &newborn(), &[endless], 48.0).map(|_| ()),
    );
    say(
        "oral dose in an intravenous model",
        prepare(&gentamicin, &newborn(), &[every(0.0, 10.0, 24.0)], 48.0).map(|_| ()),
    );
    let baby = |facts: &[(&str, f64, &str)]| {
        prepare(
            &gentamicin,
            &with(facts, &[], newborn()),
            &[infused(0.0, 10.0, 24.0, 0.5)],
            48.0,
        )
        .map(|_| ())
    };
    say(
        "weight of a newborn in grams",
        baby(&[("weight_kg", 2400.0, "kg")]),
    );
    say("weight in pounds", baby(&[("weight_kg", 5.3, "lb")]));
    say("gestation of 350 weeks", baby(&[("ga_weeks", 350.0, "weeks")]));
    say("half a flag", baby(&[("dopamine", 0.5, "0/1")]));

    let adult = |facts: &[(&str, f64, &str)]| {
        prepare(
            &tacrolimus,
            &with(facts, &["creatinine"], tacrolimus_adult()),
            &[every(0.0, 3.0, 12.0)],
            144.0,
        )
        .map(|_| ())
    };
    say("haematocrit in per cent", adult(&[("hct", 34.0, "L/L")]));
    say(
        "creatinine in mg/dL called umol/L",
        adult(&[("creatinine", 1.2, "umol/L")]),
    );
    say(
        "creatinine in umol/L called mg/dL",
        adult(&[("creatinine", 135.0, "mg/dL")]),
    );
    say("age of 430 years", adult(&[("age_y", 430.0, "years")]));
    let ageless = with(&[], &["age_y"], tacrolimus_adult());
    say(
        "age unknown",
        prepare(&tacrolimus, &ageless, &[every(0.0, 3.0, 12.0)], 144.0).map(|_| ()),
    );
    let levetiracetam = embedded("levetiracetam_adult").unwrap();
    let filtering = |equation| {
        let mut someone = person(&[
            ("weight_kg", 70.0, "kg"),
            ("age_y", 40.0, "years"),
            ("female", 0.0, "0/1"),
        ]);
        someone.facts.push(CovariateFact {
            equation,
            ..fact("clcr", 100.0, "mL/min")
        });
        prepare(&levetiracetam, &someone, &[every(0.0, 500.0, 12.0)], 144.0).map(|_| ())
    };
    say("filtration without its equation", filtering(None));
    say(
        "filtration by another equation",
        filtering(Some(RenalEquation::CkdEpi2021)),
    );

    let before = Case::new(
        &tacrolimus,
        &tacrolimus_adult(),
        &[every(0.0, 3.0, 12.0)],
        &[level::<WholeBlood>(-2.0, 5.0, NanogramPerMillilitre)],
        144.0,
    );
    say("level before the first dose", before.map(|_| ()));
    let thousandfold = Case::new(
        &tacrolimus,
        &tacrolimus_adult(),
        &[every(0.0, 3.0, 12.0)],
        &[level::<WholeBlood>(144.0, 5.0, MilligramPerLitre)],
        144.0,
    );
    say("level wrong by a thousand", thousandfold.map(|_| ()));
    let table = DrugTable::embedded();
    let unit = |drug: &str, value, unit| {
        table
            .drug(drug)
            .unwrap()
            .level_unit(value, unit)
            .map(|_| ())
            .map_err(|r| vec![r])
    };
    say("level without a unit, one reading", unit("tacrolimus", 8.0, None));
    say(
        "level without a unit, two readings",
        unit("phenytoin", 40.0, None),
    );
    say(
        "level in a unit that is none",
        unit("phenytoin", 40.0, Some("mg/dl")),
    );
    say(
        "molar level of a mixture",
        unit("gentamicin", 4.0, Some("umol/L")),
    );
    assert!(unit("phenytoin", 40.0, Some("umol/L")).is_ok());
    insta::assert_snapshot!(shown);
}

fn gentamicin(facts: &[(&str, f64, &str)], to_h: f64) -> Prepared {
    let model = embedded("gentamicin_neonate").unwrap();
    prepare(
        &model,
        &with(facts, &[], newborn()),
        &[infused(0.0, 10.0, 24.0, 0.5)],
        to_h,
    )
    .unwrap()
}

fn refused(prepared: &Prepared) -> Vec<&'static str> {
    prepared
        .findings
        .refusals
        .iter()
        .map(|refusal| refusal.code.code())
        .collect()
}

/// A fifth beyond a limit warns, more refuses; the models' own limits are sharper.
#[test]
fn outside_the_population_warns_and_then_refuses() {
    let weight = |kg: f64| {
        let prepared = gentamicin(&[("weight_kg", kg, "kg")], 48.0);
        let warned = prepared
            .findings
            .cautions
            .iter()
            .any(|c| c.contains("outside the model's population"));
        (warned, refused(&prepared).contains(&"outside-population"))
    };
    // 0.44 to 5.51 kg.
    assert_eq!(weight(5.51), (false, false));
    assert_eq!(weight(5.6), (true, false));
    assert_eq!(weight(5.51 * 1.2), (true, false));
    assert_eq!(weight(5.51 * 1.2 + 0.01), (false, true));
    let days = |pna: f64| refused(&gentamicin(&[("pna_days", pna, "day")], 0.5));
    assert!(days(59.9).is_empty());
    assert_eq!(days(61.0), ["model-limit"]);
}

#[test]
fn a_growing_child_and_a_new_creatinine_move_the_typical_values() {
    // Postnatal age advances by the clock: clearance rises day by day.
    let prepared = gentamicin(&[], 96.0);
    let clearances: Vec<f64> = prepared
        .typical
        .knots
        .iter()
        .map(|knot| knot.values.get(ParameterName::Clearance).unwrap())
        .collect();
    assert_eq!(clearances.len(), 4);
    assert!(clearances.windows(2).all(|pair| pair[1] > pair[0]));
    // 5.4 % a day of the first day's clearance, from the published slope.
    let slope = (clearances[1] - clearances[0]) / (clearances[0] / (1.0 + 0.054 * 1.5));
    assert!((slope - 0.054).abs() < 1e-9, "{slope}");
    // A creatinine that changes holds from its time on.
    let model = embedded("vancomycin_neonate").unwrap();
    let mut baby = person(&[("weight_kg", 2.9, "kg"), ("pma_weeks", 39.0, "weeks")]);
    for (value, from_h) in [(0.5, 0.0), (1.0, 30.0)] {
        baby.facts.push(CovariateFact {
            from_h: Some(from_h),
            ..fact("creatinine", value, "mg/dL")
        });
    }
    let prepared = prepare(&model, &baby, &[infused(0.0, 40.0, 12.0, 1.0)], 48.0).unwrap();
    let clearance = |knot: usize| {
        prepared.typical.knots[knot]
            .values
            .get(ParameterName::Clearance)
            .unwrap()
    };
    let last = prepared.typical.knots.len() - 1;
    let aged = clearance(last) / clearance(0);
    assert!(
        aged < 0.85 && aged > 0.8,
        "half the creatinine clearance^0.267 and two days older: {aged}"
    );
}

#[test]
fn covariates_follow_from_others_by_named_equations() {
    let model = embedded("tacrolimus_adult_kidney").unwrap();
    let mut tall = with(
        &[("height", 180.0, "cm"), ("weight_kg", 80.0, "kg")],
        &["bsa_m2"],
        tacrolimus_adult(),
    );
    tall.facts.retain(|fact| fact.name != "bsa_m2");
    let prepared = prepare(&model, &tall, &[every(0.0, 3.0, 12.0)], 144.0).unwrap();
    let used = prepared
        .resolved
        .used
        .iter()
        .find(|used| used.name == "bsa_m2")
        .unwrap();
    assert_eq!(used.origin, Origin::Derived("Mosteller 1987"));
    assert!((used.values[0].1 - 2.0).abs() < 1e-12);
    // Postmenstrual age of 35 weeks at birth and two days at hour 0.
    let vancomycin = embedded("vancomycin_neonate_pma").unwrap();
    let prepared = prepare(&vancomycin, &newborn(), &[infused(0.0, 24.0, 12.0, 1.0)], 12.0).unwrap();
    let used = prepared
        .resolved
        .used
        .iter()
        .find(|used| used.name == "pma_weeks")
        .unwrap();
    assert!((used.values[0].1 - (35.0 + 2.0 / 7.0)).abs() < 0.1);
    // Two inducers are one flag, and the single ones count as 0.
    let lamotrigine = embedded("lamotrigine").unwrap();
    let mut someone = person(&[
        ("weight_kg", 70.0, "kg"),
        ("age_y", 30.0, "years"),
        ("vpa", 0.0, "0/1"),
    ]);
    for (flag, value) in [("pht", 1.0), ("pb_or_prm", 0.0), ("cbz", 1.0)] {
        someone.facts.push(fact(flag, value, "0/1"));
    }
    let prepared = prepare(&lamotrigine, &someone, &[every(0.0, 100.0, 12.0)], 240.0).unwrap();
    let clearance = prepared.typical.knots[0]
        .values
        .get(ParameterName::Clearance)
        .unwrap();
    assert!((clearance - 0.028 * 70.0 * libm::exp(0.864)).abs() < 1e-9);
}

/// Nevirapine induces its own elimination: 2.02 L/h before day 14, 2.81 after day 28 (2NN study), and is in no hurry
/// between.
#[test]
fn nevirapine_days_come_from_the_first_dose() {
    let model = embedded("nevirapine_adult").unwrap();
    let mut someone = person(&[("weight_kg", 60.0, "kg"), ("age_y", 30.0, "years")]);
    someone.facts.push(fact("female", 0.0, "0/1"));
    someone.facts.push(fact("hepatitis_b", 0.0, "0/1"));
    let doses = [every(0.0, 200.0, 24.0), every(336.0, 200.0, 12.0)];
    let prepared = prepare(&model, &someone, &doses, 24.0 * 35.0).unwrap();
    let at = |day: f64| {
        let knot = prepared.typical.knot_at(day * 24.0, false);
        prepared.typical.knots[knot]
            .values
            .get(ParameterName::Clearance)
            .unwrap()
    };
    assert!((at(5.0) - 2.02).abs() < 1e-9 && (at(34.0) - 2.81).abs() < 1e-9);
    assert!(
        (at(21.0) - (2.02 + 0.79 * 7.5 / 14.0)).abs() < 1e-9,
        "{}",
        at(21.0)
    );
}

/// Valproate's clearance follows the dose: the regimen gives mg/kg/day.
#[test]
fn valproate_clearance_follows_the_regimen() {
    let model = embedded("valproate").unwrap();
    let mut someone = person(&[("weight_kg", 50.0, "kg"), ("age_y", 30.0, "years")]);
    for flag in ["female", "pb", "cbz"] {
        someone.facts.push(fact(flag, 0.0, "0/1"));
    }
    let doses = [every(0.0, 500.0, 12.0), every(240.0, 750.0, 12.0)];
    let prepared = prepare(&model, &someone, &doses, 480.0).unwrap();
    let clearance = |knot: usize| {
        prepared.typical.knots[knot]
            .values
            .get(ParameterName::Clearance)
            .unwrap()
    };
    assert_eq!(prepared.typical.knots.len(), 2);
    assert!((clearance(0) - 0.05 * 15.6 * libm::pow(50.0, -0.252) * libm::pow(20.0, 0.183)).abs() < 1e-9);
    assert!((clearance(1) / clearance(0) - libm::pow(1.5, 0.183)).abs() < 1e-9);
    // One dose says nothing of a day's amount.
    let once = DoseStatement {
        repetition: Repetition::Once,
        ..every(0.0, 500.0, 12.0)
    };
    let refused = prepare(&model, &someone, &[once], 24.0).unwrap_err();
    assert_eq!(refused[0].code.code(), "interval-unknown");
}

#[test]
fn interacting_drugs_and_states_stop_the_advice() {
    let model = embedded("tacrolimus_adult_kidney").unwrap();
    let prepared = |drugs: Option<Vec<String>>, states: Option<Vec<String>>| {
        let mut someone = tacrolimus_adult();
        (someone.other_drugs, someone.states) = (drugs, states);
        let prepared = prepare(&model, &someone, &[every(0.0, 3.0, 12.0)], 144.0).unwrap();
        (
            refused(&prepared).join(","),
            prepared
                .findings
                .cautions
                .iter()
                .any(|c| c.starts_with("Not stated: other drugs")),
        )
    };
    let words = |words: &[&str]| Some(words.iter().map(|word| (*word).to_owned()).collect());
    assert_eq!(prepared(words(&[]), words(&[])), (String::new(), false));
    assert_eq!(
        prepared(words(&["Azole antifungal"]), words(&[])).0,
        "interacting-drug"
    );
    assert_eq!(
        prepared(words(&[]), words(&["prolonged-release form"])).0,
        "state-outside-model"
    );
    assert_eq!(prepared(None, words(&[])), (String::new(), true));
}

#[test]
fn an_unknown_genotype_of_tacrolimus_widens_clearance() {
    let model = embedded("tacrolimus_adult_kidney").unwrap();
    let someone = with(&[], &["cyp3a5_1_carrier"], tacrolimus_adult());
    let prepared = prepare(&model, &someone, &[every(0.0, 3.0, 12.0)], 144.0).unwrap();
    assert!((prepared.effects.covariance[0] - 0.46 * 0.46).abs() < 1e-12);
    assert!(
        prepared
            .findings
            .cautions
            .iter()
            .any(|caution| caution.contains("cyp3a5_1_carrier is not determined"))
    );
    assert!(refused(&prepared).is_empty());
}

#[test]
fn phenytoin_in_mg_a_day_is_hourly_inside() {
    let model = embedded("phenytoin").unwrap();
    let mut dose = running(every(0.0, 150.0, 12.0));
    dose.basis = Some("capsule of the sodium salt".to_owned());
    let prepared = prepare(&model, &phenytoin_adult(), &[dose], 12.0).unwrap();
    let vmax = prepared.typical.knots[0]
        .values
        .get(ParameterName::MaximumRate)
        .unwrap();
    assert!((vmax - 415.0 / 24.0).abs() < 1e-9);
    let low = with(&[("albumin", 25.0, "g/L")], &[], phenytoin_adult());
    let mut dose = running(every(0.0, 150.0, 12.0));
    dose.basis = Some("chewable tablet of the acid".to_owned());
    assert_eq!(
        refused(&prepare(&model, &low, &[dose], 12.0).unwrap()),
        ["model-limit"]
    );
}

static MODELS: LazyLock<Vec<Model>> =
    LazyLock::new(|| MODEL_IDS.iter().filter_map(|id| embedded(id)).collect());

fn model(id: &str) -> &'static Model {
    MODELS.iter().find(|model| model.id == id).unwrap()
}

fn typical(id: &str, facts: &[(&str, f64, &str)], name: ParameterName) -> f64 {
    let model = model(id);
    let mut values = model.defaults();
    for (covariate, value, _) in facts {
        values[model.covariate(covariate).unwrap().0] = *value;
    }
    model.parameter(name).unwrap().formula.value(&values).unwrap()
}

proptest! {
    /// Heavier people clear more, whatever the model (allometry; every model's own formula).
    #[test]
    fn clearance_rises_with_weight(low in 0.0..1.0_f64, rise in 0.01..0.5_f64) {
        for id in ["gentamicin_neonate", "carbamazepine_adult", "lamotrigine", "levetiracetam_child", "valproate",
            "phenobarbital_neonate", "vancomycin_neonate", "vancomycin_neonate_pma", "tacrolimus_child_kidney",
            "amikacin_preterm_first_days"] {
            let (_, weight) = model(id).covariate("weight_kg").unwrap();
            let first = weight.low + low * (weight.high - weight.low) * 0.6;
            let at = |kg: f64| typical(id, &[("weight_kg", kg, "kg")], ParameterName::Clearance);
            prop_assert!(at(first * (1.0 + rise)) > at(first), "{id}");
        }
    }

    /// Kidneys that filter less clear less; red cells hold tacrolimus back; children mature.
    #[test]
    fn clearance_follows_kidney_blood_and_age(a in 0.0..1.0_f64, b in 0.0..1.0_f64) {
        let (low, high) = (a.min(b), a.max(b));
        prop_assume!(high - low > 1e-3);
        let between = |range: [f64; 2], share: f64| range[0] + share * (range[1] - range[0]);
        for (id, covariate, range, rises) in [
            ("tacrolimus_adult_kidney", "hct", [0.2, 0.5], false),
            ("tacrolimus_adult_kidney", "scr_umol", [40.0, 900.0], false),
            ("tacrolimus_adult_kidney", "albumin_g_L", [20.0, 52.0], true),
            ("vancomycin_neonate", "scr_mg_dL", [0.1, 2.0], false),
            ("vancomycin_neonate", "pma_weeks", [24.0, 54.0], true),
            ("gentamicin_neonate", "pna_days", [0.0, 60.0], true),
            ("gentamicin_neonate", "ga_weeks", [24.0, 42.0], true),
            ("levetiracetam_adult", "clcr", [60.0, 150.0], true),
            ("amikacin_neonate", "pna_days", [1.0, 30.0], true),
        ] {
            let at = |share: f64| typical(id, &[(covariate, between(range, share), "")], ParameterName::Clearance);
            prop_assert_eq!(at(high) > at(low), rises, "{} {}", id, covariate);
        }
    }

    /// Twice the dose, twice the level, where the kinetics are linear and no covariate follows the dose.
    #[test]
    fn levels_are_proportional_to_the_dose(mg in 0.5..7.0_f64, times in 1.1..2.0_f64, at in 100.0..144.0_f64) {
        let model = model("tacrolimus_adult_kidney");
        let level = |mg: f64| {
            let prepared = prepare(model, &tacrolimus_adult(), &[every(0.0, mg, 12.0)], 144.0).unwrap();
            predict(&model.structure, &prepared.typical, &prepared.schedule.history, &[at]).unwrap()[0]
        };
        prop_assert!((level(times * mg) / level(mg) / times - 1.0).abs() < 1e-9);
    }
}

/// Ivermectin's transit chain and ciclosporin's lead to the structure as such; ktr = ka unless given.
#[test]
fn structures_are_as_published() {
    use spotwright_kinetics::structure::Input;
    let chain = |id: &str| embedded(id).unwrap().structure.input;
    assert_eq!(
        chain("ciclosporin_adult_kidney"),
        Input::TransitChain {
            transit_compartments: 1
        }
    );
    assert_eq!(
        chain("ivermectin_mda"),
        Input::TransitChain {
            transit_compartments: 2
        }
    );
    let level = level::<Plasma>(1.0, 3.0, MilligramPerLitre);
    assert!((level.time_h() - 1.0).abs() < 1e-12);
}
