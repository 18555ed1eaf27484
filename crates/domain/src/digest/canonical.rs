//! Canonical JSON (RFC 8785, JSON Canonicalization Scheme): no blanks, keys in the order of their UTF-16 units,
//! numbers as ECMAScript writes them.
//!
//! A serialiser of its own rather than a pass over `serde_json::Value`, because that would turn NaN into `null`
//! before anyone could refuse it.

use super::DigestError;
use super::number::write_number;
use serde::{Serialize, ser};
use std::collections::BTreeMap;
use std::fmt;

/// Largest whole number every JSON reader keeps (RFC 7493 § 2.2).
const LARGEST_INTEGER: u64 = (1 << 53) - 1;

/// A record as canonical JSON: what is digested. Not for storing: a large number such as 7.9e17 is written without an
/// exponent here, and most readers would take it for a whole number and round.
///
/// # Errors
/// As [`super::digest`].
pub fn canonical_json<T: Serialize + ?Sized>(record: &T) -> Result<String, DigestError> {
    record.serialize(Canonical)
}

impl ser::Error for DigestError {
    fn custom<T: fmt::Display>(message: T) -> Self {
        Self::Record {
            message: message.to_string(),
        }
    }
}

fn integer(size: u128, negative: bool) -> Result<String, DigestError> {
    let sign = if negative { "-" } else { "" };
    let found = format!("{sign}{size}");
    if size > u128::from(LARGEST_INTEGER) {
        return Err(DigestError::IntegerTooLarge { found });
    }
    Ok(found)
}

fn number(value: f64) -> Result<String, DigestError> {
    if !value.is_finite() {
        return Err(DigestError::NotFinite {
            found: value.to_string(),
        });
    }
    let mut out = String::new();
    write_number(value, &mut out);
    Ok(out)
}

/// RFC 8785 § 3.2.2.2: only what JSON must escape, the short escapes first, lower-case hexadecimal otherwise.
fn string(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 2);
    out.push('"');
    for character in text.chars() {
        match character {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\u{8}' => out.push_str("\\b"),
            '\t' => out.push_str("\\t"),
            '\n' => out.push_str("\\n"),
            '\u{c}' => out.push_str("\\f"),
            '\r' => out.push_str("\\r"),
            control if control < ' ' => out.push_str(&format!("\\u{:04x}", u32::from(control))),
            other => out.push(other),
        }
    }
    out.push('"');
    out
}

/// An object being gathered; ordered by the UTF-16 units of the keys (RFC 8785 § 3.2.3), which differs from UTF-8
/// order where a character beyond the basic plane meets one above its surrogates.
#[derive(Default)]
struct Object {
    /// UTF-16 units of the key -> key and value, each in canonical form.
    members: BTreeMap<Vec<u16>, (String, String)>,
}

impl Object {
    fn insert(&mut self, key: &str, value: String) -> Result<(), DigestError> {
        let units = key.encode_utf16().collect();
        if self.members.insert(units, (string(key), value)).is_some() {
            return Err(DigestError::DuplicateKey { key: key.to_owned() });
        }
        Ok(())
    }

    fn finish(self) -> String {
        let members: Vec<String> = self
            .members
            .into_values()
            .map(|(key, value)| format!("{key}:{value}"))
            .collect();
        format!("{{{}}}", members.join(","))
    }
}

/// A map's key as text: texts and names as they are, whole numbers by their figures, as `serde_json` writes them.
fn key_text<T: Serialize + ?Sized>(key: &T) -> Result<String, DigestError> {
    let written = key.serialize(Canonical)?;
    let found = match written.bytes().next() {
        Some(b'"') => {
            return serde_json::from_str(&written).map_err(ser::Error::custom);
        }
        Some(b'-' | b'0'..=b'9') if !written.contains(['.', 'e']) => return Ok(written),
        Some(b'-' | b'0'..=b'9') => "a number with a fraction",
        Some(b't' | b'f') => "true or false",
        Some(b'[') => "an array",
        Some(b'{') => "an object",
        _ => "nothing",
    };
    Err(DigestError::KeyNotText { found })
}

