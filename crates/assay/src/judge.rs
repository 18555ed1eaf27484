//! A run, judged in two steps: run-level facts first, then each injection's results on demand.

use crate::analyte::{AnalyteFacts, acceptance, judge_analyte};
use crate::input::RunInput;
use crate::internal_standard::{KnownConcentrations, StandardFacts, examine};
use crate::limit::at_most;
use crate::measured::{Measured, measure};
use crate::result::{Context, result_of};
use crate::run::Run;
use crate::sentence::{NO_NUMBERS, against, figures, measured as number, reason, stated};
use spotwright_domain::injection::SampleRole;
use spotwright_domain::reason::{Reason, ReasonCode, Severity, heaviest};
use spotwright_domain::record::{Acceptance, ResultRecord, ResultVerdict, RunRecord, VerdictCounts};
use std::collections::BTreeMap;

/// Why a run cannot be judged at all.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum JudgeError {
    /// Nothing to judge.
    #[error("the run holds no injection")]
    NoInjections,
    /// Injections of two runs.
    #[error("injections of two runs were given: {first} and {other}")]
    SeveralRuns {
        /// Run of the first injection.
        first: String,
        /// Another run.
        other: String,
    },
    /// Two injections with one order number.
    #[error("order {order} stands twice in the run")]
    OrderTwice {
        /// The number.
        order: u32,
    },
    /// An injection's responses are not those of the method.
    #[error("injection {order} has {found} {what}, the method has {expected}")]
    Responses {
        /// Order of the injection.
        order: u32,
        /// What was counted.
        what: &'static str,
        /// How many the method has.
        expected: usize,
        /// How many the injection has.
        found: usize,
    },
}

/// A judged run: compact facts from which records are made on demand. It belongs to the input it was made from; every call
/// takes that same input.
#[derive(Debug, Clone, PartialEq)]
pub struct RunJudgement {
    run: Run,
    standards: Vec<StandardFacts>,
    analytes: Vec<AnalyteFacts>,
    record: RunRecord,
}

/// Judges a run.
///
/// # Errors
/// [`JudgeError`], when what was given is not one run of the method.
pub fn judge_run(input: &RunInput<'_>) -> Result<RunJudgement, JudgeError> {
    let mut judgement = judge_facts(input)?;
    for position in 0..input.injections.len() {
        if input.injections[position].injection.role != SampleRole::Patient {
            continue;
        }
        let results = judgement.results_of(input, position);
        judgement.count(&results);
    }
    Ok(judgement)
}

/// As [`judge_run`], but the record's verdicts are not counted yet: for callers that work out results on several threads, or keep
/// them. They hand the results of each patient's injection to [`RunJudgement::count`] once.
///
/// # Errors
/// As [`judge_run`].
pub fn judge_facts(input: &RunInput<'_>) -> Result<RunJudgement, JudgeError> {
    check(input)?;
    let run = Run::new(input);
    let evidence: Vec<Measured> = (0..input.method.analytes.len())
        .map(|analyte| measure(input, &run, analyte))
        .collect();
    let standards: Vec<StandardFacts> = (0..input.method.internal_standards.len())
        .map(|standard| examine_standard(input, &run, standard, &evidence))
        .collect();
    let analytes: Vec<AnalyteFacts> = evidence
        .iter()
        .map(|of| judge_analyte(input, &run, of, &standards[run.standard_of[of.analyte]]))
        .collect();
    let reasons = run_reasons(input, &run);
    Ok(RunJudgement {
        record: RunRecord {
            run: input.injections[0].injection.run.clone(),
            method: input.method.id.to_string(),
            method_version: input.method.version.clone(),
            method_sha256: String::new(),
            acceptance: run_acceptance(&analytes, &standards, &reasons),
            reasons,
            injections: input.injections.len() as u64,
            roles: roles(input),
            limit_overrides: input.method.limit_overrides.clone(),
            analytes: analytes.iter().map(|facts| facts.record.clone()).collect(),
            internal_standards: standards.iter().map(|facts| facts.record.clone()).collect(),
            verdicts: VerdictCounts::default(),
        },
        run,
        standards,
        analytes,
    })
}

