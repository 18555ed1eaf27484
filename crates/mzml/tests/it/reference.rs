//! Open mzML files against numbers from a general reader (pyteomics 5.0.1, numpy 2.4.6) or, for MS-Numpress, from
//! pynumpress; see corpus/mzml/README.md for origin and licences. Tolerance 1e-6 relative, as the task of the
//! references states; both sides decode the same bits, so the difference is rounding alone.

use std::path::{Path, PathBuf};

use serde_json::Value;
use spotwright_domain::trace::{Trace, TraceKind, TraceProblem};
use spotwright_mzml::{
    ChecksumState, FileTraces, IndexState, ReadError, ReadOptions, Scratch, parse_bytes, read_traces,
};

pub(crate) fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

pub(crate) fn corpus(name: &str) -> Vec<u8> {
    std::fs::read(root().join("corpus/mzml").join(name)).unwrap()
}

fn parse(bytes: &[u8]) -> FileTraces {
    let whole = parse_bytes(bytes, &ReadOptions::default(), &mut Scratch::default()).unwrap();
    // The stream must say the same as the slice.
    let mut reader = read_traces(bytes, &ReadOptions::default());
    let traces: Vec<Trace> = reader.by_ref().map(Result::unwrap).collect();
    assert_eq!(traces, whole.traces);
    assert_eq!(reader.summary(), Some(&whole.summary));
    whole
}

#[track_caller]
fn close(found: f64, expected: f64, what: &str) {
    let scale = expected.abs().max(1.0);
    assert!(
        (found - expected).abs() <= 1e-6 * scale,
        "{what}: {found} against {expected}"
    );
}

/// Holds one trace against its reference, whose times are in `per_minute` units a minute.
#[track_caller]
fn agree(trace: &Trace, reference: &Value, per_minute: f64) {
    let number = |key: &str| reference[key].as_f64();
    assert_eq!(
        trace.len() as u64,
        reference["n"].as_u64().unwrap(),
        "{}",
        trace.id
    );
    for (key, window) in [("precursor_mz", trace.precursor), ("product_mz", trace.product)] {
        if let Some(expected) = number(key) {
            close(window.unwrap().target_mz, expected, key);
        }
    }
    let Some(first) = number("time_first") else { return };
    close(trace.time_min[0] * per_minute, first, "first time");
    close(
        trace.time_min.last().unwrap() * per_minute,
        number("time_last").unwrap(),
        "last time",
    );
    close(
        trace.intensity.iter().sum(),
        number("sum_intensity").unwrap(),
        "sum",
    );
    let highest = trace.intensity.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    close(highest, number("max_intensity").unwrap(), "highest");
    let apex = trace.intensity.iter().position(|&y| y >= highest).unwrap();
    close(
        trace.time_min[apex] * per_minute,
        number("apex_time").unwrap(),
        "apex",
    );
    close(
        trace.trapezoid_area_counts_s() / 60.0 * per_minute,
        number("area_total_trapz").unwrap(),
        "area",
    );
}

fn agree_with_reference(bytes: &[u8], reference: &[u8], per_minute: f64) -> FileTraces {
    let read = parse(bytes);
    let reference: Value = serde_json::from_slice(reference).unwrap();
    let expected = reference["chromatograms"].as_array().unwrap();
    assert_eq!(read.traces.len(), expected.len());
    for (trace, expected) in read.traces.iter().zip(expected) {
        assert_eq!(trace.id, expected["id"].as_str().unwrap());
        agree(trace, expected, per_minute);
    }
    read
}

fn from_corpus(stem: &str, per_minute: f64) -> FileTraces {
    agree_with_reference(
        &corpus(&format!("{stem}.mzML")),
        &corpus(&format!("{stem}.ref.json")),
        per_minute,
    )
}

#[test]
fn the_standards_tiny_example() {
    let read = from_corpus("tiny.pwiz.1.1", 60.0);
    assert_eq!(read.summary.checksum, ChecksumState::Verified);
    assert_eq!(read.summary.index, IndexState::Agrees);
    assert_eq!(read.summary.spectra_found, 4);
    assert_eq!(read.summary.run_id.as_deref(), Some("Experiment_x0020_1"));
    // The file itself: precursor 456.7, product 678.9. A product must not overwrite its precursor.
    let sic = &read.traces[1];
    assert_eq!(sic.kind, TraceKind::SelectedIonCurrent);
    close(sic.precursor.unwrap().target_mz, 456.7, "precursor");
    close(sic.product.unwrap().target_mz, 678.9, "product");
}

