//! A JPEG's markers up to its (first) scan.

use super::huffman::Huffman;
use super::transform::SCALE;
use crate::photo::{PhotoError, exif};

/// Row-by-row place of each coefficient in zigzag order (ITU-T T.81, figure 5).
pub(super) const ZIGZAG: [u8; 64] = [
    0, 1, 8, 16, 9, 2, 3, 10, 17, 24, 32, 25, 18, 11, 4, 5, 12, 19, 26, 33, 40, 48, 41, 34, 27, 20, 13, 6, 7,
    14, 21, 28, 35, 42, 49, 56, 57, 50, 43, 36, 29, 22, 15, 23, 30, 37, 44, 51, 58, 59, 52, 45, 38, 31, 39,
    46, 53, 60, 61, 54, 47, 55, 62, 63,
];

/// What stands before the picture.
#[derive(Debug)]
pub(in crate::photo) struct Header {
    pub(in crate::photo) width: u32,
    pub(in crate::photo) height: u32,
    pub(in crate::photo) orientation: u8,
    pub(in crate::photo) has_colour_profile: bool,
    is_baseline: bool,
    frame: Vec<FrameComponent>,
    scan: Vec<(u8, u8)>,
    scan_start: usize,
    is_sequential_scan: bool,
    colour_transform: Option<u8>,
    quantisation: [Option<[u16; 64]>; 4],
    dc: [Option<Huffman>; 4],
    ac: [Option<Huffman>; 4],
    restart_interval: usize,
}

#[derive(Debug)]
struct FrameComponent {
    id: u8,
    horizontal: u8,
    vertical: u8,
    table: u8,
}

/// A component as it is decoded.
#[derive(Debug)]
pub(super) struct Component {
    /// Blocks of a unit, across and down.
    pub(super) across: usize,
    pub(super) down: usize,
    /// In zigzag order.
    pub(super) quantisation: [u16; 64],
    /// Quantisation with the transform's scale, in zigzag order.
    pub(super) scale: [f32; 64],
    pub(super) dc: usize,
    pub(super) ac: usize,
}

/// All it takes to decode a baseline picture of one interleaved scan.
#[derive(Debug)]
pub(super) struct Plan {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) components: Vec<Component>,
    pub(super) dc: Vec<Huffman>,
    pub(super) ac: Vec<Huffman>,
    pub(super) restart_interval: usize,
    pub(super) scan_start: u32,
    pub(super) units_across: usize,
    pub(super) units_down: usize,
}

impl Plan {
    pub(super) fn unit_width(&self) -> usize {
        self.components[0].across * 8
    }

    pub(super) fn unit_height(&self) -> usize {
        self.components[0].down * 8
    }
}

impl Header {
    /// Reads markers up to the first scan.
    pub(in crate::photo) fn read(bytes: &[u8]) -> Result<Self, PhotoError> {
        let mut header = Self {
            width: 0,
            height: 0,
            orientation: 1,
            has_colour_profile: false,
            is_baseline: false,
            frame: Vec::new(),
            scan: Vec::new(),
            scan_start: 0,
            is_sequential_scan: false,
            colour_transform: None,
            quantisation: [None; 4],
            dc: [const { None }; 4],
            ac: [const { None }; 4],
            restart_interval: 0,
        };
        let mut at = 2;
        loop {
            // Any number of fill bytes may stand before a marker.
            while bytes.get(at) == Some(&0xff) && bytes.get(at + 1) == Some(&0xff) {
                at += 1;
            }
            let marker = match (bytes.get(at), bytes.get(at + 1)) {
                (Some(0xff), Some(&marker)) => marker,
                (Some(0xff), None) | (None, _) => return Err(truncated("before the picture begins")),
                (Some(_), _) => return Err(damaged("no marker where one must stand")),
            };
            if marker == 0xd9 {
                return Err(truncated("it ends before a picture begins"));
            }
            if matches!(marker, 0x01 | 0xd0..=0xd8) {
                at += 2;
                continue;
            }
            let length = match (bytes.get(at + 2), bytes.get(at + 3)) {
                (Some(&high), Some(&low)) => usize::from(high) << 8 | usize::from(low),
                _ => return Err(truncated("inside its header")),
            };
            let body = bytes
                .get(at + 4..at + 2 + length)
                .ok_or_else(|| truncated("inside its header"))?;
            at += 2 + length;
            header.segment(marker, body)?;
            if marker == 0xda {
                header.scan_start = at;
                break;
            }
        }
        if header.frame.is_empty() {
            return Err(damaged("a scan before its frame"));
        }
        Ok(header)
    }

