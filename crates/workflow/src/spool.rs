//! A run's bulky evidence, kept out of memory: blobs appended in order, read back in order or by position.

use serde::Serialize;
use serde::de::DeserializeOwned;
use std::io::{Read, Seek, SeekFrom, Write};
use tempfile::SpooledTempFile;

/// Below this many bytes the spool stays in memory; above, it moves to a temporary file that the system removes.
const IN_MEMORY_BYTES: usize = 32 << 20;

/// Why the spool failed.
#[derive(Debug, thiserror::Error)]
pub enum SpoolError {
    /// Writing or reading the temporary file failed.
    #[error(
        "the temporary file of a run could not be used: {0}; free space in the system's temporary folder"
    )]
    File(#[from] std::io::Error),
    /// A blob could not be encoded or decoded.
    #[error("an entry of a run's temporary file is unreadable: {0}")]
    Entry(#[from] postcard::Error),
}

/// Entries of one type, appended in order.
#[derive(Debug)]
pub(crate) struct Spool<T> {
    file: SpooledTempFile,
    /// End of each entry.
    ends: Vec<u64>,
    entry: std::marker::PhantomData<T>,
}

impl<T: Serialize + DeserializeOwned> Spool<T> {
    /// An empty spool.
    #[must_use]
    pub(crate) fn new() -> Self {
        Self {
            file: SpooledTempFile::new(IN_MEMORY_BYTES),
            ends: Vec::new(),
            entry: std::marker::PhantomData,
        }
    }

    /// An entry as bytes, so that threads can encode before the entries are appended in order.
    ///
    /// # Errors
    /// When the entry cannot be encoded.
    pub(crate) fn encode(entry: &T) -> Result<Vec<u8>, SpoolError> {
        Ok(postcard::to_stdvec(entry)?)
    }

    /// Appends an encoded entry.
    ///
    /// # Errors
    /// When the temporary file cannot be written.
    pub(crate) fn push_encoded(&mut self, bytes: &[u8]) -> Result<(), SpoolError> {
        let start = self.ends.last().copied().unwrap_or(0);
        self.file.seek(SeekFrom::Start(start))?;
        self.file.write_all(bytes)?;
        self.ends.push(start + bytes.len() as u64);
        Ok(())
    }

    /// Entries so far.
    #[must_use]
    pub(crate) fn len(&self) -> usize {
        self.ends.len()
    }

    /// The bytes of the entries from `from` up to, not including, `to`, one vector an entry.
    ///
    /// # Errors
    /// When the temporary file cannot be read.
    pub(crate) fn read_encoded(&mut self, from: usize, to: usize) -> Result<Vec<Vec<u8>>, SpoolError> {
        let start = if from == 0 { 0 } else { self.ends[from - 1] };
        self.file.seek(SeekFrom::Start(start))?;
        let mut position = start;
        let mut entries = Vec::with_capacity(to - from);
        for end in &self.ends[from..to] {
            let length = usize::try_from(end - position).unwrap_or(usize::MAX);
            let mut bytes = vec![0; length];
            self.file.read_exact(&mut bytes)?;
            entries.push(bytes);
            position = *end;
        }
        Ok(entries)
    }

    /// An entry from its bytes.
    ///
    /// # Errors
    /// When the bytes are not an entry.
    pub(crate) fn decode(bytes: &[u8]) -> Result<T, SpoolError> {
        Ok(postcard::from_bytes(bytes)?)
    }
}

impl<T: Serialize + DeserializeOwned> Default for Spool<T> {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn entries_come_back_as_they_went_in_from_any_place() {
        let mut spool: Spool<(u32, String)> = Spool::new();
        for n in 0..50_u32 {
            let entry = (n, "x".repeat(n as usize));
            spool.push_encoded(&Spool::encode(&entry).unwrap()).unwrap();
        }
        assert_eq!(spool.len(), 50);
        for (from, to) in [(0, 50), (7, 8), (20, 20), (49, 50)] {
            let entries = spool.read_encoded(from, to).unwrap();
            let found: Vec<u32> = entries
                .iter()
                .map(|bytes| Spool::<(u32, String)>::decode(bytes).unwrap())
                .inspect(|(n, text)| assert_eq!(text.len(), *n as usize))
                .map(|(n, _)| n)
                .collect();
            assert_eq!(found, (from as u32..to as u32).collect::<Vec<_>>());
        }
    }
}
