//! Where a card may lie, from dark blobs that stand as a layout's marks do.

use super::Homography;
use super::blobs::Blob;
use spotwright_domain::card::{CardLayout, Fiducial, FiducialShape};

/// A guess: the map from card millimetres to overview pixels.
#[derive(Debug, Clone, Copy)]
pub(super) struct Guess {
    pub(super) layout: usize,
    pub(super) map: Homography,
    /// How far off places may be (mm).
    pub(super) reach_mm: f64,
    /// Larger is likelier; only compared among guesses of one kind.
    rank: f64,
}

impl Guess {
    pub(super) fn new(layout: usize, map: Homography, reach_mm: f64, rank: f64) -> Self {
        Self {
            layout,
            map,
            reach_mm,
            rank,
        }
    }
}

/// Most guesses kept a layout.
const MOST: usize = 10;

/// Keeps the likeliest guesses that differ from one another.
pub(super) fn keep_best(mut guesses: Vec<Guess>, most: usize, layouts: &[CardLayout]) -> Vec<Guess> {
    guesses.sort_by(|a, b| b.rank.total_cmp(&a.rank));
    let mut kept: Vec<Guess> = Vec::new();
    for guess in guesses {
        if kept.len() == most {
            break;
        }
        let layout = &layouts[guess.layout];
        let corners = [
            [0.0, 0.0],
            [layout.width_mm, 0.0],
            [layout.width_mm, layout.height_mm],
            [0.0, layout.height_mm],
        ];
        let same = |other: &Guess| {
            other.layout == guess.layout
                && corners.iter().all(|&corner| {
                    let (a, b) = (guess.map.map(corner), other.map.map(corner));
                    let [scale, _] = guess.map.stretch([layout.width_mm / 2.0, layout.height_mm / 2.0]);
                    (a[0] - b[0]).abs().max((a[1] - b[1]).abs()) < 5.0 * scale
                })
        };
        if !kept.iter().any(same) {
            kept.push(guess);
        }
    }
    kept
}

/// Guesses for one layout.
pub(super) fn guesses(index: usize, layouts: &[CardLayout], blobs: &[Blob], frame: [f64; 2]) -> Vec<Guess> {
    let layout = &layouts[index];
    let marks = &layout.fiducials;
    let mut found = Vec::new();
    for (a, first) in marks.iter().enumerate() {
        for (b, second) in marks.iter().enumerate().skip(a + 1) {
            let apart = distance(first.centre_mm, second.centre_mm);
            for (i, one) in blobs.iter().enumerate() {
                for (j, other) in blobs.iter().enumerate() {
                    if i == j {
                        continue;
                    }
                    let scale = distance(one.centre, other.centre) / apart;
                    let near = fit(one, first, scale).min(fit(other, second, scale));
                    if near < 0.3 {
                        continue;
                    }
                    let Some(map) = Homography::similarity(
                        [first.centre_mm, second.centre_mm],
                        [one.centre, other.centre],
                    ) else {
                        continue;
                    };
                    if !plausible(&map, layout, frame) {
                        continue;
                    }
                    if let Some(guess) =
                        complete((index, layout), [a, b], [i, j], (&map, scale), blobs, frame)
                    {
                        found.push(guess);
                    }
                }
            }
        }
    }
    keep_best(found, MOST, layouts)
}

/// Looks for the other marks where two of them say.
fn complete(
    (index, layout): (usize, &CardLayout),
    marks: [usize; 2],
    taken: [usize; 2],
    (map, scale): (&Homography, f64),
    blobs: &[Blob],
    frame: [f64; 2],
) -> Option<Guess> {
    let pair = marks.map(|m| layout.fiducials[m].centre_mm);
    let apart_px = distance(pair[0], pair[1]) * scale;
    let mut rank = 0.0;
    let mut best: Option<(f64, Homography)> = None;
    let mut is_cut = false;
    for (m, mark) in layout.fiducials.iter().enumerate() {
        if marks.contains(&m) {
            continue;
        }
        let at = map.map(mark.centre_mm);
        let margin = mark.size_mm * scale;
        is_cut |= at[0] < margin || at[1] < margin || at[0] > frame[0] - margin || at[1] > frame[1] - margin;
        // Tilt moves the third mark by up to about a fifth of the distance.
        let reach = 0.2 * apart_px.min(distance(at, blobs[taken[0]].centre)) + 2.0;
        let nearest = blobs
            .iter()
            .enumerate()
            .filter(|(k, blob)| !taken.contains(k) && fit(blob, mark, scale) >= 0.3)
            .map(|(_, blob)| (distance(at, blob.centre), blob))
            .filter(|(away, _)| *away <= reach)
            .min_by(|x, y| x.0.total_cmp(&y.0));
        let Some((away, blob)) = nearest else { continue };
        let closeness = 1.0 - 0.5 * away / reach;
        rank += closeness;
        if best.as_ref().is_none_or(|(other, _)| closeness > *other)
            && let Some(affine) = Homography::affine(
                [pair[0], pair[1], mark.centre_mm],
                [blobs[taken[0]].centre, blobs[taken[1]].centre, blob.centre],
            )
        {
            let [large, small] = affine.stretch(pair[0]);
            let [a, b, c, d] = affine.derivative(pair[0]);
            if small > 0.6 * large && a * d - b * c > 0.0 {
                best = Some((closeness, affine));
            }
        }
    }
    let likeness: f64 = marks
        .iter()
        .zip(taken)
        .map(|(&m, t)| fit(&blobs[t], &layout.fiducials[m], scale))
        .sum();
    match best {
        Some((_, affine)) => Some(Guess::new(index, affine, 4.0, rank + 0.3 * likeness)),
        // Of three or more marks at least three must be there, unless the frame cuts the card.
        None if layout.fiducials.len() > 2 && !is_cut => None,
        None => Some(Guess::new(index, *map, 5.0, rank + 0.3 * likeness)),
    }
}

/// How well a blob's area is a mark's at a scale: 1 equal, falling with the ratio.
fn fit(blob: &Blob, mark: &Fiducial, scale: f64) -> f64 {
    let area_mm2 = match mark.shape {
        FiducialShape::Square => mark.size_mm * mark.size_mm,
        FiducialShape::Disc => mark.size_mm * mark.size_mm * std::f64::consts::FRAC_PI_4,
    };
    let expected = area_mm2 * scale * scale;
    let ratio = blob.area / expected;
    ratio.min(1.0 / ratio)
}

/// Whether a card placed so lies mostly within the frame and is not tiny.
pub(super) fn plausible(map: &Homography, layout: &CardLayout, frame: [f64; 2]) -> bool {
    let centre = map.map([layout.width_mm / 2.0, layout.height_mm / 2.0]);
    let inside = |at: [f64; 2], slack: f64| {
        at[0] > -slack * frame[0]
            && at[1] > -slack * frame[1]
            && at[0] < (1.0 + slack) * frame[0]
            && at[1] < (1.0 + slack) * frame[1]
    };
    let [large, _] = map.stretch([layout.width_mm / 2.0, layout.height_mm / 2.0]);
    let long_side = large * layout.width_mm.max(layout.height_mm);
    inside(centre, 0.1)
        && long_side > 0.18 * frame[0].max(frame[1])
        && long_side < 3.0 * frame[0].max(frame[1])
}

pub(super) fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    let (dx, dy) = (a[0] - b[0], a[1] - b[1]);
    (dx * dx + dy * dy).sqrt()
}
