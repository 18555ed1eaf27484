//! A spot as it lies on the paper: drops, tails, halo, granules, scratches and foreign colour.

use super::blood::{Blood, transmission};
use super::fault::{PlannedFault, SpotFault};
use super::shape::{Shape, along};
use super::texture::Textures;

/// What is to be on one circle of a card.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct SpotPlan {
    /// Number of the circle, or place in the row.
    pub(crate) index: u32,
    /// Middle of the circle (mm).
    pub(crate) circle_mm: [f64; 2],
    /// Volume of the drop (µL), of all drops together where there are several.
    pub(crate) volume_ul: f64,
    /// Haematocrit (L/L).
    pub(crate) haematocrit: f64,
    /// Days from collection to the photograph.
    pub(crate) age_d: f64,
    /// Extra density at the edge of a drop (0 to 0.15 in a good spot).
    pub(crate) volcano: f64,
    /// What is wrong, none: a good spot.
    pub(crate) faults: Vec<PlannedFault>,
}

impl SpotPlan {
    /// Severity of a fault; `None`: it does not have it.
    pub(crate) fn severity(&self, fault: SpotFault) -> Option<f64> {
        self.faults.iter().find(|f| f.fault == fault).map(|f| f.severity)
    }
}

/// A drop or tail on the paper.
pub(super) struct Layer {
    pub(super) shape: Shape,
    /// Half width of the soaked edge (mm).
    pub(super) edge_mm: f32,
    /// Amount of blood against the spot's own.
    pub(super) amount: f32,
    /// Extra amount at the edge.
    pub(super) volcano: f32,
    /// Share of its blood that adds to what lies there already: 1 for a drop on a dry one, 0 for what was wiped along.
    pub(super) lap: f32,
    /// Line along which blood was wiped, and what is left of it at its end.
    pub(super) wiped: Option<([f64; 2], [f64; 2], f32)>,
}

/// A straight line on the paper.
pub(super) struct Stroke {
    pub(super) from: [f64; 2],
    pub(super) to: [f64; 2],
    pub(super) half_width_mm: f32,
    /// Share of the blood that is gone.
    pub(super) depth: f32,
}

/// A dark grain, a stain or a highlight.
pub(super) struct Blot {
    pub(super) centre: [f64; 2],
    pub(super) radius_mm: f32,
    pub(super) strength: f32,
}

/// Everything that makes a spot look as it does.
pub(crate) struct Scene {
    pub(super) layers: Vec<Layer>,
    pub(super) blood: Blood,
    pub(super) serum: Blood,
    pub(super) halo: Option<(Shape, f32)>,
    /// Drops that ran together while wet: necks between them are filled.
    pub(super) joined: bool,
    pub(super) washed: bool,
    pub(super) granules: Vec<Blot>,
    pub(super) scratches: Vec<Stroke>,
    pub(super) foreign: Vec<(Shape, [f32; 3])>,
    pub(super) gloss: f32,
    pub(super) glints: Vec<Blot>,
    pub(super) mottle: f32,
    pub(super) grain: f32,
    pub(super) lattice: f32,
    pub(super) ragged_mm: f32,
    pub(super) shift: [f32; 2],
    /// Left, top, right, bottom (mm) of all that is painted.
    pub(crate) bounds: [f64; 4],
    /// Amount of blood at the spot's core.
    pub(super) core_amount: f32,
}

/// Distance (mm) over which wet drops draw together.
const JOIN_MM: f32 = 0.28;

/// What is at a place of a spot.
pub(crate) struct Here {
    /// Optical density in red, green and blue against the paper, everything included.
    pub(crate) density: [f32; 3],
    /// Density (green) of the drops alone against that of the core, without texture, granules and scratches:
    /// the outline runs where this is one half.
    pub(crate) relative: f32,
    /// Light sent back by gloss or lifted fibres, added to the reflectance.
    pub(crate) shine: f32,
}

