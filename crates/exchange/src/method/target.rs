//! `[analyte.target]` and `[analyte.interpretation]`: what a reported value is read against, and by which model.

use super::conversion::optional_number;
use super::keys::{INTERPRETATION, TARGET};
use super::read::{MATRICES, open};
use super::section::Section;
use crate::bounds;
use crate::problem::{FormatProblemCode, Problems};
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::target::{Interpretation, TargetQuantity, TargetRange};

/// `None`: it has problems. `Some(None)`: no range stored.
pub(crate) fn target(analyte: &Section<'_>, problems: &mut Problems) -> Option<Option<TargetRange>> {
    if !analyte.has("target") {
        return Some(None);
    }
    let section = open(analyte, "target", TARGET, problems)?;
    let units = ConcentrationUnit::ALL.map(|unit| (unit.ucum(), unit));
    let quantity = section.word("quantity", "a quantity", &TargetQuantity::ALL, problems);
    let low = optional_number(&section, "low", bounds::CONCENTRATION, problems);
    let high = optional_number(&section, "high", bounds::CONCENTRATION, problems);
    let toxic = optional_number(&section, "toxic_above", bounds::CONCENTRATION, problems);
    let unit = section.word("unit", "a unit", &units, problems);
    let matrix = section.word("matrix", "a matrix", &MATRICES, problems);
    let [sampling_time, indication, source] =
        ["sampling_time", "indication", "source"].map(|key| section.text(key, problems).map(str::to_owned));
    let (low, high, toxic_above) = (low?, high?, toxic?);
    let mut good = true;
    for (lower, upper, key) in [
        (low, high, "high"),
        (low, toxic_above, "toxic_above"),
        (high, toxic_above, "toxic_above"),
    ] {
        if let (Some(lower), Some(upper)) = (lower, upper)
            && (upper < lower || key == "high" && upper <= lower)
            && good
        {
            good = false;
            problems.push(
                section
                    .problem(key, FormatProblemCode::NumberOutOfRange)
                    .expected(format!("not less than the {lower} below it")),
            );
        }
    }
    if low.is_none() && high.is_none() && toxic_above.is_none() {
        good = false;
        problems.push(
            section
                .problem("low", FormatProblemCode::KeyMissing)
                .found("a range without a number")
                .expected("`low`, `high` or `toxic_above`")
                .help("Without a range leave the table out: the report then says that none is stored (SAFE-06)."),
        );
    }
    good.then_some(Some(TargetRange {
        quantity: quantity?,
        low,
        high,
        toxic_above,
        unit: unit?,
        matrix: matrix?,
        sampling_time: sampling_time?,
        indication: indication?,
        source: source?,
    }))
}

/// `None`: it has problems. `Some(None)`: not interpreted.
pub(super) fn interpretation(
    analyte: &Section<'_>,
    problems: &mut Problems,
) -> Option<Option<Interpretation>> {
    if !analyte.has("interpretation") {
        return Some(None);
    }
    let section = open(analyte, "interpretation", INTERPRETATION, problems)?;
    let model = section.text("model", problems)?.to_owned();
    Some(Some(Interpretation { model }))
}
