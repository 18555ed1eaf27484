use super::*;
use proptest::prelude::*;
use serde_json::{Value, json};

/// RFC 8785 § 3.2.2, the sample object and its canonical form (from memory).
#[test]
fn the_sample_object_of_the_standard_comes_out() {
    let sample = r#"{
        "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
        "literals": [null, true, false]
    }"#;
    let expected = concat!(
        r#"{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],"#,
        r#""string":"€$\u000f\nA'B\"\\\\\"/"}"#
    );
    let value: Value = serde_json::from_str(sample).unwrap();
    assert_eq!(canonical_json(&value).unwrap(), expected);
}

/// RFC 8785 § 3.2.3, the sample for the order of keys (from memory). The smiling face is beyond the basic plane:
/// its first UTF-16 unit, D83D, sorts before FB33, though its code point is larger.
#[test]
fn keys_stand_in_the_order_of_their_utf_16_units() {
    let sample = r#"{
        "\u20ac": "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\ud83d\ude00": "Emoji: Grinning Face",
        "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis"
    }"#;
    let value: Value = serde_json::from_str(sample).unwrap();
    let written = canonical_json(&value).unwrap();
    let places: Vec<usize> = ["Carriage", "One", "Control", "Latin", "Euro", "Emoji", "Hebrew"]
        .into_iter()
        .map(|word| written.find(word).unwrap())
        .collect();
    assert!(places.is_sorted(), "{written}");
}

#[derive(Serialize)]
enum Shape {
    Unit,
    Newtype(u8),
    Tuple(u8, bool),
    Struct { z: Option<u8>, a: char },
}

/// `serde_json` is the other serialiser here: whatever it writes and reads back must give the same text.
#[test]
fn every_shape_of_record_agrees_with_serde_json() {
    let shapes = (
        [
            Shape::Unit,
            Shape::Newtype(1),
            Shape::Tuple(2, true),
            Shape::Struct { z: None, a: '\u{7}' },
        ],
        BTreeMap::from([(10, "ten"), (9, "nine")]),
        (),
        -5_i64,
    );
    let through: Value = serde_json::from_str(&serde_json::to_string(&shapes).unwrap()).unwrap();
    let written = canonical_json(&shapes).unwrap();
    assert_eq!(written, canonical_json(&through).unwrap());
    assert_eq!(serde_json::from_str::<Value>(&written).unwrap(), through);
}

#[test]
fn what_json_cannot_hold_is_refused_by_name() {
    let refused = |found: &str| DigestError::NotFinite {
        found: found.to_owned(),
    };
    assert_eq!(canonical_json(&[1.0, f64::NAN]), Err(refused("NaN")));
    assert_eq!(canonical_json(&Some(f64::NEG_INFINITY)), Err(refused("-inf")));
    assert_eq!(canonical_json(&LARGEST_INTEGER).unwrap(), "9007199254740991");
    assert_eq!(
        canonical_json(&-9_007_199_254_740_992_i64),
        Err(DigestError::IntegerTooLarge {
            found: "-9007199254740992".to_owned()
        })
    );
    assert_eq!(
        canonical_json(&BTreeMap::from([(true, 1)])),
        Err(DigestError::KeyNotText {
            found: "true or false"
        })
    );
    assert_eq!(
        canonical_json(&BTreeMap::from([((1, 2), 1)])),
        Err(DigestError::KeyNotText { found: "an array" })
    );
}

#[derive(Serialize)]
struct Flattened {
    unit: &'static str,
    #[serde(flatten)]
    rest: BTreeMap<&'static str, u8>,
}

#[test]
fn a_key_that_stands_twice_is_refused() {
    let twice = Flattened {
        unit: "mg",
        rest: BTreeMap::from([("unit", 1)]),
    };
    assert_eq!(
        canonical_json(&twice),
        Err(DigestError::DuplicateKey {
            key: "unit".to_owned()
        })
    );
}

fn any_json() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        (-(1_i64 << 52)..1 << 52).prop_map(Value::from),
        // Between 2^53 and 10^21 numbers are written like whole ones, and `serde_json` reads them as such.
        prop::num::f64::NORMAL
            .prop_filter("not read as whole", |x| x.abs() < 9e15 || x.abs() >= 1e21)
            .prop_map(Value::from),
        any::<String>().prop_map(Value::from),
    ];
    leaf.prop_recursive(4, 32, 5, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..5).prop_map(Value::from),
            prop::collection::btree_map(any::<String>(), inner, 0..5).prop_map(|members| json!(members)),
        ]
    })
}

proptest! {
    #[test]
    fn canonical_json_is_json_and_its_own_canonical_form(value in any_json()) {
        let written = canonical_json(&value).unwrap();
        let back: Value = serde_json::from_str(&written).unwrap();
        prop_assert_eq!(canonical_json(&back).unwrap(), written);
    }
}
