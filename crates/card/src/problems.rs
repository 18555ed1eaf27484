//! What is wrong with a photograph, named, with what was measured, what is allowed and what to do.

use crate::light::Surface;
use crate::patch::{Patch, flag};
use crate::photo::{Photo, PhotoFacts};
use crate::plane::{Fate, Homography, Located};
use spotwright_domain::card::{CardLayout, PhotoLimits, PhotoProblem, PhotoProblemCode, PrintedCircle};
use spotwright_domain::reason::Severity;

/// A window as it is judged.
pub(crate) struct Judged<'a> {
    pub(crate) circle: Option<&'a PrintedCircle>,
    pub(crate) patch: &'a Patch,
    pub(crate) surface: &'a Surface,
    pub(crate) has_own_paper: bool,
}

fn problem(code: PhotoProblemCode, severity: Severity, rule: &str, text: impl Into<String>) -> PhotoProblem {
    PhotoProblem {
        code,
        severity,
        rule: rule.to_owned(),
        measured: None,
        limit: None,
        unit: "1".to_owned(),
        circle: None,
        text: text.into(),
    }
}

trait With {
    fn with(self, measured: f64, limit: f64, unit: &str) -> Self;
}

impl With for PhotoProblem {
    fn with(mut self, measured: f64, limit: f64, unit: &str) -> Self {
        self.measured = measured.is_finite().then_some(measured);
        self.limit = Some(limit);
        unit.clone_into(&mut self.unit);
        self
    }
}

/// Notes on the file.
pub(crate) fn of_file(facts: &PhotoFacts) -> Vec<PhotoProblem> {
    let mut problems = Vec::new();
    if facts.has_colour_profile {
        problems.push(problem(
            PhotoProblemCode::ColourProfileIgnored,
            Severity::Note,
            "EV 2.4",
            "The file carries a colour profile; colours were read as sRGB. Have the camera save sRGB.",
        ));
    }
    if facts.has_more_frames {
        problems.push(problem(
            PhotoProblemCode::FirstFrameOnly,
            Severity::Comment,
            "PR-10",
            "The file holds several pictures; only the first was looked at. Save one picture a file.",
        ));
    }
    if facts.has_transparency {
        problems.push(problem(
            PhotoProblemCode::Transparent,
            Severity::Comment,
            "PR-10",
            "Parts of the picture are transparent; they were laid on white. Use the camera's own file.",
        ));
    }
    problems
}

pub(crate) fn no_card() -> PhotoProblem {
    problem(
        PhotoProblemCode::NoCard,
        Severity::Reject,
        "PR-10",
        "No card of a known layout was found. Photograph one whole card on a plain, matt background, or give the \
         card's layout file.",
    )
}

pub(crate) fn code_not_read() -> PhotoProblem {
    problem(
        PhotoProblemCode::CodeNotRead,
        Severity::Comment,
        "PR-10",
        "The card has a place for a code and none could be read. Compare the card with the request by eye.",
    )
}

/// Whether what was measured on the card lies where it is said to lie.
pub(crate) fn is_place_trusted(problems: &[PhotoProblem]) -> bool {
    !problems.iter().any(|p| {
        p.severity == Severity::Reject
            && matches!(
                p.code,
                PhotoProblemCode::PositionNotConfirmed
                    | PhotoProblemCode::PositionUncertain
                    | PhotoProblemCode::AmbiguousLayout
                    | PhotoProblemCode::AmbiguousOrientation
                    | PhotoProblemCode::NoCard
            )
    })
}

/// Middle of the spots.
pub(crate) fn middle(layout: &CardLayout) -> [f64; 2] {
    if layout.circles.is_empty() {
        return [layout.width_mm / 2.0, layout.height_mm / 2.0];
    }
    let n = layout.circles.len() as f64;
    [0, 1].map(|axis| layout.circles.iter().map(|c| c.centre_mm[axis]).sum::<f64>() / n)
}

