//! A small pull tokenizer over a byte slice: start tags with their attributes, end tags, text.
//!
//! It knows just enough XML for mzML and refuses the rest by name. Tokens are ranges into the slice: nothing
//! is copied. It is stricter than it must be in three places, so that one damaged byte cannot swallow
//! elements: `--` ends a comment or is an error, a processing instruction may not hold `<`, and no `<` may
//! stand inside a tag.

use std::ops::Range;

use crate::elements::Element;
use crate::terms::ms_number;

/// One attribute: where its name and its value (without quotes) stand, from the `<` on.
#[derive(Debug, Clone, Default)]
struct Attribute {
    name: Range<usize>,
    value: Range<usize>,
}

/// One start tag taken apart.
#[derive(Debug, Default)]
struct Parsed {
    bytes: Vec<u8>,
    name: Range<usize>,
    attributes: Vec<Attribute>,
    self_closing: bool,
    /// What the name means.
    element: Option<Element>,
    parameter: Parameter,
}

/// Where the parts of a parameter stand, from the `<` on, and its term's number.
#[derive(Debug, Clone, Default)]
struct Parameter {
    accession: Option<Option<u32>>,
    name: Option<Range<usize>>,
    value: Range<usize>,
    unit: Option<Range<usize>>,
}

/// A parameter's attributes as they stand.
#[derive(Debug, Clone, Copy)]
pub(crate) struct RawParameter<'b> {
    /// The PSI-MS term's number, when the accession is one; `None`: no accession.
    pub(crate) accession: Option<Option<u32>>,
    pub(crate) name: Option<&'b [u8]>,
    pub(crate) value: &'b [u8],
    pub(crate) unit: Option<&'b [u8]>,
}

/// The last start tag, and the tags of the item before: chromatograms of a file repeat each other tag by tag, and
/// comparing a tag with its predecessor is much cheaper than taking it apart again.
#[derive(Debug)]
pub(crate) struct Tag {
    start: usize,
    current: usize,
    next: usize,
    parsed: Vec<Parsed>,
}

impl Default for Tag {
    fn default() -> Self {
        let parsed = (0..Self::REMEMBERED).map(|_| Parsed::default()).collect();
        Self {
            start: 0,
            current: 0,
            next: 0,
            parsed,
        }
    }
}

impl Tag {
    const REMEMBERED: usize = 64;

    /// Says that an item (chromatogram or spectrum) starts, whose tags may repeat those of the one before.
    pub(crate) fn item_starts(&mut self) {
        self.next = 0;
    }

    fn parsed(&self) -> &Parsed {
        &self.parsed[self.current]
    }

    pub(crate) fn self_closing(&self) -> bool {
        self.parsed().self_closing
    }

    /// What the tag's name means in mzML; `None`: nothing.
    pub(crate) fn element(&self) -> Option<Element> {
        self.parsed().element
    }

    /// The attributes that matter of a `cvParam` or `userParam`.
    pub(crate) fn parameter<'b>(&self, buf: &'b [u8]) -> RawParameter<'b> {
        let tag = &buf[self.start..];
        let Parameter {
            accession,
            name,
            value,
            unit,
        } = &self.parsed().parameter;
        RawParameter {
            accession: *accession,
            name: name.clone().map(|name| &tag[name]),
            value: &tag[value.clone()],
            unit: unit.clone().map(|unit| &tag[unit]),
        }
    }

    pub(crate) fn name<'b>(&self, buf: &'b [u8]) -> &'b [u8] {
        &buf[self.start..][self.parsed().name.clone()]
    }

    /// The raw value of an attribute (entities not resolved).
    pub(crate) fn get<'b>(&self, buf: &'b [u8], name: &[u8]) -> Option<&'b [u8]> {
        self.attributes(buf)
            .find(|(found, _)| *found == name)
            .map(|(_, value)| value)
    }

    pub(crate) fn attributes<'b>(&self, buf: &'b [u8]) -> impl Iterator<Item = (&'b [u8], &'b [u8])> {
        let tag = &buf[self.start..];
        self.parsed()
            .attributes
            .iter()
            .map(move |a| (&tag[a.name.clone()], &tag[a.value.clone()]))
    }
}

/// What stands at a position.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum Token {
    /// A start tag, described in the [`Tag`] passed in; the token ends here.
    Start { end: usize },
    /// An end tag.
    End { name: Range<usize>, end: usize },
    /// A comment or processing instruction; its content is of no use.
    Skip { end: usize },
    /// The slice ends inside the token.
    More,
}

/// Why a token cannot be read.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum Fault {
    Doctype,
    Cdata,
    Malformed { at: usize, what: &'static str },
}

