//! `injections.csv`: checked as a whole while only short keys are kept, then read again run by run.

mod between;
mod check;
mod row;
mod runs;

pub use runs::{RunList, Runs};

pub(crate) use check::{Checked, hash, read_injections};
pub(crate) use row::run;
pub(crate) use runs::RunPlace;

use crate::table::{Column, needed, number, optional};

pub(crate) const FILE: &str = "injections.csv";

pub(crate) const ORDER: usize = 0;
pub(crate) const TRACE_FILE: usize = 1;
pub(crate) const ROLE: usize = 2;
pub(crate) const RUN: usize = 3;
pub(crate) const METHOD: usize = 4;
pub(crate) const LEVEL: usize = 5;
pub(crate) const CARD: usize = 6;
pub(crate) const SPOT: usize = 7;
pub(crate) const DILUTION_FACTOR: usize = 8;
pub(crate) const RACK_POSITION: usize = 9;
pub(crate) const SUB_BATCH: usize = 10;
pub(crate) const INJECTED_AT: usize = 11;
pub(crate) const REPEAT_OF: usize = 12;
pub(crate) const REPEAT_REASON: usize = 13;

pub(crate) static COLUMNS: [Column; 14] = [
    needed("order"),
    needed("trace_file"),
    needed("role"),
    optional("run"),
    optional("method"),
    optional("level"),
    optional("card"),
    number(optional("spot")),
    number(optional("dilution_factor")),
    optional("rack_position"),
    optional("sub_batch"),
    optional("injected_at"),
    optional("repeat_of"),
    optional("repeat_reason"),
];

/// The run of a file without runs.
pub(crate) const ONLY_RUN: &str = "1";
