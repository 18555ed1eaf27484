//! Writes an invented run's report and prints its size and the time it took.
//!
//! `cargo run --release -p spotwright-report --example page -- FILE [INJECTIONS] [ANALYTES]`

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a program that measures itself"
)]

#[path = "../tests/it/fixture.rs"]
mod fixture;

use spotwright_report::{DayContext, PageContext, RunLink, RunPage, Shown, index_page};
use std::time::Instant;

fn main() -> std::io::Result<()> {
    let mut arguments = std::env::args().skip(1);
    let file = arguments.next().unwrap_or_else(|| "run.html".to_owned());
    let injections = arguments.next().and_then(|text| text.parse().ok()).unwrap_or(500);
    let analytes = arguments.next().and_then(|text| text.parse().ok()).unwrap_or(4);
    let made = fixture::run(injections, analytes);
    let context = PageContext {
        day: "2026-03-02",
        method_title: "Immunosuppressants in dried blood spots",
        program_version: env!("CARGO_PKG_VERSION"),
        simulated: true,
        total_injections: u64::from(injections),
        chromatograms_shown: Shown::All,
    };
    let mut best = f64::INFINITY;
    let mut page = Vec::new();
    for _ in 0..9 {
        page.clear();
        let start = Instant::now();
        let mut writing = RunPage::begin(&mut page, &context, &made.run, &made.series)?;
        for (record, plots) in &made.injections {
            writing.injection(record, plots)?;
        }
        let totals = writing.finish()?;
        let took = start.elapsed().as_secs_f64() * 1e3;
        if took < best {
            best = took;
            println!(
                "{took:.1} ms, {} bytes, {} chromatograms",
                totals.bytes, totals.chromatograms
            );
        }
    }
    std::fs::write(&file, &page)?;
    let day = DayContext {
        day: "2026-03-02",
        program_version: env!("CARGO_PKG_VERSION"),
        simulated: true,
    };
    let link = RunLink {
        run: &made.run,
        href: "run.html",
    };
    index_page(
        std::fs::File::create(format!("{file}.index.html"))?,
        &day,
        &[link],
    )
}
