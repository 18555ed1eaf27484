//! The whole of `injections.csv`: what must hold between its lines and the methods, the cards and the traces.
//! Of each line only a few numbers are kept; where they say two lines clash, both lines are read again to be sure.

use super::between::{Again, Kept, clashes};
use super::row::{self, Line};
use super::runs::{RunPlace, Segment};
use super::{COLUMNS, FILE, LEVEL, METHOD, ORDER, RACK_POSITION, SPOT, TRACE_FILE};
use crate::day::DaySummary;
use crate::method::MethodFile;
use crate::nearest::nearest;
use crate::problem::{FormatProblem, FormatProblemCode, FormatWarningCode, Problems, problem, quoted};
use crate::table::{Layout, Marks, Row, TableReader};
use crate::text::unreadable;
use sha2::{Digest, Sha256};
use spotwright_domain::injection::{Injection, SampleRole};
use spotwright_domain::method::Method;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::BufReader;
use std::path::Path;

/// What is kept of the file.
pub(crate) struct Checked {
    pub(crate) layout: Layout,
    pub(crate) runs: Vec<RunPlace>,
    /// Cards measured: hash and line, sorted.
    pub(crate) cards: Vec<(u64, u32)>,
    /// Trace files named: hashes, sorted.
    pub(crate) traces: Vec<u64>,
    /// Run and order of every line, sorted.
    orders: Vec<(u32, u32)>,
    run_numbers: BTreeMap<String, u32>,
    /// Whether every line could be read.
    pub(crate) complete: bool,
}

impl Checked {
    /// The index of the run an injection belongs to, when there is such an injection.
    pub(crate) fn run_of(&self, run: &str, order: u32) -> Option<usize> {
        let run = *self.run_numbers.get(run)?;
        self.orders
            .binary_search(&(run, order))
            .ok()
            .map(|_| run as usize)
    }

    pub(crate) fn run_names(&self) -> impl Iterator<Item = &str> + Clone {
        self.run_numbers.keys().map(String::as_str)
    }
}

/// Reads and checks the file. `None`: not even its header can be read.
pub(crate) fn read_injections(
    folder: &Path,
    methods: Option<&[MethodFile]>,
    summary: &mut DaySummary,
    problems: &mut Problems,
) -> Option<Checked> {
    let path = folder.join(FILE);
    let file = match File::open(&path) {
        Ok(file) => file,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            let names = crate::day::names_in(folder);
            problems.push(
                problem(FormatProblemCode::FileMissing, FILE)
                    .found("no such file")
                    .expected("a line for each injection of the day")
                    .nearest(nearest(FILE, names.iter().map(String::as_str))),
            );
            return None;
        }
        Err(error) => {
            problems.push(unreadable(FILE, &error));
            return None;
        }
    };
    let before = problems.count();
    let mut table = TableReader::open(BufReader::new(file), FILE, &COLUMNS, problems)?;
    if methods.is_some_and(|methods| methods.len() > 1) && !table.row().has_column(METHOD) {
        problems.push(
            problem(FormatProblemCode::ColumnMissing, FILE)
                .field("method")
                .found("no such column")
                .expected("a method for each run, since the day holds several"),
        );
        return None;
    }
    let mut walk = Walk {
        folder,
        methods,
        kept: Vec::new(),
        runs: Vec::new(),
        run_numbers: BTreeMap::new(),
        last_injected: Vec::new(),
        traces: crate::traces::TraceFolder::new(folder),
    };
    if !walk.traces.is_there() {
        problems.push(
            problem(FormatProblemCode::FileMissing, crate::traces::FOLDER)
                .found("no such folder")
                .expected("the folder of the trace files"),
        );
    }
    let mut marks = Marks::default();
    let mut rows = 0_u64;
    while table.advance(problems) {
        rows += 1;
        let row = table.row();
        if let Some(line) = row::read(&row, &mut marks, problems) {
            *summary.injections_by_role.entry(line.injection.role).or_insert(0) += 1;
            walk.line(&row, &line, problems);
        }
    }
    if rows == 0 && problems.count() == before {
        problems.push(no_rows());
    }
    let complete = problems.count() == before;
    let layout = table.layout().clone();
    summary.runs = walk.runs.len();
    summary.injections = walk.kept.len();
    Some(walk.finish(layout, complete, problems))
}

fn no_rows() -> FormatProblem {
    problem(FormatProblemCode::NoRows, FILE)
        .found("column names and no line below them")
        .expected("a line for each injection of the day")
}

struct Walk<'d> {
    folder: &'d Path,
    methods: Option<&'d [MethodFile]>,
    kept: Vec<Kept>,
    runs: Vec<RunPlace>,
    run_numbers: BTreeMap<String, u32>,
    /// Per run: order, instant and line of the last line that gave an instant.
    last_injected: Vec<Option<(u32, i64)>>,
    traces: crate::traces::TraceFolder,
}

