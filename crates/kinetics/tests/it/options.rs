//! Options and refusals.

use crate::cases::{
    every, evidence, infused, level, newborn, person, phenytoin_adult, running, signed, sodium,
    tacrolimus_adult,
};
use spotwright_domain::concentration::ConcentrationUnit::{self, MilligramPerLitre, NanogramPerMillilitre};
use spotwright_domain::interpretation::OptionKind;
use spotwright_domain::matrix::{MatrixKind, Plasma, WholeBlood};
use spotwright_kinetics::model::embedded;
use spotwright_kinetics::options::{
    Answer, Case, DrugTable, Evidence, SystemicMatrix, TOXIC_PROBABILITY, TargetRange, Wanted, estimate_case,
    offer,
};
use spotwright_kinetics::refusal::RefusalCode;
use spotwright_kinetics::structure::Route;

fn targets(drug: &str) -> Vec<TargetRange> {
    DrugTable::embedded().drug(drug).unwrap().targets.clone()
}

fn wanted(targets: Vec<TargetRange>) -> Wanted {
    Wanted {
        targets,
        most_options: 12,
        seed: 5,
    }
}

fn shown(answer: &Answer) -> String {
    let mut out = String::new();
    for refusal in &answer.refusals {
        out.push_str(&format!(
            "REFUSED {}: {} | lifted by {}\n",
            refusal.code.code(),
            refusal.reason,
            refusal.lifted_by
        ));
    }
    for caution in &answer.cautions {
        out.push_str(&format!("! {caution}\n"));
    }
    for option in &answer.options {
        out.push_str(&option.label);
        if let (Some(inside), Some(change)) = (option.in_all, option.daily_change_pct) {
            out.push_str(&format!(" | daily {change:+.0} % | in all {inside:.3}"));
        }
        for odds in &option.odds {
            out.push_str(&format!(
                " | {:.3}/{:.3}/{:.3}",
                odds.below, odds.inside, odds.above
            ));
        }
        if let Some(toxic) = option.toxic {
            out.push_str(&format!(" | toxic {toxic:.3}"));
        }
        for (what, spread) in [
            ("trough", option.trough),
            ("peak", option.peak),
            ("AUC24", option.auc_24_h),
        ] {
            if let Some(spread) = spread {
                out.push_str(&format!(
                    " | {what} {:.3} ({:.3}-{:.3})",
                    spread.median, spread.low_90, spread.high_90
                ));
            }
        }
        if let Some([median, late]) = option.steady_state_h {
            out.push_str(&format!(" | steady {median:.0} h ({late:.0})"));
        }
        if let Some(loading) = &option.loading {
            out.push_str(&format!(" | load {} mg", loading.labelled_mg));
        }
        for note in &option.notes {
            out.push_str(&format!(" | {note}"));
        }
        out.push('\n');
    }
    out
}

fn codes(answer: &Answer) -> Vec<&'static str> {
    answer
        .refusals
        .iter()
        .map(|refusal| refusal.code.code())
        .collect()
}

