//! Checks of the language against published tables and the files of the standards it speaks.

#![expect(
    clippy::print_stdout,
    reason = "the tests say which files were absent and how many cases were met"
)]

mod molar;
mod ucum_essence;
mod ucum_functional;
mod ucum_table;
mod xml;