impl Walk<'_> {
    fn line(&mut self, row: &Row<'_>, line: &Line, problems: &mut Problems) {
        let injection = &line.injection;
        let method = self.method(row, problems);
        let run = self.run(row, injection, method, problems);
        self.runs[run as usize].digest.update(row.raw().as_bytes());
        self.runs[run as usize].digest.update(b"\n");
        if let (Some(methods), Some(method)) = (self.methods, method) {
            check_level(row, injection, &methods[method].method, problems);
        }
        // Without the folder there is one thing to say, not one a line.
        if self.traces.is_there() {
            self.traces.check(row, TRACE_FILE, problems);
        }
        self.check_time(
            run,
            row.line(),
            injection.order,
            line.injected_at_unix_s,
            problems,
        );
        let is_person = injection.role.needs_card();
        let card = injection.card.as_ref().map(|card| hash(&[card.as_str()]));
        let spot = injection.spot.map(|spot| spot.to_string()).unwrap_or_default();
        let card_text = injection.card.as_ref().map_or("", |card| card.as_str());
        let method_text = method.map(|method| method.to_string()).unwrap_or_default();
        let run_text = run.to_string();
        self.kept.push(Kept {
            place: row.place(),
            run,
            order: injection.order,
            trace: hash(&[&injection.trace_file]),
            spot: (is_person && injection.repeat_of.is_none())
                .then(|| hash(&[card_text, &spot, &method_text])),
            card: card.filter(|_| is_person),
            rack: injection
                .rack_position
                .as_ref()
                .map(|rack| hash(&[&run_text, rack])),
            vial: vial(injection),
            repeats: injection.repeat_of.is_some(),
        });
    }

    /// The index of the line's method; `None` when the methods or this one are not known.
    fn method(&self, row: &Row<'_>, problems: &mut Problems) -> Option<usize> {
        let methods = self.methods?;
        let text = row.text(METHOD);
        if text.is_empty() {
            if let [_] = methods {
                return Some(0);
            }
            problems.push(
                row.problem(METHOD, FormatProblemCode::CellMissing)
                    .found("an empty cell")
                    .expected("a method of the day"),
            );
            return None;
        }
        let ids = || methods.iter().map(|file| file.method.id.as_str());
        let found = ids().position(|id| id == text);
        if found.is_none() {
            problems.push(
                row.problem(METHOD, FormatProblemCode::MethodUnknown)
                    .expected("the id of a method of the day")
                    .nearest(nearest(text, ids())),
            );
        }
        found
    }

    /// The number of the line's run, made new when it is the first of it.
    fn run(
        &mut self,
        row: &Row<'_>,
        injection: &Injection,
        method: Option<usize>,
        problems: &mut Problems,
    ) -> u32 {
        let name = injection.run.as_str();
        let Some(run) = self.run_numbers.get(name).copied() else {
            let run = u32::try_from(self.runs.len()).unwrap_or(u32::MAX);
            self.run_numbers.insert(name.to_owned(), run);
            self.last_injected.push(None);
            self.runs.push(RunPlace {
                run: injection.run.clone(),
                method: method.unwrap_or(0),
                first_line: row.line(),
                segments: vec![Segment {
                    place: row.place(),
                    rows: 1,
                }],
                digest: Sha256::new(),
            });
            return run;
        };
        let last_run = self.kept.last().map(|kept| kept.run);
        let place = &mut self.runs[run as usize];
        if let (Some(method), Some(methods)) = (method, self.methods)
            && method != place.method
        {
            problems.push(
                row.problem(METHOD, FormatProblemCode::MethodsMixed)
                    .expected(format!(
                        "{}, the method of run {} since line {}",
                        quoted(methods[place.method].method.id.as_str()),
                        quoted(name),
                        place.first_line
                    ))
                    .help("A run has one method; use another run for another method."),
            );
        }
        match place.segments.last_mut() {
            Some(segment) if last_run == Some(run) => segment.rows += 1,
            _ => place.segments.push(Segment {
                place: row.place(),
                rows: 1,
            }),
        }
        run
    }

    fn check_time(&mut self, run: u32, line: u32, order: u32, instant: Option<i64>, problems: &mut Problems) {
        let Some(instant) = instant else { return };
        if let Some((other_order, other)) = self.last_injected[run as usize]
            && (order > other_order && instant < other || order < other_order && instant > other)
        {
            problems.warn(FormatWarningCode::InjectedOutOfOrder, FILE, Some(line), || {
                format!("`injected_at` and `order` {order} contradict the line of order {other_order}")
            });
        }
        self.last_injected[run as usize] = Some((order, instant));
    }

    fn finish(mut self, layout: Layout, complete: bool, problems: &mut Problems) -> Checked {
        let again = Again {
            folder: self.folder,
            layout: &layout,
        };
        let mut orders: Vec<(u32, u32)> = self.kept.iter().map(|kept| (kept.run, kept.order)).collect();
        orders.sort_unstable();
        clashes(
            &self.kept,
            |kept| Some((kept.run, kept.order)),
            |first, second| {
                again.clash(
                    first,
                    second,
                    ORDER,
                    FormatProblemCode::OrderTwice,
                    problems,
                    |problem, line, other| {
                        (line.run == other.run).then(|| {
                            problem.expected(format!(
                                "an order of its own in run {}",
                                quoted(line.run.as_str())
                            ))
                        })
                    },
                );
            },
        );
        clashes(
            &self.kept,
            |kept| Some(kept.trace),
            |first, second| {
                again.clash(
                    first,
                    second,
                    TRACE_FILE,
                    FormatProblemCode::TraceFileTwice,
                    problems,
                    |problem, line, other| {
                        (line.trace_file == other.trace_file).then(|| {
                            problem
                                .expected("a trace file of its own")
                                .help("Two injections cannot have written one file.")
                        })
                    },
                );
            },
        );
        clashes(
            &self.kept,
            |kept| kept.spot,
            |first, second| {
                again.clash(
                    first,
                    second,
                    SPOT,
                    FormatProblemCode::SpotTwice,
                    problems,
                    |problem, line, other| {
                        let (card, spot) = (line.card.as_ref()?, line.spot?);
                        (line.card == other.card && line.spot == other.spot).then(|| {
                            problem
                                .found(format!(
                                    "spot {spot} of card {} a second time",
                                    quoted(card.as_str())
                                ))
                                .expected("another spot, or `repeat_of` and `repeat_reason`")
                        })
                    },
                );
            },
        );
        clashes(
            &self.kept,
            |kept| kept.rack,
            |first, second| {
                if first.vial == second.vial {
                    return;
                }
                again.clash(first, second, RACK_POSITION, FormatProblemCode::RackPositionTwice, problems, |problem, line, other| {
                (line.rack_position == other.rack_position).then(|| {
                    problem
                        .expected("a rack position of its own")
                        .help("Lines share a position only when they are the same vial: same role, level, card, spot and dilution.")
                })
            });
            },
        );
        if complete {
            again.repeats(&self.kept, &self.run_numbers, problems);
        }
        let mut cards: Vec<(u64, u32)> = self
            .kept
            .iter()
            .filter_map(|kept| kept.card.map(|card| (card, kept.place.line)))
            .collect();
        cards.sort_unstable();
        let mut traces: Vec<u64> = self.kept.iter().map(|kept| kept.trace).collect();
        traces.sort_unstable();
        self.kept = Vec::new();
        Checked {
            layout,
            runs: self.runs,
            cards,
            traces,
            orders,
            run_numbers: self.run_numbers,
            complete,
        }
    }
}

