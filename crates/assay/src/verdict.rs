//! From reasons to a verdict and the next step. The machine proposes, a person decides.

use spotwright_domain::matrix::MatrixKind;
use spotwright_domain::reason::{Reason, ReasonCode, Severity, heaviest};
use spotwright_domain::record::{NextStep, ResultVerdict};

/// The verdict of a person's sample.
#[must_use]
pub fn verdict(reasons: &[Reason]) -> ResultVerdict {
    match heaviest(reasons) {
        Some(Severity::Reject) => ResultVerdict::NotReportable,
        Some(Severity::Comment) => ResultVerdict::ReportableWithComment,
        Some(Severity::Note) | None => ResultVerdict::Reportable,
    }
}

/// What can be done about a sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Means {
    /// What was measured: an extraction uses up the middle of a dried spot, liquid can be taken again.
    pub matrix: MatrixKind,
    /// Whether a validated dilution brings the sample into range.
    pub can_dilute: bool,
}

/// The next step: the one that the weightiest reasons ask for; among them the one that takes most.
#[must_use]
pub fn next_step(reasons: &[Reason], means: Means) -> NextStep {
    let heavy = heaviest(reasons);
    reasons
        .iter()
        .filter(|reason| Some(reason.severity) == heavy)
        .map(|reason| step_of(reason, means))
        .max_by_key(|step| effort(*step))
        .unwrap_or(NextStep::Report)
}

/// A step that replaces the others comes after them: a new card makes dilution pointless, a second spot a repeat.
fn effort(step: NextStep) -> u8 {
    match step {
        NextStep::None => 0,
        NextStep::Report => 1,
        NextStep::Review => 2,
        NextStep::Repeat => 3,
        NextStep::Dilute => 4,
        NextStep::SecondSpot => 5,
        NextStep::Refuse => 6,
    }
}

fn step_of(reason: &Reason, means: Means) -> NextStep {
    use ReasonCode as Code;
    if reason.severity == Severity::Note {
        return NextStep::Report;
    }
    let rejects = reason.severity == Severity::Reject;
    match reason.code {
        Code::CardTooOld if rejects => NextStep::Refuse,
        Code::DilutionNotValidated => NextStep::Refuse,
        Code::AboveUpperLimit => {
            if means.can_dilute {
                NextStep::Dilute
            } else {
                NextStep::Refuse
            }
        }
        Code::DetectorSaturated if means.can_dilute => NextStep::Dilute,
        // What went wrong before or during extraction needs a new extraction …
        Code::InternalStandardAbsent
        | Code::RunRejected
        | Code::OutsideBrackets
        | Code::SubBatchWithoutControls
        | Code::TooFewControlsPass
        | Code::BelowLowerLimit
        | Code::DuplicatesDisagree => extract_again(means),
        Code::InternalStandardOutsideLimits if rejects => extract_again(means),
        // … what went wrong at the injection, another injection.
        Code::TraceFileUnreadable
        | Code::TraceMissing
        | Code::SameTraceTwice
        | Code::CarryOverFromPredecessor
        | Code::DilutionControlMissing
        | Code::DilutionControlFails
        | Code::PeakSplit
        | Code::PeakMissing
            if rejects =>
        {
            NextStep::Repeat
        }
        _ => NextStep::Review,
    }
}

fn extract_again(means: Means) -> NextStep {
    match means.matrix {
        MatrixKind::DriedBlood => NextStep::SecondSpot,
        MatrixKind::WholeBlood | MatrixKind::Plasma => NextStep::Repeat,
    }
}
