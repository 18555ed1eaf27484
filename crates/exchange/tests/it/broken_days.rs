//! The broken days of `docs/formats.md`: a good day, one edit, and what is said of it.

use crate::tiny_day::{Edit, lay_out, text_of};
use Edit::{By, Remove, Rename, Replace, ReplaceAll, SaveAs, Write};
use spotwright_exchange::{FormatProblem, open_day};
use std::path::Path;
use std::sync::OnceLock;

/// A broken day.
struct BrokenDay {
    /// What is wrong with it.
    title: &'static str,
    /// The edit that broke it.
    edit: Edit,
}

const fn day(title: &'static str, edit: Edit) -> BrokenDay {
    BrokenDay { title, edit }
}

const METHOD: &str = "method.toml";
const INJECTIONS: &str = "injections.csv";
const REQUESTS: &str = "requests.csv";
const DOSES: &str = "doses.csv";
const COVARIATES: &str = "covariates.csv";
const LEVELS: &str = "levels.csv";
const LIMITS: &str = "manual-limits.csv";

fn utf16(text: &str) -> Vec<u8> {
    let units = std::iter::once(0xFEFF).chain(text.encode_utf16());
    units.flat_map(u16::to_le_bytes).collect()
}

fn latin1(text: &str) -> Vec<u8> {
    text.replace("posted late", "post\u{e9} late")
        .chars()
        .map(|c| u8::try_from(u32::from(c)).unwrap())
        .collect()
}

fn with_nul(text: &str) -> Vec<u8> {
    text.replace("PM-0002,SI-0093", "PM-0002\0SI-0093").into_bytes()
}

fn old_line_ends(text: &str) -> Vec<u8> {
    text.replace('\n', "\r").into_bytes()
}

fn long_line(text: &str) -> Vec<u8> {
    text.replace("posted late", &"late ".repeat(20_000)).into_bytes()
}

fn long_cell(text: &str) -> Vec<u8> {
    text.replacen("shoulder", &"very ".repeat(500), 1).into_bytes()
}

fn two_methods(folder: &Path) {
    let other = text_of(METHOD).replace("id = \"epilepsy\"", "id = \"transplant\"");
    std::fs::create_dir(folder.join("methods")).unwrap();
    std::fs::write(folder.join("methods/transplant.toml"), other).unwrap();
    std::fs::rename(folder.join(METHOD), folder.join("methods/epilepsy.toml")).unwrap();
    let list = text_of(INJECTIONS)
        .replace("run,", "run,method,")
        .replace(",R1,", ",R1,epilepsy,");
    let at = list.rfind("epilepsy").unwrap();
    let list = format!("{}transplant{}", &list[..at], &list[at + "epilepsy".len()..]);
    std::fs::write(folder.join(INJECTIONS), list).unwrap();
}

fn no_traces(folder: &Path) {
    std::fs::remove_dir_all(folder.join("traces")).unwrap();
}

fn mixed_marks(text: &str) -> Vec<u8> {
    text.replace("posted late, mail", "posted late mail")
        .replace(',', ";")
        .replace("0.42", "0,42")
        .into_bytes()
}

fn unknown_method(text: &str) -> Vec<u8> {
    text.replace("run,", "run,method,")
        .replace(",R1,", ",R1,epilepsy,")
        .replacen("epilepsy", "epilepsi", 1)
        .into_bytes()
}

