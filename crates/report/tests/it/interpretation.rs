//! The prescriber's page: whole, escaped, honest about what it is.

use crate::html::{tags, text};
use crate::interpretation_fixture::record;
use spotwright_domain::interpretation::{InterpretationRecord, InterpretationStatus, RefusalNote};
use spotwright_report::interpretation_page;

fn page(of: &InterpretationRecord) -> String {
    let mut page = Vec::new();
    interpretation_page(&mut page, of, "0").unwrap();
    String::from_utf8(page).unwrap()
}

#[test]
fn every_part_stands_on_the_page_and_the_prescriber_decides() {
    let page = page(&record());
    tags(&page).unwrap();
    let text = text(&page);
    for part in [
        "SIMULATED DATA",
        "Tacrolimus in whole blood",
        "None of them is an instruction",
        "For a licensed prescriber; not an order",
        "2026-03-07 07:30 +00:00",
        "trough 5–8 µg/L in whole blood",
        "numbers not checked against the source",
        "keep 4 mg every 12 h by mouth",
        "repeat the level first",
        "Diarrhoea raises exposure",
        "Signed by nobody",
    ] {
        assert!(text.contains(part), "{part}");
    }
}

#[test]
fn a_refusal_says_why_and_what_would_lift_it_and_shows_no_options() {
    let mut of = record();
    of.status = InterpretationStatus::Refused;
    of.options.clear();
    of.curve = None;
    of.target = None;
    of.refusals = vec![RefusalNote {
        code: "outside-population".to_owned(),
        reason: "The person is younger than <everyone> in the model.".to_owned(),
        lifted_by: "a model built in children".to_owned(),
    }];
    let page = page(&of);
    tags(&page).unwrap();
    assert!(page.contains("younger than &lt;everyone&gt;"));
    let text = text(&page);
    assert!(text.contains("No options are offered"));
    assert!(text.contains("a model built in children"));
    assert!(text.contains("No target range is stored"));
    assert!(!text.contains("Below / in / above"));
}
