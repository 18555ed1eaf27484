//! Areas and concentrations against the truth.

use crate::faults::{self, FaultOutcome};
use crate::truth::{Day, list, read, text};
use serde_json::Value;
use std::io;
use std::path::Path;

/// Found against true.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deviation {
    /// Relative deviation, (found − true)/true.
    pub relative: f64,
    /// Deviation in standard uncertainties.
    pub standardised: f64,
    /// Whether the 95 % interval holds the truth.
    pub covered: bool,
    /// True concentration over the run's lowest level; 0 where it does not apply.
    pub over_lloq: f64,
    /// True signal to noise; 0 where it does not apply.
    pub signal_to_noise: f64,
}

/// A day's agreement with its truth.
#[derive(Debug, Default)]
pub struct Comparison {
    /// Areas of quantifiers whose injection nothing was planted in.
    pub areas: Vec<Deviation>,
    /// Concentrations that a sound method finds: controls and patients within range.
    pub concentrations: Vec<Deviation>,
    /// Planted faults and whether they were named.
    pub faults: Vec<FaultOutcome>,
    /// Analytes whose acceptance is not the expected one.
    pub wrong_acceptances: Vec<String>,
    /// Sound patient results within range that must not be reported although their analyte's run stands.
    pub false_rejections: Vec<String>,
    /// Sound patient results in a wrong named case, away from the limits by more than 30 %.
    pub wrong_cases: Vec<String>,
    /// Reasons of severity comment or reject per run, analyte or standard, on runs without any planted fault.
    pub comments_on_clean_runs: Vec<String>,
    /// Injections compared.
    pub injections: usize,
    /// Patient results compared.
    pub patient_results: usize,
}

/// Compares a day's results with its truth.
///
/// # Errors
/// When files are missing or do not belong together.
pub fn compare(folder: &Path) -> io::Result<Comparison> {
    let day = read(folder)?;
    let mut comparison = Comparison {
        injections: day.injections.len(),
        ..Comparison::default()
    };
    for truth in &day.run_truths {
        acceptances(&day, truth, &mut comparison);
        comparison.faults.extend(faults::of_run(&day, truth));
    }
    for (name, (truth, found)) in &day.injections {
        areas(truth, found, &mut comparison);
        results(&day, name, truth, found, &mut comparison);
    }
    Ok(comparison)
}

fn acceptances(day: &Day, truth: &Value, comparison: &mut Comparison) {
    let run = text(&truth["run"]);
    let record = &day.run_records[run];
    for (expected, found) in list(&truth["analytes"]).iter().zip(list(&record["analytes"])) {
        let rejected = found["acceptance"] == "rejected";
        let wrong = match text(&expected["expected"]) {
            "accepted" => rejected,
            "rejected" => !rejected,
            _ => false,
        };
        if wrong {
            let analyte = text(&expected["analyte"]);
            comparison
                .wrong_acceptances
                .push(format!("{run}/{analyte}: {}", found["reasons"]));
        }
    }
    if list(&truth["faults"]).is_empty() {
        let groups = list(&record["analytes"])
            .iter()
            .chain(list(&record["internal_standards"]))
            .chain([record]);
        for reason in groups.flat_map(|group| list(&group["reasons"])) {
            if reason["severity"] != "note" {
                comparison
                    .comments_on_clean_runs
                    .push(format!("{run}: {} {}", reason["code"], reason["text"]));
            }
        }
    }
}

fn areas(truth: &Value, found: &Value, comparison: &mut Comparison) {
    if !list(&truth["faults"]).is_empty() {
        return;
    }
    for (expected, peak) in list(&truth["transitions"])
        .iter()
        .zip(list(&found["transitions"]))
    {
        let area = expected["area_counts_s"].as_f64().unwrap_or(0.0);
        let signal_to_noise = expected["signal_to_noise"].as_f64().unwrap_or(0.0);
        // Below the lowest level areas are not claimed; foreign peaks are not the compound's area.
        let foreign = expected["foreign_counts_s"].as_f64().unwrap_or(0.0) > 0.0;
        if peak["part"] == "qualifier" || signal_to_noise < 8.0 || foreign || expected["saturated"] == true {
            continue;
        }
        let (Some(value), Some(u)) = (
            peak["area_counts_s"].as_f64(),
            peak["area_standard_uncertainty_counts_s"].as_f64(),
        ) else {
            comparison.wrong_cases.push(format!(
                "{}/{}: no peak at signal to noise {signal_to_noise:.1}",
                found["id"], expected["transition"]
            ));
            continue;
        };
        let standardised = (value - area) / u;
        comparison.areas.push(Deviation {
            relative: (value - area) / area,
            standardised,
            covered: standardised.abs() <= 1.959_963_985,
            over_lloq: 0.0,
            signal_to_noise,
        });
    }
}

