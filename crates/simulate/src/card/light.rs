//! The lamp and the sensor: uneven light, shadows, colour cast, exposure, glare, noise.

use super::scene::smoothstep;
use crate::random::Stream;

/// The light a photograph was taken in and how the camera took it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Light {
    /// Exposure times white balance by channel: linear signal of a white of reflectance 1.
    gain: [f32; 3],
    /// Relative slope across the frame, from one side to the other.
    slope: [f32; 2],
    /// Loss at the frame's corners.
    vignette: f32,
    /// A soft shadow over a part of the frame: direction, place, softness, depth.
    shade: Option<([f32; 2], f32, f32, f32)>,
    /// Reflection of a lamp: place (shares of the frame), radius, strength.
    pub(crate) glare: Option<([f32; 2], f32, f32)>,
    /// Shadow the card throws: offset (mm), softness (mm), depth.
    pub(crate) cast: ([f32; 2], f32, f32),
    /// Light that strays in the lens.
    pub(crate) veil: f32,
    /// Standard deviation of the noise at white and in the dark, of full scale.
    pub(crate) noise: [f32; 2],
}

impl Light {
    /// Ordinary light.
    pub(crate) fn random(stream: &mut Stream) -> Self {
        let warm = stream.between(-0.16, 0.16) as f32;
        let tint = stream.between(-0.03, 0.03) as f32;
        let exposure = stream.between(0.68, 1.02) as f32;
        let slope = stream.between(0.0, 0.28);
        let angle = stream.between(0.0, std::f64::consts::TAU);
        let direction = stream.between(0.0, std::f64::consts::TAU);
        let cast = stream.between(0.2, 2.2);
        let noise = (0.003 * libm::exp(1.1 * stream.uniform())) as f32;
        Self {
            gain: [
                exposure * (1.0 + warm),
                exposure * (1.0 + tint),
                exposure * (1.0 - warm),
            ],
            slope: [
                (slope * libm::cos(angle)) as f32,
                (slope * libm::sin(angle)) as f32,
            ],
            vignette: stream.between(0.02, 0.22) as f32,
            shade: stream.chance(0.3).then(|| {
                let turn = stream.between(0.0, std::f64::consts::TAU);
                (
                    [libm::cos(turn) as f32, libm::sin(turn) as f32],
                    stream.between(-0.3, 0.4) as f32,
                    stream.between(0.08, 0.35) as f32,
                    stream.between(0.08, 0.35) as f32,
                )
            }),
            glare: None,
            cast: (
                [
                    (cast * libm::cos(direction)) as f32,
                    (cast * libm::sin(direction)) as f32,
                ],
                stream.between(0.25, 1.6) as f32,
                stream.between(0.15, 0.75) as f32,
            ),
            veil: stream.between(0.0, 0.004) as f32,
            noise: [noise, 0.25 * noise],
        }
    }

    /// Makes the light that of a stand with lamps on both sides.
    pub(crate) fn even(&mut self) {
        // White balance locked.
        let grey = (self.gain[0] + self.gain[1] + self.gain[2]) / 3.0;
        self.gain = self.gain.map(|gain| grey + 0.15 * (gain - grey));
        self.slope = self.slope.map(|slope| 0.3 * slope);
        self.vignette *= 0.4;
        self.shade = None;
        self.cast.2 *= 0.5;
    }

    /// Keeps white paper just below the ceiling: what an automatic exposure does.
    pub(crate) fn limit(&mut self, white: [f32; 3]) {
        let brightest = (0..3).map(|c| self.gain[c] * white[c]).fold(0.0, f32::max)
            * (1.0 + 0.5 * (self.slope[0].abs() + self.slope[1].abs()));
        if brightest > 0.93 {
            self.expose(0.93 / brightest);
        }
    }

    /// Multiplies the exposure.
    pub(crate) fn expose(&mut self, by: f32) {
        for gain in &mut self.gain {
            *gain *= by;
        }
    }

    /// Signal of a white of reflectance 1 at a place in shares of the frame (−0.5 to 0.5), without glare.
    #[inline]
    pub(crate) fn at(&self, u: f32, v: f32) -> [f32; 3] {
        let mut light = 1.0 + self.slope[0] * u + self.slope[1] * v - self.vignette * 2.0 * (u * u + v * v);
        if let Some((direction, place, soft, depth)) = self.shade {
            light *= 1.0 - depth * smoothstep((u * direction[0] + v * direction[1] - place) / soft);
        }
        self.gain.map(|g| g * light)
    }
}
