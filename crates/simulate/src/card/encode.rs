//! Pictures as files: JPEG with either chroma subsampling and an orientation, PNG, TIFF.

use super::photo::Picture;
use image::{ExtendedColorType, ImageEncoder};
use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
use serde::{Deserialize, Serialize};

/// How a photograph is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "format")]
pub enum FileForm {
    /// JPEG.
    Jpeg {
        /// Quality, 1 to 100.
        quality: u8,
        /// Whether colour is stored at half the resolution both ways (4:2:0).
        halved_colour: bool,
    },
    /// PNG.
    Png,
    /// TIFF, uncompressed.
    Tiff,
}

impl FileForm {
    /// Ending of the file's name.
    pub(crate) fn ending(self) -> &'static str {
        match self {
            Self::Jpeg { .. } => "jpg",
            Self::Png => "png",
            Self::Tiff => "tiff",
        }
    }
}

/// Writes a picture, given as it is to be seen; `orientation` (Exif 2.3, tag 0x0112: 1, 3, 6 or 8) turns it back.
///
/// # Errors
/// What the encoder says: a picture too large for the format.
pub(crate) fn encode(picture: &Picture, form: FileForm, orientation: u8) -> Result<Vec<u8>, std::io::Error> {
    let stored = turned(picture, orientation);
    let (width, height) = (stored.width, stored.height);
    let mut bytes = Vec::new();
    match form {
        FileForm::Jpeg {
            quality,
            halved_colour,
        } => {
            let mut encoder = Encoder::new(&mut bytes, quality);
            encoder.set_sampling_factor(if halved_colour {
                SamplingFactor::F_2_2
            } else {
                SamplingFactor::F_1_1
            });
            if orientation != 1 {
                encoder
                    .add_app_segment(1, exif(orientation))
                    .map_err(std::io::Error::other)?;
            }
            let too_large = |_| std::io::Error::other("too large for JPEG");
            let size = (
                u16::try_from(width).map_err(too_large)?,
                u16::try_from(height).map_err(too_large)?,
            );
            encoder
                .encode(&stored.bytes, size.0, size.1, ColorType::Rgb)
                .map_err(std::io::Error::other)?;
        }
        FileForm::Png => {
            let encoder = image::codecs::png::PngEncoder::new_with_quality(
                &mut bytes,
                image::codecs::png::CompressionType::Fast,
                image::codecs::png::FilterType::Sub,
            );
            encoder
                .write_image(
                    &stored.bytes,
                    width as u32,
                    height as u32,
                    ExtendedColorType::Rgb8,
                )
                .map_err(std::io::Error::other)?;
        }
        FileForm::Tiff => {
            let mut cursor = std::io::Cursor::new(&mut bytes);
            image::codecs::tiff::TiffEncoder::new(&mut cursor)
                .write_image(
                    &stored.bytes,
                    width as u32,
                    height as u32,
                    ExtendedColorType::Rgb8,
                )
                .map_err(std::io::Error::other)?;
        }
    }
    Ok(bytes)
}

/// The smallest Exif block that says an orientation: a TIFF directory of one entry.
fn exif(orientation: u8) -> Vec<u8> {
    let mut block = b"Exif\0\0II*\0\x08\0\0\0\x01\0\x12\x01\x03\0\x01\0\0\0".to_vec();
    block.extend([orientation, 0, 0, 0, 0, 0, 0, 0]);
    block
}

/// The picture as stored: turned so that the reader, following the orientation, sees it upright.
fn turned(picture: &Picture, orientation: u8) -> Picture {
    let (w, h) = (picture.width, picture.height);
    let (width, height) = match orientation {
        6 | 8 => (h, w),
        _ => (w, h),
    };
    if orientation == 1 {
        return picture.clone();
    }
    let mut bytes = Vec::with_capacity(picture.bytes.len());
    for row in 0..height {
        for column in 0..width {
            // Orientation 6: shown turned clockwise, so a stored (column, row) is shown at (h−1−row, column).
            let (x, y) = match orientation {
                6 => (w - 1 - row, column),
                8 => (row, h - 1 - column),
                _ => (w - 1 - column, h - 1 - row),
            };
            let at = (y * w + x) * 3;
            bytes.extend_from_slice(&picture.bytes[at..at + 3]);
        }
    }
    Picture { width, height, bytes }
}
