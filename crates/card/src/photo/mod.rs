//! Bytes to pixels: JPEG, PNG and TIFF, recognised by content, safe with any bytes.
//!
//! A [`Photo`] holds a small overview made at once and gives full pixels where they are asked for: a baseline JPEG is
//! walked through once and only the places that matter are decoded (see `jpeg`); everything else is decoded whole,
//! reduced while reading when it is large.
//!
//! Places are pixels of the *stored* raster, pixel centres at whole numbers; [`Photo::to_upright`] turns them into
//! pixels of the photograph as a person sees it.

mod exif;
mod jpeg;
mod jpeg_whole;
mod orientation;
mod png;
mod raster;
mod tiff;

pub(crate) use orientation::Orientation;
pub use raster::Raster;
pub(crate) use raster::floor;

use spotwright_domain::card::PhotoFormat;

/// Most pixels a photograph may have. Beyond, the file is refused before anything is allocated.
pub const MAX_PIXELS: u64 = 120_000_000;
/// Longest side (px).
pub const MAX_SIDE: u32 = 30_000;
/// Most pixels kept: a larger photograph is reduced by 2, 3, … while it is read.
pub(crate) const MAX_STORED_PIXELS: u64 = 14_000_000;
/// Largest file (bytes).
pub const MAX_BYTES: usize = 200_000_000;

/// Why bytes are not a photograph that can be looked at.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PhotoError {
    /// No bytes.
    #[error("the file is empty; copy it from the camera again")]
    Empty,
    /// None of the known kinds.
    #[error("found a file beginning {found}, expected a JPEG, PNG or TIFF photograph")]
    UnknownFormat {
        /// The first bytes, in hexadecimal.
        found: String,
    },
    /// Larger than allowed.
    #[error(
        "found a photograph of {width} x {height} pixels, expected at most {MAX_PIXELS} pixels and {MAX_SIDE} a side; \
         take it at a lower resolution"
    )]
    TooLarge {
        /// Width (px).
        width: u32,
        /// Height (px).
        height: u32,
    },
    /// A file too large to be read.
    #[error("found a file of {bytes} bytes, expected at most {MAX_BYTES}; save it as JPEG")]
    FileTooLarge {
        /// Its size.
        bytes: usize,
    },
    /// Nothing to see.
    #[error("found a photograph of {width} x {height} pixels, expected at least 32 a side")]
    TooSmall {
        /// Width (px).
        width: u32,
        /// Height (px).
        height: u32,
    },
    /// The file ends early.
    #[error("the file ends in the middle of the picture; copy it from the camera again ({detail})")]
    Truncated {
        /// What the reader met.
        detail: String,
    },
    /// The bytes contradict the format.
    #[error("the file is damaged: {detail}; copy it from the camera again")]
    Damaged {
        /// What the reader met.
        detail: String,
    },
    /// A legal kind that is not read.
    #[error("found {found}, expected {expected}")]
    Unsupported {
        /// What it is.
        found: String,
        /// What to save it as.
        expected: &'static str,
    },
}

/// What a file said about itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PhotoFacts {
    /// Kind of file.
    pub format: PhotoFormat,
    /// Width as a person sees it (px).
    pub width: u32,
    /// Height as a person sees it (px).
    pub height: u32,
    /// EXIF orientation, 1 to 8; 1 when none is given.
    pub orientation: u8,
    /// Original pixels a stored pixel stands for, each way.
    pub reduction: u32,
    /// A colour profile was embedded; it is not applied.
    pub has_colour_profile: bool,
    /// The file held more frames or pages than the first.
    pub has_more_frames: bool,
    /// Some pixels were transparent; they were laid on white.
    pub has_transparency: bool,
}

/// A small overview of a photograph: every pixel the mean of `scale` × `scale` stored pixels.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Overview {
    pub(crate) width: usize,
    pub(crate) height: usize,
    /// Stored pixels an overview pixel spans, each way.
    pub(crate) scale: f64,
    /// Red, green, blue, as stored (sRGB-coded).
    pub(crate) rgb: Vec<[u8; 3]>,
}

impl Overview {
    /// Stored pixels of a place in the overview.
    pub(crate) fn to_stored(&self, place: [f64; 2]) -> [f64; 2] {
        place.map(|c| (c + 0.5) * self.scale - 0.5)
    }
}

/// An open photograph.
#[derive(Debug)]
pub struct Photo<'a> {
    /// What the file said about itself.
    pub facts: PhotoFacts,
    pub(crate) overview: Overview,
    raster: Raster,
    orientation: Orientation,
    jpeg: Option<jpeg::Jpeg<'a>>,
}

/// A rectangle of stored pixels: from (inclusive) and to (exclusive).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Rectangle {
    pub(crate) x0: usize,
    pub(crate) y0: usize,
    pub(crate) x1: usize,
    pub(crate) y1: usize,
}