    fn segment(&mut self, marker: u8, body: &[u8]) -> Result<(), PhotoError> {
        match marker {
            0xc0..=0xc3 | 0xc5..=0xc7 | 0xc9..=0xcb | 0xcd..=0xcf => self.start_of_frame(marker, body),
            0xc4 => self.huffman_tables(body),
            0xdb => self.quantisation_tables(body),
            0xdd => {
                let [high, low, ..] = body else {
                    return Err(damaged("a short restart interval"));
                };
                self.restart_interval = usize::from(*high) << 8 | usize::from(*low);
                Ok(())
            }
            0xda => self.start_of_scan(body),
            0xe1 => {
                if let Some(tiff) = body.strip_prefix(b"Exif\0\0")
                    && let Some(orientation) = exif::orientation(tiff)
                {
                    self.orientation = orientation;
                }
                Ok(())
            }
            0xe2 => {
                self.has_colour_profile |= body.starts_with(b"ICC_PROFILE\0");
                Ok(())
            }
            0xee => {
                if body.starts_with(b"Adobe") {
                    self.colour_transform = body.get(11).copied();
                }
                Ok(())
            }
            _ => Ok(()),
        }
    }

    fn start_of_frame(&mut self, marker: u8, body: &[u8]) -> Result<(), PhotoError> {
        let [precision, h1, h0, w1, w0, count, rest @ ..] = body else {
            return Err(damaged("a short frame header"));
        };
        if !self.frame.is_empty() {
            return Err(damaged("two frames"));
        }
        if !matches!(marker, 0xc0..=0xc2) || *precision != 8 {
            return Err(PhotoError::Unsupported {
                found: format!("a JPEG of kind {} with {precision} bits", marker & 15),
                expected: "a JPEG of eight bits, baseline or progressive",
            });
        }
        self.height = u32::from(*h1) << 8 | u32::from(*h0);
        self.width = u32::from(*w1) << 8 | u32::from(*w0);
        if self.width == 0 || self.height == 0 {
            return Err(PhotoError::TooSmall {
                width: self.width,
                height: self.height,
            });
        }
        self.is_baseline = marker != 0xc2;
        if !matches!(count, 1 | 3 | 4) || rest.len() != usize::from(*count) * 3 {
            return Err(damaged("a frame header of another length than its components"));
        }
        for component in rest.chunks_exact(3) {
            let (horizontal, vertical) = (component[1] >> 4, component[1] & 15);
            if !(1..=4).contains(&horizontal) || !(1..=4).contains(&vertical) || component[2] > 3 {
                return Err(damaged("a component that cannot be"));
            }
            self.frame.push(FrameComponent {
                id: component[0],
                horizontal,
                vertical,
                table: component[2],
            });
        }
        Ok(())
    }

    fn start_of_scan(&mut self, body: &[u8]) -> Result<(), PhotoError> {
        let [count, rest @ ..] = body else {
            return Err(damaged("a short scan header"));
        };
        let count = usize::from(*count);
        if rest.len() != count * 2 + 3 {
            return Err(damaged("a scan header of another length than its components"));
        }
        let mut in_order = count == self.frame.len();
        for (index, chunk) in rest[..count * 2].chunks_exact(2).enumerate() {
            in_order &= self.frame.get(index).is_some_and(|c| c.id == chunk[0]);
            self.scan.push((chunk[1] >> 4, chunk[1] & 15));
        }
        self.is_sequential_scan = in_order && rest[count * 2..] == [0, 63, 0];
        Ok(())
    }

