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
const MOST_IN_GROUP: usize = 400;
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
    left_out: usize,
}

/// Results of one injection that share their line.
#[derive(Debug)]
struct Entry {
    order: u32,
    /// Order and card, escaped.
    sample: String,
    /// Place and name of each analyte.
    analytes: Vec<(usize, String)>,
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
            let order = injection.injection.order;
            let analyte = (place, result.analyte.to_string());
            let line = line(result, leading).into_string();
            let full = group.entries.len() >= MOST_IN_GROUP;
            match group.entries.last_mut() {
                Some(entry) if entry.order == order && entry.line == line => entry.analytes.push(analyte),
                _ if full => group.left_out += 1,
                _ => group.entries.push(Entry {
                    order,
                    sample: sample_short(&injection.injection),
                    analytes: vec![analyte],
                    line,
                }),
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
    html! {
        div.group {
            h3 { (words::verdict(verdict)) ": " (reason) " " span.count { "(" (group.count) ")" } }
            @if group.entries.len() > COMPACT_ABOVE {
                p.links {
                    @for of_injection in group.entries.chunk_by(|a, b| a.order == b.order) { span { (links(of_injection)) } " " }
                    @if group.left_out > 0 { "and " (group.left_out) " more: filter the results by verdict." }
                }
            } @else {
                table {
                    colgroup { col.g1; col.g2; col; col.g4; }
                    thead.hidden { tr {
                        th scope="col" { "Result" } th scope="col" { "Found" } th scope="col" { "Why" } th scope="col" { "Next" }
                    } }
                    tbody {
                        @for entry in &group.entries {
                            tr {
                                th scope="row" { (links(std::slice::from_ref(entry))) }
                                (PreEscaped(&entry.line))
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Order and card of an injection, then each analyte as a link to its row.
fn links(of_injection: &[Entry]) -> Markup {
    let analytes = of_injection.iter().flat_map(|entry| &entry.analytes);
    html! {
        @if let Some(first) = of_injection.first() {
            (PreEscaped(&first.sample)) " "
            @for (nth, (place, name)) in analytes.enumerate() {
                @if nth > 0 { ", " }
                a href={ "#r" (first.order) "-" (place) } { (name) }
            }
        }
    }
}
