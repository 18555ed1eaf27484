//! One chromatogram as a small drawing whose path serves the thumbnail and the full-size view alike.
//!
//! The path is written in whole numbers relative to the point before: four units across from point to point, 400
//! from the foot of the window to its top. Together with the numbers in `data-v` the page's script draws axes,
//! limits, baseline and expected retention from it.

use crate::number::{Decimals, Significant, push_data, push_integer, push_significant};
use crate::words;
use maud::Render;
use spotwright_domain::peak::{Integration, Peak, PeakOutcome};
use spotwright_domain::record::TransitionRecord;
use std::borrow::Cow;

/// Height of the drawing in its own units.
const TOP: f32 = 400.0;
/// Units across from one point to the next.
const STEP: usize = 4;
/// Points above which neighbours are drawn as their lowest and highest: finer than a screen at full size.
const MOST_POINTS: usize = 600;

/// Appends the thumbnail of one transition: a link to itself (`id`), which the page's script opens full size.
pub(crate) fn push_thumbnail(
    out: &mut String,
    order: u32,
    place: usize,
    of: &TransitionRecord,
    points: &[[f32; 2]],
) {
    let points = drawable(points);
    let window = Window::around(&points);

    out.push_str("<a class=\"t\" id=\"");
    push_id(out, order, place);
    out.push_str("\" href=\"#");
    push_id(out, order, place);
    out.push_str("\" data-t=\"");
    push_integer(out, place as i64);
    out.push_str("\" data-v=\"");
    push_values(out, window.as_ref(), of);
    let remarks = remarks(&of.peak);
    if !remarks.is_empty() {
        out.push_str("\" data-f=\"");
        remarks.render_to(out);
    }
    out.push_str("\">");
    match &window {
        Some(window) => push_drawing(out, window, of, &points),
        None => out.push_str("<i class=\"none\">no points recorded</i>"),
    }
    out.push_str("<b>");
    of.name.render_to(out);
    out.push_str("</b> ");
    push_caption(out, &of.peak);
    out.push_str("</a>");
}

fn push_id(out: &mut String, order: u32, place: usize) {
    out.push('c');
    push_integer(out, i64::from(order));
    out.push('-');
    push_integer(out, place as i64);
}

fn push_caption(out: &mut String, peak: &PeakOutcome) {
    match peak {
        PeakOutcome::Found(peak) => {
            Decimals(peak.retention_time_min, 2).render_to(out);
            out.push_str(" min · S/N ");
            push_significant(out, peak.signal_to_noise, 2);
            if !peak.flags.is_empty() {
                out.push_str(" · <em>");
                for (nth, flag) in peak.flags.iter().enumerate() {
                    if nth > 0 {
                        out.push_str(", ");
                    }
                    out.push_str(words::peak_flag(*flag));
                }
                out.push_str("</em>");
            }
        }
        PeakOutcome::NotFound(none) => {
            out.push_str("<em class=\"no\">no peak: ");
            out.push_str(words::no_peak(none.reason));
            out.push_str("</em>");
        }
    }
}

/// What must be said of a peak beside its numbers.
fn remarks(peak: &PeakOutcome) -> String {
    let mut said: Vec<String> = Vec::new();
    match peak {
        PeakOutcome::Found(peak) => {
            match &peak.integration {
                Integration::Sum => {}
                Integration::Deconvolution { peaks } => {
                    said.push(format!("separated from its neighbours by a fit of {peaks} peaks"))
                }
                Integration::Manual {
                    reason,
                    person,
                    automatic_area_counts_s,
                } => {
                    let automatic = automatic_area_counts_s.map_or_else(
                        || "no automatic peak".to_owned(),
                        |area| {
                            format!(
                                "automatic area {} counts·s",
                                Significant(area, 4).render().into_string()
                            )
                        },
                    );
                    said.push(format!("limits set by hand by {person}: {reason} ({automatic})"));
                }
            }
            said.extend(peak.flags.iter().map(|flag| words::peak_flag(*flag).to_owned()));
        }
        PeakOutcome::NotFound(none) => {
            said.push(format!("no peak: {}", words::no_peak(none.reason)));
            if let Some(nearest) = none.nearest_peak_min {
                said.push(format!(
                    "nearest peak at {} min",
                    Decimals(nearest, 3).render().into_string()
                ));
            }
        }
    }
    said.join("; ")
}

