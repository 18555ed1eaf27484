//! Bytes that are not the text they should be, each called by its name.

use crate::problem::{FormatProblem, FormatProblemCode, problem};
use std::io::Read;
use std::path::Path;

/// Why bytes are not text we read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Foreign {
    Utf16,
    Kind(&'static str),
    /// Not UTF-8; how many characters stand before the byte.
    NotUtf8 {
        byte: u8,
        column: u32,
    },
    Nul {
        column: u32,
    },
    Control {
        character: char,
        column: u32,
    },
    LoneCarriageReturn,
}

/// What the first bytes of a file give away.
pub(crate) fn foreign_start(bytes: &[u8]) -> Option<Foreign> {
    const KINDS: [(&[u8], &str); 4] = [
        (b"PK\x03\x04", "a spreadsheet workbook or another zip archive"),
        (b"\xD0\xCF\x11\xE0", "an old office document"),
        (b"\x1F\x8B", "a gzip archive"),
        (b"%PDF", "a PDF document"),
    ];
    if bytes.starts_with(b"\xFF\xFE") || bytes.starts_with(b"\xFE\xFF") {
        return Some(Foreign::Utf16);
    }
    if let Some((_, kind)) = KINDS.iter().find(|(magic, _)| bytes.starts_with(magic)) {
        return Some(Foreign::Kind(kind));
    }
    // Plain Latin letters in UTF-16 have a zero in every second byte.
    match bytes {
        [first, 0, second, 0, ..] | [0, first, 0, second, ..] if *first != 0 && *second != 0 => {
            Some(Foreign::Utf16)
        }
        _ => None,
    }
}

/// What within a line (its end taken off) is not text we read.
pub(crate) fn foreign_bytes(line: &[u8]) -> Option<Foreign> {
    let plain = |b: &u8| matches!(b, 0x20..=0x7E | b'\t');
    if line.iter().all(plain) {
        return None;
    }
    let text = match std::str::from_utf8(line) {
        Ok(text) => text,
        Err(error) => {
            let before = std::str::from_utf8(&line[..error.valid_up_to()]).unwrap_or_default();
            return Some(Foreign::NotUtf8 {
                byte: line[error.valid_up_to()],
                column: count(before) + 1,
            });
        }
    };
    let (at, character) = text.char_indices().find(|(_, c)| c.is_control() && *c != '\t')?;
    let column = count(&text[..at]) + 1;
    Some(match character {
        '\0' => Foreign::Nul { column },
        '\r' => Foreign::LoneCarriageReturn,
        character => Foreign::Control { character, column },
    })
}

impl Foreign {
    pub(crate) fn into_problem(self, file: &str, line: u32) -> FormatProblem {
        let whole = |code| problem(code, file).expected("text in UTF-8");
        let here = |code, column| {
            let mut it = whole(code);
            it.line = Some(line);
            it.column = Some(column);
            it.length = Some(1);
            it
        };
        match self {
            Self::Utf16 => whole(FormatProblemCode::EncodingUtf16)
                .found("text in UTF-16")
                .help("Save the file as UTF-8."),
            Self::Kind(kind) => whole(FormatProblemCode::NotText)
                .found(kind)
                .help("Export it as text."),
            Self::NotUtf8 { byte, column } => {
                let guess = if (0x80..0xA0).contains(&byte) {
                    "Windows-1252"
                } else {
                    "Latin-1 or Windows-1252"
                };
                here(FormatProblemCode::EncodingNotUtf8, column)
                    .found(format!("the byte {byte:02X}"))
                    .help(format!("The file looks like {guess}: save it as UTF-8."))
            }
            Self::Nul { column } => here(FormatProblemCode::NulByte, column)
                .found("a NUL byte")
                .help("The file is damaged or was not closed properly when it was copied."),
            Self::Control { character, column } => here(FormatProblemCode::ControlCharacter, column)
                .found(format!("the control character U+{:04X}", character as u32))
                .expected("printable text"),
            Self::LoneCarriageReturn => {
                let mut it = whole(FormatProblemCode::LoneCarriageReturn)
                    .found("a carriage return without line feed")
                    .expected("lines that end in LF or CRLF");
                it.line = Some(line);
                it
            }
        }
    }
}

/// Reads a whole small file as text. `None`: it cannot be, and why is the problem.
pub(crate) fn read_text(
    path: &Path,
    file: &str,
    most_bytes: u64,
) -> Result<(String, Vec<u8>), Box<FormatProblem>> {
    let open = std::fs::File::open(path).map_err(|error| Box::new(unreadable(file, &error)))?;
    let mut bytes = Vec::new();
    open.take(most_bytes + 1)
        .read_to_end(&mut bytes)
        .map_err(|error| Box::new(unreadable(file, &error)))?;
    if bytes.len() as u64 > most_bytes {
        return Err(Box::new(too_large(file, most_bytes)));
    }
    if let Some(what) = foreign_start(&bytes) {
        return Err(Box::new(what.into_problem(file, 1)));
    }
    let body = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(&bytes);
    for (number, line) in (1..).zip(body.split(|b| *b == b'\n')) {
        if let Some(what) = foreign_bytes(line.strip_suffix(b"\r").unwrap_or(line)) {
            return Err(Box::new(what.into_problem(file, number)));
        }
    }
    // Every line was checked; a sequence cannot span a line feed.
    let text = std::str::from_utf8(body).unwrap_or_default().to_owned();
    Ok((text, bytes))
}

pub(crate) fn too_large(file: &str, most_bytes: u64) -> FormatProblem {
    problem(FormatProblemCode::FileTooLarge, file)
        .found(format!("more than {most_bytes} bytes"))
        .expected("a smaller file")
}

pub(crate) fn unreadable(file: &str, error: &std::io::Error) -> FormatProblem {
    let why = match error.kind() {
        std::io::ErrorKind::NotFound => "no such file".to_owned(),
        std::io::ErrorKind::PermissionDenied => "a file that may not be read".to_owned(),
        std::io::ErrorKind::IsADirectory => "a folder".to_owned(),
        _ => format!("a file that cannot be read ({error})"),
    };
    problem(FormatProblemCode::FileUnreadable, file)
        .found(why)
        .expected("a file that can be read")
}

fn count(text: &str) -> u32 {
    u32::try_from(text.chars().count()).unwrap_or(u32::MAX)
}
