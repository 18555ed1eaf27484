//! Cards found where the closed form put them.

use super::drawn::{Scene, camera, png};
use spotwright_card::{PhotoSettings, look_at_photo};
use spotwright_domain::card::{BUILT_IN_LAYOUTS, CardLayout, PhotoProblemCode};
use spotwright_domain::reason::Severity;

const FRAME: [usize; 2] = [1100, 740];

fn layouts() -> Vec<CardLayout> {
    BUILT_IN_LAYOUTS
        .iter()
        .map(|(_, text)| toml::from_str(text).unwrap())
        .collect()
}

fn scene(layout: &CardLayout, turn_deg: f64, tilt_deg: f64, ground: f64) -> Scene {
    Scene {
        width: FRAME[0],
        height: FRAME[1],
        map: camera(layout, FRAME, 0.86, turn_deg, tilt_deg),
        ground,
        line: (0.35, 0.4),
        blood: layout
            .circles
            .iter()
            .map(|c| ([c.centre_mm[0] + 0.4, c.centre_mm[1] - 0.3], 0.42 * c.diameter_mm))
            .collect(),
        has_print: true,
    }
}

fn settings() -> PhotoSettings {
    PhotoSettings {
        read_codes: false,
        ..PhotoSettings::default()
    }
}

#[test]
fn every_layout_is_recognised_and_placed_to_a_twentieth_of_a_millimetre() {
    let layouts = layouts();
    for (index, layout) in layouts.iter().enumerate() {
        for (turn, tilt, ground) in [(3.0, 8.0, 0.1), (180.0, 12.0, 0.45), (94.0, 5.0, 0.98)] {
            let scene = scene(layout, turn, tilt, ground);
            let bytes = png(&scene, layout);
            let view = look_at_photo(&bytes, &layouts, &settings()).unwrap();
            let what = format!("{} turned {turn} on {ground}: {:?}", layout.id, view.problems);
            assert_eq!(view.layout, Some(index), "{what}");
            assert_eq!(view.windows.len(), layout.circles.len(), "{what}");
            let place = view.place.as_ref().unwrap();
            for circle in &layout.circles {
                let (found, truth) = (
                    view.to_photo(circle.centre_mm).unwrap(),
                    scene.map.map(circle.centre_mm),
                );
                let off = ((found[0] - truth[0]) * (found[0] - truth[0])
                    + (found[1] - truth[1]) * (found[1] - truth[1]))
                    .sqrt()
                    / place.px_per_mm;
                assert!(off < 0.05, "{what}: circle {} off by {off} mm", circle.number);
                let back = view.to_card(found).unwrap();
                assert!((back[0] - circle.centre_mm[0]).abs() < 1e-6);
            }
            assert!(place.position_u_mm < 0.1, "{what}");
        }
    }
}

#[test]
fn blood_keeps_its_place_and_paper_is_even() {
    let layouts = layouts();
    let layout = &layouts[0];
    let bytes = png(&scene(layout, -5.0, 10.0, 0.2), layout);
    let view = look_at_photo(&bytes, &layouts, &settings()).unwrap();
    for (window, circle) in view.windows.iter().zip(&layout.circles) {
        let patch = &window.patch;
        let at = |x: f64, y: f64| {
            let [column, row] = patch.to_pixel([circle.centre_mm[0] + x, circle.centre_mm[1] + y]);
            patch.reflectance[(row + 0.5) as usize * patch.width + (column + 0.5) as usize]
        };
        // Blood ends 5.46 mm from its own middle: on the right of it 5.86, on the left 5.06 from the circle's.
        assert!(at(5.5, -0.3)[1] < 0.3 && at(-4.7, -0.3)[1] < 0.3);
        assert!(at(7.5, -0.3)[1] > 0.9 && at(-7.5, -0.3)[1] > 0.9);
        for (x, y) in [(8.5, 8.5), (-8.5, -8.5), (8.5, -8.5)] {
            assert!((at(x, y)[1] - 1.0).abs() < 0.03, "{x} {y}: {:?}", at(x, y));
        }
        assert!(patch.paper_noise.iter().all(|n| *n < 0.02));
    }
}

#[test]
fn a_bare_card_is_not_taken_for_one_whose_print_was_seen() {
    let layouts = layouts();
    let mut bare = scene(&layouts[0], 2.0, 3.0, 0.1);
    bare.has_print = false;
    let bytes = png(&bare, &layouts[0]);
    let view = look_at_photo(&bytes, &layouts, &settings()).unwrap();
    assert!(view.windows.is_empty());
    assert!(view.problems.iter().any(|p| p.severity == Severity::Reject));
}

#[test]
fn a_card_beyond_the_frame_names_the_circle_that_is_missing() {
    let layouts = layouts();
    let layout = &layouts[0];
    let mut cut = scene(layout, 0.0, 0.0, 0.1);
    let shift = spotwright_card::plane::Homography([1.0, 0.0, 250.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]);
    cut.map = shift.after(&cut.map);
    let bytes = png(&cut, layout);
    let view = look_at_photo(&bytes, &layouts, &settings()).unwrap();
    assert_eq!(view.layout, Some(0), "{:?}", view.problems);
    let missing: Vec<_> = view
        .problems
        .iter()
        .filter(|p| p.code == PhotoProblemCode::CardCutOff)
        .map(|p| p.circle)
        .collect();
    assert_eq!(missing, [Some(5)]);
    assert_eq!(view.windows.len(), 4);
}

#[test]
fn a_small_picture_is_refused_with_the_scale_it_has() {
    let layouts = layouts();
    let layout = &layouts[0];
    let mut small = scene(layout, 0.0, 0.0, 0.1);
    (small.width, small.height) = (620, 400);
    small.map = camera(layout, [620, 400], 0.86, 0.0, 0.0);
    let bytes = png(&small, layout);
    let view = look_at_photo(&bytes, &layouts, &settings()).unwrap();
    let found = view
        .problems
        .iter()
        .find(|p| p.code == PhotoProblemCode::TooSmall)
        .unwrap();
    assert_eq!(found.severity, Severity::Reject);
    assert!(
        (found.measured.unwrap() - 620.0 * 0.86 / 96.0).abs() < 0.1,
        "{found:?}"
    );
}

#[test]
fn same_bytes_same_bits() {
    let layouts = layouts();
    let bytes = png(&scene(&layouts[1], 4.0, 6.0, 0.3), &layouts[1]);
    let (a, b) = (
        look_at_photo(&bytes, &layouts, &settings()).unwrap(),
        look_at_photo(&bytes, &layouts, &settings()).unwrap(),
    );
    assert_eq!(a.windows, b.windows);
    assert_eq!(a.place, b.place);
    assert_eq!(a.problems, b.problems);
}
