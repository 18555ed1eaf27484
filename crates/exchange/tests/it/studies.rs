//! Studies read, and studies refused.

use spotwright_exchange::{
    CovariateName, FormatProblem, FormatProblemCode, StudyRoute, read_profiles, read_study,
};
use std::path::Path;

const HEADER: &str =
    "person,time_h,amount,amount_unit,route,infusion_min,interval_h,level,below_limit,level_unit\n";
const GOOD: &str = "A,0,500,mg,intravenous-infusion,30,12,,,\nA,2,,,,,,7.5,,mg/L\nA,10,,,,,,,0.5,mg/L\nB,1,250000,ug,oral,,,,,\nB,1,,,,,,0,,mg/L\n";
const COVARIATES: &str =
    "person,covariate,value,from_h\nA,weight_kg,60,\nB,weight_kg,70,\nB,weight_kg,71,24\n";

fn names() -> Vec<CovariateName> {
    vec![CovariateName {
        name: "weight_kg".to_owned(),
        possible: [0.2, 350.0],
        unit: "kg".to_owned(),
    }]
}

fn written(observations: &str, covariates: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(
        folder.path().join("observations.csv"),
        format!("{HEADER}{observations}"),
    )
    .unwrap();
    std::fs::write(folder.path().join("covariates.csv"), covariates).unwrap();
    folder
}

fn problems(observations: &str, covariates: &str) -> Vec<FormatProblem> {
    read_study(written(observations, covariates).path(), &names()).unwrap_err()
}

/// Problems of broken studies, for the list of codes that are shown.
pub(crate) fn shown() -> Vec<FormatProblem> {
    let twice = GOOD.replace("A,10,", "A,2,");
    let early = GOOD.replace("A,2,,", "A,-2,,");
    [problems(&twice, COVARIATES), problems(&early, COVARIATES)].concat()
}

#[test]
fn a_good_study_is_read_as_it_stands() {
    let folder = written(GOOD, COVARIATES);
    let (persons, warnings) = read_study(folder.path(), &names()).unwrap();
    assert!(warnings.is_empty());
    let ids: Vec<&str> = persons.iter().map(|person| person.id.as_str()).collect();
    assert_eq!(ids, ["A", "B"]);
    let (a, b) = (&persons[0], &persons[1]);
    assert_eq!(a.doses[0].route, StudyRoute::Infusion { infusion_min: 30.0 });
    assert_eq!(a.doses[0].interval_h, Some(12.0));
    assert!(a.levels[1].below_limit && (a.levels[1].value - 0.5).abs() < 1e-15);
    assert!((b.doses[0].amount_mg - 250.0).abs() < 1e-12);
    assert_eq!(b.covariates.len(), 2);
}

#[test]
fn every_slip_has_its_own_words() {
    let cases = [
        (
            GOOD.replace("A,10,", "A,2,"),
            COVARIATES.to_owned(),
            FormatProblemCode::RowTwice,
        ),
        (
            GOOD.replace("A,2,,", "A,-2,,"),
            COVARIATES.to_owned(),
            FormatProblemCode::LevelBeforeDose,
        ),
        (
            GOOD.replace("500,mg", "500,"),
            COVARIATES.to_owned(),
            FormatProblemCode::CellMissing,
        ),
        (
            GOOD.replace(",30,12", ",,12"),
            COVARIATES.to_owned(),
            FormatProblemCode::CellMissing,
        ),
        (
            GOOD.replace("oral,,", "oral,30,"),
            COVARIATES.to_owned(),
            FormatProblemCode::CellNotWanted,
        ),
        (
            GOOD.replace("7.5,,", "7.5,0.5,"),
            COVARIATES.to_owned(),
            FormatProblemCode::CellNotWanted,
        ),
        (
            GOOD.replace("7.5,,mg/L", "7.5,,mg/l"),
            COVARIATES.to_owned(),
            FormatProblemCode::WordUnknown,
        ),
        (
            GOOD.replace(",12,", ",-12,"),
            COVARIATES.to_owned(),
            FormatProblemCode::NumberOutOfRange,
        ),
        (
            GOOD.to_owned(),
            COVARIATES.replace("kg,60", "kg,600"),
            FormatProblemCode::NumberOutOfRange,
        ),
        (
            GOOD.to_owned(),
            COVARIATES.replace("A,weight_kg,60,\n", ""),
            FormatProblemCode::CellMissing,
        ),
        (
            GOOD.to_owned(),
            COVARIATES.replace("A,weight", "C,weight"),
            FormatProblemCode::WordUnknown,
        ),
    ];
    for (observations, covariates, code) in cases {
        let found = problems(&observations, &covariates);
        assert!(
            found.iter().any(|problem| problem.code == code),
            "{code}: {found:?}"
        );
        assert!(found.iter().all(|problem| !problem.expected.is_empty()));
    }
}

/// Without a model a level before the dose is a matter of the rules.
#[test]
fn profiles_may_have_levels_before_the_dose() {
    let folder = written(&GOOD.replace("A,2,,", "A,-2,,"), COVARIATES);
    assert_eq!(
        read_profiles(&folder.path().join("observations.csv"))
            .unwrap()
            .len(),
        2
    );
    let missing = read_profiles(Path::new("no-such-table.csv")).unwrap_err();
    assert_eq!(missing[0].code, FormatProblemCode::FileMissing);
}
