//! The damaged trace files of `docs/formats.md`: a good file, one thing done to it, what `spotwright check` says of it
//! and what becomes of its result.

use flate2::Compression as Level;
use flate2::write::GzEncoder;
use serde_json::Value;
use spotwright_domain::trace::Trace;
use spotwright_mzml::{
    ArrayEncoding, Chromatogram, FileHead, MzmlWriter, ReadOptions, Scratch, WriteOptions, WriteTimeUnit,
    parse_bytes,
};
use spotwright_simulate::{DayPlan, write_day};
use spotwright_workflow::check::check_day;
use spotwright_workflow::run::{RunOptions, Silent, run_day};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;
use std::sync::OnceLock;

/// One thing done to a file.
enum Damage {
    /// The file's bytes become others.
    Bytes(fn(Vec<u8>) -> Vec<u8>),
    /// In the text of a plain file (no compression, no index) the first of one text becomes another.
    Text(&'static str, &'static str),
    /// In a plain file, within the analyte's trace, the first of one text becomes another.
    InTrace(&'static str, &'static str),
    /// In a plain file, within the intensities of the analyte's trace.
    Intensities(fn(&str) -> String),
    /// Other traces are written.
    Traces(fn(Vec<Trace>, usize) -> Vec<Trace>),
}

use Damage::{Bytes, InTrace, Intensities, Text, Traces};

/// Title and damage, in the order of the table.
const DAMAGES: [(&str, Damage); 24] = [
    ("An empty file", Bytes(|_| Vec::new())),
    (
        "A copy cut off half way",
        Bytes(|bytes| bytes[..bytes.len() / 2].to_vec()),
    ),
    ("A gzip copy cut off", Bytes(cut_gzip)),
    (
        "One byte changed in a file with a checksum",
        Bytes(one_byte_changed),
    ),
    (
        "A block of zeros, as a failing disk leaves",
        Bytes(block_of_zeros),
    ),
    (
        "Not mzML at all: a page of HTML",
        Bytes(|_| b"<!doctype html>\n<html><body>Session expired</body></html>\n".to_vec()),
    ),
    (
        "Not mzML at all: a zip archive",
        Bytes(|_| b"PK\x03\x04\x14\0\0\0\x08\0traces".to_vec()),
    ),
    ("Another XML format", Text("<mzML ", "<mzXML ")),
    (
        "An obsolete schema",
        Text("version=\"1.1.0\"", "version=\"0.99.1\""),
    ),
    (
        "A document type declaration",
        Text("<mzML ", "<!DOCTYPE mzML [<!ENTITY a \"b\">]><mzML "),
    ),
    (
        "Fewer traces than announced",
        Text("<chromatogramList count=\"", "<chromatogramList count=\"1"),
    ),
    ("An element that never closes", InTrace("</chromatogram>", "")),
    (
        "A wrong number of points",
        InTrace("defaultArrayLength=\"", "defaultArrayLength=\"1"),
    ),
    (
        "An array that is not base64",
        Intensities(|text| format!("*{}", &text[1..])),
    ),
    (
        "NaN among the intensities",
        Intensities(|text| format!("AADAfwAAwH8AAMB/{}", &text[16..])),
    ),
    (
        "Times in hours",
        InTrace(
            "unitAccession=\"UO:0000031\" unitName=\"minute\"",
            "unitAccession=\"UO:0000032\" unitName=\"hour\"",
        ),
    ),
    (
        "The intensities are called something else",
        InTrace(
            "accession=\"MS:1000515\" name=\"intensity array\"",
            "accession=\"MS:1000786\" name=\"non-standard data array\"",
        ),
    ),
    (
        "No unit of time",
        InTrace(
            " unitCvRef=\"UO\" unitAccession=\"UO:0000031\" unitName=\"minute\"",
            "",
        ),
    ),
    ("Times that go backwards", Traces(times_backwards)),
    ("Negative intensities", Traces(negative)),
    ("The analyte's trace without points", Traces(no_points)),
    ("The analyte's trace absent", Traces(absent)),
    ("The analyte's trace twice", Traces(twice)),
    ("Recording ended before the peak", Traces(ends_early)),
];

fn cut_gzip(bytes: Vec<u8>) -> Vec<u8> {
    let mut packed = GzEncoder::new(Vec::new(), Level::default());
    packed.write_all(&bytes).unwrap();
    let packed = packed.finish().unwrap();
    packed[..packed.len() * 3 / 5].to_vec()
}

