//! Start tags: what each kind of element brings.

use super::{Frame, Machine, Slice, Started};
use crate::elements::Element;
use crate::error::ReadError;
use crate::item::Item;
use crate::xml::Tag;

impl Machine<'_> {
    /// Takes a start tag in.
    pub(super) fn start(
        &mut self,
        slice: Slice<'_>,
        pos: usize,
        end: usize,
        tag: &mut Tag,
        item: &mut Item,
    ) -> Result<Started, ReadError> {
        let Slice { buf, base, whole } = slice;
        let byte = base + pos as u64;
        let (top, parent) = (self.top(), self.parent());
        if self.root_done {
            return Err(ReadError::TrailingContent {
                at: self.at(byte, item),
            });
        }
        let Some(element) = tag.element() else {
            let name = String::from_utf8_lossy(tag.name(buf)).into_owned();
            return Err(if top == Element::Document {
                ReadError::NotMzml { root: name }
            } else {
                ReadError::UnknownElement {
                    at: self.at(byte, item),
                    name,
                }
            });
        };
        if !element.may_stand_in(top) {
            return Err(if top == Element::Document {
                ReadError::NotMzml {
                    root: element.name().to_owned(),
                }
            } else {
                ReadError::Misplaced {
                    at: self.at(byte, item),
                    name: element.name(),
                    parent: top.name(),
                }
            });
        }
        match element {
            Element::CvParam | Element::UserParam => {
                let param = self.read_param(buf, byte, tag, element, item)?;
                self.take_param(top, parent, &param, byte, item)?;
                if tag.self_closing() {
                    return Ok(Started::Done);
                }
            }
            Element::ReferenceableParamGroupRef => self.take_group(buf, byte, tag, item)?,
            Element::Chromatogram | Element::Spectrum => {
                if !whole && !tag.self_closing() && !self.item_is_here(buf, base, pos, element) {
                    return Ok(Started::Waiting);
                }
                let index = self.stack.last().map_or(0, |list| list.children);
                item.reset(element == Element::Spectrum, index);
                tag.item_starts();
                self.open_item = Some((pos, self.stack.len()));
                self.starts.push(byte);
                item.id = self.required_text(buf, byte, tag, element, "id", item)?;
                let points = self.required(buf, byte, tag, element, "defaultArrayLength", item)?;
                item.points = self.whole_number(points, byte, element, "defaultArrayLength", item)?;
                if let Some(stated) = tag.get(buf, b"index") {
                    item.stated_index = Some(self.whole_number(stated, byte, element, "index", item)?);
                }
            }
            Element::BinaryDataArray => {
                let encoded = self.required(buf, byte, tag, element, "encodedLength", item)?;
                let encoded = self.whole_number(encoded, byte, element, "encodedLength", item)?;
                let length = match tag.get(buf, b"arrayLength") {
                    Some(length) => Some(self.whole_number(length, byte, element, "arrayLength", item)?),
                    None => None,
                };
                let array = item.new_array(byte);
                array.encoded_length = encoded;
                array.array_length = length;
            }
            _ => self.other_start(slice, pos, end, tag, element, item)?,
        }
        if let Some(frame) = self.stack.last_mut()
            && !matches!(
                element,
                Element::CvParam | Element::UserParam | Element::ReferenceableParamGroupRef
            )
        {
            frame.children += 1;
        }
        let count = if element.count_is_checked() {
            tag.get(buf, b"count")
        } else {
            None
        };
        let declared = match count {
            Some(count) => Some(self.whole_number(count, byte, element, "count", item)?),
            None => None,
        };
        self.text_seen = false;
        self.stack.push(Frame {
            element,
            declared,
            children: 0,
        });
        Ok(Started::Open)
    }

    /// Start tags other than parameters, items and arrays.
    fn other_start(
        &mut self,
        slice: Slice<'_>,
        pos: usize,
        end: usize,
        tag: &Tag,
        element: Element,
        item: &mut Item,
    ) -> Result<(), ReadError> {
        let Slice { buf, base, .. } = slice;
        let byte = base + pos as u64;
        // What may stand only once in the file, or once in an item.
        match element {
            Element::Mzml
            | Element::IndexList
            | Element::FileChecksum
            | Element::ReferenceableParamGroupList
            | Element::Run
            | Element::SpectrumList
            | Element::ChromatogramList => {
                if self.seen_once.contains(&element) {
                    return Err(ReadError::Repeated {
                        at: self.at(byte, item),
                        name: element.name(),
                    });
                }
                self.seen_once.push(element);
            }
            Element::BinaryDataArrayList if item.array_count > 0 => {
                return Err(ReadError::Repeated {
                    at: self.at(byte, item),
                    name: element.name(),
                });
            }
            _ => {}
        }
        match element {
            Element::Precursor => {
                item.precursors += 1;
                if !item.is_spectrum && item.precursors > 1 {
                    return Err(ReadError::Repeated {
                        at: self.at(byte, item),
                        name: element.name(),
                    });
                }
            }
            Element::Product => {
                if !item.is_spectrum && !item.products.is_empty() {
                    return Err(ReadError::Repeated {
                        at: self.at(byte, item),
                        name: element.name(),
                    });
                }
                item.products.push(crate::item::Window::default());
            }
            Element::Scan => item.scans += 1,
            Element::ScanWindow => item.scan_windows.push(crate::item::ScanWindow::default()),
            Element::IndexedMzml => {
                self.summary.indexed = true;
                self.namespace(buf, tag)?;
            }
            Element::Mzml => self.root(buf, byte, tag, item)?,
            Element::Run => {
                let optional = |name: &[u8]| tag.get(buf, name).map(|raw| self.decode_text(raw, byte, item));
                let (id, stamp) = (
                    optional(b"id").transpose()?,
                    optional(b"startTimeStamp").transpose()?,
                );
                self.summary.run_id = id;
                self.summary.start_time_stamp = stamp;
            }
            Element::ReferenceableParamGroup => {
                let id = self.required(buf, byte, tag, element, "id", item)?.to_vec();
                if self.groups.insert(id.clone(), Vec::new()).is_some() {
                    return Err(ReadError::Repeated {
                        at: self.at(byte, item),
                        name: element.name(),
                    });
                }
                self.group = Some(id);
            }
            Element::SpectrumList | Element::ChromatogramList => {
                let declared = match tag.get(buf, b"count") {
                    Some(count) => Some(self.whole_number(count, byte, element, "count", item)?),
                    None => None,
                };
                if element == Element::SpectrumList {
                    self.summary.spectra_declared = declared;
                } else {
                    self.summary.chromatograms_declared = declared;
                    self.known.count_missing = declared.is_none();
                }
            }
            Element::FileChecksum => self.checksum_end = Some(base + end as u64),
            _ => {}
        }
        Ok(())
    }

    fn namespace(&self, buf: &[u8], tag: &Tag) -> Result<(), ReadError> {
        match tag.get(buf, b"xmlns") {
            None | Some(b"http://psi.hupo.org/ms/mzml") => Ok(()),
            Some(other) => Err(ReadError::SchemaVersion {
                version: String::from_utf8_lossy(other).into_owned(),
            }),
        }
    }

    fn root(&mut self, buf: &[u8], byte: u64, tag: &Tag, item: &Item) -> Result<(), ReadError> {
        let version = self.required_text(buf, byte, tag, Element::Mzml, "version", item)?;
        if version != "1.1" && !version.starts_with("1.1.") {
            return Err(ReadError::SchemaVersion { version });
        }
        self.namespace(buf, tag)?;
        self.summary.schema_version = version;
        Ok(())
    }

    /// Whether the end tag of the item at `pos` is in memory.
    fn item_is_here(&mut self, buf: &[u8], base: u64, pos: usize, element: Element) -> bool {
        let closing: &[u8] = if element == Element::Spectrum {
            b"</spectrum>"
        } else {
            b"</chromatogram>"
        };
        let resume = (self.searched.saturating_sub(base) as usize).clamp(pos, buf.len());
        match memchr::memmem::find(&buf[resume..], closing) {
            Some(hit) => {
                // Should this turn out to stand in a comment, look further behind it the next time.
                self.searched = base + (resume + hit + 1) as u64;
                true
            }
            None => {
                self.searched = base + buf.len().saturating_sub(closing.len() - 1) as u64;
                false
            }
        }
    }
}
