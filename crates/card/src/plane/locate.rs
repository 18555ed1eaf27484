//! Guesses held against the print, the best one refined, the doubtful ones named.

use super::evidence::{Met, Scene, judge, meet};
use super::from_marks::Guess;
use super::refine::{Fate, Refined, refine};
use super::{Homography, blobs, from_marks, from_outline, from_rings, outline};
use crate::photo::{Photo, PhotoError, Rectangle};
use spotwright_domain::card::{CardLayout, PhotoProblemCode};

/// Where a card was found.
#[derive(Debug, Clone)]
pub(crate) struct Located {
    /// Which layout.
    pub(crate) layout: usize,
    /// Card millimetres to stored pixels.
    pub(crate) map: Homography,
    pub(crate) circles: Vec<Fate>,
    pub(crate) fiducials: Vec<Fate>,
    pub(crate) residual_mm: Option<f64>,
    pub(crate) position_u_mm: f64,
    /// Spread of printed edges (standard deviation, mm).
    pub(crate) blur_mm: Option<f64>,
    /// How far off each side of the card is seen (mm, outwards); `None`: not seen.
    pub(crate) sides: [Option<f64>; 4],
    /// What is doubtful about it, with the number it rests on.
    pub(crate) doubts: Vec<(PhotoProblemCode, Option<f64>)>,
    /// The whole frame is the plane: nothing of a card was seen.
    pub(crate) is_frame: bool,
}

/// Least ratio of shortest to longest stretch: a card seen 45 degrees aslant.
const MIN_STRETCH: f64 = 0.7;

/// Where guesses come from.
#[derive(Debug, Clone, Copy)]
enum Stage {
    Marks,
    Outline,
    Rings,
}

/// A guess that was held against the overview.
#[derive(Debug, Clone, Copy)]
struct Candidate {
    layout: usize,
    map: Homography,
    met: Met,
}

impl Candidate {
    /// Whether nearly all of much print is where it should be.
    fn is_clear(&self) -> bool {
        self.met.share > 0.7 && self.met.within >= 6
    }

    /// Whether a place of the overview lies on the card.
    fn covers(&self, place: [f64; 2], layouts: &[CardLayout]) -> bool {
        let layout = &layouts[self.layout];
        self.map.inverse().is_some_and(|back| {
            let [x, y] = back.map(place);
            x > 0.0 && y > 0.0 && x < layout.width_mm && y < layout.height_mm
        })
    }

    /// What print was found, less what should have been there.
    fn score(&self) -> f64 {
        self.met.sum - 0.7 * (self.met.within as f64 - self.met.sum)
    }
}

