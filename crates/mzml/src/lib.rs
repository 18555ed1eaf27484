//! mzML bytes to traces, and traces to mzML bytes.
//!
//! Reading: [`parse_bytes`] for a file in memory, [`read_traces`] for a stream. Both read chromatogram lists and SRM
//! recorded as spectra, follow accessions rather than names, never trust the index, and verify the SHA-1 when the
//! file states one.
//!
//! What the reader promises:
//! - A damaged, cut or contradictory file is a [`ReadError`] that names the place, what was expected and what was
//!   found. Traces are never left out quietly.
//! - What is legal but odd keeps its trace and stands in `Trace::problems`.
//! - Memory follows the bytes that are there, never the lengths they declare.
//!
//! What it cannot promise: in a file **without** a checksum, a damaged byte inside the base64 text of an
//! *uncompressed* array, or inside a number such as an m/z, decodes to another valid number, and nothing in the
//! file can tell. (zlib streams carry an Adler-32 of their own.) Write files with a checksum.
//!
//! Writing: [`MzmlWriter`] streams chromatograms into an (indexed, checksummed) mzML 1.1.0 file.

mod arrays;
mod elements;
mod encode;
mod error;
mod finish;
mod inflate;
mod item;
pub mod numpress;
mod reader;
mod srm;
mod stream;
mod terms;
mod writer;
mod xml;

use spotwright_domain::trace::{IsolationWindow, Polarity, Trace, TraceKind};

pub use encode::{ArrayEncoding, NumberCoding};
pub use error::{ArrayFault, ArrayRole, At, InflateFault, ItemRef, NumpressFault, ReadError, WriteError};
pub use stream::{TraceReader, parse_bytes, parse_bytes_wanted, read_traces, read_wanted};
pub use writer::{Chromatogram, FileHead, MzmlWriter, WriteOptions, WriteTimeUnit};

/// Says whether a trace's numbers are needed.
pub type Wanted<'w> = &'w dyn Fn(&TraceHeader<'_>) -> bool;

/// What is known of a trace before its numbers are decoded.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TraceHeader<'a> {
    /// The file's id.
    pub id: &'a str,
    /// Position among the file's traces, from 0.
    pub index: usize,
    /// What it records.
    pub kind: TraceKind,
    /// Polarity, when stated.
    pub polarity: Option<Polarity>,
    /// First mass filter, when stated.
    pub precursor: Option<IsolationWindow>,
    /// Second mass filter, when stated.
    pub product: Option<IsolationWindow>,
    /// Declared number of points.
    pub points: u64,
}

/// Limits and tolerances of reading.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadOptions {
    /// Most bytes one chromatogram, spectrum or tag may take in a stream (default 256 MiB).
    pub max_element_bytes: usize,
    /// Most points one array may declare (default 50 million).
    pub max_points: u64,
    /// How far precursor and product m/z of an SRM spectrum may lie from those of a transition's first spectrum to
    /// count as the same transition (Th, default 0.005: far below the peak width of a quadrupole).
    pub srm_match_mz: f64,
}

impl Default for ReadOptions {
    fn default() -> Self {
        Self {
            max_element_bytes: 256 << 20,
            max_points: 50_000_000,
            srm_match_mz: 0.005,
        }
    }
}

/// Buffers that parsing reuses; keep one per thread.
#[derive(Debug, Default)]
pub struct Scratch {
    tag: xml::Tag,
    item: item::Item,
    buffers: arrays::Buffers,
}

impl Scratch {
    /// Takes traces back whose numbers nobody needs any more: the next file's are written into their arrays.
    pub fn give_back(&mut self, traces: Vec<Trace>) {
        for trace in traces {
            self.buffers.give_back(trace.time_min);
            self.buffers.give_back(trace.intensity);
        }
    }
}

/// All traces of one file.
#[derive(Debug, Clone, PartialEq)]
pub struct FileTraces {
    /// In file order; transitions gathered from SRM spectra stand where the spectrum list ends.
    pub traces: Vec<Trace>,
    /// What the file as a whole says.
    pub summary: FileSummary,
}

/// What a file as a whole says.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct FileSummary {
    /// The `version` attribute of `mzML`.
    pub schema_version: String,
    /// The run's id, when stated.
    pub run_id: Option<String>,
    /// The run's `startTimeStamp`, as written.
    pub start_time_stamp: Option<String>,
    /// Whether the root is `indexedmzML`.
    pub indexed: bool,
    /// Whether the file came in gzip.
    pub gzip: bool,
    /// `count` of the chromatogram list.
    pub chromatograms_declared: Option<u64>,
    /// Chromatograms found.
    pub chromatograms_found: u64,
    /// `count` of the spectrum list.
    pub spectra_declared: Option<u64>,
    /// Spectra found.
    pub spectra_found: u64,
    /// Of these, SRM spectra.
    pub srm_spectra: u64,
    /// Traces handed out.
    pub traces_given: usize,
    /// Traces that were not wanted.
    pub traces_skipped: usize,
    /// The SHA-1.
    pub checksum: ChecksumState,
    /// The index.
    pub index: IndexState,
    /// Bytes read (after unpacking).
    pub bytes: u64,
    /// Whether the end of the file was reached.
    pub(crate) complete: bool,
}

/// Whether a file states its SHA-1. A wrong one is [`ReadError::Checksum`].
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum ChecksumState {
    /// Not stated.
    #[default]
    Absent,
    /// The element is there but empty or `0`, as some writers leave it.
    Placeholder,
    /// Stated and right.
    Verified,
}

/// Whether the index (which is never used) points at the chromatograms and spectra.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum IndexState {
    /// No index.
    #[default]
    Absent,
    /// Every entry points at a chromatogram or spectrum, and there are as many.
    Agrees,
    /// It does not.
    Disagrees,
}
