//! An invented run, record by record, with a bit of everything a page must show. It proves nothing about a method.

use spotwright_domain::concentration::{ConcentrationCase, ConcentrationUnit};
use spotwright_domain::identifier::{AnalyteName, CardId, InternalStandardName, LevelName, RunId, SubjectId};
use spotwright_domain::injection::{Injection, SampleRole};
use spotwright_domain::method::{CurveModel, LimitOverride, TransitionPart, Weighting};
use spotwright_domain::peak::{Integration, NoPeak, NoPeakReason, Peak, PeakFlag, PeakOutcome};
use spotwright_domain::plot::{ChromatogramPlot, RunSeries, SeriesPoint};
use spotwright_domain::reason::{Reason, ReasonCode, Severity};
use spotwright_domain::record::{
    Acceptance, AnalyteRunRecord, BlankRecord, BudgetTerm, CalibrationPoint, CalibrationRecord,
    ControlRecord, InjectionRecord, InternalStandardRecord, NextStep, ResultRecord, ResultVerdict, RunRecord,
    StepRecord, TransitionRecord, VerdictCounts,
};

/// A run, its series, its injections with their points.
pub(crate) struct Fixture {
    pub(crate) run: RunRecord,
    pub(crate) series: RunSeries,
    pub(crate) injections: Vec<(InjectionRecord, Vec<ChromatogramPlot>)>,
}

const NAMES: [(&str, f64, f64); 4] = [
    ("tacrolimus", 821.5, 768.4),
    ("sirolimus", 931.6, 864.5),
    ("everolimus", 975.6, 908.5),
    ("ciclosporin", 1219.8, 1202.8),
];
const LEVELS: [f64; 8] = [1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 40.0, 50.0];
const CONTROLS: [(&str, f64); 3] = [("QL", 3.0), ("QM", 15.0), ("QH", 38.0)];

/// A stream of numbers between 0 and 1, the same every time.
pub(crate) struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> f64 {
        // Knuth's 64-bit linear congruential generator (TAOCP vol. 2, 3.3.4); high bits only.
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Sum of twelve, about normal with mean 0 and variance 1.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.next()).sum::<f64>() - 6.0
    }
}

pub(crate) fn reason(
    code: ReasonCode,
    rule: &str,
    severity: Severity,
    numbers: Option<(f64, f64)>,
    unit: &str,
    text: &str,
) -> Reason {
    Reason {
        code,
        rule: rule.to_owned(),
        severity,
        measured: numbers.map(|n| n.0),
        limit: numbers.map(|n| n.1),
        unit: unit.to_owned(),
        text: text.to_owned(),
    }
}

/// A run of `total` injections (at least 30) of the first `analytes` (1 to 4), two transitions each and a standard.
pub(crate) fn run(total: u32, analytes: usize) -> Fixture {
    let mut numbers = Numbers(7);
    let roles = roles(total);
    let mut injections = Vec::new();
    let mut series = RunSeries {
        internal_standards: vec![Vec::new(); analytes],
    };
    for (place, (role, level)) in roles.iter().enumerate() {
        let order = place as u32 + 1;
        let made = injection(order, total, *role, *level, analytes, &mut numbers);
        for (standard, points) in series.internal_standards.iter_mut().enumerate() {
            points.push(SeriesPoint {
                order,
                role: *role,
                area_counts_s: made.0.transitions[standard]
                    .peak
                    .found()
                    .map(|peak| peak.area_counts_s),
            });
        }
        injections.push(made);
    }
    let run = run_record(total, analytes, &injections);
    Fixture {
        run,
        series,
        injections,
    }
}

fn roles(total: u32) -> Vec<(SampleRole, Option<usize>)> {
    let mut list = vec![
        (SampleRole::SystemSuitability, None),
        (SampleRole::DoubleBlank, None),
        (SampleRole::Zero, None),
    ];
    list.extend((0..8).map(|level| (SampleRole::Calibrator, Some(level))));
    list.push((SampleRole::CarryOverBlank, None));
    list.extend((0..3).map(|level| (SampleRole::Control, Some(level))));
    let tail = 3;
    let mut level = 0;
    while list.len() < total as usize - tail {
        if list.len() % 11 == 10 {
            list.push((SampleRole::Control, Some(level % 3)));
            level += 1;
        } else {
            list.push((SampleRole::Patient, None));
        }
    }
    list.extend((0..tail).map(|level| (SampleRole::Control, Some(level))));
    list
}

