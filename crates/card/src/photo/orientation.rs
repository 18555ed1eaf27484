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

#[cfg(test)]
mod tests {
    use super::*;

    /// Exif 2.32, 4.6.4: where the 0th row and the 0th column of the stored picture are seen.
    #[test]
    fn the_first_pixel_is_seen_where_the_standard_says() {
        let (w, h) = (40u32, 30u32);
        for (tag, seen) in [
            (1, "top left"),
            (2, "top right"),
            (3, "bottom right"),
            (4, "bottom left"),
            (5, "left top"),
            (6, "right top"),
            (7, "right bottom"),
            (8, "left bottom"),
        ] {
            let orientation = Orientation::new(tag);
            let (width, height) = orientation.upright_size(w, h);
            assert_eq!((width, height), if tag >= 5 { (h, w) } else { (w, h) });
            let stored = |x: f64, y: f64| {
                let x = if orientation.is_mirrored() {
                    f64::from(w) - 1.0 - x
                } else {
                    x
                };
                orientation.to_upright([x, y], f64::from(width), f64::from(height))
            };
            let (row, column) = seen.split_once(' ').unwrap();
            let (first, along_row, along_column) = (stored(0.0, 0.0), stored(1.0, 0.0), stored(0.0, 1.0));
            let edge = |name: &str, at: [f64; 2]| match name {
                "top" => at[1].abs() < 1e-9,
                "bottom" => (at[1] - f64::from(height) + 1.0).abs() < 1e-9,
                "left" => at[0].abs() < 1e-9,
                _ => (at[0] - f64::from(width) + 1.0).abs() < 1e-9,
            };
            assert!(edge(row, first) && edge(column, first), "{tag}");
            // The whole 0th row lies on the first edge named, the whole 0th column on the second.
            assert!(edge(row, along_row) && edge(column, along_column), "{tag}");
        }
    }
}
