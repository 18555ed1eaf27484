//! What the writer writes, the reader reads: bit for bit where the coding is exact, within the coding's stated loss
//! where not (Teleman et al. 2014 for MS-Numpress).

use spotwright_domain::trace::{IsolationWindow, Polarity, Trace, TraceKind};
use spotwright_mzml::{
    ArrayEncoding, ChecksumState, Chromatogram, FileHead, IndexState, MzmlWriter, NumberCoding, ReadOptions,
    Scratch, WriteError, WriteOptions, WriteTimeUnit, parse_bytes, read_traces,
};

pub(crate) const HEAD: FileHead<'static> = FileHead {
    run_id: "2031-04-02 run",
    start_time_stamp: Some("2031-04-02T08:15:00+01:00"),
    software: "round trip",
    software_version: "1",
};

/// A few traces with what is awkward in names and shapes: markup in an id, one point, no point.
pub(crate) fn traces() -> Vec<Trace> {
    let window = |target_mz, half| IsolationWindow {
        target_mz,
        lower_offset_mz: half,
        upper_offset_mz: half.map(|half: f64| half + 0.05),
    };
    let trace = |index: usize, id: &str, points: usize| {
        let time_min: Vec<f64> = (0..points).map(|i| 0.35 + i as f64 * 0.0123).collect();
        let intensity = (0..points)
            .map(|i| ((i * 7919 + index * 31) % 1009 * (i % 13)) as f64)
            .collect();
        Trace {
            id: id.to_owned(),
            index,
            kind: TraceKind::SelectedReactionMonitoring,
            polarity: Some(if index.is_multiple_of(2) {
                Polarity::Positive
            } else {
                Polarity::Negative
            }),
            precursor: Some(window(237.1 + index as f64, Some(0.35))),
            product: Some(window(194.05 - index as f64, None)),
            dwell_s: Some(0.02),
            time_min,
            intensity,
            problems: Vec::new(),
        }
    };
    vec![
        trace(0, "a & b <\"c\"> 'd' é", 450),
        trace(1, "two\tlines\nhere", 3),
        trace(2, "one point", 1),
        trace(3, "two points", 2),
        trace(4, "none", 0),
    ]
}

pub(crate) fn write(traces: &[Trace], options: &WriteOptions) -> Vec<u8> {
    let mut writer = MzmlWriter::new(Vec::new(), &HEAD, options, traces.len()).unwrap();
    for trace in traces {
        writer.write(&Chromatogram::from(trace)).unwrap();
    }
    writer.finish().unwrap()
}

fn options(time: ArrayEncoding, intensity: ArrayEncoding, indexed: bool) -> WriteOptions {
    WriteOptions {
        time,
        intensity,
        time_unit: WriteTimeUnit::Minute,
        indexed,
    }
}

fn read(bytes: &[u8]) -> Vec<Trace> {
    let whole = parse_bytes(bytes, &ReadOptions::default(), &mut Scratch::default()).unwrap();
    let streamed: Vec<Trace> = read_traces(bytes, &ReadOptions::default())
        .map(Result::unwrap)
        .collect();
    assert_eq!(whole.traces, streamed);
    whole
        .traces
        .into_iter()
        .map(|trace| Trace {
            problems: Vec::new(),
            ..trace
        })
        .collect()
}

#[test]
fn exact_codings_come_back_bit_for_bit() {
    let traces = traces();
    let exact = [
        NumberCoding::Float64,
        NumberCoding::Integer64,
        NumberCoding::Integer32,
        NumberCoding::Float32,
    ];
    for number in exact {
        for zlib in [false, true] {
            for indexed in [false, true] {
                let intensity = ArrayEncoding { number, zlib };
                let time = ArrayEncoding {
                    number: NumberCoding::Float64,
                    zlib,
                };
                assert_eq!(read(&write(&traces, &options(time, intensity, indexed))), traces);
            }
        }
    }
}

