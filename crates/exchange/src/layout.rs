//! `layout.toml`: a card's printed design.

use crate::bounds;
use crate::method::section::{Section, Source, document};
use crate::method::{MethodKey, MethodTable, hex};
use crate::problem::{FormatProblem, FormatProblemCode, Problems, quoted};
use crate::text::read_text;
use sha2::{Digest, Sha256};
use spotwright_domain::card::{CardLayout, Fiducial, FiducialShape, LayoutError, PrintedCircle, Region};
use std::path::{Path, PathBuf};
use toml::de::DeValue;

/// A layout and the file it was read from.
#[derive(Debug, Clone, PartialEq)]
pub struct LayoutFile {
    /// The layout.
    pub layout: CardLayout,
    /// SHA-256 of the file's bytes, in lower-case hexadecimal.
    pub sha256: String,
    /// The file.
    pub path: PathBuf,
}

/// Largest layout file (bytes).
const LARGEST_LAYOUT: u64 = 1024 * 1024;
/// Most circles, marks, or regions of a kind.
const MOST: usize = 200;

const fn key(name: &'static str, needed: bool) -> MethodKey {
    MethodKey { name, needed }
}

const TOP: MethodTable = MethodTable {
    path: "",
    keys: &[
        key("id", true),
        key("title", true),
        key("width_mm", true),
        key("height_mm", true),
        key("pixels_per_mm", false),
        key("circle", false),
        key("fiducial", false),
        key("barcode", false),
        key("label", false),
    ],
};
const CIRCLE: MethodTable = MethodTable {
    path: "circle",
    keys: &[
        key("number", true),
        key("centre_mm", true),
        key("diameter_mm", true),
    ],
};
const FIDUCIAL: MethodTable = MethodTable {
    path: "fiducial",
    keys: &[key("centre_mm", true), key("shape", true), key("size_mm", true)],
};
const REGION_KEYS: [MethodKey; 4] = [
    key("left_mm", true),
    key("top_mm", true),
    key("width_mm", true),
    key("height_mm", true),
];
const BARCODE: MethodTable = MethodTable {
    path: "barcode",
    keys: &REGION_KEYS,
};
const LABEL: MethodTable = MethodTable {
    path: "label",
    keys: &REGION_KEYS,
};

/// The keys of a layout file, table by table.
pub const LAYOUT_TABLES: [MethodTable; 5] = [TOP, CIRCLE, FIDUCIAL, BARCODE, LABEL];

const SHAPES: [(&str, FiducialShape); 2] = [("disc", FiducialShape::Disc), ("square", FiducialShape::Square)];

/// Reads a layout file.
///
/// # Errors
/// Every problem of the file.
pub fn open_layout(path: &Path) -> Result<LayoutFile, Vec<FormatProblem>> {
    let name = path.file_name().map_or_else(
        || path.display().to_string(),
        |name| name.to_string_lossy().into_owned(),
    );
    let (text, bytes) = read_text(path, &name, LARGEST_LAYOUT).map_err(|problem| vec![*problem])?;
    Ok(LayoutFile {
        layout: read_layout(&name, &text)?,
        sha256: hex(&Sha256::digest(&bytes)),
        path: path.to_owned(),
    })
}

/// Reads the text of a layout file; `file` is its name in problems.
///
/// # Errors
/// Every problem of the text.
pub fn read_layout(file: &str, text: &str) -> Result<CardLayout, Vec<FormatProblem>> {
    let mut problems = Problems::default();
    let layout = layout(file, text, &mut problems);
    problems.finish()?;
    // Without a problem there is a layout.
    layout.ok_or_else(Vec::new)
}

