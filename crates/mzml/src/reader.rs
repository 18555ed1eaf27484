//! The reading machine: walks the markup of a slice and turns items into traces.
//!
//! It works on whatever part of the file is in memory. Fed from a stream it asks for more bytes between tokens,
//! and never starts a chromatogram or spectrum before its end tag is there; given a whole file it runs straight
//! through the slice.

mod attributes;
mod start;

use std::collections::{BTreeMap, VecDeque};

use spotwright_domain::trace::Trace;

use crate::elements::Element;
use crate::error::{At, ItemRef, ReadError};
use crate::finish::{Deferred, Known};
use crate::item::{Item, OwnedParam};
use crate::srm::Gathered;
use crate::xml::{self, Fault, Tag, Token};
use crate::{ChecksumState, FileSummary, IndexState, ReadOptions, Scratch, Wanted};

/// What a step came to.
pub(crate) enum Step {
    /// More bytes are needed; everything before the position may be let go.
    More,
    Trace(Box<Trace>),
    End,
}

/// What became of a start tag.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Started {
    /// It opens an item whose end is not in memory yet; nothing was taken in.
    Waiting,
    /// It is on the stack.
    Open,
    /// A parameter without content: done.
    Done,
}

struct Frame {
    element: Element,
    declared: Option<u64>,
    children: u64,
}

pub(crate) struct Machine<'w> {
    pub(crate) options: ReadOptions,
    pub(crate) wanted: Option<Wanted<'w>>,
    stack: Vec<Frame>,
    root_done: bool,
    latin1: bool,
    groups: BTreeMap<Vec<u8>, Vec<OwnedParam>>,
    group: Option<Vec<u8>>,
    /// The open item: where it starts in the slice and how deep the stack was.
    open_item: Option<(usize, usize)>,
    /// Up to where (absolute) an item's end tag has been looked for in vain.
    searched: u64,
    text_seen: bool,
    seen_once: Vec<Element>,
    pub(crate) gathered: Gathered,
    pub(crate) known: Known,
    pub(crate) queue: VecDeque<Trace>,
    /// Whether arrays may be left to be decoded in batches by whoever holds the slice.
    pub(crate) defer: bool,
    /// What is left to do for the trace just handed out.
    pub(crate) deferred: Option<Deferred>,
    /// Offsets of all chromatograms and spectra, to judge the index by.
    starts: Vec<u64>,
    index_offsets: u64,
    index_wrong: u64,
    /// Offset just behind the `fileChecksum` start tag.
    pub(crate) checksum_end: Option<u64>,
    checksum_text: Option<(u64, String)>,
    pub(crate) summary: FileSummary,
}

impl<'w> Machine<'w> {
    pub(crate) fn new(options: &ReadOptions, wanted: Option<Wanted<'w>>) -> Self {
        Self {
            options: options.clone(),
            wanted,
            stack: vec![Frame {
                element: Element::Document,
                declared: None,
                children: 0,
            }],
            root_done: false,
            latin1: false,
            groups: BTreeMap::new(),
            group: None,
            open_item: None,
            searched: 0,
            text_seen: false,
            seen_once: Vec::new(),
            gathered: Gathered::default(),
            known: Known::default(),
            queue: VecDeque::new(),
            defer: false,
            deferred: None,
            starts: Vec::new(),
            index_offsets: 0,
            index_wrong: 0,
            checksum_end: None,
            checksum_text: None,
            summary: FileSummary::default(),
        }
    }

    /// Reads on from `*pos` in `buf`, whose first byte is byte `base` of the file; `whole` says that the file
    /// ends with `buf`.
    pub(crate) fn step(
        &mut self,
        buf: &[u8],
        base: u64,
        pos: &mut usize,
        whole: bool,
        scratch: &mut Scratch,
    ) -> Result<Step, ReadError> {
        if let Some(trace) = self.queue.pop_front() {
            return Ok(Step::Trace(Box::new(trace)));
        }
        let mut tag = std::mem::take(&mut scratch.tag);
        let mut item = std::mem::take(&mut scratch.item);
        let result = self.run(Slice { buf, base, whole }, pos, &mut tag, &mut item, scratch);
        scratch.tag = tag;
        scratch.item = item;
        result
    }

