//! Chromatograms: a strip an injection, a thumbnail a transition.

use super::Shown;
use crate::chromatogram::push_thumbnail;
use crate::number::push_integer;
use crate::words::Sample;
use maud::{Markup, Render, html};
use spotwright_domain::plot::ChromatogramPlot;
use spotwright_domain::reason::{Severity, heaviest};
use spotwright_domain::record::{InjectionRecord, ResultVerdict};

/// Strips drawn so far.
#[derive(Debug)]
pub(super) struct Chromatograms {
    shown: Shown,
    strips: String,
    injections: u64,
    chromatograms: u64,
    /// Injections that called for a look beyond the limit.
    beyond_limit: u64,
    /// `name|precursor → product` of each transition, from the first injection drawn.
    transitions: Vec<[String; 2]>,
}

impl Chromatograms {
    pub(super) fn new(shown: Shown) -> Self {
        Self {
            shown,
            strips: String::new(),
            injections: 0,
            chromatograms: 0,
            beyond_limit: 0,
            transitions: Vec::new(),
        }
    }

    /// Draws an injection if it is to be shown; says whether it was.
    pub(super) fn take(&mut self, of: &InjectionRecord, plots: &[ChromatogramPlot]) -> bool {
        if of.transitions.is_empty() {
            return false;
        }
        if let Shown::ByException { limit } = self.shown {
            if !calls_for_a_look(of) {
                return false;
            }
            if self.injections >= limit as u64 {
                self.beyond_limit += 1;
                return false;
            }
        }
        if self.transitions.is_empty() {
            self.transitions = of
                .transitions
                .iter()
                .map(|t| {
                    let mz = html! { (crate::number::Decimals(t.precursor_mz, 1)) " → " (crate::number::Decimals(t.product_mz, 1)) };
                    [t.name.clone(), mz.into_string()]
                })
                .collect();
        }
        let order = of.injection.order;
        let out = &mut self.strips;
        out.push_str("<article id=\"c");
        push_integer(out, i64::from(order));
        out.push_str("\"><h3><a href=\"#i");
        push_integer(out, i64::from(order));
        out.push_str("\">");
        push_integer(out, i64::from(order));
        out.push_str("</a> <span>");
        Sample(&of.injection).render_to(out);
        out.push_str("</span> <small>");
        of.injection.trace_file.as_str().render_to(out);
        match &of.trace_sha256 {
            Some(digest) => {
                out.push_str(" · SHA-256 ");
                digest.chars().take(12).collect::<String>().render_to(out);
                out.push('…');
            }
            None => out.push_str(" · file not readable"),
        }
        out.push_str("</small></h3><div>");
        for (place, transition) in of.transitions.iter().enumerate() {
            // Almost always in order; looked for only when not.
            let plot = plots
                .get(place)
                .filter(|plot| plot.transition == place)
                .or_else(|| plots.iter().find(|plot| plot.transition == place));
            push_thumbnail(
                out,
                order,
                place,
                transition,
                plot.map_or(&[], |plot| &plot.points),
            );
            self.chromatograms += 1;
        }
        out.push_str("</div></article>");
        self.injections += 1;
        true
    }

    pub(super) fn drawn(&self) -> u64 {
        self.chromatograms
    }

    /// Everything of the section before its strips.
    pub(super) fn opening(&self, injections: u64) -> Markup {
        let names: Vec<&[String; 2]> = self.transitions.iter().collect();
        // Inside a script element only "<" could end it; JSON may write it as an escape.
        let json = serde_json::to_string(&names)
            .unwrap_or_else(|_| "[]".to_owned())
            .replace('<', "\\u003c");
        html! {
            (maud::PreEscaped("<section id=\"chromatograms\">"))
            h2 { "Chromatograms" }
            p {
                (self.injections) " of " (injections) " injections are drawn"
                @match self.shown {
                    Shown::All => ".",
                    Shown::ByException { limit } => {
                        ": those with a reason that a person must look at, at most " (limit) "."
                        @if self.beyond_limit > 0 {
                            strong { " " (self.beyond_limit) " more call for a look and are not drawn here." }
                        }
                    }
                }
                " Each drawing holds the recorded points of its window, scaled to its own highest point: shaded between the limits "
                "of the peak, with the baseline, and a dotted line where the peak is expected. A drawing opens full size."
            }
            p.print-only { "The chromatograms are in the page on screen." }
            script type="application/json" #transitions { (maud::PreEscaped(json)) }
        }
    }

    /// The strips, to stand between [`Self::opening`] and the section's end.
    pub(super) fn strips(&self) -> &str {
        &self.strips
    }
}

/// A result that cannot go out as it is, or a reason heavier than a note anywhere in the injection.
fn calls_for_a_look(of: &InjectionRecord) -> bool {
    heaviest(&of.reasons) >= Some(Severity::Comment)
        || of.results.iter().any(|result| {
            matches!(
                result.verdict,
                ResultVerdict::NotReportable | ResultVerdict::ReportableWithComment
            ) || heaviest(&result.reasons) >= Some(Severity::Comment)
        })
}
