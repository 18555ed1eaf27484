//! The cover of a day with several runs.

use crate::page::{html_head, simulated_mark};
use crate::words;
use maud::{DOCTYPE, html};
use spotwright_domain::record::{Acceptance, RunRecord};
use std::io::{self, Write};

/// What the cover says of the day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DayContext<'a> {
    /// The day, as the laboratory names it.
    pub day: &'a str,
    /// Version of the program that judged the runs.
    pub program_version: &'a str,
    /// Whether the data is invented.
    pub simulated: bool,
}

/// A run and where its report stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RunLink<'a> {
    /// The run.
    pub run: &'a RunRecord,
    /// Its report, relative to the cover (`run-1.html`).
    pub href: &'a str,
}

/// Writes the cover: every run's verdict, counts and report.
///
/// # Errors
/// When writing fails.
pub fn index_page<W: Write>(mut w: W, day: &DayContext<'_>, runs: &[RunLink<'_>]) -> io::Result<()> {
    let of = |acceptance: Acceptance| {
        runs.iter()
            .filter(|link| link.run.acceptance == acceptance)
            .count()
    };
    let injections: u64 = runs.iter().map(|link| link.run.injections).sum();
    let simulated = if day.simulated { "SIMULATED: " } else { "" };
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            (html_head(&format!("{simulated}{}: {} runs", day.day, runs.len()), day.simulated))
            body {
                a.skip href="#runs" { "Skip to the runs" }
                @if day.simulated { (simulated_mark()) }
                main {
                    section #runs {
                        p.over { "Spotwright " (day.program_version) }
                        h1 { (day.day) }
                        p {
                            (runs.len()) @if runs.len() == 1 { " run, " } @else { " runs, " } (injections) " injections. "
                            "Accepted " (of(Acceptance::Accepted)) ", accepted with comment "
                            (of(Acceptance::AcceptedWithComment)) ", rejected " (of(Acceptance::Rejected)) "."
                        }
                        div.scroll role="region" aria-labelledby="runs-caption" tabindex="0" {
                            table.runs {
                                caption #runs-caption { "Runs of the day" }
                                thead { tr {
                                    th scope="col" { "Run" } th scope="col" { "Method" } th scope="col" { "Verdict" }
                                    th scope="col" { "Injections" } th scope="col" { "Reportable" }
                                    th scope="col" { "With comment" } th scope="col" { "Not reportable" }
                                    th.wide scope="col" { "Analytes to look at, and reasons of the run" }
                                } }
                                tbody { @for link in runs { (row(link)) } }
                            }
                        }
                        ul.cautions {
                            li { "These reports propose. Qualified staff review them; a result is released only by a named person." }
                        }
                    }
                }
            }
        }
    };
    w.write_all(page.0.as_bytes())?;
    w.flush()
}

fn row(link: &RunLink<'_>) -> maud::Markup {
    let run = link.run;
    html! {
        tr {
            th scope="row" { a href=(link.href) { "Run " (run.run) } }
            td { (run.method) ", version " (run.method_version) }
            td { (words::acceptance(run.acceptance)) }
            td.num { (run.injections) }
            td.num { (run.verdicts.reportable) }
            td.num { (run.verdicts.reportable_with_comment) }
            td.num { (run.verdicts.not_reportable) }
            td {
                @for of in run.analytes.iter().filter(|of| of.acceptance != Acceptance::Accepted) {
                    p { (words::acceptance(of.acceptance)) ": " (of.analyte) }
                }
                (words::reasons(&run.reasons))
            }
        }
    }
}
