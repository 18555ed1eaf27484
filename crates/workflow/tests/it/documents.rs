//! The page of formats says what the program does with damaged trace files.

use crate::damaged_traces;
use spotwright_domain::card::{PhotoLimits, PhotoProblemCode, SpotLimits, SpotReasonCode};

const FORMATS: &str = include_str!("../../../../docs/formats.md");

#[test]
fn the_page_shows_every_damaged_trace_file_in_these_words() {
    let page = FORMATS.replace('\r', "");
    let (_, rest) = page.split_once("<!-- inside trace files: begin -->\n").unwrap();
    let (table, _) = rest.split_once("<!-- inside trace files: end -->").unwrap();
    let fresh = damaged_traces::table();
    let differs = table
        .lines()
        .zip(fresh.lines())
        .find(|(page, fresh)| page != fresh);
    assert!(
        table == fresh,
        "docs/formats.md differs from the program, first here: {differs:#?}\n\
         Put the output of `cargo run -p spotwright-workflow --example damaged_traces_table` between the marks."
    );
}

/// A file that is refused never becomes a number.
#[test]
fn no_unusable_file_becomes_a_number() {
    let table = damaged_traces::table();
    let mut unusable = 0;
    for row in table.lines().skip(2) {
        let cells: Vec<&str> = row.split(" | ").collect();
        if cells[2] == "unusable" {
            unusable += 1;
            assert!(row.contains("not-computable, not-reportable"), "{row}");
            assert!(row.contains("`trace-file-unreadable`"), "{row}");
        }
    }
    assert!(unusable >= 14, "{unusable} unusable files");
}

const CARDS: &str = include_str!("../../../../docs/cards.md");

#[test]
fn the_page_of_cards_lists_every_limit_reason_and_problem() {
    let page = CARDS.replace('\r', "");
    let limits = SpotLimits::default().rows().into_iter().map(|row| {
        format!(
            "| `{}` | {} | {} | {} | {} |\n",
            row.name, row.default, row.unit, row.rule, row.meaning
        )
    });
    let serde_json::Value::Object(of_photos) = serde_json::to_value(PhotoLimits::default()).unwrap() else {
        panic!("limits are a table")
    };
    let of_photos = of_photos
        .iter()
        .map(|(name, default)| format!("| `{name}` | {} | ", default.as_f64().unwrap()));
    let reasons = SpotReasonCode::ALL
        .iter()
        .map(|code| format!("| `{}` | {} |\n", code.as_str(), code.meaning()));
    let mut rows = 0;
    for row in limits.chain(of_photos).chain(reasons) {
        assert!(page.contains(&row), "docs/cards.md lacks {row}");
        rows += 1;
    }
    for code in PhotoProblemCode::ALL {
        let start = format!("| `{}` | ", code.as_str());
        assert!(page.contains(&start), "docs/cards.md lacks {start}");
        rows += 1;
    }
    // Nothing that is gone stays on the page.
    let listed = [
        "## Limits",
        "## Limits of a photograph",
        "## Reasons",
        "## Problems of a photograph",
    ];
    let shown: usize = listed
        .iter()
        .map(|heading| {
            let (_, section) = page.split_once(&format!("\n{heading}\n")).unwrap();
            let section = section.split("\n## ").next().unwrap();
            section.lines().filter(|line| line.starts_with("| `")).count()
        })
        .sum();
    assert_eq!(shown, rows);
}
