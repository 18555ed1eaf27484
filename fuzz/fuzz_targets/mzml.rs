//! Any bytes, as a slice and as a stream: no panic, and both say the same.
#![no_main]

use libfuzzer_sys::fuzz_target;
use spotwright_mzml::{ReadOptions, Scratch, parse_bytes, read_traces};

fuzz_target!(|bytes: &[u8]| {
    let options = ReadOptions { max_points: 1 << 20, ..ReadOptions::default() };
    let slice = parse_bytes(bytes, &options, &mut Scratch::default());
    let stream: Result<Vec<_>, _> = read_traces(bytes, &options).collect();
    match (slice, stream) {
        (Ok(slice), Ok(stream)) => {
            assert_eq!(slice.traces, stream);
            for trace in &stream {
                assert_eq!(trace.time_min.len(), trace.intensity.len());
                assert!(trace.time_min.iter().chain(&trace.intensity).all(|value| value.is_finite()));
            }
        }
        (Err(slice), Err(stream)) => assert_eq!(slice.to_string(), stream.to_string()),
        (slice, stream) => panic!("slice {slice:?}, stream {stream:?}"),
    }
});
