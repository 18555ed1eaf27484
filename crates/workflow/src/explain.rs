//! One number's whole derivation, computed again from the raw bytes, step by step.

use crate::error::WorkflowError;
use crate::judged_run::JudgedRun;
use crate::memory::Memory;
use crate::words::{no_peak, peak_flag};
use serde::Serialize;
use spotwright_domain::concentration::ConcentrationCase;
use spotwright_domain::figures::significant_figures;
use spotwright_domain::injection::SampleRole;
use spotwright_domain::method::{CurveModel, TransitionPart};
use spotwright_domain::peak::{Integration, PeakOutcome};
use spotwright_domain::reason::Reason;
use spotwright_domain::record::{
    AnalyteRunRecord, CalibrationRecord, InjectionRecord, ResultRecord, ResultVerdict, RunRecord,
    TransitionRecord,
};
use spotwright_exchange::open_day;
use std::path::Path;

/// A derivation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Explanation {
    /// `run/order/analyte`.
    pub result: String,
    /// The steps, in order.
    pub steps: Vec<Step>,
    /// The result as `results.json` holds it.
    pub record: ResultRecord,
}

/// One step of a derivation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Step {
    /// What happens.
    pub title: String,
    /// How, with the numbers.
    pub lines: Vec<String>,
}

/// Explains the result `run/order/analyte` of a day.
///
/// # Errors
/// When the day's files are wrong, there is no such result, or the computer fails.
pub fn explain(folder: &Path, name: &str) -> Result<Explanation, WorkflowError> {
    let day = open_day(folder).map_err(WorkflowError::Day)?;
    let missing = |nearest: String| WorkflowError::NoSuchResult {
        name: name.to_owned(),
        nearest,
    };
    let mut parts = name.splitn(3, '/');
    let (Some(run_name), Some(order), Some(analyte_name)) = (parts.next(), parts.next(), parts.next()) else {
        return Err(missing(String::new()));
    };
    let mut memory = Memory::of(&day)?;
    let mut names = Vec::new();
    for run in day.runs() {
        let run = run.map_err(|problem| WorkflowError::Day(vec![problem]))?;
        names.push(run.run.to_string());
        let wanted = run.run.as_str() == run_name;
        if !wanted && !memory.needs(&run) {
            continue;
        }
        let judged = JudgedRun::make(&day, run, false, &memory, &|_| {})?;
        if !wanted {
            memory.remember(&judged);
            continue;
        }
        return explain_in(judged, order, analyte_name, missing);
    }
    Err(missing(format!("; the day's runs are {}", names.join(", "))))
}

fn explain_in(
    mut judged: JudgedRun,
    order: &str,
    analyte_name: &str,
    missing: impl Fn(String) -> WorkflowError,
) -> Result<Explanation, WorkflowError> {
    let injections = &judged.measured.injections;
    let position = injections
        .iter()
        .position(|of| of.injection.order.to_string() == order);
    let position =
        position.ok_or_else(|| missing(format!("; the run has {} injections", injections.len())))?;
    let analyte = judged
        .method
        .analytes
        .iter()
        .position(|of| of.name.as_str() == analyte_name);
    let analyte = analyte.ok_or_else(|| {
        let names: Vec<&str> = judged.method.analytes.iter().map(|of| of.name.as_str()).collect();
        missing(format!("; the method's analytes are {}", names.join(", ")))
    })?;
    let measured = judged.measured.spool.take_one(position)?;
    let (injection, _) = judged.record_of(position, measured, None);
    let result = injection.results[analyte].clone();
    Ok(Explanation {
        result: result.id.clone(),
        steps: steps(&judged, &injection, &result, analyte),
        record: result,
    })
}