/// The level must be the method's.
fn check_level(row: &Row<'_>, injection: &Injection, method: &Method, problems: &mut Problems) {
    let Some(level) = &injection.level else { return };
    let calibrators = || method.analytes.iter().flat_map(|analyte| &analyte.calibrators);
    let controls = || method.analytes.iter().flat_map(|analyte| &analyte.controls);
    let (what, names): (&str, Vec<&str>) = match injection.role {
        SampleRole::Calibrator => (
            "a calibrator level",
            calibrators().map(|l| l.name.as_str()).collect(),
        ),
        SampleRole::Control | SampleRole::DilutionControl => {
            ("a control level", controls().map(|l| l.name.as_str()).collect())
        }
        _ => (
            "a level",
            calibrators().chain(controls()).map(|l| l.name.as_str()).collect(),
        ),
    };
    if !names.contains(&level.as_str()) {
        problems.push(
            row.problem(LEVEL, FormatProblemCode::LevelUnknown)
                .expected(format!("{what} of method {}", quoted(method.id.as_str())))
                .nearest(nearest(level.as_str(), names)),
        );
        return;
    }
    if injection.role == SampleRole::Control {
        let mut above = method.analytes.iter().flat_map(|analyte| {
            let of_level = analyte.controls.iter().filter(|control| control.name == *level);
            of_level.map(|control| control.concentration > analyte.uloq())
        });
        if above.all(|above| above) {
            problems.push(
                row.problem(LEVEL, FormatProblemCode::ControlOutsideRange)
                    .expected("a control level within the calibrated range")
                    .help("This level lies above it: its role can only be `dilution-control`."),
            );
        }
    }
}

/// What is in the vial: lines that share it may share a rack position.
fn vial(injection: &Injection) -> u64 {
    // Conditioning, system suitability and blanks are drawn from common vials.
    let role = if injection.role.needs_level() {
        injection.role.as_str()
    } else if injection.role.needs_card() {
        "person"
    } else {
        return 0;
    };
    let level = injection.level.as_ref().map_or("", |level| level.as_str());
    let card = injection.card.as_ref().map_or("", |card| card.as_str());
    let spot = injection.spot.map(|spot| spot.to_string()).unwrap_or_default();
    hash(&[role, level, card, &spot, &injection.dilution_factor.to_string()])
}

/// The first 64 bits of SHA-256, parts kept apart: the same on every machine.
pub(crate) fn hash(parts: &[&str]) -> u64 {
    let mut digest = Sha256::new();
    for part in parts {
        digest.update(part.as_bytes());
        digest.update([0]);
    }
    let digest = digest.finalize();
    let mut first = [0; 8];
    first.copy_from_slice(&digest[..8]);
    u64::from_be_bytes(first)
}
