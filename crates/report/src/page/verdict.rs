//! The verdict first: run, counts, analytes.

use super::PageContext;
use crate::number::Plain;
use crate::words;
use maud::{Markup, html};
use spotwright_domain::record::{Acceptance, AnalyteRunRecord, RunRecord, VerdictCounts};

/// Title and the run's verdict in a sentence, with its reasons.
pub(super) fn statement(context: &PageContext<'_>, run: &RunRecord) -> Markup {
    let sentence = match run.acceptance {
        Acceptance::Accepted => "The run stands.",
        Acceptance::AcceptedWithComment => "The run stands; there are comments to read.",
        Acceptance::Rejected => "The run does not stand: no result of it may be reported.",
    };
    let rejected = run
        .analytes
        .iter()
        .filter(|of| of.acceptance == Acceptance::Rejected)
        .count();
    html! {
        section #verdict slot="verdict" {
            p.over { (context.day) " · run " (run.run) }
            h1 { (context.method_title) }
            p.over { "Method " (run.method) ", version " (run.method_version) " · Spotwright " (context.program_version) }
            div.verdict.(words::acceptance(run.acceptance).letter) {
                p.word { (words::acceptance(run.acceptance)) }
                p {
                    (sentence)
                    @if rejected > 0 && run.acceptance != Acceptance::Rejected {
                        " " (rejected) " of " (run.analytes.len()) " analytes "
                        @if rejected == 1 { "does" } @else { "do" } " not stand."
                    }
                }
                (words::reasons(&run.reasons))
            }
        }
    }
}

/// Injections in and out, patients' results by verdict.
pub(super) fn tally(expected: u64, written: u64, counts: VerdictCounts) -> Markup {
    let results = counts.reportable + counts.reportable_with_comment + counts.not_reportable;
    html! {
        div.tally slot="tally" {
            @if expected == written {
                p { strong { (written) } " injections in the list, " strong { (written) } " in this report: none is missing." }
            } @else {
                p.alarm role="alert" {
                    "✕ " strong { (expected) } " injections in the list, " strong { (written) }
                    " in this report. This report is not complete; do not use it."
                }
            }
            dl {
                div { dt { "Patients’ results" } dd { (results) } }
                div { dt { (words::verdict(spotwright_domain::record::ResultVerdict::Reportable)) } dd { (counts.reportable) } }
                div { dt { (words::verdict(spotwright_domain::record::ResultVerdict::ReportableWithComment)) } dd { (counts.reportable_with_comment) } }
                div { dt { (words::verdict(spotwright_domain::record::ResultVerdict::NotReportable)) } dd { (counts.not_reportable) } }
            }
        }
    }
}

/// Each analyte's verdict with what it rests on.
pub(super) fn by_analyte(run: &RunRecord) -> Markup {
    html! {
        section.by-analyte slot="by-analyte" aria-labelledby="by-analyte" {
            h2 #by-analyte { "Verdict for each analyte" }
            div.scroll role="region" aria-labelledby="by-analyte" tabindex="0" {
                table {
                    thead { tr {
                        th scope="col" { "Analyte" }
                        th scope="col" { "Verdict" }
                        th scope="col" { "Range of this run" }
                        th scope="col" { "Calibrators used" }
                        th scope="col" { "Controls within limit" }
                        th.wide scope="col" { "Why" }
                    } }
                    tbody {
                        @for (place, of) in run.analytes.iter().enumerate() {
                            tr {
                                th scope="row" { a href={ "#analyte-" (place) } { (of.analyte) } }
                                td { (words::acceptance(of.acceptance)) }
                                td.num { (range(of)) }
                                td { (of.calibration_points.iter().filter(|p| p.used).count()) " of " (of.calibration_points.len()) }
                                td { (of.controls.iter().filter(|c| c.passes).count()) " of " (of.controls.len()) }
                                td {
                                    @if of.reasons.is_empty() { "All criteria met." }
                                    (words::reasons(&of.reasons))
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The run's range of an analyte.
pub(super) fn range(of: &AnalyteRunRecord) -> Markup {
    html! {
        @if let Some(curve) = &of.calibration {
            (Plain(curve.lloq)) " to " (Plain(curve.uloq)) " " (words::unit(of.unit))
        } @else {
            "no curve"
        }
    }
}