/// Original pixels a millimetre, mean of both directions.
pub(crate) fn scale_at(photo: &Photo<'_>, map: &Homography, place: [f64; 2]) -> f64 {
    let [large, small] = map.stretch(place);
    (large * small).sqrt() * f64::from(photo.facts.reduction)
}

/// Everything a located card's photograph can be blamed for.
pub(crate) fn of_card(
    photo: &Photo<'_>,
    layout: &CardLayout,
    located: &Located,
    windows: &[Judged<'_>],
    limits: &PhotoLimits,
) -> Vec<PhotoProblem> {
    let mut problems = of_place(layout, located, limits);
    of_geometry(photo, layout, located, limits, &mut problems);
    if let Some(blur) = located.blur_mm
        && blur > limits.max_blur_mm
    {
        let text = format!(
            "Edges are spread by {blur:.2} mm. Hold the camera still, let it focus on the card, use more light."
        );
        problems.push(
            problem(
                PhotoProblemCode::OutOfFocus,
                Severity::Reject,
                "EV 2.3 focus",
                text,
            )
            .with(blur, limits.max_blur_mm, "mm"),
        );
    }
    for window in windows {
        of_light(window, limits, &mut problems);
    }
    problems
}

fn of_place(layout: &CardLayout, located: &Located, limits: &PhotoLimits) -> Vec<PhotoProblem> {
    let mut problems = Vec::new();
    let is_printed = !layout.circles.is_empty() || !layout.fiducials.is_empty();
    for (code, number) in &located.doubts {
        let (severity, rule, text) = match code {
            PhotoProblemCode::SeveralCards => (
                Severity::Reject,
                "PR-10",
                "More than one card is in the frame. Photograph one card at a time.",
            ),
            PhotoProblemCode::AmbiguousLayout => (
                Severity::Reject,
                "common practice",
                "The print fits more than one layout. Name the layout, or photograph the whole card.",
            ),
            PhotoProblemCode::AmbiguousOrientation if layout.circles.is_empty() => (
                Severity::Comment,
                "common practice",
                "Nothing printed says which way up the card is; it was taken to stand as photographed.",
            ),
            PhotoProblemCode::AmbiguousOrientation => (
                Severity::Reject,
                "common practice",
                "The print looks the same turned, so the spots cannot be numbered. Photograph the whole card with \
                 its edge and its label.",
            ),
            PhotoProblemCode::PositionNotConfirmed if is_printed => (
                Severity::Reject,
                "common practice",
                "An edge of the card's shape was found, but not the card's print: it may be another card or a shadow. \
                 Photograph the card face up in even light, or give its layout file.",
            ),
            PhotoProblemCode::PositionNotConfirmed => (
                Severity::Comment,
                "common practice",
                "Place and scale rest on the card's edge alone; print marks on the card confirm them.",
            ),
            PhotoProblemCode::ScaleStated => (
                Severity::Note,
                "EV 2.4",
                "The scale is the layout's stated one; nothing in the picture confirms it.",
            ),
            _ => continue,
        };
        let mut found = problem(*code, severity, rule, text);
        if let Some(number) = number {
            found.measured = Some(*number);
        }
        problems.push(found);
    }
    if let Some(residual) = located.residual_mm
        && residual > limits.max_residual_mm
    {
        let text = format!(
            "The print lies {residual:.2} mm (root mean square) off the layout. Lay the card flat, photograph it from \
             further away, check the layout file."
        );
        problems.push(
            problem(
                PhotoProblemCode::PositionUncertain,
                Severity::Reject,
                "common practice",
                text,
            )
            .with(residual, limits.max_residual_mm, "mm"),
        );
    } else if is_printed && located.position_u_mm > limits.max_position_u_mm {
        let u = located.position_u_mm.min(99.0);
        let text = format!(
            "Places on the card are known to {u:.2} mm only. Show the whole card with its printed circles."
        );
        problems.push(
            problem(
                PhotoProblemCode::PositionUncertain,
                Severity::Reject,
                "common practice",
                text,
            )
            .with(u, limits.max_position_u_mm, "mm"),
        );
    }
    let worst = located
        .sides
        .iter()
        .flatten()
        .copied()
        .fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a });
    if is_printed && worst.abs() > 1.2 {
        let text = format!(
            "An edge lies {:.1} mm from where the print puts the card's edge: a shadow, or a card cut otherwise. The \
             print was followed.",
            worst.abs()
        );
        problems.push(
            problem(
                PhotoProblemCode::EdgeContradictsPrint,
                Severity::Note,
                "common practice",
                text,
            )
            .with(worst.abs(), 1.2, "mm"),
        );
    }
    problems
}

