//! What must hold between the parts of a method.

use super::section::Section;
use crate::nearest::nearest;
use crate::problem::{FormatProblemCode, FormatWarningCode, Problems, quoted};
use spotwright_domain::method::{Method, Transition};
use std::collections::BTreeMap;

pub(super) fn check(
    method: &Method,
    top: &Section<'_>,
    standards: &[Section<'_>],
    analytes: &[Section<'_>],
    problems: &mut Problems,
) {
    for (key, sections) in [("internal_standard", standards), ("analyte", analytes)] {
        if sections.is_empty() {
            problems.push(
                top.problem(key, FormatProblemCode::KeyMissing)
                    .found("none")
                    .expected(format!("at least one [[{key}]]")),
            );
        }
    }
    names(method, standards, analytes, problems);
    transitions(method, standards, analytes, problems);
    references(method, standards, analytes, problems);
    level_counts(method, analytes, problems);
    conversions(method, analytes, problems);
    if method.approval.is_none() {
        problems.warn(
            FormatWarningCode::MethodNotApproved,
            top.source.file(),
            None,
            || {
                format!(
                    "method {} version {} is not approved",
                    quoted(method.id.as_str()),
                    quoted(&method.version)
                )
            },
        );
    }
}

fn conversions(method: &Method, analytes: &[Section<'_>], problems: &mut Problems) {
    for (analyte, section) in method.analytes.iter().zip(analytes) {
        if let Some(conversion) = &analyte.conversion {
            super::conversion::check(section, conversion, method.extraction.head_diameter_mm, problems);
        }
        // Without a conversion every result says that it is not on the range's scale.
        if let (Some(conversion), Some(target)) = (&analyte.conversion, &analyte.target)
            && target.matrix != conversion.matrix_out
        {
            let line = section.source.line(section.span("target").start);
            problems.warn(
                FormatWarningCode::TargetOtherMatrix,
                section.source.file(),
                Some(line),
                || {
                    format!(
                        "the target range of {} is in another matrix than its reported value: nothing will be read against it",
                        quoted(analyte.name.as_str())
                    )
                },
            );
        }
    }
}

/// Transitions go by name in tables and in manual-limits.csv, so every name stands for one thing.
fn names(method: &Method, standards: &[Section<'_>], analytes: &[Section<'_>], problems: &mut Problems) {
    let mut seen: BTreeMap<String, u32> = BTreeMap::new();
    let standard_names = method.internal_standards.iter().map(|s| vec![s.name.to_string()]);
    let analyte_names = method.analytes.iter().map(|analyte| {
        let qualifiers = (1..=analyte.qualifiers.len()).map(|n| format!("{} qualifier {n}", analyte.name));
        std::iter::once(analyte.name.to_string())
            .chain(qualifiers)
            .collect()
    });
    for (section, names) in standards
        .iter()
        .chain(analytes)
        .zip(standard_names.chain(analyte_names))
    {
        let line = section.source.line(section.span("name").start);
        for name in names {
            if let Some(first) = seen.get(&name) {
                problems.push(
                    section
                        .problem("name", FormatProblemCode::NameTwice)
                        .found(format!("the name {} a second time", quoted(&name)))
                        .expected(format!("another name than on line {first}")),
                );
            } else {
                seen.insert(name, line);
            }
        }
    }
}

fn transitions(
    method: &Method,
    standards: &[Section<'_>],
    analytes: &[Section<'_>],
    problems: &mut Problems,
) {
    let tolerance = method.integration.mz_tolerance;
    let same = |a: &Transition, b: &Transition| {
        a.polarity == b.polarity
            && (a.precursor_mz - b.precursor_mz).abs() <= tolerance
            && (a.product_mz - b.product_mz).abs() <= tolerance
    };
    let mut clash = |section: &Section<'_>, transition: &Transition, with: &str, help: &str| {
        problems.push(
            section
                .problem("precursor_mz", FormatProblemCode::TransitionTwice)
                .found(format!(
                    "the transition {} > {}",
                    transition.precursor_mz, transition.product_mz
                ))
                .expected(format!("another transition than that of {}", quoted(with)))
                .help(help),
        );
    };
    let help = format!("Within {tolerance} m/z their traces cannot be told apart.");
    for (index, standard) in method.internal_standards.iter().enumerate() {
        for other in &method.internal_standards[..index] {
            if same(&standard.transition, &other.transition) {
                clash(
                    &standards[index],
                    &standard.transition,
                    other.name.as_str(),
                    &help,
                );
            }
        }
    }
    for (index, analyte) in method.analytes.iter().enumerate() {
        let section = &analytes[index];
        let mut unused = Problems::default();
        let quantifier = section
            .section("quantifier", "analyte.quantifier", &mut unused)
            .unwrap_or_else(|| section.clone());
        let qualifiers = section.sections("qualifier", "analyte.qualifier", &mut unused);
        for standard in &method.internal_standards {
            if same(&analyte.quantifier, &standard.transition) {
                clash(&quantifier, &analyte.quantifier, standard.name.as_str(), &help);
            }
            for (qualifier, place) in analyte.qualifiers.iter().zip(&qualifiers) {
                if same(&qualifier.transition, &standard.transition) {
                    clash(place, &qualifier.transition, standard.name.as_str(), &help);
                }
            }
        }
        for (number, (qualifier, place)) in analyte.qualifiers.iter().zip(&qualifiers).enumerate() {
            if same(&qualifier.transition, &analyte.quantifier) {
                let help = "A qualifier confirms only by being another transition.";
                clash(
                    place,
                    &qualifier.transition,
                    &format!("{} quantifier", analyte.name),
                    help,
                );
            }
            for (before, other) in analyte.qualifiers[..number].iter().enumerate() {
                if same(&qualifier.transition, &other.transition) {
                    clash(
                        place,
                        &qualifier.transition,
                        &format!("{} qualifier {}", analyte.name, before + 1),
                        &help,
                    );
                }
            }
        }
        // Isomers share a transition and are told apart by retention alone.
        for other in &method.analytes[..index] {
            let limit = method.limits.identity.max_retention_difference_min;
            let tolerance_min = analyte
                .retention_tolerance_min
                .unwrap_or(limit)
                .max(other.retention_tolerance_min.unwrap_or(limit));
            let apart_min = (analyte.retention_time_min - other.retention_time_min).abs();
            if same(&analyte.quantifier, &other.quantifier) && apart_min <= tolerance_min {
                clash(
                    &quantifier,
                    &analyte.quantifier,
                    other.name.as_str(),
                    "Their retention times do not tell them apart either.",
                );
            }
        }
    }
}

fn references(method: &Method, standards: &[Section<'_>], analytes: &[Section<'_>], problems: &mut Problems) {
    let names = || {
        method
            .internal_standards
            .iter()
            .map(|standard| standard.name.as_str())
    };
    for (analyte, section) in method.analytes.iter().zip(analytes) {
        let wanted = analyte.internal_standard.as_str();
        if !names().any(|name| name == wanted) {
            problems.push(
                section
                    .problem("internal_standard", FormatProblemCode::InternalStandardUnknown)
                    .expected("the name of an [[internal_standard]]")
                    .nearest(nearest(wanted, names())),
            );
        }
    }
    for (standard, section) in method.internal_standards.iter().zip(standards) {
        if !method
            .analytes
            .iter()
            .any(|analyte| analyte.internal_standard == standard.name)
        {
            let line = section.source.line(section.span("name").start);
            problems.warn(
                FormatWarningCode::InternalStandardUnused,
                section.source.file(),
                Some(line),
                || {
                    format!(
                        "no analyte reads against the internal standard {}",
                        quoted(standard.name.as_str())
                    )
                },
            );
        }
    }
}

fn level_counts(method: &Method, analytes: &[Section<'_>], problems: &mut Problems) {
    for (analyte, section) in method.analytes.iter().zip(analytes) {
        let line = section.source.line(section.span("name").start);
        let uloq = analyte.uloq();
        let controls = analyte
            .controls
            .iter()
            .filter(|level| level.concentration <= uloq)
            .count();
        for (what, count, wanted) in [
            (
                "calibrator",
                analyte.calibrators.len(),
                method.limits.calibration.min_levels,
            ),
            ("control", controls, method.limits.control.min_levels),
        ] {
            if (count as f64) < wanted {
                problems.warn(FormatWarningCode::FewLevels, section.source.file(), Some(line), || {
                    format!(
                        "{} has {count} {what} levels in range, its limits ask for {wanted}: no run can be accepted",
                        quoted(analyte.name.as_str())
                    )
                });
            }
        }
    }
}
