//! A card before a camera: every pixel from the card's plane through light, lens and sensor.

use super::camera::Camera;
use super::light::Light;
use super::scene::smoothstep;
use super::sheet::Sheet;
use super::surroundings::Background;
use super::texture::Textures;

/// Eight-bit picture, red, green, blue, row by row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Picture {
    /// Columns.
    pub(crate) width: usize,
    /// Rows.
    pub(crate) height: usize,
    /// Three bytes a pixel.
    pub(crate) bytes: Vec<u8>,
}

/// A card in the picture's plane: its face, and where its upper left corner lies and how it is turned against the
/// first card (mm, radians).
pub(crate) struct Lying<'a> {
    /// The face.
    pub(crate) sheet: &'a Sheet,
    /// Place of its upper left corner in the first card's millimetres.
    pub(crate) corner_mm: [f32; 2],
    /// Cosine and sine of its turn.
    pub(crate) turn: [f32; 2],
}

/// Everything a photograph depends on.
pub(crate) struct Shot<'a> {
    /// Columns and rows.
    pub(crate) frame_px: [usize; 2],
    /// The geometry.
    pub(crate) camera: Camera,
    /// Cards, none to two.
    pub(crate) cards: Vec<Lying<'a>>,
    /// What they lie on.
    pub(crate) background: Background,
    /// The light.
    pub(crate) light: Light,
    /// Standard deviation of the lens's blur (px).
    pub(crate) blur_px: f64,
    /// Strength of the camera's own sharpening, 0: none.
    pub(crate) sharpening: f32,
    /// Bend of the card: how much light changes from its middle to its short edges.
    pub(crate) bend: f32,
    /// Radius of the card's corners (mm).
    pub(crate) corner_radius_mm: f32,
    /// Decides the noise.
    pub(crate) noise_seed: u64,
}

/// Takes the photograph.
pub(crate) fn take(shot: &Shot<'_>, textures: &Textures) -> Picture {
    let [width, height] = shot.frame_px;
    let mut light = expose(shot, textures);
    let mut spare = vec![0.0f32; light.len()];
    blur(&mut light, &mut spare, width, height, shot.blur_px);
    if shot.sharpening > 0.0 {
        let mut soft = light.clone();
        blur(&mut soft, &mut spare, width, height, 1.2);
        for (value, soft) in light.iter_mut().zip(&soft) {
            *value += shot.sharpening * (*value - soft);
        }
    }
    develop(shot, &light, textures)
}

/// Linear light on the sensor, three numbers a pixel.
fn expose(shot: &Shot<'_>, textures: &Textures) -> Vec<f32> {
    let [width, height] = shot.frame_px;
    let mut light = Vec::with_capacity(width * height * 3);
    let m = shot.camera.to_card;
    let [cx, cy] = shot.camera.middle_px;
    let reach = shot.camera.half_diagonal_px;
    let bending = shot.camera.distortion / (reach * reach);
    let (per_width, per_height) = (1.0 / width as f32, 1.0 / height as f32);
    for row in 0..height {
        let py = row as f64 + 0.5 - cy;
        let v = (row as f32 + 0.5) * per_height - 0.5;
        for column in 0..width {
            let px = column as f64 + 0.5 - cx;
            let by = 1.0 + bending * (px * px + py * py);
            let (ux, uy) = (cx + px * by, cy + py * by);
            let w = 1.0 / (m[2][0] * ux + m[2][1] * uy + m[2][2]);
            let x = ((m[0][0] * ux + m[0][1] * uy + m[0][2]) * w) as f32;
            let y = ((m[1][0] * ux + m[1][1] * uy + m[1][2]) * w) as f32;
            let u = (column as f32 + 0.5) * per_width - 0.5;
            let seen = look(shot, x, y, textures);
            let lamp = shot.light.at(u, v);
            let glare = glare(&shot.light, u, v);
            for channel in 0..3 {
                light.push(seen[channel] * lamp[channel] + glare + shot.light.veil);
            }
        }
    }
    light
}

