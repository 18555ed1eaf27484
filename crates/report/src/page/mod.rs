//! The run report: one page a run, written once, front to back.
//!
//! Two parts near the top (the tally and what needs a person) are known only when the last injection has passed.
//! They are written at the end of the file and stand in their place through named slots, which need no script; a
//! reader without slots finds them at the end, where links from the top lead.

mod analyte;
mod attention;
mod chromatograms;
mod converted;
mod limits;
mod method;
mod results;
mod verdict;

use crate::words;
use attention::Attention;
use chromatograms::Chromatograms;
use chromatograms::draw_chromatograms;
use limits::LimitsInForce;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use spotwright_domain::plot::{ChromatogramPlot, RunSeries};
use spotwright_domain::record::{InjectionRecord, RunRecord};
use std::io::{self, Write};

/// What a page says besides the run's record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PageContext<'a> {
    /// The day, as the laboratory names it.
    pub day: &'a str,
    /// Title of the method for people.
    pub method_title: &'a str,
    /// Version of the program that judged the run.
    pub program_version: &'a str,
    /// Whether the data is invented: the page then says so on top.
    pub simulated: bool,
    /// Injections in the run's list; the page compares the number that passed by.
    pub total_injections: u64,
    /// Which injections' chromatograms are shown.
    pub chromatograms_shown: Shown,
}

/// Which injections' chromatograms a page shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shown {
    /// Every injection's.
    All,
    /// Those with a reason that a person must look at, at most so many injections. The page says how many it left
    /// out.
    ByException {
        /// Most injections shown.
        limit: usize,
    },
}

/// What a page came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PageTotals {
    /// Injections written.
    pub injections: u64,
    /// Results written.
    pub results: u64,
    /// Chromatograms drawn.
    pub chromatograms: u64,
    /// Bytes written.
    pub bytes: u64,
}

/// A run report being written. Holds the drawn chromatograms until [`Self::finish`]; all else passes through.
#[derive(Debug)]
pub struct RunPage<W: Write> {
    out: Out<W>,
    expected_injections: u64,
    injections: u64,
    results: u64,
    drawer: Drawer,
    attention: Attention,
    chromatograms: Chromatograms,
    /// The last section, known from the start.
    closing: String,
    counts: spotwright_domain::record::VerdictCounts,
}

impl<W: Write> RunPage<W> {
    /// Writes everything the run's record knows: verdict, analytes with figures and tables, head of the results.
    ///
    /// # Errors
    /// When writing fails.
    pub fn begin(w: W, context: &PageContext<'_>, run: &RunRecord, series: &RunSeries) -> io::Result<Self> {
        let limits = LimitsInForce::of(run);
        let mut out = Out {
            w,
            waiting: String::with_capacity(FLUSH_AT + 16_384),
            bytes: 0,
        };
        out.push(&head(context, run))?;
        out.push(&verdict::statement(context, run))?;
        out.push(&verdict::by_analyte(run))?;
        out.push(&analyte::all(run, series, &limits))?;
        out.push(&PreEscaped(results::opening(run)))?;
        Ok(Self {
            out,
            expected_injections: context.total_injections,
            injections: 0,
            results: 0,
            drawer: Drawer::of(run, context.chromatograms_shown),
            attention: Attention::default(),
            chromatograms: Chromatograms::new(context.chromatograms_shown),
            closing: method::section(context, run).into_string(),
            counts: run.verdicts,
        })
    }

    /// Writes one injection: its results now, its chromatograms when the page is finished. Injections are written
    /// in the order given.
    ///
    /// # Errors
    /// When writing fails.
    pub fn injection(&mut self, of: &InjectionRecord, plots: &[ChromatogramPlot]) -> io::Result<()> {
        let drawn = self.drawer.draw(of, plots);
        self.injection_drawn(of, drawn)
    }

