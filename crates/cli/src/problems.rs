//! Errors as a person at a terminal wants them: the line, the place in it, what was expected, what to do.

use crate::outcome::Outcome;
use crate::print::complain;
use miette::{
    GraphicalReportHandler, GraphicalTheme, LabeledSpan, MietteDiagnostic, MietteError, MietteSpanContents,
    Severity, SourceCode, SourceSpan, SpanContents,
};
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
        WorkflowError::NoSuchResult { .. } | WorkflowError::Judge(_) | WorkflowError::Model { .. } => {
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
    let source = OneLine {
        file: problem.file.display().to_string(),
        text: line.clone(),
        line: problem.line.map_or(0, |line| line.saturating_sub(1) as usize),
        column: problem
            .column
            .map_or(0, |column| column.saturating_sub(1) as usize),
    };
    let report = miette::Report::new(diagnostic).with_source_code(source);
    let theme = if std::io::stderr().is_terminal() {
        GraphicalTheme::unicode()
    } else {
        GraphicalTheme::unicode_nocolor()
    };
    let mut text = String::new();
    match GraphicalReportHandler::new_themed(theme)
        .with_context_lines(1)
        .with_wrap_lines(false)
        .render_report(&mut text, report.as_ref())
    {
        Ok(()) => text,
        Err(_) => format!("{problem}\n"),
    }
}

/// The one line of a file that matters, with its number; the rest of the file may be long and is not needed.
#[derive(Debug)]
struct OneLine {
    file: String,
    text: String,
    /// From 0.
    line: usize,
    /// Where the problem begins, from 0.
    column: usize,
}

impl SourceCode for OneLine {
    fn read_span<'a>(
        &'a self,
        _: &SourceSpan,
        context_before: usize,
        _: usize,
    ) -> Result<Box<dyn SpanContents<'a> + 'a>, MietteError> {
        // Without context the place itself is asked for, with context the line as it is shown.
        let column = if context_before == 0 { self.column } else { 0 };
        let whole = SourceSpan::from(0..self.text.len());
        Ok(Box::new(MietteSpanContents::new_named(
            self.file.clone(),
            self.text.as_bytes(),
            whole,
            self.line,
            column,
            1,
        )))
    }
}
