//! Damage: every flipped byte and every cut gives the same traces or an error, and hostile bytes give an error.

use proptest::prelude::*;
use spotwright_domain::trace::Trace;
use spotwright_mzml::{
    ArrayEncoding, ArrayFault, FileTraces, InflateFault, NumberCoding, ReadError, ReadOptions, Scratch,
    WriteOptions, parse_bytes, read_traces,
};

use crate::reference::{corpus, root};
use crate::round_trip::{traces, write};

fn parse(bytes: &[u8]) -> Result<FileTraces, ReadError> {
    parse_bytes(bytes, &ReadOptions::default(), &mut Scratch::default())
}

fn stream(bytes: &[u8]) -> Result<Vec<Trace>, ReadError> {
    // One byte a read: every token is met in halves.
    struct Drip<'a>(&'a [u8]);
    impl std::io::Read for Drip<'_> {
        fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
            let Some((&first, rest)) = self.0.split_first() else {
                return Ok(0);
            };
            let Some(place) = out.first_mut() else {
                return Ok(0);
            };
            *place = first;
            self.0 = rest;
            Ok(1)
        }
    }
    read_traces(Drip(bytes), &ReadOptions::default()).collect()
}

/// Small, so that every byte can be tried: two traces, zlib and plain, with what the options say.
fn small(indexed: bool, zlib: bool) -> Vec<u8> {
    let mut traces = traces();
    traces.truncate(2);
    traces[0].time_min.truncate(20);
    traces[0].intensity.truncate(20);
    let encoding = |number| ArrayEncoding { number, zlib };
    let options = WriteOptions {
        time: encoding(NumberCoding::Float64),
        intensity: encoding(NumberCoding::Float32),
        indexed,
        ..WriteOptions::default()
    };
    write(&traces, &options)
}

#[test]
fn every_flipped_byte_of_a_checksummed_file_is_harmless_or_an_error() {
    for zlib in [true, false] {
        let whole = small(true, zlib);
        let expected = parse(&whole).unwrap().traces;
        let mut scratch = Scratch::default();
        let mut harmless = 0;
        for place in 0..whole.len() {
            // Each single bit, all bits, and the bytes that mean something to XML.
            let flips = (0..8).map(|bit| whole[place] ^ 1 << bit).chain([
                !whole[place],
                b'<',
                b'>',
                b'"',
                b'&',
                b' ',
                0,
            ]);
            for byte in flips.filter(|&byte| byte != whole[place]) {
                let mut bytes = whole.clone();
                bytes[place] = byte;
                if let Ok(read) = parse_bytes(&bytes, &ReadOptions::default(), &mut scratch) {
                    assert_eq!(read.traces, expected, "byte {place} as {byte:#x}");
                    harmless += 1;
                }
            }
        }
        // Only behind the checksum, or in its letters' case, can a change be without consequence.
        assert!(harmless < 200, "{harmless}");
    }
}

#[test]
fn every_flipped_byte_of_a_plain_file_keeps_every_trace_or_is_an_error() {
    for zlib in [true, false] {
        let whole = small(false, zlib);
        let expected = parse(&whole).unwrap().traces;
        let mut scratch = Scratch::default();
        for place in 0..whole.len() {
            for bit in 0..8 {
                let mut bytes = whole.clone();
                bytes[place] ^= 1 << bit;
                let Ok(read) = parse_bytes(&bytes, &ReadOptions::default(), &mut scratch) else {
                    continue;
                };
                assert_eq!(read.traces.len(), expected.len(), "byte {place} bit {bit}");
                for (found, expected) in read.traces.iter().zip(&expected) {
                    assert_eq!(found.len(), expected.len(), "byte {place} bit {bit}");
                    let finite = |values: &[f64]| values.iter().all(|value| value.is_finite());
                    assert!(finite(&found.time_min) && finite(&found.intensity));
                }
            }
        }
    }
}

#[test]
fn every_cut_is_an_error() {
    for indexed in [true, false] {
        let whole = small(indexed, true);
        let end = whole.trim_ascii_end().len();
        for cut in 0..whole.len() {
            match parse(&whole[..cut]) {
                Ok(_) => assert!(cut >= end, "cut at {cut}"),
                Err(error) => assert!(cut < end, "cut at {cut}: {error}"),
            }
        }
    }
}

#[test]
fn a_stream_in_drips_says_what_the_slice_says() {
    for name in [
        "tiny.pwiz.1.1.mzML",
        "mini_numpress.chrom.mzML",
        "srm_drawn_letters.mzML",
    ] {
        let bytes = corpus(name);
        assert_eq!(stream(&bytes).unwrap(), parse(&bytes).unwrap().traces, "{name}");
    }
}

