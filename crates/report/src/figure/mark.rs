//! Marks: one shape a meaning, so that colour is never the only signal.

use crate::number::push_coordinate;

/// The shape of a mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// Circle.
    Circle,
    /// Square.
    Square,
    /// Diamond.
    Diamond,
    /// Triangle, point up.
    Triangle,
    /// Triangle, point down.
    TriangleDown,
    /// Two crossing strokes.
    Cross,
    /// A short upright stroke.
    Tick,
}

impl Shape {
    /// Shapes for the levels of a control chart, lowest level first; used again from the start when they run out.
    pub const LEVELS: [Self; 5] = [
        Self::Circle,
        Self::Square,
        Self::Diamond,
        Self::Triangle,
        Self::TriangleDown,
    ];

    /// Whether the shape is drawn by its outline alone.
    #[must_use]
    pub fn is_stroke(self) -> bool {
        matches!(self, Self::Cross | Self::Tick)
    }

    /// Appends the path of a mark of half width `r` around a point.
    pub(crate) fn push_path(self, out: &mut String, x: f64, y: f64, r: f64) {
        match self {
            Self::Circle => {
                push_move(out, x - r, y);
                for sign in [1.0, -1.0] {
                    out.push('a');
                    push_coordinate(out, r);
                    out.push(' ');
                    push_coordinate(out, r);
                    out.push_str(" 0 1 0 ");
                    push_coordinate(out, 2.0 * r * sign);
                    out.push_str(" 0");
                }
                out.push('z');
            }
            Self::Square => {
                let r = r * 0.9;
                push_polygon(
                    out,
                    &[(x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r)],
                );
            }
            Self::Diamond => {
                let r = r * 1.25;
                push_polygon(out, &[(x, y - r), (x + r, y), (x, y + r), (x - r, y)]);
            }
            Self::Triangle => push_polygon(
                out,
                &[
                    (x, y - 1.2 * r),
                    (x + 1.1 * r, y + 0.8 * r),
                    (x - 1.1 * r, y + 0.8 * r),
                ],
            ),
            Self::TriangleDown => push_polygon(
                out,
                &[
                    (x, y + 1.2 * r),
                    (x + 1.1 * r, y - 0.8 * r),
                    (x - 1.1 * r, y - 0.8 * r),
                ],
            ),
            Self::Cross => {
                push_line(out, (x - r, y - r), (x + r, y + r));
                push_line(out, (x - r, y + r), (x + r, y - r));
            }
            Self::Tick => push_line(out, (x, y - r), (x, y + r)),
        }
    }
}

pub(crate) fn push_move(out: &mut String, x: f64, y: f64) {
    out.push('M');
    push_coordinate(out, x);
    out.push(' ');
    push_coordinate(out, y);
}

pub(crate) fn push_line(out: &mut String, from: (f64, f64), to: (f64, f64)) {
    push_move(out, from.0, from.1);
    push_line_to(out, to);
}

pub(crate) fn push_line_to(out: &mut String, to: (f64, f64)) {
    out.push('L');
    push_coordinate(out, to.0);
    out.push(' ');
    push_coordinate(out, to.1);
}

fn push_polygon(out: &mut String, corners: &[(f64, f64)]) {
    for (place, corner) in corners.iter().enumerate() {
        if place == 0 {
            push_move(out, corner.0, corner.1);
        } else {
            push_line_to(out, *corner);
        }
    }
    out.push('z');
}
