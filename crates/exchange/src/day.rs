//! A laboratory day: its folder opened, every file checked, runs read when asked for.

use crate::covariates::{Covariates, read_covariates};
use crate::doses::{Doses, read_doses};
use crate::injections::{self, RunPlace, Runs, read_injections};
use crate::levels::{Levels, read_levels};
use crate::manual_limits::{self, ManualLimit, read_manual_limits};
use crate::method::{MethodFile, read_methods};
use crate::nearest::nearest;
use crate::problem::{FormatProblem, FormatProblemCode, FormatWarning, Problems, problem, quoted};
use crate::requests::{Requests, read_requests, warn_of_strays};
use crate::table::Layout;
use crate::{covariates, doses, levels, requests, traces};
use spotwright_domain::injection::SampleRole;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// A day whose files were all found right.
#[derive(Debug)]
pub struct Day {
    /// The folder.
    pub folder: PathBuf,
    /// The methods, by file name.
    pub methods: Vec<MethodFile>,
    /// What the clinic asks.
    pub requests: Requests,
    /// What people took.
    pub doses: Doses,
    /// What is known of people and may change.
    pub covariates: Covariates,
    /// Levels of people measured on other days or elsewhere.
    pub levels: Levels,
    /// Peaks whose limits a person set.
    pub manual_limits: Vec<ManualLimit>,
    /// Whether the folder is marked as simulated (`SIMULATED.txt`).
    pub simulated: bool,
    /// What is legal but odd, sorted by file and line.
    pub warnings: Vec<FormatWarning>,
    /// Counts.
    pub summary: DaySummary,
    layout: Layout,
    runs: Vec<RunPlace>,
}

/// How much a day holds.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct DaySummary {
    /// Methods.
    pub methods: usize,
    /// Runs.
    pub runs: usize,
    /// Injections.
    pub injections: usize,
    /// Injections of each role that occurs.
    pub injections_by_role: BTreeMap<SampleRole, usize>,
    /// Different cards measured.
    pub cards: usize,
    /// Requests.
    pub requests: usize,
    /// Dose lines.
    pub doses: usize,
    /// Covariate lines.
    pub covariates: usize,
    /// Earlier levels.
    pub levels: usize,
    /// Peaks with limits set by a person.
    pub manual_limits: usize,
}

/// The file that marks a day as simulated.
pub const SIMULATED_MARKER: &str = "SIMULATED.txt";

/// Opens a day: reads every file but the insides of traces, and checks each by itself and against the others.
///
/// # Errors
/// Every problem found, sorted by file, line and column; at most [`crate::MOST_LISTED`] and a count of the rest.
pub fn open_day(folder: &Path) -> Result<Day, Vec<FormatProblem>> {
    let mut problems = Problems::default();
    if !folder.is_dir() {
        problems.push(
            problem(FormatProblemCode::FileMissing, ".")
                .found("no such folder")
                .expected("the folder of a laboratory day"),
        );
        return Err(problems.finish().err().unwrap_or_default());
    }
    refuse_misnamed(folder, &mut problems);
    let mut summary = DaySummary::default();
    let methods = read_methods(folder, &mut problems);
    let known = methods.as_deref();
    let requests = read_requests(folder, known, &mut problems);
    let doses = read_doses(folder, known, &requests, &mut problems);
    let covariates = read_covariates(folder, &requests, &mut problems);
    let levels = read_levels(folder, known, &requests, &mut problems);
    let checked = read_injections(folder, known, &mut summary, &mut problems);
    let manual_limits = read_manual_limits(folder, known, checked.as_ref(), &mut problems);
    if let Some(checked) = checked.as_ref().filter(|checked| checked.complete) {
        warn_of_strays(&requests, &checked.cards, &mut problems);
        traces::warn_of_unlisted(folder, &checked.traces, &mut problems);
    }
    let warnings = problems.finish()?;
    // Without a problem there are methods and a list.
    let (Some(methods), Some(checked)) = (methods, checked) else {
        return Err(Vec::new());
    };
    summary.methods = methods.len();
    summary.cards = checked.cards.chunk_by(|a, b| a.0 == b.0).count();
    summary.requests = requests.len();
    summary.doses = doses.len();
    summary.covariates = covariates.len();
    summary.levels = levels.len();
    summary.manual_limits = manual_limits.len();
    Ok(Day {
        folder: folder.to_owned(),
        methods,
        requests,
        doses,
        covariates,
        levels,
        manual_limits,
        simulated: folder.join(SIMULATED_MARKER).exists(),
        warnings,
        summary,
        layout: checked.layout,
        runs: checked.runs,
    })
}

impl Day {
    /// The day's runs, in the order of their first lines. The list is read again run by run: one run is in memory
    /// at a time.
    #[must_use]
    pub fn runs(&self) -> Runs<'_> {
        Runs::new(&self.folder, &self.layout, &self.runs)
    }

    /// The folder of traces.
    #[must_use]
    pub fn traces_folder(&self) -> PathBuf {
        self.folder.join(traces::FOLDER)
    }

    /// The manual limits of one injection.
    pub fn manual_limits_of<'d>(&'d self, run: &'d str, order: u32) -> impl Iterator<Item = &'d ManualLimit> {
        self.manual_limits
            .iter()
            .filter(move |limit| limit.order == order && limit.run.as_str() == run)
    }
}

/// A file that is optional and misspelt would be passed over in silence.
fn refuse_misnamed(folder: &Path, problems: &mut Problems) {
    const OPTIONAL: [&str; 5] = [
        requests::FILE,
        doses::FILE,
        covariates::FILE,
        levels::FILE,
        manual_limits::FILE,
    ];
    const KNOWN: [&str; 7] = [
        requests::FILE,
        doses::FILE,
        covariates::FILE,
        levels::FILE,
        manual_limits::FILE,
        injections::FILE,
        "method.toml",
    ];
    let names = names_in(folder);
    for name in &names {
        let lower = name.to_ascii_lowercase();
        if KNOWN.contains(&name.as_str()) || !(lower.ends_with(".csv") || lower.ends_with(".toml")) {
            continue;
        }
        let Some(near) = nearest(name, OPTIONAL) else {
            continue;
        };
        let edits = strsim::damerau_levenshtein(&lower, near);
        if edits <= 2 && !names.iter().any(|name| name == near) {
            problems.push(
                problem(FormatProblemCode::FileMisnamed, &crate::problem::shown(name))
                    .found(format!("a file named {}", quoted(name)))
                    .expected(format!("{near}, or a name that is not so near it"))
                    .nearest(Some(near))
                    .help("Under this name it would be passed over."),
            );
        }
    }
}

/// Names of what lies in a folder, sorted; empty when it cannot be read.
pub(crate) fn names_in(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .into_iter()
        .flatten()
        .filter_map(Result::ok)
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}
