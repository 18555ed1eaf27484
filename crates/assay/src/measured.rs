//! What one analyte's calibrators and controls came to in one run, before anything is judged across analytes.

use crate::calibration::{CurveError, SettledCurve};
use crate::controls::{ControlLevel, ControlsDecision, judge_controls};
use crate::input::RunInput;
use crate::limit::{relative_error_pct, same, two_thirds_pass, within};
use crate::preparation::{Preparation, Reading, preparation};
use crate::response_ratio::RatioOutcome;
use crate::run::{Run, is_sample};
use crate::run_curve::{PlacedCalibrator, RunCurve, calibrators_of, fit_readings, reading, settle_run};
use spotwright_domain::identifier::LevelName;
use spotwright_domain::injection::SampleRole;
use spotwright_domain::record::ControlRecord;

/// A control of the run, with its place.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PlacedControl {
    pub(crate) position: usize,
    pub(crate) level: LevelName,
    pub(crate) nominal: f64,
    pub(crate) limit_pct: f64,
    pub(crate) ratio: RatioOutcome,
    pub(crate) found: Option<f64>,
    pub(crate) error_pct: Option<f64>,
    pub(crate) passes: bool,
    pub(crate) dilution_factor: f64,
}

/// One analyte's evidence.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Measured {
    pub(crate) analyte: usize,
    pub(crate) calibrators: Vec<PlacedCalibrator>,
    pub(crate) settled: Result<SettledCurve, CurveError>,
    /// The run's range; the method's when no level passes.
    pub(crate) range: [f64; 2],
    pub(crate) curve: Option<RunCurve>,
    pub(crate) preparation: Option<Preparation>,
    pub(crate) controls: Vec<PlacedControl>,
    pub(crate) levels: Vec<ControlLevel>,
    pub(crate) controls_decision: ControlsDecision,
    pub(crate) dilution_controls: Vec<PlacedControl>,
}

pub(crate) fn measure(input: &RunInput<'_>, run: &Run, analyte: usize) -> Measured {
    let of = &input.method.analytes[analyte];
    let calibrators = calibrators_of(input, run, analyte);
    let settled = settle_run(input, analyte, &calibrators);
    let range = settled
        .as_ref()
        .ok()
        .and_then(|settled| settled.decision.range)
        .unwrap_or([of.lloq(), of.uloq()]);
    let controls = placed_controls(input, run, analyte, SampleRole::Control, settled.as_ref().ok());
    let dilution_controls = placed_controls(
        input,
        run,
        analyte,
        SampleRole::DilutionControl,
        settled.as_ref().ok(),
    );
    let levels = levels_of(&controls);
    let samples = run
        .sequence
        .iter()
        .filter(|position| is_sample(input.injections[**position].injection.role))
        .count();
    let controls_decision = judge_controls(&levels, samples, &input.method.limits.control);
    let scatter = settled.as_ref().ok().map(|settled| {
        let readings = curve_readings(&calibrators, settled);
        preparation(
            &settled.curve,
            &readings,
            &control_readings(&controls),
            of.within_run_cv_pct,
        )
    });
    let curve = settled.as_ref().ok().zip(scatter).map(|(settled, scatter)| {
        RunCurve::new(
            settled.curve.clone(),
            &curve_readings(&calibrators, settled),
            scatter,
            range,
        )
    });
    Measured {
        analyte,
        calibrators,
        settled,
        range,
        curve,
        preparation: scatter,
        controls,
        levels,
        controls_decision,
        dilution_controls,
    }
}

/// Readings behind the curve, in the order of its fit. A curve that ended with too few calibrators was fitted through more
/// than those it is said to use; its readings then cannot be told, and known area noise is left out of its covariance.
fn curve_readings(calibrators: &[PlacedCalibrator], settled: &SettledCurve) -> Vec<Reading> {
    let readings = fit_readings(calibrators, settled);
    let points = settled.curve.fit.residuals.len();
    if readings.len() == points {
        readings
    } else {
        Vec::new()
    }
}

