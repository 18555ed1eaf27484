//! What a card lies on.

use super::scene::smoothstep;
use super::texture::Textures;
use crate::random::Stream;
use serde::{Deserialize, Serialize};

/// What a card lies on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Background {
    /// A dark mat.
    DarkMat,
    /// A white desk, hardly darker than the card.
    WhiteDesk,
    /// Wood.
    Wood,
    /// A green cutting mat with lines.
    GreenMat,
    /// A checked cloth.
    Pattern,
    /// Grey laminate.
    Grey,
}

impl Background {
    /// One at random.
    pub(crate) fn random(stream: &mut Stream) -> Self {
        [
            Self::DarkMat,
            Self::WhiteDesk,
            Self::Wood,
            Self::GreenMat,
            Self::Pattern,
            Self::Grey,
        ][stream.below(6)]
    }

    /// Linear reflectance at a place (mm in the card's plane).
    #[inline]
    pub(crate) fn at(self, x: f32, y: f32, textures: &Textures) -> [f32; 3] {
        let cloud = textures.cloud.at(x, y);
        match self {
            Self::DarkMat => {
                let k = 1.0 + 0.25 * textures.ragged.at(0.4 * x, 0.4 * y) + 0.05 * cloud;
                [0.030 * k, 0.031 * k, 0.035 * k]
            }
            Self::WhiteDesk => {
                let k = 1.0 + 0.006 * cloud;
                [0.70 * k, 0.70 * k, 0.68 * k]
            }
            Self::Grey => {
                let k = 1.0 + 0.10 * textures.ragged.at(0.6 * x, 0.6 * y) + 0.02 * cloud;
                [0.30 * k, 0.30 * k, 0.31 * k]
            }
            Self::Wood => {
                let bend = y + 1.6 * textures.cloud.at(0.06 * x, 0.3 * y);
                let rings = libm::sinf(1.1 * bend + 0.7 * textures.cloud.at(0.02 * x, 0.25 * y));
                let pores = textures.fibres.at(0.12 * x, 1.3 * y);
                let k = 1.0 + 0.16 * rings + 0.08 * pores + 0.05 * cloud;
                [0.38 * k, 0.21 * k, 0.10 * k]
            }
            Self::GreenMat => {
                let line = |v: f32| {
                    let off = (v / 10.0 - (v / 10.0).round()).abs() * 10.0;
                    smoothstep((0.16 - off) / 0.12)
                };
                let lines = line(x + 3.0).max(line(y + 4.0));
                let k = 1.0 + 0.08 * textures.ragged.at(x, y);
                [
                    0.03 * k + 0.30 * lines,
                    0.15 * k + 0.30 * lines,
                    0.09 * k + 0.22 * lines,
                ]
            }
            Self::Pattern => {
                let stripe = |v: f32| smoothstep(libm::sinf(0.55 * v) * 6.0);
                let weave = 1.0 + 0.12 * textures.fibres.at(1.2 * x, 1.2 * y);
                let k = 0.45 * (stripe(x) + stripe(y)) * weave;
                [0.55 - 0.38 * k, 0.52 - 0.46 * k, 0.50 - 0.25 * k]
            }
        }
    }
}
