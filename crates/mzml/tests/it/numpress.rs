//! MS-Numpress against its published layout (Teleman et al. 2014; the byte vectors below were worked out by hand from
//! the description of the coding, from memory).

use proptest::prelude::*;
use spotwright_mzml::NumpressFault;
use spotwright_mzml::numpress::{
    decode_linear, decode_pic, decode_slof, encode_linear, encode_pic, encode_slof, linear_scale, slof_scale,
};

#[test]
fn positive_integers_as_described() {
    // Zero is one half byte 0x8 (eight leading zero half bytes); 1 is 0x7 0x1; 100 = 0x64 is 0x6 0x4 0x6.
    assert_eq!(encode_pic(&[0.0, 0.0]).unwrap(), [0x88]);
    assert_eq!(encode_pic(&[1.0, 100.0]).unwrap(), [0x71, 0x64, 0x60]);
    let mut out = Vec::new();
    decode_pic(&[0x71, 0x64, 0x60], 2, &mut out).unwrap();
    assert_eq!(out, [1.0, 100.0]);
}

#[test]
fn linear_as_described() {
    // Scale 10 (big-endian double), first two values as 32-bit little-endian, then second differences: 3.0 is as
    // predicted (0x8), 4.1 is one above (0x7 0x1), 5.1 is one below 5.2: -1 = 0xffffffff is 0xf 0xf.
    let expected = [
        &10.0_f64.to_be_bytes()[..],
        &[10, 0, 0, 0, 20, 0, 0, 0],
        &[0x87, 0x1f, 0xf0],
    ]
    .concat();
    assert_eq!(encode_linear(&[1.0, 2.0, 3.0, 4.1, 5.1], 10.0).unwrap(), expected);
    let mut out = Vec::new();
    decode_linear(&expected, 5, &mut out).unwrap();
    assert_eq!(out, [1.0, 2.0, 3.0, 4.1, 5.1]);
}

#[test]
fn logged_floats_as_described() {
    // exp(6931 / 10000) - 1 = 1.0 to the coding's precision: ln 2 = 0.6931.
    let coded = encode_slof(&[1.0, 0.0], 10_000.0).unwrap();
    assert_eq!(
        coded,
        [&10_000.0_f64.to_be_bytes()[..], &6931_u16.to_le_bytes(), &[0, 0]].concat()
    );
}

#[test]
fn damage_is_named() {
    let mut out = Vec::new();
    assert_eq!(
        decode_pic(&[0x71, 0x64, 0x65], 2, &mut out),
        Err(NumpressFault::Leftover)
    );
    assert_eq!(
        decode_pic(&[0x71, 0x60], 2, &mut out),
        Err(NumpressFault::EarlyEnd { points: 1 })
    );
    assert_eq!(decode_linear(&[0; 16], 2, &mut out), Err(NumpressFault::Scale));
    assert_eq!(
        decode_slof(&10.0_f64.to_be_bytes(), 1, &mut out),
        Err(NumpressFault::EarlyEnd { points: 0 })
    );
    // A billion points from a few bytes: refused before any memory is taken.
    let head = [&10.0_f64.to_be_bytes()[..], &[0; 10]].concat();
    assert_eq!(
        decode_linear(&head, 1 << 30, &mut Vec::new()),
        Err(NumpressFault::EarlyEnd { points: 1 })
    );
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn integers_come_back(values in prop::collection::vec(0..u32::MAX, 0..200)) {
        let values: Vec<f64> = values.into_iter().map(f64::from).collect();
        let mut out = Vec::new();
        decode_pic(&encode_pic(&values).unwrap(), values.len(), &mut out).unwrap();
        prop_assert_eq!(out, values);
    }

    #[test]
    fn linear_comes_back_within_half_a_step(values in prop::collection::vec(0.0..5000.0_f64, 0..200)) {
        let scale = linear_scale(&values);
        let mut out = Vec::new();
        decode_linear(&encode_linear(&values, scale).unwrap(), values.len(), &mut out).unwrap();
        for (found, expected) in out.iter().zip(&values) {
            prop_assert!((found - expected).abs() <= 0.5 / scale + 1e-12 * expected);
        }
    }

    #[test]
    fn logged_floats_come_back_within_half_a_step(values in prop::collection::vec(0.0..1e7_f64, 0..200)) {
        let scale = slof_scale(&values);
        let mut out = Vec::new();
        decode_slof(&encode_slof(&values, scale).unwrap(), values.len(), &mut out).unwrap();
        for (found, expected) in out.iter().zip(&values) {
            prop_assert!((found - expected).abs() <= 0.51 / scale * (expected + 1.0));
        }
    }

    #[test]
    fn any_bytes_are_refused_or_read(bytes in prop::collection::vec(any::<u8>(), 0..100), points in 0..300_usize) {
        for decode in [decode_linear, decode_pic, decode_slof] {
            let mut out = Vec::new();
            if decode(&bytes, points, &mut out).is_ok() {
                prop_assert_eq!(out.len(), points);
            }
        }
    }
}
