//! Open formats at the rim: the laboratory day's TOML and CSV files in, tables out.
//!
//! [`open_day`] reads a day's folder as `docs/formats.md` describes it, checks every file by itself and against the
//! others, and gives a [`Day`], or every problem with its place, what was expected and the nearest valid name.
//! It knows nothing of what is inside a trace.

mod bounds;
mod by_subject;
mod case;
mod covariates;
mod day;
mod doses;
mod injections;
mod kept;
mod layout;
mod levels;
mod manual_limits;
mod method;
mod moment;
mod nearest;
mod problem;
mod requests;
mod study;
mod table;
mod text;
mod traces;

pub use case::{CASE_TABLES, open_case, read_case};
pub use covariates::Covariates;
pub use day::{Day, DaySummary, SIMULATED_MARKER, open_day};
pub use doses::Doses;
pub use injections::{RunList, Runs};
pub use layout::{LAYOUT_TABLES, LayoutFile, open_layout, read_layout};
pub use levels::Levels;
pub use manual_limits::ManualLimit;
pub use method::{CardLimits, LIMIT_RULES, METHOD_TABLES, MethodFile, MethodKey, MethodTable, open_method};
pub use moment::moment_unix_s;
pub use problem::{FormatProblem, FormatProblemCode, FormatWarning, FormatWarningCode, MOST_LISTED};
pub use requests::{Requests, open_requests};
pub use study::{
    CovariateName, OBSERVATIONS, STUDY_MODEL, StudyCovariate, StudyDose, StudyLevel, StudyPerson, StudyRoute,
    read_profiles, read_study, read_study_model,
};
