//! May a spot be extracted, and why not: rules over measures, each with its value, its limit and the room left.
//!
//! No learned score, no hidden weighing: a spot is unsuitable when one rule rejects it, suitable with comment when one
//! rule comments, else suitable. Accepting a bad spot is the costly error (EV-14), so each limit has a band before it in
//! which a person is asked.

mod card;
mod ledger;
mod rules;

pub use card::{CardSpots, judge_card};

use crate::haematocrit;
use crate::site::{self, NoSite};
use crate::spot::SpotSettings;
use crate::spot::grid::Grid;
use crate::spot::measure::Evidence;
use crate::spot::polygon;
use crate::volume;
use ledger::Ledger;
use spotwright_domain::card::{Finding, SpotLimits, SpotReason, SpotReasonCode, SpotRecord, Suitability};
use spotwright_domain::reason::Severity;

/// Tolerance to which outlines are kept (mm).
const OUTLINE_TOLERANCE_MM: f64 = 0.02;

/// A record of a measured spot.
pub(crate) fn judge_spot(
    index: u32,
    expected_centre_mm: Option<[f64; 2]>,
    grid: &Grid,
    evidence: Evidence,
    limits: &SpotLimits,
    settings: &SpotSettings,
) -> SpotRecord {
    let mut ledger = Ledger::default();
    let site = site::choose(&evidence, grid, settings.head_diameter_mm, limits);
    rules::apply(&evidence, site.as_ref().ok(), limits, settings, &mut ledger);
    if let Err(why) = &site {
        no_site(why, &evidence, settings, &mut ledger);
    }
    let (haematocrit, of_haematocrit) =
        haematocrit::estimate(evidence.measures.density, &settings.haematocrit, limits);
    let (volume, of_volume) = volume::volume_of(
        &evidence.measures,
        settings.head_diameter_mm,
        &settings.volume,
        haematocrit.as_ref(),
        limits,
    );
    ledger.reasons.extend(of_haematocrit);
    ledger.reasons.extend(of_volume);
    let unreadable = evidence.measures.unreadable_share_pct > limits.max_unreadable_share_pct;
    let mut record = SpotRecord {
        index,
        expected_centre_mm,
        finding: if unreadable {
            Finding::NotMeasurable
        } else {
            Finding::Measured
        },
        side: settings.side,
        suitability: Suitability::Suitable,
        reasons: ledger.reasons,
        margins: ledger.margins,
        use_order: None,
        site: site.ok(),
        volume,
        haematocrit,
        outline_mm: polygon::simplified(&evidence.outline_mm, OUTLINE_TOLERANCE_MM),
        measures: Some(evidence.measures),
    };
    settle(&mut record);
    record
}

fn no_site(why: &NoSite, evidence: &Evidence, settings: &SpotSettings, ledger: &mut Ledger) {
    let head = settings.head_diameter_mm;
    let widest = evidence.measures.inscribed_diameter_mm;
    let (measured, text) = match why {
        NoSite::TooNarrow(_) => (
            Some(widest),
            format!(
                "The largest circle inside the spot is {widest:.2} mm wide; the head needs {head:.1} mm: it would take bare paper. \
                 Use another spot."
            ),
        ),
        NoSite::NoUniformZone => (
            None,
            format!(
                "Wherever a disc of {head:.1} mm fits, it would hold part of a hole, a scratch or an island. Use another spot."
            ),
        ),
    };
    ledger.reasons.push(SpotReason {
        code: SpotReasonCode::NoExtractionSite,
        rule: "EV-16".into(),
        severity: Severity::Reject,
        measured,
        limit: Some(head),
        unit: "mm".into(),
        beyond: measured.map(|m| head - m),
        text,
    });
}

/// Orders reasons and draws the conclusion from them.
pub(crate) fn settle(record: &mut SpotRecord) {
    record
        .reasons
        .sort_by(|a, b| b.severity.cmp(&a.severity).then(a.code.cmp(&b.code)));
    record.suitability = match spotwright_domain::card::heaviest_spot_reason(&record.reasons) {
        Some(Severity::Reject) => Suitability::Unsuitable,
        Some(Severity::Comment) => Suitability::SuitableWithComment,
        Some(Severity::Note) | None => Suitability::Suitable,
    };
}

/// The record of an empty place.
pub(crate) fn empty(
    place: (u32, [f64; 2]),
    limits: &SpotLimits,
    settings: &SpotSettings,
    unreadable_pct: f64,
) -> SpotRecord {
    if unreadable_pct > limits.max_unreadable_share_pct {
        return not_measurable(
            place,
            limits,
            settings,
            "the photograph is burnt out there or does not show it",
        );
    }
    let mut record = blank(place, settings, Finding::Empty);
    record.reasons.push(SpotReason {
        code: SpotReasonCode::NoBlood,
        rule: "SPOT-01(8)".into(),
        severity: Severity::Reject,
        measured: None,
        limit: None,
        unit: "1".into(),
        beyond: None,
        text: "No blood at this place.".into(),
    });
    settle(&mut record);
    record
}

/// The record of a place that cannot be measured.
pub(crate) fn not_measurable(
    place: (u32, [f64; 2]),
    _limits: &SpotLimits,
    settings: &SpotSettings,
    why: &str,
) -> SpotRecord {
    let mut record = blank(place, settings, Finding::NotMeasurable);
    record.reasons.push(SpotReason {
        code: SpotReasonCode::NotMeasurable,
        rule: "EV 2.3".into(),
        severity: Severity::Reject,
        measured: None,
        limit: None,
        unit: "1".into(),
        beyond: None,
        text: format!("Cannot be measured: {why}. Take the photograph again."),
    });
    settle(&mut record);
    record
}

fn blank(place: (u32, [f64; 2]), settings: &SpotSettings, finding: Finding) -> SpotRecord {
    SpotRecord {
        index: place.0,
        expected_centre_mm: Some(place.1),
        finding,
        side: settings.side,
        measures: None,
        suitability: Suitability::Unsuitable,
        reasons: vec![],
        margins: vec![],
        use_order: None,
        site: None,
        volume: None,
        haematocrit: None,
        outline_mm: vec![],
    }
}

/// Adds what the back of the card says of a spot: area of the back over that of the front (SPOT-01 9, EV 2.3).
pub fn judge_back(front: &mut SpotRecord, back: &SpotRecord, limits: &SpotLimits) {
    let Some(front_area) = front.measures.as_ref().map(|m| m.area_mm2) else {
        return;
    };
    let back_area = back.measures.as_ref().map_or(0.0, |m| m.area_mm2);
    let mut ledger = Ledger::default();
    ledger.at_least(
        SpotReasonCode::NotSoakedThrough,
        "SPOT-01(9)",
        ("back_to_front", "1"),
        back_area / front_area,
        limits.review_back_to_front,
        limits.min_back_to_front,
        |measured, limit| {
            format!(
                "The back shows {:.0} % of the front's area ({:.0} % wanted): the blood did not soak through. Use another spot.",
                100.0 * measured,
                100.0 * limit
            )
        },
    );
    front.reasons.append(&mut ledger.reasons);
    front.margins.append(&mut ledger.margins);
    settle(front);
}
