//! Measures every injection of a run: read the trace file, match transitions, integrate with the run's own limits.
//! Threads take whole injections; everything is taken in injection order, so the bits do not depend on them.

use crate::error::WorkflowError;
use crate::notes;
use crate::spool::{Bulky, Spool};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use spotwright_assay::{AnalyteResponses, AssayInjection};
use spotwright_chromatogram as chromatogram;
use spotwright_chromatogram::{ManualLimits, RunReference, TraceMatch};
use spotwright_domain::injection::{Injection, SampleRole};
use spotwright_domain::method::{IntegrationSettings, Method, TransitionOf, TransitionPart};
use spotwright_domain::peak::{NoPeakReason, PeakOutcome, Response};
use spotwright_domain::plot::ChromatogramPlot;
use spotwright_domain::reason::{Reason, ReasonCode, Severity};
use spotwright_domain::trace::{Polarity, Trace};
use spotwright_exchange::RunList;
use spotwright_mzml as mzml;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

/// Injections that threads work on before the next ones are taken; bounds memory, never results.
const CHUNK: usize = 128;

/// Most injections the run's reference is learned from.
const REFERENCE_INJECTIONS: usize = 24;

/// Injections read by the other threads while one learns the reference: rather more than that takes, for then the one helps
/// to read the rest.
const READ_AHEAD: usize = 48;

/// Most injections a thread takes at once, so that none is left with work when the others wait.
const AT_ONCE: usize = 1;

/// One transition of a measured injection.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct MeasuredTransition {
    pub(crate) peak: PeakOutcome,
    pub(crate) expected_retention_min: f64,
}

/// One injection, measured.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct MeasuredInjection {
    pub(crate) transitions: Vec<MeasuredTransition>,
    pub(crate) plots: Vec<ChromatogramPlot>,
    pub(crate) trace_sha256: Option<[u8; 32]>,
    pub(crate) reasons: Vec<Reason>,
    /// Of the reasons, those that a result's verdict must know, with the index of the analyte.
    pub(crate) remarks: Vec<(usize, Reason)>,
}

impl Bulky for MeasuredInjection {
    fn bytes(&self) -> usize {
        let points: usize = self.plots.iter().map(|plot| plot.points.capacity()).sum();
        size_of::<Self>()
            + self.transitions.capacity() * size_of::<MeasuredTransition>()
            + self.plots.capacity() * size_of::<ChromatogramPlot>()
            + points * size_of::<[f32; 2]>()
            // With the texts they hold, about.
            + (self.reasons.capacity() + self.remarks.capacity()) * (size_of::<Reason>() + 200)
    }
}

/// A run, measured: compact numbers in memory, evidence in the spool.
pub(crate) struct MeasuredRun {
    pub(crate) spool: Spool<MeasuredInjection>,
    pub(crate) injections: Vec<AssayInjection>,
    pub(crate) reference: RunReference,
}

/// What is the same for every injection of a run.
pub(crate) struct RunSetting<'a> {
    pub(crate) method: &'a Method,
    pub(crate) transitions: Vec<TransitionOf>,
    pub(crate) traces_folder: &'a Path,
    pub(crate) manual: &'a [(u32, ManualLimits)],
    /// Whether points for figures are kept.
    pub(crate) plots: bool,
}

/// Buffers reused from injection to injection.
#[derive(Default)]
struct Buffers {
    file: Vec<u8>,
    mzml: mzml::Scratch,
    chromatogram: chromatogram::Scratch,
}

/// Buffers that no thread holds: at most as many as there are threads.
#[derive(Default)]
struct BufferPool {
    idle: Mutex<Vec<Buffers>>,
}

impl BufferPool {
    fn with<T>(&self, work: impl FnOnce(&mut Buffers) -> T) -> T {
        // Buffers carry nothing from one use to the next, so a panic elsewhere cannot have spoilt them.
        let idle = || self.idle.lock().unwrap_or_else(PoisonError::into_inner);
        let mut buffers = idle().pop().unwrap_or_default();
        let done = work(&mut buffers);
        idle().push(buffers);
        done
    }
}

