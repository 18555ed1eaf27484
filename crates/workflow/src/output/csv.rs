//! `results.csv`: one line a result, for a spreadsheet or a script.

use spotwright_domain::concentration::ConcentrationCase;
use spotwright_domain::conversion::{ConversionOutcome, ConversionRecord, ConvertedCase};
use spotwright_domain::record::{InjectionRecord, ResultRecord, ResultVerdict};
use spotwright_domain::target::TargetRange;
use std::fmt::{Display, Write as _};
use std::io;

/// Column names, in order.
pub(crate) const COLUMNS: [&str; 37] = [
    "result",
    "run",
    "order",
    "role",
    "level",
    "card",
    "spot",
    "subject",
    "dilution_factor",
    "analyte",
    "unit",
    "case",
    "value",
    "standard_uncertainty",
    "interval_95_low",
    "interval_95_high",
    "limit",
    "nominal",
    "relative_error_pct",
    "area_ratio",
    "area_ratio_standard_uncertainty",
    "verdict",
    "next_step",
    "reasons",
    "reason_texts",
    "reported_matrix",
    "reported_case",
    "reported_value",
    "reported_standard_uncertainty",
    "reported_interval_95_low",
    "reported_interval_95_high",
    "reported_limit",
    "conversion",
    "haematocrit_l_per_l",
    "haematocrit_origin",
    "target",
    "conversion_remarks",
];

/// The heading line.
pub(crate) fn heading() -> io::Result<Vec<u8>> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(COLUMNS)?;
    writer.into_inner().map_err(|error| error.into_error())
}

/// The lines of one injection, in an empty text.
pub(crate) fn encode(record: &InjectionRecord, text: Vec<u8>) -> io::Result<Vec<u8>> {
    let mut line = Line {
        writer: csv::Writer::from_writer(text),
        text: String::new(),
    };
    for result in &record.results {
        push(&mut line, record, result)?;
    }
    line.writer.into_inner().map_err(|error| error.into_error())
}

/// A line being written, field by field.
struct Line {
    writer: csv::Writer<Vec<u8>>,
    /// Where a field's text is made.
    text: String,
}

impl Line {
    fn field(&mut self, text: &str) -> io::Result<()> {
        Ok(self.writer.write_field(text)?)
    }

    fn shown(&mut self, value: Option<impl Display>) -> io::Result<()> {
        self.text.clear();
        if let Some(value) = value {
            // Writing to a string cannot fail.
            let _ = write!(self.text, "{value}");
        }
        Ok(self.writer.write_field(&self.text)?)
    }

    /// The word an enum has in files.
    fn word<T: serde::Serialize>(&mut self, value: &T) -> io::Result<()> {
        let quoted = serde_json::to_string(value)?;
        self.field(quoted.trim_matches('"'))
    }

    fn joined<'t>(&mut self, texts: impl Iterator<Item = &'t str>, separator: &str) -> io::Result<()> {
        self.text.clear();
        for (nth, text) in texts.enumerate() {
            if nth > 0 {
                self.text.push_str(separator);
            }
            self.text.push_str(text);
        }
        Ok(self.writer.write_field(&self.text)?)
    }
}

/// One line, in the order of [`COLUMNS`].
fn push(line: &mut Line, record: &InjectionRecord, result: &ResultRecord) -> io::Result<()> {
    let injection = &record.injection;
    let (case, value, uncertainty, interval, limit) = spread(&result.concentration);
    // A number that must not be reported is no number here: a column is read without the verdict beside it.
    let held_back = result.verdict == ResultVerdict::NotReportable;
    let [value, uncertainty] = [value, uncertainty].map(|number| number.filter(|_| !held_back));
    let interval = interval.filter(|_| !held_back);
    line.field(&result.id)?;
    line.shown(Some(&injection.run))?;
    line.shown(Some(injection.order))?;
    line.field(injection.role.as_str())?;
    line.shown(injection.level.as_ref())?;
    line.shown(injection.card.as_ref())?;
    line.shown(injection.spot)?;
    line.shown(result.subject.as_ref())?;
    line.shown(Some(injection.dilution_factor))?;
    line.shown(Some(&result.analyte))?;
    line.field(result.unit.ucum())?;
    line.field(case)?;
    line.shown(value)?;
    line.shown(uncertainty)?;
    line.shown(interval.map(|i| i[0]))?;
    line.shown(interval.map(|i| i[1]))?;
    line.shown(limit)?;
    line.shown(result.nominal)?;
    line.shown(result.relative_error_pct)?;
    line.shown(result.area_ratio)?;
    line.shown(result.area_ratio_standard_uncertainty)?;
    line.word(&result.verdict)?;
    line.word(&result.next_step)?;
    line.joined(result.reasons.iter().map(|reason| reason.code.as_str()), " ")?;
    line.joined(result.reasons.iter().map(|reason| reason.text.as_str()), " | ")?;
    push_reported(line, result.conversion.as_ref())?;
    // Ends the line, and is an error when it has another number of fields than the one before.
    Ok(line.writer.write_record(None::<&[u8]>)?)
}