fn injection(
    order: u32,
    total: u32,
    role: SampleRole,
    level: Option<usize>,
    analytes: usize,
    numbers: &mut Numbers,
) -> (InjectionRecord, Vec<ChromatogramPlot>) {
    let run = RunId::new("1").unwrap();
    let persons = role == SampleRole::Patient;
    let level_name = level.map(|level| match role {
        SampleRole::Calibrator => format!("C{}", level + 1),
        _ => CONTROLS[level].0.to_owned(),
    });
    let line = Injection {
        run: run.clone(),
        order,
        trace_file: format!("PM-run1-{order:03}.mzML"),
        role,
        level: level_name.as_deref().map(|name| LevelName::new(name).unwrap()),
        card: persons.then(|| CardId::new(&format!("PM-2026-{:05}", 400 + order)).unwrap()),
        spot: persons.then_some(1),
        dilution_factor: if order == 33 { 2.0 } else { 1.0 },
        rack_position: Some(format!(
            "{}{}",
            ['A', 'B', 'C', 'D'][order as usize / 12 % 4],
            order % 12 + 1
        )),
        sub_batch: None,
        injected_at: None,
        repeat_of: None,
        repeat_reason: None,
    };
    let drift = 1.0 - 0.12 * f64::from(order) / f64::from(total);
    let spray_failed = order == 26;
    let mut transitions = Vec::new();
    let mut plots = Vec::new();
    let mut results = Vec::new();
    let mut concentrations = Vec::new();
    let mut standards = Vec::new();
    for _ in 0..analytes {
        let concentration = match (role, level) {
            (SampleRole::Calibrator, Some(level)) => LEVELS[level],
            (SampleRole::Control, Some(level)) => CONTROLS[level].1,
            (SampleRole::SystemSuitability, _) => 10.0,
            (SampleRole::Patient, _) => 0.6 + 55.0 * numbers.next() * numbers.next(),
            _ => 0.0,
        };
        concentrations.push(concentration);
        let with_standard = role != SampleRole::DoubleBlank;
        let share = if spray_failed {
            0.31
        } else {
            1.0 + 0.05 * numbers.normal()
        };
        standards.push(if with_standard {
            42_000.0 * drift * share
        } else {
            0.0
        });
    }
    let retention = |analyte: usize| 1.85 + 0.35 * analyte as f64;
    let mut add = |part, name: String, mz: (f64, f64), at: f64, area: f64, numbers: &mut Numbers| {
        let transition = transitions.len();
        let (peak, points) = chromatogram(at, area, numbers, order == 29 && transition == 4);
        transitions.push(TransitionRecord {
            name,
            part,
            precursor_mz: mz.0,
            product_mz: mz.1,
            peak,
            ion_ratio: None,
            expected_retention_min: at,
        });
        plots.push(ChromatogramPlot { transition, points });
    };
    for analyte in 0..analytes {
        let (name, precursor, product) = NAMES[analyte];
        add(
            TransitionPart::InternalStandard { standard: analyte },
            format!("{name}-13C-2H4"),
            (precursor + 3.0, product + 3.0),
            retention(analyte),
            standards[analyte],
            numbers,
        );
    }
    for analyte in 0..analytes {
        let (name, precursor, product) = NAMES[analyte];
        let ratio = (0.004 + 0.021 * concentrations[analyte]) * (1.0 + 0.03 * numbers.normal());
        let area = if concentrations[analyte] > 0.0 {
            ratio * standards[analyte].max(1.0)
        } else {
            0.0
        };
        let part = TransitionPart::Quantifier { analyte };
        add(
            part,
            name.to_owned(),
            (precursor, product),
            retention(analyte),
            area,
            numbers,
        );
        let part = TransitionPart::Qualifier {
            analyte,
            qualifier: 0,
        };
        let name = format!("{name} qualifier 1");
        add(
            part,
            name,
            (precursor, product - 18.0),
            retention(analyte),
            area * 0.42,
            numbers,
        );
        results.push(result(
            &line,
            analyte,
            concentrations[analyte],
            numbers,
            spray_failed,
        ));
    }
    let record = InjectionRecord {
        id: line.id(),
        injection: line,
        trace_sha256: Some(format!(
            "{:032x}5eed5eed5eed5eed5eed5eed5eed5eed",
            u128::from(order).wrapping_mul(0x9e37_79b9_7f4a_7c15_f39c_c060_5ced_c835)
        )),
        reasons: Vec::new(),
        transitions,
        results,
    };
    (record, plots)
}

