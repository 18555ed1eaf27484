//! Traces against the truth that comes with them.

use spotwright_domain::injection::SampleRole;
use spotwright_simulate::{PanelKind, RunPlan, simulate_run};

#[test]
fn the_trapezoid_of_a_noise_free_trace_is_the_true_area() {
    // Sampling a smooth peak at a step well below its σ and adding up is exact to far better than 0.1 % (Poisson
    // summation); what is checked is that the points drawn and the area told belong together.
    for kind in PanelKind::ALL {
        let run = simulate_run(&RunPlan::clean(11, kind)).unwrap();
        for place in (0..run.len()).step_by(7) {
            let truth = run.injection_truth(place);
            for (transition, of) in truth.transitions.iter().enumerate() {
                let (times, signal) = run.noise_free_compound(place, transition);
                let steps = times.windows(2).zip(signal.windows(2));
                let area: f64 = steps.map(|(t, y)| 30.0 * (t[1] - t[0]) * (y[0] + y[1])).sum();
                let error = (area - of.area_counts_s).abs();
                assert!(
                    error <= 1e-3 * of.area_counts_s + 1e-9,
                    "{} {area}",
                    of.transition
                );
                let highest = signal.iter().copied().fold(0.0, f64::max);
                assert!(highest <= of.height_counts * (1.0 + 1e-9) && highest >= 0.97 * of.height_counts);
            }
        }
    }
}

#[test]
fn baseline_points_scatter_as_the_truth_says() {
    let run = simulate_run(&RunPlan::clean(3, PanelKind::Immunosuppressants)).unwrap();
    let place = run
        .injections()
        .position(|i| i.role == SampleRole::DoubleBlank)
        .unwrap();
    let truth = run.injection_truth(place);
    for (trace, of) in run.traces(place).iter().zip(&truth.transitions) {
        // Differences of neighbours a minute after everything has eluted: slow wander drops out, σ·√2 remains.
        let tail: Vec<f64> = trace.intensity.iter().copied().skip(330).collect();
        let squares: f64 = tail
            .windows(2)
            .map(|pair| (pair[1] - pair[0]) * (pair[1] - pair[0]))
            .sum();
        let noise = (squares / (2.0 * (tail.len() - 1) as f64)).sqrt();
        // About 90 differences: the relative standard error of the estimate is some 9 %; four of them.
        assert!(
            (noise / of.baseline_noise_counts - 1.0).abs() < 0.36,
            "{} {noise}",
            of.transition
        );
    }
}

#[test]
fn the_weakest_lowest_calibrator_has_a_signal_to_noise_near_ten() {
    for kind in PanelKind::ALL {
        let run = simulate_run(&RunPlan::clean(5, kind)).unwrap();
        let mut weakest = f64::INFINITY;
        for place in 0..run.len() {
            let truth = run.injection_truth(place);
            if truth.level.as_ref().is_some_and(|level| level.as_str() == "C1") {
                for analyte in &truth.analytes {
                    let name = analyte.analyte.as_str();
                    let quantifier = truth.transitions.iter().find(|of| of.transition == name).unwrap();
                    weakest = weakest.min(quantifier.signal_to_noise);
                }
            }
        }
        assert!((6.0..13.0).contains(&weakest), "{kind:?} {weakest}");
    }
}

#[test]
fn a_standard_is_where_it_belongs_and_nowhere_else() {
    let run = simulate_run(&RunPlan::clean(5, PanelKind::Antiretrovirals)).unwrap();
    let standards = run.method().internal_standards.len();
    for (injection, traces, truth) in run.iter() {
        for (trace, of) in traces.iter().zip(&truth.transitions).take(standards) {
            let highest = trace.intensity.iter().skip(110).copied().fold(0.0, f64::max);
            match injection.role.carries_internal_standard() {
                Some(true) => {
                    assert!(of.signal_to_noise > 100.0 && highest > 50.0 * of.baseline_noise_counts)
                }
                Some(false) => assert!(of.signal_to_noise < 1.0),
                None => {}
            }
        }
    }
}

#[test]
fn ratios_scatter_by_the_preparation_error_and_areas_by_more() {
    // Stated in docs/truth.md: 3.0 % preparation error and 1 % residual suppression.
    let expected = (0.030_f64 * 0.030 + 0.01 * 0.01).sqrt();
    let (mut ratios, mut standards) = (Vec::new(), Vec::new());
    for seed in 0..40 {
        let run = simulate_run(&RunPlan::clean(seed, PanelKind::Immunosuppressants)).unwrap();
        let first = run.injection_truth(0).transitions[0].area_counts_s;
        for place in 0..run.len() {
            let truth = run.injection_truth(place);
            if truth.role == SampleRole::Control && truth.level.as_ref().unwrap().as_str() == "QH" {
                // Tacrolimus: transition 4 against standard 0.
                let ratio = truth.transitions[4].area_counts_s / truth.transitions[0].area_counts_s;
                ratios.push(libm::log(ratio / truth.analytes[0].concentration));
                standards.push(libm::log(truth.transitions[0].area_counts_s / first));
            }
        }
    }
    let deviation = |values: &[f64]| {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let squares = values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>();
        (squares / (values.len() - 1) as f64).sqrt()
    };
    // 200 values: the standard error of a standard deviation is 5 %; four of them.
    assert!(
        (deviation(&ratios) / expected - 1.0).abs() < 0.2,
        "{} {expected}",
        deviation(&ratios)
    );
    // Areas scatter by injection, suppression and drift too: 5 to 15 %.
    assert!(
        (0.05..0.15).contains(&deviation(&standards)),
        "{}",
        deviation(&standards)
    );
}
