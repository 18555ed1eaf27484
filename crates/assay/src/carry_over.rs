//! How much of an injection stays behind for the next ones, and what that does to each sample (M10-12, PR-24, EV-34).
//!
//! The share left after k places is estimated from blanks that follow a strong injection with only blanks between:
//! least squares through zero of the blank's area on the strong one's, weighted by the blank's noise. What every blank of
//! the run shows (interference, cross-talk) is taken off first when it stands out of the noise. Later places whose own
//! blank shows nothing clear take 30 % of the place before (the slow tail's upper end, common practice, no source).

use crate::input::AssayInjection;
use crate::response_ratio::{uncertainty, usable_area};
use crate::run::{Run, is_blank};
use spotwright_domain::injection::SampleRole;

/// Places after a strong injection that are looked at (EV-34).
const PLACES: usize = 3;
/// Tail of a place whose own blank shows nothing clear.
const TAIL: f64 = 0.3;
/// A later place's own share counts when it is this many times its standard uncertainty.
const CLEAR_TAIL: f64 = 3.0;
/// A line carries over for sure when its share is this many times its standard uncertainty (chance: one run in 30 000).
const SURE_LINE: f64 = 4.0;
/// A sample's share is above the limit for sure when it is so by this many standard uncertainties (chance: one in 4000, and only after a strong one).
const SURE_SAMPLE: f64 = 3.5;
/// The same after an injection stronger than anything a blank followed: the passing blank says nothing about it, so less doubt
/// is needed to inject again.
const SURE_BEYOND_BLANKS: f64 = 1.0;
/// How much stronger counts as stronger.
const BEYOND: f64 = 1.2;
/// An injection this many times the LLOQ response is strong enough to learn from.
const STRONG: f64 = 5.0;

/// Shares of an injection's response found in the following ones.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CarryOver {
    /// Share left one, two and three places later, at least 0.
    pub shares: [f64; PLACES],
    /// Their standard uncertainties.
    pub uncertainties: [f64; PLACES],
    /// The strongest response a blank followed (counts·s).
    pub strongest_counts_s: f64,
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
    /// The immediate predecessor is stronger than anything a blank of the run followed: no blank vouches for it.
    pub beyond_blanks: bool,
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
    let mut measured = false;
    let mut strongest_counts_s = 0.0_f64;
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
                if lag == 1 {
                    strongest_counts_s = strongest_counts_s.max(strong);
                }
                cross += strong * (blank - floor) / (noise * noise);
                square += strong * strong / (noise * noise);
            }
        }
        let own = (square > 0.0).then(|| ((cross / square).max(0.0), 1.0 / square.sqrt()));
        let clear = own.filter(|(share, noise)| lag == 1 || *share > CLEAR_TAIL * noise);
        let tail = (lag > 1).then(|| (TAIL * shares[lag - 2], TAIL * uncertainties[lag - 2]));
        if let Some((share, noise)) = clear.or(tail) {
            shares[lag - 1] = share;
            uncertainties[lag - 1] = noise;
        }
        measured |= lag == 1 && own.is_some();
    }
    measured.then_some(CarryOver {
        shares,
        uncertainties,
        strongest_counts_s,
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
        let mut beyond_blanks = false;
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
            beyond_blanks |= lag == 1 && area > BEYOND * self.strongest_counts_s;
            let size = area / own_area;
            share += self.shares[lag - 1] * size;
            variance += (self.uncertainties[lag - 1] * size) * (self.uncertainties[lag - 1] * size);
        }
        any.then(|| CarryOverShare {
            share_pct: 100.0 * share,
            standard_uncertainty_pct: 100.0 * variance.sqrt(),
            clearness: self.shares[0] / self.uncertainties[0],
            beyond_blanks,
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
    /// Judges the share. Too large: above the limit, and either the line carries over for sure or the share's own noise cannot
    /// explain it. In doubt otherwise: the blanks of a line with little signal at the LLOQ cannot show a small share.
    #[must_use]
    pub fn judge(&self, limit_pct: f64) -> CarryOverFinding {
        let sure = if self.beyond_blanks {
            SURE_BEYOND_BLANKS
        } else {
            SURE_SAMPLE
        };
        if self.share_pct <= limit_pct {
            CarryOverFinding::Small
        } else if self.clearness >= SURE_LINE
            || self.share_pct - sure * self.standard_uncertainty_pct > limit_pct
        {
            CarryOverFinding::TooLarge
        } else {
            CarryOverFinding::Doubtful
        }
    }
}