/// What every answer must keep, whatever the case (SAFE-05, SAFE-06 and the guards of the models).
fn keeps_the_rules<M: SystemicMatrix>(case: &Case<'_, M>, answer: &Answer) {
    assert!(
        answer
            .cautions
            .iter()
            .any(|caution| caution.contains("not an order"))
    );
    for rule in &case.model().guards.rules {
        assert!(answer.cautions.contains(rule), "{rule}");
    }
    assert_eq!(answer.refusals.is_empty(), !answer.options.is_empty());
    if answer.options.is_empty() {
        return;
    }
    let kinds: Vec<OptionKind> = answer.options.iter().map(|option| option.kind).collect();
    assert_eq!(
        kinds
            .iter()
            .filter(|kind| **kind == OptionKind::RepeatLevel)
            .count(),
        1
    );
    assert!(
        answer.options[0]
            .toxic
            .is_none_or(|toxic| toxic <= TOXIC_PROBABILITY)
    );
    let dosing = &case.model().dosing;
    let running = case.running().unwrap();
    let now = running.labelled_mg * 24.0 / running.interval_h;
    for option in &answer.options {
        let Some(regimen) = &option.regimen else { continue };
        for odds in &option.odds {
            assert!((odds.below + odds.inside + odds.above - 1.0).abs() < 1e-9);
        }
        if option.kind != OptionKind::ChangeDose {
            continue;
        }
        let steps = regimen.labelled_mg / dosing.step_mg;
        assert!((steps - steps.round()).abs() < 1e-6, "{}", option.label);
        assert!(
            dosing
                .max_mg_per_dose
                .is_none_or(|most| regimen.labelled_mg <= most + 1e-9)
        );
        assert!(regimen.labelled_mg >= dosing.min_mg - 1e-9);
        assert!(dosing.intervals_h.contains(&regimen.interval_h));
        assert!(
            regimen.daily_mg() / now - 1.0 <= dosing.max_change_per_step + 0.006,
            "{}",
            option.label
        );
        // A first dose never lifts the level to where the regimen would not keep it.
        if option.loading.is_some() {
            assert!(option.odds[0].predicted.unwrap().median >= answer.targets[0].low.unwrap());
        }
        if regimen.route == Route::Extravascular {
            let least = -dosing.max_change_per_step - 0.006;
            assert!(regimen.daily_mg() / now - 1.0 >= least, "{}", option.label);
        }
        assert!(
            dosing
                .max_daily_increase_mg
                .is_none_or(|most| regimen.daily_mg() - now <= most + 1e-6)
        );
        if !regimen.pieces.is_empty() {
            let made: f64 = regimen
                .pieces
                .iter()
                .map(|(count, size)| f64::from(*count) * size)
                .sum();
            assert!((made - regimen.labelled_mg).abs() < 1e-6);
        }
    }
}

fn answer_for<M: SystemicMatrix>(
    case: &Case<'_, M>,
    evidence: &Evidence,
    targets: Vec<TargetRange>,
) -> Answer {
    let answer = offer(case, evidence, &wanted(targets));
    keeps_the_rules(case, &answer);
    answer
}

#[test]
fn tacrolimus_in_whole_blood() {
    let model = signed("tacrolimus_adult_kidney");
    let levels = [level::<WholeBlood>(144.0, 5.5, NanogramPerMillilitre)];
    let case = Case::new(
        &model,
        &tacrolimus_adult(),
        &[every(0.0, 3.0, 12.0)],
        &levels,
        144.0,
    )
    .unwrap();
    let answer = answer_for(
        &case,
        &evidence(&case, &[0.1], 0.4),
        vec![targets("tacrolimus")[1].clone()],
    );
    insta::assert_snapshot!(shown(&answer));
}

#[test]
fn an_unsigned_model_shows_no_option() {
    let model = embedded("tacrolimus_adult_kidney").unwrap();
    let levels = [level::<WholeBlood>(144.0, 5.5, NanogramPerMillilitre)];
    let case = Case::new(
        &model,
        &tacrolimus_adult(),
        &[every(0.0, 3.0, 12.0)],
        &levels,
        144.0,
    )
    .unwrap();
    let answer = answer_for(&case, &evidence(&case, &[], 0.4), targets("tacrolimus"));
    assert!(
        codes(&answer).iter().all(|code| *code == "model-unsigned"),
        "{}",
        shown(&answer)
    );
}