#[test]
fn a_comment_that_holds_an_end_tag_does_not_fool_the_stream() {
    let text = String::from_utf8(small(false, true)).unwrap();
    let text = text.replace(
        "<binaryDataArrayList",
        "<!-- </chromatogram> --><binaryDataArrayList",
    );
    assert_eq!(
        stream(text.as_bytes()).unwrap(),
        parse(text.as_bytes()).unwrap().traces
    );
    assert_eq!(
        parse(text.as_bytes()).unwrap().traces,
        parse(&small(false, true)).unwrap().traces
    );
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_damage_to_open_files_never_panics_nor_loses_a_trace(
        file in 0..4_usize,
        flips in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..4),
    ) {
        let name = ["tiny.pwiz.1.1.mzML", "mini_numpress.chrom.mzML", "srm_drawn_letters.mzML",
            "obsolete_tiny2_SRM_mzML0.99.1.mzML"][file];
        let whole = corpus(name);
        let mut bytes = whole.clone();
        for (place, byte) in flips {
            let place = place.index(bytes.len());
            bytes[place] = byte;
        }
        let slice = parse(&bytes);
        if let (Ok(read), Ok(expected)) = (&slice, parse(&whole)) {
            prop_assert!(read.traces.len() >= expected.traces.len());
        }
        let streamed: Result<Vec<Trace>, ReadError> =
            read_traces(bytes.as_slice(), &ReadOptions::default()).collect();
        match (slice, streamed) {
            (Ok(read), Ok(traces)) => prop_assert_eq!(read.traces, traces),
            (Err(slice), Err(stream)) => prop_assert_eq!(slice.to_string(), stream.to_string()),
            (slice, stream) => prop_assert!(false, "slice {:?}, stream {:?}", slice.err(), stream.err()),
        }
    }

    #[test]
    fn random_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..2000)) {
        prop_assert!(parse(&bytes).is_err());
        let packed = [b"\x1f\x8b\x08\0".as_slice(), &bytes].concat();
        prop_assert!(parse(&packed).is_err());
    }
}

/// A chromatogram file with one thing changed.
fn changed(from: &str, to: &str) -> ReadError {
    let text = String::from_utf8(small(false, true)).unwrap();
    assert!(text.contains(from), "{from}");
    parse(text.replacen(from, to, 1).as_bytes()).unwrap_err()
}

#[test]
fn each_kind_of_damage_has_its_name() {
    use ReadError as E;
    let fault = |error| match error {
        E::Array { fault, .. } => fault,
        other => panic!("{other}"),
    };
    assert!(matches!(
        changed("count=\"2\" default", "count=\"3\" default"),
        E::CountMismatch {
            expected: 3,
            found: 2,
            ..
        }
    ));
    assert!(matches!(
        fault(changed("defaultArrayLength=\"20\"", "defaultArrayLength=\"19\"")),
        ArrayFault::Inflate(InflateFault::TooLong { limit: 152 })
    ));
    assert!(matches!(
        fault(changed("defaultArrayLength=\"20\"", "defaultArrayLength=\"21\"")),
        ArrayFault::Length {
            points: 21,
            expected: 168,
            found: 160
        }
    ));
    assert!(matches!(
        fault(changed(
            "defaultArrayLength=\"20\"",
            "defaultArrayLength=\"49999999\""
        )),
        ArrayFault::Implausible { .. }
    ));
    assert!(matches!(
        changed("defaultArrayLength=\"20\"", "defaultArrayLength=\"999999999999\""),
        E::Limit { .. }
    ));
    assert!(matches!(
        fault(changed("encodedLength=\"", "encodedLength=\"1")),
        ArrayFault::EncodedLength { .. }
    ));
    assert!(matches!(
        fault(changed("<binary>e", "<binary>*")),
        ArrayFault::Base64
    ));
    assert!(matches!(
        fault(changed("<binary>eJ", "<binary>fJ")),
        ArrayFault::Inflate(InflateFault::Header)
    ));
    assert!(matches!(
        changed("MS:1000595", "MS:1000516"),
        E::MissingArray { points: 20, .. }
    ));
    assert!(matches!(
        changed("MS:1000595", "MS:1000515"),
        E::RepeatedArray { .. }
    ));
    assert!(matches!(changed("UO:0000031", "UO:0000032"), E::TimeUnit { .. }));
    assert!(matches!(
        changed("</run>", ""),
        E::TagMismatch { expected: "run", .. }
    ));
    assert!(matches!(changed("<run ", "<jog "), E::UnknownElement { .. }));
    assert!(matches!(
        changed("<run ", "<scan "),
        E::Misplaced {
            name: "scan",
            parent: "mzML",
            ..
        }
    ));
    assert!(matches!(
        changed("<mzML ", "<!DOCTYPE a [<!ENTITY b \"c\">]><mzML "),
        E::Doctype { .. }
    ));
    assert!(matches!(
        changed("id=\"a &amp;", "id=\"a &lol;"),
        E::Entity { .. }
    ));
    assert!(
        matches!(changed("encoding=\"utf-8\"", "encoding=\"UTF-16\""), E::Encoding { name } if name == "UTF-16")
    );
    assert!(matches!(
        changed("version=\"1.1.0\"", "version=\"1.0.0\""),
        E::SchemaVersion { .. }
    ));
    assert!(matches!(
        changed("</mzML>", "</mzML> x"),
        E::TrailingContent { .. }
    ));
    assert!(matches!(changed("<run ", "x<run "), E::StrayText { .. }));
    // The message names the place, what was expected and what was found.
    let message = changed("encodedLength=\"", "encodedLength=\"1").to_string();
    assert!(
        message.contains("chromatogram 0") && message.contains("time array"),
        "{message}"
    );
}

