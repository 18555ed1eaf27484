//! A run, measured and judged: what every output and explanation is made from.

use crate::error::WorkflowError;
use crate::measure::{MeasuredInjection, MeasuredRun, MeasuredTransition, RunSetting, measure_run};
use crate::memory::Memory;
use crate::notes;
use spotwright_assay::{RunInput, RunJudgement, judge_run};
use spotwright_chromatogram::ManualLimits;
use spotwright_domain::identifier::CardId;
use spotwright_domain::method::{Method, TransitionOf, TransitionPart};
use spotwright_domain::plot::{ChromatogramPlot, RunSeries, SeriesPoint};
use spotwright_domain::reason::{Severity, heaviest};
use spotwright_domain::record::{Acceptance, InjectionRecord, ResultRecord, RunRecord, TransitionRecord};
use spotwright_domain::request::Request;
use spotwright_exchange::{Day, MethodFile, RunList};
use std::collections::BTreeMap;

/// A run, measured and judged.
pub(crate) struct JudgedRun {
    pub(crate) method: Method,
    pub(crate) transitions: Vec<TransitionOf>,
    pub(crate) measured: MeasuredRun,
    pub(crate) judgement: RunJudgement,
    pub(crate) record: RunRecord,
    requests: BTreeMap<CardId, Request>,
    earlier: BTreeMap<(String, usize), f64>,
}

impl JudgedRun {
    pub(crate) fn make(
        day: &Day,
        run: RunList,
        plots: bool,
        memory: &Memory,
        progress: &(dyn Fn(u64) + Sync),
    ) -> Result<Self, WorkflowError> {
        let MethodFile { method, sha256, .. } = &day.methods[run.method];
        let manual: Vec<(u32, ManualLimits)> = day
            .manual_limits
            .iter()
            .filter(|limit| limit.run == run.run)
            .map(|limit| {
                let limits = ManualLimits {
                    transition: limit.transition_index,
                    start_min: limit.start_min,
                    end_min: limit.end_min,
                    reason: limit.reason.clone(),
                    person: limit.person.clone(),
                };
                (limit.order, limits)
            })
            .collect();
        let traces_folder = day.traces_folder();
        let transitions = method.transitions();
        let setting = RunSetting {
            method,
            transitions: transitions.clone(),
            traces_folder: &traces_folder,
            manual: &manual,
            plots,
        };
        let measured = measure_run(&setting, &run, progress)?;
        let cards = run
            .injections
            .iter()
            .filter_map(|injection| injection.card.as_ref());
        let requests: BTreeMap<CardId, Request> = cards
            .filter_map(|card| Some((card.clone(), day.requests.get(card)?)))
            .collect();
        let repeated = run
            .injections
            .iter()
            .filter_map(|injection| injection.repeat_of.as_deref());
        let earlier: BTreeMap<(String, usize), f64> = repeated
            .flat_map(|id| (0..method.analytes.len()).map(move |analyte| (id, analyte)))
            .filter_map(|(id, analyte)| Some(((id.to_owned(), analyte), memory.value(id, method, analyte)?)))
            .collect();
        let cards = |card: &CardId| requests.get(card);
        let earlier_value = |id: &str, analyte: usize| earlier.get(&(id.to_owned(), analyte)).copied();
        let input = RunInput {
            method,
            injections: &measured.injections,
            cards: &cards,
            earlier: &earlier_value,
        };
        let judgement = judge_run(&input)?;
        let mut record = judgement.run_record(sha256);
        let learnt = notes::of_reference(&measured.reference.notes, &transitions);
        if heaviest(&learnt) >= Some(Severity::Comment) && record.acceptance == Acceptance::Accepted {
            record.acceptance = Acceptance::AcceptedWithComment;
        }
        record.reasons.extend(learnt);
        Ok(Self {
            method: method.clone(),
            transitions,
            measured,
            judgement,
            record,
            requests,
            earlier,
        })
    }

    /// One injection's results.
    pub(crate) fn results_of(&self, position: usize) -> Vec<ResultRecord> {
        let cards = |card: &CardId| self.requests.get(card);
        let earlier = |id: &str, analyte: usize| self.earlier.get(&(id.to_owned(), analyte)).copied();
        let input = RunInput {
            method: &self.method,
            injections: &self.measured.injections,
            cards: &cards,
            earlier: &earlier,
        };
        self.judgement.results_of(&input, position)
    }

    /// One injection's record and the points of its figures, from its spooled evidence.
    pub(crate) fn record_of(
        &self,
        position: usize,
        measured: MeasuredInjection,
    ) -> (InjectionRecord, Vec<ChromatogramPlot>) {
        let injection = &self.measured.injections[position].injection;
        let record = InjectionRecord {
            id: injection.id(),
            injection: injection.clone(),
            trace_sha256: measured.trace_sha256.as_ref().map(|digest| hexadecimal(digest)),
            reasons: measured.reasons,
            transitions: transition_records(&self.transitions, measured.transitions),
            results: self.results_of(position),
        };
        (record, measured.plots)
    }

    /// Areas of the internal standards along the run.
    pub(crate) fn series(&self) -> RunSeries {
        let standards = 0..self.method.internal_standards.len();
        let of = |standard: usize| {
            self.measured.injections.iter().map(move |injection| {
                let response = &injection.standards[standard];
                SeriesPoint {
                    order: injection.injection.order,
                    role: injection.injection.role,
                    area_counts_s: response.area_counts_s.filter(|_| response.found()),
                }
            })
        };
        RunSeries {
            internal_standards: standards.map(|standard| of(standard).collect()).collect(),
        }
    }
}

fn transition_records(
    transitions: &[TransitionOf],
    measured: Vec<MeasuredTransition>,
) -> Vec<TransitionRecord> {
    let area = |found: &MeasuredTransition| found.peak.found().map(|peak| peak.area_counts_s);
    let quantifiers: BTreeMap<usize, Option<f64>> = transitions
        .iter()
        .zip(&measured)
        .filter_map(|(of, found)| match of.part {
            TransitionPart::Quantifier { analyte } => Some((analyte, area(found))),
            _ => None,
        })
        .collect();
    let ratio = |of: &TransitionOf, found: &MeasuredTransition| {
        let TransitionPart::Qualifier { analyte, .. } = of.part else {
            return None;
        };
        let quantifier = quantifiers.get(&analyte).copied().flatten()?;
        let ratio = area(found)? / quantifier;
        ratio.is_finite().then_some(ratio)
    };
    transitions
        .iter()
        .zip(measured)
        .map(|(of, found)| TransitionRecord {
            name: of.name.clone(),
            part: of.part,
            precursor_mz: of.transition.precursor_mz,
            product_mz: of.transition.product_mz,
            ion_ratio: ratio(of, &found),
            expected_retention_min: found.expected_retention_min,
            peak: found.peak,
        })
        .collect()
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
