//! Cards as drawn: balanced, escaped, every verdict in words as well as in strokes.

use crate::html::{tags, text};
use spotwright_domain::card::{
    CardPlace, CardRecord, CardSide, CardUse, ExtractionSite, Finding, Identity, LOOK_VERSION, LookRecord,
    NameSource, NamedBy, Need, SpotRecord, Suitability,
};
use spotwright_report::{CardPicture, CardSheet, SheetContext, card_drawing};

fn spot(index: u32, finding: Finding, suitability: Suitability) -> SpotRecord {
    let x = 14.0 + 17.0 * f64::from(index - 1);
    SpotRecord {
        index,
        expected_centre_mm: Some([x, 36.0]),
        finding,
        side: CardSide::Front,
        measures: None,
        suitability,
        reasons: vec![],
        margins: vec![],
        use_order: (suitability != Suitability::Unsuitable).then_some(index),
        site: (suitability != Suitability::Unsuitable).then_some(ExtractionSite {
            centre_mm: [x, 36.0],
            u_mm: 0.05,
            head_diameter_mm: 6.0,
            margin_mm: 1.0,
            u_margin_mm: 0.06,
        }),
        volume: None,
        haematocrit: None,
        outline_mm: vec![[x - 4.0, 36.0], [x, 40.0], [x + 4.0, 36.0], [x, 32.0]],
    }
}

fn card(usable: CardUse, spots: Vec<SpotRecord>) -> LookRecord {
    LookRecord {
        version: LOOK_VERSION,
        after: None,
        file: "PM-0001.before.jpg".to_owned(),
        sha256: None,
        format: None,
        size_px: Some([2400, 1600]),
        simulated: true,
        place: Some(CardPlace {
            layout: "selkie-five".to_owned(),
            card_to_photo: [20.0, 0.0, 100.0, 0.0, 20.0, 100.0, 0.0, 0.0, 1.0],
            px_per_mm: 20.0,
            position_u_mm: 0.03,
            residual_mm: Some(0.04),
            circles_found: 5,
            fiducials_found: 3,
            edges_found: 4,
        }),
        barcodes: vec![],
        identity: Identity::Agreed {
            card: "PM-0001".to_owned(),
            with_request: true,
            with_file_name: true,
        },
        problems: vec![],
        card: Some(CardRecord {
            use_order: spots.iter().filter_map(|spot| spot.use_order).collect(),
            spots,
            usable,
            reasons: vec![],
        }),
    }
}

const PICTURE: CardPicture<'_> = CardPicture {
    bytes: b"not a picture, only bytes to carry",
    media_type: "image/jpeg",
    left_top_mm: [0.0, 0.0],
    size_mm: [96.0, 54.0],
};

#[test]
fn every_spot_is_named_in_words_and_by_its_strokes() {
    let of = card(
        CardUse::Duplicate,
        vec![
            spot(1, Finding::Measured, Suitability::Suitable),
            spot(2, Finding::Measured, Suitability::SuitableWithComment),
            spot(3, Finding::Measured, Suitability::Unsuitable),
            spot(4, Finding::Empty, Suitability::Unsuitable),
        ],
    );
    let drawing = card_drawing(&of, Some(PICTURE));
    tags(&drawing).unwrap();
    // Strip the element itself: the reader of pages passes over drawings.
    let text = text(&drawing.replacen("<svg", "<g", 1));
    for part in [
        "SIMULATED PHOTOGRAPH",
        "Card PM-0001, layout selkie-five",
        "1 ✓ suitable, use 1.",
        "2 ▲ with comment",
        "3 ✕ unsuitable",
        "4 – no blood",
        "10 mm",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
    assert!(drawing.contains("stroke-dasharray=\"0.4 0.7\""));
}

#[test]
fn a_refused_photograph_is_drawn_as_words_alone() {
    let mut of = card(CardUse::None, vec![]);
    of.card = None;
    of.file = "<odd> & name.jpg".to_owned();
    let drawing = card_drawing(&of, None);
    tags(&drawing).unwrap();
    assert!(drawing.contains("&lt;odd&gt; &amp; name.jpg"));
    assert!(!drawing.contains("<image"));
}

#[test]
fn the_sheet_puts_first_what_needs_a_person_most() {
    let good = card(
        CardUse::Single,
        vec![spot(1, Finding::Measured, Suitability::Suitable)],
    );
    let mut conflict = good.clone();
    conflict.identity = Identity::Conflict {
        names: vec![
            NamedBy {
                name: "PM-0001".to_owned(),
                by: NameSource::Code,
            },
            NamedBy {
                name: "PM-0002".to_owned(),
                by: NameSource::Request,
            },
        ],
    };
    assert_eq!((good.need(), conflict.need()), (Need::Nothing, Need::Identity));
    let mut sheet = CardSheet::new();
    sheet.add(&good, "cards/good.svg", Some(96.0 / 54.0));
    sheet.add(&conflict, "cards/conflict.svg", None);
    let mut page = Vec::new();
    let context = SheetContext {
        day: "2026-03-02",
        program_version: "0",
        simulated: true,
    };
    sheet.write(&mut page, &context).unwrap();
    let page = String::from_utf8(page).unwrap();
    tags(&page).unwrap();
    let text = text(&page);
    let stopped = text.find("code says PM-0001, request says PM-0002").unwrap();
    assert!(stopped < text.rfind("Nothing to do.").unwrap());
}