/// Every broken day, by the file that is broken.
const BROKEN_DAYS: &[BrokenDay] = &[
    // Files
    day("No injection list", Rename(INJECTIONS, "injection.csv")),
    day("No method", Remove(METHOD)),
    day(
        "Two ways of giving the method",
        Write("methods/epilepsy.toml", b""),
    ),
    day("No folder of traces", By(no_traces)),
    day("An optional file misspelt", Rename(REQUESTS, "request.csv")),
    day("An empty file", Write(INJECTIONS, b"")),
    day(
        "A header and nothing below",
        Write(INJECTIONS, b"order,trace_file,role\n"),
    ),
    day("UTF-16", SaveAs(REQUESTS, utf16)),
    day("Latin-1", SaveAs(REQUESTS, latin1)),
    day("A NUL byte", SaveAs(REQUESTS, with_nul)),
    day(
        "Lines that end in carriage return alone",
        SaveAs(REQUESTS, old_line_ends),
    ),
    day("A workbook", Write(REQUESTS, b"PK\x03\x04\x14\0\x06\0")),
    day(
        "A control character",
        Replace(REQUESTS, "posted late", "posted \u{1b}[31mlate"),
    ),
    day("A line without end", SaveAs(REQUESTS, long_line)),
    // Tables
    day("Tabs between cells", ReplaceAll(DOSES, ",", "\t")),
    day("Column missing", Replace(INJECTIONS, "role,", "sub_batch,")),
    day(
        "Column misspelt",
        Replace(INJECTIONS, "rack_position", "Rack Position"),
    ),
    day(
        "Column of another unit",
        Replace(REQUESTS, "creatinine_umol_per_l", "creatinine_mg_per_dl"),
    ),
    day("Column twice", Replace(REQUESTS, "last_dose_at", "collected_at")),
    day(
        "A row one cell short",
        Replace(
            INJECTIONS,
            "A3,2026-03-02T08:08:00+01:00,,",
            "A3,2026-03-02T08:08:00+01:00,",
        ),
    ),
    day(
        "A quotation mark never closed",
        Replace(REQUESTS, "mail boat\"", "mail boat"),
    ),
    day(
        "A quotation mark inside a cell",
        Replace(LIMITS, "shoulder on the tail", "shoulder 3\" wide"),
    ),
    day("A cell without end", SaveAs(LIMITS, long_cell)),
    // Numbers
    day("Decimal comma between commas", Replace(REQUESTS, "0.42", "0,42")),
    day("Decimal comma, quoted", Replace(REQUESTS, "0.42", "\"0,42\"")),
    day(
        "Decimal comma and point in one file",
        SaveAs(REQUESTS, mixed_marks),
    ),
    day("NaN", Replace(REQUESTS, "71.5", "NaN")),
    day("Infinity", Replace(DOSES, "100,mg", "inf,mg")),
    day("Unit in a cell", Replace(DOSES, "100,mg", "100 mg,mg")),
    day("Thousands separator", Replace(DOSES, "100,mg", "1 000,mg")),
    day("Formula", Replace(DOSES, "100,mg", "=50+50,mg")),
    day("A word for unknown", Replace(REQUESTS, "71.5", "n/a")),
    day("Haematocrit in percent", Replace(REQUESTS, "0.42", "42")),
    day("Haematocrit nobody has", Replace(REQUESTS, "0.42", "0.09")),
    day("A negative weight", Replace(REQUESTS, "71.5", "-71.5")),
    day("Order not whole", Replace(INJECTIONS, "\n3,03", "\n3.5,03")),
    // Times
    day(
        "Clock without offset",
        Replace(REQUESTS, "2026-02-27T07:40:00+01:00", "2026-02-27T07:40:00"),
    ),
    day(
        "A day that does not exist",
        Replace(REQUESTS, "2026-02-27T07:40:00+01:00", "2026-02-30T07:40:00+01:00"),
    ),
    day(
        "Day and month in doubt",
        Replace(REQUESTS, "2026-02-27T07:40:00+01:00", "02/03/2026 07:40"),
    ),
    day(
        "A spreadsheet's count of days",
        Replace(REQUESTS, "2026-02-27T07:40:00+01:00", "46080.3194"),
    ),
    day(
        "A regimen that ends before it begins",
        Replace(DOSES, "2026-02-26T21:00:00+01:00", "2025-02-26T21:00:00+01:00"),
    ),
    // Injections
    day(
        "Unknown role",
        Replace(INJECTIONS, "calibrator,R1,C1", "calibrater,R1,C1"),
    ),
    day(
        "Unknown level",
        Replace(INJECTIONS, "calibrator,R1,C1", "calibrator,R1,C7"),
    ),
    day(
        "A control level on a calibrator",
        Replace(INJECTIONS, "calibrator,R1,C1", "calibrator,R1,QM"),
    ),
    day(
        "Calibrator without level",
        Replace(INJECTIONS, "calibrator,R1,C1", "calibrator,R1,"),
    ),
    day("Patient without card", Replace(INJECTIONS, "PM-0001,1", ",")),
    day(
        "A card on a blank",
        Replace(INJECTIONS, "zero,R1,,,", "zero,R1,,PM-0003,"),
    ),
    day(
        "A card code that is a formula",
        Replace(INJECTIONS, "PM-0001,1", "@PM-0001,1"),
    ),
    day("Order twice", Replace(INJECTIONS, "\n5,05", "\n4,05")),
    day("Unknown method", SaveAs(INJECTIONS, unknown_method)),
    day("Two methods in one run", By(two_methods)),
    day("Trace file missing", Replace(INJECTIONS, "05.mzML", "O5.mzML")),
    day("Trace file twice", Replace(INJECTIONS, "05.mzML", "04.mzML")),
    day(
        "A trace path that leaves its folder",
        Replace(INJECTIONS, "05.mzML", "../05.mzML"),
    ),
    day(
        "A trace of another kind",
        Replace(INJECTIONS, "05.mzML", "05.csv"),
    ),
    day(
        "One spot twice without saying why",
        Replace(INJECTIONS, "PM-0001,1", "PM-0002,1"),
    ),
    day(
        "A repeat without reason",
        Replace(INJECTIONS, "above the range", ""),
    ),
    day("A repeat of another card", Replace(INJECTIONS, "R1/9,", "R1/8,")),
    day(
        "A repeat of a later injection",
        Replace(INJECTIONS, "R1/9,", "R1/11,"),
    ),
    day("A repeat of nothing", Replace(INJECTIONS, "R1/9,", "R2/9,")),
    day("Dilution below one", Replace(INJECTIONS, "1,2,A9", "1,0.5,A9")),
    day(
        "A diluted calibrator",
        Replace(INJECTIONS, "C2,,,,A5", "C2,,,2,A5"),
    ),
    day(
        "A dilution control's level on a control",
        Replace(
            INJECTIONS,
            "control,R1,QM,,,,A6,2026-03-02T08:44",
            "control,R1,QD,,,,B2,2026-03-02T08:44",
        ),
    ),
    day(
        "One rack position, two vials",
        Replace(INJECTIONS, "1,,A8", "1,,A7"),
    ),
    // Requests, doses, limits set by hand
    day("Card twice", Replace(REQUESTS, "PM-0002", "PM-0001")),
    day(
        "An analyte no method holds",
        Replace(REQUESTS, "SI-0417,lamotrigine", "SI-0417,lamotrigin"),
    ),
    day("An unknown sex", Replace(REQUESTS, "female", "f")),
    day("Wrong unit of a dose", Replace(DOSES, "100,mg", "100,µg")),
    day(
        "An infusion without minutes",
        Replace(DOSES, "oral", "intravenous-infusion"),
    ),
    day(
        "Limits that end before they begin",
        Replace(LIMITS, "1.15,1.30", "1.30,1.15"),
    ),
    day(
        "Limits without reason",
        Replace(LIMITS, "shoulder on the tail", " "),
    ),
    day(
        "Limits of an unknown transition",
        Replace(LIMITS, "lamotrigine,", "lamotrigine-d4,"),
    ),
    day("Limits of an unknown injection", Replace(LIMITS, "R1,8", "R1,80")),
    day(
        "Limits twice for one peak",
        Replace(LIMITS, "lamotrigine qualifier 1", "lamotrigine"),
    ),
    // Method
    day(
        "Not TOML",
        Replace(METHOD, "matrix = \"dried-blood\"", "matrix = dried-blood"),
    ),
    day(
        "Unknown key",
        Replace(METHOD, "retention_tolerance_min", "retention_tolerence_min"),
    ),
    day("Missing key", Replace(METHOD, "within_run_cv_pct = 4.0\n", "")),
    day(
        "Key twice",
        Replace(METHOD, "version = \"2\"", "version = \"2\"\nversion = \"3\""),
    ),
    day("Wrong unit", Replace(METHOD, "\"mg/L\"", "\"mg/l\"")),
    day(
        "A unit with a micro sign",
        Replace(METHOD, "\"mg/L\"", "\"µg/L\""),
    ),
    day(
        "A molar unit without molar mass",
        Replace(METHOD, "\"mg/L\"\nmolar_mass_g_per_mol = 256.09", "\"umol/L\""),
    ),
    day(
        "A number in quotation marks",
        Replace(
            METHOD,
            "retention_time_min = 1.21",
            "retention_time_min = \"1.21 min\"",
        ),
    ),
    day(
        "A version that is a number",
        Replace(METHOD, "version = \"2\"", "version = 2"),
    ),
    day("Unknown weighting", Replace(METHOD, "\"1/x^2\"", "\"1/x2\"")),
    day(
        "Negative retention",
        Replace(METHOD, "retention_time_min = 1.21", "retention_time_min = -1.21"),
    ),
    day(
        "Retention in seconds",
        Replace(METHOD, "retention_time_min = 1.21", "retention_time_min = 726.0"),
    ),
    day("NaN in the method", Replace(METHOD, "C1 = 0.5", "C1 = nan")),
    day(
        "Haematocrit range in percent",
        Replace(METHOD, "haematocrit_max = 0.60", "haematocrit_max = 60"),
    ),
    day(
        "Half an approval",
        Replace(METHOD, "approved_on = \"2026-02-16\"\n", ""),
    ),
    day(
        "A changed limit without reason",
        Replace(
            METHOD,
            "reason = \"two calibrator levels suffice for this example\"\n",
            "",
        ),
    ),
    day(
        "An unknown limit",
        Replace(METHOD, "max_relative_error_pct", "max_error_pct"),
    ),
    day("One calibrator level", Replace(METHOD, "C1 = 0.5\n", "")),
    day(
        "Two calibrator levels of one concentration",
        Replace(METHOD, "C2 = 20.0", "C2 = 20.0\nC3 = 20.0"),
    ),
    day(
        "A control below the range",
        Replace(METHOD, "QM = 8.0", "QM = 8.0\nQL = 0.3"),
    ),
    day(
        "A control above the range",
        Replace(METHOD, "QM = 8.0", "QM = 8.0\nQH = 80.0"),
    ),
    day(
        "Two internal standards of one name",
        Replace(
            METHOD,
            "[[analyte]]",
            "[[internal_standard]]\nname = \"lamotrigine-13C3\"\nprecursor_mz = 262.0\nproduct_mz = 217.0\npolarity = \"positive\"\nretention_time_min = 1.20\n\n[[analyte]]",
        ),
    ),
    day(
        "Two internal standards of one transition",
        Replace(
            METHOD,
            "[[analyte]]",
            "[[internal_standard]]\nname = \"other-13C3\"\nprecursor_mz = 259.0\nproduct_mz = 214.0\npolarity = \"positive\"\nretention_time_min = 1.20\n\n[[analyte]]",
        ),
    ),
    day(
        "Analyte and internal standard of one transition",
        Replace(
            METHOD,
            "precursor_mz = 256.0\nproduct_mz = 211.0",
            "precursor_mz = 259.0\nproduct_mz = 214.0",
        ),
    ),
    day(
        "An internal standard that is not there",
        Replace(
            METHOD,
            "internal_standard = \"lamotrigine-13C3\"",
            "internal_standard = \"lamotrigine-13C\"",
        ),
    ),
    // Conversion and target
    day(
        "A form of conversion nobody knows",
        Replace(METHOD, "\"theoretical\"", "\"theoretic\""),
    ),
    day(
        "A conversion without source",
        Replace(
            METHOD,
            "source = \"invented for this example\"\napproved_by",
            "approved_by",
        ),
    ),
    day(
        "A key of another form of conversion",
        Replace(METHOD, "partition_ratio_sd = 0.1", "fraction_bound = 0.55"),
    ),
    day(
        "A theory without its ratio",
        Replace(METHOD, "partition_ratio = 1.0\npartition_ratio_sd = 0.1\n", ""),
    ),
    day(
        "A line that does not say what it was drawn on",
        Replace(
            METHOD,
            "form = \"theoretical\"\npartition_ratio = 1.0\npartition_ratio_sd = 0.1\n",
            "form = \"linear-regression\"\ndirection = \"reported-on-measured\"\nslope = 1.05\nintercept = 0.2\n",
        ),
    ),
    day(
        "A line without its unit",
        Replace(
            METHOD,
            "form = \"theoretical\"\npartition_ratio = 1.0\npartition_ratio_sd = 0.1\nunit = \"mg/L\"\n",
            "form = \"linear-regression\"\ndirection = \"reported-on-measured\"\ninput = \"raw\"\nslope = 1.05\nintercept = 0.2\n",
        ),
    ),
    day(
        "A line on raw spots, and the haematocrit again",
        Replace(
            METHOD,
            "form = \"theoretical\"\npartition_ratio = 1.0\npartition_ratio_sd = 0.1\n",
            "form = \"linear-regression\"\ndirection = \"reported-on-measured\"\ninput = \"raw\"\nslope = 1.05\nintercept = 0.2\nhaematocrit_effect = { effect = \"spreading\", area_slope = -0.76, reference_haematocrit = 0.40 }\n",
        ),
    ),
    day(
        "A line on raw spots, and the plasma fraction again",
        Replace(
            METHOD,
            "form = \"theoretical\"\npartition_ratio = 1.0\n",
            "form = \"linear-regression\"\ndirection = \"reported-on-measured\"\ninput = \"raw\"\nslope = 1.05\nintercept = 0.2\npartition_ratio = 1.0\n",
        ),
    ),
    day(
        "A default haematocrit outside the range",
        Replace(METHOD, "default_haematocrit = 0.42", "default_haematocrit = 0.60"),
    ),
    day(
        "A default haematocrit nobody asked for",
        Replace(
            METHOD,
            "haematocrit_unknown = \"default\"",
            "haematocrit_unknown = \"refuse\"",
        ),
    ),
    day(
        "A conversion of another disc",
        Replace(METHOD, "disc_mm = 6.0", "disc_mm = 3.2"),
    ),
    day(
        "A plasma fraction towards blood",
        Replace(
            METHOD,
            "matrix = \"plasma\"\nform",
            "matrix = \"whole-blood\"\nform",
        ),
    ),
    day(
        "A target range upside down",
        Replace(METHOD, "high = 15.0", "high = 1.5"),
    ),
    day(
        "A target range without matrix",
        Replace(METHOD, "matrix = \"plasma\"\nsampling_time", "sampling_time"),
    ),
    // Covariates, earlier levels, doses
    day(
        "Creatinine in the other unit",
        Replace(COVARIATES, "1.1,mg/dL", "1.1,umol/L"),
    ),
    day(
        "A covariate in a unit it does not have",
        Replace(COVARIATES, "71.5,kg", "71.5,kilo"),
    ),
    day(
        "A weight in grams called kilograms",
        Replace(COVARIATES, "71.5,kg", "3100,kg"),
    ),
    day("A covariate misspelt", Replace(COVARIATES, "weight,", "wieght,")),
    day(
        "A carrier that is neither 0 nor 1",
        Replace(COVARIATES, "valproate,1,1", "valproate,0.5,1"),
    ),
    day(
        "A fact twice",
        Replace(COVARIATES, "2026-02-26T08:00:00+01:00", "2026-02-20T07:00:00Z"),
    ),
    day(
        "A level without matrix",
        Replace(LEVELS, "mg/L,plasma,,", "mg/L,,,"),
    ),
    day(
        "A level without time of sampling",
        Replace(LEVELS, "2026-01-20T07:30:00+01:00", ""),
    ),
    day(
        "A level below its limit with an uncertainty",
        Replace(LEVELS, "plasma,yes,", "plasma,yes,0.1"),
    ),
    day("A level twice", Replace(LEVELS, "2026-02-03", "2026-01-20")),
    day("A level of zero", Replace(LEVELS, "6.2,mg/L", "0,mg/L")),
    day(
        "A dose neither taken nor missed",
        Replace(
            DOSES,
            "infusion_min\nSI-0417,lamotrigine,100,mg,oral,2026-01-05T09:00:00+01:00,12,2026-02-26T21:00:00+01:00,\nSI-0093,lamotrigine,50,mg,oral,2026-02-25T22:00:00Z,,,",
            "infusion_min,taken\nSI-0417,lamotrigine,100,mg,oral,2026-01-05T09:00:00+01:00,12,2026-02-26T21:00:00+01:00,,forgotten\nSI-0093,lamotrigine,50,mg,oral,2026-02-25T22:00:00Z,,,,",
        ),
    ),
];

