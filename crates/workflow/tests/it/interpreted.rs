//! Cases read against models: from a file's text to the record behind the page.

use spotwright_domain::interpretation::{InterpretationRecord, InterpretationStatus, OptionKind};
use spotwright_exchange::read_case;
use spotwright_workflow::interpret::{interpret, person_of};

/// A newborn on phenobarbital: 20 mg/kg at birth, 5 mg/kg a day after, one level in the second week. Invented; the
/// clearance and volume it is held against are published.
const NEWBORN: &str = r#"
[case]
subject = "SI-0601"
drug = "phenobarbital"
models = ["phenobarbital_neonate"]
simulated = true
other_drugs = []
states = []

[[dose]]
given_at = "2026-03-01T08:00:00Z"
amount = 40
unit = "mg"
route = "intravenous-bolus"

[[dose]]
given_at = "2026-03-02T08:00:00Z"
amount = 10
unit = "mg"
route = "intravenous-bolus"
interval_h = 24

[[level]]
taken_at = "2026-03-10T07:30:00Z"
value = 28.0
unit = "mg/L"
matrix = "plasma"
standard_uncertainty = 1.4

[[covariate]]
name = "weight"
value = 2.0
unit = "kg"

[[covariate]]
name = "pna"
value = 1
unit = "day"

[[covariate]]
name = "ga"
value = 38
unit = "week"

[[covariate]]
name = "apgar5_below_5"
value = 0
unit = "0/1"
"#;

fn answer(text: &str) -> InterpretationRecord {
    let file = read_case("CASE.toml", text).unwrap_or_else(|problems| panic!("{problems:?}"));
    interpret(&person_of(&file, &[]))
}

fn codes(of: &InterpretationRecord) -> Vec<&str> {
    of.refusals.iter().map(|refusal| refusal.code.as_str()).collect()
}

/// Grasela & Donn, Dev Pharmacol Ther 1985;8:374-383: 0.0047 L/h/kg and 0.96 L/kg, half-life 141 h.
#[test]
fn the_typical_newborn_is_the_published_one_and_options_are_offered() {
    let record = answer(NEWBORN);
    assert_eq!(
        record.status,
        InterpretationStatus::Options,
        "{:?}",
        record.refusals
    );
    let estimate = record.estimate.as_ref().unwrap();
    let typical = |name: &str| {
        estimate
            .parameters
            .iter()
            .find(|p| p.name == name)
            .unwrap()
            .typical
    };
    assert!((typical("clearance") - 0.0047 * 2.0).abs() < 1e-12);
    assert!((typical("volume of distribution") - 0.96 * 2.0).abs() < 1e-12);
    let half_life = estimate.half_life_h.unwrap();
    assert!(
        half_life.low_90 < 141.0 && 141.0 < half_life.high_90,
        "{half_life:?}"
    );
    assert!(estimate.effective_draws >= 400.0);
    let kinds: Vec<OptionKind> = record.options.iter().map(|option| option.kind).collect();
    assert!(
        kinds.contains(&OptionKind::KeepDose) && kinds.contains(&OptionKind::RepeatLevel),
        "{kinds:?}"
    );
    for option in record
        .options
        .iter()
        .filter(|option| option.kind != OptionKind::RepeatLevel)
    {
        let [below, inside, above] = option.below_in_above.unwrap();
        assert!((below + inside + above - 1.0).abs() < 1e-9);
    }
    let level = &record.levels[0];
    assert!((level.hours_since_dose.unwrap() - 23.5).abs() < 1e-9);
    // The person's curve lies between what was expected and what was measured.
    let predicted = level.predicted.unwrap();
    assert!((20.0..=30.0).contains(&predicted), "{predicted}");
    let curve = record.curve.as_ref().unwrap();
    assert!(
        curve
            .low_90
            .iter()
            .zip(&curve.high_90)
            .all(|(low, high)| low <= high)
    );
    assert!(
        record
            .cautions
            .iter()
            .any(|caution| caution.contains("not an order"))
    );
}

#[test]
fn the_same_case_gives_the_same_bits() {
    let json = |record: &InterpretationRecord| serde_json::to_string(record).unwrap();
    assert_eq!(json(&answer(NEWBORN)), json(&answer(NEWBORN)));
}

