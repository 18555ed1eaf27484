//! Any bytes as MS-Numpress: no panic, the declared number of points or an error, and counts come back.
#![no_main]

use libfuzzer_sys::fuzz_target;
use spotwright_mzml::numpress::{decode_linear, decode_pic, decode_slof, encode_pic};

fuzz_target!(|input: (u16, &[u8])| {
    let (points, bytes) = (usize::from(input.0), input.1);
    for decode in [decode_linear, decode_slof, decode_pic] {
        let mut values = Vec::new();
        if decode(bytes, points, &mut values).is_ok() {
            assert_eq!(values.len(), points);
        }
    }
    let mut counts = Vec::new();
    if decode_pic(bytes, points, &mut counts).is_ok() {
        let mut again = Vec::new();
        decode_pic(&encode_pic(&counts).unwrap(), points, &mut again).unwrap();
        assert_eq!(counts, again);
    }
});
