//! `results.csv`: one line a result, for a spreadsheet or a script.

use spotwright_domain::concentration::ConcentrationCase;
use spotwright_domain::record::{InjectionRecord, ResultRecord, ResultVerdict};
use std::io;

/// Column names, in order.
pub(crate) const COLUMNS: [&str; 25] = [
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
];

/// The heading line.
pub(crate) fn heading() -> io::Result<Vec<u8>> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(COLUMNS)?;
    writer.into_inner().map_err(|error| error.into_error())
}

/// The lines of one injection.
pub(crate) fn encode(record: &InjectionRecord) -> io::Result<Vec<u8>> {
    let mut writer = csv::Writer::from_writer(Vec::with_capacity(512));
    for result in &record.results {
        writer.write_record(line(record, result))?;
    }
    writer.into_inner().map_err(|error| error.into_error())
}

fn line(record: &InjectionRecord, result: &ResultRecord) -> [String; COLUMNS.len()] {
    let injection = &record.injection;
    let number = |value: Option<f64>| value.map(|v| v.to_string()).unwrap_or_default();
    let (case, value, uncertainty, interval, limit) = spread(&result.concentration);
    // A number that must not be reported is no number here: a column is read without the verdict beside it.
    let held_back = result.verdict == ResultVerdict::NotReportable;
    let [value, uncertainty] = [value, uncertainty].map(|number| number.filter(|_| !held_back));
    let interval = interval.filter(|_| !held_back);
    let codes: Vec<&str> = result.reasons.iter().map(|reason| reason.code.as_str()).collect();
    let texts: Vec<&str> = result.reasons.iter().map(|reason| reason.text.as_str()).collect();
    [
        result.id.clone(),
        injection.run.to_string(),
        injection.order.to_string(),
        injection.role.as_str().to_owned(),
        injection
            .level
            .as_ref()
            .map(ToString::to_string)
            .unwrap_or_default(),
        injection
            .card
            .as_ref()
            .map(ToString::to_string)
            .unwrap_or_default(),
        injection.spot.map(|spot| spot.to_string()).unwrap_or_default(),
        result
            .subject
            .as_ref()
            .map(ToString::to_string)
            .unwrap_or_default(),
        injection.dilution_factor.to_string(),
        result.analyte.to_string(),
        result.unit.ucum().to_owned(),
        case.to_owned(),
        number(value),
        number(uncertainty),
        number(interval.map(|i| i[0])),
        number(interval.map(|i| i[1])),
        number(limit),
        number(result.nominal),
        number(result.relative_error_pct),
        number(result.area_ratio),
        number(result.area_ratio_standard_uncertainty),
        word(&result.verdict),
        word(&result.next_step),
        codes.join(" "),
        texts.join(" | "),
    ]
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

/// The word an enum has in files.
fn word<T: serde::Serialize>(value: &T) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(text)) => text,
        _ => String::new(),
    }
}
