//! A number that must not be reported is no number in the table that spreadsheets read (G-4, DI-13).

use crate::days::{demo, rows};

#[test]
fn the_table_holds_no_value_that_must_not_be_reported() {
    let rows = rows(&demo().folder.join("results/results.csv"));
    let held_back: Vec<_> = rows
        .iter()
        .filter(|row| row["verdict"] == "not-reportable")
        .collect();
    let numbers = [
        "value",
        "standard_uncertainty",
        "interval_95_low",
        "interval_95_high",
    ];
    for row in &held_back {
        assert!(numbers.iter().all(|column| row[*column].is_empty()), "{row:?}");
        assert!(!row["reasons"].is_empty(), "{row:?}");
    }
    // The demo day plants results that were measured well enough to have a number and still must not go out.
    assert!(held_back.iter().any(|row| row["case"] == "measured"));
    let reportable = rows
        .iter()
        .filter(|row| row["verdict"] == "reportable" && row["case"] == "measured");
    assert!(
        reportable
            .inspect(|row| assert!(!row["value"].is_empty()))
            .count()
            > 0
    );
}
