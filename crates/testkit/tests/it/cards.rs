//! The comparison itself: findings made from the truth are perfect, and each way of being wrong is seen.

use spotwright_simulate::card::{CardSetPlan, CardStudio, PhotoTruth, Suitability};
use spotwright_testkit::cards::{FoundPhoto, FoundSpot, compare};

fn truths() -> Vec<PhotoTruth> {
    let plan = CardSetPlan {
        width_px: Some(420),
        repeat: 2,
        ..CardSetPlan::new(3, 10)
    };
    let studio = CardStudio::new().unwrap();
    let photographs = (1..=plan.cards).flat_map(|number| studio.photographs(&plan, number).unwrap());
    photographs
        .map(|photograph| {
            let mut truth = photograph.truth;
            truth.camera.distortion = 0.0;
            truth
        })
        .collect()
}

/// What a perfect program would say.
fn perfect(truth: &PhotoTruth) -> FoundPhoto {
    let mut map = truth.camera.homography_px_per_mm;
    // Pixel centres at whole numbers.
    let scale = map[2];
    for row in &mut map[..2] {
        for (value, scale) in row.iter_mut().zip(scale) {
            *value -= 0.5 * scale;
        }
    }
    let spots = truth.spots.iter().map(|spot| FoundSpot {
        index: spot.index,
        centre_mm: spot.outline.map(|outline| outline.centroid_mm),
        area_mm2: spot.outline.map(|outline| outline.area_mm2),
        may_be_used: spot.expected <= Suitability::Marginal,
        reasons: spot
            .faults
            .iter()
            .map(|fault| fault.fault.word().to_owned())
            .collect(),
        site_mm: spot.outline.map(|outline| outline.inscribed_centre_mm),
    });
    FoundPhoto {
        file: truth.file.clone(),
        layout: Some(truth.layout.clone()),
        card_to_photo: Some(map.concat().try_into().unwrap()),
        codes: truth
            .barcodes
            .iter()
            .filter(|code| code.legible)
            .map(|code| code.text.clone())
            .collect(),
        problems: Vec::new(),
        // Where there is no card, nothing is returned.
        spots: (!truth.spots.is_empty()).then(|| spots.collect()),
    }
}

#[test]
fn a_perfect_program_has_no_errors_and_a_wrong_one_has() {
    let truths = truths();
    let mut found: Vec<FoundPhoto> = truths.iter().map(perfect).collect();
    let right = compare(&truths, &found);
    assert!(right.missing.is_empty() && right.mislocated.is_empty() && right.gross_accepted.is_empty());
    assert!(
        right
            .good_centre_mm
            .iter()
            .chain(&right.good_area_pct)
            .all(|error| error.abs() < 1e-9)
    );
    assert_eq!(right.false_refusals.hits, 0);
    assert!(right.false_refusals.all > 10 && right.gross > 1);
    assert_eq!(right.same_verdict.hits, right.same_verdict.all);
    for photo in &mut found {
        photo.codes.push("PM-00-000000".to_owned());
        let map = photo.card_to_photo.as_mut().unwrap();
        map[2] += 40.0 * map[8];
        for spot in photo.spots.iter_mut().flatten() {
            spot.may_be_used = !spot.may_be_used;
        }
    }
    let wrong = compare(&truths, &found);
    assert_eq!(wrong.mislocated.len(), wrong.located);
    assert_eq!(wrong.gross_accepted.len(), wrong.gross);
    assert_eq!(wrong.false_refusals.hits, wrong.false_refusals.all);
    assert_eq!(wrong.codes_wrong.len(), wrong.photographs);
}