    /// Like [`Self::injection`], drawn before by a [`Drawer`] for what the page's context says is shown.
    ///
    /// # Errors
    /// When writing fails.
    pub fn injection_drawn(&mut self, of: &InjectionRecord, drawn: DrawnInjection) -> io::Result<()> {
        let DrawnInjection { strip, rows } = drawn;
        self.injections += 1;
        self.results += of.results.len() as u64;
        self.attention.take(of);
        let was_drawn = strip.is_some();
        if self.chromatograms.take(of, strip) == was_drawn {
            self.out.waiting.push_str(&rows);
        } else {
            // Beyond the limit of what is drawn.
            self.drawer.push_rows(&mut self.out.waiting, of, false);
        }
        self.out.flush_when_full()
    }

    /// Writes what only the whole run can tell, and the end of the page.
    ///
    /// # Errors
    /// When writing fails.
    pub fn finish(mut self) -> io::Result<PageTotals> {
        self.out.push(&PreEscaped(results::closing()))?;
        self.out.push(&verdict::tally(
            self.expected_injections,
            self.injections,
            self.counts,
        ))?;
        self.out.push(&self.attention.section())?;
        self.out.push(&self.chromatograms.opening(self.injections))?;
        for strip in self.chromatograms.strips() {
            self.out.pass(strip)?;
        }
        self.out.waiting.push_str("</section>");
        self.out.waiting.push_str(&self.closing);
        self.out.push(&foot())?;
        self.out.finish()?;
        Ok(PageTotals {
            injections: self.injections,
            results: self.results,
            chromatograms: self.chromatograms.drawn(),
            bytes: self.out.bytes,
        })
    }
}

/// Draws injections for a page, on any thread, while another writes.
#[derive(Debug, Clone)]
pub struct Drawer {
    shown: Shown,
    single_analyte: bool,
    analytes: Vec<String>,
}

/// An injection as a page shows it.
#[derive(Debug)]
pub struct DrawnInjection {
    /// Its chromatograms, if they are shown.
    strip: Option<String>,
    /// Its rows among the results.
    rows: String,
}

impl Drawer {
    /// For pages of a run.
    #[must_use]
    pub fn of(run: &RunRecord, chromatograms_shown: Shown) -> Self {
        Self {
            shown: chromatograms_shown,
            single_analyte: run.analytes.len() == 1,
            analytes: run.analytes.iter().map(|of| of.analyte.to_string()).collect(),
        }
    }

    /// Draws an injection's chromatograms, when they are to be shown, and its results.
    #[must_use]
    pub fn draw(&self, of: &InjectionRecord, plots: &[ChromatogramPlot]) -> DrawnInjection {
        let strip = draw_chromatograms(of, plots, self.shown);
        let mut rows = String::with_capacity(of.results.len() * ROW_BYTES);
        self.push_rows(&mut rows, of, strip.is_some());
        DrawnInjection { strip, rows }
    }

    fn push_rows(&self, out: &mut String, of: &InjectionRecord, drawn: bool) {
        results::push_injection(out, of, &self.analytes, self.single_analyte, drawn);
    }
}

/// Room for one analyte's row.
const ROW_BYTES: usize = 700;

const FLUSH_AT: usize = 1 << 16;

/// Collects small pieces, hands on large ones.
#[derive(Debug)]
struct Out<W: Write> {
    w: W,
    waiting: String,
    bytes: u64,
}

impl<W: Write> Out<W> {
    fn push(&mut self, piece: &Markup) -> io::Result<()> {
        self.waiting.push_str(&piece.0);
        self.flush_when_full()
    }

    /// Hands a large piece on without copying it.
    fn pass(&mut self, piece: &str) -> io::Result<()> {
        self.flush()?;
        self.w.write_all(piece.as_bytes())?;
        self.bytes += piece.len() as u64;
        Ok(())
    }

