//! Files of the UCUM standard that may not be copied here: read when they stand beside the project.

use quick_xml::Reader;
use quick_xml::events::Event;
use std::collections::BTreeMap;
use std::path::Path;

/// An element: its name, its attributes, the element it stands in.
pub(crate) struct Element {
    pub(crate) name: String,
    pub(crate) parent: String,
    pub(crate) attributes: BTreeMap<String, String>,
}

impl Element {
    pub(crate) fn get(&self, attribute: &str) -> &str {
        self.attributes.get(attribute).map_or("", String::as_str)
    }
}

/// Every element of a file in `../shared/data/interop` (from the workspace root), in order; `None` when it is absent.
pub(crate) fn elements(file: &str) -> Option<Vec<Element>> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../../shared/data/interop")
        .join(file);
    let Ok(text) = std::fs::read_to_string(path) else {
        println!("skipped: {file} is not beside the project");
        return None;
    };
    let mut reader = Reader::from_str(&text);
    let mut open: Vec<String> = Vec::new();
    let mut elements = Vec::new();
    loop {
        let event = reader.read_event().unwrap();
        let (start, stays_open) = match &event {
            Event::Eof => return Some(elements),
            Event::Start(start) => (start, true),
            Event::Empty(start) => (start, false),
            Event::End(_) => {
                open.pop();
                continue;
            }
            _ => continue,
        };
        let name = start.name().as_ref().to_owned();
        let attributes = start
            .attributes()
            .map(|attribute| {
                let attribute = attribute.unwrap();
                (attribute.key.as_ref().to_owned(), attribute.value.into_owned())
            })
            .collect();
        elements.push(Element {
            name: name.clone(),
            parent: open.last().cloned().unwrap_or_default(),
            attributes,
        });
        if stays_open {
            open.push(name);
        }
    }
}
