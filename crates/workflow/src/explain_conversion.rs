//! The last step of a derivation: from the spot to the scale of the target range.

use crate::explain::Step;
use crate::output::csv::target_text;
use spotwright_domain::conversion::{
    Computation, ConversionOutcome, ConversionRecord, ConversionRemark, ConvertedCase, HaematocritOrigin,
};
use spotwright_domain::figures::significant_figures;

/// The step; `None`: nothing was converted, and nothing was to be.
pub(crate) fn conversion_step(record: Option<&ConversionRecord>) -> Option<Step> {
    let record = record?;
    let unit = record.unit.ucum();
    let mut lines = Vec::new();
    if let Some(of) = &record.conversion {
        lines.push(format!(
            "Conversion {} version {}, form {}, from {} to {} ({})",
            of.id,
            of.version,
            of.form,
            record.matrix_measured.display(),
            record.matrix_reported.display(),
            of.source
        ));
    }
    if let Some(used) = record.haematocrit {
        let origin = match used.origin {
            HaematocritOrigin::Clinic => "stated by the clinic",
            HaematocritOrigin::Spot => "estimated from the spot",
            HaematocritOrigin::Default => "the method's default",
        };
        lines.push(format!(
            "Haematocrit {} ± {} L/L (standard uncertainty), {origin}",
            short(used.haematocrit.value),
            short(used.haematocrit.standard_uncertainty)
        ));
    }
    for term in &record.terms {
        lines.push(format!("Divided by {} for {}", short(term.factor), term.term));
    }
    lines.push(match &record.outcome {
        ConversionOutcome::Converted { concentration } => {
            format!(
                "= {} in {}",
                case(concentration, unit),
                record.matrix_reported.display()
            )
        }
        ConversionOutcome::MeasuredOnly { refusal } => format!(
            "Not converted, the measured value stands in {} alone: {}",
            record.matrix_measured.display(),
            remark(refusal)
        ),
        ConversionOutcome::Refused { refusal } => format!("Refused: {}", remark(refusal)),
    });
    if let (Some(lloq), Some(uloq)) = (record.lloq, record.uloq) {
        lines.push(format!(
            "The run's range on this person's scale: {} to {} {unit}",
            short(lloq),
            short(uloq)
        ));
    }
    for term in &record.budget {
        lines.push(format!(
            "{}: {} {unit} (first order)",
            term.source,
            short(term.standard_uncertainty)
        ));
    }
    match record.computation {
        Some(Computation::FirstOrder) => {
            lines.push("Uncertainty to first order (JCGM 100), straight enough over these uncertainties".to_owned());
        }
        Some(Computation::MonteCarlo {
            seed,
            trials,
            tolerance,
        }) => lines.push(format!(
            "Uncertainty by propagation of distributions (JCGM 101): {trials} trials, seed {seed}, numerical tolerance {} {unit}",
            short(tolerance)
        )),
        None => {}
    }
    for beside in &record.beside {
        lines.push(format!(
            "Beside it, never instead: {} {unit}, {}",
            short(beside.value),
            beside.label
        ));
    }
    lines.extend(record.remarks.iter().map(remark));
    lines.push(match &record.target {
        None => "No target range stored".to_owned(),
        Some(target) => format!(
            "Target: {} ({}; {}; {}){}",
            target_text(target),
            target.sampling_time,
            target.indication,
            target.source,
            if record.on_scale_of_target() {
                ""
            } else {
                "; this result is not on its scale"
            }
        ),
    });
    Some(Step {
        title: "On the scale of the target range".to_owned(),
        lines,
    })
}

fn case(of: &ConvertedCase, unit: &str) -> String {
    match of {
        ConvertedCase::Measured {
            value,
            standard_uncertainty,
            interval_95: [low, high],
            ..
        } => format!(
            "{} {unit}, standard uncertainty {}, 95 % interval {} to {} {unit}",
            short(*value),
            short(*standard_uncertainty),
            short(*low),
            short(*high)
        ),
        ConvertedCase::BelowLloq { limit, .. } => format!("< {} {unit}", short(*limit)),
        ConvertedCase::AboveUloq { limit } => format!("> {} {unit}", short(*limit)),
        ConvertedCase::AtLeast { value, .. } => format!("at least {} {unit}", short(*value)),
    }
}

fn remark(of: &ConversionRemark) -> String {
    format!(
        "{} [{}; {}] What would lift it: {}",
        of.text,
        of.code.as_str(),
        of.rule,
        of.lift
    )
}

fn short(value: f64) -> String {
    significant_figures(value, 4)
}
