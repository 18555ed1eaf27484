//! A spot as it lies on the paper: drops, tails, halo, granules, scratches and foreign colour.

use super::blood::{Blood, Tint, transmission};
use super::drop::{area_mm2, load_ul_per_mm2};
use super::fault::{PlannedFault, SpotFault};
use super::shape::{Outline, Shape, along};
use super::texture::Textures;
use crate::random::Stream;

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
struct Layer {
    shape: Shape,
    /// Half width of the soaked edge (mm).
    edge_mm: f32,
    /// Amount of blood against the spot's own.
    amount: f32,
    /// Extra amount at the edge.
    volcano: f32,
    /// Line along which the amount fades, and how much is left at its end.
    fade: Option<([f64; 2], [f64; 2], f32)>,
}

/// A straight line on the paper.
struct Stroke {
    from: [f64; 2],
    to: [f64; 2],
    half_width_mm: f32,
    /// Share of the blood that is gone.
    depth: f32,
}

/// A dark grain, a stain or a highlight.
struct Blot {
    centre: [f64; 2],
    radius_mm: f32,
    strength: f32,
}

/// Everything that makes a spot look as it does.
pub(crate) struct Scene {
    layers: Vec<Layer>,
    blood: Blood,
    serum: Blood,
    halo: Option<(Shape, f32)>,
    washed: bool,
    granules: Vec<Blot>,
    scratches: Vec<Stroke>,
    foreign: Vec<(Shape, [f32; 3])>,
    gloss: f32,
    glints: Vec<Blot>,
    mottle: f32,
    grain: f32,
    lattice: f32,
    ragged_mm: f32,
    shift: [f32; 2],
    /// Left, top, right, bottom (mm) of all that is painted.
    pub(crate) bounds: [f64; 4],
    /// Amount of blood at the spot's core.
    core_amount: f32,
}

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
    /// Lays a spot out. `None`: there is no blood and nothing else.
    pub(crate) fn new(plan: &SpotPlan, card_mm: [f64; 2], stream: &mut Stream) -> Option<Self> {
        if plan.severity(SpotFault::NoBlood).is_some() {
            return None;
        }
        let mut scene = Self::plain(plan, stream);
        let centre = scene.place(plan, card_mm, stream);
        scene.lay_drops(plan, centre, stream);
        scene.add_faults(plan, centre, stream);
        scene.find_bounds();
        Some(scene)
    }

    fn plain(plan: &SpotPlan, stream: &mut Stream) -> Self {
        let tint = plan
            .severity(SpotFault::Discoloured)
            .map_or(Tint::Aged, |severity| {
                if stream.chance(0.6) {
                    Tint::Heated(0.25 + 0.75 * severity)
                } else {
                    Tint::Greenish(0.25 + 0.75 * severity)
                }
            });
        let load = load_ul_per_mm2(plan.volume_ul, plan.haematocrit) * stream.factor(0.03);
        Self {
            layers: Vec::new(),
            blood: Blood::new(plan.haematocrit, load, plan.age_d, tint),
            serum: Blood::serum(),
            halo: None,
            washed: false,
            granules: Vec::new(),
            scratches: Vec::new(),
            foreign: Vec::new(),
            gloss: 0.0,
            glints: Vec::new(),
            mottle: 0.02,
            grain: 0.045,
            lattice: 0.0,
            ragged_mm: stream.between(0.02, 0.05) as f32,
            shift: [stream.between(0.0, 90.0) as f32, stream.between(0.0, 90.0) as f32],
            bounds: [0.0; 4],
            core_amount: 1.0,
        }
    }

    /// Where the drop falls: near the circle's middle, or beside it.
    fn place(&self, plan: &SpotPlan, card_mm: [f64; 2], stream: &mut Stream) -> [f64; 2] {
        let [x, y] = plan.circle_mm;
        if let Some(severity) = plan.severity(SpotFault::TouchesEdge) {
            // Towards the nearer of upper and lower edge, so that a part is cut off.
            let radius = (area_mm2(plan.volume_ul, plan.haematocrit) / std::f64::consts::PI).sqrt();
            let inside = radius * (1.0 - 1.1 * severity).max(-0.2);
            let y = if y > card_mm[1] / 2.0 {
                card_mm[1] - inside
            } else {
                inside
            };
            return [x + stream.between(-1.0, 1.0), y];
        }
        if let Some(severity) = plan.severity(SpotFault::OutsideCircle) {
            let away = 2.5 + 4.5 * severity;
            let angle = stream.between(0.0, std::f64::consts::TAU);
            // Sideways there are neighbours: mostly up and down.
            return [x + 0.45 * away * libm::cos(angle), y + away * libm::sin(angle)];
        }
        [x + 0.55 * stream.normal(), y + 0.55 * stream.normal()]
    }

    fn lay_drops(&mut self, plan: &SpotPlan, centre: [f64; 2], stream: &mut Stream) {
        let area = area_mm2(plan.volume_ul, plan.haematocrit) * stream.factor(0.03);
        let edge_mm = stream.between(0.06, 0.15) as f32;
        let volcano = plan.volcano as f32;
        let irregularity = stream.between(0.008, 0.022);
        let aspect = 1.0 + stream.between(0.0, 0.09);
        let drop = |centre, area, irregularity, amount, stream: &mut Stream| Layer {
            shape: Shape::Drop(Outline::random(centre, area, irregularity, aspect, stream)),
            edge_mm,
            amount,
            volcano,
            fade: None,
        };
        let radius = (area / std::f64::consts::PI).sqrt();
        if let Some(severity) = plan.severity(SpotFault::Layered) {
            // A first drop and a second one beside its middle, over it.
            let second = (0.30 + 0.45 * stream.uniform()) * area;
            let first = area * stream.between(0.75, 0.9);
            let r1 = (first / std::f64::consts::PI).sqrt();
            let away = r1 * (0.25 + 0.55 * severity) * stream.between(0.85, 1.1);
            let angle = stream.between(0.0, std::f64::consts::TAU);
            let beside = [
                centre[0] + away * libm::cos(angle),
                centre[1] + away * libm::sin(angle),
            ];
            self.layers.push(drop(centre, first, irregularity, 1.0, stream));
            self.layers.push(drop(
                beside,
                second,
                irregularity,
                (0.25 + 0.75 * severity) as f32,
                stream,
            ));
            return;
        }
        if let Some(severity) = plan.severity(SpotFault::Merged) {
            let drops = 2 + (severity * 3.5) as usize;
            let share = area / (0.78 * drops as f64);
            let r = (share / std::f64::consts::PI).sqrt();
            let start = stream.between(0.0, std::f64::consts::TAU);
            for number in 0..drops {
                let angle =
                    start + std::f64::consts::TAU * number as f64 / drops as f64 + 0.25 * stream.normal();
                let ring = if drops == 2 {
                    0.55 + 0.4 * severity
                } else {
                    0.75 + 0.45 * severity
                };
                let away = r * ring * stream.between(0.85, 1.15);
                let at = [
                    centre[0] + away * libm::cos(angle),
                    centre[1] + away * libm::sin(angle),
                ];
                let area = share * stream.between(0.7, 1.3);
                self.layers.push(drop(
                    at,
                    area,
                    irregularity * 1.5,
                    stream.between(0.8, 1.1) as f32,
                    stream,
                ));
            }
            return;
        }
        self.layers.push(drop(centre, area, irregularity, 1.0, stream));
        if let Some(severity) = plan.severity(SpotFault::Smeared) {
            let angle = stream.between(0.0, std::f64::consts::TAU);
            let (c, s) = (libm::cos(angle), libm::sin(angle));
            let long = radius * (1.15 + 2.3 * severity);
            let tails = 1 + stream.below(2 + (3.0 * severity) as usize);
            for number in 0..=tails {
                let (side, reach) = if number == 0 {
                    (0.0, 1.0)
                } else {
                    (stream.between(-0.55, 0.55) * radius, stream.between(0.6, 1.15))
                };
                let from = [centre[0] - s * side, centre[1] + c * side];
                let to = [from[0] + c * long * reach, from[1] + s * long * reach];
                let width = if number == 0 {
                    stream.between(0.55, 0.85)
                } else {
                    stream.between(0.1, 0.3)
                };
                let left = (0.55 - 0.5 * severity * stream.uniform()) as f32;
                let start = [centre[0] + c * 0.5 * radius, centre[1] + s * 0.5 * radius];
                self.layers.push(Layer {
                    shape: Shape::Tail {
                        from,
                        to,
                        radii: [width * radius, width * radius * stream.between(0.3, 0.75)],
                    },
                    edge_mm: edge_mm * 1.8,
                    amount: 0.75,
                    volcano: 0.0,
                    fade: Some((start, to, left.max(0.04))),
                });
            }
        }
        if let Some(severity) = plan.severity(SpotFault::Satellites) {
            for _ in 0..(1 + (severity * 7.0) as usize) {
                let angle = stream.between(0.0, std::f64::consts::TAU);
                let size = stream.between(0.15, 0.3 + 0.6 * severity);
                let away = radius + size + stream.between(0.4, 2.6);
                let at = [
                    centre[0] + away * libm::cos(angle),
                    centre[1] + away * libm::sin(angle),
                ];
                let area = std::f64::consts::PI * size * size;
                self.layers.push(drop(
                    at,
                    area,
                    irregularity,
                    stream.between(0.5, 0.9) as f32,
                    stream,
                ));
            }
        }
    }

    fn add_faults(&mut self, plan: &SpotPlan, centre: [f64; 2], stream: &mut Stream) {
        let area = area_mm2(plan.volume_ul, plan.haematocrit);
        let radius = (area / std::f64::consts::PI).sqrt();
        for planned in &plan.faults {
            let severity = planned.severity;
            let strength = severity as f32;
            match planned.fault {
                SpotFault::Wet => {
                    self.scale_amounts(1.25 + 1.2 * strength);
                    self.gloss = 0.25 + 0.75 * strength;
                    let angle = stream.between(0.0, std::f64::consts::TAU);
                    for number in 0..(1 + stream.below(3)) {
                        let turn = angle + 0.5 * f64::from(number as u32) + 0.2 * stream.normal();
                        let away = radius * stream.between(0.3, 0.7);
                        self.glints.push(Blot {
                            centre: [
                                centre[0] + away * libm::cos(turn),
                                centre[1] + away * libm::sin(turn),
                            ],
                            radius_mm: stream.between(0.25, 0.95) as f32,
                            strength: stream.between(0.15, 0.85) as f32,
                        });
                    }
                    self.grain *= 1.0 - 0.8 * strength;
                    self.mottle = 0.01;
                }
                SpotFault::Supersaturated => self.scale_amounts(1.1 + 0.5 * strength),
                SpotFault::Diluted => {
                    self.washed = true;
                    self.scale_amounts(0.55 - 0.45 * strength);
                    self.mottle = 0.05 + 0.06 * strength;
                    for layer in &mut self.layers {
                        layer.edge_mm = (0.25 + 0.9 * strength) * stream.between(0.8, 1.2) as f32;
                        layer.volcano = 0.25 + 0.8 * strength;
                    }
                    if let Some(Layer {
                        shape: Shape::Drop(outline),
                        ..
                    }) = self.layers.first()
                    {
                        let wet = outline.grown(radius * (0.1 + 0.35 * severity));
                        self.halo = Some((Shape::Drop(wet), 0.35));
                    }
                }
                SpotFault::SerumRing => {
                    if let Some(Layer {
                        shape: Shape::Drop(outline),
                        ..
                    }) = self.layers.first()
                    {
                        let wide = 0.45 + 2.4 * severity;
                        self.halo = Some((Shape::Drop(outline.grown(wide)), 0.8 + 0.7 * strength));
                        self.scale_amounts(1.15 + 0.3 * strength);
                    }
                }
                SpotFault::Clotted => {
                    self.scale_amounts(0.85 - 0.35 * strength);
                    self.mottle = 0.05 + 0.13 * strength;
                    for _ in 0..(5 + (severity * 45.0) as usize) {
                        let away = radius * 0.92 * stream.uniform().sqrt();
                        let angle = stream.between(0.0, std::f64::consts::TAU);
                        self.granules.push(Blot {
                            centre: [
                                centre[0] + away * libm::cos(angle),
                                centre[1] + away * libm::sin(angle),
                            ],
                            radius_mm: stream.between(0.12, 0.3 + 0.5 * severity) as f32,
                            strength: stream.between(1.0, 2.0 + 3.0 * severity) as f32,
                        });
                    }
                }
                SpotFault::NotSoakedThrough => {
                    self.scale_amounts(0.75 - 0.5 * strength);
                    self.mottle = 0.06 + 0.12 * strength;
                    self.grain = 0.08 + 0.18 * strength;
                    self.ragged_mm += 0.05 * strength;
                }
                SpotFault::Compressed => {
                    self.lattice = 0.05 + 0.3 * strength;
                    self.mottle = 0.04 + 0.1 * strength;
                    for layer in &mut self.layers {
                        layer.volcano += 0.25 * strength;
                    }
                    if let Some(Layer {
                        shape: Shape::Drop(outline),
                        ..
                    }) = self.layers.first()
                    {
                        // Pressed out: a flatter, ragged rim around the drop.
                        let pressed = outline.grown(radius * (0.06 + 0.16 * severity));
                        self.layers.push(Layer {
                            shape: Shape::Drop(pressed),
                            edge_mm: 0.25,
                            amount: 0.35,
                            volcano: 0.0,
                            fade: None,
                        });
                    }
                    self.ragged_mm += 0.12 * strength;
                }
                SpotFault::Scratched => self.scratch(centre, radius, severity, stream),
                SpotFault::Contaminated => self.foreign_colour(centre, radius, severity, stream),
                _ => {}
            }
        }
    }

    fn scale_amounts(&mut self, by: f32) {
        for layer in &mut self.layers {
            layer.amount *= by;
        }
        self.core_amount *= by;
    }

    fn scratch(&mut self, centre: [f64; 2], radius: f64, severity: f64, stream: &mut Stream) {
        let angle = stream.between(0.0, std::f64::consts::PI);
        for _ in 0..(1 + (severity * 5.0) as usize) {
            let turn = angle + 0.25 * stream.normal();
            let (c, s) = (libm::cos(turn), libm::sin(turn));
            let side = stream.between(-0.65, 0.65) * radius;
            let (back, forth) = (
                stream.between(0.3, 1.2) * radius,
                stream.between(0.3, 1.2) * radius,
            );
            let middle = [centre[0] - s * side, centre[1] + c * side];
            self.scratches.push(Stroke {
                from: [middle[0] - c * back, middle[1] - s * back],
                to: [middle[0] + c * forth, middle[1] + s * forth],
                half_width_mm: stream.between(0.06, 0.12 + 0.25 * severity) as f32,
                depth: stream.between(0.35 + 0.35 * severity, 0.6 + 0.4 * severity) as f32,
            });
        }
    }

    fn foreign_colour(&mut self, centre: [f64; 2], radius: f64, severity: f64, stream: &mut Stream) {
        // Ink blue, green dye, iodine, black ink, violet.
        const COLOURS: [[f32; 3]; 5] = [
            [1.3, 0.75, 0.15],
            [1.0, 0.25, 0.8],
            [0.12, 0.45, 1.2],
            [1.1, 1.1, 1.0],
            [0.6, 1.0, 0.25],
        ];
        let colour = COLOURS[stream.below(COLOURS.len())];
        let size = radius * (0.2 + 0.55 * severity) * stream.between(0.8, 1.2);
        let away = radius * stream.between(0.35, 1.0);
        let angle = stream.between(0.0, std::f64::consts::TAU);
        let at = [
            centre[0] + away * libm::cos(angle),
            centre[1] + away * libm::sin(angle),
        ];
        let outline = Outline::random(at, std::f64::consts::PI * size * size, 0.08, 1.25, stream);
        let strength = (0.5 + 0.6 * severity) as f32;
        self.foreign
            .push((Shape::Drop(outline), colour.map(|c| c * strength)));
    }

    fn find_bounds(&mut self) {
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

    /// What is at a place (mm).
    #[inline]
    pub(crate) fn at(&self, x: f32, y: f32, textures: &Textures) -> Here {
        let (u, v) = (x + self.shift[0], y + self.shift[1]);
        let wobble = self.ragged_mm * textures.ragged.at(u, v);
        let (mut cover, mut amount, mut inside) = (0.0f32, 0.0f32, f32::NEG_INFINITY);
        for layer in &self.layers {
            let depth = layer.shape.inside_mm(x, y) + wobble;
            if depth < -layer.edge_mm {
                continue;
            }
            inside = inside.max(depth);
            let share = smoothstep(depth / layer.edge_mm);
            let ring = if layer.volcano > 0.0 {
                layer.volcano * rim(depth, self.washed)
            } else {
                0.0
            };
            let fading = layer.fade.map_or(1.0, |(from, to, left)| {
                let (t, _) = along(&from, &to, x, y);
                let t = t.clamp(0.0, 1.0);
                1.0 + (left - 1.0) * t
            });
            cover = cover.max(share);
            amount += share * layer.amount * fading * (1.0 + ring);
        }
        let mut here = Here {
            density: [0.0; 3],
            relative: 0.0,
            shine: 0.0,
        };
        if cover > 0.0 {
            let amount = amount / cover;
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