/// Reflectance at a place of the first card's plane.
#[inline]
fn look(shot: &Shot<'_>, x: f32, y: f32, textures: &Textures) -> [f32; 3] {
    let mut shadow = 0.0f32;
    let mut edge: Option<([f32; 3], f32)> = None;
    for card in &shot.cards {
        let (dx, dy) = (x - card.corner_mm[0], y - card.corner_mm[1]);
        let (lx, ly) = (
            dx * card.turn[0] + dy * card.turn[1],
            dy * card.turn[0] - dx * card.turn[1],
        );
        let size = card.sheet.size_mm.map(|mm| mm as f32);
        let depth = depth_in_card(lx, ly, size, shot.corner_radius_mm);
        if depth > -0.04 {
            let across = (lx / size[0] - 0.5) * 2.0;
            let lit = 1.0 + shot.bend * across.abs() * across;
            let seen = card.sheet.at(lx, ly).map(|s| s * lit);
            let share = (depth * 12.5 + 0.5).clamp(0.0, 1.0);
            if share >= 1.0 {
                return seen;
            }
            edge = Some((seen, share));
        }
        let ([ox, oy], soft, deep) = shot.light.cast;
        let behind = depth_in_card(lx - ox, ly - oy, size, shot.corner_radius_mm);
        if behind > -soft {
            shadow = shadow.max(deep * smoothstep(behind / soft));
        }
    }
    let below = shot.background.at(x, y, textures).map(|b| b * (1.0 - shadow));
    match edge {
        None => below,
        Some((seen, share)) => {
            let mut mixed = below;
            for (value, seen) in mixed.iter_mut().zip(seen) {
                *value += share * (seen - *value);
            }
            mixed
        }
    }
}

/// Distance (mm) from the edge of a card with round corners, positive on it.
#[inline]
fn depth_in_card(x: f32, y: f32, size: [f32; 2], radius: f32) -> f32 {
    let dx = (x - size[0] / 2.0).abs() - (size[0] / 2.0 - radius);
    let dy = (y - size[1] / 2.0).abs() - (size[1] / 2.0 - radius);
    if dx > 0.0 && dy > 0.0 {
        radius - (dx * dx + dy * dy).sqrt()
    } else {
        radius - dx.max(dy)
    }
}

#[inline]
fn glare(light: &Light, u: f32, v: f32) -> f32 {
    match light.glare {
        None => 0.0,
        Some(([gu, gv], radius, strength)) => {
            let (du, dv) = ((u - gu) / radius, (v - gv) / radius);
            let square = du * du + 1.6 * dv * dv;
            if square > 9.0 {
                0.0
            } else {
                strength * libm::expf(-square * square)
            }
        }
    }
}

