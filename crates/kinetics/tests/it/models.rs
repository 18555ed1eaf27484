//! Every model that comes with the program: read, evaluated, and judged fit for advice or not.

use crate::support::{close, reference};
use serde_json::Value;
use spotwright_domain::matrix::MatrixKind;
use spotwright_kinetics::model::{
    AdviceStanding, MODEL_IDS, Model, WhyNotForAdvice, embedded, embedded_text,
};
use spotwright_kinetics::structure::ParameterName;

fn read(id: &str) -> Model {
    Model::from_toml(embedded_text(id).unwrap()).unwrap_or_else(|problems| panic!("{id}:\n{problems}"))
}

#[test]
fn every_model_is_read_and_named_after_its_file() {
    assert_eq!(MODEL_IDS.len(), 22);
    for id in MODEL_IDS {
        assert_eq!(read(id).id, *id);
        assert!(embedded(id).is_some());
    }
    assert_eq!(embedded_text("digoxin_adult"), None);
}

/// Typical values at the defaults, as printed in the papers' abstracts and in the handbook's table of models.
#[test]
fn defaults_give_the_documented_typical_values() {
    use ParameterName as P;
    let documented: [(&str, P, f64); 33] = [
        ("tacrolimus_adult_kidney", P::Clearance, 23.0),
        ("tacrolimus_adult_kidney", P::CentralVolume, 692.0),
        ("tacrolimus_child_kidney", P::Clearance, 50.5 * 0.529_684_7),
        ("ciclosporin_adult_kidney", P::Clearance, 15.0),
        ("ciclosporin_adult_kidney", P::Bioavailability, 0.5),
        ("everolimus_adult_kidney", P::Clearance, 17.9),
        // 17 L/h late after transplantation; half a per mille is left of the early term at day 180.
        ("mycophenolic_acid_adult_kidney", P::Clearance, 17.006_347),
        ("carbamazepine_adult", P::Clearance, 0.0134 * 70.0 + 3.58),
        ("carbamazepine_adult", P::Volume, 1.97 * 70.0),
        ("lamotrigine", P::Clearance, 0.028 * 70.0),
        ("levetiracetam_adult", P::Clearance, 4.03),
        ("levetiracetam_child", P::Clearance, 1.04),
        // 15.6 * 50^-0.252 * 20^0.183 mL/h/kg for 50 kg.
        ("valproate", P::Clearance, 0.503_550),
        ("phenytoin", P::MaximumRate, 415.0),
        ("phenytoin", P::MichaelisConstant, 5.7),
        ("phenobarbital_neonate", P::Clearance, 0.0047 * 1.5),
        ("phenobarbital_neonate", P::Volume, 0.96 * 1.5),
        ("efavirenz_adult", P::Clearance, 9.5),
        ("efavirenz_adult", P::Volume, 311.0),
        ("nevirapine_adult", P::Clearance, 2.81),
        ("nevirapine_adult", P::Volume, 77.0),
        ("lopinavir_ritonavir_adult", P::Clearance, 5.73),
        ("dolutegravir_adult", P::Clearance, 1.0),
        ("ivermectin_mda", P::Clearance, 0.199 * 60.0),
        ("gentamicin_neonate", P::Clearance, 0.089),
        ("gentamicin_neonate", P::CentralVolume, 0.908),
        // 0.0493 L/h at 1.75 kg times 1.213 at two days.
        ("amikacin_neonate", P::Clearance, 0.0493 * 1.213),
        ("amikacin_neonate", P::CentralVolume, 0.833),
        ("amikacin_preterm_first_days", P::Volume, 40.2 * 1.07 / 70.0),
        ("vancomycin_neonate", P::Volume, 1.75),
        // 0.066 L/h/kg and 0.572 L/kg.
        ("vancomycin_neonate_pma", P::Clearance, 0.066 * 1.7),
        ("vancomycin_neonate_pma", P::Volume, 0.572 * 1.7),
        ("ivermectin_mda", P::CentralVolume, 89.0 * 60.0 / 70.0),
    ];
    for (id, name, expected) in documented {
        let model = read(id);
        let value = model
            .parameter(name)
            .unwrap()
            .formula
            .value(&model.defaults())
            .unwrap();
        // The vancomycin clearance is printed to two figures; the others are exact in the digits shown.
        let tolerance = if id == "vancomycin_neonate_pma" {
            0.01
        } else {
            1e-5
        };
        close(&format!("{id} {name}"), value, expected, tolerance);
    }
}

