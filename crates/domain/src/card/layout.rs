//! A card's printed design: data, so that a laboratory's own card works by writing a file.

use serde::{Deserialize, Serialize};

/// A printed card design (`layout.toml`).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CardLayout {
    /// Name of the design.
    pub id: String,
    /// Title for people.
    pub title: String,
    /// Width of the card (mm).
    pub width_mm: f64,
    /// Height of the card (mm).
    pub height_mm: f64,
    /// Scale of photographs that show neither the card's edge nor print to measure by (px/mm); `None`: found from the
    /// photograph.
    #[serde(default)]
    pub pixels_per_mm: Option<f64>,
    /// Printed circles in the order of their numbers; empty: spots lie anywhere on the card.
    #[serde(default, rename = "circle")]
    pub circles: Vec<PrintedCircle>,
    /// Marks printed for measuring.
    #[serde(default, rename = "fiducial")]
    pub fiducials: Vec<Fiducial>,
    /// Where barcodes are printed.
    #[serde(default, rename = "barcode")]
    pub barcodes: Vec<Region>,
    /// Where text is printed or written: never searched for spots.
    #[serde(default, rename = "label")]
    pub labels: Vec<Region>,
}

/// A circle a drop belongs in.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PrintedCircle {
    /// The number printed beside it, or its place in the row; from 1, unique.
    pub number: u32,
    /// Its centre (mm).
    pub centre_mm: [f64; 2],
    /// Its diameter, to the middle of the printed line (mm).
    pub diameter_mm: f64,
}

/// A mark printed for measuring.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fiducial {
    /// Its centre (mm).
    pub centre_mm: [f64; 2],
    /// Its shape.
    pub shape: FiducialShape,
    /// Diameter or side (mm).
    pub size_mm: f64,
}

/// Shape of a fiducial, printed dark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FiducialShape {
    /// Filled disc.
    Disc,
    /// Filled square, its sides along the card's.
    Square,
}

/// A rectangle on the card.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Region {
    /// Left edge (mm).
    pub left_mm: f64,
    /// Upper edge (mm).
    pub top_mm: f64,
    /// Width (mm).
    pub width_mm: f64,
    /// Height (mm).
    pub height_mm: f64,
}

/// Why a layout cannot be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LayoutError {
    /// A number out of its range.
    #[error("{field}: found {found}, expected {expected}")]
    Number {
        /// Which field, as a path (`circle[2].diameter_mm`).
        field: String,
        /// The number found.
        found: f64,
        /// What is allowed.
        expected: &'static str,
    },
    /// A circle number used twice, or zero.
    #[error("circle number {number} must be from 1 and stand once")]
    CircleNumber {
        /// The number.
        number: u32,
    },
    /// Something printed off the card.
    #[error("{field} reaches beyond the card of {width_mm} mm by {height_mm} mm")]
    OffTheCard {
        /// Which field.
        field: String,
        /// Width of the card (mm).
        width_mm: f64,
        /// Height of the card (mm).
        height_mm: f64,
    },
    /// Two circles that overlap.
    #[error("circles {first} and {second} overlap")]
    CirclesOverlap {
        /// The lower number.
        first: u32,
        /// The higher number.
        second: u32,
    },
}

