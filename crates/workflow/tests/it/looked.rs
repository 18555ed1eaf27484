//! Photographs of cards through the act *look*. The truth is the simulator's, which knows nothing of the rooms that look:
//! this holds the joining of files, names and records, not the quality of the measures.

use serde_json::Value;
use spotwright_simulate::card::{CardPhoto, CardSetPlan, CardStudio, ExtractionFault, SpotFault};
use spotwright_workflow::look::{LookOptions, LookOutputs, card_json, look};
use spotwright_workflow::run::Silent;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

fn studio() -> &'static CardStudio {
    static STUDIO: OnceLock<CardStudio> = OnceLock::new();
    STUDIO.get_or_init(|| CardStudio::new().unwrap())
}

fn plan(seed: u64) -> CardSetPlan {
    CardSetPlan {
        width_px: Some(1600),
        ..CardSetPlan::good(seed, 100)
    }
}

fn photographs(plan: &CardSetPlan, number: u64) -> Vec<CardPhoto> {
    studio().photographs(plan, number).unwrap()
}

fn options() -> LookOptions {
    LookOptions {
        layouts: studio().layouts().to_vec(),
        ..LookOptions::default()
    }
}

fn put(folder: &Path, photo: &CardPhoto) -> PathBuf {
    let path = folder.join(&photo.truth.file);
    std::fs::write(&path, &photo.bytes).unwrap();
    path
}

fn looked(paths: &[PathBuf], options: &LookOptions) -> Vec<Value> {
    let mut cards = Vec::new();
    look(paths, options, &Silent, &mut |looked| {
        cards.push(serde_json::from_str(&card_json(&looked.record)).unwrap());
        Ok(())
    })
    .unwrap();
    cards
}

fn codes(of: &Value) -> Vec<&str> {
    let list = of.as_array().unwrap();
    list.iter().map(|each| each["code"].as_str().unwrap()).collect()
}

#[test]
fn cards_are_named_placed_and_measured_in_printed_order() {
    let folder = tempfile::tempdir().unwrap();
    let photos: Vec<CardPhoto> = (1..=3)
        .map(|number| photographs(&plan(71), number).remove(0))
        .collect();
    for photo in &photos {
        put(folder.path(), photo);
    }
    let cards = looked(&[folder.path().to_owned()], &options());
    assert_eq!(cards.len(), photos.len());
    for (card, photo) in cards.iter().zip(&photos) {
        let truth = &photo.truth;
        assert_eq!(card["file"], truth.file);
        assert_eq!(card["layout"], truth.layout);
        assert_eq!(card["barcode"]["text"], truth.barcodes[0].text);
        let kind = serde_json::to_value(truth.barcodes[0].symbology).unwrap();
        assert_eq!(card["barcode"]["symbology"], kind);
        assert_eq!(card["card"], truth.card);
        assert!(card["extraction"].is_null() && card["after"].is_null());
        let scale = card["px_per_mm"].as_f64().unwrap();
        assert!((scale / truth.camera.pixels_per_mm - 1.0).abs() < 0.03, "{scale}");
        let spots = card["spots"].as_array().unwrap();
        let order: Vec<u64> = spots.iter().map(|spot| spot["index"].as_u64().unwrap()).collect();
        let printed: Vec<u64> = truth.spots.iter().map(|spot| u64::from(spot.index)).collect();
        assert_eq!(order, printed);
        for (spot, truth) in spots.iter().zip(&truth.spots) {
            let outline = truth.outline.as_ref().unwrap();
            let area = spot["area_mm2"].as_f64().unwrap();
            assert!(
                (area / outline.area_mm2 - 1.0).abs() < 0.03,
                "{area}, {outline:?}"
            );
            for axis in 0..2 {
                let centre = spot["centre_mm"][axis].as_f64().unwrap();
                assert!((centre - outline.centroid_mm[axis]).abs() < 0.2);
            }
            for key in ["equivalent_diameter_mm", "inscribed_diameter_mm", "site_u_mm"] {
                assert!(spot[key].is_f64(), "{key}: {spot}");
            }
            assert_eq!(spot["site_mm"].as_array().unwrap().len(), 2);
            assert_ne!(spot["suitability"], "unsuitable", "{:?}", spot["reasons"]);
            assert!(spot["reasons"].is_array());
        }
    }
}

