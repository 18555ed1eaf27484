//! Shapes whose measures are closed forms, at a radius of 20 pixels: within 0.5 %.

use super::paint::Painter;
use core::f64::consts::PI;
use spotwright_card::spot::{SpotSettings, measure_spots};
use spotwright_domain::card::{SpotLimits, SpotMeasures};

/// 20 px radius at 12 px/mm.
const R: f64 = 20.0 / 12.0;

fn measures_of(load: impl Fn(f64, f64) -> f64) -> SpotMeasures {
    let painter = Painter {
        size_mm: 10.0,
        fine: 8,
        ..Painter::default()
    };
    let spots = measure_spots(
        &painter.blood(load),
        None,
        &[],
        &SpotLimits::default(),
        &SpotSettings::default(),
    );
    assert_eq!(spots.len(), 1);
    spots[0].measures.clone().unwrap()
}

fn within(found: f64, expected: f64, pct: f64, what: &str) {
    assert!(
        (found / expected - 1.0).abs() <= pct / 100.0,
        "{what}: found {found}, closed form {expected}, off by {:.3} %",
        100.0 * (found / expected - 1.0)
    );
}

#[test]
fn disc() {
    for (cx, cy) in [(0.0, 0.0), (0.031, -0.017), (0.2, 0.4)] {
        let m = measures_of(|x, y| f64::from((x - cx) * (x - cx) + (y - cy) * (y - cy) < R * R));
        within(m.area_mm2, PI * R * R, 0.5, "area");
        within(m.equivalent_diameter_mm, 2.0 * R, 0.5, "diameter");
        within(m.perimeter_mm, 2.0 * PI * R, 0.5, "perimeter");
        within(m.inscribed_diameter_mm, 2.0 * R, 0.5, "inscribed diameter");
        within(m.circularity, 1.0, 0.5, "circularity");
        within(m.solidity, 1.0, 0.5, "solidity");
        within(m.aspect, 1.0, 0.5, "aspect");
        assert!((m.centre_mm[0] - cx).abs() < 0.005 && (m.centre_mm[1] - cy).abs() < 0.005);
        assert_eq!(m.lobes, 1);
    }
}

#[test]
fn ellipse_turned() {
    let (a, b) = (1.25 * R, 0.8 * R);
    let (c, s) = (libm::cos(0.5), libm::sin(0.5));
    let m = measures_of(|x, y| {
        let (u, v) = (c * x + s * y, c * y - s * x);
        f64::from((u / a) * (u / a) + (v / b) * (v / b) < 1.0)
    });
    within(m.area_mm2, PI * a * b, 0.5, "area");
    within(m.aspect, b / a, 0.5, "aspect");
    within(
        m.eccentricity,
        (1.0 - b * b / (a * a)).sqrt(),
        0.5,
        "eccentricity",
    );
    within(m.inscribed_diameter_mm, 2.0 * b, 0.5, "inscribed diameter");
    within(m.extension, a / b, 0.8, "extension");
    assert!((m.orientation_rad - 0.5).abs() < 0.005);
    // Ramanujan 1914, second approximation.
    let h = ((a - b) / (a + b)) * ((a - b) / (a + b));
    within(
        m.perimeter_mm,
        PI * (a + b) * (1.0 + 3.0 * h / (10.0 + (4.0 - 3.0 * h).sqrt())),
        0.5,
        "perimeter",
    );
}

#[test]
fn square_turned() {
    let half = R;
    let (c, s) = (libm::cos(0.3), libm::sin(0.3));
    let m = measures_of(|x, y| {
        let (u, v) = (c * x + s * y, c * y - s * x);
        f64::from(u.abs() < half && v.abs() < half)
    });
    within(m.area_mm2, 4.0 * half * half, 0.5, "area");
    within(m.inscribed_diameter_mm, 2.0 * half, 0.5, "inscribed diameter");
    within(m.solidity, 1.0, 0.5, "solidity");
    // The contour cuts corners by a pixel or two: the circularity of a square, π/4, comes out a little high.
    within(m.circularity, PI / 4.0, 5.0, "circularity");
}

#[test]
fn annulus_of_two_loads() {
    // A dark ring round a paler middle: the outline is the outer circle.
    let m = measures_of(|x, y| {
        let r = (x * x + y * y).sqrt();
        if r > R {
            0.0
        } else if r < R / 2.0 {
            0.5
        } else {
            1.0
        }
    });
    within(m.area_mm2, PI * R * R, 0.5, "area");
}

#[test]
fn annulus_with_a_hole() {
    let hole = R / 2.0;
    let m = measures_of(|x, y| {
        let r = (x * x + y * y).sqrt();
        f64::from(r < R && r > hole)
    });
    within(m.area_mm2, PI * R * R, 0.5, "area inside the outline");
    // Cells of 1/6 mm: the hole's area to a few percent.
    within(m.hole_area_mm2, PI * hole * hole, 8.0, "hole");
}

#[test]
fn two_overlapping_discs() {
    let (r, d) = (0.8 * R, 1.1 * R);
    let m = measures_of(|x, y| {
        let near = |cx: f64| (x - cx) * (x - cx) + y * y < r * r;
        f64::from(near(-d / 2.0) || near(d / 2.0))
    });
    let lens = 2.0 * r * r * libm::acos(d / (2.0 * r)) - d / 2.0 * (4.0 * r * r - d * d).sqrt();
    within(m.area_mm2, 2.0 * PI * r * r - lens, 0.5, "area");
    // Hull: two half discs and a rectangle between.
    within(
        m.solidity,
        (2.0 * PI * r * r - lens) / (PI * r * r + 2.0 * r * d),
        1.0,
        "solidity",
    );
    within(m.inscribed_diameter_mm, 2.0 * r, 0.5, "inscribed diameter");
    assert_eq!(m.lobes, 2);
}

#[test]
fn blur_leaves_the_area() {
    for blur_mm in [0.05, 0.1, 0.2] {
        let painter = Painter {
            size_mm: 16.0,
            blur_mm,
            ..Painter::default()
        };
        let radius = 4.5;
        let patch = painter.blood(|x, y| f64::from(x * x + y * y < radius * radius));
        let m = measure_spots(
            &patch,
            None,
            &[],
            &SpotLimits::default(),
            &SpotSettings::default(),
        )[0]
        .measures
        .clone()
        .unwrap();
        within(m.area_mm2, PI * radius * radius, 0.5, "area");
    }
}
