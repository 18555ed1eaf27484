//! Fits, inverse prediction and detection limits against published numbers and R.

use serde_json::Value;
use spotwright_assay::calibration::{
    Curve, CurveError, InverseOutcome, critical_value, detection_limit, fit_curve, fit_curve_with_weights,
    inverse_prediction, quantification_limit,
};
use spotwright_domain::method::{CurveModel, Weighting};
use std::path::PathBuf;

fn straight(points: &[(f64, f64)]) -> Curve {
    fit_curve(points, CurveModel::Linear, Weighting::None).unwrap()
}

// DIN 32645:1994, example with ten standards: critical value 0.07 (0.0698), detection limit 0.14, quantification limit
// 0.212, 99 % half-width 0.07434 for a reading of 3500.
#[test]
fn din_32645() {
    let y = [
        3060.0, 3522.0, 3707.0, 4280.0, 5058.0, 5510.0, 5703.0, 6205.0, 7156.0, 7178.0,
    ];
    let points: Vec<(f64, f64)> = y
        .iter()
        .enumerate()
        .map(|(i, y)| (0.05 * (i + 1) as f64, *y))
        .collect();
    let curve = straight(&points);
    assert!((critical_value(&curve, 1, 0.01).unwrap() - 0.0698).abs() < 5e-5);
    assert!((detection_limit(&curve, 1, 0.01).unwrap() - 0.14).abs() < 5e-4);
    assert!((quantification_limit(&curve, 1, 0.01, 3.0).unwrap() - 0.212).abs() < 5e-4);
    let prediction = inverse_prediction(&curve, 3500.0, 1, 1.0, 0.01).unwrap();
    assert!(
        (prediction.half_width - 0.074_34).abs() < 5e-6,
        "{}",
        prediction.half_width
    );
}

// Massart et al. 1997, p. 175: y = 15 -> 6.1 ± 4.9; y = 90 -> 43.9 ± 4.9; mean of five readings at 90 -> ± 3.2.
#[test]
fn massart_example_1() {
    let curve = straight(&[
        (0.0, 4.0),
        (10.0, 21.2),
        (20.0, 44.6),
        (30.0, 61.8),
        (40.0, 78.0),
        (50.0, 105.2),
    ]);
    for (y, readings, value, half_width) in [(15.0, 1, 6.1, 4.9), (90.0, 1, 43.9, 4.9), (90.0, 5, 43.9, 3.2)]
    {
        let found = inverse_prediction(&curve, y, readings, 1.0, 0.05).unwrap();
        assert!(
            (found.value - value).abs() < 0.05 && (found.half_width - half_width).abs() < 0.05,
            "{found:?}"
        );
    }
}

// CAL-06 is σ over slope; here only that refusals are named.
#[test]
fn what_cannot_be_fitted_is_named() {
    assert_eq!(
        fit_curve(
            &[(0.0, 0.1), (1.0, 1.0), (2.0, 2.0)],
            CurveModel::Linear,
            Weighting::InverseX
        ),
        Err(CurveError::WeightUndefined { index: 0, found: 0.0 })
    );
    assert!(matches!(
        fit_curve(&[(1.0, 1.0), (2.0, 2.0)], CurveModel::Linear, Weighting::None),
        Err(CurveError::Fit(_))
    ));
    assert!(matches!(
        fit_curve(
            &[(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)],
            CurveModel::Linear,
            Weighting::None
        ),
        Err(CurveError::Fit(_))
    ));
    assert!(
        fit_curve(
            &[(1.0, f64::NAN), (2.0, 2.0), (3.0, 3.0)],
            CurveModel::Linear,
            Weighting::None
        )
        .is_err()
    );
    let flat = straight(&[(1.0, 1.0), (2.0, 1.0), (3.0, 1.0)]);
    assert_eq!(flat.inverse(1.0), InverseOutcome::NotComputable);
    assert_eq!(
        straight(&[(1.0, 1.0), (2.0, 2.0), (3.0, 3.1)]).inverse(f64::NAN),
        InverseOutcome::NotComputable
    );
}