/// Names of the check file that differ from the models' own.
fn model_name(name: &str) -> &str {
    match name {
        "CYP3A5_1_carrier" => "cyp3a5_1_carrier",
        "CYP3A4_22_carrier" => "cyp3a4_22_carrier",
        "hct_L_L" => "hct",
        "creatinine_umol_L" => "scr_umol",
        name => name,
    }
}

/// `covariates.json`: typical values computed directly from the published equations, 1e-9.
#[test]
fn covariate_cases_agree() {
    let checks = reference("covariates.json");
    let mut met = 0;
    for case in checks["cases"].as_array().unwrap() {
        let Some(id) = case["how"]
            .as_str()
            .and_then(|how| how.split(".toml").next())
            .filter(|id| MODEL_IDS.contains(id))
        else {
            continue;
        };
        let model = read(id);
        let mut values = model.defaults();
        for (name, value) in case["given"].as_object().unwrap() {
            let (at, _) = model.covariate(model_name(name)).unwrap();
            values[at] = match value {
                Value::Bool(truth) => f64::from(u8::from(*truth)),
                number => number.as_f64().unwrap(),
            };
        }
        let typical = |symbol: &str| {
            let name = ParameterName::from_symbol(symbol).unwrap();
            model.parameter(name).unwrap().formula.value(&values).unwrap()
        };
        for (symbol, expected) in case["expected"].as_object().unwrap() {
            let found = match symbol.as_str() {
                "t_half" => std::f64::consts::LN_2 * typical("V") / typical("CL"),
                symbol => typical(symbol.trim_end_matches("_mg_day").trim_end_matches("_F")),
            };
            close(&case["id"].to_string(), found, expected.as_f64().unwrap(), 1e-9);
            met += 1;
        }
    }
    assert!(met >= 20, "only {met} values met");
}

/// A clearance whose numbers were read in the source, and a confidence above low, are what advice needs without
/// signatures.
#[test]
fn only_models_read_in_their_source_are_cleared() {
    let cleared: Vec<&str> = MODEL_IDS
        .iter()
        .copied()
        .filter(|id| matches!(read(id).advice_standing(), AdviceStanding::Cleared { .. }))
        .collect();
    assert_eq!(
        cleared,
        [
            "amikacin_preterm_first_days",
            "carbamazepine_adult",
            "ciclosporin_adult_kidney",
            "lamotrigine",
            "nevirapine_adult",
            "phenobarbital_neonate",
            "phenytoin",
        ]
    );
}

