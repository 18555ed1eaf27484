//! Every vector of corpus/standards-checks that this room decides, driven straight into the rule.

use serde_json::Value;
use spotwright_assay::blanks::{Area, BlankReference, judge_blank};
use spotwright_assay::calibration::{CalibratorCheck, fit_curve, judge_calibrators};
use spotwright_assay::controls::{ControlLevel, controls_needed, judge_controls};
use spotwright_assay::incurred_repeat::{difference_pct, judge_repeats, repeats_needed};
use spotwright_assay::internal_standard::within_limits;
use spotwright_assay::limit::{relative_error_pct, same};
use spotwright_domain::injection::SampleRole;
use spotwright_domain::method::{CurveModel, Limits, Weighting};

fn corpus(name: &str) -> Value {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../corpus/standards-checks")
        .join(name);
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    value
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_f64().unwrap())
        .collect()
}

#[test]
fn calibrators_c1_to_c10() {
    let vectors = corpus("run_acceptance.json");
    let vectors = vectors["calibration"].as_array().unwrap();
    assert_eq!(vectors.len(), 10);
    for vector in vectors {
        let id = vector["id"].as_str().unwrap();
        let nominal = numbers(&vector["nominal"]);
        let errors = numbers(&vector["re_pct_after_refit"]);
        let checks: Vec<CalibratorCheck> = nominal
            .iter()
            .zip(&errors)
            .map(|(nominal, error)| CalibratorCheck {
                nominal: *nominal,
                relative_error_pct: Some(*error),
            })
            .collect();
        let decision = judge_calibrators(&checks, nominal[0], &Limits::default().calibration);
        let expect = &vector["expect"];
        assert_eq!(decision.accepted, expect["accept"].as_bool().unwrap(), "{id}");
        let failed: Vec<f64> = checks
            .iter()
            .zip(&decision.passes)
            .filter(|(_, passes)| !**passes)
            .map(|(c, _)| c.nominal)
            .collect();
        if expect["failed"].is_array() {
            assert_eq!(failed, numbers(&expect["failed"]), "{id}");
        }
        if let Some(replicates) = expect["failed_replicates"].as_array() {
            // [level, replicate from 1].
            let mut seen = std::collections::BTreeMap::new();
            let mut failing = Vec::new();
            for (check, passes) in checks.iter().zip(&decision.passes) {
                let replicate = seen.entry(check.nominal as u64).or_insert(0.0);
                *replicate += 1.0;
                if !passes {
                    failing.push(vec![check.nominal, *replicate]);
                }
            }
            assert_eq!(
                failing,
                replicates.iter().map(numbers).collect::<Vec<_>>(),
                "{id}"
            );
        }
        let range = decision.range.unwrap();
        for (key, found) in [("run_lloq", range[0]), ("run_uloq", range[1])] {
            if let Some(expected) = expect[key].as_f64() {
                assert!(same(found, expected), "{id} {key} {found}");
            }
        }
    }
}

#[test]
fn controls_q1_to_q10() {
    let vectors = corpus("run_acceptance.json");
    let vectors = vectors["qc"].as_array().unwrap();
    assert_eq!(vectors.len(), 10);
    for vector in vectors {
        let levels: Vec<ControlLevel> = ["low", "mid", "high"]
            .iter()
            .zip([3.0, 40.0, 80.0])
            .map(|(name, nominal)| ControlLevel {
                nominal,
                limit_pct: 15.0,
                errors_pct: numbers(&vector["re_pct_by_level"][name])
                    .into_iter()
                    .map(Some)
                    .collect(),
            })
            .collect();
        let decision = judge_controls(&levels, 60, &Limits::default().control);
        assert_eq!(
            decision.accepted,
            vector["expect_accept"].as_bool().unwrap(),
            "{}",
            vector["id"]
        );
    }
}

#[test]
fn interference_i1_to_i3() {
    let vectors = corpus("run_acceptance.json");
    let vectors = vectors["interference"].as_array().unwrap();
    assert_eq!(vectors.len(), 3);
    for vector in vectors {
        let area = |key: &str| Area {
            area_counts_s: vector[key].as_f64().unwrap(),
            standard_uncertainty_counts_s: 0.0,
        };
        let reference = BlankReference {
            lloq_response: vector["lloq_response"].as_f64().unwrap(),
            internal_standard_response: vector["is_response"].as_f64().unwrap(),
        };
        let decision = judge_blank(
            SampleRole::DoubleBlank,
            Some(area("blank_analyte")),
            Some(area("blank_is")),
            &reference,
            &Limits::default(),
        );
        assert_eq!(
            decision.passes(),
            vector["pass_"].as_bool().unwrap(),
            "{}",
            vector["id"]
        );
    }
}

