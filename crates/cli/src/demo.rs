//! `spotwright demo`: a simulated laboratory day, run, with directions.

use crate::arguments::Demo;
use crate::outcome::Outcome;
use crate::print::{complain, say};
use crate::problems;
use crate::progress::Bar;
use crate::summary;
use spotwright_domain::record::{Acceptance, RunRecord};
use spotwright_simulate::{DayPlan, write_day};
use spotwright_workflow::run::{DayOutcome, RunOptions, run_day};

/// Lays the day out, runs it and says where to look. A demonstration ends well even though one of its runs is
/// rejected: that is what it shows.
pub(crate) fn demo(arguments: &Demo) -> Outcome {
    let bar = Bar::new(arguments.quiet);
    if !arguments.quiet {
        say(
            "Laying out one day of the Selkie Isles laboratory at Port Merrin (invented; all data simulated) …",
        );
    }
    if let Err(error) = write_day(&DayPlan::demo(), &arguments.out, &|_| {}) {
        bar.finish();
        complain(&error.to_string());
        return Outcome::Failed;
    }
    let done = run_day(&arguments.out, &RunOptions::default(), &bar);
    bar.finish();
    match done {
        Err(error) => problems::tell(&error),
        Ok(done) if arguments.quiet => {
            for run in &done.runs {
                say(&format!(
                    "{}: {}",
                    run.run,
                    spotwright_workflow::words::acceptance(run.acceptance)
                ));
            }
            Outcome::Accepted
        }
        Ok(done) => {
            say(&summary::text(&done));
            say(&directions(&done));
            Outcome::Accepted
        }
    }
}

fn directions(done: &DayOutcome) -> String {
    let day = done
        .out
        .parent()
        .map_or_else(String::new, |day| day.display().to_string());
    let rejected = done
        .runs
        .iter()
        .position(|run| run.acceptance == Acceptance::Rejected);
    let report = rejected
        .and_then(|place| done.reports.get(place))
        .map_or(String::new(), |report| {
            format!(
                "\n  a rejected run, and why     {}",
                done.out.join(report).display()
            )
        });
    let example = done.runs.first().and_then(example);
    let explain = example.map_or(String::new(), |result| {
        format!("\n  one number, step by step    cargo run --release -- explain '{result}' --day {day}")
    });
    format!(
        "\nWhere to look next:\n  every run with its figures  {}{report}{explain}\n  what was planted            {day}/truth.jsonl\n  what a day consists of      docs/formats.md",
        done.out.join("index.html").display()
    )
}

/// A result worth explaining: the first control of the first analyte.
fn example(run: &RunRecord) -> Option<String> {
    let analyte = run.analytes.first()?;
    let control = analyte.controls.first()?;
    Some(format!("{}/{}/{}", run.run, control.order, analyte.analyte))
}