fn layout(file: &str, text: &str, problems: &mut Problems) -> Option<CardLayout> {
    let source = Source::new(file, text, "the layout file");
    let document = document(&source, problems)?;
    let top = Section::new(&source, document.get_ref(), document.span(), TOP.path);
    top.check_keys(TOP, problems);
    let id = top.text("id", problems);
    let title = top.text("title", problems);
    let width = top.number("width_mm", bounds::CARD_SIDE_MM, problems);
    let height = top.number("height_mm", bounds::CARD_SIDE_MM, problems);
    let pixels_per_mm = top.number("pixels_per_mm", bounds::PIXELS_PER_MM, problems);
    let before = problems.count();
    let circles = several(&top, "circle", problems);
    let fiducials = several(&top, "fiducial", problems);
    let barcodes = several(&top, "barcode", problems);
    let labels = several(&top, "label", problems);
    let read_circles: Vec<Option<PrintedCircle>> = circles.iter().map(|s| circle(s, problems)).collect();
    let read_marks: Vec<Option<Fiducial>> = fiducials.iter().map(|s| fiducial(s, problems)).collect();
    let read_codes: Vec<Option<Region>> = barcodes.iter().map(|s| region(s, BARCODE, problems)).collect();
    let read_labels: Vec<Option<Region>> = labels.iter().map(|s| region(s, LABEL, problems)).collect();
    numbers_once(&circles, &read_circles, problems);
    if problems.count() > before {
        return None;
    }
    let layout = CardLayout {
        id: id?.to_owned(),
        title: title?.to_owned(),
        width_mm: width?,
        height_mm: height?,
        pixels_per_mm,
        circles: read_circles.into_iter().collect::<Option<_>>()?,
        fiducials: read_marks.into_iter().collect::<Option<_>>()?,
        barcodes: read_codes.into_iter().collect::<Option<_>>()?,
        labels: read_labels.into_iter().collect::<Option<_>>()?,
    };
    if let Err(error) = layout.check() {
        let lists = [
            ("circle", &circles),
            ("fiducial", &fiducials),
            ("barcode", &barcodes),
            ("label", &labels),
        ];
        problems.push(placed(&top, &lists, &layout, error));
        return None;
    }
    Some(layout)
}

fn several<'s>(top: &Section<'s>, name: &'static str, problems: &mut Problems) -> Vec<Section<'s>> {
    let sections = top.sections(name, name, problems);
    if sections.len() > MOST {
        problems.push(
            top.problem(name, FormatProblemCode::NumberOutOfRange)
                .found(format!("{} tables [[{name}]]", sections.len()))
                .expected(format!("at most {MOST}")),
        );
        return Vec::new();
    }
    sections
}

fn circle(section: &Section<'_>, problems: &mut Problems) -> Option<PrintedCircle> {
    section.check_keys(CIRCLE, problems);
    let number = section.number("number", bounds::CIRCLE_NUMBER, problems);
    let number = number.and_then(|number| {
        if number.fract() == 0.0 {
            Some(number as u32)
        } else {
            problems.push(
                section
                    .problem("number", FormatProblemCode::NumberNotWhole)
                    .expected(bounds::CIRCLE_NUMBER.words),
            );
            None
        }
    });
    let centre = place(section, "centre_mm", problems);
    let diameter = section.number("diameter_mm", bounds::CIRCLE_MM, problems);
    Some(PrintedCircle {
        number: number?,
        centre_mm: centre?,
        diameter_mm: diameter?,
    })
}

fn fiducial(section: &Section<'_>, problems: &mut Problems) -> Option<Fiducial> {
    section.check_keys(FIDUCIAL, problems);
    let centre = place(section, "centre_mm", problems);
    let shape = section.word("shape", "a shape", &SHAPES, problems);
    let size = section.number("size_mm", bounds::MARK_MM, problems);
    Some(Fiducial {
        centre_mm: centre?,
        shape: shape?,
        size_mm: size?,
    })
}

fn region(section: &Section<'_>, table: MethodTable, problems: &mut Problems) -> Option<Region> {
    section.check_keys(table, problems);
    let left = section.number("left_mm", bounds::PLACE_MM, problems);
    let top = section.number("top_mm", bounds::PLACE_MM, problems);
    let width = section.number("width_mm", bounds::REGION_MM, problems);
    let height = section.number("height_mm", bounds::REGION_MM, problems);
    Some(Region {
        left_mm: left?,
        top_mm: top?,
        width_mm: width?,
        height_mm: height?,
    })
}

/// A list of two numbers: to the right and down from the card's upper left corner.
fn place(section: &Section<'_>, name: &str, problems: &mut Problems) -> Option<[f64; 2]> {
    let value = section.get(name)?;
    let field = format!("{}.{name}", section.path());
    let wrong = || {
        section
            .problem(name, FormatProblemCode::ValueKind)
            .expected("a list of two numbers, such as [14.0, 36.0]: mm to the right and mm down")
    };
    let DeValue::Array(array) = value.get_ref() else {
        problems.push(wrong());
        return None;
    };
    if array.len() != 2 {
        problems.push(wrong().found(format!("a list of {}", array.len())));
        return None;
    }
    let mut numbers = array
        .iter()
        .map(|value| section.number_of(value, &field, bounds::PLACE_MM, problems));
    let (x, y) = (numbers.next().flatten(), numbers.next().flatten());
    Some([x?, y?])
}

