use super::*;
use crate::digest::DigestError;
use serde_json::json;

fn by() -> Provenance {
    Provenance {
        program_version: "0.1.0".to_owned(),
        method: Digest::of_bytes(b"method"),
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Area {
    area_counts_s: f64,
    #[serde(default)]
    height_counts: Option<f64>,
}

fn measured(area_counts_s: f64) -> Stage<Measured, Area> {
    let content = Area {
        area_counts_s,
        height_counts: None,
    };
    Stage::first(1, content, &by()).unwrap()
}

#[test]
fn a_record_comes_back_as_it_was_sealed() {
    let record = measured(5120.1);
    let back = Stage::<Measured, Area>::from_json(&record.to_json().unwrap(), 1).unwrap();
    assert_eq!(back, record);
    back.verify().unwrap();
    assert_eq!(back.predecessor(), None);
    assert_eq!(back.provenance(), &by());
}

#[test]
fn any_change_by_hand_breaks_the_seal() {
    let text = measured(5120.1).to_json().unwrap();
    for (from, to) in [
        ("5120.1", "5120.2"),
        ("0.1.0", "0.1.1"),
        ("\"supersedes\":null,", ""),
    ] {
        let changed = text.replacen(from, to, 1);
        assert_ne!(changed, text);
        assert!(matches!(
            Stage::<Measured, Area>::from_json(&changed, 1),
            Err(StageError::SealBroken { .. })
        ));
    }
}

#[test]
fn every_figure_of_the_method_digest_is_vouched_for() {
    let text = measured(1.0).to_json().unwrap();
    let method = by().method.to_string();
    let other = Digest::of_bytes(b"another method").to_string();
    assert!(matches!(
        Stage::<Measured, Area>::from_json(&text.replace(&method, &other), 1),
        Err(StageError::SealBroken { .. })
    ));
}

/// A field the content has gained since must not break an old seal.
#[test]
fn a_record_of_an_older_layout_still_verifies() {
    let old = Stage::<Measured, _>::first(1, json!({ "area_counts_s": 5120.1 }), &by()).unwrap();
    let read = Stage::<Measured, Area>::from_json(&old.to_json().unwrap(), 2).unwrap();
    assert_eq!(read.content().height_counts, None);
    assert_eq!(read.digest(), old.digest());
    assert!(matches!(
        Stage::<Measured, Area>::from_json(&old.to_json().unwrap(), 0),
        Err(StageError::Newer {
            part: "content",
            found: 1,
            newest: 0
        })
    ));
}

#[test]
fn stages_are_not_taken_for_one_another() {
    let record = measured(1.0);
    assert!(matches!(
        Stage::<Accepted, Area>::from_json(&record.to_json().unwrap(), 1),
        Err(StageError::OtherStage {
            expected: StageName::Accepted,
            found: StageName::Measured
        })
    ));
    let accepted = Stage::<Accepted, _>::after(&record, 1, "accepted", &by()).unwrap();
    accepted.verify_follows(&record).unwrap();
    assert!(matches!(
        accepted.verify_follows(&measured(2.0)),
        Err(StageError::OtherPredecessor { .. })
    ));
}

#[test]
fn a_number_that_is_none_cannot_be_sealed() {
    let content = Area {
        area_counts_s: f64::NAN,
        height_counts: None,
    };
    assert!(matches!(
        Stage::first(1, content, &by()),
        Err(StageError::NotDigestible {
            source: DigestError::NotFinite { .. },
            ..
        })
    ));
}

#[test]
fn a_correction_needs_a_reason_and_replaces_once() {
    let first = measured(1.0);
    let again = || measured(1.5);
    assert!(matches!(
        again().superseding(&first, " \n"),
        Err(StageError::NoReason)
    ));
    assert!(matches!(
        measured(1.0).superseding(&first, "same"),
        Err(StageError::SupersedesItself { .. })
    ));
    let second = again()
        .superseding(&first, "limits moved off the shoulder")
        .unwrap();
    assert_eq!(second.supersedes().unwrap().record, first.digest());
    assert_ne!(second.digest(), again().digest());
    assert!(matches!(
        second.superseding(&first, "once more"),
        Err(StageError::AlreadySupersedes { .. })
    ));
}

#[test]
fn one_record_of_a_complete_chain_stands() {
    let first = measured(1.0);
    let second = measured(2.0).superseding(&first, "wrong peak").unwrap();
    let third = measured(3.0).superseding(&second, "wrong baseline").unwrap();
    let fork = measured(4.0).superseding(&first, "another opinion").unwrap();
    let chain = [third.clone(), first.clone(), second.clone()];
    assert_eq!(standing(&chain).unwrap().digest(), third.digest());
    assert!(matches!(
        standing::<Measured, Area>(&[]),
        Err(StageError::ChainEmpty)
    ));
    assert!(matches!(
        standing(&[first.clone(), third.clone()]),
        Err(StageError::ChainBroken { missing }) if missing == second.digest()
    ));
    assert!(matches!(
        standing(&[first, second, third, fork]),
        Err(StageError::ChainForked { .. })
    ));
}

/// The flattened, tagged records of a real run: no key may stand twice, and what is read verifies.
#[test]
fn an_injection_as_it_is_recorded_can_be_sealed() {
    use crate::injection::{Injection, SampleRole};
    use crate::method::TransitionPart;
    use crate::peak::{NoPeakReason, PeakOutcome};
    use crate::record::{InjectionRecord, TransitionRecord};

    let record = InjectionRecord {
        id: "R1/1".to_owned(),
        injection: Injection {
            run: crate::identifier::RunId::new("R1").unwrap(),
            order: 1,
            trace_file: "r1-001.mzML".to_owned(),
            role: SampleRole::DoubleBlank,
            level: None,
            card: None,
            spot: None,
            dilution_factor: 1.0,
            rack_position: Some("1:A1".to_owned()),
            sub_batch: None,
            injected_at: None,
            repeat_of: None,
            repeat_reason: None,
        },
        trace_sha256: None,
        reasons: Vec::new(),
        transitions: vec![TransitionRecord {
            name: "tacrolimus".to_owned(),
            part: TransitionPart::Quantifier { analyte: 0 },
            precursor_mz: 821.5,
            product_mz: 768.5,
            peak: PeakOutcome::absent(NoPeakReason::TraceAbsent),
            ion_ratio: None,
            expected_retention_min: 2.1,
        }],
        results: Vec::new(),
    };
    let sealed = Stage::<Measured, _>::first(crate::record::RECORD_VERSION, record, &by()).unwrap();
    let back = Stage::<Measured, InjectionRecord>::from_json(&sealed.to_json().unwrap(), 1).unwrap();
    assert_eq!(back, sealed);
    back.verify().unwrap();
}