// A parabola is inverted on its rising branch, whichever way it opens.
#[test]
fn inversion_takes_the_rising_branch() {
    let exact = |c: [f64; 3]| {
        let points: Vec<(f64, f64)> = (1..=8)
            .map(f64::from)
            .map(|x| (x, c[0] + c[1] * x + c[2] * x * x))
            .collect();
        fit_curve(&points, CurveModel::Quadratic, Weighting::None).unwrap()
    };
    for c in [[0.1, 2.0, -0.05], [0.1, 2.0, 0.05], [0.0, 1.0, -1e-9]] {
        let curve = exact(c);
        for x in [0.5, 3.0, 8.0] {
            let found = curve.inverse(c[0] + c[1] * x + c[2] * x * x).value().unwrap();
            assert!((found - x).abs() < 1e-9, "{c:?} {x} {found}");
        }
    }
    let turning = exact([0.0, 2.0, -0.25]);
    assert!((turning.turns_inside([1.0, 8.0]).unwrap() - 4.0).abs() < 1e-9);
    let InverseOutcome::AboveTurningPoint { turning_point } = turning.inverse(4.5) else {
        panic!("the top of the curve is 4")
    };
    assert!((turning_point - 4.0).abs() < 1e-9);
    assert!(turning.inverse(3.9).value().unwrap() < 4.0);
}

fn shared(name: &str) -> Option<String> {
    let path: PathBuf = [
        env!("CARGO_MANIFEST_DIR"),
        "../../../shared/data/calibration",
        name,
    ]
    .iter()
    .collect();
    let text = std::fs::read_to_string(path).ok();
    if text.is_none() {
        println!("skipped: {name} is not beside the repository (its licence keeps it out of it)");
    }
    text
}

fn columns(csv: &str, x: &str, y: &str) -> Vec<(f64, f64)> {
    let split = |line: &str| -> Vec<String> {
        line.split(',')
            .map(|cell| cell.trim().trim_matches('"').to_owned())
            .collect()
    };
    let mut lines = csv.lines();
    let header = split(lines.next().unwrap());
    let column = |name: &str| header.iter().position(|cell| cell == name).unwrap();
    let (x, y) = (column(x), column(y));
    lines
        .map(split)
        .filter_map(|cells| Some((cells.get(x)?.parse().ok()?, cells.get(y)?.parse().ok()?)))
        .collect()
}

fn numbers(value: &Value) -> Vec<Option<f64>> {
    value.as_array().unwrap().iter().map(Value::as_f64).collect()
}

/// Relative agreement, with what twelve printed digits leave.
fn agrees(found: f64, expected: f64, scale: f64) -> bool {
    (found - expected).abs() <= 1e-9 * expected.abs().max(1e-3 * scale)
}

