//! A run's page in a real browser: the script runs, and the page shows what `results.json` holds.

use crate::program::{demo, within};
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

/// A page after its script has run, and what the browser logged; nothing where there is no browser.
#[allow(clippy::print_stdout, reason = "a skipped test says so")]
fn rendered(page: &Path) -> Option<(String, String)> {
    let profile = tempfile::tempdir().unwrap();
    let child = Command::new("chromium")
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--enable-logging=stderr",
            "--dump-dom",
        ])
        .arg(format!("--user-data-dir={}", profile.path().display()))
        .arg(format!("file://{}", page.display()))
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn();
    let Ok(child) = child else {
        println!("skipped: no chromium here (cargo xtask test installs it)");
        return None;
    };
    let (code, dom, log) =
        within(child, Duration::from_secs(60)).expect("the browser took more than a minute");
    assert_eq!(code, Some(0), "{log}");
    Some((dom, log))
}

fn console(log: &str) -> Vec<&str> {
    log.lines().filter(|line| line.contains("CONSOLE")).collect()
}

/// The test itself can see a script that fails.
#[test]
fn a_script_that_fails_would_be_seen() {
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("page.html");
    std::fs::write(
        &page,
        "<!doctype html><title>t</title><script>undefinedFunction()</script>",
    )
    .unwrap();
    if let Some((_, log)) = rendered(&page) {
        assert_eq!(console(&log).len(), 1, "{log}");
    }
}

/// Rows of results in a page.
fn rows(dom: &str) -> usize {
    let tags = dom.match_indices("<tr ").map(|(at, _)| &dom[at..]);
    tags.filter(|tag| tag.split('>').next().unwrap().contains(" data-v=\""))
        .count()
}

#[test]
fn every_run_s_page_shows_its_verdict_and_every_result() {
    let (folder, _) = demo();
    let results = folder.join("demo-day/results");
    let json: Value = serde_json::from_slice(&std::fs::read(results.join("results.json")).unwrap()).unwrap();
    for run in json["runs"].as_array().unwrap() {
        let name = run["run"].as_str().unwrap();
        let Some((dom, log)) = rendered(&results.join(format!("run-{name}.html"))) else {
            return;
        };
        assert_eq!(console(&log), Vec::<&str>::new(), "{name}");
        let expected: usize = run["injection_records"]
            .as_array()
            .unwrap()
            .iter()
            .map(|injection| injection["results"].as_array().unwrap().len())
            .sum();
        // Rows stand in the page itself; the sentence was written by the script.
        assert_eq!(rows(&dom), expected, "{name}");
        assert!(
            dom.contains(&format!("{expected} of {expected} results shown")),
            "{name}"
        );
        let word = match run["acceptance"].as_str().unwrap() {
            "accepted" => "Accepted</b>",
            "accepted-with-comment" => "Accepted with comment</b>",
            _ => "Rejected</b>",
        };
        let (_, verdict) = dom.split_once("<p class=\"word\">").unwrap();
        assert!(verdict.split("</p>").next().unwrap().contains(word), "{name}");
        assert!(dom.contains("simulated"), "{name} is not marked as simulated");
    }
}

#[test]
fn the_cover_links_every_run() {
    let (folder, _) = demo();
    let results = folder.join("demo-day/results");
    let Some((dom, log)) = rendered(&results.join("index.html")) else {
        return;
    };
    assert_eq!(console(&log), Vec::<&str>::new());
    for run in ["R01", "R02", "R03", "R04", "R05"] {
        assert!(dom.contains(&format!("href=\"run-{run}.html\"")), "{run}");
    }
}
