//! A card's spots together: which first, which second, and what the card allows (EV-11).

use super::settle;
use crate::spot::polygon;
use spotwright_domain::card::{
    CardRecord, CardUse, SpotLimits, SpotReason, SpotReasonCode, SpotRecord, Suitability,
};
use spotwright_domain::reason::Severity;

/// The spots of one card, judged together.
pub type CardSpots = CardRecord;

/// Orders the spots of a card: suitable before commented, then the widest margin of the site, then the order on the card.
///
/// Spots that were found to touch mark each other: blood of one may have run into the other.
#[must_use]
pub fn judge_card(mut spots: Vec<SpotRecord>, limits: &SpotLimits) -> CardRecord {
    mark_touching(&mut spots, limits);
    let mut usable: Vec<usize> = (0..spots.len())
        .filter(|&k| spots[k].suitability != Suitability::Unsuitable && spots[k].site.is_some())
        .collect();
    usable.sort_by(|&a, &b| {
        let key = |k: usize| spots[k].suitability;
        // Margins within 0.25 mm of one another are the same: the printed order decides, whatever the photograph.
        let margin = |k: usize| {
            let margin = spots[k].site.map_or(0.0, |s| s.margin_mm).min(1.0);
            libm::floor(margin / 0.25) as i64
        };
        key(a)
            .cmp(&key(b))
            .then(margin(b).cmp(&margin(a)))
            .then(spots[a].index.cmp(&spots[b].index))
    });
    for spot in &mut spots {
        spot.use_order = None;
    }
    for (place, &k) in usable.iter().enumerate() {
        spots[k].use_order = Some(place as u32 + 1);
    }
    let usable_count = usable.len();
    let mut reasons = Vec::new();
    if usable_count == 0 {
        reasons.push(SpotReason {
            code: SpotReasonCode::NoExtractionSite,
            rule: "EV-11".into(),
            severity: Severity::Reject,
            measured: Some(0.0),
            limit: Some(1.0),
            unit: "1".into(),
            beyond: Some(1.0),
            text: "No spot of this card can be used: ask for a new card.".into(),
        });
    } else if usable_count == 1 {
        reasons.push(SpotReason {
            code: SpotReasonCode::NoExtractionSite,
            rule: "EV-11".into(),
            severity: Severity::Note,
            measured: Some(1.0),
            limit: Some(2.0),
            unit: "1".into(),
            beyond: Some(1.0),
            text: "Only one spot of this card can be used: no duplicate, nothing left for a repeat.".into(),
        });
    }
    CardRecord {
        use_order: usable.iter().map(|&k| spots[k].index).collect(),
        usable: match usable_count {
            0 => CardUse::None,
            1 => CardUse::Single,
            _ => CardUse::Duplicate,
        },
        reasons,
        spots,
    }
}

fn mark_touching(spots: &mut [SpotRecord], limits: &SpotLimits) {
    for a in 0..spots.len() {
        for b in 0..spots.len() {
            if a == b
                || spots[a]
                    .reasons
                    .iter()
                    .any(|r| r.code == SpotReasonCode::TouchesNeighbour)
            {
                continue;
            }
            let (Some(first), Some(second)) = (&spots[a].measures, &spots[b].measures) else {
                continue;
            };
            let apart = polygon::distance(first.centre_mm, second.centre_mm);
            let reach = 0.5
                * (first.equivalent_diameter_mm * first.extension
                    + second.equivalent_diameter_mm * second.extension);
            if apart > reach + limits.review_neighbour_gap_mm {
                continue;
            }
            let gap = outline_gap(&spots[a].outline_mm, &spots[b].outline_mm);
            let (severity, limit) = if gap < limits.min_neighbour_gap_mm {
                (Severity::Reject, limits.min_neighbour_gap_mm)
            } else if gap < limits.review_neighbour_gap_mm {
                (Severity::Comment, limits.review_neighbour_gap_mm)
            } else {
                continue;
            };
            let other = spots[b].index;
            spots[a].reasons.push(SpotReason {
                code: SpotReasonCode::TouchesNeighbour,
                rule: "SPOT-01(4)".into(),
                severity,
                measured: Some(gap),
                limit: Some(limit),
                unit: "mm".into(),
                beyond: Some(limit - gap),
                text: format!(
                    "Only {gap:.2} mm of paper to spot {other} ({limit:.1} mm wanted): blood of one may be in the other."
                ),
            });
            settle(&mut spots[a]);
        }
    }
}

fn outline_gap(a: &[[f64; 2]], b: &[[f64; 2]]) -> f64 {
    if a.len() < 3 || b.len() < 3 {
        return f64::INFINITY;
    }
    let one_way = |from: &[[f64; 2]], to: &[[f64; 2]]| {
        from.iter()
            .map(|p| polygon::distance_to(to, *p))
            .fold(f64::INFINITY, f64::min)
    };
    one_way(a, b).min(one_way(b, a))
}