/// What is said of a broken day.
///
/// # Panics
/// When nothing is said.
#[must_use]
fn problems_of(broken: &BrokenDay) -> Vec<FormatProblem> {
    let folder = tempfile::tempdir().unwrap();
    lay_out(folder.path());
    broken.edit.apply(folder.path());
    match open_day(folder.path()) {
        Err(problems) => problems,
        Ok(_) => panic!("{}: the day was taken for a good one", broken.title),
    }
}

/// Every broken day with what is said of it; found once, for all tests.
pub(crate) fn all() -> &'static [(&'static str, Vec<FormatProblem>)] {
    static ALL: OnceLock<Vec<(&str, Vec<FormatProblem>)>> = OnceLock::new();
    ALL.get_or_init(|| {
        BROKEN_DAYS
            .iter()
            .map(|broken| (broken.title, problems_of(broken)))
            .collect()
    })
}

/// A message as Markdown that shows it unchanged.
fn in_a_table(message: &str) -> String {
    message
        .replace('<', "&lt;")
        .replace('*', "\\*")
        .replace('|', "\\|")
        .replace('[', "\\[")
}

/// The table of `docs/formats.md`.
#[must_use]
pub(crate) fn table() -> String {
    let mut table = String::from("| | broken by | code | what is said |\n|---|---|---|---|\n");
    for (number, (title, problems)) in (1..).zip(all()) {
        let codes: Vec<String> = problems.iter().map(|p| format!("`{}`", p.code)).collect();
        let messages: Vec<String> = problems.iter().map(|p| in_a_table(&p.to_string())).collect();
        table.push_str(&format!(
            "| {number} | {} | {} | {} |\n",
            title,
            codes.join("<br>"),
            messages.join("<br>")
        ));
    }
    table
}