fn one_byte_changed(bytes: Vec<u8>) -> Vec<u8> {
    let mut text = String::from_utf8(bytes).unwrap();
    assert!(text.contains("<fileChecksum>"));
    let at = text.find("spotwright simulate").unwrap();
    text.replace_range(at..=at, "S");
    text.into_bytes()
}

fn block_of_zeros(mut bytes: Vec<u8>) -> Vec<u8> {
    let middle = bytes.len() / 2;
    bytes[middle..middle + 512].fill(0);
    bytes
}

fn times_backwards(mut traces: Vec<Trace>, analyte: usize) -> Vec<Trace> {
    let times = &mut traces[analyte].time_min;
    let early = times.len() / 8;
    times.swap(early, early + 3);
    traces
}

fn negative(mut traces: Vec<Trace>, analyte: usize) -> Vec<Trace> {
    let counts = &mut traces[analyte].intensity;
    let early = counts.len() / 8;
    counts[early..early + 5].fill(-40.0);
    traces
}

fn no_points(mut traces: Vec<Trace>, analyte: usize) -> Vec<Trace> {
    traces[analyte].time_min.clear();
    traces[analyte].intensity.clear();
    traces
}

fn absent(mut traces: Vec<Trace>, analyte: usize) -> Vec<Trace> {
    traces.remove(analyte);
    traces
}

fn twice(mut traces: Vec<Trace>, analyte: usize) -> Vec<Trace> {
    let mut second = traces[analyte].clone();
    let half = second.time_min.len() / 2;
    second.time_min.truncate(half);
    second.intensity.truncate(half);
    second.id.push_str(" again");
    traces.push(second);
    traces
}

fn ends_early(mut traces: Vec<Trace>, _: usize) -> Vec<Trace> {
    for trace in &mut traces {
        let kept = trace.time_min.iter().filter(|time| **time < 0.8).count();
        trace.time_min.truncate(kept);
        trace.intensity.truncate(kept);
    }
    traces
}

/// Traces as a file, compressed and with a checksum, or plain.
fn file_of(traces: &[Trace], plain: bool) -> Vec<u8> {
    let head = FileHead {
        run_id: "example",
        start_time_stamp: None,
        software: "spotwright simulate",
        software_version: "1",
    };
    let (time, intensity) = (ArrayEncoding::FLOAT_64, ArrayEncoding::FLOAT_32);
    let options = WriteOptions {
        time: if plain { time } else { time.zlib() },
        intensity: if plain { intensity } else { intensity.zlib() },
        time_unit: WriteTimeUnit::Minute,
        indexed: !plain,
    };
    let mut writer = MzmlWriter::new(Vec::new(), &head, &options, traces.len()).unwrap();
    for trace in traces {
        writer.write(&Chromatogram::from(trace)).unwrap();
    }
    writer.finish().unwrap()
}

fn replaced(text: &str, from_byte: usize, from: &str, to: &str) -> Vec<u8> {
    let (before, after) = text.split_at(from_byte);
    assert!(after.contains(from), "the file holds no {from:?}");
    format!("{before}{}", after.replacen(from, to, 1)).into_bytes()
}

fn damaged(bytes: &[u8], analyte_mz: [f64; 2], damage: &Damage) -> Vec<u8> {
    let file = parse_bytes(bytes, &ReadOptions::default(), &mut Scratch::default()).unwrap();
    let records = |trace: &Trace| {
        let [precursor, product] = [trace.precursor, trace.product].map(|window| window.unwrap().target_mz);
        (precursor - analyte_mz[0]).abs() < 0.2 && (product - analyte_mz[1]).abs() < 0.2
    };
    let analyte = file.traces.iter().position(records).unwrap();
    let plain = || String::from_utf8(file_of(&file.traces, true)).unwrap();
    let begins = |text: &str| text.find(&format!("<chromatogram index=\"{analyte}\"")).unwrap();
    match damage {
        Bytes(change) => change(file_of(&file.traces, false)),
        Text(from, to) => replaced(&plain(), 0, from, to),
        InTrace(from, to) => {
            let text = plain();
            replaced(&text, begins(&text), from, to)
        }
        Intensities(change) => {
            let text = plain();
            let named = begins(&text) + text[begins(&text)..].find("\"intensity array\"").unwrap();
            let start = named + text[named..].find("<binary>").unwrap() + "<binary>".len();
            let end = start + text[start..].find("</binary>").unwrap();
            format!("{}{}{}", &text[..start], change(&text[start..end]), &text[end..]).into_bytes()
        }
        Traces(change) => file_of(&change(file.traces.clone(), analyte), true),
    }
}

/// One row of the table.
struct Row {
    title: &'static str,
    unusable: bool,
    said: Vec<String>,
    becomes: String,
}