    fn flush_when_full(&mut self) -> io::Result<()> {
        if self.waiting.len() >= FLUSH_AT {
            self.flush()
        } else {
            Ok(())
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        self.w.write_all(self.waiting.as_bytes())?;
        self.bytes += self.waiting.len() as u64;
        self.waiting.clear();
        Ok(())
    }

    fn finish(&mut self) -> io::Result<()> {
        self.flush()?;
        self.w.flush()
    }
}

/// What no page may do: load anything, send anything.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'";

/// The part every page shares: character set, policy, style.
pub(crate) fn html_head(title: &str, simulated: bool) -> Markup {
    html_head_with(title, simulated, "")
}

/// The same with something added to what the page may do.
pub(crate) fn html_head_with(title: &str, simulated: bool, policy: &str) -> Markup {
    html! {
        head {
            meta charset="utf-8";
            meta http-equiv="Content-Security-Policy" content={ (POLICY) (policy) };
            meta name="viewport" content="width=device-width, initial-scale=1";
            meta name="color-scheme" content="light dark";
            title { (title) }
            style { (PreEscaped(include_str!("../../assets/page.css"))) }
            @if simulated {
                // On paper the mark stands on every sheet.
                style { (PreEscaped("@page{@top-center{content:\"SIMULATED DATA. Not for care.\"}}")) }
            }
        }
    }
}

/// The sentence on top of invented data.
pub(crate) fn simulated_mark() -> Markup {
    html! {
        p.simulated role="note" { strong { "SIMULATED DATA" } " No person's sample was measured. Not for care." }
    }
}

fn head(context: &PageContext<'_>, run: &RunRecord) -> Markup {
    let accepted = words::acceptance(run.acceptance);
    let simulated = if context.simulated { "SIMULATED: " } else { "" };
    let title = format!(
        "{simulated}run {}, {}: {}",
        run.run,
        context.day,
        accepted.word.to_lowercase()
    );
    html! {
        (DOCTYPE)
        // The opening tags are closed by `foot`.
        (PreEscaped("<html lang=\"en\">"))
        (html_head(&title, context.simulated))
        (PreEscaped("<body>"))
        a.skip href="#verdict" { "Skip to the verdict" }
        @if context.simulated { (simulated_mark()) }
        nav.contents aria-label="Contents" {
            span.here { "Run " (run.run) " " (accepted) }
            @for (id, word) in [
                ("verdict", "Verdict"), ("attention", "For a person"), ("analytes", "Analytes"), ("results", "Results"),
                ("chromatograms", "Chromatograms"), ("method", "Method and limits"),
            ] {
                a href={ "#" (id) } { (word) }
            }
        }
        (PreEscaped("<main id=\"report\">"))
        (PreEscaped("<template shadowrootmode=\"open\"><slot name=\"verdict\"></slot><slot name=\"tally\"></slot>\
            <slot name=\"by-analyte\"></slot><slot name=\"attention\"></slot><slot></slot></template>"))
    }
}

fn foot() -> Markup {
    html! {
        (PreEscaped("</main>"))
        dialog #viewer aria-labelledby="viewer-title" {
            header {
                div {
                    p #viewer-sample {}
                    h2 #viewer-title {}
                }
                div.tools {
                    button type="button" data-go="-1" { "← Previous" }
                    button type="button" data-go="1" { "Next →" }
                    button type="button" data-zoom="1" aria-pressed="false" { "Baseline" }
                    button type="button" data-close="1" { "Close" }
                }
            }
            div.view {
                div #viewer-plot {}
                dl #viewer-facts {}
            }
            div #viewer-why {}
            p.keys {
                kbd { "←" } " " kbd { "→" } " transition, " kbd { "↑" } " " kbd { "↓" } " same transition of the injection before or after, "
                kbd { "B" } " look at the baseline, " kbd { "Esc" } " close"
            }
        }
        script { (PreEscaped(include_str!("../../assets/page.js"))) }
        (PreEscaped("</body></html>\n"))
    }
}