/// The numbers a full-size view needs, in the order the page's script reads them; `-` where there is none.
fn push_values(out: &mut String, window: Option<&Window>, of: &TransitionRecord) {
    let none = f64::NAN;
    let window = window.map_or([none; 5], |w| {
        [w.first_min, w.last_min, w.low, w.high, w.width as f32].map(f64::from)
    });
    let (area, uncertainty) = match &of.peak {
        PeakOutcome::Found(peak) => (peak.area_counts_s, peak.area_standard_uncertainty_counts_s),
        PeakOutcome::NotFound(none_found) => (
            none_found.residual_area_counts_s.unwrap_or(none),
            none_found.residual_standard_uncertainty_counts_s.unwrap_or(none),
        ),
    };
    let found = of.peak.found();
    let of_peak = |value: fn(&Peak) -> f64| found.map_or(none, value);
    let values = [
        of.expected_retention_min,
        area,
        uncertainty,
        of_peak(|p| p.retention_time_min),
        of_peak(|p| p.start_min),
        of_peak(|p| p.end_min),
        of_peak(|p| p.baseline_start_counts),
        of_peak(|p| p.baseline_end_counts),
        of_peak(|p| p.height_counts),
        of_peak(|p| p.signal_to_noise),
        of_peak(|p| p.width_half_height_s),
        of_peak(|p| p.tailing_factor.unwrap_or(f64::NAN)),
        of_peak(|p| p.points_across_peak as f64),
        of.ion_ratio.unwrap_or(none),
    ];
    for (nth, value) in window.into_iter().chain(values).enumerate() {
        if nth > 0 {
            out.push(' ');
        }
        push_data(out, value);
    }
}

fn push_drawing(out: &mut String, window: &Window, of: &TransitionRecord, points: &[[f32; 2]]) {
    out.push_str("<svg viewBox=\"0 0 ");
    push_integer(out, window.width as i64);
    out.push_str(" 400\" preserveAspectRatio=\"none\" aria-hidden=\"true\">");
    if let Some(peak) = of.peak.found() {
        let (start, end) = (
            window.across(peak.start_min as f32),
            window.across(peak.end_min as f32),
        );
        out.push_str("<path class=\"l\" d=\"M");
        push_integer(out, i64::from(start));
        out.push_str(" 0H");
        push_integer(out, i64::from(end));
        out.push_str("V400H");
        push_integer(out, i64::from(start));
        out.push_str("z\"/><path class=\"b\" d=\"M");
        push_pair(out, start, window.up(peak.baseline_start_counts as f32));
        out.push('L');
        push_pair(out, end, window.up(peak.baseline_end_counts as f32));
        out.push_str("\"/>");
    }
    out.push_str("<path class=\"e\" d=\"M");
    push_integer(out, i64::from(window.across(of.expected_retention_min as f32)));
    out.push_str(" 0v400\"/><path class=\"p\" d=\"m");
    let mut before = (0, 0);
    let mut path = PathText::default();
    for [time, counts] in points.iter() {
        let here = (window.across(*time), window.up(*counts));
        path.push(here.0 - before.0);
        path.push(here.1 - before.1);
        path.flush_when_full(out);
        before = here;
    }
    path.flush(out);
    out.push_str("\"/></svg>");
}

/// Whole numbers of a path on their way into text. Nearly all bytes of a page pass through here, so numbers come from a table
/// and are copied four bytes at a time, whether they need them or not.
struct PathText {
    bytes: [u8; 256],
    len: usize,
}

impl Default for PathText {
    fn default() -> Self {
        Self {
            bytes: [0; 256],
            len: 0,
        }
    }
}

/// Largest number, of either sign, whose text stands in the table: as far as a drawing reaches up.
const LARGEST_STEP: i32 = TOP as i32;

/// Text of each number from −[`LARGEST_STEP`], a space before those that have no sign, and its length.
static STEPS: [([u8; 4], u8); 2 * LARGEST_STEP as usize + 1] = {
    let mut steps = [([0; 4], 0); 2 * LARGEST_STEP as usize + 1];
    let mut at = 0;
    while at < steps.len() {
        let value = at as i32 - LARGEST_STEP;
        let size = value.unsigned_abs();
        let [hundreds, tens, ones] = [size / 100, size / 10 % 10, size % 10];
        let digits = [b'0' + hundreds as u8, b'0' + tens as u8, b'0' + ones as u8];
        let first = if hundreds > 0 {
            0
        } else if tens > 0 {
            1
        } else {
            2
        };
        let mut text = [0; 4];
        text[0] = if value < 0 { b'-' } else { b' ' };
        let mut nth = first;
        while nth < 3 {
            text[1 + nth - first] = digits[nth];
            nth += 1;
        }
        steps[at] = (text, 4 - first as u8);
        at += 1;
    }
    steps
};

