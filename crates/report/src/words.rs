//! The closed lists of the domain in a laboratory's words, each verdict with a shape beside the word.

use maud::{Markup, Render, html};
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::injection::{Injection, SampleRole};
use spotwright_domain::method::{CurveModel, Weighting};
use spotwright_domain::peak::{NoPeakReason, PeakFlag};
use spotwright_domain::reason::{Reason, Severity};
use spotwright_domain::record::{Acceptance, NextStep, ResultVerdict};

use crate::number::{NARROW_SPACE, Significant};

/// A word, its shape, and the letter that style sheet and filter know it by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Mark {
    pub(crate) letter: &'static str,
    pub(crate) shape: &'static str,
    pub(crate) word: &'static str,
}

impl Render for Mark {
    fn render_to(&self, out: &mut String) {
        for part in [
            "<b class=\"v ",
            self.letter,
            "\">",
            self.shape,
            " ",
            self.word,
            "</b>",
        ] {
            out.push_str(part);
        }
    }
}

const fn mark(letter: &'static str, shape: &'static str, word: &'static str) -> Mark {
    Mark { letter, shape, word }
}

pub(crate) fn acceptance(of: Acceptance) -> Mark {
    match of {
        Acceptance::Accepted => mark("a", "✓", "Accepted"),
        Acceptance::AcceptedWithComment => mark("c", "▲", "Accepted with comment"),
        Acceptance::Rejected => mark("x", "✕", "Rejected"),
    }
}

pub(crate) fn verdict(of: ResultVerdict) -> Mark {
    match of {
        ResultVerdict::Reportable => mark("a", "✓", "Reportable"),
        ResultVerdict::ReportableWithComment => mark("c", "▲", "Reportable with comment"),
        ResultVerdict::NotReportable => mark("x", "✕", "Not reportable"),
        ResultVerdict::NotApplicable => mark("n", "–", "Nothing to report"),
    }
}

pub(crate) fn within(passes: bool) -> Mark {
    if passes {
        mark("a", "✓", "within")
    } else {
        mark("x", "✕", "outside")
    }
}

pub(crate) fn used(used: bool) -> Mark {
    if used {
        mark("a", "✓", "used")
    } else {
        mark("x", "✕", "left out")
    }
}

pub(crate) fn severity(of: Severity) -> Mark {
    match of {
        Severity::Note => mark("n", "·", "note"),
        Severity::Comment => mark("c", "▲", "comment"),
        Severity::Reject => mark("x", "✕", "rejects"),
    }
}

pub(crate) fn next_step(of: NextStep) -> &'static str {
    match of {
        NextStep::Report => "report after review",
        NextStep::Review => "look at the evidence, then decide",
        NextStep::Repeat => "measure again",
        NextStep::Dilute => "measure diluted, by a validated factor",
        NextStep::SecondSpot => "measure another spot of the card",
        NextStep::Refuse => "ask for a new card",
        NextStep::None => "nothing to do",
    }
}

pub(crate) fn role(of: SampleRole) -> &'static str {
    match of {
        SampleRole::Conditioning => "Conditioning",
        SampleRole::SystemSuitability => "System suitability",
        SampleRole::DoubleBlank => "Double blank",
        SampleRole::Zero => "Zero sample",
        SampleRole::Calibrator => "Calibrator",
        SampleRole::CarryOverBlank => "Carry-over blank",
        SampleRole::Control => "Control",
        SampleRole::DilutionControl => "Dilution control",
        SampleRole::Patient => "Patient",
        SampleRole::IncurredRepeat => "Incurred repeat",
    }
}

pub(crate) fn unit(of: ConcentrationUnit) -> &'static str {
    printed_unit(of.ucum()).unwrap_or(of.ucum())
}

/// A UCUM code in print, where print differs.
fn printed_unit(ucum: &str) -> Option<&'static str> {
    match ucum {
        "ug/L" => Some("µg/L"),
        "ug/mL" => Some("µg/mL"),
        "umol/L" => Some("µmol/L"),
        "counts.s" => Some("counts·s"),
        "1" => Some(""),
        _ => None,
    }
}

