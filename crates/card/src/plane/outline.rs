//! The card's own edge against what it lies on, as the overview shows it.

use super::evidence::Scene;
use super::{Correction, Homography, Prior};
use spotwright_domain::card::CardLayout;

/// Places a side is looked at.
const PLACES: usize = 20;

/// What each side shows: how far off the edge is found (mm, outwards), where most of its places agree.
/// Upper, right, lower, left as printed.
pub(super) fn sides(scene: &Scene, layout: &CardLayout, map: &Homography, reach_mm: f64) -> [Option<f64>; 4] {
    each_side(scene, layout, map, reach_mm)
        .map(|places| agreed(&places.iter().map(|p| p.2).collect::<Vec<_>>()))
}

type Place = ([f64; 2], [f64; 2], f64);

fn each_side(scene: &Scene, layout: &CardLayout, map: &Homography, reach_mm: f64) -> [Vec<Place>; 4] {
    let (w, h) = (layout.width_mm, layout.height_mm);
    let ends = [
        ([0.0, 0.0], [w, 0.0], [0.0, -1.0]),
        ([w, 0.0], [w, h], [1.0, 0.0]),
        ([0.0, h], [w, h], [0.0, 1.0]),
        ([0.0, 0.0], [0.0, h], [-1.0, 0.0]),
    ];
    ends.map(|(from, to, normal)| {
        let mut found = Vec::new();
        for k in 0..PLACES {
            let t = (k as f64 + 0.5) / PLACES as f64;
            let place = [from[0] + t * (to[0] - from[0]), from[1] + t * (to[1] - from[1])];
            if let Some(offset) = steepest(scene, map, place, normal, reach_mm) {
                found.push((place, normal, offset));
            }
        }
        found
    })
}

/// Where along the normal brightness steps most, if it steps clearly.
fn steepest(
    scene: &Scene,
    map: &Homography,
    place: [f64; 2],
    normal: [f64; 2],
    reach_mm: f64,
) -> Option<f64> {
    let at = |t: f64| map.map([place[0] + t * normal[0], place[1] + t * normal[1]]);
    let [scale, _] = map.stretch(place);
    let step = 0.5 / scale.max(0.1);
    let count = ((reach_mm / step) as i32).clamp(3, 40);
    let mut values = Vec::with_capacity(2 * count as usize + 1);
    for k in -count..=count {
        values.push(scene.grey_at(at(f64::from(k) * step))?);
    }
    let mut best = (0.0f32, 0usize);
    for i in 2..values.len() - 2 {
        let change = (values[i + 1] + values[i + 2] - values[i - 1] - values[i - 2]).abs() * 0.5;
        if change > best.0 {
            best = (change, i);
        }
    }
    (best.0 > 8.0).then(|| (best.1 as f64 - f64::from(count)) * step)
}

/// The offset most places agree on to within 0.7 mm.
fn agreed(offsets: &[f64]) -> Option<f64> {
    let mut best: Option<(usize, f64)> = None;
    for &centre in offsets {
        let near: Vec<f64> = offsets
            .iter()
            .copied()
            .filter(|o| (o - centre).abs() < 0.7)
            .collect();
        if best.is_none_or(|(count, _)| near.len() > count) {
            best = Some((near.len(), near.iter().sum::<f64>() / near.len() as f64));
        }
    }
    best.filter(|(count, _)| *count * 5 >= PLACES * 3)
        .map(|(_, offset)| offset)
}

/// Moves a map to the card's edge; gives the map, sides used, and the root mean square of what remains (mm).
pub(super) fn fit(
    scene: &Scene,
    layout: &CardLayout,
    map: &Homography,
    reach_mm: f64,
) -> Option<(Homography, usize, f64)> {
    let mut map = *map;
    let mut reach = reach_mm;
    let mut last = None;
    for _ in 0..4 {
        let prior = Prior {
            shift: 0.1,
            linear: 0.06,
            perspective: 0.06,
        };
        let mut correction = Correction::new(layout.width_mm, layout.height_mm, prior);
        let (mut used, mut sum, mut count) = (0, 0.0, 0usize);
        for places in each_side(scene, layout, &map, reach) {
            let offsets: Vec<f64> = places.iter().map(|p| p.2).collect();
            let Some(offset) = agreed(&offsets) else { continue };
            used += 1;
            for (place, normal, t) in places {
                // A side that runs slantwise disagrees with its own mean at its ends.
                if (t - offset).abs() < 1.2 {
                    correction.add(place, normal, t, 0.3);
                    sum += t * t;
                    count += 1;
                }
            }
        }
        map = correction.solve()?.apply(&map);
        reach = (reach * 0.6).max(1.0);
        last = Some((map, used, (sum / count.max(1) as f64).sqrt()));
    }
    last
}
