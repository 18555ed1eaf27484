//! What a card carries besides blood: circles, marks, numbers, printed lines, handwriting, a barcode.

use super::barcode::{Modules, Symbology, encode};
use super::sheet::{Ink, Sheet};
use crate::random::Stream;
use spotwright_domain::card::{CardLayout, FiducialShape, Region};

/// Colours things are printed in: black, grey, red, blue.
const INKS: [[f32; 3]; 4] = [
    [1.25, 1.25, 1.2],
    [0.42, 0.42, 0.42],
    [0.12, 0.75, 0.62],
    [0.85, 0.45, 0.12],
];

/// How a card is printed.
pub(crate) struct PrintStyle {
    circle_ink: Ink,
    line_mm: f32,
    dashes: Option<f32>,
    numbers: bool,
    written: bool,
    /// Black ink of marks, text and code.
    black: Ink,
}

/// A barcode on the card.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PrintedCode {
    /// What it says.
    pub(crate) text: String,
    /// How.
    pub(crate) symbology: Symbology,
    /// Side of a module (mm).
    pub(crate) module_mm: f64,
    /// Whether it was damaged beyond reading.
    pub(crate) damaged: bool,
}

impl PrintStyle {
    /// A style drawn at random.
    pub(crate) fn random(stream: &mut Stream) -> Self {
        let circle_ink = Ink {
            density: INKS[[0, 1, 1, 2, 2, 3][stream.below(6)]],
        };
        Self {
            circle_ink,
            line_mm: stream.between(0.18, 0.42) as f32,
            dashes: stream.chance(0.35).then(|| stream.between(0.9, 1.8) as f32),
            numbers: stream.chance(0.7),
            written: stream.chance(0.75),
            black: Ink {
                density: [1.25, 1.25, 1.2],
            },
        }
    }
}

/// Prints everything but the barcode.
pub(crate) fn print_card(sheet: &mut Sheet, layout: &CardLayout, style: &PrintStyle, stream: &mut Stream) {
    for circle in &layout.circles {
        print_circle(sheet, circle.centre_mm, circle.diameter_mm / 2.0, style);
        if style.numbers {
            let at = [
                circle.centre_mm[0] - circle.diameter_mm / 2.0 * 0.78 - 1.6,
                circle.centre_mm[1] - circle.diameter_mm / 2.0 * 0.78 - 2.2,
            ];
            write_text(sheet, &circle.number.to_string(), at, 2.0, 0.14, style.circle_ink);
        }
    }
    for mark in &layout.fiducials {
        let (half, [x, y]) = (mark.size_mm / 2.0, mark.centre_mm);
        let soft = sheet.soft_mm();
        let (cx, cy, h) = (x as f32, y as f32, half as f32);
        let bounds = [x - half - 0.2, y - half - 0.2, x + half + 0.2, y + half + 0.2];
        let shape = mark.shape;
        sheet.print(bounds, style.black, move |px, py| {
            let (dx, dy) = ((px - cx).abs(), (py - cy).abs());
            match shape {
                FiducialShape::Disc => cover(h - (dx * dx + dy * dy).sqrt(), soft),
                FiducialShape::Square => cover(h - dx, soft) * cover(h - dy, soft),
            }
        });
    }
    for label in &layout.labels {
        fill_label(sheet, label, style, stream);
    }
}

fn print_circle(sheet: &mut Sheet, centre: [f64; 2], radius: f64, style: &PrintStyle) {
    let soft = sheet.soft_mm();
    let half = style.line_mm / 2.0;
    let (cx, cy, r) = (centre[0] as f32, centre[1] as f32, radius as f32);
    let reach = radius + f64::from(style.line_mm);
    let bounds = [
        centre[0] - reach,
        centre[1] - reach,
        centre[0] + reach,
        centre[1] + reach,
    ];
    let dashes = style
        .dashes
        .map(|mm| (std::f32::consts::TAU * r / (2.0 * mm)).round());
    sheet.print(bounds, style.circle_ink, move |x, y| {
        let (dx, dy) = (x - cx, y - cy);
        let off = ((dx * dx + dy * dy).sqrt() - r).abs();
        if off > half + soft {
            return 0.0;
        }
        let line = cover(half - off, soft);
        match dashes {
            None => line,
            Some(count) => {
                let turns = libm::atan2f(dy, dx) / std::f32::consts::TAU * count;
                let phase = (turns - turns.floor() - 0.3).abs();
                let along_mm = (0.3 - phase) * std::f32::consts::TAU * r / count;
                line * cover(along_mm, soft)
            }
        }
    });
}