pub(crate) fn model(of: CurveModel) -> &'static str {
    match of {
        CurveModel::Linear => "straight line with intercept",
        CurveModel::Quadratic => "parabola with intercept",
    }
}

pub(crate) fn weighting(of: Weighting) -> &'static str {
    match of {
        Weighting::None => "none (all alike)",
        Weighting::InverseX => "1/x",
        Weighting::InverseXSquared => "1/x²",
    }
}

pub(crate) fn no_peak(of: NoPeakReason) -> &'static str {
    match of {
        NoPeakReason::NothingAboveNoise => "nothing above the noise",
        NoPeakReason::NothingAtExpectedTime => "nothing at the expected time",
        NoPeakReason::TooWide => "only a peak much wider than the run's",
        NoPeakReason::WindowOutsideTrace => "window outside the recorded time",
        NoPeakReason::TooFewPoints => "too few points",
        NoPeakReason::TraceAbsent => "trace not in the file",
        NoPeakReason::FileUnreadable => "file not readable",
    }
}

pub(crate) fn peak_flag(of: PeakFlag) -> &'static str {
    match of {
        PeakFlag::Saturated => "detector saturated",
        PeakFlag::Split => "split top",
        PeakFlag::Shoulder => "shoulder",
        PeakFlag::Overlapping => "another peak reaches in",
        PeakFlag::SeveralInWindow => "several peaks in the window",
        PeakFlag::FewPoints => "few points",
        PeakFlag::AtTraceEnd => "limits touch the end of the trace",
        PeakFlag::UnusuallyWide => "unusually wide",
        PeakFlag::NoiseNotMeasurable => "noise not measurable",
    }
}

/// What an injection is, in a line: role, level or card and spot, dilution.
pub(crate) struct Sample<'a>(pub(crate) &'a Injection);

impl Render for Sample<'_> {
    fn render_to(&self, out: &mut String) {
        let of = self.0;
        out.push_str(role(of.role));
        if let Some(level) = &of.level {
            out.push(' ');
            level.as_str().render_to(out);
        }
        if let Some(card) = &of.card {
            out.push_str(" <span class=\"k\">");
            card.as_str().render_to(out);
            out.push_str("</span>");
        }
        if let Some(spot) = of.spot {
            out.push_str(", spot ");
            spot.render_to(out);
        }
        if (of.dilution_factor - 1.0).abs() > 1e-9 {
            out.push_str(", diluted ");
            crate::number::Plain(of.dilution_factor).render_to(out);
            out.push_str("-fold");
        }
    }
}

/// Reasons, heaviest first, each with what was measured, what was allowed and the rule.
pub(crate) fn reasons(list: &[Reason]) -> Markup {
    if list.is_empty() {
        return html! {};
    }
    let mut sorted: Vec<&Reason> = list.iter().collect();
    sorted.sort_by_key(|reason| std::cmp::Reverse(reason.severity));
    html! {
        ul.why {
            @for reason in sorted {
                li { (severity(reason.severity)) " " (reason.text) " " (evidence(reason)) }
            }
        }
    }
}

/// Measured value, limit and rule of a reason.
pub(crate) fn evidence(reason: &Reason) -> Markup {
    let unit = printed_unit(&reason.unit).unwrap_or(&reason.unit);
    let number = |value: f64| {
        html! { (Significant(value, 3)) @if !unit.is_empty() { (NARROW_SPACE) (unit) } }
    };
    let measured = reason.measured.filter(|value| value.is_finite());
    let limit = reason.limit.filter(|value| value.is_finite());
    html! {
        small {
            @if let Some(value) = measured { "measured " (number(value)) " · " }
            @if let Some(value) = limit { "limit " (number(value)) " · " }
            span { (reason.rule) }
        }
    }
}