fn numbers_once(sections: &[Section<'_>], circles: &[Option<PrintedCircle>], problems: &mut Problems) {
    for (index, circle) in circles.iter().enumerate() {
        let Some(circle) = circle else { continue };
        let first = circles[..index]
            .iter()
            .position(|c| c.is_some_and(|c| c.number == circle.number));
        if let Some(first) = first {
            let line = sections[first].source.line(sections[first].span("number").start);
            problems.push(
                sections[index]
                    .problem("number", FormatProblemCode::NameTwice)
                    .found(format!("the number {} a second time", circle.number))
                    .expected(format!("another number than on line {line}")),
            );
        }
    }
}

/// What the parts of a layout do to one another, said at the part.
fn placed(
    top: &Section<'_>,
    lists: &[(&str, &Vec<Section<'_>>); 4],
    layout: &CardLayout,
    error: LayoutError,
) -> FormatProblem {
    match error {
        LayoutError::OffTheCard {
            field,
            width_mm,
            height_mm,
        } => {
            let (name, index) = field.split_once('[').unwrap_or((&field, "0"));
            let index: usize = index.trim_end_matches(']').parse().unwrap_or(0);
            let section = lists
                .iter()
                .find(|(list, _)| *list == name)
                .and_then(|(_, sections)| sections.get(index));
            let at = match section {
                Some(section) if section.has("centre_mm") => {
                    section.problem("centre_mm", FormatProblemCode::OffTheCard)
                }
                Some(section) => section.problem("left_mm", FormatProblemCode::OffTheCard),
                None => top.problem("width_mm", FormatProblemCode::OffTheCard),
            };
            at.expected(format!(
                "a {name} wholly on the card of {width_mm} mm by {height_mm} mm"
            ))
            .help("Millimetres count from the card's upper left corner, to the right and down.")
        }
        LayoutError::CirclesOverlap { first, second } => {
            let section = layout
                .circles
                .iter()
                .position(|c| c.number == first.max(second))
                .and_then(|index| lists[0].1.get(index));
            let at = section.map_or_else(
                || top.problem("circle", FormatProblemCode::CirclesOverlap),
                |section| section.problem("centre_mm", FormatProblemCode::CirclesOverlap),
            );
            at.found(format!("circles {first} and {second} that overlap"))
                .expected("circles apart from one another")
        }
        // Ranges and numbers were checked key by key before.
        LayoutError::Number {
            field,
            found,
            expected,
        } => top
            .problem("id", FormatProblemCode::NumberOutOfRange)
            .field(&field)
            .found(format!("{found}"))
            .expected(expected),
        LayoutError::CircleNumber { number } => top
            .problem("circle", FormatProblemCode::NameTwice)
            .found(quoted(&number.to_string()))
            .expected("numbers from 1, each once"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use spotwright_domain::card::BUILT_IN_LAYOUTS;

    #[test]
    fn built_in_layouts_are_read_as_serde_reads_them() {
        for (name, text) in BUILT_IN_LAYOUTS {
            let layout = read_layout("layout.toml", text).unwrap_or_else(|p| panic!("{}", p[0]));
            assert_eq!(layout.id, name);
            assert_eq!(layout, toml::from_str(text).unwrap());
        }
    }

    /// Each slip in a sound file is named at its line.
    #[test]
    fn slips_are_named_where_they_stand() {
        let text = BUILT_IN_LAYOUTS[0].1;
        let cases = [
            (
                "width_mm = 96.0",
                "widht_mm = 96.0",
                FormatProblemCode::KeyUnknown,
                "width_mm",
            ),
            (
                "shape = \"square\"",
                "shape = \"sqare\"",
                FormatProblemCode::WordUnknown,
                "square",
            ),
            ("number = 2", "number = 1", FormatProblemCode::NameTwice, ""),
            (
                "centre_mm = [14.0, 36.0]",
                "centre_mm = [1.0, 36.0]",
                FormatProblemCode::OffTheCard,
                "",
            ),
            (
                "centre_mm = [31.0, 36.0]",
                "centre_mm = [24.0, 36.0]",
                FormatProblemCode::CirclesOverlap,
                "",
            ),
            (
                "centre_mm = [14.0, 36.0]",
                "centre_mm = 14.0",
                FormatProblemCode::ValueKind,
                "",
            ),
            (
                "diameter_mm = 13.0",
                "diameter_mm = \"13\"",
                FormatProblemCode::ValueKind,
                "",
            ),
            (
                "height_mm = 54.0",
                "height_mm = nan",
                FormatProblemCode::NumberNotFinite,
                "",
            ),
        ];
        for (from, to, code, near) in cases {
            let problems = read_layout("layout.toml", &text.replacen(from, to, 1)).unwrap_err();
            let found = problems.iter().find(|p| p.code == code);
            let found = found.unwrap_or_else(|| panic!("{to}: {problems:?}"));
            assert!(found.line.is_some(), "{to}");
            if !near.is_empty() {
                assert_eq!(found.nearest.as_deref(), Some(near), "{to}");
            }
        }
    }
}
