//! Judged runs to documents: self-contained HTML and SVG figures.
