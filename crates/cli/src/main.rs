//! The `spotwright` program: parse, call one act, render.
fn main() {}
