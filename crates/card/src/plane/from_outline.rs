//! Where a card may lie, from four straight edges that enclose its shape.

use super::Homography;
use super::evidence::Scene;
use super::from_marks::{Guess, distance, keep_best};
use spotwright_domain::card::CardLayout;

/// Directions of edge normals, over half a turn.
const DIRECTIONS: usize = 120;
/// Most lines that are combined.
const MOST_LINES: usize = 20;
/// Most guesses a layout.
const MOST: usize = 8;

/// A straight edge: places with `n · p = distance`.
#[derive(Debug, Clone, Copy)]
struct Line {
    normal: [f64; 2],
    distance: f64,
    /// Index of the direction of the normal.
    direction: usize,
}

/// Edges of an overview: strength and direction of the change of brightness.
struct Edges {
    width: usize,
    height: usize,
    /// Direction index, or none.
    direction: Vec<u8>,
    /// How steep an edge is, 1 (just an edge) to 5.
    strength: Vec<u8>,
}

const NONE: u8 = u8::MAX;

/// Guesses for all layouts, by the shape of quadrilaterals; the frame itself is one more.
pub(super) fn guesses(scene: &Scene, layouts: &[CardLayout]) -> Vec<Guess> {
    let (w, h) = (scene.width as f64, scene.height as f64);
    // White paper on white shows only a thin shadow; a ruled mat shows nothing but thin lines: both ways are tried.
    let thick = without_thin(&scene.grey, scene.width, scene.height);
    let frame = (
        [[0.0, 0.0], [w - 1.0, 0.0], [w - 1.0, h - 1.0], [0.0, h - 1.0]],
        0.3,
    );
    let mut all = Vec::new();
    for grey in [&thick, &scene.grey] {
        let mut quads = quadrilaterals(&edges(scene, grey));
        quads.push(frame);
        all.extend(placed(&quads, layouts));
    }
    all
}

/// Layouts laid into quadrilaterals of their shape, every way round.
fn placed(quads: &[Quadrilateral], layouts: &[CardLayout]) -> Vec<Guess> {
    let mut all = Vec::new();
    for (index, layout) in layouts.iter().enumerate() {
        let mut guesses = Vec::new();
        for (corners, support) in quads {
            for turn in 0..4 {
                let to: [[f64; 2]; 4] = std::array::from_fn(|k| corners[(k + turn) % 4]);
                let across = distance(to[0], to[1]) + distance(to[3], to[2]);
                let down = distance(to[1], to[2]) + distance(to[0], to[3]);
                let shape = (across / down) / (layout.width_mm / layout.height_mm);
                if !(0.75..=1.33).contains(&shape) {
                    continue;
                }
                let from = [
                    [0.0, 0.0],
                    [layout.width_mm, 0.0],
                    [layout.width_mm, layout.height_mm],
                    [0.0, layout.height_mm],
                ];
                if let Some(map) = Homography::four_points(from, to) {
                    let rank = support - 0.5 * (shape - 1.0).abs();
                    guesses.push(Guess::new(index, map, 2.5, rank));
                }
            }
        }
        all.extend(keep_best(guesses, MOST, layouts));
    }
    all
}

/// Four corners, in order round, and how well edges stand along the sides.
type Quadrilateral = ([[f64; 2]; 4], f64);

/// Every quadrilateral of straight edges that is large enough and well supported.
fn quadrilaterals(edges: &Edges) -> Vec<Quadrilateral> {
    let lines = lines(edges);
    let (w, h) = (edges.width as f64, edges.height as f64);
    let mut quads = Vec::new();
    let parallel = |a: &Line, b: &Line| {
        let turn = a.direction.abs_diff(b.direction);
        turn.min(DIRECTIONS - turn) * 180 / DIRECTIONS <= 18
    };
    for (i, a) in lines.iter().enumerate() {
        for b in lines.iter().skip(i + 1).filter(|b| parallel(a, b)) {
            for (j, c) in lines.iter().enumerate() {
                if j == i || parallel(a, c) {
                    continue;
                }
                for d in lines.iter().skip(j + 1).filter(|d| parallel(c, d)) {
                    if i > j {
                        continue;
                    }
                    if let Some(corners) = corners(a, b, c, d)
                        && corners.iter().all(|p| {
                            p[0] > -0.15 * w && p[1] > -0.15 * h && p[0] < 1.15 * w && p[1] < 1.15 * h
                        })
                        && area(&corners) > 0.06 * w * h
                    {
                        let support = support(edges, &corners);
                        if support > 0.4 {
                            quads.push((corners, support));
                        }
                    }
                }
            }
        }
    }
    quads
}