/// Gaussian blur, rows then columns; a wide one as four passes of a box.
fn blur(light: &mut [f32], spare: &mut [f32], width: usize, height: usize, sigma: f64) {
    if sigma < 0.05 {
        return;
    }
    if sigma > 2.5 {
        // Four boxes of 2r + 1: variance 4·(r² + r)/3.
        let radius = (((1.0 + 3.0 * sigma * sigma).sqrt() - 1.0) / 2.0)
            .round()
            .max(1.0) as usize;
        for _ in 0..4 {
            box_blur(light, spare, width, height, radius);
        }
        return;
    }
    let reach = (3.2 * sigma).ceil() as usize;
    let weights: Vec<f64> = (0..=reach)
        .map(|k| libm::exp(-((k * k) as f64) / (2.0 * sigma * sigma)))
        .collect();
    let total: f64 = weights[0] + 2.0 * weights[1..].iter().sum::<f64>();
    let weights: Vec<f32> = weights.iter().map(|w| (w / total) as f32).collect();
    let line = width * 3;
    for row in 0..height {
        let from = &light[row * line..(row + 1) * line];
        let to = &mut spare[row * line..(row + 1) * line];
        for (value, from) in to.iter_mut().zip(from) {
            *value = weights[0] * from;
        }
        for (k, weight) in weights.iter().enumerate().skip(1) {
            let step = 3 * k;
            for i in step..line {
                to[i] += weight * from[i - step];
            }
            for i in 0..line - step {
                to[i] += weight * from[i + step];
            }
            // Beyond the frame the last pixel goes on.
            for i in 0..step {
                to[i] += weight * from[i % 3];
                to[line - 1 - i] += weight * from[line - 1 - i % 3];
            }
        }
    }
    for row in 0..height {
        let to = &mut light[row * line..(row + 1) * line];
        for (value, from) in to.iter_mut().zip(&spare[row * line..]) {
            *value = weights[0] * from;
        }
        for (k, weight) in weights.iter().enumerate().skip(1) {
            for other in [row.saturating_sub(k), (row + k).min(height - 1)] {
                for (value, from) in to.iter_mut().zip(&spare[other * line..(other + 1) * line]) {
                    *value += weight * from;
                }
            }
        }
    }
}

fn box_blur(light: &mut [f32], spare: &mut [f32], width: usize, height: usize, radius: usize) {
    let line = width * 3;
    let share = 1.0 / (2 * radius + 1) as f32;
    for row in 0..height {
        let from = &light[row * line..(row + 1) * line];
        let to = &mut spare[row * line..(row + 1) * line];
        for channel in 0..3 {
            let at = |i: i64| from[(i.clamp(0, width as i64 - 1) as usize) * 3 + channel];
            let r = radius as i64;
            let mut sum: f32 = (-r..=r).map(at).sum();
            for i in 0..width as i64 {
                to[i as usize * 3 + channel] = sum * share;
                sum += at(i + r + 1) - at(i - r);
            }
        }
    }
    let mut sums = vec![0.0f32; line];
    let at = |j: i64| (j.clamp(0, height as i64 - 1) as usize) * line;
    let r = radius as i64;
    for j in -r..=r {
        for (sum, from) in sums.iter_mut().zip(&spare[at(j)..]) {
            *sum += from;
        }
    }
    for j in 0..height as i64 {
        let (comes, goes) = (at(j + r + 1), at(j - r));
        for i in 0..line {
            light[j as usize * line + i] = sums[i] * share;
            sums[i] += spare[comes + i] - spare[goes + i];
        }
    }
}

/// Noise, ceiling and the sRGB curve (IEC 61966-2-1).
fn develop(shot: &Shot<'_>, light: &[f32], textures: &Textures) -> Picture {
    const STEPS: usize = 1 << 14;
    let curve: Vec<u8> = (0..=STEPS)
        .map(|step| {
            let linear = step as f64 / STEPS as f64;
            let coded = if linear <= 0.003_130_8 {
                12.92 * linear
            } else {
                1.055 * libm::pow(linear, 1.0 / 2.4) - 0.055
            };
            (255.0 * coded + 0.5) as u8
        })
        .collect();
    let [at_white, in_dark] = shot.light.noise;
    let (per_signal, floor) = (at_white * at_white, in_dark * in_dark);
    let mask = textures.normals.len() - 1;
    let mut state = shot.noise_seed | 1;
    let bytes = light
        .iter()
        .map(|signal| {
            // Xorshift (Marsaglia 2003, J Stat Softw 8:14) picks from the table of normals.
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            let sd = (per_signal * signal.max(0.0) + floor).sqrt();
            let noisy = signal + sd * textures.normals[(state >> 20) as usize & mask];
            curve[(noisy.clamp(0.0, 1.0) * STEPS as f32 + 0.5) as usize]
        })
        .collect();
    Picture {
        width: shot.frame_px[0],
        height: shot.frame_px[1],
        bytes,
    }
}