fn steps(
    judged: &JudgedRun,
    injection: &InjectionRecord,
    result: &ResultRecord,
    analyte: usize,
) -> Vec<Step> {
    let of = &judged.method.analytes[analyte];
    let standard = judged.method.internal_standard_index(of);
    let run = &judged.record;
    let judged_analyte = &run.analytes[analyte];
    let mut steps = vec![sample(injection, result, run)];
    for (transition, learnt) in injection
        .transitions
        .iter()
        .zip(&judged.measured.reference.transitions)
    {
        let captured = learnt.captured_area_fraction;
        match transition.part {
            TransitionPart::Quantifier { analyte: place } if place == analyte => {
                steps.push(peak("The analyte's peak", transition, captured));
            }
            TransitionPart::InternalStandard { standard: place } if place == standard => {
                steps.push(peak("The internal standard's peak", transition, captured));
            }
            _ => {}
        }
    }
    steps.push(ratio(result));
    steps.push(curve(judged_analyte, result));
    if let (Some(calibration), Some(ratio)) = (&judged_analyte.calibration, result.area_ratio) {
        steps.push(reading(
            calibration,
            ratio,
            injection.injection.dilution_factor,
            result,
        ));
    }
    steps.extend(uncertainty(result));
    steps.push(identity(result));
    steps.push(run_step(judged_analyte, run));
    steps.push(verdict(result, injection));
    steps.extend(crate::explain_conversion::conversion_step(
        result.conversion.as_ref(),
    ));
    steps
}

fn step(title: &str, lines: Vec<String>) -> Step {
    Step {
        title: title.to_owned(),
        lines,
    }
}

/// Four figures: enough to follow by hand. The unrounded numbers stand in `results.json`.
fn short(value: f64) -> String {
    significant_figures(value, 4)
}

/// A difference with its sign, a minus as long as a plus.
fn signed(value: f64) -> String {
    format!("{value:+.1}").replace('-', "\u{2212}")
}

fn sample(injection: &InjectionRecord, result: &ResultRecord, run: &RunRecord) -> Step {
    let line = &injection.injection;
    let mut lines = vec![format!(
        "Injection {} of run {}, role {}",
        line.order,
        line.run,
        line.role.as_str()
    )];
    if let Some(level) = &line.level {
        lines.push(format!(
            "Level {level}, nominal {} {}",
            result.nominal.map_or("–".to_owned(), short),
            result.unit.ucum()
        ));
    }
    if let Some(card) = &line.card {
        let spot = line.spot.map_or(String::new(), |spot| format!(", spot {spot}"));
        let subject = result
            .subject
            .as_ref()
            .map_or("no request".to_owned(), ToString::to_string);
        lines.push(format!("Card {card}{spot}, subject {subject}"));
    }
    let digest = injection.trace_sha256.as_deref().unwrap_or("not readable");
    lines.push(format!("Trace file traces/{}, SHA-256 {digest}", line.trace_file));
    lines.push(format!(
        "Method {} version {}, SHA-256 {}",
        run.method, run.method_version, run.method_sha256
    ));
    step("The sample", lines)
}

/// `captured`: share of a whole peak that lies between the run's limits.
fn peak(title: &str, of: &TransitionRecord, captured: f64) -> Step {
    let mut lines = vec![format!(
        "{}: m/z {} → {}, expected at {:.3} min (aligned to this injection's internal standards where they were found)",
        of.name, of.precursor_mz, of.product_mz, of.expected_retention_min
    )];
    match &of.peak {
        PeakOutcome::Found(found) => {
            lines.push(format!(
                "Found at {:.3} min, width at half height {:.2} s, {} points, signal to noise {}",
                found.retention_time_min,
                found.width_half_height_s,
                found.points_across_peak,
                short(found.signal_to_noise)
            ));
            lines.push(format!(
                "Limits {:.4} to {:.4} min, baseline from {} to {} counts, noise {} counts",
                found.start_min,
                found.end_min,
                short(found.baseline_start_counts),
                short(found.baseline_end_counts),
                short(found.noise_counts)
            ));
            lines.push(format!(
                "Area {} ± {} counts·s (standard uncertainty), {}",
                short(found.area_counts_s),
                short(found.area_standard_uncertainty_counts_s),
                integration(&found.integration, captured)
            ));
            if !found.flags.is_empty() {
                let flags: Vec<&str> = found.flags.iter().map(|flag| peak_flag(*flag)).collect();
                lines.push(format!("Worth a look: {}", flags.join(", ")));
            }
        }
        PeakOutcome::NotFound(none) => {
            lines.push(format!("No peak: {}", no_peak(none.reason)));
            if let (Some(area), Some(u)) = (
                none.residual_area_counts_s,
                none.residual_standard_uncertainty_counts_s,
            ) {
                lines.push(format!(
                    "Area between the run's limits {} ± {} counts·s",
                    short(area),
                    short(u)
                ));
            }
        }
    }
    step(title, lines)
}

