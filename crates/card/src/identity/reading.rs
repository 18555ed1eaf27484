//! Codes in a small grey picture.

use rxing::common::{GlobalHistogramBinarizer, HybridBinarizer};
use rxing::datamatrix::DataMatrixReader;
use rxing::oned::Code128Reader;
use rxing::qrcode::QRCodeReader;
use rxing::{BinaryBitmap, DecodeHints, Luma8Source, RXingResult, Reader};
use spotwright_domain::card::Symbology;
use std::panic::{AssertUnwindSafe, catch_unwind};

/// A grey picture, 0 black to 255 white, row by row.
#[derive(Debug, Clone)]
pub(super) struct Grey {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) values: Vec<u8>,
}

/// A code and its corner points in the picture (pixels).
#[derive(Debug, Clone)]
pub(super) struct Read {
    pub(super) text: String,
    pub(super) symbology: Symbology,
    pub(super) points: Vec<[f64; 2]>,
}

/// How hard to look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Effort {
    /// A few rows, upright.
    Glance,
    /// Every row, both ways of telling dark from light.
    Search,
}

/// Fewest characters of a code on a card: shorter ones are chance.
const FEWEST: usize = 3;

/// The first code found.
pub(super) fn read(picture: &Grey, effort: Effort) -> Option<Read> {
    [Symbology::Code128, Symbology::QrCode, Symbology::DataMatrix]
        .into_iter()
        .find_map(|symbology| read_kind(picture, symbology, effort))
}

/// A code of one kind.
pub(super) fn read_kind(picture: &Grey, symbology: Symbology, effort: Effort) -> Option<Read> {
    if picture.width < 16 || picture.height < 4 {
        return None;
    }
    // The readers are made for any picture; should one fail on a hostile picture, the code counts as not read.
    let result = catch_unwind(AssertUnwindSafe(|| {
        with_local_threshold(picture, symbology, effort).or_else(|| {
            (effort == Effort::Search)
                .then(|| with_one_threshold(picture, symbology, effort))
                .flatten()
        })
    }));
    let result = result.ok().flatten()?;
    let text = result.getText().trim().to_owned();
    (text.chars().count() >= FEWEST && !text.chars().any(char::is_control)).then(|| Read {
        text,
        symbology,
        points: result
            .getPoints()
            .iter()
            .map(|p| [f64::from(p.x), f64::from(p.y)])
            .collect(),
    })
}

fn source(picture: &Grey) -> Option<Luma8Source<'_>> {
    Luma8Source::new_with_slice(&picture.values, picture.width as u32, picture.height as u32).ok()
}

fn with_local_threshold(picture: &Grey, symbology: Symbology, effort: Effort) -> Option<RXingResult> {
    let mut bitmap = BinaryBitmap::new(HybridBinarizer::new(source(picture)?));
    decode(&mut bitmap, symbology, effort)
}

fn with_one_threshold(picture: &Grey, symbology: Symbology, effort: Effort) -> Option<RXingResult> {
    let mut bitmap = BinaryBitmap::new(GlobalHistogramBinarizer::new(source(picture)?));
    decode(&mut bitmap, symbology, effort)
}

fn decode<B: rxing::Binarizer>(
    bitmap: &mut BinaryBitmap<B>,
    symbology: Symbology,
    effort: Effort,
) -> Option<RXingResult> {
    let hints = DecodeHints {
        TryHarder: Some(effort == Effort::Search),
        ..DecodeHints::default()
    };
    match symbology {
        Symbology::Code128 => Code128Reader.decode_with_hints(bitmap, &hints),
        Symbology::QrCode => QRCodeReader.decode_with_hints(bitmap, &hints),
        Symbology::DataMatrix => DataMatrixReader.decode_with_hints(bitmap, &hints),
    }
    .ok()
}

/// Bars averaged along their length and drawn again, four pixels for one: what grain and blur left of a bar code that
/// stands upright in the picture.
pub(super) fn drawn_again(picture: &Grey, from_row: usize, to_row: usize) -> Grey {
    const WIDER: usize = 4;
    const HEIGHT: usize = 12;
    let rows = (to_row - from_row).max(1);
    let mut sums = vec![0u32; picture.width];
    for row in picture
        .values
        .chunks_exact(picture.width)
        .skip(from_row)
        .take(rows)
    {
        for (sum, value) in sums.iter_mut().zip(row) {
            *sum += u32::from(*value);
        }
    }
    let means: Vec<f32> = sums.iter().map(|s| *s as f32 / rows as f32).collect();
    let at = |x: f32| {
        let i = (x.floor().max(0.0) as usize).min(means.len() - 1);
        let t = x - i as f32;
        means[i] * (1.0 - t) + means[(i + 1).min(means.len() - 1)] * t
    };
    let width = picture.width * WIDER;
    // What blur took from the bars is given back in part: the second difference over about a module.
    let line: Vec<f32> = (0..width)
        .map(|x| {
            let centre = x as f32 / WIDER as f32;
            let here = at(centre);
            here + 1.2 * (here - 0.5 * (at(centre - 2.0) + at(centre + 2.0)))
        })
        .collect();
    let row: Vec<u8> = line.iter().map(|v| v.clamp(0.0, 255.0) as u8).collect();
    Grey {
        width,
        height: HEIGHT,
        values: row.iter().copied().cycle().take(width * HEIGHT).collect(),
    }
}

/// A quarter turn clockwise.
pub(super) fn turned(picture: &Grey) -> Grey {
    let (width, height) = (picture.height, picture.width);
    let mut values = Vec::with_capacity(width * height);
    for y in 0..height {
        for x in 0..width {
            values.push(picture.values[(picture.height - 1 - x) * picture.width + y]);
        }
    }
    Grey {
        width,
        height,
        values,
    }
}
