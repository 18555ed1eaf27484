//! Figures as SVG: the same drawing serves the page and, standing alone, any other document. Every mark carries
//! plain presentation attributes; a page's style sheet may recolour the classes.

mod axis;
mod calibration;
mod control;
mod exposure;
mod internal_standard;
mod mark;
mod panel;
mod predictive_check;

pub use axis::{Scale, linear_ticks, logarithmic_ticks};
pub use calibration::calibration;
pub use control::control;
pub use exposure::exposure;
pub use internal_standard::internal_standard;
pub use mark::Shape;
pub use predictive_check::predictive_check;

/// A finished drawing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Figure {
    /// Width (CSS px at full size).
    pub width: u32,
    /// Height (CSS px at full size).
    pub height: u32,
    /// One sentence that says what the drawing shows, for those who cannot see it.
    pub description: String,
    body: String,
}

impl Figure {
    /// The drawing for use inside an HTML page.
    #[must_use]
    pub fn inline(&self) -> String {
        self.write("")
    }

    /// The drawing as an SVG file of its own.
    #[must_use]
    pub fn standalone(&self) -> String {
        self.write(" xmlns=\"http://www.w3.org/2000/svg\"")
    }

    fn write(&self, namespace: &str) -> String {
        let mut description = String::new();
        maud::Render::render_to(&self.description, &mut description);
        format!(
            "<svg{namespace} class=\"plot\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" height=\"{h}\" role=\"img\" \
             aria-label=\"{description}\" font-family=\"system-ui, sans-serif\" font-size=\"12\" fill=\"#39434a\">{body}</svg>",
            w = self.width,
            h = self.height,
            body = self.body,
        )
    }
}
