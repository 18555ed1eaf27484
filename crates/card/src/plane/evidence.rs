//! What an overview shows of a layout's print: dark lines of circles and dark marks.

use super::{Correction, Homography, Prior};
use crate::photo::{Overview, floor};
use spotwright_domain::card::CardLayout;

/// Brightness and dark lines of an overview.
pub(super) struct Scene {
    pub(super) width: usize,
    pub(super) height: usize,
    /// 0 to 255.
    pub(super) grey: Vec<f32>,
    /// How much darker than both its sides a place is, as a share of the darker side; at most [`LINE_CAP`].
    line: Vec<f32>,
}

/// A line this much darker than its sides counts in full: a stronger one (text) counts no more.
const LINE_CAP: f32 = 0.10;
/// A mark this much darker than its surroundings counts in full.
const MARK_CAP: f32 = 0.35;
/// Angles a circle is looked at under.
const ANGLES: usize = 32;

impl Scene {
    pub(super) fn new(overview: &Overview) -> Self {
        let (width, height) = (overview.width, overview.height);
        let grey: Vec<f32> = overview
            .rgb
            .iter()
            .map(|&[r, g, b]| f32::from(u16::from(r) + 2 * u16::from(g) + u16::from(b)) * 0.25)
            .collect();
        // A coloured line is darkest in the channel it lacks; grey would show it half as dark.
        let least: Vec<f32> = overview
            .rgb
            .iter()
            .map(|&[r, g, b]| f32::from(r.min(g).min(b)))
            .collect();
        let mut line = vec![0.0; width * height];
        const REACH: usize = 3;
        for y in REACH..height.saturating_sub(REACH) {
            for x in REACH..width - REACH.min(width) {
                let at = y * width + x;
                let here = least[at];
                let mut best = 0.0f32;
                for step in [2, 2 * width, 2 * width + 2, 2 * width - 2, 3, 3 * width] {
                    let side = least[at - step].min(least[at + step]);
                    best = best.max((side - here) / (side + 8.0));
                }
                line[at] = best.min(LINE_CAP);
            }
        }
        Self {
            width,
            height,
            grey,
            line,
        }
    }

    #[inline]
    fn index(&self, x: i32, y: i32) -> Option<usize> {
        (x >= 0 && y >= 0 && (x as usize) < self.width && (y as usize) < self.height)
            .then(|| y as usize * self.width + x as usize)
    }

    #[inline]
    pub(super) fn grey_at(&self, [x, y]: [f64; 2]) -> Option<f32> {
        self.index(floor(x + 0.5), floor(y + 0.5)).map(|at| self.grey[at])
    }

    /// How dark a line is at a place, 0 to 1.
    #[inline]
    pub(super) fn line_at(&self, [x, y]: [i32; 2]) -> f32 {
        self.index(x, y).map_or(0.0, |at| self.line[at] / LINE_CAP)
    }

    pub(super) fn contains(&self, [x, y]: [f64; 2], margin: f64) -> bool {
        x >= margin
            && y >= margin
            && x <= self.width as f64 - 1.0 - margin
            && y <= self.height as f64 - 1.0 - margin
    }

    /// Share (0 to 1) of a circle's line that is dark, best over shifts up to `reach` pixels, and that shift.
    /// `places` are the line's places.
    pub(super) fn ring(&self, places: &[[i32; 2]], reach: i32) -> (f32, [i32; 2]) {
        let mut best = (0.0, [0, 0]);
        for dy in -reach..=reach {
            for dx in -reach..=reach {
                let mut sum = 0.0;
                for [x, y] in places {
                    if let Some(at) = self.index(x + dx, y + dy) {
                        sum += self.line[at];
                    }
                }
                // Of equal shifts the shorter.
                let score = sum - 1e-4 * ((dx * dx + dy * dy) as f32).sqrt();
                if score > best.0 {
                    best = (score, [dx, dy]);
                }
            }
        }
        (best.0 / (LINE_CAP * places.len() as f32), best.1)
    }

    /// How far (0 to 1) a dark mark stands at a place, best over shifts, and that shift.
    fn mark(&self, inside: &[[i32; 2]], outside: &[[i32; 2]], reach: i32) -> (f32, [i32; 2]) {
        let mut best = (0.0, [0, 0]);
        let mean = |places: &[[i32; 2]], dx: i32, dy: i32| {
            let mut sum = 0.0;
            for [x, y] in places {
                sum += self.grey[self.index(x + dx, y + dy)?];
            }
            Some(sum / places.len() as f32)
        };
        for dy in -reach..=reach {
            for dx in -reach..=reach {
                let (Some(dark), Some(light)) = (mean(inside, dx, dy), mean(outside, dx, dy)) else {
                    continue;
                };
                let contrast = ((light - dark) / (light + 8.0)).min(MARK_CAP) / MARK_CAP;
                let score = contrast - 1e-4 * ((dx * dx + dy * dy) as f32).sqrt();
                if score > best.0 {
                    best = (score, [dx, dy]);
                }
            }
        }
        best
    }
}