/// Reads the markup that starts with the `<` at `start`.
pub(crate) fn markup(buf: &[u8], start: usize, tag: &mut Tag) -> Result<Token, Fault> {
    match buf.get(start + 1) {
        None => Ok(Token::More),
        Some(b'/') => end_tag(buf, start + 2),
        Some(b'!') => declaration(buf, start),
        Some(b'?') => instruction(buf, start),
        Some(_) => {
            let rest = &buf[start..];
            tag.start = start;
            tag.current = tag.next;
            tag.next = (tag.next + 1).min(Tag::REMEMBERED - 1);
            let parsed = &mut tag.parsed[tag.current];
            if !parsed.bytes.is_empty() && rest.starts_with(&parsed.bytes) {
                return Ok(Token::Start {
                    end: start + parsed.bytes.len(),
                });
            }
            parsed.bytes.clear();
            match start_tag(rest, parsed) {
                Ok(Token::Start { end }) => {
                    parsed.understand(rest);
                    parsed.bytes.extend_from_slice(&rest[..end]);
                    Ok(Token::Start { end: start + end })
                }
                Err(Fault::Malformed { at, what }) => Err(Fault::Malformed { at: start + at, what }),
                other => other,
            }
        }
    }
}

impl Parsed {
    /// Looks up what name and attributes mean, once for all tags that repeat this one.
    fn understand(&mut self, tag: &[u8]) {
        self.element = Element::from_name(&tag[self.name.clone()]);
        self.parameter = Parameter::default();
        if !matches!(self.element, Some(Element::CvParam | Element::UserParam)) {
            return;
        }
        for Attribute { name, value } in &self.attributes {
            match &tag[name.clone()] {
                b"accession" => self.parameter.accession = Some(ms_number(&tag[value.clone()])),
                b"name" => self.parameter.name = Some(value.clone()),
                b"value" => self.parameter.value = value.clone(),
                b"unitAccession" => self.parameter.unit = Some(value.clone()),
                _ => {}
            }
        }
    }
}

pub(crate) const fn is_space(byte: u8) -> bool {
    matches!(byte, b' ' | b'\t' | b'\n' | b'\r')
}

const fn is_name(byte: u8) -> bool {
    matches!(byte, b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'_' | b'-' | b'.' | b':' | 0x80..)
}

fn name(buf: &[u8], start: usize) -> Range<usize> {
    let length = buf[start..]
        .iter()
        .position(|&byte| !is_name(byte))
        .unwrap_or(buf.len() - start);
    start..start + length
}

fn skip_space(buf: &[u8], mut at: usize) -> usize {
    while buf.get(at).is_some_and(|&byte| is_space(byte)) {
        at += 1;
    }
    at
}

/// Takes the tag apart that starts with the `<` at 0.
fn start_tag(buf: &[u8], parsed: &mut Parsed) -> Result<Token, Fault> {
    parsed.attributes.clear();
    parsed.self_closing = false;
    parsed.name = name(buf, 1);
    let mut at = parsed.name.end;
    if parsed.name.is_empty() {
        return Err(Fault::Malformed {
            at,
            what: "no name after '<'",
        });
    }
    loop {
        let spaced = skip_space(buf, at);
        match buf.get(spaced) {
            None => return Ok(Token::More),
            Some(b'>') => return Ok(Token::Start { end: spaced + 1 }),
            Some(b'/') => {
                parsed.self_closing = true;
                return match buf.get(spaced + 1) {
                    None => Ok(Token::More),
                    Some(b'>') => Ok(Token::Start { end: spaced + 2 }),
                    Some(_) => Err(Fault::Malformed {
                        at: spaced,
                        what: "'/' not followed by '>'",
                    }),
                };
            }
            Some(_) if spaced == at => {
                return Err(Fault::Malformed {
                    at,
                    what: "expected white space before an attribute",
                });
            }
            Some(_) => {}
        }
        let attribute_name = name(buf, spaced);
        if attribute_name.is_empty() {
            return Err(Fault::Malformed {
                at: spaced,
                what: "expected an attribute name",
            });
        }
        let equals = skip_space(buf, attribute_name.end);
        match buf.get(equals) {
            None => return Ok(Token::More),
            Some(b'=') => {}
            Some(_) => {
                return Err(Fault::Malformed {
                    at: equals,
                    what: "expected '=' after an attribute name",
                });
            }
        }
        let quote_at = skip_space(buf, equals + 1);
        let quote = match buf.get(quote_at) {
            None => return Ok(Token::More),
            Some(&quote @ (b'"' | b'\'')) => quote,
            Some(_) => {
                return Err(Fault::Malformed {
                    at: quote_at,
                    what: "expected a quoted value",
                });
            }
        };
        let Some(length) = quote_or_tag(&buf[quote_at + 1..], quote) else {
            return Ok(Token::More);
        };
        let value = quote_at + 1..quote_at + 1 + length;
        at = value.end + 1;
        if buf[value.end] == b'<' {
            return Err(Fault::Malformed {
                at: value.end,
                what: "'<' inside a tag",
            });
        }
        let same = |a: &Attribute| {
            a.name.len() == attribute_name.len()
                && buf[a.name.start] == buf[attribute_name.start]
                && buf[a.name.clone()] == buf[attribute_name.clone()]
        };
        if parsed.attributes.iter().any(same) {
            return Err(Fault::Malformed {
                at: attribute_name.start,
                what: "an attribute stands twice",
            });
        }
        parsed.attributes.push(Attribute {
            name: attribute_name,
            value,
        });
    }
}

