//! What can be typed.

use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Therapeutic drug monitoring on dried blood spots: from chromatograms to judged concentrations.
///
/// Exit codes: 0 done and accepted; 1 the computer failed (disk, memory); 2 the command line is wrong;
/// 3 done, but at least one analyte of a run is rejected; 4 the input is wrong.
#[derive(Debug, Parser)]
#[command(name = "spotwright", version, max_term_width = 100)]
pub(crate) struct Arguments {
    #[command(subcommand)]
    pub(crate) command: Command,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Lay out a simulated laboratory day, run it, and say where to look
    Demo(Demo),
    /// Compute and judge a laboratory day: results.json, results.csv and an HTML report a run
    Run(Run),
    /// Validate a laboratory day without computing anything
    Check(Check),
    /// Print one result's whole derivation, step by step
    Explain(Explain),
    /// Look at card photographs: find every spot, measure it, judge it, say where to extract
    Look(Look),
    /// Read a day's accepted levels against dose histories: exposure, dose options with odds, or refusals
    Interpret(Interpret),
    /// The same for one person, written by hand in a case file
    Dose(DoseCase),
    /// Tabulate what mzML files hold
    Traces(Traces),
    /// Fit a calibration table: curve, back-calculated values, limits of detection
    Curve(Curve),
    /// Exposure straight from levels: areas, half-life, clearance by stated rules
    Noncompartmental(Noncompartmental),
    /// Estimate a population model from a study's own data, with a visual predictive check
    Population(Population),
    /// Write a simulated laboratory day with known truth
    Simulate(Simulate),
}