/// How well a layout's print is met.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Met {
    /// Mean share of the print within the frame that is there, 0 to 1.
    pub(super) share: f64,
    /// Sum of shares: how much print was found.
    pub(super) sum: f64,
    /// Elements of print that are within the frame.
    pub(super) within: usize,
}

/// Looks for a layout's print around where `map` (card to overview) says, moves the map to it, and says how well it was
/// met.
pub(super) fn meet(scene: &Scene, layout: &CardLayout, map: &Homography, reach_mm: f64) -> (Met, Homography) {
    let prior = Prior {
        shift: 0.15,
        linear: 0.08,
        perspective: 0.06,
    };
    let mut correction = Correction::new(layout.width_mm, layout.height_mm, prior);
    let back = map.inverse();
    let met = each(scene, layout, map, Some(reach_mm), |centre, shift, share| {
        if share < 0.3 {
            return;
        }
        let Some(back) = &back else { return };
        let at = map.map(centre);
        let seen = back.map([at[0] + f64::from(shift[0]), at[1] + f64::from(shift[1])]);
        for (axis, normal) in [(0, [1.0, 0.0]), (1, [0.0, 1.0])] {
            correction.add(centre, normal, seen[axis] - centre[axis], 0.3 / share);
        }
    });
    let moved = correction.solve().map_or(*map, |solved| solved.apply(map));
    (met, moved)
}

/// How well a layout's print is met where `map` says, and nowhere else.
pub(super) fn judge(scene: &Scene, layout: &CardLayout, map: &Homography) -> Met {
    each(scene, layout, map, None, |_, _, _| {})
}

/// Looks at every element of print within the frame. Without a reach the look is strict: a pixel away at most, and what
/// is as dark beside the line (text, texture) counts against it.
fn each(
    scene: &Scene,
    layout: &CardLayout,
    map: &Homography,
    reach_mm: Option<f64>,
    mut see: impl FnMut([f64; 2], [i32; 2], f64),
) -> Met {
    let (mut sum, mut within) = (0.0, 0);
    let pixel = |place: [f64; 2]| map.map(place).map(|c| floor(c + 0.5));
    for circle in &layout.circles {
        let [large, _] = map.stretch(circle.centre_mm);
        let radius = circle.diameter_mm / 2.0;
        if !scene.contains(map.map(circle.centre_mm), large * radius * 0.6) {
            continue;
        }
        let around = |radius: f64| -> [[i32; 2]; ANGLES] {
            std::array::from_fn(|k| {
                let angle = k as f64 * std::f64::consts::TAU / ANGLES as f64;
                pixel([
                    circle.centre_mm[0] + radius * libm::cos(angle),
                    circle.centre_mm[1] + radius * libm::sin(angle),
                ])
            })
        };
        let (share, shift) = match reach_mm {
            Some(reach) => scene.ring(&around(radius), ((reach * large).ceil() as i32).clamp(1, 16)),
            None => {
                let (on, _) = scene.ring(&around(radius), 1);
                // Beyond the line's own width in the overview.
                let away = (4.0 / large).max(0.15 * radius).min(0.6 * radius);
                let (inside, _) = scene.ring(&around(radius - away), 0);
                let (outside, _) = scene.ring(&around(radius + away), 0);
                ((on - 0.6 * (inside + outside)).max(0.0), [0, 0])
            }
        };
        within += 1;
        sum += f64::from(share);
        see(circle.centre_mm, shift, f64::from(share));
    }
    for mark in &layout.fiducials {
        let [large, _] = map.stretch(mark.centre_mm);
        if !scene.contains(map.map(mark.centre_mm), large * mark.size_mm * 0.8) {
            continue;
        }
        let around = |radius: f64, count: usize| -> Vec<[i32; 2]> {
            (0..count)
                .map(|k| {
                    let angle = k as f64 * std::f64::consts::TAU / count as f64;
                    pixel([
                        mark.centre_mm[0] + radius * libm::cos(angle),
                        mark.centre_mm[1] + radius * libm::sin(angle),
                    ])
                })
                .collect()
        };
        let mut inside = around(mark.size_mm * 0.25, 4);
        inside.push(pixel(mark.centre_mm));
        // Beyond the corners of a square and the overview's own blur.
        let outside = around(mark.size_mm * 0.75 + 0.8 / large.max(0.1), 12);
        let reach = reach_mm.map_or(1, |reach| ((reach * large).ceil() as i32).clamp(1, 16));
        let (share, shift) = scene.mark(&inside, &outside, reach);
        within += 1;
        sum += f64::from(share);
        see(mark.centre_mm, shift, f64::from(share));
    }
    Met {
        share: if within > 0 { sum / within as f64 } else { 0.0 },
        sum,
        within,
    }
}