impl Scene {
    pub(super) fn find_bounds(&mut self) {
        let shapes = self
            .layers
            .iter()
            .map(|layer| &layer.shape)
            .chain(self.halo.iter().map(|(shape, _)| shape))
            .chain(self.foreign.iter().map(|(shape, _)| shape));
        let mut bounds = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
        for shape in shapes {
            let of = shape.bounds();
            bounds = [
                bounds[0].min(of[0]),
                bounds[1].min(of[1]),
                bounds[2].max(of[2]),
                bounds[3].max(of[3]),
            ];
        }
        for scratch in &self.scratches {
            for [x, y] in [scratch.from, scratch.to] {
                bounds = [
                    bounds[0].min(x),
                    bounds[1].min(y),
                    bounds[2].max(x),
                    bounds[3].max(y),
                ];
            }
        }
        let margin = 1.6;
        self.bounds = [
            bounds[0] - margin,
            bounds[1] - margin,
            bounds[2] + margin,
            bounds[3] + margin,
        ];
    }

    /// Coverage, amount of blood where covered, and depth (mm) within the drops.
    #[inline]
    fn drops(&self, x: f32, y: f32, wobble: f32, textures: &Textures) -> (f32, f32, f32) {
        let (mut cover, mut inside) = (0.0f32, f32::NEG_INFINITY);
        // The most that one layer brings, and what the others add to it.
        let (mut most, mut added, mut most_adds) = (0.0f32, 0.0f32, 0.0f32);
        let mut joined = 0.0f32;
        for layer in &self.layers {
            let depth = layer.shape.inside_mm(x, y) + wobble;
            if self.joined {
                joined += libm::expf((depth / JOIN_MM).clamp(-30.0, 30.0));
            }
            if depth < -layer.edge_mm {
                continue;
            }
            inside = inside.max(depth);
            let mut share = smoothstep(depth / layer.edge_mm);
            let mut amount = layer.amount;
            if layer.volcano > 0.0 {
                amount *= 1.0 + layer.volcano * rim(depth, self.washed);
            }
            if let Some((from, to, left)) = &layer.wiped {
                let (t, streak) = streaks(from, to, x, y, textures);
                amount *= libm::expf(libm::logf(*left) * t) * (1.0 + 0.45 * streak).clamp(0.05, 1.1);
                // Towards its end the film tears into streaks.
                share *= smoothstep((1.15 + 0.3 * streak - 1.25 * t) / 0.3);
            }
            let (brings, adds) = (share * amount, share * amount * layer.lap);
            if brings > most {
                added += most_adds;
                (most, most_adds) = (brings, adds);
            } else {
                added += adds;
            }
            cover = cover.max(share);
        }
        if self.joined && joined > 0.0 {
            let depth = JOIN_MM * libm::logf(joined);
            let edge_mm = self.layers[0].edge_mm;
            let share = smoothstep(depth / edge_mm);
            if share > cover {
                // A neck holds what the drops beside it hold.
                most = most.max(0.9 * (share - cover) + most);
                cover = share;
            }
            inside = inside.max(depth);
        }
        if cover > 0.0 {
            (cover, (most + added) / cover, inside)
        } else {
            (0.0, 0.0, inside)
        }
    }

