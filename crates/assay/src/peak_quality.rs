//! What the shape of a peak says about its area (PR-30, PR-34, PR-35, EV-33, EV-58, EV-59).

use crate::limit::at_most;
use crate::sentence::{NO_NUMBERS, Numbers, against, figures, reason};
use spotwright_domain::method::PeakLimits;
use spotwright_domain::peak::{PeakFlag, Response};
use spotwright_domain::reason::{Reason, ReasonCode, Severity};

/// Which peak of an injection is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum PeakPart {
    Quantifier,
    InternalStandard,
    Qualifier(usize),
}

impl PeakPart {
    fn words(self) -> String {
        match self {
            Self::Quantifier => "analyte".to_owned(),
            Self::InternalStandard => "internal standard".to_owned(),
            Self::Qualifier(index) => format!("qualifier {}", index + 1),
        }
    }

    /// A fault of the quantifier or the internal standard spoils the number; one of a qualifier only the confirmation.
    fn weight(self, of_the_number: Severity) -> Severity {
        match self {
            Self::Qualifier(_) => of_the_number.min(Severity::Note),
            _ => of_the_number,
        }
    }
}

/// Reasons one peak gives. `usual_width_s` is the median of the run's calibrators.
pub(crate) fn peak_reasons(
    part: PeakPart,
    response: &Response,
    usual_width_s: Option<f64>,
    limits: &PeakLimits,
) -> Vec<Reason> {
    let mut reasons = Vec::new();
    if !response.found() {
        return reasons;
    }
    let mut add = |code, rule, severity, numbers: Numbers<'_>, text: String| {
        reasons.push(reason(code, rule, part.weight(severity), numbers, text));
    };
    let of = part.words();
    if response.has(PeakFlag::Saturated) {
        add(
            ReasonCode::DetectorSaturated,
            "PR-34",
            Severity::Reject,
            NO_NUMBERS,
            format!(
                "The detector was saturated by the {of}: its area is too small by an unknown amount, so measure less or diluted extract."
            ),
        );
    }
    if response.has(PeakFlag::Split) {
        add(
            ReasonCode::PeakSplit,
            "EV-59",
            Severity::Reject,
            NO_NUMBERS,
            format!(
                "The peak of the {of} has two tops, so part of it may be missing from the area: look at the injection and inject again."
            ),
        );
    } else if response.has(PeakFlag::Shoulder) {
        add(
            ReasonCode::PeakSplit,
            "EV-59",
            Severity::Comment,
            NO_NUMBERS,
            format!("The peak of the {of} has a shoulder: look at the trace before trusting the area."),
        );
    }
    if response.has(PeakFlag::Overlapping) {
        add(
            ReasonCode::PeakOverlaps,
            "PR-32",
            Severity::Comment,
            NO_NUMBERS,
            format!(
                "Another peak reaches into the {of}; the areas were separated by a fit: look at the trace."
            ),
        );
    }
    if response.has(PeakFlag::SeveralInWindow) {
        add(
            ReasonCode::SeveralPeaksInWindow,
            "EV-51",
            Severity::Comment,
            NO_NUMBERS,
            format!(
                "Several peaks stand in the window of the {of}; the one nearest its retention was taken: look at the trace."
            ),
        );
    }
    if response.has(PeakFlag::FewPoints) {
        add(
            ReasonCode::TooFewPoints,
            "PR-30",
            Severity::Comment,
            NO_NUMBERS,
            format!(
                "The peak of the {of} has too few points for its area to be sure: lengthen the peak or shorten the cycle."
            ),
        );
    }
    if response.has(PeakFlag::AtTraceEnd) {
        add(
            ReasonCode::TraceProblem,
            "EV-52",
            Severity::Comment,
            NO_NUMBERS,
            format!("The peak of the {of} reaches the end of the trace: part of the area may be missing."),
        );
    }
    let ratio = usual_width_s
        .filter(|usual| *usual > 0.0)
        .map(|usual| response.width_half_height_s / usual);
    let wide = ratio.is_some_and(|ratio| !at_most(ratio, limits.max_width_ratio));
    if wide || response.has(PeakFlag::UnusuallyWide) {
        let numbers = ratio.map_or(NO_NUMBERS, |ratio| against(ratio, limits.max_width_ratio, "1"));
        add(
            ReasonCode::PeakUnusuallyWide,
            "EV-33",
            Severity::Comment,
            numbers,
            format!(
                "The peak of the {of} is {} times as wide as usual: it may come from the injection before, or hide two substances.",
                ratio.map_or_else(|| "much more than".to_owned(), figures)
            ),
        );
    }
    if response.manual {
        add(
            ReasonCode::ManualIntegration,
            "M10-33",
            Severity::Comment,
            NO_NUMBERS,
            format!("The limits of the {of} were set by hand; the automatic ones are kept beside them."),
        );
    }
    reasons
}
