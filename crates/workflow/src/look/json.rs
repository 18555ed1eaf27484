//! Looked-at photographs as JSON: a list with one entry a photograph, flat where people and scripts look first.

use serde::Serialize;
use serde_json::{Value, json};
use spotwright_domain::card::{
    Barcode, CardUse, ExtractionRecord, Finding, Identity, LookRecord, Need, PhotoProblem, SpotReason,
    SpotRecord, Suitability,
};
use std::io::{self, Write};

/// One photograph. Coordinates are the layout's millimetres.
#[derive(Debug, Serialize)]
struct Card<'a> {
    file: &'a str,
    sha256: Option<&'a str>,
    simulated: bool,
    need: Need,
    card: Option<&'a str>,
    identity: &'a Identity,
    barcode: Option<Code<'a>>,
    barcodes: &'a [Barcode],
    layout: Option<&'a str>,
    px_per_mm: Option<f64>,
    position_u_mm: Option<f64>,
    card_to_photo: Option<&'a [f64; 9]>,
    problems: &'a [PhotoProblem],
    usable: Option<CardUse>,
    use_order: &'a [u32],
    reasons: &'a [SpotReason],
    spots: Vec<Spot<'a>>,
    extraction: Option<&'a ExtractionRecord>,
    after: Option<After<'a>>,
}

/// The photograph after extraction itself.
#[derive(Debug, Serialize)]
struct After<'a> {
    file: &'a str,
    sha256: Option<&'a str>,
    problems: &'a [PhotoProblem],
}

#[derive(Debug, Serialize)]
struct Code<'a> {
    text: &'a str,
    symbology: &'static str,
}

#[derive(Debug, Serialize)]
struct Spot<'a> {
    index: u32,
    finding: Finding,
    centre_mm: Option<[f64; 2]>,
    area_mm2: Option<f64>,
    equivalent_diameter_mm: Option<f64>,
    inscribed_diameter_mm: Option<f64>,
    suitability: Suitability,
    reasons: &'a [SpotReason],
    site_mm: Option<[f64; 2]>,
    site_u_mm: Option<f64>,
    site_margin_mm: Option<f64>,
    head_diameter_mm: Option<f64>,
    use_order: Option<u32>,
    expected_centre_mm: Option<[f64; 2]>,
    #[serde(flatten)]
    rest: Value,
}

/// One photograph's entry.
///
/// # Panics
/// Never: every part of a record can be written.
#[must_use]
pub fn card_json(of: &LookRecord) -> String {
    let spots = of.card.iter().flat_map(|card| &card.spots).map(spot).collect();
    let card = Card {
        file: &of.file,
        sha256: of.sha256.as_deref(),
        simulated: of.simulated,
        need: of.need(),
        card: match &of.identity {
            Identity::Agreed { card, .. } => Some(card),
            Identity::NotConfirmed { card } => card.as_deref(),
            Identity::Conflict { .. } => None,
        },
        identity: &of.identity,
        barcode: of.barcodes.first().map(|code| Code {
            text: &code.text,
            symbology: code.symbology.as_str(),
        }),
        barcodes: &of.barcodes,
        layout: of.place.as_ref().map(|place| place.layout.as_str()),
        px_per_mm: of.place.as_ref().map(|place| place.px_per_mm),
        position_u_mm: of.place.as_ref().map(|place| place.position_u_mm),
        card_to_photo: of.place.as_ref().map(|place| &place.card_to_photo),
        problems: &of.problems,
        usable: of.card.as_ref().map(|card| card.usable),
        use_order: of.card.as_ref().map_or(&[], |card| &card.use_order),
        reasons: of.card.as_ref().map_or(&[], |card| &card.reasons),
        spots,
        extraction: of.extraction(),
        after: of.after.as_ref().map(|after| After {
            file: &after.file,
            sha256: after.sha256.as_deref(),
            problems: &after.problems,
        }),
    };
    serde_json::to_string_pretty(&card).expect("records hold nothing that JSON cannot")
}

fn spot(of: &SpotRecord) -> Spot<'_> {
    let measures = of.measures.as_ref();
    Spot {
        index: of.index,
        finding: of.finding,
        centre_mm: measures.map(|m| m.centre_mm),
        area_mm2: measures.map(|m| m.area_mm2),
        equivalent_diameter_mm: measures.map(|m| m.equivalent_diameter_mm),
        inscribed_diameter_mm: measures.map(|m| m.inscribed_diameter_mm),
        suitability: of.suitability,
        reasons: &of.reasons,
        site_mm: of.site.map(|site| site.centre_mm),
        site_u_mm: of.site.map(|site| site.u_mm),
        site_margin_mm: of.site.map(|site| site.margin_mm),
        head_diameter_mm: of.site.map(|site| site.head_diameter_mm),
        use_order: of.use_order,
        expected_centre_mm: of.expected_centre_mm,
        rest: json!({
            "side": of.side,
            "volume": of.volume,
            "haematocrit": of.haematocrit,
            "margins": of.margins,
            "measures": of.measures,
            "outline_mm": of.outline_mm,
        }),
    }
}

/// A JSON list of entries, written as they come.
#[derive(Debug)]
pub struct CardList<W: Write> {
    w: W,
    any: bool,
}

/// Begins a list of entries.
///
/// # Errors
/// When writing fails.
pub fn write_cards<W: Write>(mut w: W) -> io::Result<CardList<W>> {
    w.write_all(b"[")?;
    Ok(CardList { w, any: false })
}

impl<W: Write> CardList<W> {
    /// Adds a photograph.
    ///
    /// # Errors
    /// When writing fails.
    pub fn add(&mut self, of: &LookRecord) -> io::Result<()> {
        let separator: &[u8] = if self.any { b",\n" } else { b"\n" };
        self.any = true;
        self.w.write_all(separator)?;
        self.w.write_all(card_json(of).as_bytes())
    }

    /// Ends the list.
    ///
    /// # Errors
    /// When writing fails.
    pub fn finish(mut self) -> io::Result<()> {
        self.w.write_all(b"\n]\n")?;
        self.w.flush()
    }
}
