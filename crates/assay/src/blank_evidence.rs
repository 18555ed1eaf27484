//! The blanks of a run, gathered and judged for one analyte.

use crate::blanks::{Area, BlankReference, blank_reasons, judge_blank};
use crate::input::RunInput;
use crate::measured::Measured;
use crate::response_ratio::{uncertainty, usable_area};
use crate::run::{Run, is_blank};
use crate::sentence::{NO_NUMBERS, reason};
use spotwright_domain::injection::SampleRole;
use spotwright_domain::peak::Response;
use spotwright_domain::reason::{Reason, ReasonCode, Severity};
use spotwright_domain::record::BlankRecord;

/// An injection this many times the LLOQ response is strong enough for the blank after it to judge carry-over.
const STRONG: f64 = 5.0;

/// Records and reasons of the blanks. `lloq_area` is the mean response of the lowest accepted calibrators, `standard_area` that of
/// the internal standard over calibrators and controls (counts·s).
pub(crate) fn judge_blanks(
    input: &RunInput<'_>,
    run: &Run,
    of: &Measured,
    lloq_area: Option<f64>,
    standard_area: Option<f64>,
) -> (Vec<BlankRecord>, Vec<Reason>) {
    let standard = run.standard_of[of.analyte];
    let reference = BlankReference {
        lloq_response: lloq_area.unwrap_or(0.0),
        internal_standard_response: standard_area.unwrap_or(0.0),
    };
    let area = |response: &Response| {
        usable_area(response).map(|area_counts_s| Area {
            area_counts_s,
            standard_uncertainty_counts_s: uncertainty(response),
        })
    };
    let mut judged = Vec::new();
    for position in run.sequence.iter().copied() {
        let line = &input.injections[position].injection;
        if !is_blank(line.role) || run.same_trace[position].is_some() {
            continue;
        }
        let of_analyte = area(&input.injections[position].analytes[of.analyte].quantifier);
        let of_standard = input.injections[position].standards.get(standard).and_then(area);
        let decision = judge_blank(
            line.role,
            of_analyte,
            of_standard,
            &reference,
            &input.method.limits,
        );
        let record = BlankRecord {
            order: line.order,
            role: line.role,
            analyte_area_counts_s: of_analyte.map(|area| area.area_counts_s),
            share_of_lloq_pct: decision.analyte_share_pct,
            share_of_internal_standard_pct: decision.internal_standard_share_pct,
            passes: decision.passes(),
        };
        let after_strong = run
            .before(position, 1)
            .and_then(|before| usable_area(&input.injections[before].analytes[of.analyte].quantifier))
            .zip(lloq_area)
            .is_some_and(|(before, lloq)| before >= STRONG * lloq);
        judged.push((record, decision, after_strong));
    }
    let mut reasons = blank_reasons(&judged, &input.method.limits);
    reasons.extend(missing_blanks(input, run));
    (judged.into_iter().map(|(record, ..)| record).collect(), reasons)
}

fn missing_blanks(input: &RunInput<'_>, run: &Run) -> Vec<Reason> {
    let wanted = [
        (
            SampleRole::DoubleBlank,
            "double blank",
            "M10-05",
            Severity::Comment,
        ),
        (SampleRole::Zero, "zero sample", "M10-05", Severity::Comment),
        (
            SampleRole::CarryOverBlank,
            "blank after the highest calibrator",
            "M10-12",
            Severity::Note,
        ),
    ];
    wanted
        .into_iter()
        .filter(|(role, ..)| run.of_role(input.injections, *role).next().is_none())
        .map(|(_, words, rule, severity)| {
            reason(
                ReasonCode::BlankMissing,
                rule,
                severity,
                NO_NUMBERS,
                format!(
                    "The run has no {words}: what it would show is not known, so inject one in the next run."
                ),
            )
        })
        .collect()
}
