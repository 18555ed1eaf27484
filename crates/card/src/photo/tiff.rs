//! TIFF, strip by strip: 8 and 16 bits, grey, colour, alpha, CMYK; the first page.

use super::png::on_white;
use super::raster::{Decoded, Reducer};
use super::{PhotoError, PhotoFacts, check_size, reduction};
use spotwright_domain::card::PhotoFormat;
use std::io::Cursor;
use tiff::decoder::{ChunkType, Decoder, DecodingResult, Limits};
use tiff::tags::Tag;
use tiff::{ColorType, TiffError};

/// Largest strip or row of tiles that is decoded at once (bytes).
const MAX_BAND_BYTES: u64 = 48 << 20;

pub(super) fn decode(bytes: &[u8]) -> Result<Decoded, PhotoError> {
    let mut limits = Limits::default();
    limits.decoding_buffer_size = MAX_BAND_BYTES as usize;
    limits.intermediate_buffer_size = MAX_BAND_BYTES as usize;
    limits.ifd_value_size = 8 << 20;
    let mut decoder = Decoder::new(Cursor::new(bytes))
        .map_err(problem)?
        .with_limits(limits);
    let (width, height) = decoder.dimensions().map_err(problem)?;
    check_size(width, height)?;
    let colour = decoder.colortype().map_err(problem)?;
    let (samples, bits) = match colour {
        ColorType::Gray(bits) => (1, bits),
        ColorType::GrayA(bits) => (2, bits),
        ColorType::RGB(bits) | ColorType::YCbCr(bits) => (3, bits),
        ColorType::RGBA(bits) | ColorType::CMYK(bits) => (4, bits),
        other => return Err(unsupported(format!("a TIFF of colour type {other:?}"))),
    };
    if bits != 8 && bits != 16 {
        return Err(unsupported(format!("a TIFF of {bits} bits a channel")));
    }
    let planar: Option<u16> = decoder
        .find_tag_unsigned(Tag::PlanarConfiguration)
        .map_err(problem)?;
    if planar == Some(2) && samples > 1 {
        return Err(unsupported("a TIFF with its colours stored apart".into()));
    }
    let white_is_zero = decoder
        .find_tag_unsigned::<u16>(Tag::PhotometricInterpretation)
        .map_err(problem)?
        == Some(0);
    let orientation = decoder
        .find_tag_unsigned::<u16>(Tag::Orientation)
        .map_err(problem)?
        .and_then(|value| u8::try_from(value).ok())
        .filter(|value| (1..=8).contains(value))
        .unwrap_or(1);
    let has_colour_profile = decoder.find_tag(Tag::IccProfile).map_err(problem)?.is_some();
    let has_more_frames = decoder.more_images();
    let k = reduction(width, height);
    let mut reducer = Reducer::new(width as usize, height as usize, k as usize);
    let mut has_transparency = false;

    let (chunk_width, chunk_height) = decoder.chunk_dimensions();
    if chunk_width == 0 || chunk_height == 0 {
        return Err(PhotoError::Damaged {
            detail: "strips of no size".into(),
        });
    }
    let across = match decoder.get_chunk_type() {
        ChunkType::Strip => 1,
        ChunkType::Tile => width.div_ceil(chunk_width),
    };
    let band = u64::from(width.max(across * chunk_width))
        * u64::from(chunk_height.min(height))
        * samples as u64
        * u64::from(bits / 8);
    if band > MAX_BAND_BYTES {
        return Err(unsupported(format!(
            "a TIFF of {width} x {height} pixels in one piece"
        )));
    }
    let row_samples = width as usize * samples;
    for down in 0..height.div_ceil(chunk_height) {
        let rows = chunk_height.min(height - down * chunk_height) as usize;
        let mut pixels = vec![0u8; rows * row_samples];
        for right in 0..across {
            let chunk = down * across + right;
            let (data_width, data_height) = decoder.chunk_data_dimensions(chunk);
            let data = match decoder.read_chunk(chunk).map_err(problem)? {
                DecodingResult::U8(data) => data,
                // The upper byte rounds: 65535 is 255 times 257.
                DecodingResult::U16(data) => data
                    .into_iter()
                    .map(|v| ((u32::from(v) + 128) / 257) as u8)
                    .collect(),
                _ => return Err(unsupported("a TIFF of numbers that are no bytes".into())),
            };
            let line = data_width as usize * samples;
            let left = (right * chunk_width) as usize * samples;
            if line == 0 || left + line > row_samples {
                return Err(PhotoError::Damaged {
                    detail: "tiles that do not fit the picture".into(),
                });
            }
            for (row, source) in data
                .chunks_exact(line)
                .take((data_height as usize).min(rows))
                .enumerate()
            {
                let at = row * row_samples + left;
                pixels[at..at + line].copy_from_slice(source);
            }
        }
        for row in pixels.chunks_exact(row_samples) {
            reducer.push(row.chunks_exact(samples).map(|p| match colour {
                ColorType::Gray(_) => [if white_is_zero { 255 - p[0] } else { p[0] }; 3],
                ColorType::GrayA(_) => {
                    has_transparency |= p[1] != 255;
                    [on_white(p[0], p[1]); 3]
                }
                ColorType::RGBA(_) => {
                    has_transparency |= p[3] != 255;
                    [on_white(p[0], p[3]), on_white(p[1], p[3]), on_white(p[2], p[3])]
                }
                ColorType::CMYK(_) => cmyk([p[0], p[1], p[2], p[3]]),
                _ => [p[0], p[1], p[2]],
            }));
        }
    }
    Ok(Decoded {
        facts: PhotoFacts {
            format: PhotoFormat::Tiff,
            width,
            height,
            orientation,
            reduction: k,
            has_colour_profile,
            has_more_frames,
            has_transparency,
        },
        raster: reducer.finish(),
    })
}

/// Ink to light without a profile: what is not absorbed by colour and black.
fn cmyk(ink: [u8; 4]) -> [u8; 3] {
    let light = |c: u8| {
        let product = (255 - u32::from(c)) * (255 - u32::from(ink[3]));
        ((product + 127) / 255) as u8
    };
    [light(ink[0]), light(ink[1]), light(ink[2])]
}

fn unsupported(found: String) -> PhotoError {
    PhotoError::Unsupported {
        found,
        expected: "a TIFF of 8 or 16 bits in strips, or a JPEG or PNG",
    }
}

fn problem(error: TiffError) -> PhotoError {
    match error {
        TiffError::IoError(error) if error.kind() == std::io::ErrorKind::UnexpectedEof => {
            PhotoError::Truncated {
                detail: error.to_string(),
            }
        }
        TiffError::LimitsExceeded => PhotoError::Damaged {
            detail: "it asks for more memory than any photograph needs".into(),
        },
        TiffError::UnsupportedError(error) => unsupported(error.to_string()),
        other => PhotoError::Damaged {
            detail: other.to_string(),
        },
    }
}