/// An exponential-tailed Gaussian of the given area on a noisy ground, 101 points over 0.7 min.
fn chromatogram(at: f64, area: f64, numbers: &mut Numbers, shouldered: bool) -> (PeakOutcome, Vec<[f32; 2]>) {
    let (sigma, noise, ground) = (0.028, 22.0, 140.0);
    let found_at = at + 0.006 * numbers.normal();
    let height = area / 60.0 / (sigma * 2.5066);
    let shape = |t: f64, centre: f64| {
        let side = if t > centre { sigma * 1.25 } else { sigma };
        let z = (t - centre) / side;
        1.0 / (1.0 + z * z / 2.0 + z * z * z * z / 8.0 + z * z * z * z * z * z / 48.0)
    };
    let points: Vec<[f32; 2]> = (0..101)
        .map(|step| {
            let t = at - 0.35 + 0.007 * f64::from(step);
            let mut y = ground + height * shape(t, found_at) + noise * numbers.normal();
            if shouldered {
                y += 0.45 * height * shape(t, found_at + 0.075);
            }
            y += height.max(0.0).sqrt() * shape(t, found_at) * 0.6 * numbers.normal();
            [t as f32, y.max(0.0) as f32]
        })
        .collect();
    if height < 3.0 * noise {
        let none = NoPeak {
            reason: NoPeakReason::NothingAboveNoise,
            residual_area_counts_s: Some(3.1 + numbers.normal()),
            residual_standard_uncertainty_counts_s: Some(4.2),
            noise_counts: Some(noise),
            nearest_peak_min: None,
        };
        return (PeakOutcome::NotFound(none), points);
    }
    let peak = Peak {
        area_counts_s: area,
        area_standard_uncertainty_counts_s: 9.0 + area * 0.006,
        height_counts: height,
        height_standard_uncertainty_counts: noise,
        retention_time_min: found_at,
        signal_to_noise: height / noise,
        noise_counts: noise,
        width_half_height_s: 60.0 * 2.355 * sigma,
        tailing_factor: Some(1.21),
        asymmetry: Some(1.25),
        plates: Some(5.54 * (found_at / (2.355 * sigma)) * (found_at / (2.355 * sigma))),
        points_across_peak: 24,
        start_min: found_at - 0.095,
        end_min: found_at + 0.125,
        baseline_start_counts: ground,
        baseline_end_counts: ground,
        integration: if shouldered {
            Integration::Deconvolution { peaks: 2 }
        } else {
            Integration::Sum
        },
        flags: if shouldered {
            vec![PeakFlag::Shoulder, PeakFlag::Overlapping]
        } else {
            Vec::new()
        },
    };
    (PeakOutcome::Found(peak), points)
}

fn result(
    line: &Injection,
    analyte: usize,
    truth: f64,
    numbers: &mut Numbers,
    spray_failed: bool,
) -> ResultRecord {
    let name = NAMES[analyte].0;
    let persons = line.role == SampleRole::Patient;
    let value = truth * (1.0 + 0.04 * numbers.normal());
    let wanted = line.role.needs_level() || persons;
    let nominal = line.role.needs_level().then_some(truth);
    let concentration = if !wanted {
        ConcentrationCase::NotApplicable
    } else if spray_failed {
        ConcentrationCase::NotComputable
    } else if value < 1.0 && persons {
        ConcentrationCase::BelowLloq {
            lloq: 1.0,
            estimate: Some(value),
        }
    } else if value > 50.0 && persons {
        ConcentrationCase::AboveUloq {
            uloq: 50.0,
            estimate: Some(value),
        }
    } else {
        let u = 0.03 + value * 0.041;
        ConcentrationCase::Measured {
            value,
            standard_uncertainty: u,
            interval_95: [value - 2.05 * u, value + 2.05 * u],
            degrees_of_freedom: 31.0,
        }
    };
    let mut reasons = Vec::new();
    let (mut verdict, mut next_step) = match (&concentration, persons) {
        (_, false) => (ResultVerdict::NotApplicable, NextStep::None),
        (ConcentrationCase::Measured { .. }, _) => (ResultVerdict::Reportable, NextStep::Report),
        (ConcentrationCase::BelowLloq { .. }, _) => {
            let text = "Below the run’s lower limit: report as below it.";
            let numbers = Some((value, 1.0));
            reasons.push(reason(
                ReasonCode::BelowLowerLimit,
                "M10-28",
                Severity::Comment,
                numbers,
                "ug/L",
                text,
            ));
            (ResultVerdict::ReportableWithComment, NextStep::Report)
        }
        (ConcentrationCase::AboveUloq { .. }, _) => {
            let text = "Above the run’s upper limit: dilute the extract by a validated factor.";
            let numbers = Some((value, 50.0));
            reasons.push(reason(
                ReasonCode::AboveUpperLimit,
                "M10-28",
                Severity::Reject,
                numbers,
                "ug/L",
                text,
            ));
            (ResultVerdict::NotReportable, NextStep::Dilute)
        }
        _ => {
            let text = "Internal-standard area far below the run’s mean: the spray may have missed the spot.";
            let numbers = Some((31.2, 50.0));
            let code = ReasonCode::InternalStandardOutsideLimits;
            reasons.push(reason(code, "M10-34", Severity::Reject, numbers, "%", text));
            (ResultVerdict::NotReportable, NextStep::Repeat)
        }
    };
    if persons && line.order == 29 && analyte == 0 {
        let text = "The peak has a shoulder; areas were separated by a fit.";
        reasons.push(reason(
            ReasonCode::PeakOverlaps,
            "PR-32",
            Severity::Comment,
            None,
            "1",
            text,
        ));
        verdict = ResultVerdict::ReportableWithComment;
        next_step = NextStep::Review;
    }
    ResultRecord {
        id: format!("{}/{name}", line.id()),
        analyte: AnalyteName::new(name).unwrap(),
        role: line.role,
        level: line.level.clone(),
        card: line.card.clone(),
        spot: line.spot,
        subject: persons.then(|| SubjectId::new(&format!("SI-{:04}", 300 + line.order)).unwrap()),
        unit: ConcentrationUnit::MicrogramPerLitre,
        area_ratio: wanted.then_some(0.004 + 0.021 * value),
        area_ratio_standard_uncertainty: wanted.then_some(0.001),
        relative_error_pct: nominal.map(|nominal| 100.0 * (value / nominal - 1.0)),
        concentration,
        nominal,
        budget: vec![BudgetTerm {
            source: "calibration".to_owned(),
            standard_uncertainty: 0.1,
            degrees_of_freedom: Some(6.0),
        }],
        ion_ratios: Vec::new(),
        verdict,
        reasons,
        next_step,
        conversion: None,
    }
}

