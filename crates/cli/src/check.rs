//! `spotwright check`: is this day fit to be run?

use crate::arguments::Check;
use crate::outcome::Outcome;
use crate::print::say;
use crate::problems;
use crate::progress::Bar;
use serde_json::json;
use spotwright_exchange::FormatProblem;
use spotwright_workflow::check::{CheckedDay, check_day};
use spotwright_workflow::error::WorkflowError;

/// Checks the day and says what is wrong with it.
pub(crate) fn check(arguments: &Check) -> Outcome {
    let bar = Bar::new(arguments.json);
    let checked = check_day(&arguments.day, &bar);
    bar.finish();
    match checked {
        Ok(day) => {
            say(&if arguments.json {
                day_json(&day)
            } else {
                day_text(&day)
            });
            if day.traces.iter().any(|finding| finding.unusable) {
                Outcome::BadInput
            } else {
                Outcome::Accepted
            }
        }
        Err(WorkflowError::Day(problems)) if arguments.json => {
            let problems: Vec<serde_json::Value> = problems.iter().map(problem_json).collect();
            say(&format!("{:#}", json!({"usable": false, "problems": problems})));
            Outcome::BadInput
        }
        Err(error) => problems::tell(&error),
    }
}

fn day_text(day: &CheckedDay) -> String {
    let summary = &day.summary;
    let mut text = String::new();
    for finding in &day.traces {
        let weight = if finding.unusable {
            "unusable"
        } else {
            "worth a look"
        };
        text.push_str(&format!(
            "{weight}: {} (injection {}): {}\n",
            finding.file, finding.injection, finding.text
        ));
    }
    for warning in &day.warnings {
        text.push_str(&format!("worth a look: {warning}\n"));
    }
    let roles: Vec<String> = summary
        .injections_by_role
        .iter()
        .map(|(role, count)| format!("{count} {}", role.as_str()))
        .collect();
    text.push_str(&format!(
        "{} method{}, {} run{}, {} injections ({}), {} cards, {} requests\n",
        summary.methods,
        if summary.methods == 1 { "" } else { "s" },
        summary.runs,
        if summary.runs == 1 { "" } else { "s" },
        summary.injections,
        roles.join(", "),
        summary.cards,
        summary.requests,
    ));
    let unusable = day.traces.iter().filter(|finding| finding.unusable).count();
    text.push_str(&match unusable {
        0 => "This day can be run. Nothing was computed.".to_owned(),
        1 => "1 trace file is unusable; its injection will be a result that cannot be reported.".to_owned(),
        n => {
            format!("{n} trace files are unusable; their injections will be results that cannot be reported.")
        }
    });
    text
}

fn day_json(day: &CheckedDay) -> String {
    let traces: Vec<serde_json::Value> = day
        .traces
        .iter()
        .map(|finding| {
            json!({"injection": finding.injection, "file": finding.file, "unusable": finding.unusable, "text": finding.text})
        })
        .collect();
    let warnings: Vec<String> = day.warnings.iter().map(ToString::to_string).collect();
    let summary = &day.summary;
    let value = json!({
        "usable": true,
        "methods": summary.methods,
        "runs": summary.runs,
        "injections": summary.injections,
        "cards": summary.cards,
        "requests": summary.requests,
        "warnings": warnings,
        "traces": traces,
    });
    format!("{value:#}")
}

fn problem_json(problem: &FormatProblem) -> serde_json::Value {
    json!({
        "code": problem.code.as_str(),
        "file": problem.file,
        "line": problem.line,
        "column": problem.column,
        "field": problem.field,
        "found": problem.found,
        "expected": problem.expected,
        "nearest": problem.nearest,
        "help": problem.help,
        "message": problem.to_string(),
    })
}
