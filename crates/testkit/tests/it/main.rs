//! The program against simulated truth. Agreement shows that it computes what it says, never that a method is fit.
//!
//! Seeds are taken as they come. More of them: `cargo run --release -p spotwright-testkit --example accuracy`.

mod accuracy;
mod cards;
mod faults;
mod runs;
