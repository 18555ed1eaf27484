//! Area under mean levels.

use crate::support::{close, rows, shared};
use spotwright_kinetics::noncompartmental::{PersonLevels, PooledError, pooled_area};

/// Bailer (1988), equations 1 to 3: with own persons at every time the variance is Σ wᵢ² sᵢ²/nᵢ. Worked by hand: weights ½, 1, ½;
/// means 2, 4, 1; variances 2, 8, 2 of two levels each: area 5.5, variance ¼·1 + 1·4 + ¼·1 = 4.5.
#[test]
fn one_sample_a_person_is_bailers_formula() {
    let persons: Vec<PersonLevels> = [
        (0.0, 1.0),
        (0.0, 3.0),
        (1.0, 2.0),
        (1.0, 6.0),
        (2.0, 0.0),
        (2.0, 2.0),
    ]
    .into_iter()
    .map(|sample| vec![sample])
    .collect();
    let pooled = pooled_area(&persons).unwrap();
    close("area", pooled.auc, 5.5, 1e-15);
    close("standard error", pooled.standard_error, 4.5_f64.sqrt(), 1e-15);
    // Satterthwaite: 4.5² / (¼² + 4² + ¼²), one degree of freedom each.
    close(
        "degrees of freedom",
        pooled.degrees_of_freedom.unwrap(),
        20.25 / 16.125,
        1e-15,
    );
}

/// Drawn at every time, each person has an area of its own, and the standard error of their mean is the other derivation of the
/// same number. Six theophylline profiles brought to common times by rank of sample (`theoph.csv`).
#[test]
fn whole_profiles_give_the_standard_error_of_the_mean_area() {
    let Some(csv) = shared("theoph.csv") else {
        return;
    };
    let nominal = [0.0, 0.25, 0.5, 1.0, 2.0, 3.5, 5.0, 7.0, 9.0, 12.0, 24.0];
    let rows = rows(&csv);
    let persons: Vec<PersonLevels> = (1..=12)
        .map(|subject: usize| {
            let own = rows.iter().filter(|row| row[0] == subject.to_string());
            own.zip(nominal)
                .map(|(row, time)| (time, row[4].parse().unwrap()))
                .collect()
        })
        .collect();
    let areas: Vec<f64> = persons
        .iter()
        .map(|levels| {
            levels
                .windows(2)
                .map(|w| 0.5 * (w[1].0 - w[0].0) * (w[0].1 + w[1].1))
                .sum()
        })
        .collect();
    let n = areas.len() as f64;
    let mean = areas.iter().sum::<f64>() / n;
    let variance = areas
        .iter()
        .map(|area| (area - mean) * (area - mean))
        .sum::<f64>()
        / (n - 1.0);
    let pooled = pooled_area(&persons).unwrap();
    close("area", pooled.auc, mean, 1e-12);
    close(
        "standard error",
        pooled.standard_error,
        (variance / n).sqrt(),
        1e-12,
    );
    assert_eq!(pooled.degrees_of_freedom, None);
}

#[test]
fn too_little_for_a_standard_error_is_refused() {
    let lone = vec![vec![(0.0, 1.0)], vec![(0.0, 2.0)], vec![(1.0, 3.0)]];
    assert_eq!(
        pooled_area(&lone),
        Err(PooledError::TooFewLevels {
            time_h: 1.0,
            found: 1
        })
    );
    let twice = vec![vec![(0.0, 1.0), (0.0, 2.0)]];
    assert_eq!(
        pooled_area(&twice),
        Err(PooledError::DuplicateTime {
            person: 0,
            time_h: 0.0
        })
    );
    let mixed = vec![vec![(0.0, 1.0), (1.0, 2.0)], vec![(0.0, 1.5)], vec![(1.0, 2.5)]];
    assert_eq!(
        pooled_area(&mixed),
        Err(PooledError::TooFewPairs {
            first_h: 0.0,
            second_h: 1.0
        })
    );
}
