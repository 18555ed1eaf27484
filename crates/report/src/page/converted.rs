//! The value on the scale of the target range, under the measured one: matrix, interval, conversion, haematocrit and its
//! origin (CONV-09), what a person must know, and the range with its own matrix (SAFE-06).

use super::results::{push_beyond, push_measured};
use crate::number::push_significant;
use crate::words;
use maud::Render;
use spotwright_domain::conversion::{
    ConversionOutcome, ConversionRecord, ConversionRemark, ConvertedCase, HaematocritOrigin,
};
use spotwright_domain::target::TargetRange;

/// Appends what became of a conversion.
pub(super) fn push_converted(out: &mut String, record: &ConversionRecord) {
    out.push_str("<div class=\"next\">");
    let unit = words::unit(record.unit);
    match &record.outcome {
        ConversionOutcome::Converted { concentration } => {
            record.matrix_reported.display().render_to(out);
            out.push(' ');
            match concentration {
                ConvertedCase::Measured {
                    value,
                    standard_uncertainty,
                    interval_95,
                    ..
                } => push_measured(out, *value, *standard_uncertainty, *interval_95, unit),
                ConvertedCase::BelowLloq { limit, .. } => push_beyond(out, "&lt;", *limit, unit),
                ConvertedCase::AboveUloq { limit } => push_beyond(out, "&gt;", *limit, unit),
                ConvertedCase::AtLeast { value, .. } => push_beyond(out, "≥", *value, unit),
            }
        }
        ConversionOutcome::MeasuredOnly { refusal } => {
            out.push_str("<b>not converted</b>, stands in ");
            record.matrix_measured.display().render_to(out);
            out.push_str(" alone");
            push_remark(out, refusal);
        }
        ConversionOutcome::Refused { refusal } => {
            out.push_str("<b>no value</b>");
            push_remark(out, refusal);
        }
    }
    push_how(out, record);
    for beside in &record.beside {
        out.push_str("<small class=\"next\">beside it: ");
        push_significant(out, beside.value, 3);
        out.push_str("\u{a0}<i>");
        out.push_str(unit);
        out.push_str("</i> ");
        beside.label.as_str().render_to(out);
        out.push_str("</small>");
    }
    for remark in &record.remarks {
        push_remark(out, remark);
    }
    out.push_str("<small class=\"next\">");
    match &record.target {
        None => out.push_str("no target range stored"),
        Some(target) => push_target(out, target, record.on_scale_of_target()),
    }
    out.push_str("</small></div>");
}

/// Conversion and haematocrit.
fn push_how(out: &mut String, record: &ConversionRecord) {
    let Some(of) = &record.conversion else { return };
    out.push_str("<small class=\"next\">by ");
    of.id.as_str().render_to(out);
    out.push_str(" version ");
    of.version.as_str().render_to(out);
    if let Some(used) = record.haematocrit {
        out.push_str(", haematocrit ");
        push_significant(out, used.haematocrit.value, 2);
        out.push_str(match used.origin {
            HaematocritOrigin::Clinic => " from the clinic",
            HaematocritOrigin::Spot => " estimated from the spot",
            HaematocritOrigin::Default => " by default",
        });
    }
    out.push_str("</small>");
}

fn push_remark(out: &mut String, remark: &ConversionRemark) {
    out.push_str("<small class=\"next\">");
    remark.text.as_str().render_to(out);
    out.push_str(" Would be lifted by: ");
    remark.lift.as_str().render_to(out);
    out.push_str("</small>");
}

fn push_target(out: &mut String, target: &TargetRange, on_scale: bool) {
    out.push_str("target ");
    target.quantity.as_str().render_to(out);
    out.push(' ');
    match (target.low, target.high) {
        (Some(low), Some(high)) => {
            push_significant(out, low, 3);
            out.push_str(" to ");
            push_significant(out, high, 3);
        }
        (Some(low), None) => {
            out.push_str("at least ");
            push_significant(out, low, 3);
        }
        (None, Some(high)) => {
            out.push_str("at most ");
            push_significant(out, high, 3);
        }
        (None, None) => out.push_str("not given"),
    }
    if let Some(toxic) = target.toxic_above {
        out.push_str(", toxic above ");
        push_significant(out, toxic, 3);
    }
    out.push_str("\u{a0}<i>");
    out.push_str(words::unit(target.unit));
    out.push_str(if target.quantity.is_area() {
        "·h</i>"
    } else {
        "</i>"
    });
    out.push_str(" in ");
    target.matrix.display().render_to(out);
    for part in [&target.sampling_time, &target.indication, &target.source] {
        out.push_str(", ");
        part.as_str().render_to(out);
    }
    if !on_scale {
        out.push_str("; this result is not on its scale");
    }
}
