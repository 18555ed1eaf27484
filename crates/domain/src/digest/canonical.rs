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
mod tests;
