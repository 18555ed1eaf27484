//! Errors as a person at a terminal wants them: the line, the place in it, what was expected, what to do.

use crate::outcome::Outcome;
use crate::print::complain;
use miette::{GraphicalReportHandler, GraphicalTheme, LabeledSpan, MietteDiagnostic, NamedSource, Severity};
use spotwright_exchange::FormatProblem;
use spotwright_workflow::error::WorkflowError;
use std::io::IsTerminal;

/// Says what went wrong and how the program ends.
pub(crate) fn tell(error: &WorkflowError) -> Outcome {
    match error {
        WorkflowError::Day(problems) => {
            for problem in problems {
                complain(&render(problem));
            }
            complain(&format!("{error}: nothing was computed."));
            Outcome::BadInput
        }
        WorkflowError::NoSuchResult { .. } | WorkflowError::Judge(_) => {
            complain(&error.to_string());
            Outcome::BadInput
        }
        WorkflowError::File { .. } | WorkflowError::Spool(_) | WorkflowError::Threads(_) => {
            complain(&error.to_string());
            Outcome::Failed
        }
    }
}

/// A problem with its source line, the place underlined.
pub(crate) fn render(problem: &FormatProblem) -> String {
    let (Some(line), Some(span)) = (&problem.source_line, problem.span_in_source_line()) else {
        return format!("{problem}\n");
    };
    let mut message = format!("found {}, expected {}", problem.found, problem.expected);
    if let Some(field) = &problem.field {
        message = format!("`{field}`: {message}");
    }
    let label = problem
        .nearest
        .as_ref()
        .map(|nearest| format!("nearest: {nearest}"));
    let mut diagnostic = MietteDiagnostic::new(message)
        .with_severity(Severity::Error)
        .with_code(problem.code.as_str())
        .with_label(LabeledSpan::new(
            Some(label.unwrap_or_else(|| "here".to_owned())),
            span.start,
            span.len(),
        ));
    if !problem.help.is_empty() {
        diagnostic = diagnostic.with_help(problem.help.clone());
    }
    // The snippet holds the one line that matters; its number stands in the name.
    let place = match (problem.line, problem.column) {
        (Some(line), Some(column)) => format!("{}, line {line}, column {column}", problem.file.display()),
        (Some(line), None) => format!("{}, line {line}", problem.file.display()),
        _ => problem.file.display().to_string(),
    };
    let report = miette::Report::new(diagnostic).with_source_code(NamedSource::new(place, line.clone()));
    let theme = if std::io::stderr().is_terminal() {
        GraphicalTheme::unicode()
    } else {
        GraphicalTheme::unicode_nocolor()
    };
    let mut text = String::new();
    match GraphicalReportHandler::new_themed(theme)
        .with_width(100)
        .render_report(&mut text, report.as_ref())
    {
        Ok(()) => text,
        Err(_) => format!("{problem}\n"),
    }
}
