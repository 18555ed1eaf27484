//! Blanks, zero samples and the blank after the highest calibrator (M10-02, M10-12).

use crate::sentence::{against, figures, reason, stated};
use spotwright_domain::injection::SampleRole;
use spotwright_domain::method::Limits;
use spotwright_domain::reason::{Reason, ReasonCode, Severity};
use spotwright_domain::record::BlankRecord;

/// A response above its limit by less than this many standard uncertainties is not said to be above it (one-sided 95 %): a
/// blank's residual noise alone must not fail a run. A noiseless response is held to the limit itself.
const SURELY: f64 = 1.645;

/// An area with its standard uncertainty (counts·s).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Area {
    /// The area.
    pub area_counts_s: f64,
    /// Its standard uncertainty.
    pub standard_uncertainty_counts_s: f64,
}

/// What blanks are held against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BlankReference {
    /// Mean analyte response of the lowest accepted calibrators (counts·s).
    pub lloq_response: f64,
    /// Mean internal-standard response of accepted calibrators and controls (counts·s).
    pub internal_standard_response: f64,
}

/// One blank judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BlankDecision {
    /// Analyte response against the LLOQ response (%).
    pub analyte_share_pct: Option<f64>,
    /// Internal-standard response against the mean (%).
    pub internal_standard_share_pct: Option<f64>,
    /// Whether the analyte response is within its limit; `true` when it is not known.
    pub analyte_passes: bool,
    /// Whether the internal-standard response is within its limit, or belongs there.
    pub internal_standard_passes: bool,
}

impl BlankDecision {
    /// Whether both are within their limits.
    #[must_use]
    pub fn passes(&self) -> bool {
        self.analyte_passes && self.internal_standard_passes
    }
}

/// Judges one blank. In a carry-over blank an internal standard above half its usual response is taken to have been added.
#[must_use]
pub fn judge_blank(
    role: SampleRole,
    analyte: Option<Area>,
    internal_standard: Option<Area>,
    reference: &BlankReference,
    limits: &Limits,
) -> BlankDecision {
    let (analyte_limit, standard_limit) = blank_limits(role, limits);
    let analyte_share = analyte.and_then(|area| share(area, reference.lloq_response));
    let standard_share = internal_standard.and_then(|area| share(area, reference.internal_standard_response));
    let holds_standard = match role.carries_internal_standard() {
        Some(carries) => carries,
        None => standard_share.is_some_and(|(share, _)| share > 50.0),
    };
    BlankDecision {
        analyte_share_pct: analyte_share.map(|(share, _)| share),
        internal_standard_share_pct: standard_share.map(|(share, _)| share),
        analyte_passes: analyte_share.is_none_or(|share| not_above(share, analyte_limit)),
        internal_standard_passes: holds_standard
            || standard_share.is_none_or(|share| not_above(share, standard_limit)),
    }
}

fn blank_limits(role: SampleRole, limits: &Limits) -> (f64, f64) {
    if role == SampleRole::CarryOverBlank {
        let l = &limits.carry_over;
        (l.max_share_of_lloq_pct, l.max_share_of_internal_standard_pct)
    } else {
        let l = &limits.interference;
        (l.max_share_of_lloq_pct, l.max_share_of_internal_standard_pct)
    }
}

fn share(area: Area, reference: f64) -> Option<(f64, f64)> {
    let percent = |value: f64| 100.0 * value / reference;
    let pair = (
        percent(area.area_counts_s),
        percent(area.standard_uncertainty_counts_s),
    );
    (reference > 0.0 && pair.0.is_finite() && pair.1.is_finite()).then_some(pair)
}

fn not_above((share, uncertainty): (f64, f64), limit: f64) -> bool {
    share - SURELY * uncertainty <= limit * (1.0 + 1e-9)
}

/// Reasons an analyte's blanks give. `follows_strong` tells of each blank whether the injection right before it was a strong
/// one. One failing blank among several of its role is a comment unless it looks like a sample.
#[must_use]
pub(crate) fn blank_reasons(blanks: &[(BlankRecord, BlankDecision, bool)], limits: &Limits) -> Vec<Reason> {
    let mut reasons = Vec::new();
    for role in [
        SampleRole::DoubleBlank,
        SampleRole::Zero,
        SampleRole::CarryOverBlank,
    ] {
        let of_role: Vec<_> = blanks.iter().filter(|(record, ..)| record.role == role).collect();
        let failing = of_role
            .iter()
            .filter(|(_, decision, _)| !decision.analyte_passes)
            .count();
        let (analyte_limit, standard_limit) = blank_limits(role, limits);
        for (record, decision, follows_strong) in &of_role {
            let share = decision.analyte_share_pct.unwrap_or(0.0);
            if !decision.analyte_passes {
                let heavy = 2 * failing >= of_role.len() || share >= 100.0;
                reasons.push(analyte_reason(
                    record,
                    share,
                    analyte_limit,
                    heavy,
                    *follows_strong,
                ));
            }
            if !decision.internal_standard_passes {
                let share = decision.internal_standard_share_pct.unwrap_or(0.0);
                reasons.push(reason(
                    ReasonCode::InternalStandardInDoubleBlank,
                    "M10-02",
                    Severity::Comment,
                    against(share, standard_limit, "%"),
                    format!(
                        "The {} at {} holds {} % of the usual internal standard, {} % is allowed: look for contamination, or for internal standard added by mistake.",
                        role_words(role), record.order, figures(share), stated(standard_limit)
                    ),
                ));
            }
        }
    }
    reasons
}

fn analyte_reason(record: &BlankRecord, share: f64, limit: f64, heavy: bool, follows_strong: bool) -> Reason {
    let severity = if heavy {
        Severity::Reject
    } else {
        Severity::Comment
    };
    let (order, shown, allowed) = (record.order, figures(share), stated(limit));
    let role = role_words(record.role);
    let (code, rule, severity, advice) = match record.role {
        SampleRole::CarryOverBlank if follows_strong => (
            ReasonCode::CarryOverInBlank,
            "M10-12",
            Severity::Comment,
            "wash the line, and look at every sample after a strong one",
        ),
        SampleRole::Zero => (
            ReasonCode::AnalyteInZero,
            "M10-02",
            severity,
            "look for analyte in the internal standard, and for a mixed-up rack position",
        ),
        _ => (
            ReasonCode::InterferenceInBlank,
            "M10-02",
            severity,
            "look for interference, and for a mixed-up rack position",
        ),
    };
    reason(
        code,
        rule,
        severity,
        against(share, limit, "%"),
        format!(
            "The {role} at {order} shows {shown} % of the response at the lower limit, {allowed} % is allowed: {advice}."
        ),
    )
}

fn role_words(role: SampleRole) -> &'static str {
    match role {
        SampleRole::DoubleBlank => "double blank",
        SampleRole::Zero => "zero sample",
        SampleRole::CarryOverBlank => "carry-over blank",
        _ => "blank",
    }
}