#[test]
fn internal_standard_is1_to_is3() {
    let vectors = corpus("run_acceptance.json");
    let vectors = vectors["internal_standard"].as_array().unwrap();
    assert_eq!(vectors.len(), 3);
    for vector in vectors {
        let passes = within_limits(
            vector["sample"].as_f64().unwrap(),
            vector["mean_is"].as_f64().unwrap(),
            &Limits::default().internal_standard,
        );
        assert_eq!(passes, vector["pass_"].as_bool().unwrap(), "{}", vector["id"]);
    }
}

#[test]
fn counts_of_controls_and_incurred_repeats() {
    let rules = corpus("rules.json");
    for (samples, needed) in rules["qc_count"].as_object().unwrap() {
        let found = controls_needed(samples.parse().unwrap(), &Limits::default().control);
        assert_eq!(found as u64, needed.as_u64().unwrap(), "{samples}");
    }
    let limits = Limits::default().incurred_repeat;
    for (samples, needed) in rules["isr"]["count"].as_object().unwrap() {
        assert_eq!(
            repeats_needed(samples.parse().unwrap(), &limits) as u64,
            needed.as_u64().unwrap(),
            "{samples}"
        );
    }
    let pairs: Vec<(f64, f64)> = rules["isr"]["pairs"]
        .as_array()
        .unwrap()
        .iter()
        .map(|pair| (pair[0].as_f64().unwrap(), pair[1].as_f64().unwrap()))
        .collect();
    for ((original, repeat), expected) in pairs.iter().zip(numbers(&rules["isr"]["pct"])) {
        let found = difference_pct(*original, *repeat).unwrap();
        assert!((found - expected).abs() < 1e-7, "{found} {expected}");
    }
    let decision = judge_repeats(&pairs, &limits);
    assert_eq!(decision.passing as u64, rules["isr"]["n_pass"].as_u64().unwrap());
    assert_eq!(
        decision.accepted,
        rules["isr"]["meets_two_thirds"].as_bool().unwrap()
    );
}

// CAL-02. The corpus holds ten digits.
#[test]
fn the_calibration_example_with_every_weight() {
    let example = &corpus("statistics.json")["calibration"];
    let points: Vec<(f64, f64)> = numbers(&example["x"])
        .into_iter()
        .zip(numbers(&example["y"]))
        .collect();
    let close =
        |found: f64, expected: f64| (found - expected).abs() <= 5e-10 * expected.abs().max(1e-6) + 5e-13;
    for (name, weighting) in [
        ("1", Weighting::None),
        ("1/x", Weighting::InverseX),
        ("1/x2", Weighting::InverseXSquared),
    ] {
        let fit = &example["fits"][name];
        let curve = fit_curve(&points, CurveModel::Linear, weighting).unwrap();
        let c = &curve.fit.coefficients;
        assert!(close(c[0], fit["intercept"].as_f64().unwrap()), "{name} {}", c[0]);
        assert!(close(c[1], fit["slope"].as_f64().unwrap()), "{name} {}", c[1]);
        assert!(
            close(curve.fit.r_squared.unwrap(), fit["r2_weighted"].as_f64().unwrap()),
            "{name}"
        );
        let errors: Vec<f64> = points
            .iter()
            .map(|(x, y)| relative_error_pct(curve.inverse(*y).value().unwrap(), *x))
            .collect();
        for (found, expected) in errors.iter().zip(numbers(&fit["re_pct"])) {
            assert!((found - expected).abs() < 1e-6, "{name} {found} {expected}");
        }
    }
    let curve = fit_curve(&points, CurveModel::Linear, Weighting::InverseXSquared).unwrap();
    let unknown = curve
        .inverse(example["unknown_y"].as_f64().unwrap())
        .value()
        .unwrap();
    assert!(
        close(unknown, example["unknown_conc_1_x2"].as_f64().unwrap()),
        "{unknown}"
    );
    let curve = fit_curve(&points, CurveModel::Quadratic, Weighting::InverseXSquared).unwrap();
    let fit = &example["fits"]["quadratic_1/x2"];
    for (k, name) in ["c0", "c1", "c2"].iter().enumerate() {
        assert!(
            close(curve.fit.coefficients[k], fit[name].as_f64().unwrap()),
            "{name}"
        );
    }
    for ((x, y), expected) in points.iter().zip(numbers(&fit["re_pct"])) {
        let found = relative_error_pct(curve.inverse(*y).value().unwrap(), *x);
        assert!((found - expected).abs() < 1e-6, "{found} {expected}");
    }
}
