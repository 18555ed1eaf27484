//! A tiny day, whole; and the same day with one thing wrong.

use std::path::Path;

/// The tables and the method of the day; its traces are empty placeholders, since nothing here looks inside one.
pub(crate) const FILES: [(&str, &str); 7] = [
    ("method.toml", include_str!("../tiny-day/method.toml")),
    ("injections.csv", include_str!("../tiny-day/injections.csv")),
    ("requests.csv", include_str!("../tiny-day/requests.csv")),
    ("doses.csv", include_str!("../tiny-day/doses.csv")),
    ("covariates.csv", include_str!("../tiny-day/covariates.csv")),
    ("levels.csv", include_str!("../tiny-day/levels.csv")),
    ("manual-limits.csv", include_str!("../tiny-day/manual-limits.csv")),
];

/// Text of one of [`FILES`].
#[must_use]
pub(crate) fn text_of(file: &str) -> &'static str {
    FILES
        .into_iter()
        .find(|(name, _)| *name == file)
        .map(|(_, text)| text)
        .expect("a file of the tiny day")
}

/// Lays the day out in a folder.
pub(crate) fn lay_out(folder: &Path) {
    for (name, text) in FILES {
        std::fs::write(folder.join(name), text).unwrap();
    }
    std::fs::create_dir(folder.join("traces")).unwrap();
    for number in 1..=12 {
        std::fs::write(folder.join(format!("traces/{number:02}.mzML")), "").unwrap();
    }
}

/// One thing done to the day.
pub(crate) enum Edit {
    /// In a file, the first of one text becomes another.
    Replace(&'static str, &'static str, &'static str),
    /// In a file, every one of a text becomes another.
    ReplaceAll(&'static str, &'static str, &'static str),
    /// A file has other bytes.
    Write(&'static str, &'static [u8]),
    /// A file is saved in another encoding.
    SaveAs(&'static str, fn(&str) -> Vec<u8>),
    /// A file is taken away.
    Remove(&'static str),
    /// Something that takes more than one step.
    By(fn(&Path)),
    /// A file has another name.
    Rename(&'static str, &'static str),
}

impl Edit {
    /// Does it to a day laid out in a folder.
    ///
    /// # Panics
    /// When the text to replace is not there: an edit that changes nothing shows nothing.
    pub(crate) fn apply(&self, folder: &Path) {
        let write = |file: &str, bytes: &[u8]| {
            let path = folder.join(file);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, bytes).unwrap();
        };
        match self {
            Self::Replace(file, from, to) => {
                let text = text_of(file);
                assert!(text.contains(from), "{file} holds no {from:?}");
                write(file, text.replacen(from, to, 1).as_bytes());
            }
            Self::ReplaceAll(file, from, to) => {
                let text = text_of(file);
                assert!(text.contains(from), "{file} holds no {from:?}");
                write(file, text.replace(from, to).as_bytes());
            }
            Self::Write(file, bytes) => write(file, bytes),
            Self::SaveAs(file, encode) => write(file, &encode(text_of(file))),
            Self::Remove(file) => std::fs::remove_file(folder.join(file)).unwrap(),
            Self::By(edit) => edit(folder),
            Self::Rename(from, to) => std::fs::rename(folder.join(from), folder.join(to)).unwrap(),
        }
    }
}