/// Printed lines to write on, and handwriting.
fn fill_label(sheet: &mut Sheet, label: &Region, style: &PrintStyle, stream: &mut Stream) {
    let rows = ((label.height_mm / 5.0) as usize).max(1);
    let pen = Ink {
        density: [[1.0, 0.62, 0.2], [1.1, 1.1, 1.05]][stream.below(2)],
    };
    for row in 0..rows {
        let base = label.top_mm + (row as f64 + 0.85) * label.height_mm / rows as f64;
        let (left, right) = (label.left_mm + 0.5, label.left_mm + label.width_mm - 0.5);
        stroke(sheet, &[[left, base], [right, base]], 0.08, style.circle_ink);
        let words = ["NAME", "DATE", "TIME", "DOSE", "WARD"];
        write_text(
            sheet,
            words[row % words.len()],
            [left, base - 3.2],
            1.1,
            0.09,
            style.black,
        );
        if style.written {
            handwriting(
                sheet,
                [left + 4.5, base - 0.5],
                right - stream.between(0.0, 8.0),
                pen,
                stream,
            );
        }
    }
}

fn handwriting(sheet: &mut Sheet, from: [f64; 2], right: f64, pen: Ink, stream: &mut Stream) {
    let mut x = from[0];
    while x < right - 2.0 {
        let letters = 2 + stream.below(5);
        let mut path = Vec::new();
        for _ in 0..letters {
            let tall = if stream.chance(0.3) { 2.4 } else { 1.2 } * stream.between(0.8, 1.2);
            for k in 0..7 {
                let t = f64::from(k) / 6.0;
                path.push([
                    x + 0.9 * t + 0.25 * libm::sin(9.0 * t + stream.between(0.0, 1.0)),
                    from[1] - tall * libm::fabs(libm::sin(3.1 * t)),
                ]);
            }
            x += 0.95;
            if x > right {
                break;
            }
        }
        stroke(sheet, &path, 0.11, pen);
        x += 1.1;
    }
}

/// A line of this half width (mm) through the points.
pub(crate) fn stroke(sheet: &mut Sheet, path: &[[f64; 2]], half_width: f64, ink: Ink) {
    let soft = sheet.soft_mm();
    let half = half_width as f32;
    for pair in path.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let reach = half_width + 0.1;
        let bounds = [
            a[0].min(b[0]) - reach,
            a[1].min(b[1]) - reach,
            a[0].max(b[0]) + reach,
            a[1].max(b[1]) + reach,
        ];
        sheet.print(bounds, ink, |x, y| {
            cover(half - super::shape::along(&a, &b, x, y).1, soft)
        });
    }
}

/// Text in plain strokes: capitals, digits and the hyphen, upper left corner and height in mm.
pub(crate) fn write_text(
    sheet: &mut Sheet,
    text: &str,
    at: [f64; 2],
    height: f64,
    half_width: f64,
    ink: Ink,
) {
    let mut x = at[0];
    for letter in text.chars() {
        for path in glyph(letter) {
            let points: Vec<[f64; 2]> = path
                .iter()
                .map(|(u, v)| {
                    [
                        x + f64::from(*u) * height / 4.0,
                        at[1] + f64::from(*v) * height / 4.0,
                    ]
                })
                .collect();
            stroke(sheet, &points, half_width, ink);
        }
        x += height * 0.75;
    }
}

/// Strokes of a letter on a grid of 2 by 4.
fn glyph(letter: char) -> &'static [&'static [(u8, u8)]] {
    match letter {
        '0' | 'O' => &[&[(0, 0), (2, 0), (2, 4), (0, 4), (0, 0)]],
        '1' => &[&[(0, 1), (1, 0), (1, 4)]],
        '2' => &[&[(0, 0), (2, 0), (2, 2), (0, 2), (0, 4), (2, 4)]],
        '3' => &[&[(0, 0), (2, 0), (2, 4), (0, 4)], &[(0, 2), (2, 2)]],
        '4' => &[&[(0, 0), (0, 2), (2, 2)], &[(2, 0), (2, 4)]],
        '5' | 'S' => &[&[(2, 0), (0, 0), (0, 2), (2, 2), (2, 4), (0, 4)]],
        '6' => &[&[(2, 0), (0, 0), (0, 4), (2, 4), (2, 2), (0, 2)]],
        '7' => &[&[(0, 0), (2, 0), (1, 4)]],
        '8' => &[&[(0, 0), (2, 0), (2, 4), (0, 4), (0, 0)], &[(0, 2), (2, 2)]],
        '9' => &[&[(2, 2), (0, 2), (0, 0), (2, 0), (2, 4), (0, 4)]],
        'A' => &[&[(0, 4), (0, 1), (1, 0), (2, 1), (2, 4)], &[(0, 2), (2, 2)]],
        'D' => &[&[(0, 0), (1, 0), (2, 1), (2, 3), (1, 4), (0, 4), (0, 0)]],
        'E' => &[&[(2, 0), (0, 0), (0, 4), (2, 4)], &[(0, 2), (2, 2)]],
        'I' => &[&[(1, 0), (1, 4)]],
        'M' => &[&[(0, 4), (0, 0), (1, 2), (2, 0), (2, 4)]],
        'N' => &[&[(0, 4), (0, 0), (2, 4), (2, 0)]],
        'P' => &[&[(0, 4), (0, 0), (2, 0), (2, 2), (0, 2)]],
        'R' => &[&[(0, 4), (0, 0), (2, 0), (2, 2), (0, 2), (2, 4)]],
        'T' => &[&[(0, 0), (2, 0)], &[(1, 0), (1, 4)]],
        'W' => &[&[(0, 0), (0, 4), (1, 2), (2, 4), (2, 0)]],
        '-' => &[&[(0, 2), (2, 2)]],
        _ => &[],
    }
}

