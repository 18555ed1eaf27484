//! A folder of results that appears whole or not at all.

use crate::population::{FITTED_MODEL, POPULATION_RECORD, PREDICTIVE_CHECK};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// Whether a file of this name is one that an act writes.
fn is_ours(name: &str) -> bool {
    [
        "results.json",
        "results.csv",
        "index.html",
        "look.json",
        "cards",
        "interpretations.json",
        "people",
    ]
    .contains(&name)
        || [FITTED_MODEL, POPULATION_RECORD, PREDICTIVE_CHECK].contains(&name)
        || (name.starts_with("run-") && name.ends_with(".html"))
}

/// A folder being filled under a provisional name beside its final one.
#[derive(Debug)]
pub(crate) struct PartialFolder {
    partial: PathBuf,
    target: PathBuf,
    done: bool,
}

impl PartialFolder {
    /// Makes the provisional folder.
    ///
    /// # Errors
    /// When the target exists and holds something that is not results, or when the disk refuses.
    pub(crate) fn create(target: &Path) -> io::Result<Self> {
        if target.exists() {
            refuse_foreign(target)?;
        }
        let name = target.file_name().map(|name| name.to_string_lossy().into_owned());
        let name = name.ok_or_else(|| {
            io::Error::new(
                io::ErrorKind::InvalidInput,
                format!("{} names no folder", target.display()),
            )
        })?;
        let partial = target.with_file_name(format!(".{name}.{}.partial", std::process::id()));
        if partial.exists() {
            fs::remove_dir_all(&partial)?;
        }
        fs::create_dir_all(&partial)?;
        Ok(Self {
            partial,
            target: target.to_owned(),
            done: false,
        })
    }

    /// A path inside the provisional folder.
    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.partial.join(name)
    }

    /// Gives the folder its final name. A former folder of results is put aside first and removed afterwards, so a
    /// crash at any instant leaves the old results, or the new ones, or the old ones under `….old`.
    pub(crate) fn finish(mut self) -> io::Result<()> {
        let old = self.partial.with_extension("old");
        let replaced = self.target.exists();
        if replaced {
            fs::rename(&self.target, &old)?;
        }
        fs::rename(&self.partial, &self.target)?;
        self.done = true;
        if replaced {
            fs::remove_dir_all(&old)?;
        }
        Ok(())
    }
}

/// Replacing a folder removes it, so nothing may lie in it but what a run wrote.
fn refuse_foreign(target: &Path) -> io::Result<()> {
    let mut names: Vec<String> = Vec::new();
    for entry in fs::read_dir(target)? {
        names.push(entry?.file_name().to_string_lossy().into_owned());
    }
    names.sort_unstable();
    match names.iter().find(|name| !is_ours(name)) {
        None => Ok(()),
        Some(foreign) => Err(io::Error::new(
            io::ErrorKind::AlreadyExists,
            format!(
                "{} exists and holds {foreign}, which no run wrote; it is left alone. Name another folder with --out",
                target.display()
            ),
        )),
    }
}

impl Drop for PartialFolder {
    fn drop(&mut self) {
        if !self.done {
            // Nothing better can be done about a failure here; the folder's name says that it is partial.
            let _ = fs::remove_dir_all(&self.partial);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_replace_results_and_nothing_else() {
        let root = tempfile::tempdir().unwrap();
        let target = root.path().join("results");
        for text in ["old", "new"] {
            let folder = PartialFolder::create(&target).unwrap();
            fs::write(folder.path("results.json"), text).unwrap();
            folder.finish().unwrap();
            assert_eq!(fs::read_to_string(target.join("results.json")).unwrap(), text);
        }
        drop(PartialFolder::create(&target).unwrap());
        assert_eq!(fs::read_to_string(target.join("results.json")).unwrap(), "new");
        assert_eq!(
            fs::read_dir(root.path()).unwrap().count(),
            1,
            "nothing partial is left behind"
        );

        let foreign = root.path().join("foreign");
        fs::create_dir(&foreign).unwrap();
        fs::write(foreign.join("thesis.txt"), "mine").unwrap();
        assert!(PartialFolder::create(&foreign).is_err());
        // A raw day that happens to hold a file of our name is not ours either.
        fs::write(foreign.join("results.json"), "{}").unwrap();
        assert!(PartialFolder::create(&foreign).is_err());
        assert_eq!(fs::read_to_string(foreign.join("thesis.txt")).unwrap(), "mine");
    }
}