fn tagged(variant: &str, value: &str) -> String {
    format!("{{{}:{value}}}", string(variant))
}

struct Canonical;

impl ser::Serializer for Canonical {
    type Ok = String;
    type Error = DigestError;
    type SerializeSeq = Array;
    type SerializeTuple = Array;
    type SerializeTupleStruct = Array;
    type SerializeTupleVariant = Array;
    type SerializeMap = Members;
    type SerializeStruct = Members;
    type SerializeStructVariant = Members;

    fn serialize_bool(self, value: bool) -> Result<String, DigestError> {
        Ok(value.to_string())
    }
    fn serialize_i8(self, value: i8) -> Result<String, DigestError> {
        self.serialize_i128(value.into())
    }
    fn serialize_i16(self, value: i16) -> Result<String, DigestError> {
        self.serialize_i128(value.into())
    }
    fn serialize_i32(self, value: i32) -> Result<String, DigestError> {
        self.serialize_i128(value.into())
    }
    fn serialize_i64(self, value: i64) -> Result<String, DigestError> {
        self.serialize_i128(value.into())
    }
    fn serialize_i128(self, value: i128) -> Result<String, DigestError> {
        integer(value.unsigned_abs(), value < 0)
    }
    fn serialize_u8(self, value: u8) -> Result<String, DigestError> {
        self.serialize_u128(value.into())
    }
    fn serialize_u16(self, value: u16) -> Result<String, DigestError> {
        self.serialize_u128(value.into())
    }
    fn serialize_u32(self, value: u32) -> Result<String, DigestError> {
        self.serialize_u128(value.into())
    }
    fn serialize_u64(self, value: u64) -> Result<String, DigestError> {
        self.serialize_u128(value.into())
    }
    fn serialize_u128(self, value: u128) -> Result<String, DigestError> {
        integer(value, false)
    }
    fn serialize_f32(self, value: f32) -> Result<String, DigestError> {
        number(value.into())
    }
    fn serialize_f64(self, value: f64) -> Result<String, DigestError> {
        number(value)
    }
    fn serialize_char(self, value: char) -> Result<String, DigestError> {
        Ok(string(value.encode_utf8(&mut [0; 4])))
    }
    fn serialize_str(self, value: &str) -> Result<String, DigestError> {
        Ok(string(value))
    }
    fn serialize_bytes(self, value: &[u8]) -> Result<String, DigestError> {
        value.serialize(self)
    }
    fn serialize_none(self) -> Result<String, DigestError> {
        self.serialize_unit()
    }
    fn serialize_some<T: Serialize + ?Sized>(self, value: &T) -> Result<String, DigestError> {
        value.serialize(self)
    }
    fn serialize_unit(self) -> Result<String, DigestError> {
        Ok("null".to_owned())
    }
    fn serialize_unit_struct(self, _: &'static str) -> Result<String, DigestError> {
        self.serialize_unit()
    }
    fn serialize_unit_variant(
        self,
        _: &'static str,
        _: u32,
        variant: &'static str,
    ) -> Result<String, DigestError> {
        Ok(string(variant))
    }
    fn serialize_newtype_struct<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        value: &T,
    ) -> Result<String, DigestError> {
        value.serialize(self)
    }
    fn serialize_newtype_variant<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        _: u32,
        variant: &'static str,
        value: &T,
    ) -> Result<String, DigestError> {
        Ok(tagged(variant, &value.serialize(self)?))
    }
    fn serialize_seq(self, _: Option<usize>) -> Result<Array, DigestError> {
        Ok(Array::default())
    }
    fn serialize_tuple(self, _: usize) -> Result<Array, DigestError> {
        Ok(Array::default())
    }
    fn serialize_tuple_struct(self, _: &'static str, _: usize) -> Result<Array, DigestError> {
        Ok(Array::default())
    }
    fn serialize_tuple_variant(
        self,
        _: &'static str,
        _: u32,
        variant: &'static str,
        _: usize,
    ) -> Result<Array, DigestError> {
        Ok(Array {
            variant: Some(variant),
            ..Array::default()
        })
    }
    fn serialize_map(self, _: Option<usize>) -> Result<Members, DigestError> {
        Ok(Members::default())
    }
    fn serialize_struct(self, _: &'static str, _: usize) -> Result<Members, DigestError> {
        Ok(Members::default())
    }
    fn serialize_struct_variant(
        self,
        _: &'static str,
        _: u32,
        variant: &'static str,
        _: usize,
    ) -> Result<Members, DigestError> {
        Ok(Members {
            variant: Some(variant),
            ..Members::default()
        })
    }
}

