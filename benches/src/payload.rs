//! The packed arrays of a day's trace files, found without the reader under test.

use memchr::memmem;
use std::fs;
use std::io;
use std::ops::Range;
use std::path::Path;

/// All trace files of a day, in memory, and where their arrays stand.
#[derive(Debug)]
pub struct DayArrays {
    /// The bytes of each file, in order of the file names.
    pub files: Vec<Vec<u8>>,
    /// The arrays, in file order.
    pub arrays: Vec<PackedArray>,
}

/// One array: base64 of a zlib stream.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PackedArray {
    /// Which file.
    pub file: usize,
    /// Where its base64 text stands in the file.
    pub text: Range<usize>,
    /// Bytes after inflating: points times bytes a number.
    pub plain_bytes: usize,
}

impl DayArrays {
    /// Reads the trace files of a day (`DAY/traces/*.mzML`).
    ///
    /// # Errors
    /// When a file cannot be read, or an array is not what the simulator writes: zlib-packed 32- or 64-bit floats
    /// in an SRM chromatogram.
    pub fn of_day(day: &Path) -> io::Result<Self> {
        let mut paths: Vec<_> = fs::read_dir(day.join("traces"))?
            .map(|entry| entry.map(|entry| entry.path()))
            .collect::<io::Result<_>>()?;
        paths.retain(|path| path.extension().is_some_and(|extension| extension == "mzML"));
        paths.sort();
        let mut day = Self {
            files: Vec::with_capacity(paths.len()),
            arrays: Vec::new(),
        };
        for path in &paths {
            let bytes = fs::read(path)?;
            let arrays = arrays_of(&bytes, day.files.len())
                .map_err(|what| io::Error::other(format!("{}: {what}", path.display())))?;
            day.arrays.extend(arrays);
            day.files.push(bytes);
        }
        if day.arrays.is_empty() {
            return Err(io::Error::other("no arrays in the folder traces"));
        }
        Ok(day)
    }

    /// The base64 text of an array.
    #[must_use]
    pub fn text(&self, array: &PackedArray) -> &[u8] {
        &self.files[array.file][array.text.clone()]
    }

    /// Bytes of all base64 texts.
    #[must_use]
    pub fn text_bytes(&self) -> usize {
        self.arrays.iter().map(|array| array.text.len()).sum()
    }

    /// Bytes of all arrays after inflating.
    #[must_use]
    pub fn plain_bytes(&self) -> usize {
        self.arrays.iter().map(|array| array.plain_bytes).sum()
    }

    /// Bytes of all files.
    #[must_use]
    pub fn file_bytes(&self) -> usize {
        self.files.iter().map(Vec::len).sum()
    }
}

fn arrays_of(bytes: &[u8], file: usize) -> Result<Vec<PackedArray>, String> {
    let mut arrays = Vec::new();
    let starts: Vec<usize> = memmem::find_iter(bytes, b"<chromatogram ").collect();
    for (place, &start) in starts.iter().enumerate() {
        let end = starts.get(place + 1).copied().unwrap_or(bytes.len());
        let chromatogram = &bytes[start..end];
        let points: usize = between(chromatogram, b"defaultArrayLength=\"", b"\"")
            .and_then(|found| std::str::from_utf8(&chromatogram[found]).ok()?.parse().ok())
            .ok_or("a chromatogram without a length")?;
        let mut at = 0;
        while let Some(found) = between(&chromatogram[at..], b"<binaryDataArray ", b"</binaryDataArray>") {
            let array = at + found.start..at + found.end;
            arrays.push(PackedArray {
                file,
                ..packed(bytes, start + array.start..start + array.end, points)?
            });
            at = array.end;
        }
    }
    Ok(arrays)
}

fn packed(bytes: &[u8], element: Range<usize>, points: usize) -> Result<PackedArray, String> {
    let array = &bytes[element.clone()];
    let says = |accession: &str| memmem::find(array, accession.as_bytes()).is_some();
    if !says("\"MS:1000574\"") {
        return Err("an array that is not packed with zlib".to_owned());
    }
    let width = match (says("\"MS:1000523\""), says("\"MS:1000521\"")) {
        (true, false) => 8,
        (false, true) => 4,
        _ => return Err("an array that is not of 32- or 64-bit floats".to_owned()),
    };
    let text = between(array, b"<binary>", b"</binary>").ok_or("an array without base64 text")?;
    let text = element.start + text.start..element.start + text.end;
    Ok(PackedArray {
        file: 0,
        text,
        plain_bytes: points * width,
    })
}

/// What stands between two marks.
fn between(bytes: &[u8], before: &[u8], after: &[u8]) -> Option<Range<usize>> {
    let start = memmem::find(bytes, before)? + before.len();
    let length = memmem::find(&bytes[start..], after)?;
    Some(start..start + length)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Made with Python 3.11's own zlib and base64: `zlib.compress(struct.pack('<2d', 1, 2))` and the same of '<2f'.
    const FILE: &str = r#"<mzML><chromatogram index="0" id="a" defaultArrayLength="2"><binaryDataArrayList>
        <binaryDataArray encodedLength="24"><cvParam accession="MS:1000523"/><cvParam accession="MS:1000574"/>
        <binary>eJxjYACBD/YMEOAAAAvnAXA=</binary></binaryDataArray>
        <binaryDataArray encodedLength="24"><cvParam accession="MS:1000521"/><cvParam accession="MS:1000574"/>
        <binary>eJxjYGiwZ2BgcAAABIMBAA==</binary></binaryDataArray>
        </binaryDataArrayList></chromatogram></mzML>"#;

    #[test]
    fn arrays_are_found_with_their_size() {
        let arrays = arrays_of(FILE.as_bytes(), 3).unwrap();
        let found: Vec<(&str, usize)> = arrays
            .iter()
            .map(|array| (&FILE[array.text.clone()], array.plain_bytes))
            .collect();
        assert_eq!(
            found,
            [("eJxjYACBD/YMEOAAAAvnAXA=", 16), ("eJxjYGiwZ2BgcAAABIMBAA==", 8)]
        );
        assert!(arrays.iter().all(|array| array.file == 3));
    }

    #[test]
    fn arrays_of_another_kind_are_refused() {
        for (from, to) in [
            ("1000574", "1000576"),
            ("1000521", "1000519"),
            ("defaultArray", "array"),
        ] {
            assert!(
                arrays_of(FILE.replace(from, to).as_bytes(), 0).is_err(),
                "{from} -> {to}"
            );
        }
    }
}