/// How many of the columns are about the reported value.
const REPORTED: usize = 12;

/// The value on the scale of the target range; all fields empty where nothing is converted.
fn push_reported(line: &mut Line, record: Option<&ConversionRecord>) -> io::Result<()> {
    let Some(record) = record else {
        return (0..REPORTED).try_for_each(|_| line.field(""));
    };
    let (case, value, uncertainty, interval, limit): Spread = match &record.outcome {
        ConversionOutcome::Converted { concentration } => spread_converted(concentration),
        ConversionOutcome::MeasuredOnly { .. } => ("measured-only", None, None, None, None),
        ConversionOutcome::Refused { .. } => ("refused", None, None, None, None),
    };
    let refusal = match &record.outcome {
        ConversionOutcome::Converted { .. } => None,
        ConversionOutcome::MeasuredOnly { refusal } | ConversionOutcome::Refused { refusal } => Some(refusal),
    };
    line.field(record.matrix_reported.as_str())?;
    line.field(case)?;
    line.shown(value)?;
    line.shown(uncertainty)?;
    line.shown(interval.map(|ends| ends[0]))?;
    line.shown(interval.map(|ends| ends[1]))?;
    line.shown(limit)?;
    let conversion = record
        .conversion
        .as_ref()
        .map(|of| format!("{} {}", of.id, of.version));
    line.shown(conversion)?;
    line.shown(record.haematocrit.map(|used| used.haematocrit.value))?;
    line.field(record.haematocrit.map_or("", |used| used.origin.as_str()))?;
    line.shown(record.target.as_ref().map(target_text))?;
    let remarks = refusal.into_iter().chain(&record.remarks);
    line.joined(remarks.map(|remark| remark.code.as_str()), " ")
}

fn spread_converted(concentration: &ConvertedCase) -> Spread {
    match concentration {
        ConvertedCase::Measured {
            value,
            standard_uncertainty,
            interval_95,
            ..
        } => (
            "measured",
            Some(*value),
            Some(*standard_uncertainty),
            Some(*interval_95),
            None,
        ),
        ConvertedCase::BelowLloq { limit, .. } => ("below-lloq", None, None, None, Some(*limit)),
        ConvertedCase::AboveUloq { limit } => ("above-uloq", None, None, None, Some(*limit)),
        // Only its lower end is known: it is no value.
        ConvertedCase::AtLeast { value, .. } => ("at-least", None, None, None, Some(*value)),
    }
}

/// A target range in a cell, with its matrix beside it.
pub(crate) fn target_text(of: &TargetRange) -> String {
    let range = match (of.low, of.high) {
        (Some(low), Some(high)) => format!("{low} to {high}"),
        (Some(low), None) => format!("at least {low}"),
        (None, Some(high)) => format!("at most {high}"),
        (None, None) => "no range".to_owned(),
    };
    let toxic = of
        .toxic_above
        .map_or(String::new(), |limit| format!(", toxic above {limit}"));
    let hours = if of.quantity.is_area() { ".h" } else { "" };
    format!(
        "{} {range} {}{hours}{toxic} in {}",
        of.quantity.as_str(),
        of.unit.ucum(),
        of.matrix.display()
    )
}

/// Case, value, standard uncertainty, interval, limit. An estimate outside the range is not a value: it stays in
/// `results.json` and out of the table, so that no spreadsheet reads it as a measurement.
type Spread = (
    &'static str,
    Option<f64>,
    Option<f64>,
    Option<[f64; 2]>,
    Option<f64>,
);

fn spread(concentration: &ConcentrationCase) -> Spread {
    match concentration {
        ConcentrationCase::Measured {
            value,
            standard_uncertainty,
            interval_95,
            ..
        } => (
            "measured",
            Some(*value),
            Some(*standard_uncertainty),
            Some(*interval_95),
            None,
        ),
        ConcentrationCase::BelowLloq { lloq, .. } => ("below-lloq", None, None, None, Some(*lloq)),
        ConcentrationCase::AboveUloq { uloq, .. } => ("above-uloq", None, None, None, Some(*uloq)),
        ConcentrationCase::NotComputable => ("not-computable", None, None, None, None),
        ConcentrationCase::NotApplicable => ("not-applicable", None, None, None, None),
    }
}