/// An array being gathered.
#[derive(Default)]
struct Array {
    variant: Option<&'static str>,
    elements: Vec<String>,
}

impl Array {
    fn push<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), DigestError> {
        self.elements.push(value.serialize(Canonical)?);
        Ok(())
    }

    fn finish(self) -> String {
        let array = format!("[{}]", self.elements.join(","));
        self.variant
            .map_or_else(|| array.clone(), |variant| tagged(variant, &array))
    }
}

/// An object being gathered, with the key that waits for its value.
#[derive(Default)]
struct Members {
    variant: Option<&'static str>,
    object: Object,
    key: Option<String>,
}

impl Members {
    fn finish(self) -> String {
        let object = self.object.finish();
        self.variant
            .map_or_else(|| object.clone(), |variant| tagged(variant, &object))
    }
}

impl ser::SerializeSeq for Array {
    type Ok = String;
    type Error = DigestError;
    fn serialize_element<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), DigestError> {
        self.push(value)
    }
    fn end(self) -> Result<String, DigestError> {
        Ok(self.finish())
    }
}
impl ser::SerializeTuple for Array {
    type Ok = String;
    type Error = DigestError;
    fn serialize_element<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), DigestError> {
        self.push(value)
    }
    fn end(self) -> Result<String, DigestError> {
        Ok(self.finish())
    }
}
impl ser::SerializeTupleStruct for Array {
    type Ok = String;
    type Error = DigestError;
    fn serialize_field<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), DigestError> {
        self.push(value)
    }
    fn end(self) -> Result<String, DigestError> {
        Ok(self.finish())
    }
}
impl ser::SerializeTupleVariant for Array {
    type Ok = String;
    type Error = DigestError;
    fn serialize_field<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), DigestError> {
        self.push(value)
    }
    fn end(self) -> Result<String, DigestError> {
        Ok(self.finish())
    }
}

impl ser::SerializeMap for Members {
    type Ok = String;
    type Error = DigestError;
    fn serialize_key<T: Serialize + ?Sized>(&mut self, key: &T) -> Result<(), DigestError> {
        self.key = Some(key_text(key)?);
        Ok(())
    }
    fn serialize_value<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), DigestError> {
        let key = self
            .key
            .take()
            .ok_or_else(|| ser::Error::custom("a value came before its key"))?;
        self.object.insert(&key, value.serialize(Canonical)?)
    }
    fn end(self) -> Result<String, DigestError> {
        Ok(self.finish())
    }
}
impl ser::SerializeStruct for Members {
    type Ok = String;
    type Error = DigestError;
    fn serialize_field<T: Serialize + ?Sized>(
        &mut self,
        key: &'static str,
        value: &T,
    ) -> Result<(), DigestError> {
        self.object.insert(key, value.serialize(Canonical)?)
    }
    fn end(self) -> Result<String, DigestError> {
        Ok(self.finish())
    }
}
impl ser::SerializeStructVariant for Members {
    type Ok = String;
    type Error = DigestError;
    fn serialize_field<T: Serialize + ?Sized>(
        &mut self,
        key: &'static str,
        value: &T,
    ) -> Result<(), DigestError> {
        self.object.insert(key, value.serialize(Canonical)?)
    }
    fn end(self) -> Result<String, DigestError> {
        Ok(self.finish())
    }
}

#[cfg(test)]
mod tests {
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
}
