//! The results: every injection once, every analyte of it a row, the reasons beside each number.

use super::converted::push_converted;
use crate::number::{
    NARROW_SPACE, SignedPercent, Significant, decimals_of, push_decimals, push_integer, push_significant,
};
use crate::words::{self, Sample};
use maud::{Markup, PreEscaped, Render, html};
use spotwright_domain::concentration::ConcentrationCase;
use spotwright_domain::injection::{Injection, SampleRole};
use spotwright_domain::record::{InjectionRecord, NextStep, ResultRecord, ResultVerdict, RunRecord};

/// Head of the section, filter and table; the table stays open for [`push_injection`].
pub(super) fn opening(run: &RunRecord) -> String {
    let single = run.analytes.len() == 1;
    let choice = |label: &str, name: &str, options: &[(String, &str)]| {
        html! {
            label {
                (label) " "
                select name=(name) {
                    option value="" { "all" }
                    @for (value, word) in options { option value=(value) { (word) } }
                }
            }
        }
    };
    let verdicts: Vec<(String, &str)> = [
        ResultVerdict::NotReportable,
        ResultVerdict::ReportableWithComment,
        ResultVerdict::Reportable,
        ResultVerdict::NotApplicable,
    ]
    .into_iter()
    .map(|verdict| {
        (
            words::verdict(verdict).letter.to_owned(),
            words::verdict(verdict).word,
        )
    })
    .collect();
    let analytes: Vec<(String, &str)> = run
        .analytes
        .iter()
        .enumerate()
        .map(|(place, of)| (place.to_string(), of.analyte.as_str()))
        .collect();
    let roles: Vec<(String, &str)> = run
        .roles
        .iter()
        .filter(|(_, count)| *count > 0)
        .map(|(role, _)| (role.as_str().to_owned(), words::role(*role)))
        .collect();
    let markup = html! {
        section #results {
            h2 { "Results" }
            p {
                "Every injection stands here once. ± is the expanded uncertainty of a 95 % coverage interval; where that "
                "interval is lopsided its ends are given instead."
            }
            form.filter #filter hidden {
                (choice("Verdict", "v", &verdicts))
                @if !single { (choice("Analyte", "a", &analytes)) }
                (choice("Role", "r", &roles))
                label { "Find " input type="search" name="q" size="16" placeholder="card, subject, order"; }
                output aria-live="polite" {}
                span.keys { "In the table: " kbd { "N" } " " kbd { "P" } " next, previous result that needs a person" }
            }
            (PreEscaped("<div class=\"scroll\"><table id=\"rows\"><thead><tr>"))
            th scope="col" { @if single { "Sample" } @else { "Analyte" } }
            th scope="col" { "Found" }
            th scope="col" { "Verdict and next step" }
            th.wide scope="col" { "Why" }
            (PreEscaped("</tr></thead>"))
        }
    };
    // The section and its table are closed by `closing`, when all injections have passed.
    let text = markup.into_string();
    text.strip_suffix("</section>")
        .map_or(text.clone(), str::to_owned)
}

/// End of what [`opening`] opened.
pub(super) fn closing() -> String {
    "</table></div></section>".to_owned()
}

