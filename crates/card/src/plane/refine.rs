//! Where a card lies to a hundredth of a millimetre: the print's lines and edges in full pixels.

use super::correction::Solved;
use super::{Correction, Homography, Prior};
use crate::photo::Raster;
use spotwright_domain::card::{CardLayout, Fiducial, FiducialShape, PrintedCircle};

/// Directions a circle's line is looked for under.
const ANGLES: usize = 48;
/// Standard deviation of one sighting of a line or an edge (mm), before its scatter is known.
const SIGHT_SD_MM: f64 = 0.06;

/// How an element of print fared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fate {
    /// Seen where it is expected.
    Found,
    /// Covered by blood or by something else dark.
    Covered,
    /// Paper is there and the print is not.
    Missing,
    /// Beyond the frame.
    Outside,
}

/// A refined place.
#[derive(Debug, Clone)]
pub(super) struct Refined {
    /// Middle of the card (mm).
    pub(super) anchor_mm: [f64; 2],
    pub(super) map: Homography,
    pub(super) circles: Vec<Fate>,
    pub(super) fiducials: Vec<Fate>,
    /// Root mean square of what remains between print seen and print expected (mm).
    pub(super) residual_mm: f64,
    /// Sightings used.
    pub(super) sightings: usize,
    /// Standard uncertainty at the worst circle (or corner, when there is none) (mm).
    pub(super) position_u_mm: f64,
    /// Standard deviation of the spread of printed edges (mm); `None`: nothing sharp was seen.
    pub(super) blur_mm: Option<f64>,
}

/// A sighting along the normal of expected print.
struct Sighting {
    place: [f64; 2],
    normal: [f64; 2],
    offset_mm: f64,
    /// Spread of the edge (standard deviation, mm), where the profile shows all of it.
    spread_mm: Option<f64>,
    element: usize,
}

/// Moves `map` (card to stored pixels) to the print, looking up to `reach_mm` away.
pub(super) fn refine(raster: &Raster, layout: &CardLayout, map: &Homography, reach_mm: f64) -> Refined {
    let mut map = *map;
    let mut reach = reach_mm;
    for round in 0..4 {
        let (sightings, fates) = look(raster, layout, &map, reach);
        // Where little is found at the first look, no second one finds it.
        let count = |fate| fates.iter().filter(|f| **f == fate).count();
        if round == 0 && count(Fate::Found) * 2 < count(Fate::Missing) {
            return finish(map, fates, 0.0, 0, f64::MAX, None, layout);
        }
        let cut = if round == 0 {
            reach
        } else {
            (reach * 0.6).max(0.12)
        };
        if let Some(solved) = correct(layout, &sightings, cut) {
            map = solved.apply(&map);
        }
        reach = (reach * 0.55).max(0.3);
    }
    let cut = 0.18;
    let (sightings, fates) = look(raster, layout, &map, reach);
    let Some(solved) = correct(layout, &sightings, cut) else {
        return finish(map, fates, 0.0, 0, f64::MAX, None, layout);
    };
    let blur_mm = blur(&sightings, layout.circles.len());
    let rests: Vec<f64> = sightings
        .iter()
        .map(|s| s.offset_mm - solved.offset_mm(s.place, s.normal))
        .filter(|rest| rest.abs() < 0.4)
        .collect();
    let count = rests.len();
    let residual = (rests.iter().map(|r| r * r).sum::<f64>() / count.max(1) as f64).sqrt();
    let places: Vec<[f64; 2]> = if layout.circles.is_empty() {
        let (w, h) = (layout.width_mm, layout.height_mm);
        vec![[0.0, 0.0], [w, 0.0], [0.0, h], [w, h]]
    } else {
        layout.circles.iter().map(|c| c.centre_mm).collect()
    };
    let u = places
        .iter()
        .map(|&place| solved.place_u_mm(place))
        .fold(0.0, f64::max);
    // Neighbouring sightings share paper grain and pixels: about every third is independent.
    let u = u * 1.7 * (residual / SIGHT_SD_MM).clamp(0.3, 4.0);
    finish(solved.apply(&map), fates, residual, count, u, blur_mm, layout)
}

