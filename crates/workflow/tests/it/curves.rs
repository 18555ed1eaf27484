//! `curve` against published calibrations and R.

use serde_json::Value;
use spotwright_domain::method::{CurveModel, Weighting};
use spotwright_workflow::curve::{CurveFit, CurveReport, CurveRequest, CurveTableError, fit_table};
use std::path::{Path, PathBuf};

fn request(model: CurveModel, weighting: Option<Weighting>, readings: &[f64]) -> CurveRequest {
    CurveRequest {
        x: None,
        y: None,
        only: Vec::new(),
        model,
        weighting,
        readings: readings.to_vec(),
    }
}

fn fitted(table: &str, request: &CurveRequest) -> CurveReport {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("table.csv");
    std::fs::write(&path, table).unwrap();
    fit_table(&path, request).unwrap_or_else(|error| panic!("{error}"))
}

fn only(report: &CurveReport) -> &CurveFit {
    let [fit] = report.fits.as_slice() else {
        panic!("one fit, not {}", report.fits.len())
    };
    assert_eq!(fit.failure, None);
    fit
}

/// DIN 32645:1994, example with ten standards.
const DIN: &str = "x,y\n0.05,3060\n0.1,3522\n0.15,3707\n0.2,4280\n0.25,5058\n0.3,5510\n0.35,5703\n0.4,6205\n0.45,7156\n0.5,7178\n";

// DIN 32645:1994: critical value 0.07 (0.0698), detection limit 0.14, quantification limit 0.212, at 1 %.
#[test]
fn din_32645() {
    let report = fitted(
        DIN,
        &request(CurveModel::Linear, Some(Weighting::None), &[3500.0]),
    );
    assert_eq!(
        (report.x.as_str(), report.y.as_str(), report.points),
        ("x", "y", 10)
    );
    let fit = only(&report);
    assert!((fit.critical_value.unwrap() - 0.0698).abs() < 5e-5);
    assert!((fit.detection_limit.unwrap() - 0.14).abs() < 5e-4);
    assert!((fit.quantification_limit.unwrap() - 0.212).abs() < 5e-4);
    // R 4.2.2 lm, twelve digits.
    for (found, expected) in [
        (fit.coefficients[0], 2_480.866_666_67),
        (fit.coefficients[1], 9_661.939_393_94),
        (fit.standard_errors[0], 131.361_757_807),
        (fit.standard_errors[1], 423.417_284_142),
        (fit.residual_standard_deviation.unwrap(), 192.293_923_54),
    ] {
        assert!((found / expected - 1.0).abs() < 1e-9, "{found} {expected}");
    }
    // The same reading at 99 %: half-width 0.07434 (published with the example). Only Student's t differs from our
    // 95 %: t(0.995; 8) = 3.35539, t(0.975; 8) = 2.30600 (any t table).
    let half_width = fit.readings[0].half_width_95.unwrap() * 3.355_387 / 2.306_004;
    assert!((half_width - 0.074_34).abs() < 5e-6, "{half_width}");
}

// Massart et al. 1997, Handbook of Chemometrics and Qualimetrics A, p. 175: y = 15 reads 6.1 ± 4.9, y = 90 reads
// 43.9 ± 4.9.
#[test]
fn massart_example_1() {
    let table = "x;y\n0;4\n10;21,2\n20;44,6\n30;61,8\n40;78\n50;105,2\n";
    let report = fitted(
        table,
        &request(CurveModel::Linear, Some(Weighting::None), &[15.0, 90.0]),
    );
    let fit = only(&report);
    for (reading, (value, half_width)) in fit.readings.iter().zip([(6.1, 4.9), (43.9, 4.9)]) {
        assert!((reading.x.unwrap() - value).abs() < 0.05, "{reading:?}");
        assert!(
            (reading.half_width_95.unwrap() - half_width).abs() < 0.05,
            "{reading:?}"
        );
    }
}

#[test]
fn columns_may_be_named_rows_chosen_and_gaps_are_told() {
    let table =
        "compound,batch,nominal,area\nA,1,1,10\nA,1,2,20.5\nA,1,3,\nA,1,4,39\nA,2,1,99\nB,1,1,7\nA,1,5,51\n";
    let mut wanted = request(CurveModel::Linear, Some(Weighting::None), &[]);
    wanted.x = Some("nominal".to_owned());
    wanted.y = Some("area".to_owned());
    wanted.only = vec![
        ("compound".to_owned(), "A".to_owned()),
        ("batch".to_owned(), "1".to_owned()),
    ];
    let report = fitted(table, &wanted);
    assert_eq!(report.points, 4);
    assert_eq!(report.lines_without_numbers, [4]);

    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("table.csv");
    std::fs::write(&path, table).unwrap();
    wanted.y = Some("response".to_owned());
    let refused = fit_table(&path, &wanted).unwrap_err();
    assert!(matches!(refused, CurveTableError::NoColumn { .. }));
    assert!(
        refused.to_string().contains("compound, batch, nominal, area"),
        "{refused}"
    );
}