#[test]
fn numpress_loses_no_more_than_it_says() {
    let traces = traces();
    for zlib in [false, true] {
        let linear = ArrayEncoding {
            number: NumberCoding::NumpressLinear,
            zlib,
        };
        let pic = ArrayEncoding {
            number: NumberCoding::NumpressPic,
            zlib,
        };
        let slof = ArrayEncoding {
            number: NumberCoding::NumpressSlof,
            zlib,
        };
        let found = read(&write(&traces, &options(linear, pic, true)));
        for (found, expected) in found.iter().zip(&traces) {
            // Whole counts: exact. Times: 31 bits over at most 6 min of range and differences.
            assert_eq!(found.intensity, expected.intensity);
            for (found, expected) in found.time_min.iter().zip(&expected.time_min) {
                assert!((found - expected).abs() < 1e-8, "{found} {expected}");
            }
        }
        let found = read(&write(&traces, &options(linear, slof, false)));
        for (found, expected) in found.iter().zip(&traces) {
            for (found, expected) in found.intensity.iter().zip(&expected.intensity) {
                // 16 bits of logarithm: half a step is ln(1 + max) / 65535 / 2, here below 1e-4.
                assert!(
                    (found - expected).abs() <= 1e-4 * (expected + 1.0),
                    "{found} {expected}"
                );
            }
        }
    }
}

#[test]
fn seconds_come_back_as_minutes() {
    let traces = traces();
    let bytes = write(
        &traces,
        &WriteOptions {
            time_unit: WriteTimeUnit::Second,
            ..WriteOptions::default()
        },
    );
    assert!(bytes.windows(17).any(|part| part == b"unitName=\"second\""));
    for (found, expected) in read(&bytes).iter().zip(&traces) {
        for (found, expected) in found.time_min.iter().zip(&expected.time_min) {
            assert!((found - expected).abs() <= 1e-15 * expected.abs() * 2.0);
        }
    }
}

#[test]
fn index_and_checksum_are_right_and_bytes_repeat() {
    let traces = traces();
    let bytes = write(&traces, &WriteOptions::default());
    assert_eq!(bytes, write(&traces, &WriteOptions::default()));
    let summary = parse_bytes(&bytes, &ReadOptions::default(), &mut Scratch::default())
        .unwrap()
        .summary;
    assert_eq!(summary.checksum, ChecksumState::Verified);
    assert_eq!(summary.index, IndexState::Agrees);
    assert_eq!(summary.run_id.as_deref(), Some("_x0032_031-04-02_x0020_run"));
    assert_eq!(summary.start_time_stamp, HEAD.start_time_stamp.map(str::to_owned));
    // Independent of the reader: every offset lands on a start tag, the list's offset on the list.
    let text = String::from_utf8(bytes).unwrap();
    let offsets = text
        .split("</offset>")
        .filter_map(|part| part.rsplit('>').next()?.parse::<usize>().ok());
    let mut count = 0;
    for offset in offsets {
        assert!(text[offset..].starts_with(&format!("<chromatogram index=\"{count}\"")));
        count += 1;
    }
    assert_eq!(count, traces.len());
    let list = text
        .split("<indexListOffset>")
        .nth(1)
        .unwrap()
        .split('<')
        .next()
        .unwrap();
    assert!(text[list.parse::<usize>().unwrap()..].starts_with("<indexList "));
}

#[test]
fn what_cannot_be_written_is_said() {
    let traces = traces();
    let one = |change: &dyn Fn(&mut Trace), options: &WriteOptions| {
        let mut trace = traces[0].clone();
        change(&mut trace);
        let mut writer = MzmlWriter::new(Vec::new(), &HEAD, options, 1).unwrap();
        writer.write(&Chromatogram::from(&trace)).unwrap_err()
    };
    let integers = options(
        ArrayEncoding::FLOAT_64,
        ArrayEncoding {
            number: NumberCoding::Integer32,
            zlib: false,
        },
        true,
    );
    let plain = WriteOptions::default();
    assert!(matches!(
        one(&|t| t.intensity[3] = 0.5, &integers),
        WriteError::DoesNotFit { value: 0.5, .. }
    ));
    assert!(matches!(
        one(&|t| t.intensity[3] = f64::NAN, &plain),
        WriteError::NonFinite { .. }
    ));
    assert!(matches!(
        one(&|t| t.intensity[3] = 1e300, &plain),
        WriteError::DoesNotFit { .. }
    ));
    assert!(matches!(
        one(&|t| t.intensity.truncate(9), &plain),
        WriteError::UnequalArrays { .. }
    ));
    assert!(matches!(
        one(&|t| t.id = "a\u{1}".to_owned(), &plain),
        WriteError::Text { .. }
    ));
    let writer = MzmlWriter::new(Vec::new(), &HEAD, &plain, 1).unwrap();
    assert!(matches!(
        writer.finish(),
        Err(WriteError::Count {
            announced: 1,
            written: 0
        })
    ));
}