/// The correction sightings ask for, those beyond `cut` left out.
fn correct(layout: &CardLayout, sightings: &[Sighting], cut: f64) -> Option<Solved> {
    // The prior guards only against what no print tells.
    let prior = Prior {
        shift: 0.05,
        linear: 0.03,
        perspective: 0.03,
    };
    let mut correction = Correction::new(layout.width_mm, layout.height_mm, prior);
    for s in sightings {
        let share = s.offset_mm / cut;
        if share.abs() < 1.0 {
            // Tukey's biweight as a widening of the sighting's uncertainty.
            correction.add(
                s.place,
                s.normal,
                s.offset_mm,
                SIGHT_SD_MM / (1.0 - share * share),
            );
        }
    }
    correction.solve()
}

fn finish(
    map: Homography,
    fates: Vec<Fate>,
    residual_mm: f64,
    sightings: usize,
    position_u_mm: f64,
    blur_mm: Option<f64>,
    layout: &CardLayout,
) -> Refined {
    let (circles, fiducials) = fates.split_at(layout.circles.len());
    Refined {
        anchor_mm: [layout.width_mm / 2.0, layout.height_mm / 2.0],
        map,
        circles: circles.to_vec(),
        fiducials: fiducials.to_vec(),
        residual_mm,
        sightings,
        position_u_mm,
        blur_mm,
    }
}

/// The spread of edges: of marks where there are any, since a thin line's own width hides in its spread.
fn blur(sightings: &[Sighting], circles: usize) -> Option<f64> {
    let spread = |of_marks: bool| -> Vec<f64> {
        let chosen = sightings.iter().filter(|s| (s.element >= circles) == of_marks);
        chosen.filter_map(|s| s.spread_mm).collect()
    };
    let mut spreads = spread(true);
    if spreads.len() < 8 {
        spreads = spread(false);
    }
    if spreads.len() < 8 {
        return None;
    }
    spreads.sort_by(f64::total_cmp);
    // A moved camera blurs one way only: the upper part of the directions tells.
    Some(spreads[spreads.len() * 7 / 10])
}

fn look(raster: &Raster, layout: &CardLayout, map: &Homography, reach: f64) -> (Vec<Sighting>, Vec<Fate>) {
    let mut sightings = Vec::new();
    let mut fates = Vec::new();
    for circle in &layout.circles {
        let fate = look_at_circle(raster, circle, map, reach, fates.len(), &mut sightings);
        fates.push(fate);
    }
    for mark in &layout.fiducials {
        let fate = look_at_mark(raster, mark, map, reach, fates.len(), &mut sightings);
        fates.push(fate);
    }
    // What was not found says nothing: its sightings are chance.
    sightings.retain(|s| fates[s.element] == Fate::Found);
    (sightings, fates)
}

/// Brightness along a normal, at equal steps.
struct Profile {
    values: Vec<f32>,
    step_mm: f64,
    from_mm: f64,
}

fn profile(
    raster: &Raster,
    map: &Homography,
    place: [f64; 2],
    normal: [f64; 2],
    half_mm: f64,
    scale: f64,
) -> Profile {
    let count = ((2.0 * half_mm * scale / 0.8).ceil() as usize).clamp(9, 160) | 1;
    let step_mm = 2.0 * half_mm / (count - 1) as f64;
    // Over so short a way the map is a straight line at even pace.
    let a = map.map([place[0] - half_mm * normal[0], place[1] - half_mm * normal[1]]);
    let b = map.map([place[0] + half_mm * normal[0], place[1] + half_mm * normal[1]]);
    let values = (0..count)
        .map(|k| {
            let t = k as f64 / (count - 1) as f64;
            raster.grey_at([a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])])
        })
        .collect();
    Profile {
        values,
        step_mm,
        from_mm: -half_mm,
    }
}

fn within(raster: &Raster, at: [f64; 2]) -> bool {
    at[0] >= 1.0
        && at[1] >= 1.0
        && at[0] <= raster.width() as f64 - 2.0
        && at[1] <= raster.height() as f64 - 2.0
}

/// What a profile across a circle's line shows.
enum Line {
    /// Offset and spread (mm).
    At(f64, Option<f64>),
    /// Paper on both sides and no line.
    Blank,
    /// Not paper on both sides.
    Dark,
}

