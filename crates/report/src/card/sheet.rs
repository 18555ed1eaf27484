//! A day's cards on one sheet, those that need a person first.

use super::drawing::spot_line;
use super::wording::{after_line, identity_sentence, need_heading, spot_style};
use crate::page::{html_head_with, simulated_mark};
use crate::words;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use spotwright_domain::card::{LookRecord, Need};
use spotwright_domain::reason::Severity;
use std::io::{self, Write};

/// What the sheet says of the day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SheetContext<'a> {
    /// The day or folder, as the laboratory names it.
    pub day: &'a str,
    /// Version of the program.
    pub program_version: &'a str,
    /// Whether any photograph is simulated.
    pub simulated: bool,
}

/// The sheet while it is made: a few hundred bytes a card are kept until all are known, since the order is by need.
#[derive(Debug, Default)]
pub struct CardSheet {
    cards: [Vec<String>; Need::ALL.len()],
}

impl CardSheet {
    /// An empty sheet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a card; `drawing` is where its annotated drawing stands, relative to the sheet, and `shape` the width of
    /// the card's picture over its height, for a drawing that begins with one.
    pub fn add(&mut self, of: &LookRecord, drawing: &str, shape: Option<f64>) {
        let need = of.need();
        let place = Need::ALL.iter().position(|each| *each == need).unwrap_or(0);
        self.cards[place].push(entry(of, drawing, shape).into_string());
    }

    /// Writes the sheet.
    ///
    /// # Errors
    /// When writing fails.
    pub fn write<W: Write>(&self, mut w: W, context: &SheetContext<'_>) -> io::Result<()> {
        let simulated = if context.simulated { "SIMULATED: " } else { "" };
        let total: usize = self.cards.iter().map(Vec::len).sum();
        let title = format!("{simulated}{}: {total} photographs", context.day);
        let opening = html! {
            (DOCTYPE)
            (PreEscaped("<html lang=\"en\">"))
            (html_head_with(&title, context.simulated, "; img-src 'self' file: data:"))
            (PreEscaped("<body class=\"cards\">"))
            a.skip href="#cards" { "Skip to the cards" }
            @if context.simulated { (simulated_mark()) }
            nav.contents aria-label="Contents" {
                span.here { (total) " photographs" }
                @for (need, cards) in Need::ALL.iter().zip(&self.cards).filter(|(_, cards)| !cards.is_empty()) {
                    a href={ "#need-" (*need as usize) } { (need_heading(*need).0) " " (cards.len()) }
                }
            }
            (PreEscaped("<main id=\"cards\">"))
            p.over { "Spotwright " (context.program_version) }
            h1 { "Cards of " (context.day) }
            p { "The program proposes; a person decides, and both stay on record. Outlines: solid is suitable, long dashes "
                "suitable with comment, dots unsuitable. The circle with a cross is where the disc is to be taken." }
        };
        w.write_all(opening.0.as_bytes())?;
        for (need, cards) in Need::ALL.iter().zip(&self.cards) {
            if cards.is_empty() {
                continue;
            }
            let (heading, sentence) = need_heading(*need);
            let section = html! {
                (PreEscaped("<section>"))
                h2 #{ "need-" (*need as usize) } { (heading) " " small { (cards.len()) } }
                p { (sentence) }
                (PreEscaped("<div class=\"sheet\">"))
            };
            w.write_all(section.0.as_bytes())?;
            for card in cards {
                w.write_all(card.as_bytes())?;
            }
            w.write_all(b"</div></section>")?;
        }
        w.write_all(b"</main></body></html>\n")?;
        w.flush()
    }
}

fn entry(of: &LookRecord, drawing: &str, shape: Option<f64>) -> Markup {
    let identity = identity_sentence(of);
    // The words below the picture stand in the list: only the picture is shown here.
    let crop = shape.map(|shape| format!("aspect-ratio:{shape:.3};object-fit:cover;object-position:top"));
    html! {
        article {
            a href=(drawing) {
                img src=(drawing) loading="lazy" style=[crop.as_deref()] alt={ "Annotated card: " (identity) };
            }
            h3 { (identity) }
            p.file { (of.file) }
            ul.why {
                @for problem in of.problems.iter().filter(|problem| problem.severity >= Severity::Comment) {
                    li { (words::severity(problem.severity)) " " (problem.text) }
                }
                @for spot in of.card.iter().flat_map(|card| &card.spots) {
                    li.(spot_style(spot).mark.letter) { (spot_line(spot)) }
                }
                @if let Some(line) = after_line(of) { li { (line) } }
            }
        }
    }
}
