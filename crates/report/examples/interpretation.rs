//! Writes an invented interpretation's page.
//!
//! `cargo run -p spotwright-report --example interpretation -- FILE`

#[path = "../tests/it/interpretation_fixture.rs"]
mod fixture;

use spotwright_report::interpretation_page;

fn main() -> std::io::Result<()> {
    let file = std::env::args()
        .nth(1)
        .unwrap_or_else(|| "interpretation.html".to_owned());
    let page = std::fs::File::create(file)?;
    interpretation_page(page, &fixture::record(), env!("CARGO_PKG_VERSION"))
}