/// Appends one injection's rows.
pub(super) fn push_injection(
    out: &mut String,
    of: &InjectionRecord,
    analytes: &[String],
    single: bool,
    drawn: bool,
) {
    let injection = &of.injection;
    out.push_str("<tbody id=\"i");
    push_integer(out, i64::from(injection.order));
    out.push_str("\" data-r=\"");
    out.push_str(injection.role.as_str());
    out.push_str("\">");
    let heading_row = !single || of.results.len() != 1;
    if heading_row {
        out.push_str("<tr class=\"h\"><th colspan=\"4\" scope=\"rowgroup\">");
        push_sample(out, of, drawn);
        out.push_str("</th></tr>");
    }
    for (place, result) in of.results.iter().enumerate() {
        let verdict = words::verdict(result.verdict);
        out.push_str("<tr id=\"r");
        push_integer(out, i64::from(injection.order));
        out.push('-');
        push_integer(out, place as i64);
        out.push_str("\" data-v=\"");
        out.push_str(verdict.letter);
        // The analyte's place in the run, which a result names.
        if let Some(analyte) = analytes.iter().position(|name| name == result.analyte.as_str()) {
            out.push_str("\" data-a=\"");
            push_integer(out, analyte as i64);
        }
        out.push_str("\"><th scope=\"row\">");
        if heading_row {
            result.analyte.as_str().render_to(out);
        } else {
            push_sample(out, of, drawn);
        }
        out.push_str("</th><td class=\"num\">");
        push_found(out, result);
        push_against_nominal(out, result);
        if let Some(record) = &result.conversion {
            push_converted(out, record);
        }
        out.push_str("</td><td>");
        verdict.render_to(out);
        if result.next_step != NextStep::None {
            out.push_str(" <small>→ ");
            out.push_str(words::next_step(result.next_step));
            out.push_str("</small>");
        }
        out.push_str("</td><td>");
        if !result.reasons.is_empty() {
            out.push_str(&words::reasons(&result.reasons).0);
        }
        out.push_str("</td></tr>");
    }
    out.push_str("</tbody>");
}

/// Order, sample, subject, rack place; file and digest; reasons of the injection as a whole.
fn push_sample(out: &mut String, of: &InjectionRecord, drawn: bool) {
    let injection = &of.injection;
    out.push_str("<span class=\"o\">");
    push_integer(out, i64::from(injection.order));
    out.push_str("</span> ");
    Sample(injection).render_to(out);
    out.push_str(" <small>");
    let subject = of.results.iter().find_map(|result| result.subject.as_ref());
    let mut parts: Vec<&str> = Vec::new();
    parts.extend(subject.map(|subject| subject.as_str()));
    parts.extend(injection.injected_at.as_deref());
    for part in parts {
        part.render_to(out);
        out.push_str(" · ");
    }
    if let Some(place) = &injection.rack_position {
        out.push_str("rack ");
        place.as_str().render_to(out);
        out.push_str(" · ");
    }
    if let Some(batch) = &injection.sub_batch {
        out.push_str("sub-batch ");
        batch.as_str().render_to(out);
        out.push_str(" · ");
    }
    if let Some(original) = &injection.repeat_of {
        out.push_str("repeat of ");
        original.as_str().render_to(out);
        if let Some(reason) = &injection.repeat_reason {
            out.push_str(" (");
            reason.as_str().render_to(out);
            out.push(')');
        }
        out.push_str(" · ");
    }
    if drawn {
        out.push_str("<a href=\"#c");
        push_integer(out, i64::from(injection.order));
        out.push_str("\">chromatograms</a>");
    } else {
        out.push_str("chromatograms not drawn");
    }
    out.push_str("</small>");
    if !of.reasons.is_empty() {
        out.push_str(&words::reasons(&of.reasons).0);
    }
}

fn push_against_nominal(out: &mut String, result: &ResultRecord) {
    if let Some(nominal) = result.nominal.filter(|nominal| nominal.is_finite()) {
        out.push_str(" <small>nominal ");
        push_significant(out, nominal, 3);
        if let Some(error) = result.relative_error_pct.filter(|error| error.is_finite()) {
            out.push_str(", ");
            SignedPercent(error).render_to(out);
        }
        out.push_str("</small>");
    }
}

/// The concentration as a named case, without the estimate of one that lies outside the range.
pub(super) fn found(result: &ResultRecord) -> Markup {
    let mut out = String::new();
    push_case(&mut out, result);
    PreEscaped(out)
}

fn push_found(out: &mut String, result: &ResultRecord) {
    push_case(out, result);
    let (ConcentrationCase::BelowLloq { estimate, .. } | ConcentrationCase::AboveUloq { estimate, .. }) =
        &result.concentration
    else {
        return;
    };
    if let Some(estimate) = estimate.filter(|estimate| estimate.is_finite()) {
        out.push_str("<small class=\"next\">about ");
        push_significant(out, estimate, 2);
        out.push_str(", not to be reported</small>");
    }
}