    fn run(
        &mut self,
        slice: Slice<'_>,
        pos: &mut usize,
        tag: &mut Tag,
        item: &mut Item,
        scratch: &mut Scratch,
    ) -> Result<Step, ReadError> {
        let Slice { buf, base, whole } = slice;
        loop {
            let Some(length) = memchr::memchr(b'<', &buf[*pos..]) else {
                return if whole {
                    self.at_end(slice, *pos, item)
                } else {
                    Ok(self.more(pos, item))
                };
            };
            self.text(slice, *pos..*pos + length, item)?;
            *pos += length;
            let token = match xml::markup(buf, *pos, tag) {
                Ok(Token::More) if whole => {
                    let at = self.at(base + buf.len() as u64, item);
                    return Err(ReadError::EarlyEnd {
                        at,
                        open: self.top().name(),
                    });
                }
                Ok(token) => token,
                Err(fault) => return Err(self.fault(fault, base, *pos, item)),
            };
            match token {
                Token::More => return Ok(self.more(pos, item)),
                Token::Skip { end } => {
                    self.declaration(&buf[*pos..end], base + *pos as u64, item)?;
                    *pos = end;
                }
                Token::Start { end } => {
                    let started = self.start(slice, *pos, end, tag, item)?;
                    if started == Started::Waiting {
                        return Ok(Step::More);
                    }
                    *pos = end;
                    if started == Started::Open
                        && tag.self_closing()
                        && let Some(trace) = self.end(slice, end, item, scratch)?
                    {
                        return Ok(Step::Trace(Box::new(trace)));
                    }
                }
                Token::End { name, end } => {
                    if &buf[name.clone()] != self.top().name().as_bytes() || self.stack.len() == 1 {
                        let found = String::from_utf8_lossy(&buf[name]).into_owned();
                        let at = self.at(base + *pos as u64, item);
                        return Err(ReadError::TagMismatch {
                            at,
                            expected: self.top().name(),
                            found,
                        });
                    }
                    *pos = end;
                    if let Some(trace) = self.end(slice, end, item, scratch)? {
                        return Ok(Step::Trace(Box::new(trace)));
                    }
                }
            }
        }
    }

    fn top(&self) -> Element {
        self.stack.last().map_or(Element::Document, |frame| frame.element)
    }

    fn parent(&self) -> Element {
        self.stack
            .iter()
            .rev()
            .nth(1)
            .map_or(Element::Document, |frame| frame.element)
    }

    pub(crate) fn at(&self, byte: u64, item: &Item) -> At {
        let item = self.open_item.map(|_| {
            Box::new(ItemRef {
                element: if item.is_spectrum {
                    "spectrum"
                } else {
                    "chromatogram"
                },
                index: item.index,
                id: item.id.clone(),
            })
        });
        At { byte, item }
    }

    fn fault(&self, fault: Fault, base: u64, pos: usize, item: &Item) -> ReadError {
        let at = |offset: usize| self.at(base + offset as u64, item);
        match fault {
            Fault::Doctype => ReadError::Doctype { at: at(pos) },
            Fault::Cdata => ReadError::Cdata { at: at(pos) },
            Fault::Malformed { at: offset, what } => ReadError::Malformed { at: at(offset), what },
        }
    }

    /// Goes back to the start of an item that turns out not to be there in full (its end tag stood in a comment).
    fn more(&mut self, pos: &mut usize, item: &mut Item) -> Step {
        if let Some((start, depth)) = self.open_item.take() {
            *pos = start;
            self.stack.truncate(depth);
            if let Some(list) = self.stack.last_mut() {
                list.children -= 1;
            }
            self.starts.pop();
            item.reset(false, 0);
        }
        Step::More
    }

    fn at_end(&mut self, slice: Slice<'_>, pos: usize, item: &Item) -> Result<Step, ReadError> {
        let at = self.at(slice.base + slice.buf.len() as u64, item);
        if self.stack.len() > 1 || !self.root_done {
            return Err(ReadError::EarlyEnd {
                at,
                open: self.top().name(),
            });
        }
        if let Some(stray) = slice.buf[pos..].iter().position(|&byte| !xml::is_space(byte)) {
            return Err(ReadError::TrailingContent {
                at: self.at(slice.base + (pos + stray) as u64, item),
            });
        }
        self.summary.complete = true;
        self.summary.bytes = slice.base + slice.buf.len() as u64;
        Ok(Step::End)
    }

    /// The XML declaration says the encoding; comments and other instructions say nothing.
    fn declaration(&mut self, token: &[u8], byte: u64, item: &Item) -> Result<(), ReadError> {
        let Some(body) = token.strip_prefix(b"<?xml") else {
            return Ok(());
        };
        if !body.first().is_some_and(|&b| xml::is_space(b)) {
            return Ok(());
        }
        if byte > 3 {
            let what = "an XML declaration that is not at the start";
            return Err(ReadError::Malformed {
                at: self.at(byte, item),
                what,
            });
        }
        let Some(start) = memchr::memmem::find(body, b"encoding") else {
            return Ok(());
        };
        let rest = body[start + 8..].trim_ascii_start();
        let rest = rest.strip_prefix(b"=").unwrap_or(rest).trim_ascii_start();
        let name = rest
            .split_first()
            .and_then(|(quote, rest)| rest.iter().position(|b| b == quote).map(|end| &rest[..end]))
            .unwrap_or_default();
        match name.to_ascii_lowercase().as_slice() {
            b"utf-8" | b"utf8" | b"us-ascii" | b"ascii" => Ok(()),
            b"iso-8859-1" | b"latin1" | b"latin-1" => {
                self.latin1 = true;
                Ok(())
            }
            _ => Err(ReadError::Encoding {
                name: String::from_utf8_lossy(name).into_owned(),
            }),
        }
    }

