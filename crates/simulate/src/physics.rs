//! From concentrations to peak areas and retentions: response, suppression, spray, drift, carry-over, jitter.
//! Sequential over a run because carry-over is; a few dozen numbers an injection.

use crate::line::{ForeignArea, Line};
use crate::panel::{Background, Panel, TransitionPhysics};
use crate::peak_shape::PeakShape;
use crate::plan::RunPlan;
use crate::plant::RunEffects;
use crate::random::{Purpose, Stream};
use spotwright_domain::method::TransitionPart;

/// Share of the carried-over amount that is still there one injection later (slow tail).
const SLOW_TAIL: f64 = 0.2;
/// Unlabelled drug in the internal standard, as a share of the LLOQ response.
const STANDARD_IMPURITY_OF_LLOQ: f64 = 0.012;
/// Carry-over of an internal standard.
const STANDARD_CARRY_OVER: f64 = 1e-4;

/// One transition of one injection, without noise.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct TransitionState {
    /// Area (counts·s) of what the sample itself brings.
    pub(crate) own_counts_s: f64,
    /// Area (counts·s) left by injections before.
    pub(crate) carry_over_counts_s: f64,
    pub(crate) shape: PeakShape,
    /// Apex (min).
    pub(crate) apex_min: f64,
    /// Every peak there is.
    pub(crate) peaks: Vec<PlacedPeak>,
    pub(crate) background: Background,
}

/// A peak at its place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct PlacedPeak {
    pub(crate) area_counts_s: f64,
    pub(crate) apex_min: f64,
    pub(crate) shape: PeakShape,
    /// Not the compound itself.
    pub(crate) foreign: bool,
}

impl TransitionState {
    /// Area (counts·s) of the compound's peak.
    pub(crate) fn area_counts_s(&self) -> f64 {
        self.own_counts_s + self.carry_over_counts_s
    }

    /// Height (counts) of the compound's tallest peak.
    pub(crate) fn height_counts(&self) -> f64 {
        let heights = self.peaks.iter().filter(|peak| !peak.foreign);
        heights
            .map(|peak| peak.area_counts_s * peak.shape.height_per_area())
            .fold(0.0, f64::max)
    }

    /// Area (counts·s) of foreign peaks.
    pub(crate) fn foreign_counts_s(&self) -> f64 {
        self.peaks
            .iter()
            .filter(|peak| peak.foreign)
            .fold(0.0, |sum, peak| sum + peak.area_counts_s)
    }
}

/// What a run's stream decides once.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct RunPhysics {
    /// Relative retention offset from the method's, and change over the run.
    pub(crate) retention_offset: f64,
    pub(crate) retention_drift: f64,
    /// Change of the response over 200 injections (share, below zero).
    pub(crate) response_per_200: f64,
    pub(crate) tailing: f64,
    /// Of each analyte: share of an injected amount found in the next injection.
    pub(crate) carry_over: Vec<f64>,
}

/// The whole run, injection by injection, each with its transitions in the method's order.
pub(crate) fn states(
    panel: &Panel,
    plan: &RunPlan,
    effects: &RunEffects,
    lines: &[Line],
) -> (RunPhysics, Vec<Vec<TransitionState>>) {
    let run = run_physics(panel, plan, effects);
    let mut injected: Vec<Vec<f64>> = Vec::with_capacity(lines.len());
    for line in lines {
        injected.push(own_areas(panel, plan, effects, &run, line, lines.len()));
    }
    let parts: Vec<TransitionPart> = panel.method.transitions().iter().map(|of| of.part).collect();
    let states = lines
        .iter()
        .enumerate()
        .map(|(place, line)| {
            let retention = relative_retention(plan, &run, line, lines.len());
            (0..parts.len())
                .map(|transition| {
                    let fraction = match parts[transition] {
                        TransitionPart::InternalStandard { .. } => STANDARD_CARRY_OVER,
                        TransitionPart::Quantifier { analyte }
                        | TransitionPart::Qualifier { analyte, .. } => run.carry_over[analyte],
                    };
                    let mut carried = 0.0;
                    let mut share = fraction;
                    for before in (place.saturating_sub(3)..place).rev() {
                        carried += share * injected[before][transition];
                        share *= SLOW_TAIL;
                    }
                    let physics = &panel.physics[transition];
                    let lloq = match parts[transition] {
                        TransitionPart::InternalStandard { .. } => 1.0,
                        TransitionPart::Quantifier { analyte }
                        | TransitionPart::Qualifier { analyte, .. } => panel.method.analytes[analyte].lloq(),
                    };
                    let progress = place as f64 / lines.len() as f64;
                    // Peaks tail a little more as the column ages.
                    let tau_s = physics.shape.tau_s * run.tailing * (1.0 + 0.04 * progress);
                    let mut state = TransitionState {
                        own_counts_s: injected[place][transition],
                        // Air in the loop carries nothing to the detector.
                        carry_over_counts_s: if line.effects.response > 0.0 { carried } else { 0.0 },
                        shape: PeakShape {
                            tau_s,
                            ..physics.shape
                        },
                        apex_min: physics.retention_min * (1.0 + retention),
                        peaks: Vec::new(),
                        background: physics.background,
                    };
                    state.peaks = peaks(physics, line, transition, &mut state, lloq);
                    state
                })
                .collect()
        })
        .collect();
    (run, states)
}