/// The haematocrit of the model is a covariate of clearance: blood thinner in red cells clears faster (exponent -0.76
/// in the published model).
#[test]
fn tacrolimus_clearance_follows_the_haematocrit() {
    let model = signed("tacrolimus_adult_kidney");
    let clearance = |hct: f64| {
        let mut person = tacrolimus_adult();
        person.facts[2].value = hct;
        let levels = [level::<WholeBlood>(144.0, 5.5, NanogramPerMillilitre)];
        let case = Case::new(&model, &person, &[every(0.0, 3.0, 12.0)], &levels, 144.0).unwrap();
        let knot = case.problem().typical.knots.last().unwrap();
        knot.values
            .get(spotwright_kinetics::structure::ParameterName::Clearance)
            .unwrap()
    };
    let ratio = clearance(0.24) / clearance(0.34);
    assert!((ratio - libm::pow(0.24 / 0.34, -0.76)).abs() < 1e-12);
}

#[test]
fn a_newborn_with_a_high_trough_is_offered_longer_intervals() {
    let model = signed("gentamicin_neonate");
    // Peak and trough from two spots.
    let levels = [
        level::<Plasma>(25.0, 11.0, MilligramPerLitre),
        level::<Plasma>(47.5, 1.9, MilligramPerLitre),
    ];
    let case = Case::new(
        &model,
        &newborn(),
        &[infused(0.0, 10.0, 24.0, 0.5)],
        &levels,
        48.0,
    )
    .unwrap();
    let answer = answer_for(
        &case,
        &evidence(&case, &[-0.45, -0.1], 0.4),
        targets("gentamicin"),
    );
    insta::assert_snapshot!(shown(&answer));
    assert!(answer.options[0].regimen.as_ref().unwrap().interval_h > 24.0);
}

#[test]
fn phenytoin_near_saturation_is_raised_carefully_or_not_at_all() {
    let model = embedded("phenytoin").unwrap();
    let dose = running(sodium(every(0.0, 150.0, 12.0)));
    let at = |mg_per_l: f64, mean: &[f64]| {
        let levels = [level::<Plasma>(12.0, mg_per_l, MilligramPerLitre)];
        let case = Case::new(
            &model,
            &phenytoin_adult(),
            std::slice::from_ref(&dose),
            &levels,
            12.0,
        )
        .unwrap();
        let answer = answer_for(&case, &evidence(&case, mean, 0.3), targets("phenytoin"));
        for option in &answer.options {
            if let (Some(regimen), OptionKind::ChangeDose) = (&option.regimen, option.kind) {
                let rise = regimen.daily_mg() - 300.0;
                assert!(
                    rise <= if mg_per_l > 10.0 { 25.0 } else { 50.0 } + 1e-9,
                    "{}",
                    option.label
                );
            }
        }
        shown(&answer)
    };
    insta::assert_snapshot!("phenytoin_low", at(5.0, &[0.1, -0.1]));
    insta::assert_snapshot!("phenytoin_steep", at(26.0, &[-0.3, 0.2]));
}

/// Sodium phenytoin counts as 0.92 of its label; without its form a dose is refused.
#[test]
fn phenytoin_counts_as_acid() {
    let model = embedded("phenytoin").unwrap();
    let levels = [level::<Plasma>(12.0, 9.0, MilligramPerLitre)];
    let dose = running(every(0.0, 150.0, 12.0));
    let refused = Case::new(
        &model,
        &phenytoin_adult(),
        std::slice::from_ref(&dose),
        &levels,
        12.0,
    )
    .unwrap_err();
    assert_eq!(refused[0].code, RefusalCode::DoseBasisUnknown);
    let case = Case::new(&model, &phenytoin_adult(), &[sodium(dose)], &levels, 12.0).unwrap();
    let steady = case.problem().history.steady_state.unwrap();
    assert!((steady.dose.amount - 138.0).abs() < 1e-9);
}