fn push_case(out: &mut String, result: &ResultRecord) {
    let unit = words::unit(result.unit);
    match &result.concentration {
        ConcentrationCase::Measured {
            value,
            standard_uncertainty,
            interval_95,
            ..
        } => push_measured(out, *value, *standard_uncertainty, *interval_95, unit),
        ConcentrationCase::BelowLloq { lloq, .. } => push_beyond(out, "&lt;", *lloq, unit),
        ConcentrationCase::AboveUloq { uloq, .. } => push_beyond(out, "&gt;", *uloq, unit),
        ConcentrationCase::NotComputable => out.push_str("<i>not computable</i>"),
        ConcentrationCase::NotApplicable => out.push_str("<i>none wanted</i>"),
    }
}

/// Share of the half width by which the ends of an interval may differ before it counts as lopsided.
const LOPSIDED: f64 = 0.1;

pub(super) fn push_measured(
    out: &mut String,
    value: f64,
    standard_uncertainty: f64,
    interval: [f64; 2],
    unit: &str,
) {
    push_significant(out, value, 3);
    let (below, above) = (value - interval[0], interval[1] - value);
    let half = (interval[1] - interval[0]) / 2.0;
    if !(half.is_finite() && half > 0.0) {
        // No interval worth the name: the standard uncertainty says what is known.
        if standard_uncertainty.is_finite() {
            out.push_str(" (u ");
            push_significant(out, standard_uncertainty, 2);
            out.push(')');
        }
    } else if (below - above).abs() <= LOPSIDED * half {
        out.push_str("\u{a0}±\u{a0}");
        push_uncertainty(out, value, half);
    } else {
        out.push_str(" [");
        push_significant(out, interval[0], 3);
        out.push_str(" to ");
        push_significant(out, interval[1], 3);
        out.push(']');
    }
    out.push_str("\u{a0}<i>");
    out.push_str(unit);
    out.push_str("</i>");
}

/// Rounded up at the value's last digit, so that it never looks smaller than it is; when it is smaller than that
/// digit, by its own first two.
fn push_uncertainty(out: &mut String, value: f64, half_width: f64) {
    let decimals = decimals_of(value, 3);
    let unit_of_last = (0..decimals).fold(1.0, |unit: f64, _| unit * 10.0);
    let steps = (half_width * unit_of_last - 1e-9).ceil();
    if half_width * unit_of_last < 1.0 || steps > 1e9 {
        push_significant(out, half_width, 2);
    } else {
        push_decimals(out, steps / unit_of_last, decimals);
    }
}

pub(super) fn push_beyond(out: &mut String, sign: &str, limit: f64, unit: &str) {
    out.push_str(sign);
    out.push(NARROW_SPACE);
    push_significant(out, limit, 3);
    out.push_str("\u{a0}<i>");
    out.push_str(unit);
    out.push_str("</i>");
}

/// A sample's name in a list: order, card, spot when it is not the first. Escaped.
pub(super) fn sample_short(injection: &Injection) -> String {
    let mut out = String::new();
    push_integer(&mut out, i64::from(injection.order));
    out.push_str(" · ");
    match &injection.card {
        Some(card) => card.as_str().render_to(&mut out),
        None => out.push_str(words::role(injection.role)),
    }
    if injection.role == SampleRole::IncurredRepeat {
        out.push_str(" (repeat)");
    }
    if let Some(spot) = injection.spot.filter(|spot| *spot > 1) {
        out.push_str(" spot ");
        push_integer(&mut out, i64::from(spot));
    }
    out
}

/// A number for a table cell, or a dash.
pub(super) fn cell(value: Option<f64>, digits: u32) -> Markup {
    html! { (Significant(value.unwrap_or(f64::NAN), digits)) }
}

/// A signed percentage for a table cell, or a dash.
pub(super) fn percent_cell(value: Option<f64>) -> Markup {
    html! { (SignedPercent(value.unwrap_or(f64::NAN))) }
}
