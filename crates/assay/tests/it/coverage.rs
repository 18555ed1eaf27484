//! Do the 95 % intervals cover the truth 95 % of the time, and is the concentration unbiased? Simulation over a range that
//! includes the LLOQ (area noise 6 %, signal to noise near 10), eight calibrators in duplicate, controls at four levels,
//! preparation 2 to 5 %.

use crate::laboratory::{SLOPE, STANDARD_AREA, method};
use crate::noise::Noise;
use spotwright_assay::calibration::{CalibratorPoint, InverseOutcome, settle};
use spotwright_assay::preparation::{PreparationSource, Reading, preparation};
use spotwright_assay::response_ratio::AreaRatio;
use spotwright_assay::uncertainty::ErrorModel;
use spotwright_domain::method::{CurveModel, Method};

const TRUTHS: [f64; 7] = [1.0, 1.5, 3.0, 10.0, 40.0, 80.0, 98.0];

struct Tally {
    covered: [u32; TRUTHS.len()],
    bias: [f64; TRUTHS.len()],
    all: u32,
    pooled: u32,
}

fn measure(noise: &mut Noise, x: f64, preparation_cv: f64) -> AreaRatio {
    let standard = STANDARD_AREA * (1.0 + 0.06 * noise.normal());
    let floor = 0.06 * SLOPE * STANDARD_AREA;
    let area = SLOPE * x * standard * (1.0 + preparation_cv * noise.normal());
    let of_analyte = (floor * floor + (0.005 * area) * (0.005 * area)).sqrt();
    let of_standard = 0.007 * standard;
    let measured = area + of_analyte * noise.normal();
    let measured_standard = standard + of_standard * noise.normal();
    let value = measured / measured_standard;
    AreaRatio {
        value,
        from_analyte: of_analyte / measured_standard,
        from_internal_standard: value * of_standard / measured_standard,
    }
}

fn reading(ratio: &AreaRatio) -> Reading {
    Reading {
        ratio: ratio.value,
        area_variance: ratio.variance(),
    }
}

fn simulate(method: &Method, runs: u32, seed: u64, cvs: &[f64], controls_per_level: usize) -> Tally {
    let analyte = &method.analytes[0];
    let mut noise = Noise::new(seed);
    let mut tally = Tally {
        covered: [0; TRUTHS.len()],
        bias: [0.0; TRUTHS.len()],
        all: 0,
        pooled: 0,
    };
    for run in 0..runs {
        let cv = cvs[run as usize % cvs.len()];
        let mut ratios = Vec::new();
        let mut points = Vec::new();
        for level in analyte.calibrators.iter().chain(&analyte.calibrators) {
            let ratio = measure(&mut noise, level.concentration, cv);
            points.push(CalibratorPoint {
                nominal: level.concentration,
                area_ratio: Some(ratio.value),
            });
            ratios.push(ratio);
        }
        let settled = settle(&points, analyte, &method.limits.calibration).unwrap();
        let readings: Vec<Reading> = ratios
            .iter()
            .zip(&settled.used)
            .filter(|(_, used)| **used)
            .map(|(ratio, _)| reading(ratio))
            .collect();
        if readings.len() != settled.curve.fit.residuals.len() {
            continue;
        }
        let controls: Vec<Vec<Reading>> = [1.0, 3.0, 40.0, 80.0]
            .iter()
            .map(|x| {
                (0..controls_per_level)
                    .map(|_| reading(&measure(&mut noise, *x, cv)))
                    .collect()
            })
            .collect();
        let scatter = preparation(&settled.curve, &readings, &controls, analyte.within_run_cv_pct);
        tally.pooled += u32::from(scatter.source == PreparationSource::Pooled);
        let model = ErrorModel::new(&settled.curve, &readings, scatter);
        for (i, truth) in TRUTHS.iter().enumerate() {
            let ratio = measure(&mut noise, *truth, cv);
            let estimate = model.estimate(&settled.curve, &ratio).unwrap();
            tally.covered[i] +=
                u32::from((estimate.interval_95[0]..=estimate.interval_95[1]).contains(truth));
            tally.bias[i] += 100.0 * (estimate.value - truth) / truth;
        }
        tally.all += 1;
    }
    tally
}

