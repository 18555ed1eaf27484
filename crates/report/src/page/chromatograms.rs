//! Chromatograms: a strip an injection, a thumbnail a transition.

use super::Shown;
use crate::chromatogram::push_thumbnail;
use crate::number::push_integer;
use crate::words::Sample;
use maud::{Markup, Render, html};
use spotwright_domain::plot::ChromatogramPlot;
use spotwright_domain::reason::{Severity, heaviest};
use spotwright_domain::record::{InjectionRecord, ResultVerdict};

/// Room for a thumbnail, so that a strip rarely grows while it is drawn.
const STRIP_BYTES_A_TRANSITION: usize = 1200;

/// Strips drawn so far.
#[derive(Debug)]
pub(super) struct Chromatograms {
    shown: Shown,
    strips: Vec<String>,
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
            strips: Vec::new(),
            injections: 0,
            chromatograms: 0,
            beyond_limit: 0,
            transitions: Vec::new(),
        }
    }

    /// Takes an injection's strip in if it is to be shown; says whether it was. `strip` is [`draw_chromatograms`] of
    /// this injection.
    pub(super) fn take(&mut self, of: &InjectionRecord, strip: Option<String>) -> bool {
        if let Shown::ByException { limit } = self.shown
            && self.injections >= limit as u64
        {
            self.beyond_limit += u64::from(is_shown(of, self.shown));
            return false;
        }
        let Some(strip) = strip else {
            return false;
        };
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
        self.strips.push(strip);
        self.chromatograms += of.transitions.len() as u64;
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
    pub(super) fn strips(&self) -> &[String] {
        &self.strips
    }
}

/// Draws an injection's chromatograms, one strip of thumbnails, when `shown` calls for them (its limit aside). Needs
/// nothing of the page, so that threads can draw while one writes.
#[must_use]
pub(super) fn draw_chromatograms(
    of: &InjectionRecord,
    plots: &[ChromatogramPlot],
    shown: Shown,
) -> Option<String> {
    if !is_shown(of, shown) {
        return None;
    }
    let order = of.injection.order;
    let mut out = String::with_capacity(of.transitions.len() * STRIP_BYTES_A_TRANSITION);
    out.push_str("<article id=\"c");
    push_integer(&mut out, i64::from(order));
    out.push_str("\"><h3><a href=\"#i");
    push_integer(&mut out, i64::from(order));
    out.push_str("\">");
    push_integer(&mut out, i64::from(order));
    out.push_str("</a> <span>");
    Sample(&of.injection).render_to(&mut out);
    out.push_str("</span> <small>");
    of.injection.trace_file.as_str().render_to(&mut out);
    match &of.trace_sha256 {
        Some(digest) => {
            out.push_str(" · SHA-256 ");
            digest.chars().take(12).collect::<String>().render_to(&mut out);
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
        let points = plot.map_or(&[][..], |plot| &plot.points);
        push_thumbnail(&mut out, order, place, transition, points);
    }
    out.push_str("</div></article>");
    Some(out)
}

fn is_shown(of: &InjectionRecord, shown: Shown) -> bool {
    match shown {
        _ if of.transitions.is_empty() => false,
        Shown::All => true,
        Shown::ByException { .. } => calls_for_a_look(of),
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