#[test]
fn an_efavirenz_genotype_nobody_determined_widens_the_spread_or_refuses() {
    let model = signed("efavirenz_adult");
    let mut someone = person(&[
        ("age_y", 34.0, "years"),
        ("weight_kg", 62.0, "kg"),
        ("days_on_drug", 90.0, "day"),
    ]);
    let levels = [level::<Plasma>(230.0, 2.4, MilligramPerLitre)];
    let dose = running(every(0.0, 600.0, 24.0));
    let case = |person: &spotwright_kinetics::model::person::Person| {
        Case::new(&model, person, std::slice::from_ref(&dose), &levels, 240.0).unwrap()
    };
    let without = case(&someone);
    let answer = answer_for(&without, &evidence(&without, &[], 0.5), targets("efavirenz"));
    assert_eq!(codes(&answer), ["covariate-unanswered"]);
    someone.genotype_frequencies = Some([0.5, 0.4, 0.1]);
    let mixed = case(&someone);
    let knot = mixed.problem().typical.knots.last().unwrap().values;
    let clearance = knot
        .get(spotwright_kinetics::structure::ParameterName::Clearance)
        .unwrap();
    // The mix by hand: 9.5 L/h times the geometric mean of 1, 0.5 and 0.25 by frequency.
    let (half, quarter) = (libm::log(0.5), libm::log(0.25));
    let mean = 0.4 * half + 0.1 * quarter;
    assert!((clearance - 9.5 * libm::exp(mean)).abs() < 1e-9);
    let second = 0.4 * half * half + 0.1 * quarter * quarter;
    let variance = 0.09 + second - mean * mean;
    assert!((mixed.problem().effects.covariance[0] - variance).abs() < 1e-12);
    let answer = answer_for(&mixed, &evidence(&mixed, &[], 0.5), targets("efavirenz"));
    insta::assert_snapshot!(shown(&answer));
}

#[test]
fn ivermectin_is_exposure_only() {
    let model = signed("ivermectin_mda");
    let someone = person(&[("age_y", 30.0, "years"), ("weight_kg", 60.0, "kg")]);
    let mut dose = every(0.0, 12.0, 24.0);
    dose.repetition = spotwright_kinetics::model::person::Repetition::Once;
    let levels = [level::<Plasma>(5.0, 30.0, NanogramPerMillilitre)];
    let case = Case::new(&model, &someone, &[dose], &levels, 24.0).unwrap();
    let answer = answer_for(&case, &evidence(&case, &[], 0.5), targets("ivermectin"));
    assert_eq!(codes(&answer), ["interval-unknown", "exposure-only"]);
}

#[test]
fn a_trough_drawn_at_the_wrong_time_is_read_as_what_it_is() {
    let model = embedded("lamotrigine").unwrap();
    let mut someone = person(&[("weight_kg", 70.0, "kg"), ("age_y", 30.0, "years")]);
    for flag in ["vpa", "pht", "pb_or_prm", "cbz"] {
        someone.facts.push(crate::cases::fact(flag, 0.0, "0/1"));
    }
    someone.states = Some(vec!["maintenance".to_owned()]);
    let dose = running(every(0.0, 100.0, 12.0));
    let levels = [level::<Plasma>(123.0, 6.0, MilligramPerLitre)];
    let case = Case::new(&model, &someone, std::slice::from_ref(&dose), &levels, 132.0).unwrap();
    assert!((case.hours_since_dose(123.0).unwrap() - 3.0).abs() < 1e-9);
    // A sample at a dose's own time is taken before it.
    assert!((case.hours_since_dose(120.0).unwrap() - 12.0).abs() < 1e-9);
    let answer = answer_for(&case, &evidence(&case, &[0.1], 0.5), targets("lamotrigine"));
    assert!(
        answer
            .cautions
            .iter()
            .any(|c| c.contains("3.0 h after a dose, 9.0 h before the next"))
    );
    insta::assert_snapshot!(shown(&answer));
    someone.states = Some(Vec::new());
    let case = Case::new(&model, &someone, &[dose], &levels, 132.0).unwrap();
    let answer = answer_for(&case, &evidence(&case, &[0.1], 0.5), targets("lamotrigine"));
    assert_eq!(codes(&answer), ["titration"]);
}