impl CardLayout {
    /// Checks ranges: sizes 5 to 1000 mm, circles 2 to 60 mm in diameter, marks 0.5 to 30 mm, everything on the card,
    /// numbers unique, circles apart, scale 1 to 400 px/mm.
    ///
    /// # Errors
    /// Names the first field that is wrong.
    pub fn check(&self) -> Result<(), LayoutError> {
        let number = |field: String, found: f64, low: f64, high: f64, expected| {
            if found.is_finite() && found >= low && found <= high {
                Ok(())
            } else {
                Err(LayoutError::Number {
                    field,
                    found,
                    expected,
                })
            }
        };
        number("width_mm".into(), self.width_mm, 5.0, 1000.0, "5 to 1000 mm")?;
        number("height_mm".into(), self.height_mm, 5.0, 1000.0, "5 to 1000 mm")?;
        if let Some(scale) = self.pixels_per_mm {
            number("pixels_per_mm".into(), scale, 1.0, 400.0, "1 to 400 px/mm")?;
        }
        for (index, circle) in self.circles.iter().enumerate() {
            let field = format!("circle[{index}]");
            number(
                format!("{field}.diameter_mm"),
                circle.diameter_mm,
                2.0,
                60.0,
                "2 to 60 mm",
            )?;
            let radius = circle.diameter_mm / 2.0;
            self.on_card(&field, circle.centre_mm, [radius, radius])?;
            if circle.number == 0 || self.circles[..index].iter().any(|c| c.number == circle.number) {
                return Err(LayoutError::CircleNumber {
                    number: circle.number,
                });
            }
            for other in &self.circles[..index] {
                let dx = circle.centre_mm[0] - other.centre_mm[0];
                let dy = circle.centre_mm[1] - other.centre_mm[1];
                let apart = (circle.diameter_mm + other.diameter_mm) / 2.0;
                if dx * dx + dy * dy < apart * apart {
                    return Err(LayoutError::CirclesOverlap {
                        first: other.number.min(circle.number),
                        second: other.number.max(circle.number),
                    });
                }
            }
        }
        for (index, mark) in self.fiducials.iter().enumerate() {
            let field = format!("fiducial[{index}]");
            number(
                format!("{field}.size_mm"),
                mark.size_mm,
                0.5,
                30.0,
                "0.5 to 30 mm",
            )?;
            let half = mark.size_mm / 2.0;
            self.on_card(&field, mark.centre_mm, [half, half])?;
        }
        let regions = |name: &'static str, all: &[Region]| {
            all.iter()
                .enumerate()
                .map(|(index, region)| (format!("{name}[{index}]"), *region))
                .collect::<Vec<_>>()
        };
        for (field, region) in regions("barcode", &self.barcodes)
            .into_iter()
            .chain(regions("label", &self.labels))
        {
            number(
                format!("{field}.width_mm"),
                region.width_mm,
                0.5,
                1000.0,
                "0.5 to 1000 mm",
            )?;
            number(
                format!("{field}.height_mm"),
                region.height_mm,
                0.5,
                1000.0,
                "0.5 to 1000 mm",
            )?;
            let half = [region.width_mm / 2.0, region.height_mm / 2.0];
            self.on_card(&field, [region.left_mm + half[0], region.top_mm + half[1]], half)?;
        }
        Ok(())
    }

    fn on_card(&self, field: &str, centre: [f64; 2], half: [f64; 2]) -> Result<(), LayoutError> {
        let within = |c: f64, h: f64, size: f64| c.is_finite() && c - h >= 0.0 && c + h <= size;
        if within(centre[0], half[0], self.width_mm) && within(centre[1], half[1], self.height_mm) {
            Ok(())
        } else {
            Err(LayoutError::OffTheCard {
                field: field.to_owned(),
                width_mm: self.width_mm,
                height_mm: self.height_mm,
            })
        }
    }
}

/// The designs that come with the program: name and text of the layout file.
pub const BUILT_IN_LAYOUTS: [(&str, &str); 3] = [
    ("selkie-five", include_str!("layouts/selkie-five.toml")),
    ("selkie-four", include_str!("layouts/selkie-four.toml")),
    ("selkie-neonate", include_str!("layouts/selkie-neonate.toml")),
];

#[cfg(test)]
mod tests {
    use super::*;

    fn built_in(index: usize) -> CardLayout {
        toml::from_str(BUILT_IN_LAYOUTS[index].1).unwrap()
    }

    #[test]
    fn built_in_layouts_are_sound_and_named_after_their_files() {
        for (index, (name, _)) in BUILT_IN_LAYOUTS.iter().enumerate() {
            let layout = built_in(index);
            layout.check().unwrap();
            assert_eq!(layout.id, *name);
        }
    }

    #[test]
    fn what_is_printed_off_the_card_or_over_another_circle_is_refused() {
        let mut layout = built_in(0);
        layout.circles[0].centre_mm = [1.0, 1.0];
        assert!(matches!(layout.check(), Err(LayoutError::OffTheCard { .. })));
        layout.circles[0].centre_mm = layout.circles[1].centre_mm;
        assert!(matches!(
            layout.check(),
            Err(LayoutError::CirclesOverlap { first: 1, second: 2 })
        ));
    }
}