/// Finds the card; `Ok(None)` when none of the layouts is there.
pub(crate) fn locate(photo: &mut Photo<'_>, layouts: &[CardLayout]) -> Result<Option<Located>, PhotoError> {
    let scene = Scene::new(&photo.overview);
    let frame = [scene.width as f64, scene.height as f64];
    let scale = photo.overview.scale;
    let to_stored = Homography([
        scale,
        0.0,
        (scale - 1.0) / 2.0,
        0.0,
        scale,
        (scale - 1.0) / 2.0,
        0.0,
        0.0,
        1.0,
    ]);
    let back = to_stored.inverse().unwrap_or(Homography::IDENTITY);
    let mut candidates = Vec::new();
    let mut refined: Vec<(Candidate, Refined)> = Vec::new();
    let mut outlines = Vec::new();
    // The quick ways first; the next one only while no place explains all print in the frame.
    for stage in [Stage::Marks, Stage::Outline, Stage::Rings] {
        match stage {
            Stage::Marks => {
                let blobs = blobs::find(&scene);
                for index in 0..layouts.len() {
                    let guesses = from_marks::guesses(index, layouts, &blobs, frame);
                    hold(&scene, layouts, guesses, &mut candidates);
                }
            }
            Stage::Outline => {
                outlines = from_outline::guesses(&scene, layouts);
                hold(&scene, layouts, outlines.clone(), &mut candidates);
                for candidate in framed(&scene, layouts, &outlines) {
                    // Of one layout one outline whose print is all there is enough; its turns are weighed later.
                    let is_done =
                        |(c, r): &(Candidate, Refined)| c.layout == candidate.layout && is_settled(r);
                    if refined.iter().any(is_done) {
                        continue;
                    }
                    let layout = &layouts[candidate.layout];
                    let map = to_stored.after(&candidate.map);
                    need_print(photo, layout, &map)?;
                    refined.push((candidate, refine(photo.raster(), layout, &map, 1.6)));
                }
                let stated = stated_scale_guesses(photo, layouts, &to_stored);
                hold(&scene, layouts, stated, &mut candidates);
            }
            Stage::Rings => hold(
                &scene,
                layouts,
                from_rings::guesses(&scene, layouts),
                &mut candidates,
            ),
        }
        candidates.sort_by(|a, b| b.score().total_cmp(&a.score()));
        candidates = distinct(candidates, layouts);
        let best_score = candidates.first().map_or(0.0, Candidate::score);
        if matches!(stage, Stage::Outline) && refined.iter().any(|(_, place)| is_settled(place)) {
            candidates.retain(|c| c.met.share > 0.6);
        }
        // Dark blobs stand like marks by chance now and then; thin circles hardly show on the overview.
        let most = if matches!(stage, Stage::Marks) { 3 } else { 6 };
        for candidate in candidates.iter().take(most) {
            let settled = refined.iter().any(|(_, r)| is_settled(r));
            if settled && candidate.score() < 0.6 * best_score - 0.3 {
                break;
            }
            if refined.iter().any(|(done, _)| is_same(done, candidate, layouts)) {
                continue;
            }
            if matches!(stage, Stage::Marks) && candidate.met.share < 0.5 {
                continue;
            }
            let layout = &layouts[candidate.layout];
            let map = to_stored.after(&candidate.map);
            need_print(photo, layout, &map)?;
            refined.push((*candidate, refine(photo.raster(), layout, &map, 0.9)));
        }
        // Two ways to one place are one place.
        let mut kept: Vec<(Candidate, Refined)> = Vec::new();
        for (candidate, place) in refined {
            let moved = Candidate {
                map: back.after(&place.map),
                ..candidate
            };
            if !kept.iter().any(|(other, _)| is_same(other, &moved, layouts)) {
                kept.push((moved, place));
            }
        }
        refined = kept;
        refined.sort_by(|a, b| {
            worth(&b.1)
                .total_cmp(&worth(&a.1))
                .then(b.0.score().total_cmp(&a.0.score()))
        });
        if refined.first().is_some_and(|(_, place)| is_settled(place)) {
            break;
        }
    }
    if refined.is_empty() {
        return without_print(photo, &scene, layouts, &outlines, &to_stored);
    }
    let (best, place) = &refined[0];
    let layout = &layouts[best.layout];
    let overview_map = back.after(&place.map);
    if !is_confirmed(place) || is_edgeless(&scene, layout, &overview_map, place) {
        return without_print(photo, &scene, layouts, &outlines, &to_stored);
    }
    let mut located = Located {
        layout: best.layout,
        map: place.map,
        circles: place.circles.clone(),
        fiducials: place.fiducials.clone(),
        residual_mm: Some(place.residual_mm),
        position_u_mm: place.position_u_mm,
        blur_mm: place.blur_mm,
        sides: outline::sides(&scene, layout, &overview_map, 2.0),
        doubts: Vec::new(),
        is_frame: false,
    };
    for (other, rival) in &refined[1..] {
        if !is_confirmed(rival) || !overlaps(place, layout, rival, &layouts[other.layout]) {
            if is_confirmed(rival)
                && worth(rival) >= 3.5
                && !same_place(place, layout, rival, &layouts[other.layout])
            {
                located.doubts.push((PhotoProblemCode::SeveralCards, Some(2.0)));
            }
            continue;
        }
        if other.layout != best.layout && worth(rival) > 0.85 * worth(place) {
            let edges = |l: &CardLayout, r: &Refined| {
                outline::sides(&scene, l, &back.after(&r.map), 1.5)
                    .iter()
                    .flatten()
                    .count()
            };
            if edges(&layouts[other.layout], rival) + 1 >= edges(layout, place) {
                located.doubts.push((PhotoProblemCode::AmbiguousLayout, None));
            }
        }
    }
    // A second card that the first did not need as a rival.
    let own = Candidate {
        layout: best.layout,
        map: overview_map,
        met: best.met,
    };
    let is_other = |c: &Candidate| {
        let other = &layouts[c.layout];
        let centre = c.map.map([other.width_mm / 2.0, other.height_mm / 2.0]);
        let own_centre = own.map.map([layout.width_mm / 2.0, layout.height_mm / 2.0]);
        c.met.share > 0.4
            && c.met.within >= 4
            && !own.covers(centre, layouts)
            && !c.covers(own_centre, layouts)
    };
    let is_named = located
        .doubts
        .iter()
        .any(|(code, _)| *code == PhotoProblemCode::SeveralCards);
    if !is_named {
        for candidate in candidates.iter().filter(|c| is_other(c)).take(3) {
            let other = &layouts[candidate.layout];
            let map = to_stored.after(&candidate.map);
            need_print(photo, other, &map)?;
            let rival = refine(photo.raster(), other, &map, 0.9);
            if is_confirmed(&rival) && worth(&rival) >= 3.5 {
                located.doubts.push((PhotoProblemCode::SeveralCards, Some(2.0)));
                break;
            }
        }
    }
    choose_turn(&scene, layout, &back, &mut located);
    Ok(Some(located))
}

