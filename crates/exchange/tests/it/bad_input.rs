//! What is said of broken days: the words, and the place a terminal underlines.

use crate::broken_days::all;
use spotwright_exchange::{FormatProblem, FormatProblemCode};
use std::collections::BTreeSet;
use std::fmt::Write;

#[test]
fn every_broken_day_is_refused_in_these_words() {
    let mut page = String::new();
    for (title, problems) in all() {
        writeln!(page, "## {title}").unwrap();
        for problem in problems {
            writeln!(page, "{problem}").unwrap();
            page.push_str(&underlined(problem));
        }
    }
    insta::with_settings!({ prepend_module_to_snapshot => false, omit_expression => true }, {
        insta::assert_snapshot!("broken_days", page);
    });
}

/// The line of the file with the offending text underlined, as a terminal would show it.
fn underlined(problem: &FormatProblem) -> String {
    let Some(line) = problem.source_line.as_deref() else {
        return String::new();
    };
    let Some(span) = problem.span_in_source_line() else {
        return format!("    {line}\n");
    };
    let indent = line[..span.start].chars().count();
    let length = line[span].chars().count().max(1);
    format!("    {line}\n    {}{}\n", " ".repeat(indent), "^".repeat(length))
}

#[test]
fn a_broken_day_has_one_cause_and_names_it_once() {
    for (title, problems) in all() {
        assert_eq!(problems.len(), 1, "{title}: {problems:#?}");
    }
}

#[test]
fn most_codes_are_shown_by_a_broken_day() {
    // Codes that need a damaged disk, a race or more bytes than a test should write, and those of a card's layout, which is
    // no file of a day (its reader's own tests show them).
    const NOT_SHOWN: [FormatProblemCode; 6] = [
        FormatProblemCode::OffTheCard,
        FormatProblemCode::CirclesOverlap,
        FormatProblemCode::FileUnreadable,
        FormatProblemCode::FileTooLarge,
        FormatProblemCode::FileChanged,
        FormatProblemCode::MoreProblems,
    ];
    let shown: BTreeSet<FormatProblemCode> = all()
        .iter()
        .flat_map(|(_, problems)| problems)
        .map(|problem| problem.code)
        .chain(crate::studies::shown().into_iter().map(|problem| problem.code))
        .collect();
    let all: BTreeSet<FormatProblemCode> = FormatProblemCode::ALL.iter().copied().collect();
    let missing: Vec<_> = all
        .difference(&shown)
        .filter(|code| !NOT_SHOWN.contains(code))
        .collect();
    assert!(missing.is_empty(), "no broken day shows {missing:?}");
}
