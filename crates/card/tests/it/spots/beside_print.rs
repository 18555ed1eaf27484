//! Drops that end beside, under and across the printed circle's line: their area stays the disc's closed form.

use super::paint::{BLOOD, Painter};
use core::f64::consts::PI;
use spotwright_card::patch::flag;
use spotwright_card::spot::{SpotSettings, measure_spots};
use spotwright_domain::card::{PrintedCircle, SpotLimits, Suitability};

const RADIUS: f64 = 6.0;

struct Line {
    density: [f64; 3],
    width_mm: f64,
    dashes: Option<f64>,
}

#[test]
fn the_line_moves_no_outline_and_is_no_fault() {
    let lines = [
        Line {
            density: [1.2, 1.2, 1.2],
            width_mm: 0.2,
            dashes: None,
        },
        Line {
            density: [1.2, 1.2, 1.2],
            width_mm: 0.35,
            dashes: None,
        },
        Line {
            density: [0.2, 0.9, 1.0],
            width_mm: 0.3,
            dashes: None,
        },
        Line {
            density: [0.5, 0.5, 0.5],
            width_mm: 0.4,
            dashes: Some(24.0),
        },
        Line {
            density: [1.2, 1.2, 1.1],
            width_mm: 0.3,
            dashes: Some(24.0),
        },
    ];
    // Radius and offset of the drop: clear of the line, beside it, under it, across it, over it to one side.
    let drops = [
        (5.0, 0.2),
        (5.4, 0.3),
        (5.6, 0.15),
        (5.6, 0.4),
        (5.85, 0.0),
        (5.9, 0.3),
        (6.1, 0.1),
    ];
    let mut wrong = Vec::new();
    for (kind, line) in lines.iter().enumerate() {
        for (radius, offset) in drops {
            let (cx, cy) = (0.8 * offset, -0.6 * offset);
            let painter = Painter {
                pixels_per_mm: 14.0,
                fine: 3,
                blur_mm: 0.07,
                noise: 0.005,
                ..Painter::default()
            };
            let mut patch = painter.paint(|x, y| {
                let r = (x * x + y * y).sqrt();
                let on_dash = line
                    .dashes
                    .is_none_or(|n| libm::cos(n * libm::atan2(y, x)) > -0.2);
                let ink = f64::from((r - RADIUS).abs() < line.width_mm / 2.0 && on_dash);
                let blood = 0.7 * f64::from((x - cx) * (x - cx) + (y - cy) * (y - cy) < radius * radius);
                core::array::from_fn(|c| blood * BLOOD[c] + ink * line.density[c])
            });
            for row in 0..patch.height {
                for column in 0..patch.width {
                    let [x, y] = patch.to_mm(column as f64, row as f64);
                    if ((x * x + y * y).sqrt() - RADIUS).abs() < 0.4 {
                        patch.flags[row * patch.width + column] = flag::PRINT;
                    }
                }
            }
            let circle = PrintedCircle {
                number: 1,
                centre_mm: [0.0, 0.0],
                diameter_mm: 2.0 * RADIUS,
            };
            let spot = &measure_spots(
                &patch,
                Some(&circle),
                &[],
                &SpotLimits::default(),
                &SpotSettings::default(),
            )[0];
            let m = spot.measures.as_ref().unwrap();
            let off_pct = 100.0 * (m.area_mm2 / (PI * radius * radius) - 1.0);
            let away = libm::hypot(m.centre_mm[0] - cx, m.centre_mm[1] - cy);
            // An edge under the ink all round may lie anywhere under it: half the ink's width either way.
            let (allowed_pct, allowed_mm) = if (radius - RADIUS).abs() > 0.2 {
                // Up to here the edge is free, or under the ink on one side only.
                (1.25, 0.05)
            } else {
                (100.0 * line.width_mm / radius, 0.1)
            };
            if off_pct.abs() > allowed_pct || away > allowed_mm || spot.suitability == Suitability::Unsuitable
            {
                wrong.push(format!(
                    "line {kind}, drop {radius} off by {offset}: area {off_pct:.2} %, centre {away:.3} mm, {:?}",
                    spot.reasons.iter().map(|r| &r.text).collect::<Vec<_>>()
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