/// How much a refined place explains.
fn worth(place: &Refined) -> f64 {
    let mut worth = 0.0;
    for fate in place.circles.iter().chain(&place.fiducials) {
        worth += match fate {
            Fate::Found => 1.0,
            Fate::Missing => -0.8,
            Fate::Covered | Fate::Outside => 0.0,
        };
    }
    worth
}

/// Whether all print within the frame was seen but what is covered; one in six may hide under a stain's pale rim.
fn is_settled(place: &Refined) -> bool {
    let count = |fate| {
        place
            .circles
            .iter()
            .chain(&place.fiducials)
            .filter(|f| **f == fate)
            .count()
    };
    is_confirmed(place) && count(Fate::Missing) * 5 <= count(Fate::Found)
}

/// Whether a place rests on little print although the card's edge should be in the frame and is not seen.
fn is_edgeless(scene: &Scene, layout: &CardLayout, map: &Homography, place: &Refined) -> bool {
    let (w, h) = (layout.width_mm, layout.height_mm);
    let corners = [[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]];
    let is_whole = corners.iter().all(|&corner| scene.contains(map.map(corner), 3.0));
    let edges = outline::sides(scene, layout, map, 1.5).iter().flatten().count();
    let count = |fate| {
        place
            .circles
            .iter()
            .chain(&place.fiducials)
            .filter(|f| **f == fate)
            .count()
    };
    let (found, missing) = (count(Fate::Found), count(Fate::Missing));
    is_whole && edges < 2 && (found < 4 || missing > 0)
}

/// Whether print says beyond doubt that the card lies here.
fn is_confirmed(place: &Refined) -> bool {
    let count = |fate| {
        place
            .circles
            .iter()
            .chain(&place.fiducials)
            .filter(|f| **f == fate)
            .count()
    };
    let (found, missing) = (count(Fate::Found), count(Fate::Missing));
    let [large, small] = place.map.stretch(place.anchor_mm);
    found >= 2
        && found >= 2 * missing
        && place.residual_mm < 0.15
        && place.sightings >= 20
        && small > MIN_STRETCH * large
}

fn hold(scene: &Scene, layouts: &[CardLayout], guesses: Vec<Guess>, into: &mut Vec<Candidate>) {
    for guess in guesses {
        let layout = &layouts[guess.layout];
        if layout.circles.is_empty() && layout.fiducials.is_empty() {
            continue;
        }
        // Guesses come likeliest first: where a card is clear already, no other is looked for on top of it.
        let centre = guess.map.map([layout.width_mm / 2.0, layout.height_mm / 2.0]);
        if into.iter().any(|c| c.is_clear() && c.covers(centre, layouts)) {
            continue;
        }
        let (first, map) = meet(scene, layout, &guess.map, guess.reach_mm);
        if first.share < 0.25 || first.within == 0 {
            continue;
        }
        let (_, map) = meet(scene, layout, &map, 1.5);
        let (_, map) = meet(scene, layout, &map, 0.8);
        let [large, small] = map.stretch([layout.width_mm / 2.0, layout.height_mm / 2.0]);
        let met = judge(scene, layout, &map);
        if met.within > 0 && small > MIN_STRETCH * large {
            into.push(Candidate {
                layout: guess.layout,
                map,
                met,
            });
        }
    }
}

