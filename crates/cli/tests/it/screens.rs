//! What is printed, word for word. Numbers of simulated samples are masked where only the wording matters: that the
//! same day gives the same numbers is held elsewhere.

use crate::program::{Ended, corpus, demo, run_in};
use std::path::Path;

/// Every number with a decimal point as `#.#`.
fn masked(text: &str) -> String {
    let mut shown = String::new();
    let mut rest = text;
    while let Some(at) = rest.find(|c: char| c.is_ascii_digit()) {
        let (before, from) = rest.split_at(at);
        shown.push_str(before);
        let end = from
            .find(|c: char| !(c.is_ascii_digit() || c == '.'))
            .unwrap_or(from.len());
        let number = from[..end].trim_end_matches('.');
        shown.push_str(if number.contains('.') { "#.#" } else { number });
        rest = &from[number.len()..];
    }
    shown.push_str(rest);
    shown
}

/// SHA-256 digests as `…`, so that the simulator may change its bytes.
fn without_digests(text: &str) -> String {
    let words = text.split_inclusive(char::is_whitespace);
    words
        .map(|word| {
            let trimmed = word.trim_end();
            if trimmed.len() == 64 && trimmed.bytes().all(|byte| byte.is_ascii_hexdigit()) {
                word.replace(trimmed, "…")
            } else {
                word.to_owned()
            }
        })
        .collect()
}

fn good(ended: &Ended) -> &str {
    assert_eq!(ended.code, 0, "{}", ended.err);
    &ended.out
}

#[test]
fn masks_hide_decimals_and_nothing_else() {
    assert_eq!(
        masked("R01/20 reads 2.51 ug/L. 5 of 10."),
        "R01/20 reads #.# ug/L. 5 of 10."
    );
    let digest = "a".repeat(64);
    assert_eq!(
        without_digests(&format!("SHA-256 {digest}\nnext")),
        "SHA-256 …\nnext"
    );
}

#[test]
fn the_demonstration() {
    let (_, said) = demo();
    insta::assert_snapshot!("demo", masked(good(said)));
}

#[test]
fn one_number_explained() {
    let (folder, _) = demo();
    let ended = run_in(folder, &["explain", "R01/20/tacrolimus"]);
    insta::assert_snapshot!("explain", without_digests(&masked(good(&ended))));
}

#[test]
fn a_day_checked() {
    let (folder, _) = demo();
    let ended = run_in(folder, &["check", "demo-day"]);
    assert_eq!(ended.code, 4);
    insta::assert_snapshot!("check", ended.out);
}

#[test]
fn traces_of_a_file() {
    let file = corpus("srm_drawn_letters.mzML");
    let folder = Path::new(&file).parent().unwrap();
    let ended = run_in(folder, &["traces", "srm_drawn_letters.mzML"]);
    insta::assert_snapshot!("traces", good(&ended));
}

/// DIN 32645:1994, example with ten standards.
const DIN: &str = "x,y\n0.05,3060\n0.1,3522\n0.15,3707\n0.2,4280\n0.25,5058\n0.3,5510\n0.35,5703\n0.4,6205\n0.45,7156\n0.5,7178\n";

#[test]
fn a_table_fitted() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("table.csv"), DIN).unwrap();
    let ended = run_in(folder.path(), &["curve", "table.csv", "--read", "3500"]);
    insta::assert_snapshot!("curve", good(&ended));
}

#[test]
fn a_layout_refused() {
    let folder = tempfile::tempdir().unwrap();
    let layout = "id = \"ward-card\"\nwidth_mm = 85.6\nheigth_mm = 54.0\n";
    std::fs::write(folder.path().join("layout.toml"), layout).unwrap();
    std::fs::write(folder.path().join("card.png"), b"").unwrap();
    let ended = run_in(folder.path(), &["look", "card.png", "--layout", "layout.toml"]);
    assert_ne!(ended.code, 0);
    assert!(ended.out.is_empty(), "{}", ended.out);
    insta::assert_snapshot!("layout-refused", ended.err);
}

#[test]
fn a_file_that_is_no_photograph() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("card.png"), b"no picture").unwrap();
    let ended = run_in(folder.path(), &["look", "card.png"]);
    assert_eq!(ended.code, 3, "{}", ended.err);
    insta::assert_snapshot!("no-photograph", ended.out);
}

#[test]
fn help_of_every_command() {
    let folder = tempfile::tempdir().unwrap();
    let mut screens = String::new();
    for command in [
        "",
        "demo",
        "run",
        "check",
        "explain",
        "traces",
        "curve",
        "look",
        "noncompartmental",
        "population",
        "simulate",
    ] {
        let arguments: Vec<&str> = [command, "--help"]
            .into_iter()
            .filter(|part| !part.is_empty())
            .collect();
        let ended = run_in(folder.path(), &arguments);
        screens.push_str(&format!(
            "── spotwright {}\n{}\n",
            arguments.join(" "),
            good(&ended)
        ));
    }
    insta::assert_snapshot!("help", screens);
}