fn look_at_circle(
    raster: &Raster,
    circle: &PrintedCircle,
    map: &Homography,
    reach: f64,
    element: usize,
    sightings: &mut Vec<Sighting>,
) -> Fate {
    let [scale, _] = map.stretch(circle.centre_mm);
    let radius = circle.diameter_mm / 2.0;
    // Half a millimetre beyond the reach shows both sides of the line.
    let half = reach + 0.5;
    let mut profiles = Vec::with_capacity(ANGLES);
    let mut levels = Vec::new();
    let mut outside = 0;
    for k in 0..ANGLES {
        let angle = k as f64 * std::f64::consts::TAU / ANGLES as f64;
        let normal = [libm::cos(angle), libm::sin(angle)];
        let place = [
            circle.centre_mm[0] + radius * normal[0],
            circle.centre_mm[1] + radius * normal[1],
        ];
        if !within(raster, map.map(place)) {
            outside += 1;
            continue;
        }
        let profile = profile(raster, map, place, normal, half, scale);
        levels.push(profile.values.iter().copied().fold(0.0, f32::max));
        profiles.push((place, normal, profile));
    }
    if outside > ANGLES / 2 {
        return Fate::Outside;
    }
    levels.sort_by(f32::total_cmp);
    let paper = levels[levels.len() * 3 / 4];
    let (mut seen, mut blank) = (0, 0);
    let before = sightings.len();
    for (place, normal, profile) in profiles {
        match line_in(&profile, paper) {
            Line::At(offset_mm, spread_mm) => {
                seen += 1;
                sightings.push(Sighting {
                    place,
                    normal,
                    offset_mm,
                    spread_mm,
                    element,
                });
            }
            Line::Blank => blank += 1,
            Line::Dark => {}
        }
    }
    // A dashed line shows under half of the directions.
    // Chance dips of grain lie anywhere; a line's lie where a circle of this size, moved a little, has them.
    let steady = agree_on_circle(&sightings[before..], 0.12);
    // Of a circle mostly under blood a short arc must agree the better.
    if (steady >= 10 && steady * 3 >= seen + blank) || (steady >= 6 && steady * 2 >= seen + blank) {
        Fate::Found
    } else if blank < 14 {
        // Too little bare paper along the line to miss it.
        Fate::Covered
    } else {
        Fate::Missing
    }
}

/// How many sightings agree with one shift of the circle to within a tolerance.
fn agree_on_circle(sightings: &[Sighting], tolerance_mm: f64) -> usize {
    let mut best = 0;
    // Every pair of crossing normals gives a shift; a few pairs are enough.
    for (i, a) in sightings.iter().enumerate() {
        for b in sightings.iter().skip(i + 1).step_by(5) {
            let determinant = a.normal[0] * b.normal[1] - a.normal[1] * b.normal[0];
            if determinant.abs() < 0.5 {
                continue;
            }
            let dx = (a.offset_mm * b.normal[1] - b.offset_mm * a.normal[1]) / determinant;
            let dy = (a.normal[0] * b.offset_mm - b.normal[0] * a.offset_mm) / determinant;
            let count = sightings
                .iter()
                .filter(|s| (s.offset_mm - dx * s.normal[0] - dy * s.normal[1]).abs() < tolerance_mm)
                .count();
            best = best.max(count);
        }
    }
    best
}

/// The dark line in a profile that has paper on both its sides.
fn line_in(profile: &Profile, paper: f32) -> Line {
    let v = &profile.values;
    let reach = ((0.45 / profile.step_mm) + 0.5) as usize;
    let reach = reach.clamp(2, v.len() / 3);
    let mut best = (0.0f32, 0usize);
    let mut both_light = 0;
    for i in reach..v.len() - reach {
        let (left, right) = (v[i - reach], v[i + reach]);
        let side = left.min(right);
        if side < 0.62 * paper {
            continue;
        }
        both_light += 1;
        let centre = (v[i - 1] + 2.0 * v[i] + v[i + 1]) * 0.25;
        // A step from paper to blood is no line: what the sides differ by counts against it.
        let depth = side - centre - 0.5 * (left - right).abs();
        if depth > best.0 {
            best = (depth, i);
        }
    }
    let (depth, i) = best;
    if depth < (0.025 * paper).max(2.0) {
        return if both_light * 2 >= v.len() - 2 * reach {
            Line::Blank
        } else {
            Line::Dark
        };
    }
    let (left, right) = (v[i - reach], v[i + reach]);
    let (mut sum, mut moment) = (0.0, 0.0);
    for (step, value) in v[i - reach..=i + reach].iter().enumerate() {
        let t = step as f32 / (2 * reach) as f32;
        let dark = (left + t * (right - left) - value - 0.25 * depth).max(0.0);
        sum += f64::from(dark);
        moment += f64::from(dark) * (i - reach + step) as f64;
    }
    if sum <= 0.0 {
        return Line::Blank;
    }
    // The whole rise from line to paper, seen where the profile's ends are paper. A line much thinner than the blur shows
    // two thirds of it in its steepest flank, a broad one all of it.
    let end = |values: &[f32]| values.iter().sum::<f32>() / values.len() as f32;
    let ends = end(&v[..3]).min(end(&v[v.len() - 3..]));
    let spread_mm = (ends >= 0.8 * paper).then(|| 1.25 * spread(v, ends - v[i], profile.step_mm));
    Line::At(profile.from_mm + moment / sum * profile.step_mm, spread_mm)
}