fn integration(how: &Integration, captured: f64) -> String {
    match how {
        Integration::Sum => format!(
            "trapezoids over a fitted baseline, divided by {captured:.4}, the share of a peak between the run's limits"
        ),
        Integration::Deconvolution { peaks } => {
            format!("separated from its neighbours by a fit of {peaks} exponentially modified Gaussians")
        }
        Integration::Manual {
            reason,
            person,
            automatic_area_counts_s,
        } => {
            let automatic = automatic_area_counts_s
                .map_or("no peak".to_owned(), |area| format!("{} counts·s", short(area)));
            format!("limits set by hand by {person} ({reason}); automatic limits gave {automatic}")
        }
    }
}

fn ratio(result: &ResultRecord) -> Step {
    let line = match (result.area_ratio, result.area_ratio_standard_uncertainty) {
        (Some(ratio), Some(u)) => format!(
            "Analyte area / internal-standard area = {} ± {}; u² = r²·((u_A/A)² + (u_IS/IS)²)",
            short(ratio),
            short(u)
        ),
        (Some(ratio), None) => format!("Analyte area / internal-standard area = {}", short(ratio)),
        _ => "Not computable: one of the two areas is missing".to_owned(),
    };
    step("The area ratio", vec![line])
}

fn curve(analyte: &AnalyteRunRecord, result: &ResultRecord) -> Step {
    let Some(calibration) = &analyte.calibration else {
        return step(
            "The curve",
            vec!["There is none: see the run's reasons".to_owned()],
        );
    };
    let terms = ["", "·x", "·x²"];
    let written: Vec<String> = calibration
        .coefficients
        .iter()
        .zip(&calibration.standard_errors)
        .zip(terms)
        .map(|((value, error), term)| format!("({} ± {}){term}", short(*value), short(*error)))
        .collect();
    let used = analyte
        .calibration_points
        .iter()
        .filter(|point| point.used)
        .count();
    let weight = serde_json::to_value(calibration.weighting).ok();
    let weight = weight
        .as_ref()
        .and_then(serde_json::Value::as_str)
        .unwrap_or("1")
        .to_owned();
    let mut lines = vec![
        format!(
            "ratio = {}, weight {weight}, x in {}",
            written.join(" + "),
            result.unit.ucum()
        ),
        format!(
            "{used} of {} calibrators used after {} fit{}; range {} to {} {}",
            analyte.calibration_points.len(),
            calibration.fits,
            if calibration.fits == 1 { "" } else { "s" },
            short(calibration.lloq),
            short(calibration.uloq),
            result.unit.ucum()
        ),
    ];
    for point in analyte.calibration_points.iter().filter(|point| !point.used) {
        let error = point
            .relative_error_pct
            .map_or("not measurable".to_owned(), |e| format!("{} %", signed(e)));
        lines.push(format!(
            "Left out: {} at injection {} ({error})",
            point.level, point.order
        ));
    }
    step("The curve", lines)
}

fn reading(calibration: &CalibrationRecord, ratio: f64, dilution: f64, result: &ResultRecord) -> Step {
    let c: Vec<String> = calibration
        .coefficients
        .iter()
        .map(|value| short(*value))
        .collect();
    let formula = match (calibration.model, c.as_slice()) {
        (CurveModel::Linear, [c0, c1]) => format!("x = (ratio − c0)/c1 = ({} − {c0})/{c1}", short(ratio)),
        (_, [c0, c1, c2]) => format!(
            "x = (−c1 + √(c1² + 4·c2·(ratio − c0)))/(2·c2) with c0 {c0}, c1 {c1}, c2 {c2}, ratio {}, on the rising branch",
            short(ratio)
        ),
        _ => String::new(),
    };
    let mut lines = vec![formula];
    if dilution > 1.0 {
        lines.push(format!("times the dilution factor {dilution}"));
    }
    lines.push(format!("= {}", case(&result.concentration, result)));
    step("Read back from the curve", lines)
}