#[test]
fn what_the_estimate_says_against_itself_stops_the_options() {
    let model = signed("tacrolimus_adult_kidney");
    let levels = [level::<WholeBlood>(144.0, 5.5, NanogramPerMillilitre)];
    let case = Case::new(
        &model,
        &tacrolimus_adult(),
        &[every(0.0, 3.0, 12.0)],
        &levels,
        144.0,
    )
    .unwrap();
    let good = evidence(&case, &[], 0.4);
    let with = |change: &dyn Fn(&mut Evidence)| {
        let mut evidence = good.clone();
        change(&mut evidence);
        let answer = answer_for(&case, &evidence, targets("tacrolimus")[..1].to_vec());
        codes(&answer).join(",")
    };
    assert_eq!(with(&|_| {}), "");
    assert_eq!(
        with(&|e| e.not_converged = Some("gradient of 3".to_owned())),
        "not-converged"
    );
    assert_eq!(
        with(&|e| e.surprises.push("above the 99.9th percentile".to_owned())),
        "surprise"
    );
    assert_eq!(with(&|e| e.effective_draws = 80.0), "too-few-draws");
    assert_eq!(with(&|e| e.effective_draws = f64::NAN), "too-few-draws");
    assert_eq!(with(&|e| e.draws[3] = f64::NAN), "too-few-draws");
    let none = answer_for(&case, &good, Vec::new());
    assert_eq!(codes(&none), ["no-target"]);
    let mut other = targets("tacrolimus")[0].clone();
    other.matrix = MatrixKind::Plasma;
    assert_eq!(codes(&answer_for(&case, &good, vec![other])), ["target-unfit"]);
}

#[test]
fn an_area_of_mycophenolic_acid_needs_three_samples() {
    let model = signed("mycophenolic_acid_adult_kidney");
    let someone = person(&[
        ("ciclosporin", 0.0, "0/1"),
        ("days_after_tx", 200.0, "day"),
        ("age_y", 45.0, "years"),
        ("weight_kg", 75.0, "kg"),
    ]);
    let levels: Vec<_> = [(121.0, 12.0), (124.0, 5.0), (132.0, 2.0)]
        .map(|(time, value)| level::<Plasma>(time, value, MilligramPerLitre))
        .to_vec();
    for (count, expected) in [(1, "too-few-samples-for-area"), (3, "")] {
        let doses = [running(every(0.0, 1000.0, 12.0))];
        let case = Case::new(&model, &someone, &doses, &levels[..count], 132.0).unwrap();
        let answer = answer_for(&case, &evidence(&case, &[], 0.3), targets("mycophenolic acid"));
        assert_eq!(codes(&answer).join(","), expected, "{}", shown(&answer));
    }
}

#[test]
fn a_newborns_phenobarbital_far_from_steady_state_may_be_loaded() {
    let model = embedded("phenobarbital_neonate").unwrap();
    let mut someone = person(&[
        ("weight_kg", 2.8, "kg"),
        ("pna_days", 2.0, "day"),
        ("ga_weeks", 38.0, "weeks"),
    ]);
    someone.states = Some(Vec::new());
    let levels = [level::<Plasma>(47.0, 9.0, MilligramPerLitre)];
    let case = Case::new(&model, &someone, &[infused(0.0, 8.0, 24.0, 0.5)], &levels, 48.0).unwrap();
    let answer = answer_for(&case, &evidence(&case, &[], 0.5), targets("phenobarbital"));
    insta::assert_snapshot!(shown(&answer));
    let load = answer
        .options
        .iter()
        .find_map(|option| option.loading.clone())
        .unwrap();
    assert!(load.labelled_mg <= 40.0 * 2.8 && load.toxic.unwrap() <= TOXIC_PROBABILITY);
}

