//! What the run was judged by, where everything comes from, and how far this page may be trusted.

use super::PageContext;
use crate::number::Plain;
use crate::words;
use maud::{Markup, html};
use spotwright_domain::record::{RECORD_VERSION, RunRecord};

/// The closing section.
pub(super) fn section(context: &PageContext<'_>, run: &RunRecord) -> Markup {
    html! {
        section #method {
            h2 { "Method, limits, provenance" }
            h3 { "Limits that differ from the defaults" }
            @if run.limit_overrides.is_empty() {
                p { "None: every limit is the published default." }
            } @else {
                div.scroll {
                    table {
                        thead { tr {
                            th scope="col" { "Limit" } th scope="col" { "Default" } th scope="col" { "This method" } th.wide scope="col" { "Why" }
                        } }
                        tbody {
                            @for of in &run.limit_overrides {
                                tr {
                                    th scope="row" { code { (of.name) } }
                                    td.num { (Plain(of.default)) }
                                    td.num { (Plain(of.value)) }
                                    td { (of.reason) }
                                }
                            }
                        }
                    }
                }
            }
            h3 { "Provenance" }
            dl.facts {
                dt { "Method" } dd { (run.method) ", version " (run.method_version) }
                dt { "Method file, SHA-256" } dd { code { (run.method_sha256) } }
                dt { "Program" } dd { "Spotwright " (context.program_version) ", record layout " (RECORD_VERSION) }
                dt { "Injections" }
                dd {
                    @for (nth, (role, count)) in run.roles.iter().filter(|(_, count)| *count > 0).enumerate() {
                        @if nth > 0 { ", " }
                        (words::role(*role)) " " (count)
                    }
                }
                dt { "Trace files" } dd { "The first twelve characters of each SHA-256 stand beside its chromatograms; " code { "results.json" } " holds them whole." }
            }
            h3 { "Cautions" }
            ul.cautions {
                li { "This page proposes. Qualified staff review it; a result is released only by a named person." }
                li { "The values are concentrations in the measured matrix. They are not converted to plasma and not read against a target range here." }
                li { "A value marked “not to be reported” lies outside the calibrated range; it helps to plan a dilution and nothing else." }
                @if context.simulated {
                    li { strong { "All data on this page is simulated." } " It shows how the program works and proves nothing about a method." }
                }
            }
        }
    }
}