impl<'a> Photo<'a> {
    /// Opens a photograph.
    ///
    /// # Errors
    /// The file is not a photograph, is damaged, or is larger than allowed ([`MAX_PIXELS`]).
    pub fn open(bytes: &'a [u8]) -> Result<Self, PhotoError> {
        if bytes.is_empty() {
            return Err(PhotoError::Empty);
        }
        if bytes.len() > MAX_BYTES {
            return Err(PhotoError::FileTooLarge { bytes: bytes.len() });
        }
        if bytes.starts_with(&[0xff, 0xd8]) {
            return Self::open_jpeg(bytes);
        }
        let decoded = if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
            png::decode(bytes)?
        } else if bytes.starts_with(b"II*\0") || bytes.starts_with(b"MM\0*") {
            tiff::decode(bytes)?
        } else {
            let found = bytes.iter().take(8).map(|byte| format!("{byte:02x}")).collect();
            return Err(PhotoError::UnknownFormat { found });
        };
        Ok(Self::from_decoded(decoded))
    }

    fn open_jpeg(bytes: &'a [u8]) -> Result<Self, PhotoError> {
        let header = jpeg::Header::read(bytes)?;
        check_size(header.width, header.height)?;
        let orientation = Orientation::new(header.orientation);
        // Mirrored photographs are rare: they are decoded whole and flipped once.
        if !orientation.is_mirrored()
            && header.width.max(header.height) >= 1600
            && let Some(index) = jpeg::Jpeg::index(bytes, &header)?
        {
            let overview = index.overview();
            return Ok(Self {
                facts: PhotoFacts {
                    format: PhotoFormat::Jpeg,
                    width: orientation.upright_size(header.width, header.height).0,
                    height: orientation.upright_size(header.width, header.height).1,
                    orientation: header.orientation,
                    reduction: index.reduction(),
                    has_colour_profile: header.has_colour_profile,
                    has_more_frames: false,
                    has_transparency: false,
                },
                overview,
                raster: Raster::blank(index.stored_width(), index.stored_height()),
                orientation,
                jpeg: Some(index),
            });
        }
        Ok(Self::from_decoded(jpeg_whole::decode(bytes, &header)?))
    }

    fn from_decoded(mut decoded: raster::Decoded) -> Self {
        let orientation = Orientation::new(decoded.facts.orientation);
        if orientation.is_mirrored() {
            decoded.raster.flip();
        }
        let (width, height) = orientation.upright_size(decoded.facts.width, decoded.facts.height);
        decoded.facts.width = width;
        decoded.facts.height = height;
        Self {
            overview: decoded.raster.overview(),
            facts: decoded.facts,
            raster: decoded.raster,
            orientation,
            jpeg: None,
        }
    }

    /// Makes sure that the pixels of rectangles are there.
    pub(crate) fn need(&mut self, rectangles: &[Rectangle]) -> Result<(), PhotoError> {
        match &mut self.jpeg {
            Some(jpeg) => jpeg.decode(rectangles, &mut self.raster),
            None => Ok(()),
        }
    }

    /// Makes sure that every pixel is there.
    pub(crate) fn need_all(&mut self) -> Result<(), PhotoError> {
        let all = Rectangle {
            x0: 0,
            y0: 0,
            x1: self.raster.width(),
            y1: self.raster.height(),
        };
        self.need(&[all])
    }

    /// The pixels: right where they were asked for, unspecified elsewhere.
    pub(crate) fn raster(&self) -> &Raster {
        &self.raster
    }

    /// Every pixel, in the stored orientation: for comparison with other decoders.
    ///
    /// # Errors
    /// The file turns out to be damaged.
    pub fn into_whole(mut self) -> Result<Raster, PhotoError> {
        self.need_all()?;
        Ok(self.raster)
    }

    /// Pixels of the photograph as a person sees it, for a place in the stored raster.
    #[must_use]
    pub fn to_upright(&self, stored: [f64; 2]) -> [f64; 2] {
        let k = f64::from(self.facts.reduction);
        let full = stored.map(|c| (c + 0.5) * k - 0.5);
        self.orientation
            .to_upright(full, f64::from(self.facts.width), f64::from(self.facts.height))
    }

    /// The map of [`Self::to_upright`] as a matrix on (x, y, 1), row by row.
    pub(crate) fn upright_matrix(&self) -> [f64; 9] {
        let o = self.to_upright([0.0, 0.0]);
        let x = self.to_upright([1.0, 0.0]);
        let y = self.to_upright([0.0, 1.0]);
        [
            x[0] - o[0],
            y[0] - o[0],
            o[0],
            x[1] - o[1],
            y[1] - o[1],
            o[1],
            0.0,
            0.0,
            1.0,
        ]
    }
}

fn check_size(width: u32, height: u32) -> Result<(), PhotoError> {
    if u64::from(width) * u64::from(height) > MAX_PIXELS || width.max(height) > MAX_SIDE {
        return Err(PhotoError::TooLarge { width, height });
    }
    if width.min(height) < 32 {
        return Err(PhotoError::TooSmall { width, height });
    }
    Ok(())
}

/// Original pixels a stored pixel stands for, each way.
fn reduction(width: u32, height: u32) -> u32 {
    let pixels = u64::from(width) * u64::from(height);
    (1..).find(|k| pixels / (k * k) <= MAX_STORED_PIXELS).unwrap_or(1) as u32
}
