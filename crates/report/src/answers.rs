//! The cover of a day's interpretations.

use crate::index::DayContext;
use crate::number::{Decimals, Significant};
use crate::page::{html_head, simulated_mark};
use crate::words;
use maud::{DOCTYPE, Markup, html};
use spotwright_domain::interpretation::{InterpretationRecord, InterpretationStatus};
use std::io::{self, Write};

/// An interpretation and where its page stands.
#[derive(Debug, Clone, PartialEq)]
pub struct AnswerLink<'a> {
    /// The interpretation.
    pub record: &'a InterpretationRecord,
    /// Its page, relative to the cover.
    pub href: String,
}

/// Writes the cover: refusals first, since somebody must ask or measure again.
///
/// # Errors
/// When writing fails.
pub fn answers_page<W: Write>(mut w: W, day: &DayContext<'_>, answers: &[AnswerLink<'_>]) -> io::Result<()> {
    let simulated = if day.simulated { "SIMULATED: " } else { "" };
    let groups = [
        (InterpretationStatus::Refused, "Nothing is offered"),
        (InterpretationStatus::ResearchDisplay, "For research display only"),
        (InterpretationStatus::ExposureOnly, "Exposure only"),
        (InterpretationStatus::Options, "Options for a prescriber"),
    ];
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            (html_head(&format!("{simulated}{}: {} answers", day.day, answers.len()), day.simulated))
            body.answer {
                @if day.simulated { (simulated_mark()) }
                main {
                    p.over { "Spotwright " (day.program_version) }
                    h1 { "Levels of " (day.day) ", read against doses" }
                    p { "Options are offered to a licensed prescriber; none is an order. Each page says what it was made of." }
                    @for (status, heading) in groups {
                        @let of: Vec<&AnswerLink<'_>> = answers.iter().filter(|answer| answer.record.status == status).collect();
                        @if !of.is_empty() {
                            section {
                                h2 { (heading) " " small { (of.len()) } }
                                div.scroll { table {
                                    thead { tr {
                                        th { "Person" } th { "Drug" } th { "Last level" } th { "After the dose" }
                                        th.remarks { (if status == InterpretationStatus::Refused { "Why, and what would lift it" } else { "First of the options" }) }
                                    } }
                                    tbody { @for answer in of { (row(answer)) } }
                                } }
                            }
                        }
                    }
                }
            }
        }
    };
    w.write_all(page.0.as_bytes())
}

fn row(answer: &AnswerLink<'_>) -> Markup {
    let record = answer.record;
    let last = record.levels.last();
    html! {
        tr {
            th.num { a href=(answer.href) { (record.subject) } }
            td { (record.drug) }
            td.num {
                @if let Some(level) = last {
                    @if level.below_limit { "< " } (Significant(level.value, 3)) " " (words::unit(record.unit))
                } @else { "–" }
            }
            td.num {
                @if let Some(hours) = last.and_then(|level| level.hours_since_dose) { (Decimals(hours, 1)) " h" } @else { "–" }
            }
            td.remarks {
                @if let Some(option) = record.options.first() {
                    (option.label)
                    @if let Some([_, inside, _]) = option.below_in_above { ", " (Decimals(inside * 100.0, 0)) " % in target" }
                } @else {
                    @for refusal in record.refusals.iter().take(2) { p { (refusal.reason) " " (refusal.lifted_by) } }
                }
            }
        }
    }
}
