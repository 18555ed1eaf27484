//! `spotwright interpret` and `spotwright dose`: levels read against doses.

use crate::arguments::{DoseCase, Interpret};
use crate::outcome::Outcome;
use crate::print::say;
use crate::problems;
use crate::progress::Bar;
use crate::table::{Side, Table};
use spotwright_domain::interpretation::{InterpretationRecord, InterpretationStatus, Spread};
use spotwright_exchange::open_case;
use spotwright_workflow::error::WorkflowError;
use spotwright_workflow::interpret::{
    interpret, interpret_day, own_models, person_of, write_answers, write_page,
};

/// Interprets a day.
pub(crate) fn day(arguments: &Interpret) -> Outcome {
    match day_inner(arguments) {
        Ok(outcome) => outcome,
        Err(error) => problems::tell(&error),
    }
}

fn day_inner(arguments: &Interpret) -> Result<Outcome, WorkflowError> {
    let own = match &arguments.models {
        Some(folder) => own_models(folder)?,
        None => Vec::new(),
    };
    let bar = Bar::new(arguments.json);
    let records = interpret_day(&arguments.day, &own, arguments.threads, &bar);
    bar.finish();
    let records = records?;
    let out = arguments
        .out
        .clone()
        .unwrap_or_else(|| arguments.day.join("interpretations"));
    let full = arguments
        .day
        .canonicalize()
        .unwrap_or_else(|_| arguments.day.clone());
    let name = full
        .file_name()
        .map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let simulated = records.iter().any(|record| record.simulated);
    write_answers(&out, &name, simulated, &records)?;
    if arguments.json {
        say(&json(&records));
    } else {
        say(&summary(&records));
        say(&format!("\nThe cover: {}", out.join("index.html").display()));
    }
    Ok(Outcome::Accepted)
}

/// Interprets a case written by hand.
pub(crate) fn case(arguments: &DoseCase) -> Outcome {
    match case_inner(arguments) {
        Ok(outcome) => outcome,
        Err(error) => problems::tell(&error),
    }
}

fn case_inner(arguments: &DoseCase) -> Result<Outcome, WorkflowError> {
    let own = match &arguments.models {
        Some(folder) => own_models(folder)?,
        None => Vec::new(),
    };
    let file = open_case(&arguments.case).map_err(WorkflowError::Day)?;
    let record = interpret(&person_of(&file, &own));
    if let Some(out) = &arguments.out {
        write_page(out, &record)?;
    }
    if arguments.json {
        say(&json(&record));
    } else {
        say(&text(&record));
        if let Some(out) = &arguments.out {
            say(&format!("\nThe page: {}", out.display()));
        }
    }
    Ok(if record.status == InterpretationStatus::Refused {
        Outcome::Rejected
    } else {
        Outcome::Accepted
    })
}

fn json<T: serde::Serialize>(of: &T) -> String {
    // Records hold finite numbers and texts only.
    serde_json::to_string_pretty(of).unwrap_or_default()
}

fn summary(records: &[InterpretationRecord]) -> String {
    let mut table = Table::new(&[
        ("person", Side::Left),
        ("drug", Side::Left),
        ("last level", Side::Right),
        ("h after dose", Side::Right),
        ("answer", Side::Left),
    ]);
    for record in records {
        let last = record.levels.last();
        table.row(vec![
            record.subject.clone(),
            record.drug.clone(),
            last.map_or_else(
                || "–".to_owned(),
                |level| {
                    let below = if level.below_limit { "< " } else { "" };
                    format!("{below}{:.3} {}", level.value, record.unit.display())
                },
            ),
            last.and_then(|level| level.hours_since_dose)
                .map_or_else(|| "–".to_owned(), |hours| format!("{hours:.1}")),
            answer(record),
        ]);
    }
    let plural = if records.len() == 1 { "" } else { "s" };
    format!(
        "\n{} answer{plural}; options are offered to a licensed prescriber, none is an order\n\n{}",
        records.len(),
        table.render()
    )
}

fn answer(record: &InterpretationRecord) -> String {
    match record.status {
        InterpretationStatus::Options => record
            .options
            .first()
            .map_or_else(String::new, |option| format!("options, first: {}", option.label)),
        InterpretationStatus::ExposureOnly => "exposure only".to_owned(),
        InterpretationStatus::ResearchDisplay => "research display only".to_owned(),
        InterpretationStatus::Refused => {
            let codes: Vec<&str> = record
                .refusals
                .iter()
                .map(|refusal| refusal.code.as_str())
                .collect();
            format!("nothing offered: {}", codes.join(", "))
        }
    }
}

fn text(record: &InterpretationRecord) -> String {
    let mut text = format!("\n{} of {}: {}\n", record.drug, record.subject, answer(record));
    if record.simulated {
        text = format!("\nSIMULATED DATA. Not for care.{text}");
    }
    for refusal in &record.refusals {
        text += &format!(
            "  {}: {}\n    To lift it: {}\n",
            refusal.code, refusal.reason, refusal.lifted_by
        );
    }
    let unit = record.unit.display();
    for level in &record.levels {
        let below = if level.below_limit { "< " } else { "" };
        text += &format!("  level {} {below}{:.3} {unit}", level.taken_at, level.value);
        if let Some(hours) = level.hours_since_dose {
            text += &format!(", {hours:.1} h after the dose");
        }
        if let (Some(predicted), Some(percentile)) = (level.predicted, level.prior_percentile) {
            text += &format!("; curve {predicted:.3}, percentile {percentile:.0} among people like this one");
        }
        text.push('\n');
        for flag in &level.flags {
            text += &format!("    {flag}\n");
        }
    }
    if let Some(estimate) = &record.estimate {
        for parameter in &estimate.parameters {
            text += &format!(
                "  {} {} {} (typical {:.4})\n",
                parameter.name,
                spread(Some(parameter.person)),
                parameter.unit,
                parameter.typical
            );
        }
    }
    if !record.options.is_empty() {
        let mut table = Table::new(&[
            ("option", Side::Left),
            ("trough", Side::Right),
            ("peak", Side::Right),
            ("AUC 24 h", Side::Right),
            ("below/in/above %", Side::Right),
            ("too high %", Side::Right),
        ]);
        for option in &record.options {
            table.row(vec![
                option.label.clone(),
                spread(option.trough),
                spread(option.peak),
                spread(option.auc_24_h),
                option.below_in_above.map_or_else(
                    || "–".to_owned(),
                    |shares| {
                        let shares = shares.map(|share| format!("{:.0}", share * 100.0));
                        shares.join("/")
                    },
                ),
                option
                    .toxic
                    .map_or_else(|| "–".to_owned(), |toxic| format!("{:.0}", toxic * 100.0)),
            ]);
        }
        text += &format!("\n{}", table.render());
    }
    for caution in &record.cautions {
        text += &format!("  {caution}\n");
    }
    text
}

fn spread(of: Option<Spread>) -> String {
    of.map_or_else(
        || "–".to_owned(),
        |of| {
            let figures = |value: f64| spotwright_domain::figures::significant_figures(value, 3);
            format!(
                "{} ({}–{})",
                figures(of.median),
                figures(of.low_90),
                figures(of.high_90)
            )
        },
    )
}