fn check(name: &str, tally: &Tally) {
    let n = f64::from(tally.all);
    let mut total = 0.0;
    println!(
        "{name}: {} runs, {} with pooled preparation scatter",
        tally.all, tally.pooled
    );
    for (i, truth) in TRUTHS.iter().enumerate() {
        let coverage = 100.0 * f64::from(tally.covered[i]) / n;
        let bias = tally.bias[i] / n;
        total += coverage / TRUTHS.len() as f64;
        println!("  {truth:>5}: coverage {coverage:.2} %, bias {bias:+.2} %");
        assert!(
            (93.0..=97.0).contains(&coverage),
            "{name} at {truth}: {coverage} %"
        );
        assert!(
            bias.abs() <= if *truth <= 1.5 { 5.0 } else { 2.0 },
            "{name} at {truth}: {bias} %"
        );
    }
    println!("  mean coverage {total:.2} %");
    assert!((93.5..=96.5).contains(&total), "{name}: {total} %");
}

#[test]
fn intervals_cover_the_truth_on_a_straight_curve() {
    let method = method(&["drug"]);
    check(
        "linear, 5 controls a level",
        &simulate(&method, 3000, 1, &[0.02, 0.035, 0.05], 5),
    );
    check("linear, preparation 2 %", &simulate(&method, 1500, 2, &[0.02], 4));
    check("linear, preparation 5 %", &simulate(&method, 1500, 3, &[0.05], 6));
}

#[test]
fn intervals_cover_the_truth_on_a_parabola() {
    let mut method = method(&["drug"]);
    method.analytes[0].model = CurveModel::Quadratic;
    check(
        "quadratic, 5 controls a level",
        &simulate(&method, 2000, 4, &[0.02, 0.035, 0.05], 5),
    );
}

// The estimator itself: scatter known by construction, averaged over runs.
#[test]
fn the_preparation_scatter_is_found() {
    let method = method(&["drug"]);
    let analyte = &method.analytes[0];
    let mut noise = Noise::new(5);
    for truth in [0.02_f64, 0.05] {
        let (mut sum, mut freedom) = (0.0, 0.0);
        let runs = 400;
        for _ in 0..runs {
            let ratios: Vec<AreaRatio> = analyte
                .calibrators
                .iter()
                .chain(&analyte.calibrators)
                .map(|level| measure(&mut noise, level.concentration, truth))
                .collect();
            let points: Vec<(f64, f64)> = analyte
                .calibrators
                .iter()
                .chain(&analyte.calibrators)
                .zip(&ratios)
                .map(|(level, ratio)| (level.concentration, ratio.value))
                .collect();
            let curve =
                spotwright_assay::calibration::fit_curve(&points, analyte.model, analyte.weighting).unwrap();
            let readings: Vec<Reading> = ratios.iter().map(reading).collect();
            let controls: Vec<Vec<Reading>> = [3.0, 40.0, 80.0]
                .iter()
                .map(|x| (0..6).map(|_| reading(&measure(&mut noise, *x, truth))).collect())
                .collect();
            let scatter = preparation(&curve, &readings, &controls, 4.0);
            sum += scatter.relative_standard_deviation * scatter.relative_standard_deviation;
            freedom += scatter.degrees_of_freedom;
        }
        let found = (sum / f64::from(runs)).sqrt();
        println!(
            "preparation {truth}: found {found:.4}, {:.1} degrees of freedom",
            freedom / f64::from(runs)
        );
        assert!((found / truth - 1.0).abs() < 0.05, "{truth}: {found}");
        // 14 from the calibrators and 15 from the controls at most.
        assert!((8.0..29.1).contains(&(freedom / f64::from(runs))));
    }
}

#[test]
fn without_a_rising_curve_there_is_no_estimate() {
    let mut method = method(&["drug"]);
    method.analytes[0].model = CurveModel::Quadratic;
    let points: Vec<(f64, f64)> = (1..=10).map(f64::from).map(|x| (x, x - 0.06 * x * x)).collect();
    let curve = spotwright_assay::calibration::fit_curve(
        &points,
        CurveModel::Quadratic,
        method.analytes[0].weighting,
    )
    .unwrap();
    let readings = vec![
        Reading {
            ratio: 1.0,
            area_variance: 0.0
        };
        10
    ];
    let model = ErrorModel::new(&curve, &readings, preparation(&curve, &readings, &[], 4.0));
    let above = AreaRatio {
        value: 50.0,
        from_analyte: 0.1,
        from_internal_standard: 0.1,
    };
    assert!(matches!(
        model.estimate(&curve, &above),
        Err(InverseOutcome::AboveTurningPoint { .. })
    ));
}
