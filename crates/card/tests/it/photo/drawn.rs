//! Cards drawn pixel by pixel from closed forms: print is where the layout says, seen through a known projective map.

use spotwright_card::plane::Homography;
use spotwright_domain::card::{CardLayout, FiducialShape};

/// What is drawn beside the layout.
pub(super) struct Scene {
    pub(super) width: usize,
    pub(super) height: usize,
    /// Card millimetres to pixels, pixel centres at whole numbers.
    pub(super) map: Homography,
    /// Grey of what the card lies on, 0 to 1.
    pub(super) ground: f64,
    /// Line width (mm) and grey of circles.
    pub(super) line: (f64, f64),
    /// Discs of blood: centre and radius (mm).
    pub(super) blood: Vec<([f64; 2], f64)>,
    /// Circles are drawn.
    pub(super) has_print: bool,
}

/// Draws in sRGB-coded values, two samples a pixel each way.
pub(super) fn draw(scene: &Scene, layout: &CardLayout) -> Vec<u8> {
    let back = scene.map.inverse().unwrap();
    let mut rgb = Vec::with_capacity(scene.width * scene.height * 3);
    const SAMPLES: usize = 2;
    for y in 0..scene.height {
        for x in 0..scene.width {
            let mut sum = [0.0; 3];
            for j in 0..SAMPLES {
                for i in 0..SAMPLES {
                    let at = |k: usize| (k as f64 + 0.5) / SAMPLES as f64 - 0.5;
                    let place = back.map([x as f64 + at(i), y as f64 + at(j)]);
                    for (sum, value) in sum.iter_mut().zip(colour(scene, layout, place)) {
                        *sum += value;
                    }
                }
            }
            // A slow gradient of light.
            let light = 0.9 + 0.1 * x as f64 / scene.width as f64;
            let count = (SAMPLES * SAMPLES) as f64;
            rgb.extend(sum.map(|s| (s / count * light * 255.0 + 0.5) as u8));
        }
    }
    rgb
}

fn colour(scene: &Scene, layout: &CardLayout, [x, y]: [f64; 2]) -> [f64; 3] {
    if x < 0.0 || y < 0.0 || x > layout.width_mm || y > layout.height_mm {
        return [scene.ground; 3];
    }
    let away = |c: [f64; 2]| ((x - c[0]) * (x - c[0]) + (y - c[1]) * (y - c[1])).sqrt();
    if scene.blood.iter().any(|(centre, radius)| away(*centre) < *radius) {
        return [0.5, 0.15, 0.12];
    }
    if scene.has_print {
        let (line, grey) = scene.line;
        if layout
            .circles
            .iter()
            .any(|c| (away(c.centre_mm) - c.diameter_mm / 2.0).abs() < line / 2.0)
        {
            return [grey; 3];
        }
        let is_mark = layout.fiducials.iter().any(|f| {
            let half = f.size_mm / 2.0;
            match f.shape {
                FiducialShape::Disc => away(f.centre_mm) < half,
                FiducialShape::Square => {
                    (x - f.centre_mm[0]).abs() < half && (y - f.centre_mm[1]).abs() < half
                }
            }
        });
        if is_mark {
            return [0.1; 3];
        }
        // Bars where a code belongs, words where a label does.
        let striped = |pitch: f64, along: f64| (along / pitch).rem_euclid(1.0) < 0.45;
        for r in &layout.barcodes {
            let (u, v) = (x - r.left_mm - 2.0, y - r.top_mm - 2.0);
            if u > 0.0 && v > 0.0 && u < r.width_mm - 4.0 && v < r.height_mm - 4.0 && striped(1.1, u) {
                return [0.1; 3];
            }
        }
        for r in &layout.labels {
            let (u, v) = (x - r.left_mm - 1.0, y - r.top_mm - 1.0);
            let inside = u > 0.0 && v > 0.0 && u < r.width_mm - 2.0 && v < r.height_mm - 2.0;
            if inside && (v / 4.0).rem_euclid(1.0) < 0.5 && striped(1.7, u + v) {
                return [0.35; 3];
            }
        }
    }
    [0.95, 0.94, 0.91]
}

/// The picture as a PNG file.
pub(super) fn png(scene: &Scene, layout: &CardLayout) -> Vec<u8> {
    let rgb = draw(scene, layout);
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, scene.width as u32, scene.height as u32);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::Fast);
    let mut writer = encoder.write_header().unwrap();
    writer.write_image_data(&rgb).unwrap();
    writer.finish().unwrap();
    bytes
}

/// A camera turned by `turn_deg` that looks `tilt_deg` aslant, as a map from card millimetres to pixels (central
/// projection of a plane, from its definition).
pub(super) fn camera(
    layout: &CardLayout,
    [width, height]: [usize; 2],
    fill: f64,
    turn_deg: f64,
    tilt_deg: f64,
) -> Homography {
    let (turn, tilt) = (turn_deg.to_radians(), tilt_deg.to_radians());
    let (c, s) = (libm::cos(turn), libm::sin(turn));
    let across = layout.width_mm * c.abs() + layout.height_mm * s.abs();
    let down = layout.width_mm * s.abs() + layout.height_mm * c.abs();
    let scale = fill * (width as f64 / across).min(height as f64 / down);
    let far = 300.0;
    let project = |[x, y]: [f64; 2]| {
        let (x, y) = (x - layout.width_mm / 2.0, y - layout.height_mm / 2.0);
        let (u, v) = (c * x - s * y, s * x + c * y);
        let z = far + v * libm::sin(tilt);
        [
            width as f64 / 2.0 + scale * far * u / z,
            height as f64 / 2.0 + scale * far * v * libm::cos(tilt) / z,
        ]
    };
    let from = [
        [0.0, 0.0],
        [layout.width_mm, 0.0],
        [layout.width_mm, layout.height_mm],
        [0.0, layout.height_mm],
    ];
    Homography::four_points(from, from.map(project)).unwrap()
}
