//! Reading against bare decoding: one injection of 12 zlib-compressed transitions (64-bit times, 32-bit
//! intensities, 450 points), as the laboratory day is written.
//!
//! `floor_*` is base64 and inflating of the same arrays alone, with the fastest general Rust decoders found; what the
//! whole reader may cost is judged against the fastest of them (numbers in the README beside this file). Run with
//! `cargo bench -p spotwright-mzml`.

use divan::Bencher;
use divan::counter::BytesCount;
use spotwright_domain::trace::{IsolationWindow, Polarity, Trace, TraceKind};
use spotwright_mzml::{
    Chromatogram, FileHead, MzmlWriter, ReadOptions, Scratch, TraceHeader, WriteOptions, parse_bytes,
    parse_bytes_wanted, read_traces,
};

fn main() {
    divan::main();
}

/// The bytes that come out of one file: 12 × 450 × (8 + 4).
const PLAIN_BYTES: usize = 12 * 450 * 12;

#[divan::bench]
fn floor_base64_only(bencher: Bencher) {
    let file = file(true);
    let texts = texts(&file);
    let mut bytes = vec![0; 1 << 16];
    bencher.counter(BytesCount::new(PLAIN_BYTES)).bench_local(|| {
        for text in &texts {
            divan::black_box(
                base64_simd::STANDARD
                    .decode(text, base64_simd::Out::from_slice(&mut bytes))
                    .unwrap(),
            );
        }
    });
}

#[divan::bench]
fn floor_zune_inflate(bencher: Bencher) {
    let file = file(true);
    let texts = texts(&file);
    let mut bytes = vec![0; 1 << 16];
    bencher.counter(BytesCount::new(PLAIN_BYTES)).bench_local(|| {
        for (place, text) in texts.iter().enumerate() {
            let size = if place % 2 == 0 { 3600 } else { 1800 };
            let packed = base64_simd::STANDARD
                .decode(text, base64_simd::Out::from_slice(&mut bytes))
                .unwrap();
            let options = zune_inflate::DeflateOptions::default()
                .set_limit(size)
                .set_size_hint(size);
            let mut decoder = zune_inflate::DeflateDecoder::new_with_options(packed, options);
            divan::black_box(decoder.decode_zlib().unwrap());
        }
    });
}

#[divan::bench]
fn floor_zlib_rs(bencher: Bencher) {
    let file = file(true);
    let texts = texts(&file);
    let mut bytes = vec![0; 1 << 16];
    let mut out = vec![0; 3600];
    let mut decoder = flate2::Decompress::new(true);
    bencher.counter(BytesCount::new(PLAIN_BYTES)).bench_local(|| {
        for text in &texts {
            let packed = base64_simd::STANDARD
                .decode(text, base64_simd::Out::from_slice(&mut bytes))
                .unwrap();
            decoder.reset(true);
            let status = decoder
                .decompress(packed, &mut out, flate2::FlushDecompress::Finish)
                .unwrap();
            assert_eq!(status, flate2::Status::StreamEnd);
            divan::black_box(&out);
        }
    });
}

#[divan::bench(args = [true, false])]
fn parse(bencher: Bencher, checksum: bool) {
    let file = file(checksum);
    let mut scratch = Scratch::default();
    let options = ReadOptions::default();
    bencher
        .counter(BytesCount::new(PLAIN_BYTES))
        .bench_local(|| parse_bytes(divan::black_box(&file), &options, &mut scratch).unwrap());
}

/// Structure alone: nothing is wanted, so nothing is inflated.
#[divan::bench]
fn parse_nothing_wanted(bencher: Bencher) {
    let file = file(false);
    let mut scratch = Scratch::default();
    let options = ReadOptions::default();
    let nothing = |_: &TraceHeader<'_>| false;
    bencher.counter(BytesCount::new(PLAIN_BYTES)).bench_local(|| {
        parse_bytes_wanted(divan::black_box(&file), &options, &nothing, &mut scratch).unwrap()
    });
}

#[divan::bench]
fn stream(bencher: Bencher) {
    let file = file(true);
    let options = ReadOptions::default();
    bencher.counter(BytesCount::new(PLAIN_BYTES)).bench_local(|| {
        read_traces(divan::black_box(file.as_slice()), &options)
            .map(|trace| trace.unwrap().len())
            .sum::<usize>()
    });
}

#[divan::bench]
fn write(bencher: Bencher) {
    bencher
        .counter(BytesCount::new(PLAIN_BYTES))
        .bench_local(|| file(true));
}

/// Twelve transitions: a peak on a noisy baseline, times with the jitter of a scan scheduler.
fn file(indexed: bool) -> Vec<u8> {
    let head = FileHead {
        run_id: "bench",
        start_time_stamp: None,
        software: "bench",
        software_version: "1",
    };
    let options = WriteOptions {
        indexed,
        ..WriteOptions::default()
    };
    let mut writer = MzmlWriter::new(Vec::new(), &head, &options, 12).unwrap();
    let mut state = 0x2545_f491_4f6c_dd1d_u64;
    let mut random = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    for transition in 0..12 {
        let window = |target_mz| {
            Some(IsolationWindow {
                target_mz,
                lower_offset_mz: Some(0.35),
                upper_offset_mz: Some(0.35),
            })
        };
        let mut time = 0.1;
        let mut time_min = Vec::new();
        let mut intensity = Vec::new();
        for point in 0..450 {
            time += 0.4 / 60.0 + (random() * 10.0).floor() * 1e-5;
            time_min.push(time);
            let distance = (f64::from(point) - 200.0) / 6.0;
            let peak = 1e5 / (1.0 + distance * distance * distance * distance);
            intensity.push((peak + 40.0 + 20.0 * random()).floor());
        }
        let trace = Trace {
            id: format!("SRM {transition}"),
            index: transition,
            kind: TraceKind::SelectedReactionMonitoring,
            polarity: Some(Polarity::Positive),
            precursor: window(237.1 + transition as f64),
            product: window(194.1),
            dwell_s: Some(0.02),
            time_min,
            intensity,
            problems: Vec::new(),
        };
        writer.write(&Chromatogram::from(&trace)).unwrap();
    }
    writer.finish().unwrap()
}

/// The base64 texts of a file, found without the reader.
fn texts(file: &[u8]) -> Vec<Vec<u8>> {
    let text = std::str::from_utf8(file).unwrap();
    text.split("<binary>")
        .skip(1)
        .map(|part| part.split('<').next().unwrap().as_bytes().to_vec())
        .collect()
}