/// Places where brightness changes most steeply, thinned to the crest of the change.
fn edges(scene: &Scene, grey: &[f32]) -> Edges {
    let (width, height) = (scene.width, scene.height);
    let mut size = vec![0.0f32; width * height];
    let mut slope = vec![[0.0f32; 2]; width * height];
    for y in 1..height.saturating_sub(1) {
        for x in 1..width.saturating_sub(1) {
            let g = |dx: usize, dy: usize| grey[(y + dy - 1) * width + x + dx - 1];
            let gx = g(2, 0) + 2.0 * g(2, 1) + g(2, 2) - g(0, 0) - 2.0 * g(0, 1) - g(0, 2);
            let gy = g(0, 2) + 2.0 * g(1, 2) + g(2, 2) - g(0, 0) - 2.0 * g(1, 0) - g(2, 0);
            size[y * width + x] = (gx * gx + gy * gy).sqrt();
            slope[y * width + x] = [gx, gy];
        }
    }
    let mut sorted: Vec<f32> = size.iter().copied().step_by(7).collect();
    sorted.sort_by(f32::total_cmp);
    let typical = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    let strong = sorted.get(sorted.len() * 94 / 100).copied().unwrap_or(0.0);
    // Faint edges of white on white must count; noise must not.
    let threshold = (2.5 * typical).max(6.0).min(strong.max(6.0));
    let mut direction = vec![NONE; width * height];
    let mut strength = vec![0u8; width * height];
    for y in 1..height.saturating_sub(1) {
        for x in 1..width.saturating_sub(1) {
            let at = y * width + x;
            if size[at] < threshold {
                continue;
            }
            let [gx, gy] = slope[at];
            let (before, after) = if gx.abs() > 2.4 * gy.abs() {
                (at - 1, at + 1)
            } else if gy.abs() > 2.4 * gx.abs() {
                (at - width, at + width)
            } else if gx * gy > 0.0 {
                (at - width - 1, at + width + 1)
            } else {
                (at - width + 1, at + width - 1)
            };
            if size[at] >= size[before] && size[at] > size[after] {
                let angle = libm::atan2(f64::from(gy), f64::from(gx));
                let turn = angle / std::f64::consts::PI * DIRECTIONS as f64 + 2.0 * DIRECTIONS as f64;
                direction[at] = ((turn + 0.5) as usize % DIRECTIONS) as u8;
                strength[at] = (size[at] / threshold).min(5.0) as u8;
            }
        }
    }
    Edges {
        width,
        height,
        direction,
        strength,
    }
}

/// Brightness without what is thinner than five pixels, light or dark: ruled mats, seams, print. (Opening and closing by a
/// square; Serra 1982.)
fn without_thin(grey: &[f32], width: usize, height: usize) -> Vec<f32> {
    let least = |a: f32, b: f32| if b < a { b } else { a };
    let most = |a: f32, b: f32| if b > a { b } else { a };
    let opened = extreme(&extreme(grey, width, height, least), width, height, most);
    extreme(&extreme(&opened, width, height, most), width, height, least)
}

/// The extreme of a square of five by five pixels about each pixel.
fn extreme(grey: &[f32], width: usize, height: usize, pick: impl Fn(f32, f32) -> f32) -> Vec<f32> {
    const REACH: usize = 2;
    let mut across = grey.to_vec();
    for (out, row) in across.chunks_exact_mut(width).zip(grey.chunks_exact(width)) {
        for x in REACH..width.saturating_sub(REACH) {
            out[x] = row[x - REACH..=x + REACH].iter().copied().fold(row[x], &pick);
        }
    }
    let mut out = across.clone();
    for y in REACH..height.saturating_sub(REACH) {
        for (x, value) in out[y * width..(y + 1) * width].iter_mut().enumerate() {
            for row in y - REACH..=y + REACH {
                *value = pick(*value, across[row * width + x]);
            }
        }
    }
    out
}

