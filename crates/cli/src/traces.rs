//! `spotwright traces`: what mzML files hold.

use crate::arguments::Traces;
use crate::outcome::Outcome;
use crate::print::{complain, say, write_out};
use crate::sparkline::sparkline;
use crate::table::{Side, Table};
use spotwright_workflow::traces::{TraceRow, tabulate};
use spotwright_workflow::words::trace_problem;

/// Characters of a small plot.
const PLOT_WIDTH: usize = 32;

/// Tabulates every file. A damaged file is named; the others are still tabulated.
pub(crate) fn traces(arguments: &Traces) -> Outcome {
    let mut outcome = Outcome::Accepted;
    let mut rows_before = 0;
    if arguments.json {
        write_out("[");
    }
    for path in &arguments.files {
        let mut shown: Vec<(TraceRow, String)> = Vec::new();
        let tabulated = tabulate(path, &mut |row, trace| {
            if arguments.json {
                let line = serde_json::to_string(&row).unwrap_or_default();
                write_out(if rows_before == 0 { "\n" } else { ",\n" });
                write_out(&line);
                rows_before += 1;
            } else {
                shown.push((row, sparkline(trace, PLOT_WIDTH)));
            }
        });
        if !arguments.json && !shown.is_empty() {
            say(&format!("{}\n{}", path.display(), table(&shown)));
        }
        if let Err(error) = tabulated {
            complain(&error.to_string());
            outcome = Outcome::BadInput;
        }
    }
    if arguments.json {
        write_out("\n]\n");
    }
    outcome
}

fn table(rows: &[(TraceRow, String)]) -> String {
    let mut table = Table::new(&[
        ("#", Side::Right),
        ("kind", Side::Left),
        ("±", Side::Left),
        ("precursor → product", Side::Left),
        ("points", Side::Right),
        ("from–to min", Side::Left),
        ("highest", Side::Right),
        ("at min", Side::Right),
        ("area counts·s", Side::Right),
        ("lowest to highest over time", Side::Left),
        ("id", Side::Left),
    ]);
    let mut notes: Vec<(String, Vec<usize>)> = Vec::new();
    for (row, plot) in rows {
        let mz = |value: Option<f64>| value.map_or("–".to_owned(), |mz| format!("{mz:.1}"));
        let transition = match (row.precursor_mz, row.product_mz) {
            (None, None) => String::new(),
            (precursor, product) => format!("{} → {}", mz(precursor), mz(product)),
        };
        let range = match (row.first_min, row.last_min) {
            (Some(first), Some(last)) => format!("{first:.2}–{last:.2}"),
            _ => "no points".to_owned(),
        };
        table.row(vec![
            row.index.to_string(),
            word(&row.kind),
            row.polarity.map_or(String::new(), |polarity| word(&polarity)),
            transition,
            row.points.to_string(),
            range,
            row.intensity_max.map_or(String::new(), brief),
            row.apex_min.map_or(String::new(), |apex| format!("{apex:.3}")),
            brief(row.area_counts_s),
            plot.clone(),
            row.id.clone(),
        ]);
        for problem in &row.problems {
            let text = trace_problem(problem);
            match notes.iter_mut().find(|(known, _)| *known == text) {
                Some((_, traces)) => traces.push(row.index),
                None => notes.push((text, vec![row.index])),
            }
        }
    }
    let rendered = table.render();
    if notes.is_empty() {
        rendered
    } else {
        let notes: String = notes.iter().map(|(text, traces)| note(text, traces)).collect();
        format!("{rendered}\n  Worth a look:\n{notes}")
    }
}

/// What is odd, once for all traces it is true of.
fn note(text: &str, traces: &[usize]) -> String {
    match traces {
        [only] => format!("  trace {only} {text}\n"),
        [first, others @ ..] => {
            let others: Vec<String> = others.iter().map(ToString::to_string).collect();
            format!("  trace {first} {text} (also {})\n", others.join(", "))
        }
        [] => String::new(),
    }
}

fn word<T: serde::Serialize>(value: &T) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(text)) => text.replace('-', " "),
        _ => String::new(),
    }
}

/// A number to four digits, short enough for a column.
fn brief(value: f64) -> String {
    if value != 0.0 && (value.abs() >= 1e6 || value.abs() < 1e-3) {
        format!("{value:.3e}")
    } else {
        format!("{value:.1}")
    }
}