#[test]
fn dense_peptide_traces_in_seconds() {
    let read = from_corpus("peptide_srm_18chrom", 60.0);
    assert!(
        read.traces
            .iter()
            .all(|trace| trace.kind == TraceKind::SelectedReactionMonitoring)
    );
    assert_eq!(read.summary.checksum, ChecksumState::Absent);
}

#[test]
fn long_traces() {
    from_corpus("mrm_3chrom_long", 60.0);
}

#[test]
fn zlib_and_a_placeholder_checksum() {
    let read = from_corpus("spyogenes_xic_106chrom", 60.0);
    assert_eq!(read.summary.checksum, ChecksumState::Placeholder);
    let srm = read
        .traces
        .iter()
        .filter(|trace| trace.kind == TraceKind::SelectedReactionMonitoring);
    assert_eq!(srm.count(), 86);
}

#[test]
fn minutes_a_senseless_dwell_time_and_a_careless_count() {
    let read = from_corpus("srm_drawn_letters", 1.0);
    let letter = read
        .traces
        .iter()
        .find(|trace| trace.kind == TraceKind::SelectedReactionMonitoring)
        .unwrap();
    assert_eq!(letter.dwell_s, None);
    // The list says 3 and holds 9 (the file itself): all nine are kept, the last six are marked.
    assert_eq!(read.summary.chromatograms_declared, Some(3));
    let beyond = |trace: &&Trace| {
        trace
            .problems
            .contains(&TraceProblem::MoreThanCount { stated: 3 })
    };
    assert_eq!(
        read.traces
            .iter()
            .filter(beyond)
            .map(|trace| trace.index)
            .collect::<Vec<_>>(),
        [3, 4, 5, 6, 7, 8]
    );
    assert!(
        letter
            .problems
            .iter()
            .any(|p| matches!(p, TraceProblem::Note { text } if text.contains("-0.001")))
    );
}

#[test]
fn numpress_is_decoded_by_accession_not_by_name() {
    let read = parse(&corpus("mini_numpress.chrom.mzML"));
    let reference: Value = serde_json::from_slice(&corpus("mini_numpress.chrom.ref.json")).unwrap();
    let [trace] = read.traces.as_slice() else {
        panic!("one trace expected")
    };
    agree(trace, &reference, 60.0);
    let values = |key: &str| -> Vec<f64> {
        reference[key]
            .as_array()
            .unwrap()
            .iter()
            .map(|v| v.as_f64().unwrap())
            .collect()
    };
    for (found, expected) in trace.time_min.iter().zip(values("time")) {
        close(found * 60.0, expected, "time");
    }
    assert_eq!(trace.intensity, values("intensity"));
    assert!(
        trace
            .problems
            .contains(&TraceProblem::ArrayNameContradictsAccession {
                accession: "MS:1002313".to_owned(),
                name: "MS-Numpress linear prediction compression".to_owned(),
            })
    );
}

#[test]
fn the_obsolete_schema_is_refused_by_name() {
    let bytes = corpus("obsolete_tiny2_SRM_mzML0.99.1.mzML");
    let error = parse_bytes(&bytes, &ReadOptions::default(), &mut Scratch::default()).unwrap_err();
    assert!(
        matches!(&error, ReadError::SchemaVersion { version } if version == "0.99.1"),
        "{error}"
    );
    assert!(error.to_string().contains("convert"), "{error}");
}

/// A real triple-quadrupole file; its licence keeps it outside the repository.
#[test]
fn a_real_small_molecule_run() {
    let folder = root().join("../shared/data/mrm");
    let Ok(bytes) = std::fs::read(folder.join("srm_small_molecule_82chrom.mzML")) else {
        println!("skipped: srm_small_molecule_82chrom.mzML is not here");
        return;
    };
    let reference = std::fs::read(folder.join("srm_small_molecule_82chrom.ref.json")).unwrap();
    let read = agree_with_reference(&bytes, &reference, 1.0);
    assert_eq!(read.summary.checksum, ChecksumState::Verified);
    assert_eq!(read.summary.index, IndexState::Agrees);
}