/// The straight edges most places agree on (Duda and Hart 1972, normals limited to the edge's own direction).
fn lines(edges: &Edges) -> Vec<Line> {
    let normals: Vec<[f64; 2]> = (0..DIRECTIONS)
        .map(|k| {
            let angle = k as f64 * std::f64::consts::PI / DIRECTIONS as f64;
            [libm::cos(angle), libm::sin(angle)]
        })
        .collect();
    let diagonal = ((edges.width * edges.width + edges.height * edges.height) as f64).sqrt();
    let bins = 2 * diagonal.ceil() as usize + 2;
    let mut votes = vec![0u16; DIRECTIONS * bins];
    const SPREAD: usize = 3;
    for y in 0..edges.height {
        for x in 0..edges.width {
            let direction = edges.direction[y * edges.width + x];
            if direction == NONE {
                continue;
            }
            // A card's edge is steeper than most of what lies around it.
            let strength = edges.strength[y * edges.width + x];
            for turn in 0..=2 * SPREAD {
                let d = (usize::from(direction) + DIRECTIONS + turn - SPREAD) % DIRECTIONS;
                let [nx, ny] = normals[d];
                let bin = (nx * x as f64 + ny * y as f64 + diagonal + 0.5) as usize;
                votes[d * bins + bin] += u16::from(strength);
            }
        }
    }
    let least = (edges.width.min(edges.height) / 8) as u16;
    let mut peaks: Vec<(u16, usize, usize)> = Vec::new();
    for d in 0..DIRECTIONS {
        for bin in 1..bins - 1 {
            let here = votes[d * bins + bin];
            if here >= least && here >= votes[d * bins + bin - 1] && here > votes[d * bins + bin + 1] {
                peaks.push((here, d, bin));
            }
        }
    }
    peaks.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(&b.1)).then(a.2.cmp(&b.2)));
    let mut kept: Vec<Line> = Vec::new();
    for (_, d, bin) in peaks {
        let line = Line {
            normal: normals[d],
            distance: bin as f64 - diagonal,
            direction: d,
        };
        // The same edge comes back under neighbouring directions: then it meets the kept one within the frame.
        let same = |other: &Line| {
            let turn = d.abs_diff(other.direction);
            let opposite = turn > DIRECTIONS / 2;
            let turn = turn.min(DIRECTIONS - turn);
            let distance = if opposite { -other.distance } else { other.distance };
            turn <= 6 && (line.distance - distance).abs() < 3.0 + turn as f64 * edges.width as f64 / 60.0
        };
        if !kept.iter().any(same) {
            kept.push(line);
            if kept.len() == MOST_LINES {
                break;
            }
        }
    }
    kept
}

/// Where two pairs of lines cross, in order round the quadrilateral (clockwise as seen, y downwards).
fn corners(a: &Line, b: &Line, c: &Line, d: &Line) -> Option<[[f64; 2]; 4]> {
    let mut p = [cross(a, c)?, cross(a, d)?, cross(b, d)?, cross(b, c)?];
    let turn = |i: usize| {
        let (p0, p1, p2) = (p[i], p[(i + 1) % 4], p[(i + 2) % 4]);
        (p1[0] - p0[0]) * (p2[1] - p1[1]) - (p1[1] - p0[1]) * (p2[0] - p1[0])
    };
    let turns = [turn(0), turn(1), turn(2), turn(3)];
    if turns.iter().all(|t| *t > 0.0) {
        Some(p)
    } else if turns.iter().all(|t| *t < 0.0) {
        p.reverse();
        Some(p)
    } else {
        None
    }
}

fn cross(a: &Line, b: &Line) -> Option<[f64; 2]> {
    let determinant = a.normal[0] * b.normal[1] - a.normal[1] * b.normal[0];
    (determinant.abs() > 0.3).then(|| {
        [
            (a.distance * b.normal[1] - b.distance * a.normal[1]) / determinant,
            (a.normal[0] * b.distance - b.normal[0] * a.distance) / determinant,
        ]
    })
}

fn area(p: &[[f64; 2]; 4]) -> f64 {
    (0..4)
        .map(|i| p[i][0] * p[(i + 1) % 4][1] - p[(i + 1) % 4][0] * p[i][1])
        .sum::<f64>()
        .abs()
        / 2.0
}

/// Share of the sides' places within the frame that stand on an edge of their direction; the worst side counts most.
fn support(edges: &Edges, corners: &[[f64; 2]; 4]) -> f64 {
    const PLACES: usize = 24;
    let mut sides = [0.0; 4];
    for (i, share) in sides.iter_mut().enumerate() {
        let (p, q) = (corners[i], corners[(i + 1) % 4]);
        let angle = libm::atan2(q[1] - p[1], q[0] - p[0]) + std::f64::consts::FRAC_PI_2;
        let turn = angle / std::f64::consts::PI * DIRECTIONS as f64 + 4.0 * DIRECTIONS as f64;
        let expected = (turn + 0.5) as usize % DIRECTIONS;
        let (mut met, mut seen) = (0u32, 0u32);
        for k in 0..PLACES {
            let t = (k as f64 + 0.5) / PLACES as f64;
            let x = (p[0] + t * (q[0] - p[0]) + 0.5).floor();
            let y = (p[1] + t * (q[1] - p[1]) + 0.5).floor();
            if x < 1.0 || y < 1.0 || x >= edges.width as f64 - 1.0 || y >= edges.height as f64 - 1.0 {
                continue;
            }
            seen += 1;
            let at = y as usize * edges.width + x as usize;
            let near = [at, at - 1, at + 1, at - edges.width, at + edges.width];
            let fits = |&at: &usize| {
                let found = edges.direction[at];
                let turn = usize::from(found).abs_diff(expected);
                found != NONE && turn.min(DIRECTIONS - turn) <= 8
            };
            met += u32::from(near.iter().any(fits));
        }
        // A side beyond the frame says nothing for or against.
        *share = if seen >= PLACES as u32 / 3 {
            f64::from(met) / f64::from(seen)
        } else {
            0.5
        };
    }
    sides.sort_by(f64::total_cmp);
    0.4 * sides[0] + 0.2 * (sides[1] + sides[2] + sides[3])
}