impl RunJudgement {
    /// The run's record. `method_sha256` is the digest of the method file's bytes (hexadecimal), which this room never sees.
    #[must_use]
    pub fn run_record(&self, method_sha256: &str) -> RunRecord {
        RunRecord {
            method_sha256: method_sha256.to_owned(),
            ..self.record.clone()
        }
    }

    /// What became of the run.
    #[must_use]
    pub fn acceptance(&self) -> Acceptance {
        self.record.acceptance
    }

    /// Every analyte's result of the injection at `position` of `input.injections`, in the method's order. Pure: any order of
    /// calls, any thread.
    ///
    /// # Panics
    /// When `position` is not one of the input's.
    #[must_use]
    pub fn results_of(&self, input: &RunInput<'_>, position: usize) -> Vec<ResultRecord> {
        let context = Context {
            input,
            run: &self.run,
            standards: &self.standards,
            analytes: &self.analytes,
        };
        (0..self.analytes.len())
            .map(|analyte| result_of(context, position, analyte))
            .collect()
    }

    /// Counts the verdicts of one patient's injection.
    pub fn count(&mut self, results: &[ResultRecord]) {
        let counts = &mut self.record.verdicts;
        for result in results {
            match result.verdict {
                ResultVerdict::Reportable => counts.reportable += 1,
                ResultVerdict::ReportableWithComment => counts.reportable_with_comment += 1,
                ResultVerdict::NotReportable => counts.not_reportable += 1,
                ResultVerdict::NotApplicable => {}
            }
        }
    }

    /// Positions of the input in the order of injection.
    #[must_use]
    pub fn sequence(&self) -> &[usize] {
        &self.run.sequence
    }
}

fn check(input: &RunInput<'_>) -> Result<(), JudgeError> {
    let Some(first) = input.injections.first() else {
        return Err(JudgeError::NoInjections);
    };
    let mut orders = Vec::with_capacity(input.injections.len());
    for injection in input.injections {
        let line = &injection.injection;
        if line.run != first.injection.run {
            return Err(JudgeError::SeveralRuns {
                first: first.injection.run.to_string(),
                other: line.run.to_string(),
            });
        }
        let counted = |what, expected, found| {
            if expected == found {
                Ok(())
            } else {
                Err(JudgeError::Responses {
                    order: line.order,
                    what,
                    expected,
                    found,
                })
            }
        };
        let method = input.method;
        counted(
            "internal standards",
            method.internal_standards.len(),
            injection.standards.len(),
        )?;
        counted("analytes", method.analytes.len(), injection.analytes.len())?;
        for (of, responses) in method.analytes.iter().zip(&injection.analytes) {
            counted("qualifiers", of.qualifiers.len(), responses.qualifiers.len())?;
        }
        orders.push(line.order);
    }
    orders.sort_unstable();
    match orders.windows(2).find(|pair| pair[0] == pair[1]) {
        Some(pair) => Err(JudgeError::OrderTwice { order: pair[0] }),
        None => Ok(()),
    }
}

fn examine_standard(
    input: &RunInput<'_>,
    run: &Run,
    standard: usize,
    evidence: &[Measured],
) -> StandardFacts {
    let mut accepted = vec![false; input.injections.len()];
    let mut known = Vec::new();
    for of in evidence
        .iter()
        .filter(|of| run.standard_of[of.analyte] == standard)
    {
        let mut nominals = BTreeMap::new();
        if let Ok(settled) = &of.settled {
            let in_fit = of
                .calibrators
                .iter()
                .zip(&settled.used)
                .filter(|(_, used)| **used);
            nominals.extend(in_fit.map(|(calibrator, _)| (calibrator.position, calibrator.nominal)));
        }
        let passing = of.controls.iter().filter(|control| control.passes);
        nominals.extend(passing.map(|control| (control.position, control.nominal)));
        for position in nominals.keys() {
            accepted[*position] = true;
        }
        known.push(KnownConcentrations {
            index: of.analyte,
            analyte: input.method.analytes[of.analyte].name.as_str(),
            nominals,
        });
    }
    examine(input, run, standard, &accepted, &known)
}

