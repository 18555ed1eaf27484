//! Measured values against limits: a reason when beyond, the room left always.

use spotwright_domain::card::{LimitMargin, SpotReason, SpotReasonCode};
use spotwright_domain::reason::Severity;

#[derive(Debug, Default)]
pub(crate) struct Ledger {
    pub(crate) reasons: Vec<SpotReason>,
    pub(crate) margins: Vec<LimitMargin>,
}

impl Ledger {
    /// A value that must not exceed `max`; above `review` a comment. `name`: what the limits are called after their
    /// prefix, and their unit.
    #[expect(
        clippy::too_many_arguments,
        reason = "one rule, every part of it named at the call"
    )]
    pub(crate) fn at_most(
        &mut self,
        code: SpotReasonCode,
        rule: &str,
        name: (&str, &str),
        measured: f64,
        review: f64,
        max: f64,
        text: impl Fn(f64, f64) -> String,
    ) {
        self.margin(&format!("max_{}", name.0), name.1, measured, max, max - measured);
        if review < max {
            self.margin(
                &format!("review_{}", name.0),
                name.1,
                measured,
                review,
                review - measured,
            );
        }
        let (severity, limit) = if measured > max {
            (Severity::Reject, max)
        } else if measured > review {
            (Severity::Comment, review)
        } else {
            return;
        };
        self.add(
            code,
            rule,
            severity,
            measured,
            limit,
            name.1,
            text(measured, limit),
        );
    }

    /// A value that must reach `min`; below `review` a comment.
    #[expect(
        clippy::too_many_arguments,
        reason = "one rule, every part of it named at the call"
    )]
    pub(crate) fn at_least(
        &mut self,
        code: SpotReasonCode,
        rule: &str,
        name: (&str, &str),
        measured: f64,
        review: f64,
        min: f64,
        text: impl Fn(f64, f64) -> String,
    ) {
        self.margin(&format!("min_{}", name.0), name.1, measured, min, measured - min);
        if review > min {
            self.margin(
                &format!("review_{}", name.0),
                name.1,
                measured,
                review,
                measured - review,
            );
        }
        let (severity, limit) = if measured < min {
            (Severity::Reject, min)
        } else if measured < review {
            (Severity::Comment, review)
        } else {
            return;
        };
        self.add(
            code,
            rule,
            severity,
            measured,
            limit,
            name.1,
            text(measured, limit),
        );
    }

    /// A reason with its numbers.
    #[expect(clippy::too_many_arguments, reason = "the fields of a reason")]
    pub(crate) fn add(
        &mut self,
        code: SpotReasonCode,
        rule: &str,
        severity: Severity,
        measured: f64,
        limit: f64,
        unit: &str,
        text: String,
    ) {
        // One reason of a kind: the heavier one stays.
        if let Some(same) = self.reasons.iter_mut().find(|r| r.code == code) {
            if same.severity >= severity {
                return;
            }
            self.reasons.retain(|r| r.code != code);
        }
        self.reasons.push(SpotReason {
            code,
            rule: rule.to_owned(),
            severity,
            measured: Some(measured),
            limit: Some(limit),
            unit: unit.to_owned(),
            beyond: Some((measured - limit).abs()),
            text,
        });
    }

    fn margin(&mut self, limit_name: &str, unit: &str, measured: f64, limit: f64, margin: f64) {
        self.margins.push(LimitMargin {
            limit_name: limit_name.to_owned(),
            measured,
            limit,
            unit: unit.to_owned(),
            margin,
        });
    }
}
