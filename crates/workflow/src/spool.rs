//! A run's bulky evidence: the first entries as they are, further ones as bytes that a temporary file holds when they
//! grow too many. Short runs never pay for bytes, long ones never for memory.

use serde::Serialize;
use serde::de::DeserializeOwned;
use std::io::{Read, Seek, SeekFrom, Write};
use tempfile::SpooledTempFile;

/// Below this many bytes entries are kept as they are.
const KEPT_BYTES: usize = 16 << 20;
/// Below this many bytes encoded entries stay in memory; above, they move to a temporary file that the system removes.
const IN_MEMORY_BYTES: usize = 16 << 20;

/// Why the spool failed.
#[derive(Debug, thiserror::Error)]
pub enum SpoolError {
    /// Writing or reading the temporary file failed.
    #[error(
        "the temporary file of a run could not be used: {0}; free space in the system's temporary folder"
    )]
    File(#[from] std::io::Error),
    /// An entry was asked for twice.
    #[error("an entry of a run's evidence was asked for twice")]
    Taken,
    /// A blob could not be encoded or decoded.
    #[error("an entry of a run's temporary file is unreadable: {0}")]
    Entry(#[from] postcard::Error),
}

/// What a spool can hold.
pub(crate) trait Bulky: Serialize + DeserializeOwned {
    /// About how many bytes of memory it takes.
    fn bytes(&self) -> usize;
}

/// One entry on its way in or out.
#[derive(Debug)]
pub(crate) enum Entry<T> {
    Kept(T),
    Encoded(Vec<u8>),
}

impl<T: Bulky> Entry<T> {
    /// The entry itself.
    ///
    /// # Errors
    /// When the bytes are not an entry.
    pub(crate) fn open(self) -> Result<T, SpoolError> {
        match self {
            Self::Kept(entry) => Ok(entry),
            Self::Encoded(bytes) => Ok(postcard::from_bytes(&bytes)?),
        }
    }
}

/// Entries of one type, appended in order.
#[derive(Debug)]
pub(crate) struct Spool<T> {
    /// The first entries; those taken out are `None`.
    kept: Vec<Option<T>>,
    kept_bytes: usize,
    file: SpooledTempFile,
    /// End of each encoded entry.
    ends: Vec<u64>,
}

impl<T: Bulky> Spool<T> {
    /// An empty spool.
    #[must_use]
    pub(crate) fn new() -> Self {
        Self {
            kept: Vec::new(),
            kept_bytes: 0,
            file: SpooledTempFile::new(IN_MEMORY_BYTES),
            ends: Vec::new(),
        }
    }

    /// Whether the next entries are kept as they are. Asked once for all entries that are made ready together, so that threads
    /// can encode them.
    pub(crate) fn keeps(&self) -> bool {
        self.ends.is_empty() && self.kept_bytes < KEPT_BYTES
    }

    /// An entry, made ready to be appended: encoded unless the spool said that it keeps it.
    ///
    /// # Errors
    /// When the entry cannot be encoded.
    pub(crate) fn ready(entry: T, keeps: bool) -> Result<Entry<T>, SpoolError> {
        if keeps {
            Ok(Entry::Kept(entry))
        } else {
            Ok(Entry::Encoded(postcard::to_stdvec(&entry)?))
        }
    }

    /// Appends an entry.
    ///
    /// # Errors
    /// When the temporary file cannot be written.
    pub(crate) fn push(&mut self, entry: Entry<T>) -> Result<(), SpoolError> {
        let bytes = match entry {
            Entry::Kept(entry) if self.ends.is_empty() => {
                self.kept_bytes += entry.bytes();
                self.kept.push(Some(entry));
                return Ok(());
            }
            Entry::Kept(entry) => postcard::to_stdvec(&entry)?,
            Entry::Encoded(bytes) => bytes,
        };
        let start = self.ends.last().copied().unwrap_or(0);
        self.file.seek(SeekFrom::Start(start))?;
        self.file.write_all(&bytes)?;
        self.ends.push(start + bytes.len() as u64);
        Ok(())
    }

    /// Entries so far.
    #[must_use]
    pub(crate) fn len(&self) -> usize {
        self.kept.len() + self.ends.len()
    }

    /// Takes the entries from `from` up to, not including, `to` out, each of which can be had once.
    ///
    /// # Errors
    /// When the temporary file cannot be read, or an entry was taken before.
    pub(crate) fn take(&mut self, from: usize, to: usize) -> Result<Vec<Entry<T>>, SpoolError> {
        let mut entries = Vec::with_capacity(to - from);
        let kept = self.kept.len();
        for entry in &mut self.kept[from.min(kept)..to.min(kept)] {
            entries.push(Entry::Kept(entry.take().ok_or(SpoolError::Taken)?));
        }
        let (from, to) = (from.saturating_sub(kept), to.saturating_sub(kept));
        if from == to {
            return Ok(entries);
        }
        let mut position = if from == 0 { 0 } else { self.ends[from - 1] };
        self.file.seek(SeekFrom::Start(position))?;
        for end in &self.ends[from..to] {
            let length = usize::try_from(end - position).unwrap_or(usize::MAX);
            let mut bytes = vec![0; length];
            self.file.read_exact(&mut bytes)?;
            entries.push(Entry::Encoded(bytes));
            position = *end;
        }
        Ok(entries)
    }
}

impl<T: Bulky> Spool<T> {
    /// Takes one entry out.
    ///
    /// # Errors
    /// As [`Self::take`].
    pub(crate) fn take_one(&mut self, position: usize) -> Result<T, SpoolError> {
        let entry = self.take(position, position + 1)?.pop();
        entry.ok_or(SpoolError::Taken)?.open()
    }
}

impl<T: Bulky> Default for Spool<T> {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    impl Bulky for (u32, String) {
        fn bytes(&self) -> usize {
            // As if each were large, so that few are kept.
            KEPT_BYTES / 8
        }
    }

    #[test]
    fn entries_come_back_as_they_went_in_from_any_place() {
        for (from, to) in [(0, 50), (7, 8), (6, 12), (20, 20), (49, 50)] {
            let mut spool: Spool<(u32, String)> = Spool::new();
            for n in 0..50_u32 {
                let entry = (n, "x".repeat(n as usize));
                let keeps = spool.keeps();
                assert_eq!(keeps, n < 8);
                spool.push(Spool::ready(entry, keeps).unwrap()).unwrap();
            }
            assert_eq!(spool.len(), 50);
            let entries = spool.take(from, to).unwrap();
            let found: Vec<u32> = entries
                .into_iter()
                .map(|entry| entry.open().unwrap())
                .inspect(|(n, text)| assert_eq!(text.len(), *n as usize))
                .map(|(n, _)| n)
                .collect();
            assert_eq!(found, (from as u32..to as u32).collect::<Vec<_>>());
        }
    }
}