fn run_record(
    total: u32,
    analytes: usize,
    injections: &[(InjectionRecord, Vec<ChromatogramPlot>)],
) -> RunRecord {
    let mut verdicts = VerdictCounts::default();
    let mut roles: Vec<(SampleRole, u64)> = SampleRole::ALL.map(|role| (role, 0)).to_vec();
    for (record, _) in injections {
        for (role, count) in &mut roles {
            *count += u64::from(*role == record.injection.role);
        }
        for result in &record.results {
            match result.verdict {
                ResultVerdict::Reportable => verdicts.reportable += 1,
                ResultVerdict::ReportableWithComment => verdicts.reportable_with_comment += 1,
                ResultVerdict::NotReportable => verdicts.not_reportable += 1,
                ResultVerdict::NotApplicable => {}
            }
        }
    }
    RunRecord {
        run: RunId::new("1").unwrap(),
        method: "immunosuppressants".to_owned(),
        method_version: "3".to_owned(),
        method_sha256: "3f1c0a5b9d2e4876a1b2c3d4e5f60718293a4b5c6d7e8f90a1b2c3d4e5f60718".to_owned(),
        acceptance: Acceptance::AcceptedWithComment,
        reasons: vec![reason(
            ReasonCode::LimitChanged,
            "G-6",
            Severity::Note,
            Some((12.0, 15.0)),
            "%",
            "The method’s limit for controls is narrower than the default.",
        )],
        injections: u64::from(total),
        roles,
        limit_overrides: vec![LimitOverride {
            name: "control.max_relative_error_pct".to_owned(),
            default: 15.0,
            value: 12.0,
            reason: "Narrow range between effect and harm; validated precision allows it.".to_owned(),
        }],
        analytes: (0..analytes)
            .map(|analyte| analyte_record(analyte, injections))
            .collect(),
        internal_standards: (0..analytes)
            .map(|analyte| standard_record(analyte, total))
            .collect(),
        verdicts,
    }
}

