//! Where a card may lie, from dark rings that stand as its circles do: the slow way, for photographs that show neither
//! marks nor the card's edge.

use super::Homography;
use super::evidence::Scene;
use super::from_marks::{Guess, distance, keep_best, plausible};
use spotwright_domain::card::CardLayout;

#[derive(Debug, Clone, Copy)]
struct Ring {
    centre: [f64; 2],
    radius: f64,
    share: f32,
}

/// Most rings that are combined.
const MOST_RINGS: usize = 18;

/// Guesses for all layouts with circles.
pub(super) fn guesses(scene: &Scene, layouts: &[CardLayout]) -> Vec<Guess> {
    let rings = rings(scene);
    let frame = [scene.width as f64, scene.height as f64];
    let mut all = Vec::new();
    for (index, layout) in layouts.iter().enumerate() {
        let mut guesses = Vec::new();
        for (i, a) in rings.iter().enumerate() {
            for (j, b) in rings.iter().enumerate() {
                if i == j {
                    continue;
                }
                for first in &layout.circles {
                    for second in &layout.circles {
                        if first.number == second.number {
                            continue;
                        }
                        let scale =
                            distance(a.centre, b.centre) / distance(first.centre_mm, second.centre_mm);
                        let fits = |ring: &Ring, diameter: f64| {
                            (0.8..=1.25).contains(&(ring.radius / (diameter / 2.0 * scale)))
                        };
                        if !fits(a, first.diameter_mm) || !fits(b, second.diameter_mm) {
                            continue;
                        }
                        if let Some(map) =
                            Homography::similarity([first.centre_mm, second.centre_mm], [a.centre, b.centre])
                            && plausible(&map, layout, frame)
                        {
                            let met: f32 = layout
                                .circles
                                .iter()
                                .filter_map(|circle| {
                                    let at = map.map(circle.centre_mm);
                                    rings
                                        .iter()
                                        .find(|r| distance(r.centre, at) < 0.35 * r.radius)
                                        .map(|r| r.share)
                                })
                                .sum();
                            guesses.push(Guess::new(index, map, 3.0, f64::from(met)));
                        }
                    }
                }
            }
        }
        all.extend(keep_best(guesses, 8, layouts));
    }
    all
}

/// The clearest dark rings of any size, none on top of another.
fn rings(scene: &Scene) -> Vec<Ring> {
    let longest = scene.width.max(scene.height) as f64;
    let mut found: Vec<Ring> = Vec::new();
    let mut radius = (longest * 0.022).max(4.0);
    while radius < longest * 0.2 {
        let places: Vec<[i32; 2]> = (0..24)
            .map(|k| {
                let angle = f64::from(k) * std::f64::consts::TAU / 24.0;
                [
                    (radius * libm::cos(angle) + 0.5).floor() as i32,
                    (radius * libm::sin(angle) + 0.5).floor() as i32,
                ]
            })
            .collect();
        for y in (0..scene.height as i32).step_by(2) {
            for x in (0..scene.width as i32).step_by(2) {
                let moved = |[px, py]: [i32; 2]| [px + x, py + y];
                // A look at a quarter of the ring tells most places that they are none.
                let quarter: f32 = places.iter().step_by(4).map(|&p| scene.line_at(moved(p))).sum();
                if quarter < 0.25 * 6.0 {
                    continue;
                }
                let share = places.iter().map(|&p| scene.line_at(moved(p))).sum::<f32>() / 24.0;
                if share > 0.36 {
                    found.push(Ring {
                        centre: [f64::from(x), f64::from(y)],
                        radius,
                        share,
                    });
                }
            }
        }
        radius *= 1.07;
    }
    found.sort_by(|a, b| {
        b.share
            .total_cmp(&a.share)
            .then(a.radius.total_cmp(&b.radius))
            .then(a.centre[1].total_cmp(&b.centre[1]))
            .then(a.centre[0].total_cmp(&b.centre[0]))
    });
    let mut kept: Vec<Ring> = Vec::new();
    for ring in found {
        if kept.len() == MOST_RINGS {
            break;
        }
        if kept
            .iter()
            .all(|k| distance(k.centre, ring.centre) > 0.6 * k.radius.max(ring.radius))
        {
            kept.push(ring);
        }
    }
    kept
}