fn results(day: &Day, name: &str, truth: &Value, found: &Value, comparison: &mut Comparison) {
    let role = text(&truth["role"]);
    if !["patient", "control", "incurred-repeat"].contains(&role) {
        return;
    }
    let run = &day.run_records[text(&truth["run"])];
    for (place, (expected, result)) in list(&truth["analytes"])
        .iter()
        .zip(list(&found["results"]))
        .enumerate()
    {
        let rejected = run["analytes"][place]["acceptance"] == "rejected";
        if expected["sound"] != true || expected["asked"] != true || rejected {
            continue;
        }
        let concentration = expected["concentration"].as_f64().unwrap_or(0.0);
        let dilution = truth["dilution_factor"].as_f64().unwrap_or(1.0);
        let calibration = &run["analytes"][place]["calibration"];
        let lloq = dilution * calibration["lloq"].as_f64().unwrap_or(f64::NAN);
        let uloq = dilution * calibration["uloq"].as_f64().unwrap_or(f64::NAN);
        let case = text(&result["concentration"]["case"]);
        let label = format!("{name}/{}", text(&expected["analyte"]));
        let carried = expected["carry_over_pct"].as_f64().unwrap_or(0.0) > 4.0;
        if role == "patient" {
            comparison.patient_results += 1;
            let planted = !list(&truth["faults"]).is_empty();
            // Near the upper limit noise alone decides on which side a result falls; how near is judged below.
            let above = case == "above-uloq" && concentration > uloq / 1.3;
            if result["verdict"] == "not-reportable" && !planted && !carried && !above && concentration < uloq
            {
                comparison
                    .false_rejections
                    .push(format!("{label}: {}", result["reasons"]));
            }
        }
        let right = match case {
            "measured" => concentration > lloq / 1.3 && concentration < uloq * 1.3,
            "below-lloq" => concentration < lloq * 1.3,
            "above-uloq" => concentration > uloq / 1.3,
            _ => false,
        };
        if !right && !carried {
            comparison.wrong_cases.push(format!(
                "{label}: {case}, truth {concentration}, {}",
                result["reasons"]
            ));
        }
        // Results at the very limits are cut by the named cases, which would bend both bias and coverage.
        if case == "measured" && concentration >= lloq * 1.0 && concentration <= uloq && !carried {
            let value = result["concentration"]["value"].as_f64().unwrap_or(f64::NAN);
            let u = result["concentration"]["standard_uncertainty"]
                .as_f64()
                .unwrap_or(f64::NAN);
            let interval = &result["concentration"]["interval_95"];
            let (low, high) = (
                interval[0].as_f64().unwrap_or(f64::NAN),
                interval[1].as_f64().unwrap_or(f64::NAN),
            );
            comparison.concentrations.push(Deviation {
                relative: (value - concentration) / concentration,
                standardised: (value - concentration) / u,
                covered: low <= concentration && concentration <= high,
                over_lloq: concentration / lloq,
                signal_to_noise: 0.0,
            });
        }
    }
}

impl Comparison {
    /// Takes another day's agreement in.
    pub fn absorb(&mut self, other: Self) {
        self.areas.extend(other.areas);
        self.concentrations.extend(other.concentrations);
        self.faults.extend(other.faults);
        self.wrong_acceptances.extend(other.wrong_acceptances);
        self.false_rejections.extend(other.false_rejections);
        self.wrong_cases.extend(other.wrong_cases);
        self.comments_on_clean_runs.extend(other.comments_on_clean_runs);
        self.injections += other.injections;
        self.patient_results += other.patient_results;
    }
}

/// Median of absolute relative deviations (%); `None` for none.
#[must_use]
pub fn median_absolute_pct<'a>(deviations: impl Iterator<Item = &'a Deviation>) -> Option<f64> {
    let mut values: Vec<f64> = deviations.map(|of| 100.0 * of.relative.abs()).collect();
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        n if n % 2 == 1 => Some(values[middle]),
        _ => Some(0.5 * (values[middle - 1] + values[middle])),
    }
}

/// Mean relative deviation (%) and its standard error (%); `None` for fewer than two.
#[must_use]
pub fn bias_pct<'a>(deviations: impl Iterator<Item = &'a Deviation>) -> Option<(f64, f64)> {
    let values: Vec<f64> = deviations.map(|of| 100.0 * of.relative).collect();
    let n = values.len() as f64;
    if n < 2.0 {
        return None;
    }
    let mean = values.iter().sum::<f64>() / n;
    let variance = values
        .iter()
        .map(|value| (value - mean) * (value - mean))
        .sum::<f64>()
        / (n - 1.0);
    Some((mean, (variance / n).sqrt()))
}

/// Share of intervals that hold the truth (%), and how many there were.
#[must_use]
pub fn coverage_pct<'a>(deviations: impl Iterator<Item = &'a Deviation>) -> (f64, usize) {
    let covered: Vec<bool> = deviations.map(|of| of.covered).collect();
    let hits = covered.iter().filter(|covered| **covered).count();
    (100.0 * hits as f64 / covered.len().max(1) as f64, covered.len())
}
