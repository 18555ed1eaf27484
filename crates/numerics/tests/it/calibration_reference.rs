//! Calibration curves against R's linear model (R 4.2.2 `lm`), degree 1 and 2, weights 1, 1/x and 1/x². The data come with
//! licences that keep them out of this repository: the test runs where they are present.

use serde_json::Value;
use spotwright_numerics::polynomial_fit::fit_polynomial;

use crate::support::{digits, fewest_digits, root};

#[test]
fn r_linear_models() {
    let folder = root().join("../shared/data/calibration");
    let sets = [
        "arsenic",
        "din32645_n10",
        "din38402b1",
        "massart97_ex1",
        "massart97_ex3",
        "rl95_toluene_gcms",
        "utstats14",
    ];
    if !folder.is_dir() {
        println!("skipped: ../shared/data/calibration is not here");
        return;
    }
    let mut compared = 0;
    for set in sets {
        let read = |name: String| std::fs::read_to_string(folder.join(name)).unwrap();
        let reference: Value = serde_json::from_str(&read(format!("{set}.ref.json"))).unwrap();
        let table = read(format!("{set}.csv"));
        let x = column(&table, reference["x"].as_str().unwrap());
        let y = column(&table, reference["y"].as_str().unwrap());
        for (weighting, exponent) in [("none", 0), ("1/x", 1), ("1/x2", 2)] {
            for degree in 1..=2 {
                let expected = &reference[format!("w={weighting},deg={degree}")];
                if expected.is_null() {
                    continue;
                }
                compare(set, weighting, exponent, degree, &x, &y, expected);
                compared += 1;
            }
        }
    }
    assert_eq!(compared, 42);
}

fn compare(
    set: &str,
    weighting: &str,
    exponent: usize,
    degree: usize,
    x: &[f64],
    y: &[f64],
    expected: &Value,
) {
    // As the reference: zero levels have no weight and are left out.
    let kept: Vec<usize> = (0..x.len()).filter(|i| exponent == 0 || x[*i] > 0.0).collect();
    let pick = |values: &[f64]| -> Vec<f64> { kept.iter().map(|i| values[*i]).collect() };
    let (x, y) = (pick(x), pick(y));
    let weights: Vec<f64> = x.iter().map(|v| (0..exponent).fold(1.0, |w, _| w / v)).collect();
    let fit = fit_polynomial(&x, &y, &weights, degree, true).unwrap();
    let errors: Vec<f64> = (0..=degree).map(|k| fit.standard_error(k)).collect();
    let reached = [
        fewest_digits(&fit.coefficients, &list(&expected["coef"])),
        fewest_digits(&errors, &list(&expected["se"])),
        digits(fit.residual_standard_error, expected["sigma"].as_f64().unwrap()),
        digits(fit.r_squared.unwrap(), expected["r2"].as_f64().unwrap()),
    ];
    println!("{set} {weighting} degree {degree}: {reached:.1?} digits");
    assert!(
        reached.iter().all(|d| *d >= 9.0),
        "{set} {weighting} degree {degree}: {reached:?}"
    );
}

fn column(table: &str, name: &str) -> Vec<f64> {
    let mut lines = table
        .lines()
        .map(|line| line.split(',').map(|w| w.trim().trim_matches('"')));
    let place = lines.next().unwrap().position(|word| word == name).unwrap();
    lines
        .filter_map(|mut words| words.nth(place))
        .map(|word| word.parse().unwrap())
        .collect()
}

fn list(values: &Value) -> Vec<f64> {
    values
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_f64().unwrap())
        .collect()
}