    fn text(
        &mut self,
        slice: Slice<'_>,
        range: std::ops::Range<usize>,
        item: &mut Item,
    ) -> Result<(), ReadError> {
        let text = &slice.buf[range.clone()];
        let Some(stray) = text.iter().position(|&byte| !xml::is_space(byte)) else {
            return Ok(());
        };
        let byte = slice.base + (range.start + stray) as u64;
        let top = self.top();
        if !top.holds_text() {
            if self.root_done {
                return Err(ReadError::TrailingContent {
                    at: self.at(byte, item),
                });
            }
            let text = String::from_utf8_lossy(&text[stray..text.len().min(stray + 40)])
                .trim_end()
                .to_owned();
            return Err(ReadError::StrayText {
                at: self.at(byte, item),
                text,
            });
        }
        if self.text_seen {
            let what = "text in two parts";
            return Err(ReadError::Malformed {
                at: self.at(byte, item),
                what,
            });
        }
        self.text_seen = true;
        match top {
            Element::Binary => {
                if let Some(array) = item.array() {
                    array.text = range;
                }
            }
            Element::FileChecksum => {
                let stated = String::from_utf8_lossy(&text[..text.len().min(200)])
                    .trim()
                    .to_owned();
                self.checksum_text = Some((byte, stated));
            }
            Element::Offset => {
                self.index_offsets += 1;
                let offset = std::str::from_utf8(text)
                    .ok()
                    .and_then(|text| text.trim().parse::<u64>().ok());
                let right = offset.is_some_and(|offset| self.starts.binary_search(&offset).is_ok());
                self.index_wrong += u64::from(!right);
            }
            _ => {}
        }
        Ok(())
    }

    /// Takes an end tag (or the end of an empty element) in; the end of an item may give a trace.
    fn end(
        &mut self,
        slice: Slice<'_>,
        end: usize,
        item: &mut Item,
        scratch: &mut Scratch,
    ) -> Result<Option<Trace>, ReadError> {
        let byte = slice.base + end as u64;
        let Some(frame) = self.stack.pop() else {
            return Ok(None);
        };
        let element = frame.element;
        // Fewer than declared: something is lost. More: the count is careless, as real files show; all are kept.
        if let Some(expected) = frame.declared
            && expected > frame.children
        {
            let at = self.at(byte, item);
            return Err(ReadError::CountMismatch {
                at,
                list: element.name(),
                expected,
                found: frame.children,
            });
        }
        if self.open_item.is_some() && frame.declared.is_some_and(|declared| declared < frame.children) {
            let (name, found) = (element.name(), frame.children);
            item.notes
                .push(format!("{name} holds {found} entries, more than its count says"));
        }
        match element {
            Element::Chromatogram => {
                self.summary.chromatograms_found += 1;
                let trace = self.finish_chromatogram(slice.buf, byte, item, &mut scratch.buffers)?;
                self.open_item = None;
                return Ok(trace);
            }
            Element::Spectrum => {
                self.summary.spectra_found += 1;
                self.finish_spectrum(slice.buf, byte, item, &mut scratch.buffers)?;
                self.open_item = None;
            }
            Element::SpectrumList => {
                self.release_series();
                return Ok(self.queue.pop_front());
            }
            Element::ReferenceableParamGroup => self.group = None,
            Element::IndexedMzml | Element::Mzml => self.root_done = self.stack.len() == 1,
            _ => {}
        }
        Ok(None)
    }

    /// Holds the stated checksum against the computed one and closes the summary.
    pub(crate) fn conclude(&mut self, digest: Option<String>) -> Result<(), ReadError> {
        self.summary.checksum = match (self.checksum_text.take(), self.checksum_end, digest) {
            (Some((_, stated)), Some(_), Some(computed))
                if stated.len() == 40 && stated.bytes().all(|byte| byte.is_ascii_hexdigit()) =>
            {
                if !stated.eq_ignore_ascii_case(&computed) {
                    return Err(ReadError::Checksum { stated, computed });
                }
                ChecksumState::Verified
            }
            (Some((_, stated)), Some(_), _) if stated == "0" => ChecksumState::Placeholder,
            (None, Some(_), _) => ChecksumState::Placeholder,
            (Some((byte, stated)), ..) => {
                return Err(ReadError::ChecksumText {
                    at: At { byte, item: None },
                    stated,
                });
            }
            (None, None, _) => ChecksumState::Absent,
        };
        self.summary.index = if !self.summary.indexed || self.index_offsets == 0 {
            IndexState::Absent
        } else if self.index_wrong == 0 && self.index_offsets == self.starts.len() as u64 {
            IndexState::Agrees
        } else {
            IndexState::Disagrees
        };
        Ok(())
    }
}

/// The part of the file in memory.
#[derive(Clone, Copy)]
struct Slice<'b> {
    buf: &'b [u8],
    base: u64,
    whole: bool,
}
