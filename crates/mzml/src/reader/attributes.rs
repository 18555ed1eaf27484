//! Attributes and parameters of a start tag, as text, numbers and references.

use super::Machine;
use crate::elements::Element;
use crate::error::ReadError;
use crate::item::{Item, OwnedParam, Param, ParamFault};
use crate::xml::{RawParameter, Tag};

impl Machine<'_> {
    pub(super) fn read_param<'b>(
        &self,
        buf: &'b [u8],
        byte: u64,
        tag: &Tag,
        element: Element,
        item: &Item,
    ) -> Result<Param<'b>, ReadError> {
        let user = element == Element::UserParam;
        let RawParameter {
            accession,
            name,
            value,
            unit,
        } = tag.parameter(buf);
        let missing = |attribute| ReadError::MissingAttribute {
            at: self.at(byte, item),
            element: element.name(),
            attribute,
        };
        let number = match accession {
            Some(number) if !user => number,
            None if !user => return Err(missing("accession")),
            _ => None,
        };
        let name = name.ok_or_else(|| missing("name"))?;
        Ok(Param {
            number,
            name,
            value,
            unit,
            user,
        })
    }

    pub(super) fn take_param(
        &mut self,
        on: Element,
        parent: Element,
        param: &Param<'_>,
        byte: u64,
        item: &mut Item,
    ) -> Result<(), ReadError> {
        if let Some(id) = &self.group {
            if let Some(group) = self.groups.get_mut(id) {
                group.push(OwnedParam::from(*param));
            }
            return Ok(());
        }
        if self.open_item.is_none() {
            return Ok(());
        }
        item.param(on, parent, param)
            .map_err(|fault| self.param_fault(fault, byte, item))
    }

    pub(super) fn take_group(
        &mut self,
        buf: &[u8],
        byte: u64,
        tag: &Tag,
        item: &mut Item,
    ) -> Result<(), ReadError> {
        let (on, parent) = (self.top(), self.parent());
        let id = self.required(buf, byte, tag, Element::ReferenceableParamGroupRef, "ref", item)?;
        let Some(group) = self.groups.get(id) else {
            let id = String::from_utf8_lossy(id).into_owned();
            return Err(ReadError::UnknownGroup {
                at: self.at(byte, item),
                id,
            });
        };
        if self.open_item.is_some() {
            for param in group {
                item.param(on, parent, &param.as_param())
                    .map_err(|fault| self.param_fault(fault, byte, item))?;
            }
        }
        Ok(())
    }

    fn param_fault(&self, fault: ParamFault, byte: u64, item: &Item) -> ReadError {
        let at = self.at(byte, item);
        match fault {
            ParamFault::Value {
                term,
                found,
                expected,
            } => ReadError::BadAttribute {
                at,
                element: "cvParam",
                attribute: term,
                found: String::from_utf8_lossy(&found).into_owned(),
                expected,
            },
            ParamFault::Unit { found } => ReadError::TimeUnit {
                at,
                unit: String::from_utf8_lossy(&found).into_owned(),
            },
        }
    }

    pub(super) fn required<'b>(
        &self,
        buf: &'b [u8],
        byte: u64,
        tag: &Tag,
        element: Element,
        attribute: &'static str,
        item: &Item,
    ) -> Result<&'b [u8], ReadError> {
        tag.get(buf, attribute.as_bytes())
            .ok_or_else(|| ReadError::MissingAttribute {
                at: self.at(byte, item),
                element: element.name(),
                attribute,
            })
    }

    pub(super) fn required_text(
        &self,
        buf: &[u8],
        byte: u64,
        tag: &Tag,
        element: Element,
        attribute: &'static str,
        item: &Item,
    ) -> Result<String, ReadError> {
        let raw = self.required(buf, byte, tag, element, attribute, item)?;
        self.decode_text(raw, byte, item)
    }

    pub(super) fn whole_number(
        &self,
        raw: &[u8],
        byte: u64,
        element: Element,
        attribute: &'static str,
        item: &Item,
    ) -> Result<u64, ReadError> {
        let digits = raw.trim_ascii();
        let value = if digits.iter().all(u8::is_ascii_digit) {
            std::str::from_utf8(digits)
                .ok()
                .and_then(|digits| digits.parse().ok())
        } else {
            None
        };
        value.ok_or_else(|| ReadError::BadAttribute {
            at: self.at(byte, item),
            element: element.name(),
            attribute,
            found: String::from_utf8_lossy(raw).into_owned(),
            expected: "a whole number",
        })
    }

    /// An attribute's text in the file's encoding, entities resolved.
    pub(super) fn decode_text(&self, raw: &[u8], byte: u64, item: &Item) -> Result<String, ReadError> {
        let text = match std::str::from_utf8(raw) {
            Ok(text) if raw.is_ascii() || !self.latin1 => text.to_owned(),
            _ if self.latin1 => raw.iter().map(|&byte| char::from(byte)).collect(),
            _ => {
                return Err(ReadError::Utf8 {
                    at: self.at(byte, item),
                });
            }
        };
        if !text.contains('&') {
            return Ok(text);
        }
        resolve_entities(&text).map_err(|entity| ReadError::Entity {
            at: self.at(byte, item),
            entity,
        })
    }
}

/// Resolves the predefined entities and character references; anything else is handed back as the error.
fn resolve_entities(text: &str) -> Result<String, String> {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(start) = rest.find('&') {
        out.push_str(&rest[..start]);
        let reference = &rest[start..];
        let end = reference
            .find(';')
            .ok_or_else(|| reference.chars().take(20).collect::<String>())?;
        let name = &reference[1..end];
        let character = match name {
            "lt" => Some('<'),
            "gt" => Some('>'),
            "amp" => Some('&'),
            "quot" => Some('"'),
            "apos" => Some('\''),
            _ => name
                .strip_prefix("#x")
                .map(|hex| u32::from_str_radix(hex, 16))
                .or_else(|| name.strip_prefix('#').map(str::parse))
                .and_then(Result::ok)
                .and_then(char::from_u32)
                .filter(|c| *c != '\0'),
        };
        out.push(character.ok_or_else(|| reference[..=end].to_owned())?);
        rest = &reference[end + 1..];
    }
    out.push_str(rest);
    Ok(out)
}