/// A reading under 1/x² scatters as a calibrator of its concentration: its relative width stays of the order of the
/// points' own scatter (a weight of one would make it wider than the value).
#[test]
fn a_reading_is_weighted_as_a_calibrator_of_its_concentration() {
    let scatter = [1.03, 0.97, 1.02, 0.98, 1.01, 0.99];
    let mut table = "x,y\n".to_owned();
    for (level, error) in [1.0, 5.0, 25.0, 100.0, 400.0, 1000.0].into_iter().zip(scatter) {
        table.push_str(&format!("{level},{}\n", 2.0 * level * error));
    }
    let report = fitted(
        &table,
        &request(
            CurveModel::Linear,
            Some(Weighting::InverseXSquared),
            &[4.0, 1600.0],
        ),
    );
    for reading in &only(&report).readings {
        let share = reading.half_width_95.unwrap() / reading.x.unwrap();
        assert!((0.04..0.15).contains(&share), "{reading:?}");
    }
}

fn shared() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data/calibration")
}

fn numbers(value: &Value) -> Vec<f64> {
    let list = value.as_array().unwrap();
    list.iter().map(|number| number.as_f64().unwrap()).collect()
}

// R 4.2.2 lm (`calib_ref.R` beside the data), twelve digits.
#[test]
fn r_fits_agree_to_nine_digits() {
    let mut fits = 0;
    for name in [
        "din32645_n10",
        "massart97_ex1",
        "massart97_ex3",
        "rl95_toluene_gcms",
        "din38402b1",
        "utstats14",
        "arsenic",
    ] {
        let csv = shared().join(format!("{name}.csv"));
        let Ok(reference) = std::fs::read(shared().join(format!("{name}.ref.json"))) else {
            println!("skipped: {name} is not beside the repository (its licence keeps it out of it)");
            continue;
        };
        let reference: Value = serde_json::from_slice(&reference).unwrap();
        for (degree, model) in [(1, CurveModel::Linear), (2, CurveModel::Quadratic)] {
            let mut wanted = request(model, None, &[]);
            wanted.x = reference["x"].as_str().map(str::to_owned);
            wanted.y = reference["y"].as_str().map(str::to_owned);
            let report = fit_table(&csv, &wanted).unwrap();
            assert_eq!(report.fits.len(), 3);
            for fit in &report.fits {
                let weight = match fit.weighting {
                    Weighting::None => "none",
                    Weighting::InverseX => "1/x",
                    Weighting::InverseXSquared => "1/x2",
                };
                let expected = &reference[format!("w={weight},deg={degree}")];
                if expected.is_null() {
                    continue;
                }
                let label = format!("{name} {weight} {degree}");
                assert_eq!(fit.failure, None, "{label}");
                assert_eq!(fit.points.len() as u64, expected["n"].as_u64().unwrap());
                let (coefficients, errors) = (numbers(&expected["coef"]), numbers(&expected["se"]));
                for k in 0..=degree {
                    let (c, se) = (coefficients[k], errors[k]);
                    // A constant that is small beside its own error is printed with fewer useful digits.
                    let scale = c.abs().max(1e-3 * se);
                    assert!((fit.coefficients[k] - c).abs() <= 1e-9 * scale, "{label} c{k}");
                    assert!((fit.standard_errors[k] / se - 1.0).abs() <= 1e-9, "{label} se{k}");
                }
                let sigma = expected["sigma"].as_f64().unwrap();
                let found = fit.residual_standard_deviation.unwrap();
                assert!((found / sigma - 1.0).abs() <= 1e-9, "{label} sigma");
                fits += 1;
            }
        }
    }
    println!("{fits} fits compared with R");
}

// A real sequence of three batches (Steinmetz et al. 2019, Chemosphere 230, 210-218; R lm).
#[test]
fn a_real_sequence_agrees_batch_by_batch() {
    let Ok(reference) = std::fs::read(shared().join("gcms_tyrosol_sequence.ref.json")) else {
        println!("skipped: the sequence is not beside the repository (its licence keeps it out of it)");
        return;
    };
    let reference: Value = serde_json::from_slice(&reference).unwrap();
    let mut batches = 0;
    for (key, expected) in reference.as_object().unwrap() {
        let Some((batch, weight)) = key.split_once(";w=") else {
            continue;
        };
        let weighting = match weight {
            "none" => Weighting::None,
            "1/x" => Weighting::InverseX,
            _ => Weighting::InverseXSquared,
        };
        let mut wanted = request(CurveModel::Linear, Some(weighting), &[]);
        wanted.x = Some("Spec Conc".to_owned());
        wanted.y = Some("Area".to_owned());
        wanted.only = vec![
            ("Type".to_owned(), "Standard".to_owned()),
            ("Batch".to_owned(), batch.trim_start_matches("batch").to_owned()),
        ];
        let report = fit_table(&shared().join("gcms_tyrosol_sequence.csv"), &wanted).unwrap();
        let fit = only(&report);
        assert_eq!(fit.points.len() as u64, expected["n"].as_u64().unwrap(), "{key}");
        let slope = expected["slope"].as_f64().unwrap();
        let intercept = expected["intercept"].as_f64().unwrap();
        assert!((fit.coefficients[1] / slope - 1.0).abs() <= 1e-9, "{key}");
        // The constant is small beside the areas, which are given to twelve digits.
        assert!(
            (fit.coefficients[0] - intercept).abs() <= 1e-9 * intercept.abs().max(1.0),
            "{key}"
        );
        batches += 1;
    }
    assert!(batches >= 3);
}