/// Measures a run.
///
/// # Errors
/// When the spool fails. A trace file that cannot be read is a measured injection with a reason.
pub(crate) fn measure_run(
    setting: &RunSetting<'_>,
    run: &RunList,
    progress: &(dyn Fn(u64) + Sync),
) -> Result<MeasuredRun, WorkflowError> {
    let pool = BufferPool::default();
    let (reference, mut kept) = learn(setting, run, &pool);
    let mut measured = MeasuredRun {
        spool: Spool::new(),
        injections: Vec::new(),
        reference,
    };
    for (number, chunk) in run.injections.chunks(CHUNK).enumerate() {
        let read: Vec<Option<FileOutcome>> = (0..chunk.len())
            .map(|place| kept.remove(&(number * CHUNK + place)))
            .collect();
        let keeps = measured.spool.keeps();
        let done: Vec<_> = chunk
            .par_iter()
            .zip(read)
            .with_max_len(AT_ONCE)
            .map(|(injection, read)| {
                let measured_injection = pool.with(|buffers| {
                    let read = read.unwrap_or_else(|| read_file(setting, injection, buffers));
                    measure_one(setting, injection, read, &measured.reference, buffers)
                });
                let compact = compact(setting, injection, &measured_injection);
                progress(1);
                Spool::ready(measured_injection, keeps).map(|entry| (entry, compact))
            })
            .collect();
        for (place, entry) in done.into_iter().enumerate() {
            let (entry, mut compact) = entry?;
            compact.injected_at_unix_s = run.injected_at_unix_s[number * CHUNK + place];
            measured.spool.push(entry)?;
            measured.injections.push(compact);
        }
    }
    Ok(measured)
}

/// The run's own retention, width and limits, from its calibrators, and from its controls where those are few; and
/// what was read meanwhile, by position in the run, so that no file is read twice.
fn learn(
    setting: &RunSetting<'_>,
    run: &RunList,
    pool: &BufferPool,
) -> (RunReference, BTreeMap<usize, FileOutcome>) {
    let of_role =
        |role| (0..run.injections.len()).filter(move |position| run.injections[*position].role == role);
    let chosen: Vec<usize> = of_role(SampleRole::Calibrator)
        .chain(of_role(SampleRole::Control))
        .take(REFERENCE_INJECTIONS)
        .collect();
    let ahead: Vec<usize> = (0..run.injections.len())
        .filter(|position| !chosen.contains(position))
        .take(READ_AHEAD)
        .collect();
    let read_all = |positions: &[usize]| -> Vec<FileOutcome> {
        positions
            .par_iter()
            .with_max_len(AT_ONCE)
            .map(|position| pool.with(|buffers| read_file(setting, &run.injections[*position], buffers)))
            .collect()
    };
    let read = read_all(&chosen);
    let slices: Vec<&[Trace]> = read
        .iter()
        .map(|outcome| outcome.as_ref().map_or(&[][..], |(traces, _)| traces))
        .collect();
    let (mut reference, read_ahead) = rayon::join(
        || chromatogram::learn_reference(&slices, &setting.transitions, &setting.method.integration),
        || read_all(&ahead),
    );
    // A tolerance that the method states for an analyte comes before the usual one.
    for (learnt, of) in reference.transitions.iter_mut().zip(&setting.transitions) {
        let (TransitionPart::Quantifier { analyte } | TransitionPart::Qualifier { analyte, .. }) = of.part
        else {
            continue;
        };
        if let Some(tolerance) = setting.method.analytes[analyte].retention_tolerance_min {
            learnt.retention_tolerance_min = tolerance;
        }
    }
    let kept = chosen
        .into_iter()
        .zip(read)
        .chain(ahead.into_iter().zip(read_ahead));
    (reference, kept.collect())
}

/// Traces and digest of a file, or why not, with the digest when the bytes could be read.
type FileOutcome = Result<(Vec<Trace>, [u8; 32]), Box<(Reason, Option<[u8; 32]>)>>;