#[test]
fn two_different_people_clear_a_model_and_a_changed_fact_voids_them() {
    let text = embedded_text("tacrolimus_adult_kidney").unwrap();
    let digest = read("tacrolimus_adult_kidney").digest;
    let signed = |names: &[&str], digest: &str, text: &str| {
        let signatures: String = names
            .iter()
            .map(|name| {
                format!(
                    "\n[[sign_off]]\nname = \"{name}\"\nrole = \"clinical pharmacologist\"\non = \"2026-11-25\"\ndigest = \"{digest}\"\n"
                )
            })
            .collect();
        Model::from_toml(&format!("{text}{signatures}")).unwrap()
    };
    let digest = digest.to_string();
    // Signatures are not among the facts, so a signed file keeps its digest.
    let two = signed(&["Ingrid Holm", "Tomas Vale"], &digest, text);
    assert_eq!(two.digest.to_string(), digest);
    assert!(matches!(two.advice_standing(), AdviceStanding::Cleared { signed_by } if signed_by.len() == 2));
    // One person twice is one person.
    for names in [&["Ingrid Holm"][..], &["Ingrid Holm", "ingrid  HOLM"], &[]] {
        let AdviceStanding::ResearchOnly {
            valid_signatures,
            reasons,
            ..
        } = signed(names, &digest, text).advice_standing()
        else {
            panic!("{names:?} cleared it");
        };
        assert_eq!(valid_signatures, usize::from(!names.is_empty()));
        assert!(matches!(
            reasons[..],
            [WhyNotForAdvice::UnverifiedClearance { .. }, ..]
        ));
    }
    // The facts changed after both had signed.
    let changed = text.replace("formula = \"11.6\"", "formula = \"11.7\"");
    let AdviceStanding::ResearchOnly {
        valid_signatures,
        void_signatures,
        ..
    } = signed(&["Ingrid Holm", "Tomas Vale"], &digest, &changed).advice_standing()
    else {
        panic!("a changed file kept its signatures");
    };
    assert_eq!((valid_signatures, void_signatures.len()), (0, 2));
    // Blanks and comments are no facts.
    let spaced = text.replace("[source]", "# read again\n\n[source]");
    assert_eq!(Model::from_toml(&spaced).unwrap().digest.to_string(), digest);
}

#[test]
fn calcineurin_inhibitors_are_whole_blood_models_and_the_rest_plasma() {
    for id in MODEL_IDS {
        let model = read(id);
        let whole = ["tacrolimus", "ciclosporin", "everolimus"].contains(&model.drug.as_str());
        let expected = if whole {
            MatrixKind::WholeBlood
        } else {
            MatrixKind::Plasma
        };
        assert_eq!(model.matrix.kind, expected, "{id}");
    }
}

/// Each change on its own line and column; several at once are all told.
#[test]
fn problems_are_told_by_line_and_column() {
    let text = embedded_text("phenytoin").unwrap();
    let changes: [(&str, &str); 17] = [
        ("dose_unit = \"mg\"", "dose_unti = \"mg\""),
        ("dose_unit = \"mg\"", "dose_unit = \"g\""),
        ("unit = \"mg/day\"", "unit = \"L/h\""),
        ("415 * (weight_kg/70)^0.6", "415 * (wieght_kg/70)^0.6"),
        ("415 * (weight_kg/70)^0.6", "415 * (weight_kg/70)^"),
        ("415 * (weight_kg/70)^0.6", "415 / (weight_kg - 70)"),
        ("if(age_y < 15, 0.57, 1)", "if(age_y, 0.57, 1)"),
        (
            "sd_log_between_subject = 0.5",
            "sd_log_between_subject = \"50 %\"",
        ),
        ("sd_log_between_subject = 0.5", "sd_log_between_subject = 50"),
        ("concentration_multiplier = 1", "concentration_multiplier = 1000"),
        ("concentration_unit = \"mg/L\"", "concentration_unit = \"mg/l\""),
        ("name = \"Km\"", "name = \"CL\""),
        ("unit = \"kg\"\ndefault = 70", "unit = \"years\"\ndefault = 70"),
        ("confidence = \"high\"", "confidence = \"very high\""),
        ("verified = false", "verified = true"),
        ("albumin_g_L < 32", "albumin < 32"),
        ("step_mg = 25", "step_mg = -25"),
    ];
    let mut shown = String::new();
    for (from, to) in changes {
        assert!(text.contains(from), "{from}");
        let problems = Model::from_toml(&text.replacen(from, to, 1)).unwrap_err();
        shown.push_str(&format!("# {from}\n# -> {to}\n{problems}\n\n"));
    }
    insta::assert_snapshot!("problems_one_by_one", shown);
    let all_at_once = changes
        .iter()
        .filter(|(from, _)| from.len() > 12)
        .fold(text.to_owned(), |text, (from, to)| text.replacen(from, to, 1));
    let problems = Model::from_toml(&all_at_once).unwrap_err();
    assert!(problems.problems().len() >= 8, "{problems}");
    assert!(Model::from_toml("id = ").is_err());
    assert!(Model::from_toml("").unwrap_err().problems().len() >= 12);
}