#[test]
fn a_wrong_checksum_is_said_with_both() {
    let text = String::from_utf8(small(true, true))
        .unwrap()
        .replacen("<run ", "<run  ", 1);
    assert!(
        matches!(parse(text.as_bytes()), Err(ReadError::Checksum { stated, computed }) if stated != computed)
    );
}

#[test]
fn values_that_are_not_numbers_are_refused() {
    // 64-bit floats, uncompressed: 20 values; one of them NaN (IEEE 754: exponent all ones, fraction not zero).
    let text = String::from_utf8(small(false, false)).unwrap();
    let start = text.find("<binary>").unwrap() + 8;
    let mut bytes = base64_simd::STANDARD
        .decode_to_vec(&text[start..start + 216])
        .unwrap();
    bytes[8..16].copy_from_slice(&f64::NAN.to_le_bytes());
    let text = [
        &text[..start],
        &base64_simd::STANDARD.encode_to_string(&bytes),
        &text[start + 216..],
    ]
    .concat();
    let error = parse(text.as_bytes()).unwrap_err();
    assert!(
        matches!(
            &error,
            ReadError::Array {
                fault: ArrayFault::NonFinite { point: 1, .. },
                ..
            }
        ),
        "{error}"
    );
}

#[test]
fn other_text_encodings_are_refused_by_name() {
    let utf16: Vec<u8> = "<?xml version=\"1.0\"?>"
        .encode_utf16()
        .flat_map(u16::to_le_bytes)
        .collect();
    for (bytes, expected) in [
        (utf16.clone(), "UTF-16 (little endian)"),
        ([&[0xff, 0xfe][..], &utf16].concat(), "UTF-16 (little endian)"),
        (vec![0xfe, 0xff, 0, b'<'], "UTF-16 (big endian)"),
    ] {
        assert!(matches!(parse(&bytes), Err(ReadError::Encoding { name }) if name == expected));
        assert!(matches!(stream(&bytes), Err(ReadError::Encoding { name }) if name == expected));
    }
}

#[test]
fn gzip_and_a_byte_order_mark_change_nothing() {
    use std::io::Write;
    let whole = small(false, true);
    let expected = parse(&whole).unwrap().traces;
    let marked = [b"\xef\xbb\xbf".as_slice(), &whole].concat();
    assert_eq!(parse(&marked).unwrap().traces, expected);
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder.write_all(&small(true, true)).unwrap();
    let packed = encoder.finish().unwrap();
    let read = parse(&packed).unwrap();
    assert_eq!(read.traces, expected);
    assert!(read.summary.gzip);
    assert_eq!(stream(&packed).unwrap(), expected);
    for cut in 0..packed.len() {
        assert!(parse(&packed[..cut]).is_err(), "cut at {cut}");
    }
}

#[test]
fn every_hostile_seed_is_an_error() {
    let mut count = 0;
    for entry in std::fs::read_dir(root().join("corpus/mzml/hostile")).unwrap() {
        let path = entry.unwrap().path();
        let bytes = std::fs::read(&path).unwrap();
        assert!(parse(&bytes).is_err(), "{}", path.display());
        assert!(stream(&bytes).is_err(), "{}", path.display());
        count += 1;
    }
    assert!(count >= 8);
}