    fn quantisation_tables(&mut self, mut body: &[u8]) -> Result<(), PhotoError> {
        while let [kind, rest @ ..] = body {
            let wide = kind >> 4 != 0;
            let size = if wide { 128 } else { 64 };
            let (values, after) = rest
                .split_at_checked(size)
                .ok_or_else(|| damaged("a short quantisation table"))?;
            let mut table = [0u16; 64];
            for (index, out) in table.iter_mut().enumerate() {
                *out = if wide {
                    u16::from(values[index * 2]) << 8 | u16::from(values[index * 2 + 1])
                } else {
                    u16::from(values[index])
                };
            }
            let slot = self
                .quantisation
                .get_mut(usize::from(kind & 15))
                .ok_or_else(|| damaged("a quantisation table beyond the fourth"))?;
            *slot = Some(table);
            body = after;
        }
        Ok(())
    }

    fn huffman_tables(&mut self, mut body: &[u8]) -> Result<(), PhotoError> {
        while let [kind, rest @ ..] = body {
            let short = || damaged("a short code table");
            let (counts, after) = rest.split_first_chunk::<16>().ok_or_else(short)?;
            let total: usize = counts.iter().map(|&count| usize::from(count)).sum();
            let (symbols, after) = after.split_at_checked(total).ok_or_else(short)?;
            let table =
                Huffman::new(counts, symbols).ok_or_else(|| damaged("a code table that makes no code"))?;
            let slots = if kind >> 4 == 0 {
                &mut self.dc
            } else {
                &mut self.ac
            };
            let slot = slots
                .get_mut(usize::from(kind & 15))
                .ok_or_else(|| damaged("a code table beyond the fourth"))?;
            *slot = Some(table);
            body = after;
        }
        Ok(())
    }

    /// How to decode by parts; `None` when the picture is of another kind.
    pub(super) fn plan(&self) -> Option<Plan> {
        if !self.is_baseline || !self.is_sequential_scan || !matches!(self.frame.len(), 1 | 3) {
            return None;
        }
        let colour = self.frame.len() == 3;
        if colour {
            let luma = &self.frame[0];
            let plain = |c: &FrameComponent| c.horizontal == 1 && c.vertical == 1;
            let names_rgb =
                self.colour_transform.is_none() && self.frame[0].id == b'R' && self.frame[1].id == b'G';
            if luma.horizontal > 2
                || luma.vertical > 2
                || !plain(&self.frame[1])
                || !plain(&self.frame[2])
                || self.colour_transform == Some(0)
                || names_rgb
            {
                return None;
            }
        }
        let mut dc = Vec::new();
        let mut ac = Vec::new();
        let mut components = Vec::new();
        for (frame, (dc_table, ac_table)) in self.frame.iter().zip(&self.scan) {
            let quantisation = self.quantisation[usize::from(frame.table)]?;
            let mut scale = [0f32; 64];
            for (place, out) in scale.iter_mut().enumerate() {
                let at = usize::from(ZIGZAG[place]);
                *out = (f64::from(quantisation[place]) * SCALE[at % 8] * SCALE[at / 8] / 8.0) as f32;
            }
            dc.push(self.dc.get(usize::from(*dc_table))?.clone()?);
            ac.push(self.ac.get(usize::from(*ac_table))?.clone()?);
            // A lone component is not interleaved: its unit is one block, whatever its sampling says.
            components.push(Component {
                across: if colour { usize::from(frame.horizontal) } else { 1 },
                down: if colour { usize::from(frame.vertical) } else { 1 },
                quantisation,
                scale,
                dc: dc.len() - 1,
                ac: ac.len() - 1,
            });
        }
        let (width, height) = (self.width as usize, self.height as usize);
        Some(Plan {
            units_across: width.div_ceil(components[0].across * 8),
            units_down: height.div_ceil(components[0].down * 8),
            width,
            height,
            components,
            dc,
            ac,
            restart_interval: self.restart_interval,
            scan_start: u32::try_from(self.scan_start).ok()?,
        })
    }
}

fn damaged(detail: &str) -> PhotoError {
    PhotoError::Damaged {
        detail: detail.into(),
    }
}

fn truncated(detail: &str) -> PhotoError {
    PhotoError::Truncated {
        detail: detail.into(),
    }
}
