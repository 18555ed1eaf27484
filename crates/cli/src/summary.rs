//! What a day came to, for a terminal or a script.

use crate::table::{Side, Table};
use serde_json::json;
use spotwright_domain::reason::{Reason, Severity};
use spotwright_domain::record::{Acceptance, RunRecord};
use spotwright_workflow::run::DayOutcome;
use spotwright_workflow::words;

/// Reasons shown for each run before the report is pointed at.
const REASONS_SHOWN: usize = 4;

/// The summary as text: verdicts first, then reasons, then where to look.
pub(crate) fn text(done: &DayOutcome) -> String {
    let mut text = String::new();
    if done.simulated {
        text.push_str("SIMULATED DATA: invented for demonstration, not from any person.\n\n");
    }
    text.push_str(&verdicts(done));
    for run in &done.runs {
        text.push_str(&reasons(run));
    }
    for warning in &done.warnings {
        text.push_str(&format!("\n  note: {warning}"));
    }
    text.push_str(&format!(
        "\nResults: {}\n",
        done.out.join("results.csv").display()
    ));
    text.push_str(&format!("         {}\n", done.out.join("results.json").display()));
    if done.reports.is_empty() {
        text.push_str("         no HTML report was asked for\n");
    } else {
        text.push_str(&format!("Report:  {}\n", done.out.join("index.html").display()));
    }
    text.push_str(
        "Verdicts are proposals for review by qualified staff; only a named person releases a result.",
    );
    text
}

fn verdicts(done: &DayOutcome) -> String {
    let mut table = Table::new(&[
        ("run", Side::Left),
        ("method", Side::Left),
        ("verdict", Side::Left),
        ("injections", Side::Right),
        ("to report", Side::Right),
        ("with comment", Side::Right),
        ("not", Side::Right),
        ("rejected analytes", Side::Left),
    ]);
    for run in &done.runs {
        let rejected: Vec<&str> = run
            .analytes
            .iter()
            .filter(|analyte| analyte.acceptance == Acceptance::Rejected)
            .map(|analyte| analyte.analyte.as_str())
            .collect();
        table.row(vec![
            run.run.to_string(),
            format!("{} v{}", run.method, run.method_version),
            words::acceptance(run.acceptance).to_owned(),
            run.injections.to_string(),
            run.verdicts.reportable.to_string(),
            run.verdicts.reportable_with_comment.to_string(),
            run.verdicts.not_reportable.to_string(),
            if rejected.is_empty() {
                "none".to_owned()
            } else {
                rejected.join(", ")
            },
        ]);
    }
    table.render()
}

fn reasons(run: &RunRecord) -> String {
    let of_run = run.reasons.iter().map(|reason| (None, reason));
    let of_analytes = run.analytes.iter().flat_map(|analyte| {
        analyte
            .reasons
            .iter()
            .map(move |reason| (Some(analyte.analyte.as_str()), reason))
    });
    let mut weighty: Vec<(Option<&str>, &Reason)> = of_run
        .chain(of_analytes)
        .filter(|(_, reason)| reason.severity >= Severity::Comment)
        .collect();
    if weighty.is_empty() {
        return String::new();
    }
    weighty.sort_by_key(|(_, reason)| std::cmp::Reverse(reason.severity));
    let mut text = format!("\n{}: {}\n", run.run, words::acceptance(run.acceptance));
    for (analyte, reason) in weighty.iter().take(REASONS_SHOWN) {
        let mark = if reason.severity == Severity::Reject {
            "rejects"
        } else {
            "comment"
        };
        let analyte = analyte.map_or(String::new(), |name| format!("{name}: "));
        text.push_str(&format!("  {mark}  {analyte}{} [{}]\n", reason.text, reason.rule));
    }
    if weighty.len() > REASONS_SHOWN {
        text.push_str(&format!(
            "  … and {} more in the report\n",
            weighty.len() - REASONS_SHOWN
        ));
    }
    text
}

/// The summary as JSON.
pub(crate) fn json(done: &DayOutcome) -> String {
    let warnings: Vec<String> = done.warnings.iter().map(ToString::to_string).collect();
    let summary = json!({
        "day": done.day,
        "simulated": done.simulated,
        "any_rejected": done.any_rejected(),
        "results_json": done.out.join("results.json"),
        "results_csv": done.out.join("results.csv"),
        "reports": done.reports.iter().map(|report| done.out.join(report)).collect::<Vec<_>>(),
        "warnings": warnings,
        "runs": done.runs.iter().map(run_json).collect::<Vec<_>>(),
    });
    format!("{summary:#}")
}

fn run_json(run: &RunRecord) -> serde_json::Value {
    let analytes: Vec<serde_json::Value> = run
        .analytes
        .iter()
        .map(|analyte| {
            json!({"analyte": analyte.analyte, "acceptance": analyte.acceptance, "reasons": analyte.reasons})
        })
        .collect();
    json!({
        "run": run.run,
        "method": run.method,
        "method_version": run.method_version,
        "acceptance": run.acceptance,
        "injections": run.injections,
        "verdicts": run.verdicts,
        "reasons": run.reasons,
        "analytes": analytes,
    })
}