#[test]
fn an_empty_place_is_a_spot_of_its_own() {
    let folder = tempfile::tempdir().unwrap();
    let bare = CardSetPlan {
        spot_faults: true,
        only_fault: Some(SpotFault::NoBlood),
        ..plan(5)
    };
    let photo = photographs(&bare, 1).remove(0);
    let cards = looked(&[put(folder.path(), &photo)], &options());
    let mut empty = 0;
    for (spot, truth) in cards[0]["spots"]
        .as_array()
        .unwrap()
        .iter()
        .zip(&photo.truth.spots)
    {
        if truth.outline.is_none() {
            empty += 1;
            assert_eq!(spot["finding"], "empty");
            assert_eq!(spot["suitability"], "unsuitable");
            assert_eq!(codes(&spot["reasons"]), ["no-blood"]);
            assert!(spot["area_mm2"].is_null() && spot["site_mm"].is_null());
        }
    }
    assert!(empty > 0, "{:?}", photo.truth.spots);
}

#[test]
fn a_card_whose_code_and_request_disagree_is_stopped() {
    let day = tempfile::tempdir().unwrap();
    let photos = day.path().join("photos");
    std::fs::create_dir(&photos).unwrap();
    let photo = photographs(&plan(71), 1).remove(0);
    std::fs::write(photos.join("OTHER-7.before.jpg"), &photo.bytes).unwrap();
    std::fs::write(day.path().join("requests.csv"), "card,subject\nOTHER-7,S1\n").unwrap();
    let cards = looked(&[day.path().to_owned()], &options());
    assert_eq!(cards[0]["need"], "identity");
    assert_eq!(cards[0]["identity"]["outcome"], "conflict");
    assert!(cards[0]["card"].is_null(), "{}", cards[0]["card"]);
    assert_eq!(codes(&cards[0]["problems"])[0], "code-conflict");
}

#[test]
fn a_broken_file_is_a_record_and_the_next_is_looked_at() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("A.before.jpg"), b"\xff\xd8\xff\xe0 torn").unwrap();
    std::fs::write(folder.path().join("B.png"), b"").unwrap();
    put(folder.path(), &photographs(&plan(71), 2)[0]);
    let cards = looked(&[folder.path().to_owned()], &options());
    assert_eq!(cards.len(), 3);
    for card in &cards[..2] {
        assert_eq!(codes(&card["problems"]), ["unreadable"]);
        assert_eq!(card["need"], "another-photo");
        assert_eq!(card["spots"].as_array().unwrap().len(), 0);
    }
    assert!(!cards[2]["spots"].as_array().unwrap().is_empty());
}

#[test]
fn threads_change_no_bit() {
    let folder = tempfile::tempdir().unwrap();
    let faulty = CardSetPlan {
        width_px: Some(1200),
        after_share: 1.0,
        ..CardSetPlan::new(9, 4)
    };
    for number in 1..=3 {
        for photo in photographs(&faulty, number) {
            put(folder.path(), &photo);
        }
    }
    let written = |threads: usize| {
        let target = tempfile::tempdir().unwrap();
        let target = target.path().join("looked");
        let options = LookOptions {
            threads: Some(threads),
            with_pictures: true,
            ..options()
        };
        let mut outputs = LookOutputs::begin(&target).unwrap();
        look(&[folder.path().to_owned()], &options, &Silent, &mut |looked| {
            outputs.add(&looked)
        })
        .unwrap();
        outputs.finish("day").unwrap();
        let mut files = Vec::new();
        for part in ["", "cards"] {
            let mut paths: Vec<PathBuf> = std::fs::read_dir(target.join(part))
                .unwrap()
                .map(|entry| entry.unwrap().path())
                .filter(|path| path.is_file())
                .collect();
            paths.sort();
            files.extend(paths.iter().map(|path| {
                let name = path.file_name().unwrap().to_owned();
                (name, std::fs::read(path).unwrap())
            }));
        }
        files
    };
    let one = written(1);
    assert!(one.len() >= 5, "{}", one.len());
    assert!(one == written(2));
}

