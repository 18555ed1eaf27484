//! `traces` on open mzML files against numbers from a general reader (pyteomics 5.0.1, numpy 2.4.6; pynumpress for
//! MS-Numpress); origin and licences in corpus/mzml/README.md. Both decode the same bits, so 1e-6 is generous.

use serde_json::Value;
use spotwright_workflow::traces::{TraceRow, TracesError, tabulate};
use std::path::{Path, PathBuf};

fn folder(relative: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(relative)
}

/// Every file with a reference, and the factor from the file's unit of time to minutes.
const FILES: [(&str, f64); 7] = [
    ("tiny.pwiz.1.1", 60.0),
    ("peptide_srm_18chrom", 60.0),
    ("mrm_3chrom_long", 60.0),
    ("spyogenes_xic_106chrom", 60.0),
    ("mini_numpress.chrom", 60.0),
    ("srm_drawn_letters", 1.0),
    ("srm_small_molecule_82chrom", 1.0),
];

fn rows(path: &Path) -> Vec<TraceRow> {
    let mut rows = Vec::new();
    tabulate(path, &mut |row, _| rows.push(row)).unwrap_or_else(|error| panic!("{error}"));
    rows
}

#[track_caller]
fn close(found: Option<f64>, expected: &Value, what: &str) {
    let Some(expected) = expected.as_f64() else {
        return;
    };
    let found = found.unwrap_or_else(|| panic!("{what} is missing"));
    assert!(
        (found - expected).abs() <= 1e-6 * expected.abs().max(1.0),
        "{what}: {found} against {expected}"
    );
}

/// Holds one file against its reference; gives the number of traces.
fn agree(path: &Path, reference: &Path, per_minute: f64) -> usize {
    let reference: Value = serde_json::from_slice(&std::fs::read(reference).unwrap()).unwrap();
    let expected = match reference["chromatograms"].as_array() {
        Some(list) => list.clone(),
        None => vec![reference],
    };
    let found = rows(path);
    assert_eq!(found.len(), expected.len(), "{}", path.display());
    for (place, (row, expected)) in found.iter().zip(&expected).enumerate() {
        assert_eq!(row.index, place);
        if let Some(id) = expected["id"].as_str() {
            assert_eq!(row.id, id);
        }
        assert_eq!(row.points as u64, expected["n"].as_u64().unwrap(), "{}", row.id);
        close(row.precursor_mz, &expected["precursor_mz"], "precursor");
        close(row.product_mz, &expected["product_mz"], "product");
        if row.points == 0 {
            continue;
        }
        let of = |minutes: Option<f64>| minutes.map(|value| value * per_minute);
        close(of(row.first_min), &expected["time_first"], "first time");
        close(of(row.last_min), &expected["time_last"], "last time");
        close(of(row.apex_min), &expected["apex_time"], "apex");
        close(Some(row.intensity_sum), &expected["sum_intensity"], "sum");
        close(row.intensity_max, &expected["max_intensity"], "highest");
        let area = row.area_counts_s / 60.0 * per_minute;
        close(Some(area), &expected["area_total_trapz"], "area");
    }
    found.len()
}

#[test]
fn corpus_files_agree_with_the_references() {
    let corpus = folder("corpus/mzml");
    let mut traces = 0;
    for (stem, per_minute) in FILES {
        let path = corpus.join(format!("{stem}.mzML"));
        // One file's licence keeps it outside the repository; the next test takes it.
        if path.exists() {
            traces += agree(&path, &corpus.join(format!("{stem}.ref.json")), per_minute);
        }
    }
    assert!(traces >= 130, "{traces} traces compared");
}

#[test]
fn files_beside_the_repository_agree_with_the_references() {
    let shared = folder("../shared/data/mrm");
    for (stem, per_minute) in FILES {
        let path = shared.join(format!("{stem}.mzML"));
        if path.exists() {
            agree(&path, &shared.join(format!("{stem}.ref.json")), per_minute);
        } else {
            println!("skipped: {stem}.mzML is not beside the repository");
        }
    }
}

#[test]
fn a_file_that_is_refused_is_refused_with_its_name_and_cause() {
    let path = folder("corpus/mzml/obsolete_tiny2_SRM_mzML0.99.1.mzML");
    let refused = tabulate(&path, &mut |_, _| {}).unwrap_err();
    assert!(matches!(refused, TracesError::Read { .. }));
    let text = refused.to_string();
    assert!(
        text.contains("obsolete_tiny2_SRM") && text.contains("0.99.1"),
        "{text}"
    );

    let missing = tabulate(Path::new("no-such-file.mzML"), &mut |_, _| {}).unwrap_err();
    assert!(matches!(missing, TracesError::Open { .. }));
}

#[test]
fn odd_but_legal_files_keep_every_trace_and_say_so() {
    let found = rows(&folder("corpus/mzml/srm_drawn_letters.mzML"));
    // The list says 3 and holds 9 (the file itself).
    assert_eq!(found.len(), 9);
    let odd = |row: &TraceRow| {
        let problems = serde_json::to_string(&row.problems).unwrap();
        problems.contains("more-than-count")
    };
    assert_eq!(found.iter().filter(|row| odd(row)).count(), 6);
}