fn run(day: &Path) -> Value {
    let options = RunOptions {
        without_html: true,
        ..RunOptions::default()
    };
    run_day(day, &options, &Silent).unwrap();
    serde_json::from_slice(&std::fs::read(day.join("results/results.json")).unwrap()).unwrap()
}

fn word(of: &Value) -> &str {
    of.as_str().unwrap()
}

/// Damages one patient's file each of a simulated day without faults, checks the day and runs it.
fn rows() -> Vec<Row> {
    let folder = tempfile::tempdir().unwrap();
    let day = folder.path().join("day");
    write_day(&DayPlan::clean(5), &day, &|_| {}).unwrap();
    let good = run(&day);
    let records = |of: &Value| of["runs"][0]["injection_records"].as_array().unwrap().clone();
    // Samples with a result that stands, each with the place of that result's analyte.
    let sound = |injection: Value| {
        let mut results = injection["results"].as_array().unwrap().iter();
        let stands = |result: &Value| {
            result["verdict"] == "reportable" && result["concentration"]["case"] == "measured"
        };
        let analyte = results.position(stands)?;
        (injection["role"] == "patient").then_some((injection, analyte))
    };
    let chosen: Vec<(Value, usize)> = records(&good)
        .into_iter()
        .filter_map(sound)
        .take(DAMAGES.len())
        .collect();
    assert_eq!(chosen.len(), DAMAGES.len(), "too few sound samples for the table");
    for ((injection, analyte), (_, damage)) in chosen.iter().zip(&DAMAGES) {
        let path = day.join("traces").join(word(&injection["trace_file"]));
        let transitions = injection["transitions"].as_array().unwrap();
        let quantifier = transitions
            .iter()
            .find(|of| of["part"] == "quantifier" && of["analyte"] == *analyte)
            .unwrap();
        let mz = ["precursor_mz", "product_mz"].map(|key| quantifier[key].as_f64().unwrap());
        let bytes = damaged(&std::fs::read(&path).unwrap(), mz, damage);
        std::fs::write(path, bytes).unwrap();
    }
    let checked = check_day(&day, &Silent).unwrap();
    let mut said: BTreeMap<String, (bool, Vec<String>)> = BTreeMap::new();
    for finding in checked.traces {
        let entry = said.entry(finding.injection).or_default();
        entry.0 |= finding.unusable;
        entry.1.push(finding.text);
    }
    let after = records(&run(&day));
    let rows = chosen
        .iter()
        .zip(&DAMAGES)
        .map(|((injection, analyte), (title, _))| {
            let id = word(&injection["id"]);
            let record = after.iter().find(|record| record["id"] == id).unwrap();
            let (unusable, texts) = said.remove(id).unwrap_or_default();
            Row {
                title,
                unusable,
                said: texts,
                becomes: becomes(&record["results"][analyte]),
            }
        });
    let rows = rows.collect();
    assert!(said.is_empty(), "said of files nobody damaged: {said:?}");
    rows
}

fn becomes(result: &Value) -> String {
    let reasons = result["reasons"].as_array().unwrap().iter();
    let codes: Vec<String> = reasons
        .map(|reason| format!("`{}`", word(&reason["code"])))
        .collect();
    let mut text = format!(
        "{}, {}; next: {}",
        word(&result["concentration"]["case"]),
        word(&result["verdict"]),
        word(&result["next_step"])
    );
    if !codes.is_empty() {
        write!(text, " ({})", codes.join(", ")).unwrap();
    }
    text
}

/// The table of `docs/formats.md`, made once.
pub(crate) fn table() -> &'static str {
    static TABLE: OnceLock<String> = OnceLock::new();
    TABLE.get_or_init(make_table)
}

fn make_table() -> String {
    let mut table = "| | damaged by | | `spotwright check` says of the file | the analyte's result |\n|---|---|---|---|---|\n".to_owned();
    for (number, row) in rows().iter().enumerate() {
        let weight = match (row.unusable, row.said.is_empty()) {
            (true, _) => "unusable",
            (false, true) => "",
            (false, false) => "worth a look",
        };
        let said: Vec<String> = row.said.iter().map(|text| escaped(text)).collect();
        writeln!(
            table,
            "| {} | {} | {weight} | {} | {} |",
            number + 1,
            row.title,
            said.join("<br>"),
            row.becomes
        )
        .unwrap();
    }
    table
}

/// Text as it looks on a page of Markdown.
fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\")
        .replace('|', "\\|")
        .replace('<', "&lt;")
        .replace('*', "\\*")
}