fn run_reasons(input: &RunInput<'_>, run: &Run) -> Vec<Reason> {
    let mut reasons = Vec::new();
    if input.method.approval.is_none() {
        reasons.push(reason(
            ReasonCode::MethodNotApproved,
            "SAFE-04",
            Severity::Comment,
            NO_NUMBERS,
            format!(
                "Version {} of the method is not approved: nothing may be released before a named person approves it.",
                input.method.version
            ),
        ));
    }
    for changed in &input.method.limit_overrides {
        reasons.push(reason(
            ReasonCode::LimitChanged,
            "G-5",
            Severity::Note,
            against(changed.value, changed.default, "1"),
            format!(
                "The limit {} is {} instead of {}: {}.",
                changed.name,
                stated(changed.value),
                stated(changed.default),
                changed.reason.trim_end_matches('.')
            ),
        ));
    }
    for position in &run.sequence {
        if let Some(twin) = run.same_trace[*position].filter(|twin| run.rank[*twin] < run.rank[*position]) {
            reasons.push(reason(
                ReasonCode::SameTraceTwice,
                "PR-7.15",
                Severity::Comment,
                NO_NUMBERS,
                format!(
                    "Injections {} and {} hold the same bytes: neither counts until the right file is found.",
                    input.injections[twin].injection.order, input.injections[*position].injection.order
                ),
            ));
        }
    }
    let unreadable = input
        .injections
        .iter()
        .filter(|injection| injection.file_problem.is_some())
        .count();
    if unreadable > 0 {
        reasons.push(reason(
            ReasonCode::TraceFileUnreadable,
            "DI-18",
            Severity::Comment,
            number(unreadable as f64, "1"),
            format!(
                "{unreadable} of {} injections have no usable trace file: each is listed with its reason.",
                input.injections.len()
            ),
        ));
    }
    reasons.extend(manual_reason(input));
    reasons
}

fn manual_reason(input: &RunInput<'_>) -> Option<Reason> {
    let (mut peaks, mut manual) = (0_usize, 0_usize);
    for injection in input.injections {
        let of_analytes = injection
            .analytes
            .iter()
            .flat_map(|a| std::iter::once(&a.quantifier).chain(&a.qualifiers));
        for response in injection
            .standards
            .iter()
            .chain(of_analytes)
            .filter(|response| response.found())
        {
            peaks += 1;
            manual += usize::from(response.manual);
        }
    }
    let limit = input.method.limits.peak.max_manual_pct;
    let share = 100.0 * manual as f64 / peaks.max(1) as f64;
    (!at_most(share, limit)).then(|| {
        reason(
            ReasonCode::ManyManualIntegrations,
            "PR-35",
            Severity::Comment,
            against(share, limit, "%"),
            format!(
                "{manual} of {peaks} peaks ({} %) have limits set by hand, {} % is worth a look: the method has a problem.",
                figures(share), stated(limit)
            ),
        )
    })
}

/// Rejected when every analyte is; one analyte's rejection leaves the others standing (M10-24).
fn run_acceptance(analytes: &[AnalyteFacts], standards: &[StandardFacts], reasons: &[Reason]) -> Acceptance {
    if !analytes.iter().any(AnalyteFacts::stands) {
        return Acceptance::Rejected;
    }
    let of_standards = standards.iter().map(|facts| acceptance(&facts.record.reasons));
    let mut all = analytes
        .iter()
        .map(|facts| facts.record.acceptance)
        .chain(of_standards);
    if heaviest(reasons) >= Some(Severity::Comment)
        || all.any(|acceptance| acceptance != Acceptance::Accepted)
    {
        Acceptance::AcceptedWithComment
    } else {
        Acceptance::Accepted
    }
}

fn roles(input: &RunInput<'_>) -> Vec<(SampleRole, u64)> {
    SampleRole::ALL
        .into_iter()
        .map(|role| {
            let of_role = input
                .injections
                .iter()
                .filter(|injection| injection.injection.role == role)
                .count();
            (role, of_role as u64)
        })
        .filter(|(_, count)| *count > 0)
        .collect()
}