// R 4.2.2 lm (`calib_ref.R` beside the data), 12 digits: coefficients, standard errors, σ, R², back-calculation.
#[test]
fn r_fits_agree_to_nine_digits() {
    let names = [
        "din32645_n10",
        "massart97_ex1",
        "massart97_ex3",
        "rl95_toluene_gcms",
        "din38402b1",
        "utstats14",
        "arsenic",
    ];
    let mut fits = 0;
    for name in names {
        let (Some(csv), Some(reference)) = (
            shared(&format!("{name}.csv")),
            shared(&format!("{name}.ref.json")),
        ) else {
            continue;
        };
        let reference: Value = serde_json::from_str(&reference).unwrap();
        let all = columns(
            &csv,
            reference["x"].as_str().unwrap(),
            reference["y"].as_str().unwrap(),
        );
        for (weight, weighting) in [
            ("none", Weighting::None),
            ("1/x", Weighting::InverseX),
            ("1/x2", Weighting::InverseXSquared),
        ] {
            for (degree, model) in [(1, CurveModel::Linear), (2, CurveModel::Quadratic)] {
                let expected = &reference[format!("w={weight},deg={degree}")];
                if expected.is_null() {
                    continue;
                }
                let points: Vec<(f64, f64)> = all
                    .iter()
                    .copied()
                    .filter(|(x, _)| weighting == Weighting::None || *x > 0.0)
                    .collect();
                let curve = fit_curve(&points, model, weighting).unwrap();
                let label = format!("{name} {weight} {degree}");
                let largest = points.iter().fold(0.0_f64, |m, (_, y)| m.max(y.abs()));
                for (k, (c, se)) in numbers(&expected["coef"])
                    .into_iter()
                    .zip(numbers(&expected["se"]))
                    .enumerate()
                {
                    let (c, se) = (c.unwrap(), se.unwrap());
                    assert!(
                        (curve.fit.coefficients[k] - c).abs() <= 1e-9 * c.abs().max(1e-3 * se),
                        "{label} coefficient {k}"
                    );
                    assert!(
                        agrees(curve.fit.standard_error(k), se, 0.0),
                        "{label} standard error {k}"
                    );
                }
                assert!(
                    agrees(
                        curve.fit.residual_standard_error,
                        expected["sigma"].as_f64().unwrap(),
                        0.0
                    ),
                    "{label}"
                );
                assert!(
                    agrees(
                        curve.fit.r_squared.unwrap(),
                        expected["r2"].as_f64().unwrap(),
                        0.0
                    ),
                    "{label}"
                );
                for ((_, y), back) in points.iter().zip(numbers(&expected["backcalc"])) {
                    // R's script cuts a negative discriminant at 0; we name the case.
                    if let (Some(found), Some(back)) = (curve.inverse(*y).value(), back) {
                        assert!(
                            agrees(found, back, largest.min(1.0)),
                            "{label} back-calculated {found} {back}"
                        );
                    }
                }
                fits += 1;
            }
        }
    }
    println!("{fits} fits compared with R");
}

// A real sequence: three batches of standards, two weights (Steinmetz et al. 2019; R lm).
#[test]
fn a_real_sequence_agrees_batch_by_batch() {
    let Some(text) = shared("gcms_tyrosol_sequence.ref.json") else {
        return;
    };
    let reference: Value = serde_json::from_str(&text).unwrap();
    let mut fits = 0;
    for (key, batch) in reference
        .as_object()
        .unwrap()
        .iter()
        .filter(|(key, _)| key.contains(";w="))
    {
        let weighting = match key.split("w=").nth(1).unwrap() {
            "none" => Weighting::None,
            "1/x" => Weighting::InverseX,
            _ => Weighting::InverseXSquared,
        };
        let points: Vec<(f64, f64)> = batch["std"]
            .as_array()
            .unwrap()
            .iter()
            .map(|std| (std["conc"].as_f64().unwrap(), std["area"].as_f64().unwrap()))
            .filter(|(x, _)| weighting == Weighting::None || *x > 0.0)
            .collect();
        assert_eq!(points.len() as u64, batch["n"].as_u64().unwrap(), "{key}");
        let curve = fit_curve(&points, CurveModel::Linear, weighting).unwrap();
        // The areas are printed to twelve digits; the intercept is small beside them.
        assert!(
            agrees(curve.fit.coefficients[1], batch["slope"].as_f64().unwrap(), 0.0),
            "{key}"
        );
        let intercept = batch["intercept"].as_f64().unwrap();
        assert!(
            (curve.fit.coefficients[0] - intercept).abs() <= 1e-9 * intercept.abs().max(1.0),
            "{key}"
        );
        assert!(
            agrees(
                curve.fit.residual_standard_error,
                batch["sigma"].as_f64().unwrap(),
                0.0
            ),
            "{key}"
        );
        fits += 1;
    }
    println!("{fits} batches compared with R");
    assert!(fits >= 3);
}

