//! `spotwright simulate`: a laboratory day with known truth.

use crate::arguments::{Scenario, Simulate};
use crate::outcome::Outcome;
use crate::print::{complain, say};
use spotwright_simulate::card::{CardSetPlan, write_cards};
use spotwright_simulate::{DayPlan, write_day};

/// Most injections of a simulated day.
const MOST_INJECTIONS: u64 = 100_000;

/// Writes the day and says what is in it.
pub(crate) fn simulate(arguments: &Simulate) -> Outcome {
    if !(1..=MOST_INJECTIONS).contains(&arguments.injections) {
        complain(&format!(
            "--injections takes 1 to {MOST_INJECTIONS}, not {}",
            arguments.injections
        ));
        return Outcome::BadInput;
    }
    let plan = match arguments.scenario {
        Scenario::Cards => return cards(arguments),
        Scenario::Demo => DayPlan {
            seed: arguments.seed,
            ..DayPlan::demo()
        },
        Scenario::Clean => DayPlan::clean(arguments.seed),
        Scenario::Scale => DayPlan::scale(arguments.seed, arguments.injections),
    };
    match write_day(&plan, &arguments.out, &|_| {}) {
        Err(error) => {
            complain(&error.to_string());
            Outcome::Failed
        }
        Ok(summary) => {
            say(&format!(
                "Simulated day in {}: {} runs, {} injections. Nothing in it comes from a person.\nThe truth is in truth.jsonl beside it.",
                arguments.out.display(),
                summary.runs,
                summary.injections
            ));
            Outcome::Accepted
        }
    }
}

/// Writes photographs of cards and says where they are.
fn cards(arguments: &Simulate) -> Outcome {
    let base = if arguments.good {
        CardSetPlan::good(arguments.seed, arguments.cards)
    } else {
        CardSetPlan::new(arguments.seed, arguments.cards)
    };
    let plan = CardSetPlan {
        repeat: arguments.repeat,
        width_px: arguments.width,
        ..base
    };
    match write_cards(&plan, &arguments.out, &|_| {}) {
        Err(error) => {
            complain(&error.to_string());
            Outcome::Failed
        }
        Ok(summary) => {
            say(&format!(
                "Simulated cards in {}: {} cards, {} spots, {} photographs. Nothing on them comes from a person.\nThe truth is in truth/cards.jsonl beside them.",
                arguments.out.display(),
                summary.cards,
                summary.spots,
                summary.photographs
            ));
            Outcome::Accepted
        }
    }
}
