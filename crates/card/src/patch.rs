//! A piece of the card's plane, straightened and evenly lit: what every measure of a spot is taken from.

/// Why a pixel says nothing about the paper or the blood.
pub mod flag {
    /// Beyond the photograph.
    pub const OUTSIDE: u8 = 1;
    /// The photograph is burnt out there (glare): a channel at its ceiling.
    pub const BURNT_OUT: u8 = 2;
    /// Printed there (circle, text, mark), as far as the layout and the photograph tell.
    pub const PRINT: u8 = 4;
    /// Beyond the card's edge.
    pub const OFF_CARD: u8 = 8;
}

/// A rectangle of the card's plane on a square grid.
///
/// Pixel (column `i`, row `j`) is the mean over a square centred at
/// `origin_mm + [i, j] / pixels_per_mm` in the layout's millimetres.
#[derive(Debug, Clone, PartialEq)]
pub struct Patch {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Grid points per millimetre, both ways; at most the photograph's own resolution.
    pub pixels_per_mm: f64,
    /// Centre of pixel (0, 0) (mm).
    pub origin_mm: [f64; 2],
    /// Linear-light red, green and blue against the blank paper of the same place: 1 is paper, 0 is black.
    /// Row by row. Noise may carry it above 1.
    pub reflectance: Vec<[f32; 3]>,
    /// Bits of [`flag`], row by row; 0: a good pixel.
    pub flags: Vec<u8>,
    /// Standard deviation of the reflectance of blank paper near the spot, pixel to pixel, by channel.
    pub paper_noise: [f32; 3],
    /// Width of the photograph's blur: standard deviation of the edge spread (mm), estimated from print or the card's
    /// edge; 0 when nothing sharp was there to judge by.
    pub blur_mm: f64,
}

impl Patch {
    /// The millimetres of a place given in (fractional) columns and rows.
    #[must_use]
    pub fn to_mm(&self, column: f64, row: f64) -> [f64; 2] {
        [
            self.origin_mm[0] + column / self.pixels_per_mm,
            self.origin_mm[1] + row / self.pixels_per_mm,
        ]
    }

    /// The (fractional) column and row of a place.
    #[must_use]
    pub fn to_pixel(&self, place_mm: [f64; 2]) -> [f64; 2] {
        [
            (place_mm[0] - self.origin_mm[0]) * self.pixels_per_mm,
            (place_mm[1] - self.origin_mm[1]) * self.pixels_per_mm,
        ]
    }
}