// R packages chemCal 0.2.3 and investr 1.4.2 (`chemcal_ref.R` beside the data), 12 digits.
#[test]
fn inverse_prediction_and_limits_agree() {
    let Some(text) = shared("limits_and_inverse_prediction.ref.json") else {
        return;
    };
    let reference: Value = serde_json::from_str(&text).unwrap();
    let mut sets = 0;
    for (file, expected) in reference
        .as_object()
        .unwrap()
        .iter()
        .filter(|(key, _)| key.ends_with(".csv"))
    {
        let fits: Value = serde_json::from_str(&shared(&file.replace(".csv", ".ref.json")).unwrap()).unwrap();
        let points = columns(
            &shared(file).unwrap(),
            fits["x"].as_str().unwrap(),
            fits["y"].as_str().unwrap(),
        );
        let curve = straight(&points);
        let of = |value: &Value| value.as_f64().unwrap();
        let prediction = inverse_prediction(&curve, of(&expected["y0"]), 1, 1.0, 0.05).unwrap();
        let by_r = &expected["inverse_predict"];
        for (found, expected) in [
            (prediction.value, of(&by_r["x"])),
            (prediction.standard_error, of(&by_r["se"])),
            (prediction.half_width, of(&by_r["conf"])),
            (
                critical_value(&curve, 1, 0.01).unwrap(),
                of(&expected["critical_value_a01"]),
            ),
            (
                detection_limit(&curve, 1, 0.01).unwrap(),
                of(&expected["lod_din_a01_b01"]),
            ),
        ] {
            assert!(agrees(found, expected, 0.0), "{file}: {found} {expected}");
        }
        for (alpha, key) in [(0.01, "loq_a01_k3"), (0.05, "loq_a05_k3")] {
            let found = quantification_limit(&curve, 1, alpha, 3.0).unwrap();
            // The package searches with R's optimize, whose own tolerance is 1.2e-4; the defining equation is checked to the
            // last digits beside it.
            assert!(
                (found / of(&expected[key]) - 1.0).abs() < 1.2e-4,
                "{file} {key}: {found} {}",
                expected[key]
            );
            let reading = curve.value_at(found);
            let half_width = inverse_prediction(&curve, reading, 1, 1.0, alpha)
                .unwrap()
                .half_width;
            assert!((3.0 * half_width / found - 1.0).abs() < 1e-9, "{file} {key}");
        }
        sets += 1;
    }
    println!("{sets} data sets compared with R");
    assert!(sets >= 7);
}

// Massart et al. 1997, p. 200 (weights 1/s² of each level, rounded as printed): y = 15, w = 1.67 -> 5.9 ± 2.5; y = 90,
// w = 0.145 -> 44.1 ± 7.9; chemCal's tests give 5.865367/0.8926109/2.478285 and 44.06025/2.829162/7.855012, on the level means.
#[test]
fn massart_example_3_weighted() {
    let Some(csv) = shared("massart97_ex3.csv") else {
        return;
    };
    let points = columns(&csv, "x", "y");
    let levels = [0.0, 10.0, 20.0, 30.0, 40.0, 50.0];
    let mut means = Vec::new();
    let mut weights = Vec::new();
    for level in levels {
        let y: Vec<f64> = points
            .iter()
            .filter(|(x, _)| (x - level).abs() < 1e-9)
            .map(|(_, y)| *y)
            .collect();
        let n = y.len() as f64;
        let mean = y.iter().sum::<f64>() / n;
        let s = (y.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (n - 1.0)).sqrt();
        let s = (s * 100.0).round() / 100.0;
        means.push((level, mean));
        weights.push((1000.0 / (s * s)).round() / 1000.0);
    }
    let curve = fit_curve_with_weights(&means, CurveModel::Linear, &weights).unwrap();
    for (y, weight, value, error, half_width) in [
        (15.0, 1.67, 5.865_367, 0.892_610_9, 2.478_285),
        (90.0, 0.145, 44.060_25, 2.829_162, 7.855_012),
    ] {
        let found = inverse_prediction(&curve, y, 5, weight, 0.05);
        let single = inverse_prediction(&curve, y, 1, weight, 0.05).unwrap();
        println!("{found:?} {single:?} {value} {error} {half_width}");
        assert!((single.value / value - 1.0).abs() < 1e-6);
        assert!((single.standard_error / error - 1.0).abs() < 1e-6);
        assert!((single.half_width / half_width - 1.0).abs() < 1e-6);
    }
}