fn read_file(setting: &RunSetting<'_>, injection: &Injection, buffers: &mut Buffers) -> FileOutcome {
    let path = setting.traces_folder.join(&injection.trace_file);
    buffers.file.clear();
    let read = std::fs::File::open(&path)
        .and_then(|mut file| std::io::Read::read_to_end(&mut file, &mut buffers.file));
    if let Err(error) = read {
        return Err(Box::new((
            notes::unreadable(&injection.trace_file, &error.to_string()),
            None,
        )));
    }
    let digest: [u8; 32] = Sha256::digest(&buffers.file).into();
    let tolerance = setting.method.integration.mz_tolerance;
    let wanted = |header: &mzml::TraceHeader<'_>| is_wanted(header, &setting.transitions, tolerance);
    let options = mzml::ReadOptions::default();
    match mzml::parse_bytes_wanted(&buffers.file, &options, &wanted, &mut buffers.mzml) {
        Ok(file) => Ok((file.traces, digest)),
        Err(error) => {
            let reason = notes::unreadable(&injection.trace_file, &error.to_string());
            Err(Box::new((reason, Some(digest))))
        }
    }
}

fn is_wanted(header: &mzml::TraceHeader<'_>, transitions: &[TransitionOf], tolerance: f64) -> bool {
    let (Some(precursor), Some(product)) = (header.precursor, header.product) else {
        return false;
    };
    let same_sign = |of: Polarity| header.polarity.is_none_or(|polarity| polarity == of);
    transitions.iter().map(|of| of.transition).any(|of| {
        (precursor.target_mz - of.precursor_mz).abs() <= tolerance
            && (product.target_mz - of.product_mz).abs() <= tolerance
            && same_sign(of.polarity)
    })
}

fn measure_one(
    setting: &RunSetting<'_>,
    injection: &Injection,
    read: FileOutcome,
    reference: &RunReference,
    buffers: &mut Buffers,
) -> MeasuredInjection {
    let (traces, trace_sha256, mut reasons) = match read {
        Ok((traces, digest)) => (traces, Some(digest), Vec::new()),
        Err(why) => (Vec::new(), why.1, vec![why.0]),
    };
    if !reasons.is_empty() {
        let transitions = setting.transitions.iter().map(|of| MeasuredTransition {
            peak: PeakOutcome::absent(NoPeakReason::FileUnreadable),
            expected_retention_min: of.retention_time_min,
        });
        return MeasuredInjection {
            transitions: transitions.collect(),
            plots: Vec::new(),
            trace_sha256,
            reasons,
            remarks: Vec::new(),
        };
    }
    let settings = &setting.method.integration;
    let manual: Vec<ManualLimits> = setting
        .manual
        .iter()
        .filter(|(order, _)| *order == injection.order)
        .map(|(_, limits)| limits.clone())
        .collect();
    let matches = chromatogram::match_traces(&traces, &setting.transitions, settings.mz_tolerance);
    let measured = chromatogram::measure_injection(
        &traces,
        &matches,
        &setting.transitions,
        reference,
        settings,
        &manual,
        &mut buffers.chromatogram,
    );
    let noticed = notes::of_traces(&traces);
    let remarks = remarks(setting.method, &setting.transitions, &matches, &noticed);
    reasons.extend(noticed.into_iter().map(|(_, reason)| reason));
    reasons.extend(notes::of_matches(&matches, &setting.transitions));
    reasons.extend(notes::of_measurement(&measured.notes, &setting.transitions));
    let transitions: Vec<MeasuredTransition> = measured
        .transitions
        .into_iter()
        .map(|of| MeasuredTransition {
            peak: of.peak,
            expected_retention_min: of.expected_retention_min,
        })
        .collect();
    let plots = if setting.plots {
        plots(&traces, &matches, &transitions, settings)
    } else {
        Vec::new()
    };
    buffers.mzml.give_back(traces);
    MeasuredInjection {
        transitions,
        plots,
        trace_sha256,
        reasons,
        remarks,
    }
}