/// Most outlines whose print is looked for in full pixels.
const MOST_FRAMED: usize = 12;

/// Outlines that fit a layout on three sides or more, moved to those sides: worth a look in full pixels even where a thin
/// print hardly shows on the overview.
fn framed(scene: &Scene, layouts: &[CardLayout], outlines: &[Guess]) -> Vec<Candidate> {
    let mut found: Vec<(f64, Candidate)> = Vec::new();
    for guess in outlines {
        let layout = &layouts[guess.layout];
        if layout.circles.is_empty() && layout.fiducials.is_empty() {
            continue;
        }
        let Some((map, used, rms)) = outline::fit(scene, layout, &guess.map, 2.5) else {
            continue;
        };
        let [large, small] = map.stretch([layout.width_mm / 2.0, layout.height_mm / 2.0]);
        if used < 3 || rms > 1.2 || small < MIN_STRETCH * large {
            continue;
        }
        let met = judge(scene, layout, &map);
        let candidate = Candidate {
            layout: guess.layout,
            map,
            met,
        };
        let worth = met.share + ink(scene, layout, &map) + 0.3 * used as f64 - 0.3 * rms;
        if met.within > 0 && !found.iter().any(|(_, other)| is_same(other, &candidate, layouts)) {
            found.push((worth, candidate));
        }
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.truncate(MOST_FRAMED);
    found.into_iter().map(|(_, candidate)| candidate).collect()
}

/// Leaves out candidates that came to the same place.
fn distinct(candidates: Vec<Candidate>, layouts: &[CardLayout]) -> Vec<Candidate> {
    let mut kept: Vec<Candidate> = Vec::new();
    for candidate in candidates {
        if !kept.iter().any(|other| is_same(other, &candidate, layouts)) {
            kept.push(candidate);
        }
    }
    kept
}

/// Whether two candidates put the same layout within 3 mm of one another.
fn is_same(a: &Candidate, b: &Candidate, layouts: &[CardLayout]) -> bool {
    let layout = &layouts[a.layout];
    let places = [
        [0.0, 0.0],
        [layout.width_mm, layout.height_mm],
        [layout.width_mm, 0.0],
    ];
    let [scale, _] = a.map.stretch([layout.width_mm / 2.0, layout.height_mm / 2.0]);
    a.layout == b.layout
        && places
            .iter()
            .all(|&p| from_marks::distance(a.map.map(p), b.map.map(p)) < 3.0 * scale)
}

/// The layout's stated scale with the frame's upper left corner as the card's.
fn stated_scale_guesses(photo: &Photo<'_>, layouts: &[CardLayout], to_stored: &Homography) -> Vec<Guess> {
    let mut guesses = Vec::new();
    for (index, layout) in layouts.iter().enumerate() {
        if let Some(map) = stated_scale_map(photo, layout)
            && let Some(back) = to_stored.inverse()
        {
            guesses.push(Guess::new(index, back.after(&map), 4.0, 1.0));
        }
    }
    guesses
}

/// Card millimetres to stored pixels by the stated scale alone.
fn stated_scale_map(photo: &Photo<'_>, layout: &CardLayout) -> Option<Homography> {
    let scale = layout.pixels_per_mm?;
    let upright = Homography([scale, 0.0, -0.5, 0.0, scale, -0.5, 0.0, 0.0, 1.0]);
    Some(Homography(photo.upright_matrix()).inverse()?.after(&upright))
}

/// A card whose print was not seen: its edge, or the stated scale, or nothing.
fn without_print(
    photo: &Photo<'_>,
    scene: &Scene,
    layouts: &[CardLayout],
    outlines: &[Guess],
    to_stored: &Homography,
) -> Result<Option<Located>, PhotoError> {
    let all;
    let outlines = if outlines.is_empty() {
        all = from_outline::guesses(scene, layouts);
        &all
    } else {
        outlines
    };
    let mut best: Option<(f64, Located)> = None;
    let upright = Homography(photo.upright_matrix());
    for guess in outlines {
        let layout = &layouts[guess.layout];
        let Some((map, used, rms)) = outline::fit(scene, layout, &guess.map, 2.5) else {
            continue;
        };
        let printed = !layout.circles.is_empty() || !layout.fiducials.is_empty();
        if used < 4 || rms > 0.8 {
            continue;
        }
        let stored = to_stored.after(&map);
        let [large, small] = stored.stretch([layout.width_mm / 2.0, layout.height_mm / 2.0]);
        if small < 0.6 * large {
            continue;
        }
        if let Some(stated) = layout.pixels_per_mm {
            let found = large * f64::from(photo.facts.reduction);
            if !(0.8..=1.25).contains(&(found / stated)) {
                continue;
            }
        }
        // Of equally good turns the one that stands as photographed.
        let seen = upright.after(&stored);
        let [a, ..] = seen.derivative([layout.width_mm / 2.0, layout.height_mm / 2.0]);
        let score = -rms + 0.5 * a / large - if printed { 1.0 } else { 0.0 };
        if best.as_ref().is_none_or(|(other, _)| score > *other) {
            let mut doubts = vec![(PhotoProblemCode::PositionNotConfirmed, None)];
            if !printed {
                doubts.push((PhotoProblemCode::AmbiguousOrientation, None));
            }
            best = Some((
                score,
                Located {
                    layout: guess.layout,
                    map: stored,
                    circles: vec![Fate::Missing; layout.circles.len()],
                    fiducials: vec![Fate::Missing; layout.fiducials.len()],
                    residual_mm: None,
                    position_u_mm: rms.max(0.3),
                    blur_mm: None,
                    sides: outline::sides(scene, layout, &map, 2.0),
                    doubts,
                    is_frame: false,
                },
            ));
        }
    }
    if let Some((_, located)) = best {
        return Ok(Some(located));
    }
    for (index, layout) in layouts.iter().enumerate() {
        if !layout.circles.is_empty() {
            continue;
        }
        if let Some(map) = stated_scale_map(photo, layout) {
            return Ok(Some(Located {
                layout: index,
                map,
                circles: Vec::new(),
                fiducials: vec![Fate::Missing; layout.fiducials.len()],
                residual_mm: None,
                position_u_mm: 0.0,
                blur_mm: None,
                sides: [None; 4],
                doubts: vec![(PhotoProblemCode::ScaleStated, layout.pixels_per_mm)],
                is_frame: true,
            }));
        }
    }
    Ok(None)
}

/// Asks for the pixels a layout's print is looked for in.
fn need_print(photo: &mut Photo<'_>, layout: &CardLayout, map: &Homography) -> Result<(), PhotoError> {
    let mut rectangles = Vec::new();
    for circle in &layout.circles {
        let half = circle.diameter_mm / 2.0 + 1.6;
        rectangles.extend(bounds(photo, map, circle.centre_mm, [half, half]));
    }
    for mark in &layout.fiducials {
        let half = mark.size_mm / 2.0 + 1.2;
        rectangles.extend(bounds(photo, map, mark.centre_mm, [half, half]));
    }
    photo.need(&rectangles)
}

/// Stored pixels that hold a rectangle of the card; `None` when it lies outside the frame.
pub(crate) fn bounds(
    photo: &Photo<'_>,
    map: &Homography,
    centre: [f64; 2],
    half: [f64; 2],
) -> Option<Rectangle> {
    let (width, height) = (photo.raster().width() as f64, photo.raster().height() as f64);
    let (mut x0, mut y0, mut x1, mut y1) = (f64::MAX, f64::MAX, f64::MIN, f64::MIN);
    for (sx, sy) in [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)] {
        let [x, y] = map.map([centre[0] + sx * half[0], centre[1] + sy * half[1]]);
        x0 = x0.min(x);
        x1 = x1.max(x);
        y0 = y0.min(y);
        y1 = y1.max(y);
    }
    let x0 = (x0 - 2.0).clamp(0.0, width) as usize;
    let y0 = (y0 - 2.0).clamp(0.0, height) as usize;
    let x1 = (x1 + 3.0).clamp(0.0, width) as usize;
    let y1 = (y1 + 3.0).clamp(0.0, height) as usize;
    (x1 > x0 && y1 > y0).then_some(Rectangle { x0, y0, x1, y1 })
}