impl PathText {
    /// Longest number: a separator, a sign and the ten digits of a 32-bit number.
    const LONGEST: usize = 12;

    /// A number, parted from the one before it by its sign or a space.
    fn push(&mut self, value: i32) {
        let step = usize::try_from(value + LARGEST_STEP)
            .ok()
            .and_then(|at| STEPS.get(at));
        if let (Some((text, len)), Some(to)) = (step, self.bytes[self.len..].first_chunk_mut::<4>()) {
            *to = *text;
            self.len += usize::from(*len);
            return;
        }
        if value >= 0 {
            self.byte(b' ');
        }
        for byte in itoa::Buffer::new().format(value).bytes() {
            self.byte(byte);
        }
    }

    fn byte(&mut self, byte: u8) {
        self.bytes[self.len] = byte;
        self.len += 1;
    }

    fn flush_when_full(&mut self, out: &mut String) {
        if self.len + 2 * Self::LONGEST > self.bytes.len() {
            self.flush(out);
        }
    }

    fn flush(&mut self, out: &mut String) {
        // Digits, spaces and signs only: always text.
        out.extend(str::from_utf8(&self.bytes[..self.len]));
        self.len = 0;
    }
}

/// The finite points, thinned when there are more than a screen can show.
fn drawable(points: &[[f32; 2]]) -> Cow<'_, [[f32; 2]]> {
    let finite = |p: &[f32; 2]| p[0].is_finite() && p[1].is_finite();
    let points = if points.iter().all(finite) {
        Cow::Borrowed(points)
    } else {
        Cow::Owned(points.iter().copied().filter(finite).collect())
    };
    if points.len() > MOST_POINTS {
        Cow::Owned(lowest_and_highest(&points))
    } else {
        points
    }
}

fn push_pair(out: &mut String, x: i32, y: i32) {
    push_integer(out, i64::from(x));
    if y >= 0 {
        out.push(' ');
    }
    push_integer(out, i64::from(y));
}

/// The window a chromatogram is drawn in.
struct Window {
    first_min: f32,
    last_min: f32,
    low: f32,
    high: f32,
    width: usize,
    across_per_min: f32,
    up_per_count: f32,
}

impl Window {
    /// `None` without points.
    fn around(points: &[[f32; 2]]) -> Option<Self> {
        let [first, ..] = points else { return None };
        let (mut first_min, mut last_min, mut low, mut high) = (first[0], first[0], 0.0_f32, 0.0_f32);
        for [time, counts] in points {
            first_min = first_min.min(*time);
            last_min = last_min.max(*time);
            low = low.min(*counts);
            high = high.max(*counts);
        }
        let last_min = if last_min > first_min {
            last_min
        } else {
            first_min + 0.01
        };
        let high = if high > low {
            low + (high - low) * 1.04
        } else {
            low + 1.0
        };
        let width = STEP * points.len().saturating_sub(1).max(1);
        Some(Self {
            first_min,
            last_min,
            low,
            high,
            width,
            across_per_min: width as f32 / (last_min - first_min),
            up_per_count: TOP / (high - low),
        })
    }

    /// Place across, kept inside the drawing.
    fn across(&self, time_min: f32) -> i32 {
        let place = (time_min - self.first_min) * self.across_per_min;
        // Not below zero, so adding a half and cutting off rounds; cheaper than a call for each of a million points.
        (place.clamp(0.0, self.width as f32) + 0.5) as i32
    }

    /// Place from the top, kept inside the drawing.
    fn up(&self, counts: f32) -> i32 {
        (((self.high - counts) * self.up_per_count).clamp(0.0, TOP) + 0.5) as i32
    }
}

/// Lowest and highest point of each of [`MOST_POINTS`]/2 stretches, in order of time: no peak or spike is lost.
fn lowest_and_highest(points: &[[f32; 2]]) -> Vec<[f32; 2]> {
    let stretch = points.len().div_ceil(MOST_POINTS / 2);
    points
        .chunks(stretch)
        .flat_map(|chunk| {
            let by_counts = |a: &&[f32; 2], b: &&[f32; 2]| a[1].total_cmp(&b[1]);
            let low = chunk.iter().min_by(by_counts).copied();
            let high = chunk.iter().max_by(by_counts).copied();
            let mut pair: Vec<[f32; 2]> = low.into_iter().chain(high).collect();
            pair.sort_by(|a, b| a[0].total_cmp(&b[0]));
            pair
        })
        .collect()
}