fn look_at_mark(
    raster: &Raster,
    mark: &Fiducial,
    map: &Homography,
    reach: f64,
    element: usize,
    sightings: &mut Vec<Sighting>,
) -> Fate {
    let [scale, _] = map.stretch(mark.centre_mm);
    let half_size = mark.size_mm / 2.0;
    let at = |dx: f64, dy: f64| [mark.centre_mm[0] + dx, mark.centre_mm[1] + dy];
    let corners = [at(-half_size, -half_size), at(half_size, half_size)];
    if !corners.iter().all(|&corner| within(raster, map.map(corner))) {
        return Fate::Outside;
    }
    let places: Vec<([f64; 2], [f64; 2])> = match mark.shape {
        FiducialShape::Disc => (0..24)
            .map(|k| {
                let angle = f64::from(k) * std::f64::consts::TAU / 24.0;
                let normal = [libm::cos(angle), libm::sin(angle)];
                (at(half_size * normal[0], half_size * normal[1]), normal)
            })
            .collect(),
        FiducialShape::Square => [[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]]
            .into_iter()
            .flat_map(|n: [f64; 2]| {
                (0..6).map(move |k| {
                    let t = (f64::from(k) - 2.5) / 2.5 * 0.6 * half_size;
                    (at(half_size * n[0] - t * n[1], half_size * n[1] + t * n[0]), n)
                })
            })
            .collect(),
    };
    // Never so far as the mark's own middle.
    let half = (reach + 0.3).min(half_size * 0.9);
    let before = sightings.len();
    for &(place, normal) in &places {
        let profile = profile(raster, map, place, normal, half, scale);
        if let Some((offset_mm, spread_mm)) = edge_in(&profile) {
            sightings.push(Sighting {
                place,
                normal,
                offset_mm,
                spread_mm: Some(spread_mm),
                element,
            });
        }
    }
    let seen = sightings.len() - before;
    if seen * 3 < places.len() * 2 {
        sightings.truncate(before);
        return Fate::Missing;
    }
    // Ink spreads and light scatters: a mark seen larger or smaller all round says nothing about its place.
    let spread = sightings[before..].iter().map(|s| s.offset_mm).sum::<f64>() / seen as f64;
    for sighting in &mut sightings[before..] {
        sighting.offset_mm -= spread;
    }
    Fate::Found
}

/// Standard deviation of a Gaussian edge of a height, from its steepest slope: height / (slope √(2π)).
fn spread(values: &[f32], height: f32, step_mm: f64) -> f64 {
    let steepest = values
        .windows(3)
        .map(|w| (w[2] - w[0]).abs() * 0.5)
        .fold(0.0, f32::max);
    f64::from(height) / f64::from(steepest.max(1e-3)) * step_mm / 2.506_628_274_631
}

/// Where a profile rises from dark to light halfway, and how spread the rise is (mm).
fn edge_in(profile: &Profile) -> Option<(f64, f64)> {
    let v = &profile.values;
    let ends = (v.len() / 6).max(1);
    let mean = |values: &[f32]| values.iter().sum::<f32>() / values.len() as f32;
    let (dark, light) = (mean(&v[..ends]), mean(&v[v.len() - ends..]));
    if light - dark < 0.25 * light.max(20.0) {
        return None;
    }
    let middle = (dark + light) * 0.5;
    let crossings = v
        .windows(2)
        .enumerate()
        .filter(|(_, pair)| pair[0] < middle && pair[1] >= middle);
    let mut at = None;
    for (i, pair) in crossings {
        if at.is_some() {
            return None;
        }
        let t = f64::from((middle - pair[0]) / (pair[1] - pair[0]));
        at = Some(profile.from_mm + (i as f64 + t) * profile.step_mm);
    }
    at.map(|at| (at, spread(v, light - dark, profile.step_mm)))
}