fn overlaps(a: &Refined, layout_a: &CardLayout, b: &Refined, layout_b: &CardLayout) -> bool {
    let centre = b.map.map([layout_b.width_mm / 2.0, layout_b.height_mm / 2.0]);
    a.map.inverse().is_some_and(|back| {
        let [x, y] = back.map(centre);
        x > 0.0 && y > 0.0 && x < layout_a.width_mm && y < layout_a.height_mm
    })
}

fn same_place(a: &Refined, layout_a: &CardLayout, b: &Refined, layout_b: &CardLayout) -> bool {
    overlaps(a, layout_a, b, layout_b) || overlaps(b, layout_b, a, layout_a)
}

/// Of the turns under which the print looks the same, the one whose edge and ink fit; a doubt when none stands out.
fn choose_turn(scene: &Scene, layout: &CardLayout, back: &Homography, located: &mut Located) {
    let turns = symmetries(layout);
    if turns.is_empty() {
        return;
    }
    let judge = |map: &Homography| {
        let overview = back.after(map);
        let sides = outline::sides(scene, layout, &overview, 1.5)
            .iter()
            .flatten()
            .count();
        (sides, ink(scene, layout, &overview))
    };
    let (own_sides, own_ink) = judge(&located.map);
    let mut best = (own_sides, own_ink, None);
    let mut rivals = Vec::new();
    for turn in turns {
        let map = located.map.after(&turn);
        let (sides, ink) = judge(&map);
        rivals.push((sides, ink));
        if (sides, ink) > (best.0 + 1, 0.0) || (sides + 1 >= best.0 && ink > 1.5 * best.1) {
            best = (sides, ink, Some(map));
        }
    }
    rivals.push((own_sides, own_ink));
    let clear = rivals
        .iter()
        .filter(|r| (r.0, r.1) != (best.0, best.1))
        .all(|&(sides, ink)| best.0 > sides + 1 || (best.0 + 1 >= sides && best.1 > 1.5 * ink));
    if !clear {
        located
            .doubts
            .push((PhotoProblemCode::AmbiguousOrientation, None));
    }
    if let Some(map) = best.2 {
        located.map = map;
        located.sides = outline::sides(scene, layout, &back.after(&map), 2.0);
    }
}

