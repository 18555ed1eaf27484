//! What a photograph after extraction shows: a washed-out or missing disc, the clamp's ring, a leak.

use super::scene::smoothstep;
use super::sheet::Sheet;
use super::texture::Textures;
use crate::random::Stream;
use serde::{Deserialize, Serialize};

/// How a disc was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Taking {
    /// Solvent through the paper beneath a clamp: the disc is bleached, the clamp left a ring.
    Eluted,
    /// Punched out: a hole.
    Punched,
}

/// A disc taken from a card.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Disc {
    /// Its middle (mm).
    pub(crate) centre_mm: [f64; 2],
    /// Diameter of the head (mm).
    pub(crate) diameter_mm: f64,
    /// How.
    pub(crate) taking: Taking,
    /// How far the solvent ran beyond the clamp (mm), 0: not.
    pub(crate) leak_mm: f64,
}

/// Changes the sheet as taking the disc does. `white` is the paper's reflectance.
pub(crate) fn take_disc(
    sheet: &mut Sheet,
    disc: &Disc,
    white: [f32; 3],
    textures: &Textures,
    stream: &mut Stream,
) {
    let reach = disc.diameter_mm / 2.0 + 1.2 + disc.leak_mm;
    let [x, y] = disc.centre_mm;
    let bounds = [x - reach, y - reach, x + reach, y + reach];
    let (cx, cy, r) = (x as f32, y as f32, disc.diameter_mm as f32 / 2.0);
    let left = stream.between(0.08, 0.2) as f32;
    let angle = stream.between(0.0, std::f64::consts::TAU);
    let towards = [libm::cos(angle) as f32, libm::sin(angle) as f32];
    let leak = disc.leak_mm as f32;
    sheet.change(bounds, |px, py, seen| {
        let (dx, dy) = (px - cx, py - cy);
        let away = (dx * dx + dy * dy).sqrt();
        let depth = r - away + 0.03 * textures.ragged.at(px, py);
        match disc.taking {
            Taking::Punched => {
                let hole = smoothstep(depth / 0.06);
                // The far wall of the hole catches the light.
                let wall = smoothstep((depth - 0.02) / 0.1) * (1.0 - smoothstep((depth - 0.3) / 0.1));
                let lit = 0.02 + 0.25 * wall * (0.5 - 0.5 * dy / r).clamp(0.0, 1.0);
                mix(seen, [lit, lit, lit], hole)
            }
            Taking::Eluted => {
                let mut keep = 1.0 + (left - 1.0) * smoothstep(depth / 0.18);
                if leak > 0.0 {
                    // The solvent ran out to one side, thinning the blood and leaving a front.
                    let side = (dx * towards[0] + dy * towards[1]) / away.max(1e-3);
                    let ran = leak * smoothstep((side - 0.3) / 0.6) * (1.0 + 0.2 * textures.cloud.at(px, py));
                    if ran > 0.05 && depth < 0.0 {
                        keep = keep.min(1.0 - 0.6 * smoothstep((ran + depth) / 0.25));
                    }
                }
                let mut now = seen;
                for (value, white) in now.iter_mut().zip(white) {
                    let share = (*value / white).clamp(1e-4, 1.0);
                    *value = white * libm::powf(share, keep);
                }
                // The clamp's ring: pressed paper, dark on one flank and light on the other.
                let ring = smoothstep((0.22 - (depth + 0.15).abs()) / 0.12);
                let flank = 0.16 * (dx + dy) / (away.max(1e-3) * 1.5);
                now.map(|v| v * (1.0 - ring * (0.2 + flank)))
            }
        }
    });
}

fn mix(from: [f32; 3], to: [f32; 3], share: f32) -> [f32; 3] {
    let mut mixed = from;
    for (value, to) in mixed.iter_mut().zip(to) {
        *value += share * (to - *value);
    }
    mixed
}
