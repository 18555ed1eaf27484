//! The photograph after extraction: held against the one before.

use super::LookOptions;
use super::one::{damaged, problem, unreadable};
use spotwright_card::after::{SpotPair, compare_after};
use spotwright_card::{CardView, SpotWindow, look_at_photo};
use spotwright_domain::card::{
    AfterRecord, Barcode, CardRecord, ExtractionRecord, Identity, LookRecord, PhotoProblemCode, SpotReason,
    SpotReasonCode, SpotRecord, Suitability,
};
use spotwright_domain::digest::Digest;
use spotwright_domain::reason::Severity;
use std::path::Path;

/// What is kept of the first photograph.
pub(super) struct Before {
    pub(super) layout: Option<usize>,
    pub(super) windows: Vec<SpotWindow>,
}

/// Looks at the photograph after extraction. Whatever is wrong with it is part of the record.
pub(super) fn look_at_after(
    path: &Path,
    before: &Before,
    first: &LookRecord,
    options: &LookOptions,
) -> AfterRecord {
    let mut record = AfterRecord {
        file: path
            .file_name()
            .map_or_else(String::new, |name| name.to_string_lossy().into_owned()),
        sha256: None,
        problems: Vec::new(),
        extraction: None,
    };
    let bytes = match super::read(path) {
        Ok(bytes) => bytes,
        Err(error) => {
            record.problems.push(unreadable(&error));
            return record;
        }
    };
    record.sha256 = Some(Digest::of_bytes(&bytes).to_string());
    let view = match look_at_photo(&bytes, &options.layouts, &options.photo) {
        Ok(view) => view,
        Err(error) => {
            record.problems.push(damaged(&error));
            return record;
        }
    };
    record.problems.clone_from(&view.problems);
    let Some(card) = &first.card else {
        return record;
    };
    let other_name = other_name(&first.identity, &view.barcodes);
    if let Some([here, there]) = &other_name {
        record.problems.insert(
            0,
            problem(
                PhotoProblemCode::CodeConflict,
                "SPOT-01 (administrative)",
                format!("The code after extraction says {here}, the card before is {there}."),
            ),
        );
    }
    if view.windows.is_empty() && other_name.is_none() {
        return record;
    }
    let mut extraction = compared(before, &view, card, options);
    if let Some([here, there]) = other_name {
        name_other_card(&mut extraction, &here, &there);
    }
    record.extraction = Some(extraction);
    record
}

/// A code on the second photograph that names another card than the first.
fn other_name(first: &Identity, codes: &[Barcode]) -> Option<[String; 2]> {
    let (Identity::Agreed { card, .. } | Identity::NotConfirmed { card: Some(card) }) = first else {
        return None;
    };
    let other = codes.iter().find(|code| code.text.trim() != card.trim())?;
    Some([other.text.clone(), card.clone()])
}

fn compared(
    before: &Before,
    after: &CardView<'_>,
    card: &CardRecord,
    options: &LookOptions,
) -> ExtractionRecord {
    let same_layout = before.layout == after.layout;
    let windows = |spot: &SpotRecord| {
        // A card without circles has one window that holds every spot.
        let of = |all: &[SpotWindow]| {
            all.iter()
                .position(|window| window.circle.is_none() || window.circle == Some(spot.index))
        };
        Some((of(&before.windows)?, of(&after.windows)?))
    };
    let pairs: Vec<SpotPair<'_>> = card
        .spots
        .iter()
        .filter(|spot| same_layout && spot.measures.is_some())
        .filter_map(|spot| {
            let (first, second) = windows(spot)?;
            Some(SpotPair {
                before: &before.windows[first].patch,
                after: &after.windows[second].patch,
                spot,
            })
        })
        .collect();
    let head = options.spots.head_diameter_mm;
    let planned = card.use_order.first().copied();
    // Where no spot could be used no plan was made, and a disc from any of them is not from a wrong one.
    let assumed = planned
        .or_else(|| pairs.first().map(|pair| pair.spot.index))
        .unwrap_or(1);
    let found = compare_after(&pairs, assumed, head, &options.limits);
    match found.taken_spot {
        Some(taken) if planned.is_none() && taken != assumed => {
            compare_after(&pairs, taken, head, &options.limits)
        }
        _ => found,
    }
}

/// The code outweighs what the spots look like: two good cards look alike.
fn name_other_card(of: &mut ExtractionRecord, here: &str, there: &str) {
    of.reasons
        .retain(|reason| reason.code != SpotReasonCode::WrongCard);
    of.reasons.insert(
        0,
        SpotReason {
            code: SpotReasonCode::WrongCard,
            rule: "EV-22".to_owned(),
            severity: Severity::Reject,
            measured: None,
            limit: None,
            unit: "1".to_owned(),
            beyond: None,
            text: format!(
                "The code after extraction says {here}, the card before is {there}: this is another card. Check the rack: were \
                 cards shifted by one place?"
            ),
        },
    );
    of.suitability = Suitability::Unsuitable;
}