fn placed_controls(
    input: &RunInput<'_>,
    run: &Run,
    analyte: usize,
    role: SampleRole,
    settled: Option<&SettledCurve>,
) -> Vec<PlacedControl> {
    let of = &input.method.analytes[analyte];
    let limits = &input.method.limits;
    run.of_role(input.injections, role)
        .filter_map(|position| {
            let line = &input.injections[position].injection;
            let name = line.level.as_ref()?;
            let level = of.controls.iter().find(|level| level.name == *name)?;
            let ratio = run.ratio(input.injections, position, analyte);
            let found = ratio
                .measured()
                .zip(settled)
                .and_then(|(ratio, settled)| settled.curve.inverse(ratio.value).value())
                .map(|found| found * line.dilution_factor);
            let error_pct = found.map(|found| relative_error_pct(found, level.concentration));
            // A control at the lower limit has the lower limit's tolerance (M10-10).
            let at_lloq = level.concentration < of.lloq() || same(level.concentration, of.lloq());
            let limit_pct = if at_lloq {
                limits
                    .control
                    .max_relative_error_pct
                    .max(limits.calibration.max_relative_error_lloq_pct)
            } else {
                limits.control.max_relative_error_pct
            };
            Some(PlacedControl {
                position,
                level: name.clone(),
                nominal: level.concentration,
                limit_pct,
                ratio,
                found,
                error_pct,
                passes: error_pct.is_some_and(|error| within(error, limit_pct)),
                dilution_factor: line.dilution_factor,
            })
        })
        .collect()
}

/// Controls by level, lowest first.
fn levels_of(controls: &[PlacedControl]) -> Vec<ControlLevel> {
    let mut levels: Vec<(&LevelName, ControlLevel)> = Vec::new();
    for control in controls {
        match levels.iter_mut().find(|(name, _)| *name == &control.level) {
            Some((_, level)) => level.errors_pct.push(control.error_pct),
            None => levels.push((
                &control.level,
                ControlLevel {
                    nominal: control.nominal,
                    limit_pct: control.limit_pct,
                    errors_pct: vec![control.error_pct],
                },
            )),
        }
    }
    levels.sort_by(|a, b| a.1.nominal.total_cmp(&b.1.nominal));
    levels.into_iter().map(|(_, level)| level).collect()
}

fn control_readings(controls: &[PlacedControl]) -> Vec<Vec<Reading>> {
    let mut levels: Vec<(&LevelName, Vec<Reading>)> = Vec::new();
    for control in controls.iter().filter(|control| control.passes) {
        let Some(ratio) = control.ratio.measured() else {
            continue;
        };
        match levels.iter_mut().find(|(name, _)| *name == &control.level) {
            Some((_, readings)) => readings.push(reading(&ratio)),
            None => levels.push((&control.level, vec![reading(&ratio)])),
        }
    }
    levels.into_iter().map(|(_, readings)| readings).collect()
}

pub(crate) fn control_records(input: &RunInput<'_>, controls: &[PlacedControl]) -> Vec<ControlRecord> {
    controls
        .iter()
        .map(|control| ControlRecord {
            order: input.injections[control.position].injection.order,
            level: control.level.clone(),
            nominal: control.nominal,
            found: control.found,
            relative_error_pct: control.error_pct,
            passes: control.passes,
            dilution_factor: control.dilution_factor,
        })
        .collect()
}

/// Controls of one dilution factor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct DilutionStanding {
    pub(crate) factor: f64,
    pub(crate) all: usize,
    pub(crate) passing: usize,
}

impl DilutionStanding {
    /// Two thirds of the dilution controls at a factor must pass (M10-26; the count is common practice).
    pub(crate) fn stands(&self) -> bool {
        two_thirds_pass(self.passing, self.all)
    }
}

pub(crate) fn dilution_standings(controls: &[PlacedControl]) -> Vec<DilutionStanding> {
    let mut standings: Vec<DilutionStanding> = Vec::new();
    for control in controls {
        let passing = usize::from(control.passes);
        match standings
            .iter_mut()
            .find(|standing| same(standing.factor, control.dilution_factor))
        {
            Some(standing) => {
                standing.all += 1;
                standing.passing += passing;
            }
            None => standings.push(DilutionStanding {
                factor: control.dilution_factor,
                all: 1,
                passing,
            }),
        }
    }
    standings
}
