//! The prescriber's page: what a level means for one person's dose, on one sheet.

use crate::figure;
use crate::number::{Decimals, Plain, Significant};
use crate::page::{html_head, simulated_mark};
use crate::words;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use spotwright_domain::interpretation::{
    EstimateShown, InterpretationRecord, InterpretationStatus, LevelUsed, OptionKind, OptionShown, Spread,
    TargetShown,
};
use spotwright_domain::matrix::MatrixKind;
use std::io::{self, Write};

/// Writes the page: statement, curve, options, how sure it is, what it was made of, cautions. It needs no script.
///
/// # Errors
/// When writing fails.
pub fn interpretation_page<W: Write>(
    mut w: W,
    of: &InterpretationRecord,
    program_version: &str,
) -> io::Result<()> {
    let simulated = if of.simulated { "SIMULATED: " } else { "" };
    let title = format!("{simulated}{}, {}", of.drug, of.subject);
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            (html_head(&title, of.simulated))
            body.answer {
                @if of.simulated { (simulated_mark()) }
                main {
                    p.over { "Exposure and dose options for " (of.subject) }
                    h1 { (capital(&of.drug)) " in " (matrix(of.matrix)) }
                    (statement(of))
                    (levels(of))
                    @if let Some(curve) = figure::exposure(of) {
                        figure { (PreEscaped(curve.inline())) }
                    }
                    @if !of.options.is_empty() { (options(of)) }
                    @if !of.cautions.is_empty() {
                        section {
                            h2 { "Cautions" }
                            ul { @for caution in &of.cautions { li { (caution) } } }
                        }
                    }
                    div.sides {
                        @if let Some(estimate) = &of.estimate { (person(estimate, of)) }
                        (inputs(of))
                    }
                    (foot(of, program_version))
                }
            }
        }
    };
    w.write_all(page.0.as_bytes())
}

fn statement(of: &InterpretationRecord) -> Markup {
    let (class, mark, word, sentence) = match of.status {
        InterpretationStatus::Options => (
            "a",
            "✓",
            "Options for the prescriber to choose from",
            "None of them is an instruction. The prescriber decides, with the person, the whole record and local rules.",
        ),
        InterpretationStatus::ExposureOnly => (
            "c",
            "▲",
            "Exposure only, no dose options",
            "The estimate is for information.",
        ),
        InterpretationStatus::ResearchDisplay => (
            "c",
            "▲",
            "For research display only",
            "The model behind these numbers is not cleared for advice. No dose may be chosen by them.",
        ),
        InterpretationStatus::Refused => (
            "x",
            "✕",
            "No options are offered",
            "The reasons stand below, with what would lift them.",
        ),
    };
    html! {
        section.verdict.(class) {
            p.word { span aria-hidden="true" { (mark) } " " (word) }
            p { (sentence) }
            @if !of.refusals.is_empty() {
                ul {
                    @for refusal in &of.refusals {
                        li { (refusal.reason) " " strong { "To lift it: " } (refusal.lifted_by) " " small { (refusal.code) } }
                    }
                }
            }
        }
    }
}

fn levels(of: &InterpretationRecord) -> Markup {
    html! {
        section {
            h2 { "Measured" }
            @if of.levels.is_empty() { p.none { "No level could be used." } } @else {
                div.scroll { table {
                    thead { tr {
                        th { "Taken" } th { "Since the last dose" } th { "Level (" (words::unit(of.unit)) ")" }
                        th { "This person's curve" } th { "Among people like this one" } th.remarks { "Remarks" }
                    } }
                    tbody { @for level in &of.levels { (level_row(level)) } }
                } }
            }
            @if let Some(target) = &of.target { (target_line(target)) } @else {
                p { "No target range is stored for this drug: nothing here says what is low or high." }
            }
        }
    }
}

fn level_row(level: &LevelUsed) -> Markup {
    html! {
        tr {
            th.num { (moment(&level.taken_at)) }
            td.num { @if let Some(hours) = level.hours_since_dose { (Decimals(hours, 1)) " h" } @else { "–" } }
            td.num {
                @if level.below_limit { "< " }
                strong { (Significant(level.value, 3)) }
                @if !level.below_limit {
                    span.range { (Significant(level.interval_95[0], 3)) " to " (Significant(level.interval_95[1], 3)) " (95 %)" }
                }
            }
            td.num { @if let Some(predicted) = level.predicted { (Significant(predicted, 3)) } @else { "–" } }
            td.num {
                @if let Some(percentile) = level.prior_percentile { "percentile " (Decimals(percentile, 0)) } @else { "–" }
            }
            td.remarks {
                (level.origin)
                @for flag in &level.flags { br; strong.c { "▲ " (flag) } }
            }
        }
    }
}