fn analyte_record(
    analyte: usize,
    injections: &[(InjectionRecord, Vec<ChromatogramPlot>)],
) -> AnalyteRunRecord {
    let of_role = |role: SampleRole| {
        injections
            .iter()
            .map(|i| &i.0)
            .filter(move |i| i.injection.role == role)
    };
    let found = |result: &ResultRecord| match result.concentration {
        ConcentrationCase::Measured { value, .. } => Some(value),
        _ => None,
    };
    let level_out = if analyte == 0 { Some(3) } else { None };
    let calibration_points = of_role(SampleRole::Calibrator)
        .enumerate()
        .map(|(place, record)| {
            let result = &record.results[analyte];
            let out = level_out == Some(place);
            let stretch = if out { 1.27 } else { 1.0 };
            let nominal = result.nominal.unwrap();
            let back = found(result).map(|value| value * stretch);
            CalibrationPoint {
                order: record.injection.order,
                level: record.injection.level.clone().unwrap(),
                nominal,
                area_ratio: back.map(|value| 0.004 + 0.021 * value),
                back_calculated: back,
                relative_error_pct: back.map(|value| 100.0 * (value / nominal - 1.0)),
                used: !out,
            }
        })
        .collect();
    let controls: Vec<ControlRecord> = of_role(SampleRole::Control)
        .map(|record| {
            let result = &record.results[analyte];
            ControlRecord {
                order: record.injection.order,
                level: record.injection.level.clone().unwrap(),
                nominal: result.nominal.unwrap(),
                found: found(result),
                relative_error_pct: result.relative_error_pct,
                passes: result.relative_error_pct.is_some_and(|error| error.abs() <= 12.0),
                dilution_factor: 1.0,
            }
        })
        .collect();
    let blanks = [
        SampleRole::DoubleBlank,
        SampleRole::Zero,
        SampleRole::CarryOverBlank,
    ]
    .into_iter()
    .flat_map(of_role)
    .map(|record| BlankRecord {
        order: record.injection.order,
        role: record.injection.role,
        analyte_area_counts_s: Some(3.4 + f64::from(record.injection.order)),
        share_of_lloq_pct: Some(0.4 + f64::from(record.injection.order)),
        share_of_internal_standard_pct: (record.injection.role == SampleRole::DoubleBlank).then_some(0.02),
        passes: true,
    })
    .collect();
    let mut reasons = Vec::new();
    let mut acceptance = Acceptance::Accepted;
    if analyte == 0 {
        acceptance = Acceptance::AcceptedWithComment;
        reasons.push(reason(
            ReasonCode::CalibratorOutsideLimit,
            "M10-05",
            Severity::Comment,
            Some((27.1, 15.0)),
            "%",
            "Calibrator C4 reads too high; it was left out and the curve fitted again.",
        ));
    }
    if analyte == 3 {
        acceptance = Acceptance::Rejected;
        reasons.push(reason(
            ReasonCode::ControlLevelFails,
            "M10-23",
            Severity::Reject,
            Some((33.3, 50.0)),
            "%",
            "At level QH fewer than half of the controls are within their limit.",
        ));
    }
    AnalyteRunRecord {
        analyte: AnalyteName::new(NAMES[analyte].0).unwrap(),
        unit: ConcentrationUnit::MicrogramPerLitre,
        internal_standard: InternalStandardName::new(&format!("{}-13C-2H4", NAMES[analyte].0)).unwrap(),
        acceptance,
        reasons,
        calibration: Some(CalibrationRecord {
            model: CurveModel::Linear,
            weighting: Weighting::InverseXSquared,
            coefficients: vec![0.004_02, 0.020_97],
            covariance: vec![vec![1e-7, -1e-8], vec![-1e-8, 1e-8]],
            standard_errors: vec![0.000_31, 0.000_12],
            residual_standard_deviation: 0.000_62,
            degrees_of_freedom: 5.0,
            r_squared: 0.998_7,
            lloq: 1.0,
            uloq: 50.0,
            fits: if level_out.is_some() { 2 } else { 1 },
        }),
        calibration_points,
        controls,
        dilution_controls: Vec::new(),
        blanks,
        carry_over_fraction: Some(0.000_43),
        preparation_cv_pct: Some(3.1),
        preparation_degrees_of_freedom: Some(11.0),
        expected_ion_ratios: vec![Some(0.42)],
        retention_time_min: Some(1.85 + 0.35 * analyte as f64),
    }
}

fn standard_record(analyte: usize, total: u32) -> InternalStandardRecord {
    let drifts = analyte == 1;
    let step = StepRecord {
        step_pct: -21.4,
        first_order: total / 2,
        p_value: 0.0004,
    };
    let step_reason = reason(
        ReasonCode::InternalStandardStep,
        "M10-34",
        Severity::Comment,
        Some((21.4, 20.0)),
        "%",
        "The internal-standard area steps down at one place of the run.",
    );
    InternalStandardRecord {
        name: InternalStandardName::new(&format!("{}-13C-2H4", NAMES[analyte].0)).unwrap(),
        mean_area_counts_s: Some(39_800.0),
        cv_pct: Some(5.6),
        drift_pct: Some(-11.8),
        step: drifts.then_some(step),
        reasons: if drifts { vec![step_reason] } else { Vec::new() },
    }
}
