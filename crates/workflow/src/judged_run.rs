//! A run, measured and judged: what every output and explanation is made from.

use crate::convert::{Known, add_conversions};
use crate::error::WorkflowError;
use crate::measure::{MeasuredInjection, MeasuredRun, MeasuredTransition, RunSetting, measure_run};
use crate::memory::Memory;
use crate::notes;
use rayon::prelude::*;
use spotwright_assay::{RunInput, RunJudgement, judge_facts};
use spotwright_chromatogram::ManualLimits;
use spotwright_domain::identifier::CardId;
use spotwright_domain::injection::SampleRole;
use spotwright_domain::method::{Method, TransitionOf, TransitionPart};
use spotwright_domain::plot::{ChromatogramPlot, RunSeries, SeriesPoint};
use spotwright_domain::reason::{Severity, heaviest};
use spotwright_domain::record::{Acceptance, InjectionRecord, ResultRecord, RunRecord, TransitionRecord};
use spotwright_domain::request::Request;
use spotwright_exchange::{Day, MethodFile, RunList};
use std::collections::BTreeMap;

/// Injections whose results are kept from counting verdicts to writing; those of further ones are worked out again.
const KEPT_RESULTS: usize = 1000;

/// Injections whose results are worked out together.
const CHUNK: usize = 256;

/// A run, measured and judged.
pub(crate) struct JudgedRun {
    pub(crate) method: Method,
    pub(crate) transitions: Vec<TransitionOf>,
    pub(crate) measured: MeasuredRun,
    pub(crate) judgement: RunJudgement,
    pub(crate) record: RunRecord,
    requests: BTreeMap<CardId, Request>,
    earlier: BTreeMap<(String, usize), f64>,
    /// Results of the first injections, until they are taken.
    results: Vec<Option<Vec<ResultRecord>>>,
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
        let judgement = judge_facts(&input)?;
        let mut judged = Self {
            method: method.clone(),
            transitions,
            record: judgement.run_record(sha256),
            measured,
            judgement,
            requests,
            earlier,
            results: Vec::new(),
        };
        judged.count_verdicts();
        let mut record = judged.judgement.run_record(sha256);
        let learnt = notes::of_reference(&judged.measured.reference.notes, &judged.transitions);
        if heaviest(&learnt) >= Some(Severity::Comment) && record.acceptance == Acceptance::Accepted {
            record.acceptance = Acceptance::AcceptedWithComment;
        }
        record.reasons.extend(learnt);
        judged.record = record;
        Ok(judged)
    }

    /// Works all results out, on all threads, to count their verdicts; the first are kept.
    fn count_verdicts(&mut self) {
        let positions = 0..self.measured.injections.len();
        for from in positions.clone().step_by(CHUNK) {
            let chunk = from..(from + CHUNK).min(positions.end);
            let results: Vec<Vec<ResultRecord>> = chunk
                .clone()
                .into_par_iter()
                .with_min_len(8)
                .map(|position| self.results_of(position))
                .collect();
            for (position, results) in chunk.zip(results) {
                if self.measured.injections[position].injection.role == SampleRole::Patient {
                    self.judgement.count(&results);
                }
                if position < KEPT_RESULTS {
                    self.results.push(Some(results));
                }
            }
        }
    }

    /// Takes out the results that were kept of the injections in a range of positions.
    pub(crate) fn take_results(
        &mut self,
        positions: std::ops::Range<usize>,
    ) -> Vec<Option<Vec<ResultRecord>>> {
        positions
            .map(|position| self.results.get_mut(position).and_then(Option::take))
            .collect()
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

    /// An injection's results, each with its conversion.
    pub(crate) fn with_conversions(
        &self,
        position: usize,
        mut results: Vec<ResultRecord>,
    ) -> Vec<ResultRecord> {
        let measured = &self.measured.injections[position];
        let card = measured.injection.card.as_ref();
        let known = Known {
            method: &self.method,
            analytes: &self.record.analytes,
            injection: &measured.injection,
            injected_at_unix_s: measured.injected_at_unix_s,
            request: card.and_then(|card| self.requests.get(card)),
            spot: None,
        };
        add_conversions(&known, &mut results);
        results
    }

    /// One injection's record with every conversion, and the points of its figures, from its spooled evidence and its
    /// results; `None`: they are worked out.
    pub(crate) fn record_of(
        &self,
        position: usize,
        measured: MeasuredInjection,
        results: Option<Vec<ResultRecord>>,
    ) -> (InjectionRecord, Vec<ChromatogramPlot>) {
        let injection = &self.measured.injections[position].injection;
        let results = self.with_conversions(position, results.unwrap_or_else(|| self.results_of(position)));
        let record = InjectionRecord {
            id: injection.id(),
            injection: injection.clone(),
            trace_sha256: measured.trace_sha256.as_ref().map(|digest| hexadecimal(digest)),
            reasons: measured.reasons,
            transitions: transition_records(&self.transitions, measured.transitions),
            results,
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
