//! The `spotwright` program: parse, call one act, render.

mod arguments;
mod check;
mod curve;
mod demo;
mod explain;
mod interpret;
mod look;
mod noncompartmental;
mod outcome;
mod population;
mod print;
mod problems;
mod progress;
mod run;
mod simulate;
mod sparkline;
mod summary;
mod table;
mod traces;

use arguments::{Arguments, Command};
use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    let outcome = match Arguments::parse().command {
        Command::Demo(arguments) => demo::demo(&arguments),
        Command::Run(arguments) => run::run(&arguments),
        Command::Check(arguments) => check::check(&arguments),
        Command::Explain(arguments) => explain::explain(&arguments),
        Command::Look(arguments) => look::run(&arguments),
        Command::Interpret(arguments) => interpret::day(&arguments),
        Command::Dose(arguments) => interpret::case(&arguments),
        Command::Traces(arguments) => traces::traces(&arguments),
        Command::Curve(arguments) => curve::curve(&arguments),
        Command::Noncompartmental(arguments) => noncompartmental::noncompartmental(&arguments),
        Command::Population(arguments) => population::population(&arguments),
        Command::Simulate(arguments) => simulate::simulate(&arguments),
    };
    outcome.into()
}
