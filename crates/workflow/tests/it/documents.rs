//! The page of formats says what the program does with damaged trace files.

use crate::damaged_traces;

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
