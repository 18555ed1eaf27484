//! One pair of axes and what stands in it.

use super::axis::Scale;
use super::mark::{Shape, push_line, push_line_to, push_move};
use crate::number::{Plain, push_coordinate};
use maud::Render;

const AXIS: &str = "#8a949a";
const BAND: &str = "#e9eef0";
/// What is likely.
const SHADE: &str = "#c3dae2";
const LIMIT: &str = "#8a5a00";

/// How a mark or line is painted: its class in a page's style sheet, and its colour without one.
#[derive(Clone, Copy)]
pub(super) struct Paint {
    pub(super) class: &'static str,
    pub(super) colour: &'static str,
}

/// The main series.
pub(super) const INK: Paint = Paint {
    class: "s1",
    colour: "#1f5a70",
};
/// What is out of bounds or left out.
pub(super) const BAD: Paint = Paint {
    class: "s2",
    colour: "#a3262e",
};
/// What is there for comparison.
pub(super) const QUIET: Paint = Paint {
    class: "s3",
    colour: "#6b7780",
};

/// A pair of axes within a drawing.
pub(super) struct Panel<'a> {
    pub(super) out: &'a mut String,
    pub(super) x: Scale,
    pub(super) y: Scale,
}

impl Panel<'_> {
    fn left(&self) -> f64 {
        self.x.drawing()[0]
    }

    fn right(&self) -> f64 {
        self.x.drawing()[1]
    }

    fn top(&self) -> f64 {
        self.y.drawing()[1]
    }

    fn bottom(&self) -> f64 {
        self.y.drawing()[0]
    }

    /// Axis lines, ticks and numbers; `x_numbers` is off when another panel below carries them.
    pub(super) fn axes(&mut self, x_ticks: usize, y_ticks: usize, x_numbers: bool) {
        let mut lines = String::new();
        push_line(
            &mut lines,
            (self.left(), self.top()),
            (self.left(), self.bottom()),
        );
        push_line(
            &mut lines,
            (self.left(), self.bottom()),
            (self.right(), self.bottom()),
        );
        for tick in self.x.ticks(x_ticks) {
            let Some(x) = self.x.at(tick) else { continue };
            push_line(&mut lines, (x, self.bottom()), (x, self.bottom() + 4.0));
            if x_numbers {
                self.text(x, self.bottom() + 17.0, "middle", "", &tick_text(tick));
            }
        }
        for tick in self.y.ticks(y_ticks) {
            let Some(y) = self.y.at(tick) else { continue };
            push_line(&mut lines, (self.left() - 4.0, y), (self.left(), y));
            self.text(self.left() - 7.0, y + 4.0, "end", "", &tick_text(tick));
        }
        self.stroke(&lines, "ax", AXIS, 1.0, "");
    }

    /// Title of the horizontal axis.
    pub(super) fn x_title(&mut self, text: &str) {
        self.text(
            (self.left() + self.right()) / 2.0,
            self.bottom() + 35.0,
            "middle",
            "at",
            text,
        );
    }

    /// Title of the vertical axis, along it.
    pub(super) fn y_title(&mut self, text: &str, x: f64) {
        let middle = (self.top() + self.bottom()) / 2.0;
        self.out
            .push_str("<text class=\"at\" text-anchor=\"middle\" transform=\"translate(");
        push_coordinate(self.out, x);
        self.out.push(' ');
        push_coordinate(self.out, middle);
        self.out.push_str(")rotate(-90)\">");
        text.render_to(self.out);
        self.out.push_str("</text>");
    }

    /// A shaded band between two values of the vertical axis, over the whole width.
    pub(super) fn band(&mut self, low: f64, high: f64) {
        self.band_between(low, high, self.left(), self.right());
    }

    /// A shaded band between two places of the drawing's width.
    pub(super) fn band_between(&mut self, low: f64, high: f64, from: f64, to: f64) {
        let [bottom, top] = self.y.data();
        let (Some(y0), Some(y1)) = (self.y.at(low.max(bottom)), self.y.at(high.min(top))) else {
            return;
        };
        self.out.push_str("<path class=\"band\" fill=\"");
        self.out.push_str(BAND);
        self.out.push_str("\" d=\"");
        push_move(self.out, from, y0);
        push_line_to(self.out, (to, y0));
        push_line_to(self.out, (to, y1));
        push_line_to(self.out, (from, y1));
        self.out.push_str("z\"/>");
    }

    /// A level line over the whole width; dashed when it is a limit.
    pub(super) fn level(&mut self, value: f64, limit: bool) {
        let Some(y) = self.y.at(value).filter(|_| self.y.holds(value)) else {
            return;
        };
        let mut line = String::new();
        push_line(&mut line, (self.left(), y), (self.right(), y));
        if limit {
            self.stroke(&line, "lim", LIMIT, 1.2, "5 3");
        } else {
            self.stroke(&line, "ax", AXIS, 1.0, "");
        }
    }

    /// An upright dashed line at a value of the horizontal axis.
    pub(super) fn upright(&mut self, value: f64) {
        let Some(x) = self.x.at(value) else { return };
        let mut line = String::new();
        push_line(&mut line, (x, self.top()), (x, self.bottom()));
        self.stroke(&line, "lim", LIMIT, 1.2, "2 3");
    }

    /// A line through the points that can stand in the panel.
    pub(super) fn curve(&mut self, points: impl Iterator<Item = (f64, f64)>, paint: Paint) {
        self.line_through(points, paint, "");
    }

    /// The same, dashed.
    pub(super) fn dashed_curve(&mut self, points: impl Iterator<Item = (f64, f64)>, paint: Paint) {
        self.line_through(points, paint, "6 4");
    }

    fn line_through(&mut self, points: impl Iterator<Item = (f64, f64)>, paint: Paint, dashes: &str) {
        let mut path = String::new();
        for (x, y) in points {
            if !self.y.holds(y) {
                continue;
            }
            if let (Some(x), Some(y)) = (self.x.at(x), self.y.at(y)) {
                if path.is_empty() {
                    push_move(&mut path, x, y);
                } else {
                    push_line_to(&mut path, (x, y));
                }
            }
        }
        if !path.is_empty() {
            self.stroke(&path, paint.class, paint.colour, 1.6, dashes);
        }
    }

    /// The space between two curves, given as (x, low, high).
    pub(super) fn area(&mut self, points: impl Iterator<Item = (f64, f64, f64)>) {
        let [bottom, top] = self.y.data();
        let mut upper = String::new();
        let mut lower = Vec::new();
        for (x, low, high) in points {
            let (Some(x), Some(low), Some(high)) = (
                self.x.at(x),
                self.y.at(low.clamp(bottom, top)),
                self.y.at(high.clamp(bottom, top)),
            ) else {
                continue;
            };
            if upper.is_empty() {
                push_move(&mut upper, x, high);
            } else {
                push_line_to(&mut upper, (x, high));
            }
            lower.push((x, low));
        }
        for corner in lower.into_iter().rev() {
            push_line_to(&mut upper, corner);
        }
        for part in [
            "<path class=\"shade\" fill=\"",
            SHADE,
            "\" stroke=\"none\" d=\"",
            &upper,
            "z\"/>",
        ] {
            self.out.push_str(part);
        }
    }

    /// An interval as an upright bar with ends, as much of it as stands in the panel.
    pub(super) fn interval(&mut self, x: f64, ends: [f64; 2], paint: Paint) {
        let [bottom, top] = self.y.data();
        let (Some(x), Some(low), Some(high)) = (
            self.x.at(x),
            self.y.at(ends[0].clamp(bottom, top)),
            self.y.at(ends[1].clamp(bottom, top)),
        ) else {
            return;
        };
        let mut path = String::new();
        push_line(&mut path, (x, low), (x, high));
        for end in [low, high] {
            push_line(&mut path, (x - 4.0, end), (x + 4.0, end));
        }
        self.stroke(&path, paint.class, paint.colour, 1.4, "");
    }

    /// Marks of one shape. A value beyond the panel stands at its edge as an arrowhead with its number beside it.
    pub(super) fn marks(
        &mut self,
        points: impl Iterator<Item = (f64, f64)>,
        shape: Shape,
        r: f64,
        paint: Paint,
    ) {
        let mut path = String::new();
        let mut arrows = String::new();
        let mut numbers = Vec::new();
        let [low, high] = self.y.data();
        for (x, y) in points {
            let Some(across) = self.x.at(x) else { continue };
            if y > high {
                Shape::Triangle.push_path(&mut arrows, across, self.top() + r + 1.0, r);
                numbers.push((across, self.top() + r + 5.0, y));
            } else if y < low {
                Shape::TriangleDown.push_path(&mut arrows, across, self.bottom() - r - 2.0, r);
                numbers.push((across, self.bottom() - 2.0, y));
            } else if let Some(up) = self.y.at(y) {
                shape.push_path(&mut path, across, up, r);
            }
        }
        if !path.is_empty() {
            if shape.is_stroke() {
                self.stroke(&path, paint.class, paint.colour, 1.8, "");
            } else {
                self.fill(&path, paint);
            }
        }
        if !arrows.is_empty() {
            self.fill(&arrows, paint);
        }
        let middle = (self.left() + self.right()) / 2.0;
        for (x, y, value) in numbers {
            let (anchor, aside) = if x < middle {
                ("start", r + 4.0)
            } else {
                ("end", -r - 4.0)
            };
            self.text(x + aside, y, anchor, "", &beyond_text(value));
        }
    }

    /// A mark and its meaning at a place of the drawing; returns the place after it.
    pub(super) fn legend(&mut self, x: f64, y: f64, shape: Shape, r: f64, paint: Paint, text: &str) -> f64 {
        let mut path = String::new();
        shape.push_path(&mut path, x + 5.0, y - 4.0, r);
        if shape.is_stroke() {
            self.stroke(&path, paint.class, paint.colour, 1.8, "");
        } else {
            self.fill(&path, paint);
        }
        self.text(x + 14.0, y, "start", "", text);
        // Sans-serif letters at 12 px are 6.4 px wide on average; a legend needs no better.
        x + 14.0 + 6.4 * text.chars().count() as f64 + 14.0
    }

    /// A text at a place of the drawing.
    pub(super) fn text(&mut self, x: f64, y: f64, anchor: &str, class: &str, text: &str) {
        self.out.push_str("<text x=\"");
        push_coordinate(self.out, x);
        self.out.push_str("\" y=\"");
        push_coordinate(self.out, y);
        if anchor != "start" {
            self.out.push_str("\" text-anchor=\"");
            self.out.push_str(anchor);
        }
        if !class.is_empty() {
            self.out.push_str("\" class=\"");
            self.out.push_str(class);
        }
        self.out.push_str("\">");
        text.render_to(self.out);
        self.out.push_str("</text>");
    }

    fn fill(&mut self, path: &str, paint: Paint) {
        for part in [
            "<path class=\"",
            paint.class,
            " m\" fill=\"",
            paint.colour,
            "\" d=\"",
            path,
            "\"/>",
        ] {
            self.out.push_str(part);
        }
    }

    fn stroke(&mut self, path: &str, class: &str, colour: &str, width: f64, dashes: &str) {
        for part in [
            "<path class=\"",
            class,
            "\" fill=\"none\" stroke=\"",
            colour,
            "\" stroke-width=\"",
        ] {
            self.out.push_str(part);
        }
        push_coordinate(self.out, width);
        if !dashes.is_empty() {
            self.out.push_str("\" stroke-dasharray=\"");
            self.out.push_str(dashes);
        }
        for part in ["\" d=\"", path, "\"/>"] {
            self.out.push_str(part);
        }
    }
}

fn tick_text(value: f64) -> String {
    Plain(value).render().into_string()
}

fn beyond_text(value: f64) -> String {
    crate::number::Significant(value, 3).render().into_string()
}