/// A level of the other matrix never meets the model.
#[test]
fn a_plasma_level_is_refused_by_a_whole_blood_model() {
    let model = signed("tacrolimus_adult_kidney");
    let levels = [level::<Plasma>(
        144.0,
        5.5,
        ConcentrationUnit::NanogramPerMillilitre,
    )];
    let refused = Case::new(
        &model,
        &tacrolimus_adult(),
        &[every(0.0, 3.0, 12.0)],
        &levels,
        144.0,
    )
    .unwrap_err();
    assert_eq!(refused[0].code, RefusalCode::WrongMatrix);
}

/// The same case gives the same bits.
#[test]
fn the_same_case_gives_the_same_answer() {
    let model = signed("tacrolimus_adult_kidney");
    let levels = [level::<WholeBlood>(144.0, 5.5, NanogramPerMillilitre)];
    let case = Case::new(
        &model,
        &tacrolimus_adult(),
        &[every(0.0, 3.0, 12.0)],
        &levels,
        144.0,
    )
    .unwrap();
    let evidence = evidence(&case, &[], 0.4);
    let once = offer(&case, &evidence, &wanted(targets("tacrolimus")));
    assert_eq!(once, offer(&case, &evidence, &wanted(targets("tacrolimus"))));
}

/// From levels to options, with the posterior of the levels themselves. Ten times the level the doses can make stops the
/// advice: a wrong sample until shown otherwise.
#[test]
fn levels_lead_to_options_and_a_surprising_one_to_none() {
    let model = signed("tacrolimus_adult_kidney");
    let at = |ng_per_ml: f64| {
        let levels = [level::<WholeBlood>(143.9, ng_per_ml, NanogramPerMillilitre)];
        let case = Case::new(
            &model,
            &tacrolimus_adult(),
            &[every(0.0, 3.0, 12.0)],
            &levels,
            144.0,
        )
        .unwrap();
        let estimated = estimate_case(&case, 4).unwrap();
        let answer = answer_for(&case, &estimated.evidence, vec![targets("tacrolimus")[1].clone()]);
        (answer, estimated)
    };
    let (answer, estimated) = at(3.6);
    insta::assert_snapshot!("tacrolimus_from_its_level", shown(&answer));
    assert!(estimated.evidence.effective_draws >= 400.0);
    // A lower level asks for more: the leading option's dose does not fall.
    let leading = |answer: &Answer| answer.options[0].regimen.as_ref().unwrap().labelled_mg;
    assert!(leading(&at(2.5).0) >= leading(&answer));
    let (answer, _) = at(60.0);
    assert!(codes(&answer).contains(&"surprise"));
    assert!(answer.options.is_empty());
    insta::assert_snapshot!("tacrolimus_surprise", shown(&answer));
}

/// Two spots of a newborn, at the peak and before the next dose, and the model's own posterior.
#[test]
fn two_spots_of_a_newborn_lead_to_an_interval() {
    let model = signed("gentamicin_neonate");
    let levels = [
        level::<Plasma>(1.0, 9.5, MilligramPerLitre),
        level::<Plasma>(23.9, 1.6, MilligramPerLitre),
    ];
    let case = Case::new(
        &model,
        &newborn(),
        &[infused(0.0, 10.0, 24.0, 0.5)],
        &levels,
        24.0,
    )
    .unwrap();
    let estimated = estimate_case(&case, 4).unwrap();
    let answer = answer_for(&case, &estimated.evidence, targets("gentamicin"));
    insta::assert_snapshot!(shown(&answer));
}

/// A saturable drug from its level.
#[test]
fn phenytoin_from_its_level() {
    let model = embedded("phenytoin").unwrap();
    let dose = sodium(every(0.0, 150.0, 12.0));
    let levels = [level::<Plasma>(24.0 * 28.0 - 0.1, 7.5, MilligramPerLitre)];
    let case = Case::new(&model, &phenytoin_adult(), &[dose], &levels, 24.0 * 28.0).unwrap();
    let estimated = estimate_case(&case, 4).unwrap();
    let answer = answer_for(&case, &estimated.evidence, targets("phenytoin"));
    insta::assert_snapshot!(shown(&answer));
}
