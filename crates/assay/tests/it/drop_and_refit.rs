//! Drop and refit (M10-05) against exhaustive search: no smaller set of rejected calibrators makes all the others pass.

use crate::laboratory::method;
use crate::noise::Noise;
use spotwright_assay::calibration::{CalibratorPoint, SettledCurve, fit_curve, settle};
use spotwright_assay::limit::{relative_error_pct, within};
use spotwright_domain::method::{Analyte, Limits};

fn calibrators(noise: &mut Noise, analyte: &Analyte) -> Vec<CalibratorPoint> {
    analyte
        .calibrators
        .iter()
        .map(|level| {
            let x = level.concentration;
            let noisy = 0.02 * x * (1.0 + 0.03 * noise.normal()) + 0.0012 * noise.normal();
            CalibratorPoint {
                nominal: x,
                area_ratio: Some(noisy),
            }
        })
        .collect()
}

/// Whether the curve through the calibrators not in `dropped` (a set of bits) reads all of them back within their limits.
fn all_pass(points: &[CalibratorPoint], dropped: u32, analyte: &Analyte) -> bool {
    let pairs: Vec<(f64, f64)> = points
        .iter()
        .enumerate()
        .filter(|(i, _)| dropped & (1 << i) == 0)
        .map(|(_, point)| (point.nominal, point.area_ratio.unwrap()))
        .collect();
    let curve = fit_curve(&pairs, analyte.model, analyte.weighting).unwrap();
    pairs.iter().all(|(x, y)| {
        let limit = if *x < 1.5 { 20.0 } else { 15.0 };
        curve
            .inverse(*y)
            .value()
            .is_some_and(|found| within(relative_error_pct(found, *x), limit))
    })
}

fn fewest_drops(points: &[CalibratorPoint], analyte: &Analyte) -> Option<u32> {
    let mut sets: Vec<u32> = (0..1_u32 << points.len())
        .filter(|set| set.count_ones() <= 2)
        .collect();
    sets.sort_by_key(|set| set.count_ones());
    sets.into_iter()
        .find(|set| all_pass(points, *set, analyte))
        .map(u32::count_ones)
}

fn dropped(settled: &SettledCurve) -> u32 {
    settled
        .used
        .iter()
        .enumerate()
        .filter(|(_, used)| !**used)
        .fold(0, |set, (i, _)| set | 1 << i)
}

#[test]
fn as_few_are_dropped_as_an_exhaustive_search_drops() {
    let method = method(&["drug"]);
    let analyte = &method.analytes[0];
    let limits = Limits::default().calibration;
    let mut noise = Noise::new(77);
    let (mut compared, mut found_outlier, mut outliers) = (0, 0, 0);
    for round in 0..600 {
        let mut points = calibrators(&mut noise, analyte);
        let bad: Vec<usize> = (0..round % 3).map(|_| (noise.uniform() * 8.0) as usize).collect();
        for index in &bad {
            let factor = if noise.uniform() < 0.5 { 0.55 } else { 1.6 };
            points[*index].area_ratio = points[*index].area_ratio.map(|ratio| ratio * factor);
        }
        let settled = settle(&points, analyte, &limits).unwrap();
        let best = fewest_drops(&points, analyte);
        // Two of eight may go (75 %).
        assert_eq!(
            settled.decision.accepted,
            best.is_some(),
            "round {round}: {points:?}"
        );
        if let Some(best) = best {
            assert_eq!(dropped(&settled).count_ones(), best, "round {round}: {points:?}");
            assert!(all_pass(&points, dropped(&settled), analyte), "round {round}");
            compared += 1;
        }
        // A bad calibrator that pulls the curve far enough to pass is not seen by this rule.
        if let ([only], Some(1)) = (bad.as_slice(), best) {
            outliers += 1;
            found_outlier += i32::from(dropped(&settled) & (1 << only) != 0);
        }
    }
    println!(
        "{compared} curves settled; {found_outlier} of {outliers} single bad calibrators were the ones dropped"
    );
    assert!(compared > 400 && found_outlier * 100 >= outliers * 97);
}

#[test]
fn replicates_that_cannot_be_told_apart_go_together() {
    let method = method(&["drug"]);
    let analyte = &method.analytes[0];
    let mut points: Vec<CalibratorPoint> = Vec::new();
    for level in analyte.calibrators.iter().chain(&analyte.calibrators) {
        let x = level.concentration;
        let ratio = if (x - 25.0).abs() < 1e-9 {
            0.03 * x
        } else {
            0.02 * x
        };
        points.push(CalibratorPoint {
            nominal: x,
            area_ratio: Some(ratio),
        });
    }
    let settled = settle(&points, analyte, &Limits::default().calibration).unwrap();
    assert_eq!(settled.used.iter().filter(|used| !**used).count(), 2);
    assert!(!settled.used[4] && !settled.used[12]);
    assert!(
        settled.decision.accepted
            && settled
                .decision
                .levels
                .iter()
                .filter(|level| level.passes)
                .count()
                == 7
    );
    points.reverse();
    let reversed = settle(&points, analyte, &Limits::default().calibration).unwrap();
    assert_eq!(reversed.curve.fit.coefficients.len(), 2);
    assert!((reversed.curve.fit.coefficients[1] - settled.curve.fit.coefficients[1]).abs() < 1e-15);
}

#[test]
fn a_level_with_one_of_three_left_goes_whole() {
    let method = method(&["drug"]);
    let analyte = &method.analytes[0];
    let mut points = Vec::new();
    for replicate in 0..3 {
        for level in &analyte.calibrators {
            let x = level.concentration;
            let off = if (x - 10.0).abs() < 1e-9 {
                [1.0, 1.4, 0.6][replicate]
            } else {
                1.0
            };
            points.push(CalibratorPoint {
                nominal: x,
                area_ratio: Some(0.02 * x * off),
            });
        }
    }
    let settled = settle(&points, analyte, &Limits::default().calibration).unwrap();
    let of_level: Vec<bool> = [3, 11, 19].iter().map(|i| settled.used[*i]).collect();
    assert_eq!(of_level, [false, false, false]);
    assert!(settled.decision.accepted);
}
