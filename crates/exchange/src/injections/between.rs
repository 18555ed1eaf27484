//! What must hold between lines of `injections.csv`: found by short keys, made sure of by reading lines again.

use super::row;
use super::{COLUMNS, FILE, REPEAT_OF};
use crate::nearest::nearest;
use crate::problem::{FormatProblem, FormatProblemCode, Problems};
use crate::table::{Layout, Marks, RowPlace, TableReader};
use spotwright_domain::injection::Injection;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufReader, Seek, SeekFrom};
use std::path::Path;

/// What is kept of a line.
#[derive(Clone, Copy)]
pub(super) struct Kept {
    pub(super) place: RowPlace,
    pub(super) run: u32,
    pub(super) order: u32,
    pub(super) trace: u64,
    /// Card and spot and method, for a person's sample that repeats nothing.
    pub(super) spot: Option<u64>,
    pub(super) card: Option<u64>,
    pub(super) rack: Option<u64>,
    /// What is in the vial.
    pub(super) vial: u64,
    pub(super) repeats: bool,
}

/// Calls `found` with every line whose key an earlier line has, and that earlier line.
pub(super) fn clashes<K: Ord + Copy>(
    kept: &[Kept],
    key: impl Fn(&Kept) -> Option<K>,
    mut found: impl FnMut(&Kept, &Kept),
) {
    let mut keyed: Vec<(K, u32)> = kept
        .iter()
        .zip(0..)
        .filter_map(|(kept, index)| key(kept).map(|key| (key, index)))
        .collect();
    keyed.sort_unstable();
    for group in keyed.chunk_by(|a, b| a.0 == b.0) {
        let first = &kept[group[0].1 as usize];
        for (_, later) in &group[1..] {
            found(first, &kept[*later as usize]);
        }
    }
}

/// Reads lines again by their place.
pub(super) struct Again<'a> {
    pub(super) folder: &'a Path,
    pub(super) layout: &'a Layout,
}

impl Again<'_> {
    fn table(&self, place: RowPlace) -> Option<TableReader<'static, BufReader<File>>> {
        let mut file = File::open(self.folder.join(FILE)).ok()?;
        file.seek(SeekFrom::Start(place.offset)).ok()?;
        let mut table = TableReader::resume(BufReader::new(file), FILE, &COLUMNS, self.layout.clone(), place);
        table.advance(&mut Problems::default()).then_some(table)
    }

    pub(super) fn clash(
        &self,
        first: &Kept,
        second: &Kept,
        column: usize,
        code: FormatProblemCode,
        problems: &mut Problems,
        same: impl Fn(FormatProblem, &Injection, &Injection) -> Option<FormatProblem>,
    ) {
        let (Some(first_table), Some(table)) = (self.table(first.place), self.table(second.place)) else {
            return;
        };
        let mut unused = Problems::default();
        let mut marks = Marks::default();
        let (Some(other), Some(line)) = (
            row::read(&first_table.row(), &mut marks, &mut unused),
            row::read(&table.row(), &mut marks, &mut unused),
        ) else {
            return;
        };
        let begun = table.row().problem(column, code);
        // The keys are hashes: only equal texts make a problem.
        if let Some(mut problem) = same(begun, &line.injection, &other.injection) {
            problem.expected = format!("{} (line {} has it)", problem.expected, first.place.line);
            problems.push(problem);
        }
    }

    pub(super) fn repeats(
        &self,
        kept: &[Kept],
        run_numbers: &BTreeMap<String, u32>,
        problems: &mut Problems,
    ) {
        let mut by_order: Vec<(u32, u32, u32)> = kept
            .iter()
            .zip(0..)
            .map(|(kept, index)| (kept.run, kept.order, index))
            .collect();
        by_order.sort_unstable();
        let find = |run: u32, order: u32| {
            let at = by_order.partition_point(|entry| (entry.0, entry.1) < (run, order));
            by_order
                .get(at)
                .filter(|entry| (entry.0, entry.1) == (run, order))
                .map(|entry| &kept[entry.2 as usize])
        };
        for repeat in kept.iter().filter(|kept| kept.repeats) {
            if problems.is_full() {
                return;
            }
            let Some(table) = self.table(repeat.place) else {
                continue;
            };
            let row = table.row();
            let text = row.text(REPEAT_OF);
            let parsed = text
                .rsplit_once('/')
                .and_then(|(run, order)| Some((run, order.parse::<u32>().ok()?)));
            let Some((run, order)) = parsed else {
                problems.push(
                    row.problem(REPEAT_OF, FormatProblemCode::RepeatOfWrong)
                        .expected("run/order of an earlier injection of the day"),
                );
                continue;
            };
            let target = run_numbers.get(run).and_then(|run| find(*run, order));
            let Some(target) = target else {
                let names = run_numbers.keys().map(|name| format!("{name}/{order}"));
                let names: Vec<String> = names.collect();
                problems.push(
                    row.problem(REPEAT_OF, FormatProblemCode::InjectionUnknown)
                        .expected("run/order of an earlier injection of the day")
                        .nearest(
                            nearest(text, names.iter().map(String::as_str)).filter(|name| *name != text),
                        ),
                );
                continue;
            };
            let earlier = (target.run, target.order) < (repeat.run, repeat.order);
            let why = if !earlier {
                "an earlier injection"
            } else if target.card.is_none() {
                "a person's sample"
            } else if target.card != repeat.card {
                "an injection of the same card"
            } else {
                continue;
            };
            problems.push(
                row.problem(REPEAT_OF, FormatProblemCode::RepeatOfWrong)
                    .expected(why)
                    .help(format!("That injection stands on line {}.", target.place.line)),
            );
        }
    }
}