/// Turns of the card plane that take every circle and mark to one of its kind.
fn symmetries(layout: &CardLayout) -> Vec<Homography> {
    let places: Vec<([f64; 2], f64, u8)> = layout
        .circles
        .iter()
        .map(|c| (c.centre_mm, c.diameter_mm, 0))
        .chain(
            layout
                .fiducials
                .iter()
                .map(|f| (f.centre_mm, f.size_mm, 1 + f.shape as u8)),
        )
        .collect();
    if places.is_empty() {
        return Vec::new();
    }
    let n = places.len() as f64;
    let cx = places.iter().map(|p| p.0[0]).sum::<f64>() / n;
    let cy = places.iter().map(|p| p.0[1]).sum::<f64>() / n;
    [(0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)]
        .into_iter()
        .map(|(c, s)| {
            Homography([
                c,
                -s,
                cx - c * cx + s * cy,
                s,
                c,
                cy - s * cx - c * cy,
                0.0,
                0.0,
                1.0,
            ])
        })
        .filter(|turn| {
            places.iter().all(|p| {
                let at = turn.map(p.0);
                places.iter().any(|q| {
                    q.2 == p.2 && (q.1 - p.1).abs() < 0.05 * p.1 && from_marks::distance(q.0, at) < 0.08 * p.1
                })
            })
        })
        .collect()
}

/// How much fine dark print lies where the layout has codes and labels, 0 to 1.
fn ink(scene: &Scene, layout: &CardLayout, map: &Homography) -> f64 {
    let (mut sum, mut count) = (0.0, 0usize);
    for region in layout.barcodes.iter().chain(&layout.labels) {
        for j in 0..12 {
            for i in 0..12 {
                let place = [
                    region.left_mm + region.width_mm * (f64::from(i) + 0.5) / 12.0,
                    region.top_mm + region.height_mm * (f64::from(j) + 0.5) / 12.0,
                ];
                let [x, y] = map.map(place).map(|c| (c + 0.5).floor() as i32);
                sum += f64::from(scene.line_at([x, y]));
                count += 1;
            }
        }
    }
    if count == 0 { 0.0 } else { sum / count as f64 }
}
