//! What the request says about the card (SPOT-01, DBS-02, DBS-08, practice §7 case 2).

use crate::instant::unix_seconds;
use crate::limit::{at_most, same};
use crate::sentence::{NO_NUMBERS, against, figures, reason, stated, unknown_against};
use spotwright_domain::identifier::CardId;
use spotwright_domain::method::ValidatedRanges;
use spotwright_domain::reason::{Reason, ReasonCode, Severity};
use spotwright_domain::request::Request;

/// Seconds in a day.
const DAY_S: f64 = 86_400.0;

/// Reasons a card gives; `request` is `None` when the card is not in the requests.
pub(crate) fn card_reasons(
    card: &CardId,
    request: Option<&Request>,
    injected_at_unix_s: Option<i64>,
    validated: &ValidatedRanges,
) -> Vec<Reason> {
    let Some(request) = request else {
        return vec![reason(
            ReasonCode::RequestMissing,
            "SPOT-01",
            Severity::Comment,
            NO_NUMBERS,
            format!("Card {card} is in no request: find out whose it is before anything is reported."),
        )];
    };
    let mut reasons = Vec::new();
    reasons.extend(haematocrit_reason(request.haematocrit, validated));
    reasons.extend(time_reasons(request, injected_at_unix_s));
    reasons.extend(age_reason(request, injected_at_unix_s, validated));
    reasons
}

fn haematocrit_reason(haematocrit: Option<f64>, validated: &ValidatedRanges) -> Option<Reason> {
    let [low, high] = validated.haematocrit?;
    let Some(found) = haematocrit else {
        return Some(reason(
            ReasonCode::HaematocritUnknown,
            "DBS-02",
            Severity::Comment,
            NO_NUMBERS,
            "The haematocrit is unknown: the effect of the blood on the spot cannot be judged, so say so on the report.".to_owned(),
        ));
    };
    if (low..=high).contains(&found) || same(found, low) || same(found, high) {
        return None;
    }
    let limit = if found < low { low } else { high };
    Some(reason(
        ReasonCode::HaematocritOutsideRange,
        "DBS-02",
        Severity::Comment,
        against(found, limit, "L/L"),
        format!(
            "The haematocrit is {}, the method was validated from {} to {}: report uncorrected with this limit stated, or ask for a venous sample.",
            figures(found),
            stated(low),
            stated(high)
        ),
    ))
}

fn time_reasons(request: &Request, injected_at_unix_s: Option<i64>) -> Vec<Reason> {
    let collected = request
        .collected_at_unix_s
        .or_else(|| request.collected_at.as_deref().and_then(unix_seconds));
    let last_dose = request.last_dose_at.as_deref().and_then(unix_seconds);
    let received = request.received_at.as_deref().and_then(unix_seconds);
    let contradiction = |severity, hours: f64, text: String| {
        reason(
            ReasonCode::TimesContradict,
            "SPOT-01",
            severity,
            crate::sentence::measured(hours, "h"),
            text,
        )
    };
    let hours_between = |early: i64, late: i64| (early - late) as f64 / 3600.0;
    let mut reasons = Vec::new();
    if let (Some(collected), Some(received)) = (collected, received)
        && collected > received
    {
        let hours = hours_between(collected, received);
        reasons.push(contradiction(
            Severity::Reject,
            hours,
            format!("The spot was collected {} h after the card was received: hold the result and check whose card it is.", figures(hours)),
        ));
    } else if request.age_at_receipt_d.is_some_and(|age| age < 0.0) {
        let hours = -24.0 * request.age_at_receipt_d.unwrap_or(0.0);
        reasons.push(contradiction(
            Severity::Reject,
            hours,
            format!("The spot was collected {} h after the card was received: hold the result and check whose card it is.", figures(hours)),
        ));
    } else if let (Some(collected), Some(injected)) = (collected, injected_at_unix_s)
        && collected > injected
    {
        let hours = hours_between(collected, injected);
        reasons.push(contradiction(
            Severity::Reject,
            hours,
            format!("The spot was collected {} h after it was injected: hold the result and check whose card it is.", figures(hours)),
        ));
    }
    match (last_dose, collected) {
        (Some(dose), Some(collected)) if dose > collected => {
            let hours = hours_between(dose, collected);
            reasons.push(contradiction(
                Severity::Comment,
                hours,
                format!("The last dose is noted {} h after collection: report without interpretation until the times are cleared up.", figures(hours)),
            ));
        }
        _ => {}
    }
    if request.last_dose_at.is_none() {
        reasons.push(reason(
            ReasonCode::LastDoseTimeMissing,
            "SPOT-01",
            Severity::Comment,
            NO_NUMBERS,
            "The time of the last dose is missing: report without interpretation, never assume a trough."
                .to_owned(),
        ));
    }
    reasons
}

fn age_reason(
    request: &Request,
    injected_at_unix_s: Option<i64>,
    validated: &ValidatedRanges,
) -> Option<Reason> {
    let limit = validated.card_age_max_d?;
    let at_injection = request
        .collected_at_unix_s
        .zip(injected_at_unix_s)
        .map(|(collected, injected)| (injected - collected) as f64 / DAY_S);
    // Without the time of injection the age at receipt is the least the age can be.
    let Some(age) = at_injection.or(request.age_at_receipt_d) else {
        return Some(reason(
            ReasonCode::CardTooOld,
            "DBS-08",
            Severity::Comment,
            unknown_against(limit, "d"),
            format!(
                "The age of the spot is unknown, the method was validated up to {} days: find the collection time.",
                stated(limit)
            ),
        ));
    };
    if age <= 0.0 || at_most(age, limit) {
        return None;
    }
    Some(reason(
        ReasonCode::CardTooOld,
        "DBS-08",
        Severity::Reject,
        against(age, limit, "d"),
        format!(
            "The spot is {} days old, the method was validated up to {} days: ask for a new card.",
            figures(age),
            stated(limit)
        ),
    ))
}