/// What was noticed of the traces that an analyte's result rests on: its own and its internal standard's.
fn remarks(
    method: &Method,
    transitions: &[TransitionOf],
    matches: &[TraceMatch],
    noticed: &[(usize, Reason)],
) -> Vec<(usize, Reason)> {
    let mut remarks = Vec::new();
    for (place, reason) in noticed
        .iter()
        .filter(|(_, reason)| reason.severity >= Severity::Comment)
    {
        for (analyte, of) in method.analytes.iter().enumerate() {
            let standard = method.internal_standard_index(of);
            let rests_on = |part: TransitionPart| match part {
                TransitionPart::InternalStandard { standard: other } => other == standard,
                TransitionPart::Quantifier { analyte: other }
                | TransitionPart::Qualifier { analyte: other, .. } => other == analyte,
            };
            let mut pairs = transitions.iter().zip(matches);
            if pairs.any(|(of, found)| found.trace == Some(*place) && rests_on(of.part)) {
                remarks.push((analyte, reason.clone()));
            }
        }
    }
    remarks
}

/// How far beyond its limits and expected retention a peak is drawn, as a share of the search window: enough to judge the
/// baseline by, little enough that the peak fills the figure.
const PLOT_MARGIN: f64 = 0.5;

/// The recorded points around each transition's expected retention and limits.
fn plots(
    traces: &[Trace],
    matches: &[TraceMatch],
    transitions: &[MeasuredTransition],
    settings: &IntegrationSettings,
) -> Vec<ChromatogramPlot> {
    let mut plots = Vec::with_capacity(transitions.len());
    for (transition, (of, found)) in transitions.iter().zip(matches).enumerate() {
        let Some(trace) = found.trace.and_then(|place| traces.get(place)) else {
            continue;
        };
        let limits = of.peak.found().map(|peak| [peak.start_min, peak.end_min]);
        let [start, end] = limits.unwrap_or([of.expected_retention_min; 2]);
        let from = start.min(of.expected_retention_min) - PLOT_MARGIN * settings.search_half_width_min;
        let to = end.max(of.expected_retention_min) + PLOT_MARGIN * settings.search_half_width_min;
        let is_inside = |time: &f64| *time >= from && *time <= to;
        // Times may be out of order: what lies between the first and the last inside is looked at one by one.
        let first = trace.time_min.iter().position(is_inside).unwrap_or(0);
        let end = trace
            .time_min
            .iter()
            .rposition(is_inside)
            .map_or(first, |last| last + 1);
        let mut points = Vec::with_capacity(end - first);
        let all = trace.time_min[first..end]
            .iter()
            .zip(&trace.intensity[first..end]);
        points.extend(
            all.filter(|(time, _)| is_inside(time))
                .map(|(time, counts)| [*time as f32, *counts as f32]),
        );
        plots.push(ChromatogramPlot { transition, points });
    }
    plots
}

/// The few numbers that judging needs.
fn compact(setting: &RunSetting<'_>, injection: &Injection, measured: &MeasuredInjection) -> AssayInjection {
    let method = setting.method;
    let absent = Response::from(&PeakOutcome::absent(NoPeakReason::TraceAbsent));
    let mut compact = AssayInjection {
        injection: injection.clone(),
        injected_at_unix_s: None,
        standards: vec![absent; method.internal_standards.len()],
        analytes: method
            .analytes
            .iter()
            .map(|analyte| AnalyteResponses {
                quantifier: absent,
                qualifiers: vec![absent; analyte.qualifiers.len()],
            })
            .collect(),
        file_problem: measured
            .reasons
            .iter()
            .find(|reason| reason.code == ReasonCode::TraceFileUnreadable)
            .cloned(),
        remarks: measured.remarks.clone(),
        trace_digest: measured.trace_sha256,
    };
    for (of, found) in setting.transitions.iter().zip(&measured.transitions) {
        let response = Response::from(&found.peak);
        match of.part {
            TransitionPart::InternalStandard { standard } => compact.standards[standard] = response,
            TransitionPart::Quantifier { analyte } => compact.analytes[analyte].quantifier = response,
            TransitionPart::Qualifier { analyte, qualifier } => {
                compact.analytes[analyte].qualifiers[qualifier] = response;
            }
        }
    }
    compact
}