/// EV-22: where the disc was taken, and that another spot or another card is noticed.
#[test]
fn the_photograph_after_extraction_is_held_against_the_one_before() {
    let extracted = CardSetPlan {
        after_share: 1.0,
        ..plan(23)
    };
    let mut refused = 0;
    let mut seen = std::collections::BTreeSet::new();
    for number in 1..=14 {
        let photos = photographs(&extracted, number);
        let truth = photos[1].truth.extraction.clone().unwrap();
        // Two of each kind of extraction are enough.
        let kind = format!("{:?}", truth.fault);
        if !seen.insert((kind.clone(), 0)) && !seen.insert((kind, 1)) {
            continue;
        }
        let mut options = options();
        // The laboratory knows its head.
        options.spots.head_diameter_mm = truth.head_diameter_mm;
        let day = tempfile::tempdir().unwrap();
        for photo in &photos {
            put(day.path(), photo);
        }
        let target = day.path().join("looked");
        let mut outputs = LookOutputs::begin(&target).unwrap();
        let mut cards: Vec<Value> = Vec::new();
        look(&[day.path().to_owned()], &options, &Silent, &mut |looked| {
            cards.push(serde_json::from_str(&card_json(&looked.record)).unwrap());
            outputs.add(&looked)
        })
        .unwrap();
        outputs.finish("day").unwrap();
        let sheet = std::fs::read_to_string(target.join("index.html")).unwrap();
        assert_eq!(cards.len(), 1);
        assert_eq!(cards[0]["after"]["file"], photos[1].truth.file);
        assert!(sheet.contains(&format!("After extraction ({})", photos[1].truth.file)));
        let found = &cards[0]["extraction"];
        if found.is_null() {
            refused += 1;
            assert_eq!(cards[0]["need"], "another-photo", "{}", cards[0]["after"]);
            let of_either = [&cards[0]["problems"], &cards[0]["after"]["problems"]];
            assert!(of_either.into_iter().any(|problems| !codes(problems).is_empty()));
            continue;
        }
        let reasons = codes(&found["reasons"]);
        let said = format!("{}: {truth:?}, {found}", photos[0].truth.file);
        match truth.fault {
            Some(ExtractionFault::WrongCard) => {
                assert!(reasons.contains(&"wrong-card"), "{said}");
                assert_eq!(cards[0]["need"], "identity", "{said}");
            }
            Some(ExtractionFault::WrongSpot) => {
                assert!(reasons.contains(&"wrong-spot"), "{said}");
                assert_eq!(cards[0]["need"], "extraction", "{said}");
            }
            _ => {
                assert_eq!(found["taken_spot"], truth.taken_spot, "{said}");
                for axis in 0..2 {
                    let place = found["site_mm"][axis].as_f64().unwrap();
                    assert!((place - truth.site_mm[axis]).abs() < 0.35, "{said}");
                }
                let bare = found["bare_paper_pct"].as_f64().unwrap();
                assert!((bare - 100.0 * truth.bare_paper_share).abs() < 5.0, "{said}");
                if truth.fault.is_none() {
                    assert_ne!(found["suitability"], "unsuitable", "{said}");
                }
            }
        }
    }
    assert!(refused <= 1, "{refused} photographs were refused");
    let kinds: std::collections::BTreeSet<&str> = seen.iter().map(|(kind, _)| kind.as_str()).collect();
    assert!(kinds.len() >= 4, "{kinds:?}");
}

#[test]
fn a_method_changes_limits_on_cards_with_a_reason() {
    let page = include_str!("../../../../docs/formats.md");
    let (_, rest) = page.split_once("```toml\n[method]").unwrap();
    let example = format!("[method]{}", rest.split_once("```").unwrap().0);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("method.toml");
    let with = |tables: &str| {
        std::fs::write(&path, format!("{example}\n{tables}")).unwrap();
        LookOptions::of(&[], Some(&path))
    };
    let options = with("[spot]\nreason = \"round ones only\"\nmin_circularity = 1.1\n").unwrap();
    assert_eq!(options.limits.min_circularity.to_bits(), 1.1_f64.to_bits());
    assert_eq!(options.overrides.len(), 1);
    assert_eq!(options.overrides[0].name, "spot.min_circularity");
    assert_eq!(options.overrides[0].reason, "round ones only");
    let error = with("[photo]\nmax_tilt_deg = 50\n").unwrap_err();
    assert!(format!("{error:?}").contains("without a reason"), "{error:?}");
    let error = with("[photo]\nreason = \"x\"\nmax_tilt_degrees = 50\n").unwrap_err();
    assert!(format!("{error:?}").contains("max_tilt_deg"), "{error:?}");

    // The limit is the one that is judged by.
    let photo = photographs(&plan(71), 1).remove(0);
    let strict = LookOptions {
        limits: options.limits,
        ..self::options()
    };
    let cards = looked(&[put(folder.path(), &photo)], &strict);
    for spot in cards[0]["spots"].as_array().unwrap() {
        assert!(codes(&spot["reasons"]).contains(&"not-round"), "{spot}");
        assert_eq!(spot["suitability"], "unsuitable");
    }
}
