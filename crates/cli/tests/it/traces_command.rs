//! `spotwright traces` on several files, one of them damaged.

use crate::program::{corpus, run_in};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;

/// Two good files, a damaged one between them and one that is not there.
fn files(folder: &Path) -> Vec<String> {
    let good = std::fs::read(corpus("tiny.pwiz.1.1.mzML")).unwrap();
    let damaged = folder.join("damaged.mzML");
    std::fs::write(&damaged, &good[..good.len() / 2]).unwrap();
    vec![
        corpus("mrm_3chrom_long.mzML"),
        damaged.display().to_string(),
        "no-such-file.mzML".to_owned(),
        corpus("tiny.pwiz.1.1.mzML"),
    ]
}

#[test]
fn json_holds_every_trace_of_the_good_files_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let files = files(folder.path());
    let mut arguments = vec!["traces", "--json"];
    arguments.extend(files.iter().map(String::as_str));
    let ended = run_in(folder.path(), &arguments);
    assert_eq!(ended.code, 4);
    for name in ["damaged.mzML", "no-such-file.mzML"] {
        assert!(ended.err.contains(name), "{}", ended.err);
    }
    let rows: Vec<Value> = serde_json::from_str(&ended.out).unwrap();
    let mut found: BTreeMap<&str, Vec<u64>> = BTreeMap::new();
    for row in &rows {
        found
            .entry(row["file"].as_str().unwrap())
            .or_default()
            .push(row["index"].as_u64().unwrap());
    }
    assert_eq!(found[files[0].as_str()], [0, 1, 2]);
    assert_eq!(found[files[3].as_str()], [0, 1]);
    // One object a trace, with exactly these keys.
    let keys = [
        "file",
        "index",
        "id",
        "kind",
        "polarity",
        "precursor_mz",
        "product_mz",
        "points",
        "first_min",
        "last_min",
        "intensity_sum",
        "intensity_max",
        "apex_min",
        "area_counts_s",
        "problems",
    ];
    for row in &rows {
        let row = row.as_object().unwrap();
        assert_eq!(row.len(), keys.len());
        assert!(keys.iter().all(|key| row.contains_key(*key)), "{row:?}");
    }
}

#[test]
fn text_tabulates_the_good_files_and_names_the_others() {
    let folder = tempfile::tempdir().unwrap();
    let files = files(folder.path());
    let mut arguments = vec!["traces"];
    arguments.extend(files.iter().map(String::as_str));
    let ended = run_in(folder.path(), &arguments);
    assert_eq!(ended.code, 4);
    assert!(ended.out.contains(&files[0]) && ended.out.contains(&files[3]));
    assert!(!ended.out.contains("no-such-file"));
    assert!(ended.err.contains("damaged.mzML") && ended.err.contains("no-such-file.mzML"));
}

#[test]
fn a_gzipped_file_reads_like_the_plain_one() {
    let plain: Vec<Value> = read(&corpus("tiny.pwiz.1.1.mzML"));
    let folder = tempfile::tempdir().unwrap();
    let packed = folder.path().join("tiny.mzML.gz");
    // RFC 1952 and RFC 1951: a gzip member whose deflate blocks are stored, so that no packer is needed.
    let bytes = std::fs::read(corpus("tiny.pwiz.1.1.mzML")).unwrap();
    std::fs::write(&packed, stored_gzip(&bytes)).unwrap();
    let mut unpacked = read(packed.to_str().unwrap());
    for (row, of) in unpacked.iter_mut().zip(&plain) {
        row["file"] = of["file"].clone();
    }
    assert_eq!(unpacked, plain);
}

fn read(file: &str) -> Vec<Value> {
    let ended = run_in(Path::new("."), &["traces", "--json", file]);
    assert_eq!(ended.code, 0, "{}", ended.err);
    serde_json::from_str(&ended.out).unwrap()
}

fn stored_gzip(bytes: &[u8]) -> Vec<u8> {
    let mut packed = vec![0x1F, 0x8B, 8, 0, 0, 0, 0, 0, 0, 255];
    let blocks = bytes.chunks(0xFFFF);
    let last = blocks.len() - 1;
    for (number, block) in blocks.enumerate() {
        let length = u16::try_from(block.len()).unwrap();
        packed.push(u8::from(number == last));
        packed.extend(length.to_le_bytes());
        packed.extend((!length).to_le_bytes());
        packed.extend(block);
    }
    packed.extend(crc32(bytes).to_le_bytes());
    packed.extend(u32::try_from(bytes.len()).unwrap().to_le_bytes());
    packed
}

/// RFC 1952, section 8.
fn crc32(bytes: &[u8]) -> u32 {
    let step = |crc: u32, byte: &u8| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| {
            (crc >> 1) ^ (if crc & 1 == 1 { 0xEDB8_8320 } else { 0 })
        })
    };
    !bytes.iter().fold(u32::MAX, step)
}
