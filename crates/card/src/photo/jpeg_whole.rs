//! JPEGs that are decoded whole: progressive ones, CMYK, unusual sampling, mirrored ones, small ones.

use super::jpeg::Header;
use super::raster::{Decoded, Reducer};
use super::{PhotoError, PhotoFacts, reduction};
use spotwright_domain::card::PhotoFormat;
use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;

/// Most pixels that are decoded whole: pixels and coefficients stay within a worker's memory.
const MAX_WHOLE_PIXELS: u64 = 14_000_000;

pub(super) fn decode(bytes: &[u8], header: &Header) -> Result<Decoded, PhotoError> {
    let (width, height) = (header.width, header.height);
    if u64::from(width) * u64::from(height) > MAX_WHOLE_PIXELS {
        return Err(PhotoError::Unsupported {
            found: format!("a progressive, mirrored or CMYK JPEG of {width} x {height} pixels"),
            expected: "a baseline JPEG, or at most 14 million pixels",
        });
    }
    let options = DecoderOptions::default()
        .set_max_width(width as usize)
        .set_max_height(height as usize)
        .set_strict_mode(true)
        .jpeg_set_out_colorspace(ColorSpace::RGB);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    let damaged = |detail: String| {
        let lower = detail.to_ascii_lowercase();
        if ["exhausted", "eof", "end of", "no more bytes"]
            .iter()
            .any(|w| lower.contains(w))
        {
            PhotoError::Truncated { detail }
        } else {
            PhotoError::Damaged { detail }
        }
    };
    let pixels = decoder.decode().map_err(|error| damaged(error.to_string()))?;
    if pixels.len() != width as usize * height as usize * 3 {
        return Err(PhotoError::Damaged {
            detail: "another number of pixels than its header says".into(),
        });
    }
    let k = reduction(width, height);
    let mut reducer = Reducer::new(width as usize, height as usize, k as usize);
    for row in pixels.chunks_exact(width as usize * 3) {
        reducer.push(row.chunks_exact(3).map(|p| [p[0], p[1], p[2]]));
    }
    Ok(Decoded {
        facts: PhotoFacts {
            format: PhotoFormat::Jpeg,
            width,
            height,
            orientation: header.orientation,
            reduction: k,
            has_colour_profile: header.has_colour_profile,
            has_more_frames: false,
            has_transparency: false,
        },
        raster: reducer.finish(),
    })
}
