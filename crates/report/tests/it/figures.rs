//! Figures standing alone.

use crate::{fixture, html};
use spotwright_domain::plot::{PercentileCheck, PredictiveCheckBin, PredictiveCheckPlot, ShareCheck};
use spotwright_domain::record::CalibrationPoint;
use spotwright_report::figure;

#[test]
fn a_figure_is_a_balanced_drawing_with_a_description() {
    let made = fixture::run(40, 1);
    let of = &made.run.analytes[0];
    let standard = &made.run.internal_standards[0];
    let drawings = [
        figure::calibration(of, 20.0, 15.0).unwrap(),
        figure::control(of, 15.0, 40).unwrap(),
        figure::internal_standard(standard, &made.series.internal_standards[0], [50.0, 150.0], 40).unwrap(),
    ];
    for drawing in drawings {
        let text = drawing.standalone();
        html::tags(&text).unwrap();
        assert!(text.contains("aria-label=\"") && text.contains("xmlns=\"http://www.w3.org/2000/svg\""));
        assert!(!drawing.inline().contains("http"));
    }
}

#[test]
fn nothing_measured_draws_nothing() {
    let mut made = fixture::run(40, 1);
    let of = &mut made.run.analytes[0];
    for point in &mut of.calibration_points {
        point.area_ratio = None;
    }
    of.controls.clear();
    assert_eq!(figure::calibration(of, 20.0, 15.0), None);
    assert_eq!(figure::control(of, 15.0, 40), None);
    assert_eq!(
        figure::internal_standard(&made.run.internal_standards[0], &[], [50.0, 150.0], 40),
        None
    );
}

#[test]
fn a_single_calibrator_and_numbers_that_are_none_still_draw() {
    let mut made = fixture::run(40, 1);
    let of = &mut made.run.analytes[0];
    of.calibration = None;
    let one = CalibrationPoint {
        relative_error_pct: Some(f64::NAN),
        ..of.calibration_points[0].clone()
    };
    let none = CalibrationPoint {
        area_ratio: Some(f64::INFINITY),
        ..one.clone()
    };
    of.calibration_points = vec![one, none];
    let text = figure::calibration(of, 20.0, 15.0).unwrap().standalone();
    html::tags(&text).unwrap();
    assert!(!text.contains("NaN") && !text.contains("inf"));
}

#[test]
fn a_wide_range_takes_logarithmic_axes_and_a_narrow_one_does_not() {
    let mut made = fixture::run(40, 1);
    let of = &mut made.run.analytes[0];
    assert!(
        figure::calibration(of, 20.0, 15.0)
            .unwrap()
            .description
            .contains("logarithmic")
    );
    of.calibration_points.retain(|point| point.nominal >= 5.0);
    of.calibration.as_mut().unwrap().lloq = 5.0;
    assert!(
        !figure::calibration(of, 20.0, 15.0)
            .unwrap()
            .description
            .contains("logarithmic")
    );
}

fn predictive_check() -> PredictiveCheckPlot {
    let bin = |middle_h: f64, observed: Option<f64>, low: Option<f64>| PredictiveCheckBin {
        from_h: middle_h,
        to_h: middle_h,
        middle_h,
        levels: 20,
        percentiles: [5, 50, 95].map(|percent| PercentileCheck {
            percent,
            observed: observed.map(|level| level * f64::from(percent)),
            simulated: [low, Some(50.0), Some(100.0)],
        }),
        below_limit: Some(ShareCheck {
            observed_pct: 10.0,
            simulated_pct: [0.0, 5.0, 20.0],
        }),
    };
    PredictiveCheckPlot {
        unit: "mg/L".to_owned(),
        time_since: "first dose".to_owned(),
        binning: "2 bins".to_owned(),
        prediction_corrected: false,
        simulated_studies: 500,
        interval_pct: 95.0,
        lower_limit: Some(1.0),
        points: vec![[1.0, 20.0], [4.0, 3.0]],
        bins: vec![bin(1.0, Some(1.5), Some(10.0)), bin(4.0, None, None)],
    }
}

#[test]
fn a_predictive_check_says_how_many_percentiles_lie_outside() {
    let check = predictive_check();
    let drawing = figure::predictive_check(&check).unwrap();
    // 7.5 is below 10, 75 inside, 142.5 above 100; nothing was measured in the second bin.
    assert!(
        drawing.description.contains("2 of 3 observed percentiles"),
        "{}",
        drawing.description
    );
    let text = drawing.standalone();
    html::tags(&text).unwrap();
    assert!(text.contains("Below limit (%)") && !text.contains("NaN") && !text.contains("inf"));
    let empty = PredictiveCheckPlot {
        bins: Vec::new(),
        ..check.clone()
    };
    assert_eq!(figure::predictive_check(&empty), None);
    let mut without_share = check;
    for bin in &mut without_share.bins {
        bin.below_limit = None;
    }
    assert!(figure::predictive_check(&without_share).unwrap().height < drawing.height);
}