fn target_line(target: &TargetShown) -> Markup {
    html! {
        p {
            "Read against: " strong { (target.quantity) " " (ends(target.low, target.high)) " " (target.unit) }
            " in " (matrix(target.matrix))
            @if let Some(toxic) = target.toxic_above { "; too high above " (Plain(toxic)) " " (target.unit) }
            ". " (target.indication) ". Sample: " (target.sampling) ". Source: " (target.source)
            @if !target.verified { " (numbers not checked against the source)" } "."
        }
    }
}

fn ends(low: Option<f64>, high: Option<f64>) -> Markup {
    html! {
        @match (low, high) {
            (Some(low), Some(high)) => { (Plain(low)) "–" (Plain(high)) },
            (Some(low), None) => { "from " (Plain(low)) },
            (None, Some(high)) => { "up to " (Plain(high)) },
            (None, None) => { "without limits" },
        }
    }
}

fn options(of: &InterpretationRecord) -> Markup {
    let unit = words::unit(of.unit);
    let has_target = of.options.iter().any(|option| option.below_in_above.is_some());
    let has_toxic = of.options.iter().any(|option| option.toxic.is_some());
    html! {
        section {
            h2 { "Options" }
            p { (of.criterion) " Median, and below it the range that holds 90 % of what is likely for this person." }
            div.scroll { table.options {
                thead { tr {
                    th { "Option" }
                    th { "Trough" br; small { (unit) } }
                    th { "Peak" br; small { (unit) } }
                    th { "AUC over 24 h" br; small { (unit) " · h" } }
                    @if has_target { th { "Below / in / above target" } }
                    @if has_toxic { th { "Too high" } }
                    th { "Steady state" }
                    th { "Remarks" }
                } }
                tbody { @for option in &of.options { (option_row(option, has_target, has_toxic)) } }
            } }
        }
    }
}

fn option_row(option: &OptionShown, has_target: bool, has_toxic: bool) -> Markup {
    html! {
        tr {
            th {
                (option.label)
                @if option.kind == OptionKind::ChangeDose {
                    @if let Some(change) = option.daily_change_pct {
                        span.range { (crate::number::SignedPercent(change)) " a day" }
                    }
                }
                @if let Some((amount, unit)) = &option.loading_dose {
                    span.range { "first dose " (Plain(*amount)) " " (unit) " once" }
                }
            }
            td.num { (spread(option.trough)) }
            td.num { (spread(option.peak)) }
            td.num { (spread(option.auc_24_h)) }
            @if has_target { td.num { @if let Some(shares) = option.below_in_above { (split(shares)) } @else { "–" } } }
            @if has_toxic { td.num { @if let Some(toxic) = option.toxic { (percent(toxic)) } @else { "–" } } }
            td.num {
                @if let Some([median, late]) = option.steady_state_h {
                    (duration(median)) span.range { "90 % by " (duration(late)) }
                } @else { "–" }
            }
            td { @for note in &option.notes { p { (note) } } }
        }
    }
}

/// Three shares as a strip with its numbers: white below, solid in, hatched above; the numbers carry the meaning.
fn split(shares: [f64; 3]) -> Markup {
    let [low, inside, high] = shares.map(|share| share.clamp(0.0, 1.0) * 100.0);
    let bar = |class: &str, from: f64, width: f64| {
        html! { path class=(class) d=(format!("M{from:.1} 0h{width:.1}v10h-{width:.1}z")) {} }
    };
    html! {
        svg.split viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true" {
            defs { pattern #too-high width="4" height="4" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                rect width="2" height="4" fill="#a3262e" {}
            } }
            (bar("low", 0.0, low)) (bar("in", low, inside)) (bar("high", low + inside, high))
        }
        (percent(shares[0])) " / " strong { (percent(shares[1])) } " / " (percent(shares[2]))
    }
}

fn percent(share: f64) -> Markup {
    let in_percent = share * 100.0;
    html! {
        @if in_percent > 0.0 && in_percent < 1.0 { "<1 %" }
        @else if in_percent > 99.0 && in_percent < 100.0 { ">99 %" }
        @else { (Decimals(in_percent, 0)) " %" }
    }
}

