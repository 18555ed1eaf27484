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
