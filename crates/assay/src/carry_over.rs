//! How much of an injection stays behind for the next ones, and what that does to each sample (M10-12, PR-24, EV-34).
//!
//! The share left after k places is estimated from blanks that follow a strong injection with only blanks between:
//! least squares through zero of the blank's area on the strong one's, weighted by the blank's noise. What every blank of
//! the run shows (interference, cross-talk) is taken off first when it stands out of the noise. Places without a
//! blank of their own take 30 % of the place before (the slow tail's upper end, common practice, no source).

use crate::input::AssayInjection;
use crate::response_ratio::{uncertainty, usable_area};
use crate::run::{Run, is_blank};
use spotwright_domain::injection::SampleRole;

/// Places after a strong injection that are looked at (EV-34).
const PLACES: usize = 3;
/// Tail of a place without a blank of its own.
const TAIL: f64 = 0.3;
/// An injection this many times the LLOQ response is strong enough to learn from.
const STRONG: f64 = 5.0;

/// Shares of an injection's response found in the following ones.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CarryOver {
    /// Share left one, two and three places later, at least 0.
    pub shares: [f64; PLACES],
    /// Their standard uncertainties.
    pub uncertainties: [f64; PLACES],
}

/// Carry-over into one sample, against the sample's own response.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CarryOverShare {
    /// Expected share (%).
    pub share_pct: f64,
    /// Its standard uncertainty (%).
    pub standard_uncertainty_pct: f64,
    /// Share of the immediate predecessor over its own uncertainty: how surely the line carries over at all.
    pub clearness: f64,
}

/// Estimates the shares; `None` when no blank follows a strong injection. `lloq_area` is the mean response of the lowest
/// accepted calibrators (counts·s).
pub(crate) fn estimate(
    injections: &[AssayInjection],
    run: &Run,
    analyte: usize,
    lloq_area: f64,
) -> Option<CarryOver> {
    let area = |position: usize| {
        let response = &injections[position].analytes.get(analyte)?.quantifier;
        usable_area(response).map(|area| (area, uncertainty(response).max(1e-3 * lloq_area)))
    };
    let floor = background(injections, run, &area, lloq_area);
    let mut shares = [0.0; PLACES];
    let mut uncertainties = [0.0; PLACES];
    let mut measured = [false; PLACES];
    for lag in 1..=PLACES {
        let (mut cross, mut square) = (0.0, 0.0);
        for position in run
            .sequence
            .iter()
            .copied()
            .filter(|p| is_blank(injections[*p].injection.role))
        {
            let Some(source) = run.before(position, lag) else {
                continue;
            };
            let only_blanks_between = (1..lag).all(|step| {
                run.before(position, step)
                    .is_some_and(|p| is_blank(injections[p].injection.role))
            });
            let (Some((blank, noise)), Some((strong, _))) = (area(position), area(source)) else {
                continue;
            };
            if only_blanks_between
                && !is_blank(injections[source].injection.role)
                && strong >= STRONG * lloq_area
            {
                cross += strong * (blank - floor) / (noise * noise);
                square += strong * strong / (noise * noise);
            }
        }
        if square > 0.0 {
            measured[lag - 1] = true;
            shares[lag - 1] = (cross / square).max(0.0);
            uncertainties[lag - 1] = 1.0 / square.sqrt();
        } else if lag > 1 {
            shares[lag - 1] = TAIL * shares[lag - 2];
            uncertainties[lag - 1] = TAIL * uncertainties[lag - 2];
        }
    }
    measured[0].then_some(CarryOver {
        shares,
        uncertainties,
    })
}

/// What blanks show that follow nothing strong, when it stands out of the noise; else 0.
fn background(
    injections: &[AssayInjection],
    run: &Run,
    area: &dyn Fn(usize) -> Option<(f64, f64)>,
    lloq_area: f64,
) -> f64 {
    let (mut sum, mut weight) = (0.0, 0.0);
    for position in run.sequence.iter().copied() {
        let role = injections[position].injection.role;
        let quiet = (1..=PLACES).all(|lag| {
            run.before(position, lag)
                .and_then(area)
                .is_none_or(|(strong, _)| strong < STRONG * lloq_area)
        });
        if let (SampleRole::DoubleBlank | SampleRole::Zero, true, Some((blank, noise))) =
            (role, quiet, area(position))
        {
            sum += blank / (noise * noise);
            weight += 1.0 / (noise * noise);
        }
    }
    if weight > 0.0 && sum / weight > 3.0 / weight.sqrt() {
        sum / weight
    } else {
        0.0
    }
}

impl CarryOver {
    /// Carry-over into the injection at `position` from the injections actually before it; `None` when its own response or
    /// all of theirs are unknown.
    pub(crate) fn share_of_sample(
        &self,
        injections: &[AssayInjection],
        run: &Run,
        position: usize,
        analyte: usize,
    ) -> Option<CarryOverShare> {
        let own = &injections[position].analytes.get(analyte)?.quantifier;
        let own_area = usable_area(own).filter(|area| own.found() && *area > 0.0)?;
        let (mut share, mut variance, mut any) = (0.0, 0.0, false);
        for lag in 1..=PLACES {
            let Some(source) = run.before(position, lag) else {
                break;
            };
            let Some(response) = injections[source].analytes.get(analyte).map(|a| &a.quantifier) else {
                continue;
            };
            let Some(area) = usable_area(response).filter(|area| response.found() && *area > 0.0) else {
                continue;
            };
            any = true;
            let size = area / own_area;
            share += self.shares[lag - 1] * size;
            variance += (self.uncertainties[lag - 1] * size) * (self.uncertainties[lag - 1] * size);
        }
        any.then(|| CarryOverShare {
            share_pct: 100.0 * share,
            standard_uncertainty_pct: 100.0 * variance.sqrt(),
            clearness: self.shares[0] / self.uncertainties[0],
        })
    }
}

/// What a sample's carry-over comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CarryOverFinding {
    /// Within the limit.
    Small,
    /// May be above the limit, but the blanks are too noisy to say.
    Doubtful,
    /// Above the limit.
    TooLarge,
}

impl CarryOverShare {
    /// Judges the share. Too large: above the limit, and either the line is known to carry over (three standard uncertainties)
    /// or the share's own noise (one-sided 95 %) cannot explain it. In doubt otherwise, when the estimate is above the limit.
    #[must_use]
    pub fn judge(&self, limit_pct: f64) -> CarryOverFinding {
        if self.share_pct <= limit_pct {
            CarryOverFinding::Small
        } else if self.clearness >= 3.0 || self.share_pct - 1.645 * self.standard_uncertainty_pct > limit_pct
        {
            CarryOverFinding::TooLarge
        } else {
            CarryOverFinding::Doubtful
        }
    }
}
