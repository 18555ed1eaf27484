//! Figures standing alone.

use crate::{fixture, html};
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
