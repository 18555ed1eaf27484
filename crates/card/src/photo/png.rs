//! PNG, row by row: 1 to 16 bits, grey, colour, palette, alpha; of an animation the first picture.

use super::raster::{Decoded, Reducer};
use super::{PhotoError, PhotoFacts, check_size, reduction};
use png::{ColorType, Decoder, DecodingError, Limits, Transformations};
use spotwright_domain::card::PhotoFormat;
use std::io::Cursor;

pub(super) fn decode(bytes: &[u8]) -> Result<Decoded, PhotoError> {
    let limits = Limits { bytes: 32 << 20 };
    let mut decoder = Decoder::new_with_limits(Cursor::new(bytes), limits);
    decoder.set_ignore_text_chunk(true);
    // Everything to eight bits a channel.
    decoder.set_transformations(Transformations::EXPAND | Transformations::STRIP_16);
    let header = decoder.read_header_info().map_err(problem)?;
    let (width, height) = (header.width, header.height);
    check_size(width, height)?;
    let interlaced = header.interlaced;
    let k = reduction(width, height);
    if interlaced && k > 1 {
        return Err(PhotoError::Unsupported {
            found: format!("an interlaced PNG of {width} x {height} pixels"),
            expected: "a PNG without interlacing, or a JPEG",
        });
    }
    let mut reader = decoder.read_info().map_err(problem)?;
    let info = reader.info();
    let has_colour_profile = info.icc_profile.is_some();
    let has_more_frames = info.animation_control.is_some_and(|a| a.num_frames > 1);
    let orientation = info
        .exif_metadata
        .as_ref()
        .and_then(|exif| super::exif::orientation(exif))
        .unwrap_or(1);
    let (colour, _) = reader.output_color_type();
    let channels = colour.samples();
    let mut reducer = Reducer::new(width as usize, height as usize, k as usize);
    let mut has_transparency = false;
    let mut push = |row: &[u8]| {
        let pixels = row.chunks_exact(channels).map(|p| match colour {
            ColorType::Grayscale | ColorType::Indexed => [p[0]; 3],
            ColorType::GrayscaleAlpha => {
                has_transparency |= p[1] != 255;
                [on_white(p[0], p[1]); 3]
            }
            ColorType::Rgb => [p[0], p[1], p[2]],
            ColorType::Rgba => {
                has_transparency |= p[3] != 255;
                [on_white(p[0], p[3]), on_white(p[1], p[3]), on_white(p[2], p[3])]
            }
        });
        reducer.push(pixels);
    };
    if interlaced {
        let size = reader
            .output_buffer_size()
            .ok_or(PhotoError::TooLarge { width, height })?;
        let mut buffer = vec![0; size];
        reader.next_frame(&mut buffer).map_err(problem)?;
        for row in buffer.chunks_exact(width as usize * channels) {
            push(row);
        }
    } else {
        // Of an animation the default picture comes first: it may be no frame of it, and is what a viewer shows.
        for _ in 0..height {
            match reader.next_row().map_err(problem)? {
                Some(row) => push(row.data()),
                None => {
                    return Err(PhotoError::Truncated {
                        detail: "rows are missing".into(),
                    });
                }
            }
        }
    }
    Ok(Decoded {
        facts: PhotoFacts {
            format: PhotoFormat::Png,
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

/// Lays a channel on white.
pub(super) fn on_white(value: u8, alpha: u8) -> u8 {
    let (v, a) = (u32::from(value), u32::from(alpha));
    ((v * a + 255 * (255 - a) + 127) / 255) as u8
}

fn problem(error: DecodingError) -> PhotoError {
    match error {
        DecodingError::IoError(error) if error.kind() == std::io::ErrorKind::UnexpectedEof => {
            PhotoError::Truncated {
                detail: error.to_string(),
            }
        }
        DecodingError::LimitsExceeded => PhotoError::Damaged {
            detail: "it asks for more memory than any photograph needs".into(),
        },
        other => PhotoError::Damaged {
            detail: other.to_string(),
        },
    }
}