#[derive(Debug, Args)]
pub(crate) struct Demo {
    /// Folder for the simulated day; made anew
    #[arg(long, value_name = "FOLDER", default_value = "demo-day")]
    pub(crate) out: PathBuf,
    /// Print the verdicts only
    #[arg(long)]
    pub(crate) quiet: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Run {
    /// The laboratory day
    #[arg(value_name = "DAY")]
    pub(crate) day: PathBuf,
    /// Where results go [default: DAY/results]
    #[arg(long, value_name = "FOLDER")]
    pub(crate) out: Option<PathBuf>,
    /// Worker threads [default: one a core]; the results do not depend on it
    #[arg(long, value_name = "N")]
    pub(crate) threads: Option<usize>,
    /// Print the summary as JSON
    #[arg(long, conflicts_with = "quiet")]
    pub(crate) json: bool,
    /// Print nothing but errors
    #[arg(long)]
    pub(crate) quiet: bool,
    /// Leave out the HTML reports
    #[arg(long)]
    pub(crate) no_html: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Look {
    /// Photographs (JPEG, PNG, TIFF), or folders of them; a laboratory day is looked at with its requests
    #[arg(value_name = "PHOTO", required = true)]
    pub(crate) photographs: Vec<PathBuf>,
    /// Card layout (layout.toml), as often as there are layouts [default: the built-in ones]
    #[arg(long, value_name = "FILE")]
    pub(crate) layout: Vec<PathBuf>,
    /// Method whose extraction head and limits on spots apply
    #[arg(long, value_name = "FILE")]
    pub(crate) method: Option<PathBuf>,
    /// Diameter of the extraction head's disc in mm [default: the method's, or 6]
    #[arg(long, value_name = "MM")]
    pub(crate) head_mm: Option<f64>,
    /// Write look.json, an annotated drawing a card and a sheet of all cards into this folder
    #[arg(long, value_name = "FOLDER")]
    pub(crate) out: Option<PathBuf>,
    /// Worker threads [default: one a core]; the results do not depend on it
    #[arg(long, value_name = "N")]
    pub(crate) threads: Option<usize>,
    /// Print JSON
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Interpret {
    /// The laboratory day
    #[arg(value_name = "DAY")]
    pub(crate) day: PathBuf,
    /// Where answers go [default: DAY/interpretations]
    #[arg(long, value_name = "FOLDER")]
    pub(crate) out: Option<PathBuf>,
    /// Kinetic models of the laboratory's own (*.toml), such as signed copies; they stand in for built-in ones of the same id
    #[arg(long, value_name = "FOLDER")]
    pub(crate) models: Option<PathBuf>,
    /// Worker threads [default: one a core]; the results do not depend on it
    #[arg(long, value_name = "N")]
    pub(crate) threads: Option<usize>,
    /// Print JSON
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct DoseCase {
    /// The case: doses, levels, covariates of one person
    #[arg(value_name = "CASE.toml")]
    pub(crate) case: PathBuf,
    /// Write the one-page answer (HTML)
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
    /// Kinetic models of the laboratory's own (*.toml); they stand in for built-in ones of the same id
    #[arg(long, value_name = "FOLDER")]
    pub(crate) models: Option<PathBuf>,
    /// Print JSON
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Check {
    /// The laboratory day
    #[arg(value_name = "DAY")]
    pub(crate) day: PathBuf,
    /// Print problems as JSON
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Explain {
    /// The result: run/order/analyte, as in results.json
    #[arg(value_name = "RESULT")]
    pub(crate) result: String,
    /// The laboratory day [default: this folder, or demo-day in it]
    #[arg(long, value_name = "DAY")]
    pub(crate) day: Option<PathBuf>,
    /// Print the derivation as JSON
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Traces {
    /// mzML files, plain or gzipped
    #[arg(value_name = "FILE", required = true)]
    pub(crate) files: Vec<PathBuf>,
    /// Print a JSON array, one object a trace, in file order
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Curve {
    /// A CSV table with a header line
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
    /// Column of the known amounts [default: the first numeric column]
    #[arg(long, value_name = "COLUMN")]
    pub(crate) x: Option<String>,
    /// Column of the responses [default: the second numeric column]
    #[arg(long, value_name = "COLUMN")]
    pub(crate) y: Option<String>,
    /// Keep only the rows whose column has this text
    #[arg(long, value_name = "COLUMN=TEXT", value_parser = column_and_text)]
    pub(crate) only: Vec<(String, String)>,
    /// Shape of the curve
    #[arg(long, value_enum, default_value_t = Model::Linear)]
    pub(crate) model: Model,
    /// Weight of a point [default: print all three side by side]
    #[arg(long, value_parser = ["1", "1/x", "1/x^2"])]
    pub(crate) weighting: Option<String>,
    /// Read concentrations back for these responses
    #[arg(long, value_name = "RESPONSE", num_args = 1.., value_delimiter = ',', allow_negative_numbers = true)]
    pub(crate) read: Vec<f64>,
    /// Print JSON
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Model {
    Linear,
    Quadratic,
}

#[derive(Debug, Args)]
pub(crate) struct Noncompartmental {
    /// A table of doses and levels (docs/formats.md, observations.csv)
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
    /// Linear trapezoids throughout [default: logarithmic while levels fall]
    #[arg(long)]
    pub(crate) linear: bool,
    /// Terminal slope through this many last levels [default: best adjusted R²]
    #[arg(long, value_name = "N", conflicts_with_all = ["slope_from", "slope_to"])]
    pub(crate) last_points: Option<usize>,
    /// Terminal slope from this time after the dose (h)
    #[arg(long, value_name = "HOURS", requires = "slope_to")]
    pub(crate) slope_from: Option<f64>,
    /// Terminal slope up to this time after the dose (h)
    #[arg(long, value_name = "HOURS", requires = "slope_from")]
    pub(crate) slope_to: Option<f64>,
    /// What stands at the dose when nothing was drawn then
    #[arg(long, value_enum, default_value_t = Start::Zero)]
    pub(crate) start: Start,
    /// Print JSON
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Start {
    /// Nothing: the area begins at the first sample
    AsSampled,
    /// Zero; after a bolus the level extrapolated from the first two
    Zero,
    /// The lowest level of the interval, in steady state
    Lowest,
}

#[derive(Debug, Args)]
pub(crate) struct Population {
    /// The study: a folder with model.toml and observations.csv
    #[arg(value_name = "STUDY")]
    pub(crate) study: PathBuf,
    /// Where results go [default: STUDY/results]
    #[arg(long, value_name = "FOLDER")]
    pub(crate) out: Option<PathBuf>,
    /// Different starts of the search
    #[arg(long, value_name = "N", default_value_t = 3)]
    pub(crate) starts: usize,
    /// Seed of the other starts and of simulated studies
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
    /// Studies simulated for the predictive check
    #[arg(long, value_name = "N", default_value_t = 500)]
    pub(crate) simulated_studies: u32,
    /// Bins of time of the predictive check [default: by the number of levels]
    #[arg(long, value_name = "N")]
    pub(crate) bins: Option<usize>,
    /// Correct the predictive check for predictions
    #[arg(long)]
    pub(crate) prediction_corrected: bool,
    /// Count time in the predictive check from the latest dose
    #[arg(long)]
    pub(crate) since_last_dose: bool,
    /// Print the record as JSON
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Simulate {
    /// Folder to make
    #[arg(long, value_name = "FOLDER")]
    pub(crate) out: PathBuf,
    /// Same seed, same bytes
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
    /// What kind of day
    #[arg(long, value_enum, default_value_t = Scenario::Demo)]
    pub(crate) scenario: Scenario,
    /// How many injections, up to 100 000 (scale only)
    #[arg(long, value_name = "N", default_value_t = 500)]
    pub(crate) injections: u64,
    /// How many cards, up to 100 000 (cards only)
    #[arg(long, value_name = "N", default_value_t = 20)]
    pub(crate) cards: u64,
    /// Photographs of each card, each in other light (cards only)
    #[arg(long, value_name = "K", default_value_t = 1)]
    pub(crate) repeat: u32,
    /// Width of the photographs (px) [default: mostly 2400, some 1200 to 4000] (cards only)
    #[arg(long, value_name = "PX")]
    pub(crate) width: Option<usize>,
    /// Good spots well photographed, nothing else (cards only)
    #[arg(long)]
    pub(crate) good: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Scenario {
    /// Five panels with every planted fault
    Demo,
    /// One run without any fault
    Clean,
    /// As many injections as asked for, in runs of at most 500
    Scale,
    /// Photographs of cards with every fault of a spot and of a photograph
    Cards,
}

fn column_and_text(argument: &str) -> Result<(String, String), String> {
    let parts = argument.split_once('=');
    parts
        .map(|(column, text)| (column.to_owned(), text.to_owned()))
        .ok_or_else(|| "write COLUMN=TEXT".to_owned())
}
