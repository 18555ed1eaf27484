//! One simulated run: method, list, requests, traces and truth, without a disk.

use crate::error::SimulateError;
use crate::fault::{Acceptance, Fault};
use crate::line::{Card, Line};
use crate::panel::{Panel, panel};
use crate::physics::{RunPhysics, TransitionState, states};
use crate::plan::RunPlan;
use crate::plant::{Planted, plant};
use crate::render;
use crate::sequence::sequence;
use crate::truth::{
    AcceptanceTruth, AnalyteTruth, FaultTruth, InjectionTruth, RunTruth, TransitionTruth, TrueCase,
};
use spotwright_domain::injection::{Injection, SampleRole};
use spotwright_domain::method::{Method, TransitionPart};
use spotwright_domain::request::{Dose, DoseTaken, Request};
use spotwright_domain::trace::Trace;

/// A run: everything but its traces is in memory (about a kilobyte an injection); traces are made when asked for,
/// in any order, always the same.
#[derive(Debug, Clone)]
pub struct SimulatedRun {
    panel: Panel,
    plan: RunPlan,
    lines: Vec<Line>,
    cards: Vec<Card>,
    planted: Vec<Planted>,
    physics: RunPhysics,
    states: Vec<Vec<TransitionState>>,
}

/// Simulates a run.
///
/// # Errors
/// When the run is too small for its panel, or a fault names an unknown analyte, has a number outside its range or
/// finds no sample to meet.
pub fn simulate_run(plan: &RunPlan) -> Result<SimulatedRun, SimulateError> {
    let panel = panel(plan.panel)?;
    let mut sequence = sequence(&panel, plan)?;
    let (effects, planted) = plant(&panel, plan, &mut sequence)?;
    let (physics, states) = states(&panel, plan, &effects, &sequence.lines);
    Ok(SimulatedRun {
        panel,
        plan: plan.clone(),
        lines: sequence.lines,
        cards: sequence.cards,
        planted,
        physics,
        states,
    })
}

impl SimulatedRun {
    /// The method.
    #[must_use]
    pub fn method(&self) -> &Method {
        &self.panel.method
    }

    /// Number of injections.
    #[must_use]
    pub fn len(&self) -> usize {
        self.lines.len()
    }

