//! What needs a person now: patients' results that may not go out as they are, by reason, heaviest first.

use super::results::{found, sample_short};
use crate::words;
use maud::{Markup, PreEscaped, html};
use spotwright_domain::injection::SampleRole;
use spotwright_domain::reason::{Reason, ReasonCode, Severity};
use spotwright_domain::record::{InjectionRecord, NextStep, ResultRecord, ResultVerdict};
use std::cmp::Reverse;
use std::collections::BTreeMap;

/// Entries of one group written in full; beyond, the number alone: the table can be filtered for them.
const MOST_IN_GROUP: usize = 200;
/// Above this many entries of one group each is a link and no more.
const COMPACT_ABOVE: usize = 12;

/// Groups of results that need a person, gathered while injections pass by.
#[derive(Debug, Default)]
pub(super) struct Attention {
    groups: BTreeMap<Key, Group>,
}

/// Not reportable before comments; then by the leading reason, in the order of the closed list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Key {
    verdict: Reverse<u8>,
    reason: Option<ReasonCode>,
}

#[derive(Debug, Default)]
struct Group {
    entries: Vec<Entry>,
    count: usize,
}

#[derive(Debug)]
struct Entry {
    order: u32,
    analyte: usize,
    title: String,
    line: String,
}

impl Attention {
    pub(super) fn take(&mut self, injection: &InjectionRecord) {
        let persons = matches!(
            injection.injection.role,
            SampleRole::Patient | SampleRole::IncurredRepeat
        );
        for (place, result) in injection.results.iter().enumerate() {
            let verdict = match result.verdict {
                ResultVerdict::NotReportable => 2,
                ResultVerdict::ReportableWithComment => 1,
                ResultVerdict::Reportable | ResultVerdict::NotApplicable => continue,
            };
            if !persons {
                continue;
            }
            let leading = leading(injection, result);
            let key = Key {
                verdict: Reverse(verdict),
                reason: leading.map(|reason| reason.code),
            };
            let group = self.groups.entry(key).or_default();
            group.count += 1;
            if group.entries.len() < MOST_IN_GROUP {
                group.entries.push(Entry {
                    order: injection.injection.order,
                    analyte: place,
                    title: sample_short(&injection.injection, result),
                    line: line(result, leading).into_string(),
                });
            }
        }
    }

    pub(super) fn section(&self) -> Markup {
        html! {
            section #attention slot="attention" {
                h2 { "What needs a person now" }
                @if self.groups.is_empty() {
                    p { "No patient’s result is held back and none carries a comment. They wait for review." }
                }
                @for (key, group) in &self.groups {
                    (self::group(*key, group))
                }
            }
        }
    }
}

/// The reason that weighs most; among equals the first.
fn leading<'a>(injection: &'a InjectionRecord, result: &'a ResultRecord) -> Option<&'a Reason> {
    let all = result.reasons.iter().chain(&injection.reasons);
    all.filter(|reason| reason.severity > Severity::Note)
        .fold(None, |heaviest: Option<&Reason>, reason| match heaviest {
            Some(heaviest) if heaviest.severity >= reason.severity => Some(heaviest),
            _ => Some(reason),
        })
}

fn line(result: &ResultRecord, leading: Option<&Reason>) -> Markup {
    let others = result
        .reasons
        .iter()
        .filter(|r| r.severity > Severity::Note)
        .count()
        .saturating_sub(1);
    html! {
        td.num { (found(result)) }
        td {
            @if let Some(reason) = leading { (reason.text) " " (words::evidence(reason)) }
            @if others > 0 { small { " · " (others) " more " @if others == 1 { "reason" } @else { "reasons" } } }
        }
        td {
            @if result.next_step == NextStep::None { "–" } @else { (words::next_step(result.next_step)) }
        }
    }
}

fn group(key: Key, group: &Group) -> Markup {
    let verdict = if key.verdict.0 == 2 {
        ResultVerdict::NotReportable
    } else {
        ResultVerdict::ReportableWithComment
    };
    let reason = key.reason.map_or("no single reason".to_owned(), |code| {
        code.as_str().replace('-', " ")
    });
    let left_out = group.count - group.entries.len();
    html! {
        div.group {
            h3 { (words::verdict(verdict)) ": " (reason) " " span.count { "(" (group.count) ")" } }
            @if group.count > COMPACT_ABOVE {
                p.links {
                    @for entry in &group.entries {
                        a href={ "#r" (entry.order) "-" (entry.analyte) } { (PreEscaped(&entry.title)) } " "
                    }
                    @if left_out > 0 { "and " (left_out) " more: filter the results by verdict." }
                }
            } @else {
                table {
                    thead.hidden { tr {
                        th scope="col" { "Result" } th scope="col" { "Found" } th scope="col" { "Why" } th scope="col" { "Next" }
                    } }
                    tbody {
                        @for entry in &group.entries {
                            tr {
                                th scope="row" { a href={ "#r" (entry.order) "-" (entry.analyte) } { (PreEscaped(&entry.title)) } }
                                (PreEscaped(&entry.line))
                            }
                        }
                    }
                }
            }
        }
    }
}