/// Prints a barcode into a region, with its text below; `None`: it does not fit with modules of at least 0.1 mm.
pub(crate) fn print_code(
    sheet: &mut Sheet,
    region: &Region,
    text: &str,
    symbology: Symbology,
    damage: bool,
    stream: &mut Stream,
) -> Option<PrintedCode> {
    let modules = encode(text, symbology)?;
    let text_mm = 2.2;
    let across = (modules.width + 2 * modules.quiet) as f64;
    let module_mm = if modules.height == 1 {
        region.width_mm / across
    } else {
        let down = (modules.height + 2 * modules.quiet) as f64;
        (region.width_mm / across)
            .min((region.height_mm - text_mm) / down)
            .min(0.8)
    };
    if module_mm < 0.1 {
        return None;
    }
    let width_mm = module_mm * modules.width as f64;
    let height_mm = if modules.height == 1 {
        region.height_mm - text_mm - 1.0
    } else {
        module_mm * modules.height as f64
    };
    let left = region.left_mm + (region.width_mm - width_mm) / 2.0;
    let top = region.top_mm + (region.height_mm - text_mm - height_mm) / 2.0;
    let ink = Ink {
        density: [1.25, 1.25, 1.2],
    };
    draw_modules(sheet, &modules, [left, top], [width_mm, height_mm], ink);
    let height = 1.5;
    let text_left = region.left_mm + (region.width_mm - 0.75 * height * text.len() as f64).max(0.0) / 2.0;
    write_text(
        sheet,
        text,
        [text_left, region.top_mm + region.height_mm - 1.8],
        height,
        0.09,
        ink,
    );
    if damage {
        // Thick scribbles and a torn-off corner: more than any error correction bears.
        for _ in 0..7 {
            let path: Vec<[f64; 2]> = (0..4)
                .map(|_| {
                    [
                        left + width_mm * stream.uniform(),
                        top + height_mm * stream.uniform(),
                    ]
                })
                .collect();
            stroke(sheet, &path, 0.12 * height_mm.min(12.0), ink);
        }
        for k in 0..3 {
            let y = top + height_mm * (0.2 + 0.3 * f64::from(k));
            stroke(
                sheet,
                &[[left - 1.0, y], [left + width_mm + 1.0, y + 0.5]],
                0.14 * height_mm,
                ink,
            );
        }
    }
    Some(PrintedCode {
        text: text.to_owned(),
        symbology,
        module_mm,
        damaged: damage,
    })
}

fn draw_modules(sheet: &mut Sheet, modules: &Modules, corner: [f64; 2], size: [f64; 2], ink: Ink) {
    let bounds = [corner[0], corner[1], corner[0] + size[0], corner[1] + size[1]];
    let per_column = modules.width as f64 / size[0];
    let per_row = modules.height as f64 / size[1];
    let (left, top) = (corner[0], corner[1]);
    // Each grid point is the mean of sixteen places in it: modules need not lie on the grid.
    let step = 1.0 / (4.0 * sheet.per_mm);
    sheet.print(bounds, ink, move |x, y| {
        let mut dark = 0;
        for dv in 0..4 {
            for du in 0..4 {
                let u = (f64::from(x) + (f64::from(du) - 1.5) * step - left) * per_column;
                let v = (f64::from(y) + (f64::from(dv) - 1.5) * step - top) * per_row;
                if u >= 0.0 && v >= 0.0 && (u as usize) < modules.width && (v as usize) < modules.height {
                    dark += u32::from(modules.dark[v as usize * modules.width + u as usize]);
                }
            }
        }
        dark as f32 / 16.0
    });
}

/// Share of a grid point inside an edge at this distance (positive inside).
#[inline]
fn cover(depth: f32, soft: f32) -> f32 {
    (0.5 + 0.5 * depth / soft).clamp(0.0, 1.0)
}