    /// Whether the run has no injection; never so.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.lines.is_empty()
    }

    /// The injection list.
    pub fn injections(&self) -> impl Iterator<Item = &Injection> {
        self.lines.iter().map(|line| &line.injection)
    }

    /// Each injection with its traces and its truth, in order. Faults of files are not in the traces: a truncated
    /// file's traces are whole here, and its truth says so.
    pub fn iter(&self) -> impl Iterator<Item = (&Injection, Vec<Trace>, InjectionTruth)> {
        (0..self.lines.len()).map(|place| {
            (
                &self.lines[place].injection,
                self.traces(place),
                self.injection_truth(place),
            )
        })
    }

    /// Traces of the injection at this place (from 0), in the method's order of transitions.
    ///
    /// # Panics
    /// When there is no such place.
    #[must_use]
    pub fn traces(&self, place: usize) -> Vec<Trace> {
        let source = self.lines[place].effects.same_as.unwrap_or(place);
        render::traces(&self.panel, &self.plan, &self.lines[source], &self.states[source])
    }

    /// The noise-free signal of the compound alone in one transition: times (min) and counts above baseline.
    ///
    /// # Panics
    /// When there is no such place or transition.
    #[must_use]
    pub fn noise_free_compound(&self, place: usize, transition: usize) -> (Vec<f64>, Vec<f64>) {
        let source = self.lines[place].effects.same_as.unwrap_or(place);
        let states = &self.states[source];
        let times_min = render::times_min(transition, states.len());
        let mut signal = vec![0.0; times_min.len()];
        render::add_peaks(&states[transition], false, &times_min, &mut signal);
        (times_min, signal)
    }

    /// The injection at this place (from 0).
    ///
    /// # Panics
    /// When there is no such place.
    #[must_use]
    pub fn injection(&self, place: usize) -> &Injection {
        &self.lines[place].injection
    }

    /// The cards of the run.
    pub(crate) fn cards(&self) -> &[Card] {
        &self.cards
    }

    /// What was asked for.
    pub(crate) fn plan(&self) -> &RunPlan {
        &self.plan
    }

    /// Whether the file of the injection at this place ends early.
    pub(crate) fn is_truncated(&self, place: usize) -> bool {
        self.lines[place].effects.truncated
    }

    /// Place of the injection whose file this one copies.
    pub(crate) fn file_source(&self, place: usize) -> usize {
        self.lines[place].effects.same_as.unwrap_or(place)
    }

    /// A request for every card, but for those whose request got lost.
    ///
    /// # Errors
    /// When a time cannot be written.
    pub fn requests(&self) -> Result<Vec<Request>, SimulateError> {
        self.cards
            .iter()
            .filter(|card| card.requested)
            .map(|card| self.request(card))
            .collect()
    }

    /// What the clinic tells of each person beside the request.
    pub(crate) fn facts(&self) -> Vec<(String, crate::covariates::Fact)> {
        let mut all = Vec::new();
        for (number, card) in (0_u64..).zip(self.cards.iter().filter(|card| card.requested)) {
            for fact in crate::covariates::facts(&self.panel, card, number) {
                all.push((card.subject.to_string(), fact));
            }
        }
        all
    }

    fn request(&self, card: &Card) -> Result<Request, SimulateError> {
        let time = |unix_s: i64| Ok::<_, SimulateError>(jiff::Timestamp::from_second(unix_s)?.to_string());
        let hundredths = |value: f64| (value * 100.0).round() / 100.0;
        let asked = self.panel.method.analytes.iter().zip(&card.concentrations);
        Ok(Request {
            card: card.code.clone(),
            subject: card.subject.clone(),
            analytes: asked
                .filter(|(_, c)| c.is_some())
                .map(|(of, _)| of.name.clone())
                .collect(),
            collected_at: Some(time(card.collected_unix_s)?),
            last_dose_at: if card.last_dose_stated {
                Some(time(card.last_dose_unix_s)?)
            } else {
                None
            },
            received_at: Some(time(card.received_unix_s)?),
            age_at_receipt_d: Some((card.received_unix_s - card.collected_unix_s) as f64 / 86_400.0),
            collected_at_unix_s: Some(card.collected_unix_s),
            haematocrit: card.haematocrit_stated.then(|| hundredths(card.haematocrit)),
            weight_kg: Some((card.weight_kg * 10.0).round() / 10.0),
            age_y: Some((card.age_y * 1000.0).round() / 1000.0),
            sex: Some(card.sex.to_owned()),
            creatinine_umol_per_l: Some(card.creatinine_umol_per_l),
            comment: Some("simulated".to_owned()),
        })
    }

    /// A regimen (or single dose) for every drug asked for whose last dose is known.
    ///
    /// # Errors
    /// When a time cannot be written.
    pub fn doses(&self) -> Result<Vec<Dose>, SimulateError> {
        let time = |unix_s: i64| Ok::<_, SimulateError>(jiff::Timestamp::from_second(unix_s)?.to_string());
        let mut doses = Vec::new();
        for card in self
            .cards
            .iter()
            .filter(|card| card.requested && card.last_dose_stated)
        {
            let asked = self
                .panel
                .method
                .analytes
                .iter()
                .zip(&card.concentrations)
                .zip(&self.panel.dosing);
            for ((of, _), dosing) in asked.filter(|((_, concentration), _)| concentration.is_some()) {
                // Newborns have had ten doses; everybody else has been on the drug for a hundred days, past lead-in.
                let back_s = dosing.interval_h.map_or(0, |hours| {
                    let doses = if card.age_y < 0.1 {
                        10.0
                    } else {
                        (2400.0 / hours).round()
                    };
                    (doses * hours * 3600.0) as i64
                });
                let first = card.last_dose_unix_s - back_s.min((card.age_y * 365.0 * 86_400.0 * 0.8) as i64);
                doses.push(Dose {
                    subject: card.subject.clone(),
                    drug: of.name.clone(),
                    amount: dosing.amount,
                    unit: dosing.unit.to_owned(),
                    route: dosing.route.to_owned(),
                    given_at: time(first)?,
                    interval_h: dosing.interval_h,
                    until: match dosing.interval_h {
                        Some(_) => Some(time(card.last_dose_unix_s)?),
                        None => None,
                    },
                    infusion_min: dosing.infusion_min,
                    basis: None,
                    taken: DoseTaken::Given,
                    time_uncertainty_min: None,
                });
            }
        }
        Ok(doses)
    }

    /// What is true of the run.
    #[must_use]
    pub fn truth(&self) -> RunTruth {
        let method = &self.panel.method;
        let faults = self.planted.iter().map(|planted| FaultTruth {
            fault: planted.fault.kind(),
            analyte: planted
                .fault
                .analyte()
                .map(|analyte| method.analytes[analyte].name.clone()),
            orders: planted
                .lines
                .iter()
                .map(|line| self.lines[*line].injection.order)
                .collect(),
            expected_reasons: planted.fault.expected_reasons().to_vec(),
        });
        let analytes = method.analytes.iter().enumerate().map(|(analyte, of)| {
            let (lloq, uloq) = self.range_left(analyte);
            AcceptanceTruth {
                analyte: of.name.clone(),
                expected: self
                    .planted
                    .iter()
                    .map(|planted| planted.fault.acceptance_of(analyte))
                    .max()
                    .unwrap_or(Acceptance::Accepted),
                lloq,
                uloq,
                unit: of.unit,
                carry_over_fraction: self.physics.carry_over[analyte],
            }
        });
        RunTruth {
            run: self.lines[0].injection.run.clone(),
            method: method.id.clone(),
            seed: self.plan.seed,
            injections: self.lines.len(),
            cards: self.cards.len(),
            faults: faults.collect(),
            analytes: analytes.collect(),
        }
    }

    /// What is true of the injection at this place (from 0).
    ///
    /// # Panics
    /// When there is no such place.
    #[must_use]
    pub fn injection_truth(&self, place: usize) -> InjectionTruth {
        let line = &self.lines[place];
        let states = &self.states[self.file_source(place)];
        let transitions = self.panel.method.transitions();
        let quantifier = |analyte| {
            let part = TransitionPart::Quantifier { analyte };
            transitions
                .iter()
                .position(|of| of.part == part)
                .map_or(&states[0], |at| &states[at])
        };
        let analytes = self
            .panel
            .method
            .analytes
            .iter()
            .enumerate()
            .map(|(analyte, of)| {
                let state = quantifier(analyte);
                let area = state.area_counts_s();
                AnalyteTruth {
                    analyte: of.name.clone(),
                    asked: line
                        .card
                        .is_none_or(|card| self.cards[card].concentrations[analyte].is_some()),
                    concentration: line.concentrations[analyte],
                    unit: of.unit,
                    case: self.case(line, analyte),
                    carry_over_pct: if area > 0.0 {
                        100.0 * state.carry_over_counts_s / area
                    } else {
                        0.0
                    },
                    sound: self.is_sound(line, analyte),
                }
            });
        let transitions = transitions
            .iter()
            .zip(states)
            .enumerate()
            .map(|(index, (of, state))| {
                let height = state.height_counts();
                let noise = state.background.noise_counts();
                TransitionTruth {
                    transition: of.name.clone(),
                    area_counts_s: state.area_counts_s(),
                    carry_over_counts_s: state.carry_over_counts_s,
                    foreign_counts_s: state.foreign_counts_s(),
                    retention_min: state.apex_min,
                    height_counts: height,
                    baseline_noise_counts: noise,
                    signal_to_noise: height / noise,
                    width_half_height_s: state.shape.width_s(0.5),
                    saturated: height + state.background.level_counts > self.panel.ceiling_counts,
                    recorded: !line.effects.truncated && line.effects.missing_transition != Some(index),
                }
            });
        let injection = &line.injection;
        InjectionTruth {
            run: injection.run.clone(),
            order: injection.order,
            trace_file: injection.trace_file.clone(),
            role: injection.role,
            level: injection.level.clone(),
            card: injection.card.clone(),
            spot: injection.spot,
            dilution_factor: injection.dilution_factor,
            faults: line
                .faults
                .iter()
                .map(|number| self.planted[*number].fault.kind())
                .collect(),
            analytes: analytes.collect(),
            transitions: transitions.collect(),
        }
    }

    fn range_left(&self, analyte: usize) -> (f64, f64) {
        let of = &self.panel.method.analytes[analyte];
        let left = self
            .planted
            .iter()
            .map(|planted| planted.fault.levels_left(analyte));
        let (low, high) = left.fold((0, 7), |range, levels| {
            (range.0.max(levels.0), range.1.min(levels.1))
        });
        (
            of.calibrators[low].concentration,
            of.calibrators[high].concentration,
        )
    }

    fn case(&self, line: &Line, analyte: usize) -> TrueCase {
        let (lloq, uloq) = self.range_left(analyte);
        let concentration = line.concentrations[analyte] / line.injection.dilution_factor;
        if concentration < lloq {
            TrueCase::BelowLloq
        } else if concentration > uloq {
            TrueCase::AboveUloq
        } else {
            TrueCase::Within
        }
    }

    fn is_sound(&self, line: &Line, analyte: usize) -> bool {
        let run_is_sound = !self
            .planted
            .iter()
            .any(|planted| planted.fault.biases_run(analyte));
        let bends = |fault: Fault| match fault {
            Fault::MissedSpray
            | Fault::HalfSpray
            | Fault::DoubleSpray
            | Fault::AirInjection
            | Fault::SplitPeak
            | Fault::TruncatedFile
            | Fault::SameTraceTwice => true,
            Fault::OverlappingNeighbour { analyte: of }
            | Fault::LateEluter { analyte: of }
            | Fault::DetectorSaturation { analyte: of }
            | Fault::CarryOverIntoWeakSample { analyte: of }
            | Fault::SystemSuitabilityScatter { analyte: of }
            | Fault::TraceMissing { analyte: of } => of == analyte,
            _ => false,
        };
        let measured = !matches!(
            line.injection.role,
            SampleRole::Conditioning | SampleRole::DoubleBlank
        );
        run_is_sound
            && measured
            && !line
                .faults
                .iter()
                .any(|number| bends(self.planted[*number].fault))
    }
}