#[test]
fn a_spot_that_was_not_converted_never_reaches_an_option() {
    let record = answer(&NEWBORN.replace("matrix = \"plasma\"", "matrix = \"dried-blood\""));
    assert_eq!(record.status, InterpretationStatus::Refused);
    assert!(codes(&record).contains(&"wrong-matrix"), "{:?}", record.refusals);
    assert!(record.options.is_empty());
}

#[test]
fn every_slip_of_a_dose_history_is_refused_by_name() {
    let weightless = NEWBORN
        .replace(
            "name = \"weight\"\nvalue = 2.0\nunit = \"kg\"",
            "name = \"sex_unknown\"\nvalue = 0\nunit = \"0/1\"",
        )
        .replace("amount = 10\nunit = \"mg\"", "amount = 5\nunit = \"mg/kg\"");
    let early = NEWBORN.replace("2026-03-10T07:30:00Z", "2026-02-27T07:30:00Z");
    let thousandfold = NEWBORN.replace("value = 28.0\nunit = \"mg/L\"", "value = 28.0\nunit = \"ug/L\"");
    let twice = NEWBORN.replace(
        "[[level]]",
        "[[dose]]\ngiven_at = \"2026-03-01T08:00:00Z\"\namount = 40\nunit = \"mg\"\nroute = \"intravenous-bolus\"\n\n[[level]]",
    );
    let heavy = NEWBORN.replace("value = 2.0\nunit = \"kg\"", "value = 9.0\nunit = \"kg\"");
    for (text, code) in [
        (weightless, "dose-without-weight"),
        (early, "level-before-first-dose"),
        (thousandfold, "level-unit-doubtful"),
        (twice, "dose-twice"),
        (heavy, "outside-population"),
    ] {
        let record = answer(&text);
        assert!(codes(&record).contains(&code), "{code}: {:?}", record.refusals);
        assert!(record.options.is_empty(), "{code}");
        assert!(
            record
                .refusals
                .iter()
                .all(|refusal| !refusal.lifted_by.is_empty())
        );
    }
}

#[test]
fn a_dose_nobody_knows_of_and_a_target_for_any_time_offer_nothing() {
    let uncertain = NEWBORN.replacen(
        "route = \"intravenous-bolus\"",
        "route = \"intravenous-bolus\"\ntaken = \"uncertain\"",
        1,
    );
    let any_time = format!(
        "{NEWBORN}\n[target]\nquantity = \"level\"\nlow = 15\nhigh = 40\nunit = \"mg/L\"\nmatrix = \"plasma\"\n\
         sampling_time = \"any\"\nindication = \"seizures\"\nsource = \"invented\"\n"
    );
    for (text, code) in [(uncertain, "dose-uncertain"), (any_time, "target-unfit")] {
        let record = answer(&text);
        assert!(codes(&record).contains(&code), "{code}: {:?}", record.refusals);
        assert_eq!(record.status, InterpretationStatus::Refused);
        assert!(record.options.is_empty(), "{code}");
        assert!(record.estimate.is_some(), "the exposure may still be seen");
    }
}

#[test]
fn a_level_nobody_expects_stops_the_options_and_asks() {
    let record = answer(&NEWBORN.replace("value = 28.0", "value = 95.0"));
    assert!(codes(&record).contains(&"surprise"), "{:?}", record.refusals);
    assert!(record.options.is_empty());
    assert!(
        record.levels[0]
            .flags
            .iter()
            .any(|flag| flag.contains("measure again"))
    );
}

#[test]
fn a_case_file_names_its_slips_by_line() {
    let text = NEWBORN
        .replace("amount = 40\nunit = \"mg\"", "amount = 40")
        .replace("interval_h = 24", "interval_h = -24")
        .replace("2026-03-10T07:30:00Z", "2026-03-10T07:30:00")
        .replace("matrix = \"plasma\"", "matrix = \"serum\"");
    let problems = read_case("CASE.toml", &text).unwrap_err();
    let told: Vec<String> = problems.iter().map(ToString::to_string).collect();
    let all = told.join("\n");
    for part in [
        "`dose.unit`",
        "`dose.interval_h`",
        "`level.taken_at`",
        "`level.matrix`",
    ] {
        assert!(all.contains(part), "{part}: {all}");
    }
    assert!(problems.iter().all(|problem| problem.line.is_some()), "{all}");
}
