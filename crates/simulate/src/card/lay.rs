//! How a spot comes to look as it does: where drops fall, how they spread, what its faults do to them.

use super::blood::{Blood, Tint};
use super::drop::{area_mm2, load_ul_per_mm2};
use super::fault::SpotFault;
use super::scene::{Blot, Layer, Scene, SpotPlan, Stroke};
use super::shape::{Outline, Shape};
use crate::random::Stream;

impl Scene {
    /// Lays a spot out. `None`: there is no blood and nothing else.
    pub(crate) fn new(plan: &SpotPlan, card_mm: [f64; 2], stream: &mut Stream) -> Option<Self> {
        if plan.severity(SpotFault::NoBlood).is_some() {
            return None;
        }
        let mut scene = Self::plain(plan, stream);
        let centre = Self::place(plan, card_mm, stream);
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
            joined: false,
            washed: false,
            granules: Vec::new(),
            scratches: Vec::new(),
            foreign: Vec::new(),
            gloss: 0.0,
            glints: Vec::new(),
            mottle: 0.02,
            grain: 0.045,
            lattice: 0.0,
            ragged_mm: stream.between(0.015, 0.04) as f32,
            shift: [stream.between(0.0, 90.0) as f32, stream.between(0.0, 90.0) as f32],
            bounds: [0.0; 4],
            core_amount: 1.0,
        }
    }

    /// Where the drop falls: near the circle's middle, or beside it.
    fn place(plan: &SpotPlan, card_mm: [f64; 2], stream: &mut Stream) -> [f64; 2] {
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
            lap: 1.0,
            wiped: None,
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
            self.joined = true;
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
                let amount = stream.between(0.85, 1.1) as f32;
                let mut part = drop(at, area, irregularity * 1.5, amount, stream);
                part.lap = (0.12 + 0.4 * stream.uniform()) as f32;
                self.layers.push(part);
            }
            return;
        }
        self.layers.push(drop(centre, area, irregularity, 1.0, stream));
        if let Some(severity) = plan.severity(SpotFault::Smeared) {
            self.smear(centre, radius, severity, edge_mm, stream);
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

    /// A finger or sleeve went through the wet drop: a broad film drawn out from it, streaks beside.
    fn smear(&mut self, centre: [f64; 2], radius: f64, severity: f64, edge_mm: f32, stream: &mut Stream) {
        let angle = stream.between(0.0, std::f64::consts::TAU);
        let (c, s) = (libm::cos(angle), libm::sin(angle));
        let beyond = radius * (0.1 + 2.6 * severity);
        self.mottle += 0.04 * severity as f32;
        for number in 0..(1 + stream.below(2 + (3.0 * severity) as usize)) {
            let broad = number == 0;
            let side = if broad {
                stream.between(-0.15, 0.15)
            } else {
                stream.between(-0.75, 0.75)
            } * radius;
            let reach = if broad { 1.0 } else { stream.between(0.6, 1.2) };
            // From inside the drop, so that the film leaves it without a step.
            let start = (radius * radius - side * side).max(0.0).sqrt() - 0.8;
            let from = [centre[0] - s * side + c * start, centre[1] + c * side + s * start];
            let long = 0.8 + beyond * reach;
            let lean = 0.08 * stream.normal();
            let to = [from[0] + long * (c - s * lean), from[1] + long * (s + c * lean)];
            let width = if broad {
                stream.between(0.5, 0.8)
            } else {
                stream.between(0.1, 0.22)
            } * radius;
            self.layers.push(Layer {
                shape: Shape::Tail {
                    from,
                    to,
                    radii: [width, width * stream.between(0.35, 0.9)],
                },
                edge_mm: (1.8 * edge_mm).max(if broad { 0.3 } else { 0.15 }),
                amount: (0.9 - 0.25 * stream.uniform()) as f32,
                volcano: 0.0,
                lap: 0.0,
                wiped: Some((from, to, stream.between(0.006, 0.05) as f32)),
            });
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
                        self.halo = Some((Shape::Drop(outline.grown(wide)), 0.5 + 0.5 * strength));
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
                            lap: 0.0,
                            wiped: None,
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
}