fn spread(of: Option<Spread>) -> Markup {
    html! {
        @if let Some(of) = of {
            (Significant(of.median, 3)) span.range { (Significant(of.low_90, 3)) " to " (Significant(of.high_90, 3)) }
        } @else { "–" }
    }
}

fn duration(hours: f64) -> Markup {
    html! { @if hours < 48.0 { (Decimals(hours, 0)) " h" } @else { (Decimals(hours / 24.0, 1)) " d" } }
}

fn person(estimate: &EstimateShown, of: &InterpretationRecord) -> Markup {
    html! {
        section {
            h2 { "This person, as estimated" }
            table {
                thead { tr { th { "Quantity" } th { "Median, 90 %" } th { "Typical" } th { "Leans on the model" } } }
                tbody {
                    @for parameter in &estimate.parameters {
                        tr {
                            th { (parameter.name) " " small { (parameter.unit) } }
                            td.num { (spread(Some(parameter.person))) }
                            td.num { (Significant(parameter.typical, 3)) }
                            td.num {
                                @if let Some(shrinkage) = parameter.shrinkage { (percent(shrinkage)) } @else { "fixed" }
                            }
                        }
                    }
                    @if let Some(half_life) = estimate.half_life_h {
                        tr { th { "half-life " small { "h" } } td.num { (spread(Some(half_life))) } td { "–" } td { "–" } }
                    }
                }
            }
            @for remark in &estimate.remarks { p { (remark) } }
            p { small { (estimate.method) " Effective draws: " (Decimals(estimate.effective_draws, 0)) ". Seed " (of.seed) "." } }
        }
    }
}

fn inputs(of: &InterpretationRecord) -> Markup {
    html! {
        section {
            h2 { "Made of" }
            dl.facts {
                @for covariate in &of.covariates {
                    dt { (covariate.name) }
                    dd {
                        (Plain(covariate.value)) " " (covariate.unit) " " small { (covariate.origin) }
                        @if !covariate.note.is_empty() { " " strong.c { "▲ " (covariate.note) } }
                    }
                }
                dt { "doses" }
                dd { (of.doses.len()) " counted" @if let (Some(first), Some(last)) = (of.doses.first(), of.doses.last()) {
                    ", last " (Plain(last.amount)) " " (last.unit) " " (last.route) " "
                    (Decimals((last.time_h - first.time_h) / 24.0, 1)) " days after the first"
                } }
            }
            @for model in &of.models {
                p {
                    strong { (model.title) } " " small { (model.id) ", confidence " (model.confidence)
                    @if of.models.len() > 1 { ", weight " (percent(model.weight)) } }
                    br; small { (model.citation) " "
                    @if model.signed_by.is_empty() { "Signed by nobody." } @else { "Signed by " (model.signed_by.join("; ")) "." } }
                }
            }
        }
    }
}

fn foot(of: &InterpretationRecord, program_version: &str) -> Markup {
    html! {
        footer.foot {
            p {
                "For a licensed prescriber; not an order. A level says nothing alone: weigh it with the person's state, "
                "other medicines, local protocols and the law."
            }
            p {
                "Spotwright " (program_version) ". Hour zero " (moment(&of.origin)) ". Inputs " code { (of.inputs_sha256.get(..16).unwrap_or_default()) }
                @for model in &of.models { ", model " code { (model.sha256.get(..16).unwrap_or_default()) } }
                "."
            }
        }
    }
}

fn matrix(of: MatrixKind) -> &'static str {
    match of {
        MatrixKind::DriedBlood => "dried blood",
        MatrixKind::WholeBlood => "whole blood",
        MatrixKind::Plasma => "plasma",
    }
}

/// An ISO 8601 time as people write it: date, hours and minutes, offset.
fn moment(iso: &str) -> String {
    let (date, time) = iso.split_once('T').unwrap_or((iso, ""));
    let (clock, offset) = time
        .find(['+', '-', 'Z'])
        .map_or((time, ""), |at| time.split_at(at));
    let minutes: Vec<&str> = clock.split(':').take(2).collect();
    let offset = if offset == "Z" { "+00:00" } else { offset };
    format!("{date} {} {offset}", minutes.join(":")).trim().to_owned()
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
