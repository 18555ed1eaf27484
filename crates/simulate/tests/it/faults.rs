//! Every fault singly in an otherwise clean run.

use spotwright_domain::injection::SampleRole;
use spotwright_simulate::{Acceptance, Fault, PanelKind, RunPlan, SimulateError, simulate_run};

#[test]
fn every_fault_can_be_planted_in_every_panel_and_is_told() {
    for kind in PanelKind::ALL {
        for fault in Fault::one_of_each() {
            let run = simulate_run(&RunPlan::with_fault(21, kind, fault)).unwrap();
            let truth = run.truth();
            assert_eq!(run.len(), RunPlan::USUAL_INJECTIONS);
            assert_eq!(truth.faults.len(), 1);
            assert_eq!(truth.faults[0].fault, fault.kind());
            assert!(!truth.faults[0].expected_reasons.is_empty());
            for order in &truth.faults[0].orders {
                let injection = run.injection_truth(*order as usize - 1);
                assert_eq!(injection.faults, [fault.kind()]);
            }
        }
    }
}

#[test]
fn a_clean_run_has_no_fault_and_everything_is_sound() {
    for kind in PanelKind::ALL {
        let run = simulate_run(&RunPlan::clean(8, kind)).unwrap();
        let truth = run.truth();
        assert!(truth.faults.is_empty());
        assert!(
            truth
                .analytes
                .iter()
                .all(|of| of.expected == Acceptance::Accepted)
        );
        for place in 0..run.len() {
            let injection = run.injection_truth(place);
            let idle = matches!(injection.role, SampleRole::Conditioning | SampleRole::DoubleBlank);
            for analyte in &injection.analytes {
                assert_eq!(analyte.sound, !idle);
                // Carry-over never matters in a clean run: under 5 % of anything above the lowest level.
                let within = analyte.case == spotwright_simulate::TrueCase::Within;
                assert!(!within || analyte.carry_over_pct < 2.5, "{analyte:?}");
            }
        }
    }
}

#[test]
fn exactly_two_thirds_of_the_controls_pass_and_every_level_keeps_half() {
    for seed in 0..5 {
        let plan = RunPlan::with_fault(
            seed,
            PanelKind::Antiretrovirals,
            Fault::ControlsAtTwoThirds { analyte: 0 },
        );
        let run = simulate_run(&plan).unwrap();
        let off = &run.truth().faults[0].orders;
        let controls: Vec<_> = run
            .injections()
            .filter(|i| i.role == SampleRole::Control)
            .collect();
        assert_eq!(off.len() * 3, controls.len());
        for level in ["QL", "QM", "QH"] {
            let of_level = |order: u32| {
                controls
                    .iter()
                    .any(|i| i.order == order && i.level.as_ref().unwrap().as_str() == level)
            };
            let all = controls.iter().filter(|i| of_level(i.order)).count();
            let failing = off.iter().filter(|order| of_level(**order)).count();
            // ICH M10 3.3.2: at least half of each level.
            assert!(failing * 2 <= all && failing > 0, "{level} {failing} of {all}");
        }
    }
}

#[test]
fn the_carry_over_fault_hides_from_the_blank_and_shows_in_the_weak_sample() {
    let plan = RunPlan::with_fault(
        4,
        PanelKind::Immunosuppressants,
        Fault::CarryOverIntoWeakSample { analyte: 0 },
    );
    let run = simulate_run(&plan).unwrap();
    let truth = run.truth();
    let met = truth.faults[0].orders[0] as usize - 1;
    let weak = run.injection_truth(met);
    assert!(
        weak.analytes[0].carry_over_pct > 10.0,
        "{}",
        weak.analytes[0].carry_over_pct
    );
    for place in 0..run.len() {
        let injection = run.injection_truth(place);
        let others = injection.role == SampleRole::Patient && place != met && injection.analytes[0].asked;
        if others && injection.analytes[0].case == spotwright_simulate::TrueCase::Within {
            assert!(injection.analytes[0].carry_over_pct < 5.0, "{injection:?}");
        }
    }
    // The blank right after the highest calibrator: below 20 % of the LLOQ response (ICH M10 3.2.6).
    let roles: Vec<SampleRole> = run.injections().map(|i| i.role).collect();
    let area = |place: usize| run.injection_truth(place).transitions[4].area_counts_s;
    let lowest = roles
        .iter()
        .position(|role| *role == SampleRole::Calibrator)
        .unwrap();
    for place in 1..roles.len() {
        if roles[place] == SampleRole::CarryOverBlank && roles[place - 1] == SampleRole::Calibrator {
            assert!(area(place) < 0.2 * area(lowest));
        }
    }
}

#[test]
fn what_cannot_be_planted_is_refused() {
    let plan = RunPlan::with_fault(1, PanelKind::IvermectinRound, Fault::CrossTalk { analyte: 2 });
    assert!(matches!(
        simulate_run(&plan),
        Err(SimulateError::NoSuchAnalyte {
            found: 2,
            analytes: 2
        })
    ));
    let mut plan = RunPlan::clean(1, PanelKind::Immunosuppressants);
    plan.injections = 50;
    assert!(matches!(
        simulate_run(&plan),
        Err(SimulateError::TooFewInjections { found: 50, .. })
    ));
    plan.injections = 110;
    plan.faults = vec![Fault::CalibrationStockWrong { bias_pct: f64::NAN }];
    assert!(matches!(
        simulate_run(&plan),
        Err(SimulateError::OutsideRange { .. })
    ));
}

#[test]
fn the_demo_faults_find_their_samples_for_any_seed() {
    for seed in 0..60 {
        let mut plan = spotwright_simulate::DayPlan::demo();
        plan.seed = seed;
        for run in plan.runs() {
            let planted = simulate_run(&run)
                .unwrap_or_else(|error| panic!("seed {seed}: {error}"))
                .truth()
                .faults
                .len();
            assert_eq!(planted, run.faults.len());
        }
    }
}
