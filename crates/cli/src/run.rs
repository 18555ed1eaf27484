//! `spotwright run`: a laboratory day, computed and judged.

use crate::arguments::Run;
use crate::outcome::Outcome;
use crate::print::say;
use crate::problems;
use crate::progress::Bar;
use crate::summary;
use spotwright_workflow::run::{DayOutcome, RunOptions, run_day};

/// Runs the day and says what it came to.
pub(crate) fn run(arguments: &Run) -> Outcome {
    let bar = Bar::new(arguments.quiet || arguments.json);
    let options = RunOptions {
        out: arguments.out.clone(),
        threads: arguments.threads,
        without_html: arguments.no_html,
    };
    let done = run_day(&arguments.day, &options, &bar);
    bar.finish();
    match done {
        Err(error) => problems::tell(&error),
        Ok(done) => {
            if arguments.json {
                say(&summary::json(&done));
            } else if !arguments.quiet {
                say(&summary::text(&done));
            }
            judged(&done)
        }
    }
}

/// How a judged day ends the program.
pub(crate) fn judged(done: &DayOutcome) -> Outcome {
    if done.any_rejected() {
        Outcome::Rejected
    } else {
        Outcome::Accepted
    }
}
