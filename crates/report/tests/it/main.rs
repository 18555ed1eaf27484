//! The report as its readers meet it: whole, escaped, self-contained, the same bytes every time.

mod card;
mod contrast;
mod figures;
mod fixture;
mod html;
mod interpretation;
mod interpretation_fixture;
mod page;
