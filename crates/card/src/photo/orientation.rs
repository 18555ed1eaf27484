//! EXIF orientation: how a stored raster is turned to stand as a person sees it (Exif 2.32, tag 0x0112).

/// Quarter turns clockwise after an optional left–right flip.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Orientation {
    mirrored: bool,
    quarter_turns: u8,
}

impl Orientation {
    /// The orientation of a tag value; any value outside 1 to 8 stands for 1.
    pub(crate) fn new(tag: u8) -> Self {
        let (mirrored, quarter_turns) = match tag {
            2 => (true, 0),
            3 => (false, 2),
            4 => (true, 2),
            5 => (true, 3),
            6 => (false, 1),
            7 => (true, 1),
            8 => (false, 3),
            _ => (false, 0),
        };
        Self {
            mirrored,
            quarter_turns,
        }
    }

    pub(crate) fn is_mirrored(self) -> bool {
        self.mirrored
    }

    pub(crate) fn upright_size(self, width: u32, height: u32) -> (u32, u32) {
        if self.quarter_turns % 2 == 1 {
            (height, width)
        } else {
            (width, height)
        }
    }

    /// Upright pixel of a pixel of the (already unmirrored) raster; `width` and `height` are upright.
    pub(crate) fn to_upright(self, [x, y]: [f64; 2], width: f64, height: f64) -> [f64; 2] {
        match self.quarter_turns {
            1 => [width - 1.0 - y, x],
            2 => [width - 1.0 - x, height - 1.0 - y],
            3 => [y, height - 1.0 - x],
            _ => [x, y],
        }
    }
}