fn case(concentration: &ConcentrationCase, result: &ResultRecord) -> String {
    let text = concentration.text(result.unit);
    match concentration {
        ConcentrationCase::BelowLloq {
            estimate: Some(estimate),
            ..
        } => {
            format!("{text} (estimate {}, for kinetics only)", short(*estimate))
        }
        ConcentrationCase::AboveUloq {
            estimate: Some(estimate),
            ..
        } => {
            format!("{text} (extrapolated {}, never to be reported)", short(*estimate))
        }
        _ => text,
    }
}

fn uncertainty(result: &ResultRecord) -> Option<Step> {
    let ConcentrationCase::Measured {
        value,
        standard_uncertainty,
        interval_95,
        degrees_of_freedom,
    } = result.concentration
    else {
        return None;
    };
    let unit = result.unit.ucum();
    let mut lines: Vec<String> = result
        .budget
        .iter()
        .map(|term| {
            let df = term.degrees_of_freedom.map_or("known well".to_owned(), |df| {
                format!("{df:.0} degrees of freedom")
            });
            let share = 100.0 * term.standard_uncertainty / value;
            format!(
                "{}: {} {unit} ({share:.1} %), {df}",
                term.source,
                short(term.standard_uncertainty)
            )
        })
        .collect();
    lines.push(format!(
        "Combined {} {unit} ({:.1} %), {degrees_of_freedom:.0} effective degrees of freedom",
        short(standard_uncertainty),
        100.0 * standard_uncertainty / value
    ));
    lines.push(format!(
        "95 % interval {} to {} {unit}",
        short(interval_95[0]),
        short(interval_95[1])
    ));
    Some(step("Its uncertainty", lines))
}

fn identity(result: &ResultRecord) -> Step {
    let lines: Vec<String> = result
        .ion_ratios
        .iter()
        .map(|ratio| {
            format!(
                "Qualifier {}: ratio {} against {} in the calibrators, {} %, allowed ± {:.1} %",
                ratio.qualifier + 1,
                short(ratio.ratio),
                short(ratio.expected),
                signed(ratio.difference_pct),
                ratio.tolerance_pct
            )
        })
        .collect();
    let lines = if lines.is_empty() {
        vec!["No qualifier ratio could be formed".to_owned()]
    } else {
        lines
    };
    step("Its identity", lines)
}

fn run_step(analyte: &AnalyteRunRecord, run: &RunRecord) -> Step {
    let passing = analyte.controls.iter().filter(|control| control.passes).count();
    let mut lines = vec![format!(
        "{} of run {}: {}; {passing} of {} controls pass",
        analyte.analyte,
        run.run,
        crate::words::acceptance(analyte.acceptance),
        analyte.controls.len()
    )];
    lines.extend(analyte.reasons.iter().chain(&run.reasons).map(reason));
    step("The run", lines)
}

fn verdict(result: &ResultRecord, injection: &InjectionRecord) -> Step {
    let mut lines = vec![match (result.verdict, injection.injection.role) {
        (ResultVerdict::NotApplicable, SampleRole::Patient) => {
            format!(
                "Nothing to report: the card's request does not ask for {}",
                result.analyte
            )
        }
        (ResultVerdict::NotApplicable, _) => against_nominal(result),
        (verdict, _) => format!(
            "{}; next: {}",
            crate::words::verdict(verdict),
            crate::words::next_step(result.next_step)
        ),
    }];
    // What concerns the whole injection usually stands with the result as well.
    let of_injection = injection
        .reasons
        .iter()
        .filter(|reason| !result.reasons.contains(reason));
    lines.extend(of_injection.chain(&result.reasons).map(reason));
    lines.push("A result is released by a named person, never by the program".to_owned());
    step("The verdict", lines)
}

/// What a sample that nobody reports is for.
fn against_nominal(result: &ResultRecord) -> String {
    match (result.nominal, result.relative_error_pct) {
        (Some(nominal), Some(error)) => format!(
            "Nothing to report: it judges the run. It reads {} % from its nominal {} {}",
            signed(error),
            short(nominal),
            result.unit.ucum()
        ),
        _ => "Nothing to report: it judges the run, or prepares it".to_owned(),
    }
}

fn reason(of: &Reason) -> String {
    format!(
        "{} [{}; {}]",
        of.text.trim_end_matches('.'),
        of.code.as_str(),
        of.rule
    )
}