fn of_geometry(
    photo: &Photo<'_>,
    layout: &CardLayout,
    located: &Located,
    limits: &PhotoLimits,
    problems: &mut Vec<PhotoProblem>,
) {
    let shown: Vec<&PrintedCircle> = layout
        .circles
        .iter()
        .zip(&located.circles)
        .filter(|(_, fate)| **fate != Fate::Outside)
        .map(|(circle, _)| circle)
        .collect();
    for (circle, fate) in layout.circles.iter().zip(&located.circles) {
        if *fate == Fate::Outside {
            let text = format!(
                "Circle {} is beyond the frame. Photograph the whole card.",
                circle.number
            );
            let mut cut = problem(PhotoProblemCode::CardCutOff, Severity::Comment, "PR-10", text);
            cut.circle = Some(circle.number);
            problems.push(cut);
        }
    }
    let places: Vec<[f64; 2]> = if shown.is_empty() {
        vec![middle(layout)]
    } else {
        shown.iter().map(|c| c.centre_mm).collect()
    };
    let scale = places
        .iter()
        .map(|&place| located.map.stretch(place)[1] * f64::from(photo.facts.reduction))
        .fold(f64::MAX, f64::min);
    if scale < limits.comment_below_px_per_mm {
        let refused = scale < limits.min_px_per_mm;
        let limit = if refused {
            limits.min_px_per_mm
        } else {
            limits.comment_below_px_per_mm
        };
        let severity = if refused {
            Severity::Reject
        } else {
            Severity::Comment
        };
        let text =
            format!("The spots are shown at {scale:.1} px/mm. Go nearer, or use a finer camera setting.");
        problems
            .push(problem(PhotoProblemCode::TooSmall, severity, "PR-10", text).with(scale, limit, "px/mm"));
    }
    let [large, small] = located.map.stretch(middle(layout));
    let tilt = libm::acos((small / large.max(1e-9)).clamp(0.0, 1.0)).to_degrees();
    if tilt > limits.max_tilt_deg {
        let text = format!(
            "The card is seen {tilt:.0} degrees from straight above. Hold the camera above the card."
        );
        problems.push(
            problem(PhotoProblemCode::TiltTooSteep, Severity::Reject, "EV 2.4", text).with(
                tilt,
                limits.max_tilt_deg,
                "deg",
            ),
        );
    }
}

