//! Outlines of drops: closed curves r(θ) of low order, and tapering tails.

use crate::random::Stream;

const DIRECTIONS: usize = 512;

/// A closed curve around a centre.
#[derive(Clone)]
pub(crate) struct Outline {
    /// The centre r(θ) is told from (mm); not the centroid.
    pub(crate) centre: [f64; 2],
    /// r (mm) and 1/sqrt(1 + (r'/r)²) by direction, the first repeated at the end.
    radii: Vec<(f32, f32)>,
    greatest: f32,
}

impl Outline {
    /// A curve of exactly this area (mm²): `irregularity` is the standard deviation of r over its mean, spread over
    /// harmonics 2 to 9 with amplitudes falling as 1/k^1.6; `aspect` is the ratio of the axes before that.
    pub(crate) fn random(
        centre: [f64; 2],
        area_mm2: f64,
        irregularity: f64,
        aspect: f64,
        stream: &mut Stream,
    ) -> Self {
        let turn = stream.between(0.0, std::f64::consts::TAU);
        let harmonics: Vec<(f64, f64, f64)> = (2..10)
            .map(|k| {
                let k = f64::from(k);
                let amplitude = irregularity * 1.55 / libm::pow(k, 1.6) * stream.factor(0.4);
                (k, amplitude, stream.between(0.0, std::f64::consts::TAU))
            })
            .collect();
        let direction = |step: usize| std::f64::consts::TAU * step as f64 / DIRECTIONS as f64;
        let mut radii: Vec<f64> = (0..DIRECTIONS)
            .map(|step| {
                let theta = direction(step);
                let (s, c) = (libm::sin(theta - turn), libm::cos(theta - turn));
                let ellipse = 1.0 / (c * c * aspect + s * s / aspect).sqrt();
                let wave: f64 = harmonics
                    .iter()
                    .map(|(k, amplitude, phase)| amplitude * libm::cos(k * theta + phase))
                    .sum();
                ellipse * (1.0 + wave).max(0.2)
            })
            .collect();
        let mean_square = radii.iter().map(|r| r * r).sum::<f64>() / DIRECTIONS as f64;
        let scale = (area_mm2 / (std::f64::consts::PI * mean_square)).sqrt();
        for r in &mut radii {
            *r *= scale;
        }
        Self::from_radii(centre, &radii)
    }

    fn from_radii(centre: [f64; 2], radii: &[f64]) -> Self {
        let n = radii.len();
        let step = std::f64::consts::TAU / n as f64;
        let mut table: Vec<(f32, f32)> = (0..n)
            .map(|i| {
                let slope = (radii[(i + 1) % n] - radii[(i + n - 1) % n]) / (2.0 * step) / radii[i];
                (radii[i] as f32, (1.0 / (1.0 + slope * slope).sqrt()) as f32)
            })
            .collect();
        table.push(table[0]);
        let greatest = table.iter().map(|(r, _)| *r).fold(0.0, f32::max);
        Self {
            centre,
            radii: table,
            greatest,
        }
    }

    /// The same curve with every radius changed by `by_mm`.
    pub(crate) fn grown(&self, by_mm: f64) -> Self {
        let radii: Vec<f64> = self.radii[..DIRECTIONS]
            .iter()
            .map(|(r, _)| (f64::from(*r) + by_mm).max(0.05))
            .collect();
        Self::from_radii(self.centre, &radii)
    }

    /// Distance (mm) from the outline, positive inside; exact to first order near it.
    #[inline]
    fn inside_mm(&self, x: f32, y: f32) -> f32 {
        let (dx, dy) = (x - self.centre[0] as f32, y - self.centre[1] as f32);
        let distance = (dx * dx + dy * dy).sqrt();
        let turns = libm::atan2f(dy, dx) * (1.0 / std::f32::consts::TAU) + 1.0;
        let place = (turns - turns.floor()) * DIRECTIONS as f32;
        let i = (place as usize).min(DIRECTIONS - 1);
        let t = place - i as f32;
        let ((r0, f0), (r1, f1)) = (self.radii[i], self.radii[i + 1]);
        ((r0 + (r1 - r0) * t) - distance) * (f0 + (f1 - f0) * t)
    }
}

/// A piece of a spot's outline.
#[derive(Clone)]
pub(crate) enum Shape {
    /// A drop.
    Drop(Outline),
    /// A tail from one place to another, its half width going from the first radius to the second.
    Tail {
        from: [f64; 2],
        to: [f64; 2],
        radii: [f64; 2],
    },
}

impl Shape {
    /// Distance (mm) from the outline, positive inside.
    #[inline]
    pub(crate) fn inside_mm(&self, x: f32, y: f32) -> f32 {
        match self {
            Self::Drop(outline) => outline.inside_mm(x, y),
            Self::Tail { from, to, radii } => {
                let (t, distance) = along(from, to, x, y);
                let t = t.clamp(0.0, 1.0);
                let (r0, r1) = (radii[0] as f32, radii[1] as f32);
                r0 + (r1 - r0) * t - distance
            }
        }
    }

    /// Left, top, right, bottom (mm).
    pub(crate) fn bounds(&self) -> [f64; 4] {
        match self {
            Self::Drop(outline) => {
                let r = f64::from(outline.greatest);
                let [x, y] = outline.centre;
                [x - r, y - r, x + r, y + r]
            }
            Self::Tail { from, to, radii } => {
                let r = radii[0].max(radii[1]);
                [
                    from[0].min(to[0]) - r,
                    from[1].min(to[1]) - r,
                    from[0].max(to[0]) + r,
                    from[1].max(to[1]) + r,
                ]
            }
        }
    }
}

/// Place along a line (0 at its start, 1 at its end, not clamped) and distance (mm) from the piece between.
#[inline]
pub(crate) fn along(from: &[f64; 2], to: &[f64; 2], x: f32, y: f32) -> (f32, f32) {
    let (ax, ay) = (from[0] as f32, from[1] as f32);
    let (bx, by) = (to[0] as f32 - ax, to[1] as f32 - ay);
    let (px, py) = (x - ax, y - ay);
    let t = (px * bx + py * by) / (bx * bx + by * by).max(1e-9);
    let k = t.clamp(0.0, 1.0);
    let (qx, qy) = (px - k * bx, py - k * by);
    (t, (qx * qx + qy * qy).sqrt())
}