    /// What is at a place (mm).
    #[inline]
    pub(crate) fn at(&self, x: f32, y: f32, textures: &Textures) -> Here {
        let (u, v) = (x + self.shift[0], y + self.shift[1]);
        let wobble = self.ragged_mm * textures.ragged.at(u, v);
        let (cover, amount, inside) = self.drops(x, y, wobble, textures);
        let mut here = Here {
            density: [0.0; 3],
            relative: 0.0,
            shine: 0.0,
        };
        if cover > 0.0 {
            let core = self.blood.density(self.core_amount)[1];
            here.relative = cover * self.blood.density(amount)[1] / core;
            let fibre = textures.fibres.at(u, v);
            let mut uneven = 1.0 + self.mottle * textures.cloud.at(u, v) + self.grain * fibre;
            if self.lattice > 0.0 {
                let wave = libm::sinf(3.1 * (u + v)) * libm::sinf(3.1 * (u - v));
                uneven -= self.lattice * (0.5 + 0.5 * wave);
            }
            let mut left = 1.0;
            for scratch in &self.scratches {
                let (_, distance) = along(&scratch.from, &scratch.to, x, y);
                let ragged = scratch.half_width_mm * (1.0 + 0.35 * textures.ragged.at(v, u));
                if distance < ragged + 0.05 {
                    let gone = scratch.depth * smoothstep((ragged - distance) / 0.05);
                    left = f32::min(left, 1.0 - gone);
                }
            }
            let mut grains = 0.0;
            for blot in &self.granules {
                let (dx, dy) = (x - blot.centre[0] as f32, y - blot.centre[1] as f32);
                let away = (dx * dx + dy * dy).sqrt() + 0.06 * textures.ragged.at(v, u);
                if away < blot.radius_mm + 0.1 {
                    grains += blot.strength * smoothstep((blot.radius_mm - away) / 0.1);
                }
            }
            let density = self.blood.density((amount + grains) * (uneven * left).max(0.02));
            here.density = density.map(|d| d * cover * (1.0 + 0.35 * (uneven - 1.0)).max(0.1));
            if self.gloss > 0.0 && inside > 0.1 {
                // Wet blood mirrors the lamp on its domed surface, and a little of everything else.
                let mut lamp = 0.0f32;
                for glint in &self.glints {
                    let (dx, dy) = (x - glint.centre[0] as f32, y - glint.centre[1] as f32);
                    let away = (dx * dx + 2.2 * dy * dy).sqrt() + 0.10 * textures.cloud.at(3.0 * v, 3.0 * u);
                    if away < glint.radius_mm + 0.3 {
                        lamp = lamp.max(glint.strength * smoothstep((glint.radius_mm - away) / 0.3));
                    }
                }
                here.shine = self.gloss * (0.012 + lamp) * smoothstep((inside - 0.3) / 0.25);
            }
            if left < 1.0 {
                here.shine += 0.03 * (1.0 - left) * (1.0 + fibre).max(0.0);
            }
        }
        if let Some((shape, strength)) = &self.halo {
            let depth = shape.inside_mm(x, y) + 2.0 * wobble;
            if depth > -0.3 {
                // Darkest at its drying front, as every stain is.
                let share = smoothstep(depth / 0.3) * (1.0 - cover);
                let front = 1.0 + 0.5 * rim(depth, false);
                let stain = self
                    .serum
                    .density(strength * front * (1.0 + 0.1 * textures.cloud.at(v, u)));
                let pink = if self.washed {
                    self.blood.density(0.03)
                } else {
                    [0.0; 3]
                };
                for channel in 0..3 {
                    here.density[channel] += share * (stain[channel] + pink[channel]);
                }
            }
        }
        for (shape, colour) in &self.foreign {
            let depth = shape.inside_mm(x, y) + 2.0 * wobble;
            if depth > -0.25 {
                let share = smoothstep(depth / 0.25) * (1.0 + 0.12 * textures.cloud.at(v, u));
                for (density, colour) in here.density.iter_mut().zip(colour) {
                    *density += share * colour;
                }
            }
        }
        here
    }
}

impl Here {
    /// Paper of this linear reflectance as seen here.
    #[inline]
    pub(crate) fn over(&self, paper: [f32; 3]) -> [f32; 3] {
        let mut seen = paper;
        for (value, density) in seen.iter_mut().zip(self.density) {
            *value = *value * transmission(density) + self.shine;
        }
        seen
    }
}

/// 0 at −1 and below, one half at 0, 1 at 1 and above.
#[inline]
pub(crate) fn smoothstep(t: f32) -> f32 {
    let t = (0.5 + 0.5 * t).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// The edge ring by depth (mm): nothing at the edge itself, so that the ring does not move the outline; most at 0.35
/// mm (a washed drop: 0.5 mm) inside, gone at three times that.
#[inline]
fn rim(depth: f32, washed: bool) -> f32 {
    let place = depth / if washed { 0.5 } else { 0.35 };
    if place <= 0.0 || place >= 3.0 {
        return 0.0;
    }
    if place < 1.0 {
        smoothstep(2.0 * place - 1.0)
    } else {
        1.0 - smoothstep((place - 1.0) - 1.0)
    }
}

/// Place along a wipe (0 to 1) and how much its streaks hold there, mean 0 and variance 1.
#[inline]
fn streaks(from: &[f64; 2], to: &[f64; 2], x: f32, y: f32, textures: &Textures) -> (f32, f32) {
    let (t, _) = along(from, to, x, y);
    let (bx, by) = ((to[0] - from[0]) as f32, (to[1] - from[1]) as f32);
    let long = (bx * bx + by * by).sqrt().max(1e-3);
    let across = ((x - from[0] as f32) * by - (y - from[1] as f32) * bx) / long;
    (
        t.clamp(0.0, 1.0),
        textures.cloud.at(4.0 * across + 7.0, 0.35 * t * long),
    )
}