fn of_light(window: &Judged<'_>, limits: &PhotoLimits, problems: &mut Vec<PhotoProblem>) {
    let number = window.circle.map(|c| c.number);
    let whose = number.map_or_else(|| "the spots".to_owned(), |n| format!("circle {n}"));
    let mut push = |mut found: PhotoProblem| {
        found.circle = number;
        problems.push(found);
    };
    if !window.has_own_paper {
        push(problem(
            PhotoProblemCode::NoBlankPaper,
            Severity::Comment,
            "EV 2.4",
            format!("No blank paper lies around {whose}; the light was judged by the rest of the card."),
        ));
    }
    let corners =
        [[-0.9, -0.9], [0.9, -0.9], [0.9, 0.9], [-0.9, 0.9], [0.0, 0.0]].map(|p| window.surface.at(p));
    let greens = corners.map(|c| f64::from(c[1]));
    let (low, high) = greens
        .iter()
        .fold((f64::MAX, 0.0f64), |(l, h), v| (l.min(*v), h.max(*v)));
    let level = greens[4] * 100.0;
    if level < limits.min_paper_level_pct {
        push(
            problem(
                PhotoProblemCode::TooDark,
                Severity::Reject,
                "EV 2.4",
                format!("Blank paper around {whose} reaches {level:.1} % of full scale. Use more light or a longer exposure."),
            )
            .with(level, limits.min_paper_level_pct, "%"),
        );
    }
    let change = (high - low) / greens[4].max(1e-6) * 100.0;
    if window.circle.is_some() && change > limits.max_light_change_pct {
        push(
            problem(
                PhotoProblemCode::UnevenLight,
                Severity::Comment,
                "PR-10",
                format!("Light changes by {change:.0} % across {whose}. Light the card evenly, keep shadows off it."),
            )
            .with(change, limits.max_light_change_pct, "%"),
        );
    }
    let shares = burnt(window);
    if shares.paper_pct > limits.max_paper_burnt_out_pct {
        push(
            problem(
                PhotoProblemCode::Clipped,
                Severity::Reject,
                "EV 2.3 clip",
                format!(
                    "{:.0} % of the paper around {whose} is burnt out. Expose less.",
                    shares.paper_pct
                ),
            )
            .with(shares.paper_pct, limits.max_paper_burnt_out_pct, "%"),
        );
    } else if shares.inside_pct > limits.max_glare_pct {
        push(
            problem(
                PhotoProblemCode::Glare,
                Severity::Reject,
                "PR-10",
                format!(
                    "Glare covers {:.1} % of {whose}. Turn off the flash, move the light to the side.",
                    shares.inside_pct
                ),
            )
            .with(shares.inside_pct, limits.max_glare_pct, "%"),
        );
    }
}

struct Burnt {
    paper_pct: f64,
    inside_pct: f64,
}

/// Shares of burnt-out paper beside the circle, and of glare within it.
fn burnt(window: &Judged<'_>) -> Burnt {
    let patch = window.patch;
    let (mut paper, mut paper_burnt, mut inside, mut glare) = (0usize, 0usize, 0usize, 0usize);
    for row in (0..patch.height).step_by(2) {
        for column in (0..patch.width).step_by(2) {
            let at = row * patch.width + column;
            let flags = patch.flags[at];
            if flags & (flag::OUTSIDE | flag::OFF_CARD | flag::PRINT) != 0 {
                continue;
            }
            let light = patch.reflectance[at];
            let is_burnt = flags & flag::BURNT_OUT != 0;
            let is_inside = window.circle.is_none_or(|c| {
                let [x, y] = patch.to_mm(column as f64, row as f64);
                let (dx, dy) = (x - c.centre_mm[0], y - c.centre_mm[1]);
                dx * dx + dy * dy < c.diameter_mm * c.diameter_mm / 4.0
            });
            if is_inside {
                inside += 1;
                // Brighter than paper by far in every channel: mirrored light.
                glare += usize::from(is_burnt || light.iter().all(|v| *v > 1.25));
            }
            if (!is_inside || window.circle.is_none()) && light[1] > 0.8 {
                paper += 1;
                paper_burnt += usize::from(is_burnt);
            }
        }
    }
    let share = |part: usize, whole: usize| {
        if whole == 0 {
            0.0
        } else {
            100.0 * part as f64 / whole as f64
        }
    };
    let paper_pct = share(paper_burnt, paper);
    Burnt {
        paper_pct,
        // Paper inside the circle that is burnt out as all paper is counts as exposure, not as glare.
        inside_pct: (share(glare, inside) - paper_pct).max(0.0),
    }
}