/// Position of the first `quote` or `<`. Values are a few bytes long, so eight bytes a step beats a call into a
/// wide-register search.
fn quote_or_tag(bytes: &[u8], quote: u8) -> Option<usize> {
    const ONES: u64 = 0x0101_0101_0101_0101;
    const HIGHS: u64 = 0x8080_8080_8080_8080;
    let (quotes, tags) = (ONES * u64::from(quote), ONES * u64::from(b'<'));
    let zero_bytes = |word: u64| word.wrapping_sub(ONES) & !word & HIGHS;
    let (words, _) = bytes.as_chunks::<8>();
    for (step, word) in words.iter().enumerate() {
        let word = u64::from_le_bytes(*word);
        let hits = zero_bytes(word ^ quotes) | zero_bytes(word ^ tags);
        if hits != 0 {
            return Some(step * 8 + hits.trailing_zeros() as usize / 8);
        }
    }
    let rest = words.len() * 8;
    bytes[rest..]
        .iter()
        .position(|&byte| byte == quote || byte == b'<')
        .map(|at| rest + at)
}

fn end_tag(buf: &[u8], start: usize) -> Result<Token, Fault> {
    let name = name(buf, start);
    let close = skip_space(buf, name.end);
    match buf.get(close) {
        None => Ok(Token::More),
        Some(b'>') => Ok(Token::End { name, end: close + 1 }),
        Some(_) => Err(Fault::Malformed {
            at: close,
            what: "expected '>' after an end tag's name",
        }),
    }
}

fn declaration(buf: &[u8], start: usize) -> Result<Token, Fault> {
    let rest = &buf[start..];
    let matches = |pattern: &[u8]| rest.iter().zip(pattern).all(|(a, b)| a == b);
    if matches(b"<!--") {
        let Some(body) = rest.get(4..) else {
            return Ok(Token::More);
        };
        let Some(dashes) = memchr::memmem::find(body, b"--") else {
            return Ok(Token::More);
        };
        let at = start + 4 + dashes;
        return match buf.get(at + 2) {
            None => Ok(Token::More),
            Some(b'>') => Ok(Token::Skip { end: at + 3 }),
            Some(_) => Err(Fault::Malformed {
                at,
                what: "'--' inside a comment",
            }),
        };
    }
    if matches(b"<!DOCTYPE") {
        return Err(Fault::Doctype);
    }
    if matches(b"<![CDATA[") {
        return Err(Fault::Cdata);
    }
    Err(Fault::Malformed {
        at: start,
        what: "'<!' opens neither a comment nor anything else allowed",
    })
}

fn instruction(buf: &[u8], start: usize) -> Result<Token, Fault> {
    let body = &buf[start + 2..];
    for hit in memchr::memchr2_iter(b'?', b'<', body) {
        let at = start + 2 + hit;
        match (body[hit], buf.get(at + 1)) {
            (b'<', _) => {
                return Err(Fault::Malformed {
                    at,
                    what: "'<' inside a processing instruction",
                });
            }
            (_, Some(b'>')) => return Ok(Token::Skip { end: at + 2 }),
            _ => {}
        }
    }
    Ok(Token::More)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Token, Fault> {
        markup(text.as_bytes(), 0, &mut Tag::default())
    }

    #[test]
    fn a_tag_may_hold_the_end_sign_in_a_value() {
        // XML 1.0, production 10: '>' may stand in an attribute value, '<' may not.
        let text = b"<cv a='x>y' b = \"longer than eight bytes\"/>";
        let mut tag = Tag::default();
        assert_eq!(markup(text, 0, &mut tag), Ok(Token::Start { end: text.len() }));
        assert_eq!(tag.get(text, b"a"), Some(&b"x>y"[..]));
        assert_eq!(tag.get(text, b"b"), Some(&b"longer than eight bytes"[..]));
        assert!(tag.self_closing());
        assert!(matches!(read("<a b='<'>"), Err(Fault::Malformed { .. })));
    }

    #[test]
    fn every_cut_asks_for_more() {
        for whole in [
            "<a b='c' dd=\"ee\"/>",
            "</name >",
            "<!-- x -->",
            "<?xml version='1.0'?>",
        ] {
            for cut in 1..whole.len() {
                assert_eq!(read(&whole[..cut]), Ok(Token::More), "{:?}", &whole[..cut]);
            }
        }
    }

    #[test]
    fn what_could_swallow_elements_is_refused() {
        assert!(matches!(read("<!-- a -- b -->"), Err(Fault::Malformed { .. })));
        assert!(matches!(read("<?a <b/> ?>"), Err(Fault::Malformed { .. })));
        assert_eq!(read("<!DOCTYPE x [<!ENTITY a 'b'>]>"), Err(Fault::Doctype));
        assert_eq!(read("<![CDATA[x]]>"), Err(Fault::Cdata));
        assert!(matches!(read("<a b='1' b='2'>"), Err(Fault::Malformed { .. })));
    }
}