fn run_physics(panel: &Panel, plan: &RunPlan, effects: &RunEffects) -> RunPhysics {
    let mut stream = Stream::new(plan.seed, plan.number, Purpose::Run, 0);
    let carry_over = panel
        .method
        .analytes
        .iter()
        .zip(&effects.carry_over_of_lloq)
        .map(|(of, fixed)| {
            let drawn = stream.between(5e-5, 1e-4);
            fixed.map_or(drawn, |share| share * of.lloq() / of.uloq())
        })
        .collect();
    RunPhysics {
        retention_offset: (0.003 * stream.normal()).clamp(-0.008, 0.008),
        retention_drift: stream.between(-0.008, 0.008),
        response_per_200: stream.between(-0.20, -0.05),
        tailing: stream.between(0.95, 1.05),
        carry_over,
    }
}

/// Own area (counts·s) of every transition.
fn own_areas(
    panel: &Panel,
    plan: &RunPlan,
    effects: &RunEffects,
    run: &RunPhysics,
    line: &Line,
    injections: usize,
) -> Vec<f64> {
    let order = u64::from(line.injection.order);
    let mut stream = Stream::new(plan.seed, plan.number, Purpose::Injection, order);
    let standards = panel.method.internal_standards.len();
    let analytes = panel.method.analytes.len();
    let progress = f64::from(line.injection.order - 1) / 200.0;
    let drift = (1.0 + run.response_per_200 * progress.min(injections as f64 / 200.0)).max(0.3);
    // Injection and extraction: shared by everything in the sample.
    let common = stream.factor(0.05) * drift * line.effects.response;
    // Spray: shared by all internal standards, not by the analytes; with the analyte's own error it makes up the
    // preparation error of the ratio.
    let preparation = if line.solution {
        0.008
    } else {
        panel.preparation_cv
    };
    let spray = stream.factor(preparation * 0.6) * line.effects.spray * line.standard;
    // Matrix: shared by an analyte and its standard, but for a residual of 1 %.
    let severity = if line.solution {
        0.0
    } else {
        (-0.08 + 0.05 * stream.normal()).clamp(-0.25, 0.08)
    };
    let suppression: Vec<f64> = (0..standards)
        .map(|_| 1.0 + (severity * stream.between(0.7, 1.2)).clamp(-0.30, 0.10))
        .collect();
    let mut areas = vec![0.0; panel.physics.len()];
    for standard in 0..standards {
        areas[standard] = panel.physics[standard].area_per_unit * common * suppression[standard] * spray;
    }
    for analyte in 0..analytes {
        let of = &panel.method.analytes[analyte];
        let standard = panel.method.internal_standard_index(of);
        let residual = if line.solution { 1.0 } else { stream.factor(0.01) };
        let own_error = stream.factor(preparation * 0.8);
        let concentration = line.concentrations[analyte] / line.injection.dilution_factor;
        let bend = 1.0 - panel.curvature[analyte] * (concentration / of.uloq()).min(2.0);
        let amount = concentration * bend * own_error * line.effects.analyte[analyte];
        let impurity = STANDARD_IMPURITY_OF_LLOQ * of.lloq() * spray;
        let response = common * suppression[standard] * residual;
        let (quantifier, qualifier) = (standards + 2 * analyte, standards + 2 * analyte + 1);
        areas[quantifier] = panel.physics[quantifier].area_per_unit * (amount + impurity) * response;
        areas[qualifier] =
            panel.physics[qualifier].area_per_unit * (amount + impurity) * response * stream.factor(0.01);
        let leak = effects.cross_talk[analyte] * (amount / of.uloq());
        areas[standard] += panel.physics[standard].area_per_unit * common * suppression[standard] * leak;
    }
    areas
}

/// Relative shift of every retention of an injection.
fn relative_retention(plan: &RunPlan, run: &RunPhysics, line: &Line, injections: usize) -> f64 {
    let order = u64::from(line.injection.order);
    let mut stream = Stream::new(plan.seed, plan.number, Purpose::Injection, order | 1 << 40);
    let progress = f64::from(line.injection.order - 1) / injections as f64;
    let jitter = (0.0022 * stream.normal()).clamp(-0.006, 0.006);
    run.retention_offset + run.retention_drift * (progress - 0.5) + jitter + line.effects.retention_shift
}

fn peaks(
    physics: &TransitionPhysics,
    line: &Line,
    transition: usize,
    state: &mut TransitionState,
    lloq: f64,
) -> Vec<PlacedPeak> {
    let area = state.area_counts_s();
    let mut peaks = Vec::with_capacity(1);
    let centre_min = state.apex_min;
    let mut own = |share: f64, apex_min: f64| {
        peaks.push(PlacedPeak {
            area_counts_s: share * area,
            apex_min,
            shape: state.shape,
            foreign: false,
        });
    };
    if line.effects.split {
        let half_way_min = 0.75 * state.shape.width_s(0.5) / 60.0;
        own(0.55, centre_min - half_way_min);
        own(0.45, centre_min + half_way_min);
        state.apex_min = centre_min - half_way_min;
    } else if area > 0.0 {
        own(1.0, centre_min);
    }
    for foreign in line
        .effects
        .foreign
        .iter()
        .filter(|peak| peak.transition == transition)
    {
        peaks.push(PlacedPeak {
            area_counts_s: match foreign.area {
                ForeignArea::OfCompound(share) => share * area,
                ForeignArea::OfLloq(multiple) => multiple * physics.area_per_unit * lloq,
            },
            apex_min: centre_min + foreign.offset_s / 60.0,
            shape: PeakShape {
                sigma_s: foreign.width_factor * state.shape.sigma_s,
                tau_s: foreign.width_factor * state.shape.tau_s,
            },
            foreign: true,
        });
    }
    peaks
}
