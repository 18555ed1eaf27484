//! Where the bytes come from: a stream read in pieces, or a whole file in memory.

use std::io::{self, Read};

use sha1::{Digest, Sha1};
use spotwright_domain::trace::Trace;

use crate::arrays;
use crate::error::{At, ReadError};
use crate::finish::{Deferred, complete};
use crate::reader::{Machine, Step};
use crate::{FileSummary, FileTraces, ReadOptions, Scratch, Wanted};

const CHUNK: usize = 128 * 1024;
const GZIP_MAGIC: [u8; 2] = [0x1f, 0x8b];

/// Reads traces one by one from any reader, gzip or not. Memory holds one chromatogram (or, for SRM recorded as
/// spectra, the points gathered so far) plus the ids seen.
///
/// # Errors
/// The iterator hands out each error once, then ends. Traces handed out before are provisional until the iterator
/// ends without an error: the count of the list and the checksum stand at the end of a file.
pub fn read_traces<R: Read>(input: R, options: &ReadOptions) -> TraceReader<'static, R> {
    TraceReader::new(input, options, None)
}

/// Like [`read_traces`], but decodes only what `wanted` says yes to. The structure, the lengths and the base64
/// alphabet of everything else are still checked; its numbers are not.
pub fn read_wanted<'w, R: Read>(input: R, options: &ReadOptions, wanted: Wanted<'w>) -> TraceReader<'w, R> {
    TraceReader::new(input, options, Some(wanted))
}

/// Reads a whole file in memory. Fastest for files up to some tens of megabytes; keep one [`Scratch`] per thread.
///
/// # Errors
/// Any [`ReadError`]; then no trace is handed out.
///
/// # Examples
/// ```
/// let file = include_bytes!("../../../corpus/mzml/tiny.pwiz.1.1.mzML");
/// let mut scratch = spotwright_mzml::Scratch::default();
/// let read = spotwright_mzml::parse_bytes(file, &Default::default(), &mut scratch)?;
/// assert_eq!(read.traces.len(), 2);
/// // A file that lost its last byte is an error, not a shorter file.
/// let cut = &file[..file.len() - 3];
/// assert!(spotwright_mzml::parse_bytes(cut, &Default::default(), &mut scratch).is_err());
/// # Ok::<(), spotwright_mzml::ReadError>(())
/// ```
pub fn parse_bytes(
    bytes: &[u8],
    options: &ReadOptions,
    scratch: &mut Scratch,
) -> Result<FileTraces, ReadError> {
    parse(bytes, options, None, scratch)
}

/// Like [`parse_bytes`], but decodes only what `wanted` says yes to; see [`read_wanted`].
///
/// # Errors
/// As [`parse_bytes`].
pub fn parse_bytes_wanted(
    bytes: &[u8],
    options: &ReadOptions,
    wanted: Wanted<'_>,
    scratch: &mut Scratch,
) -> Result<FileTraces, ReadError> {
    parse(bytes, options, Some(wanted), scratch)
}

fn parse(
    bytes: &[u8],
    options: &ReadOptions,
    wanted: Option<Wanted<'_>>,
    scratch: &mut Scratch,
) -> Result<FileTraces, ReadError> {
    if bytes.starts_with(&GZIP_MAGIC) {
        let mut reader = TraceReader::new(bytes, options, wanted);
        let traces = reader.by_ref().collect::<Result<_, _>>()?;
        return Ok(FileTraces {
            traces,
            summary: reader.into_summary(),
        });
    }
    // First the fast way; when anything at all is amiss, the plain way, which says precisely what.
    match parse_batched(bytes, options, wanted, scratch) {
        Some(read) => Ok(read),
        None => parse_plain(bytes, options, wanted, scratch),
    }
}

fn parse_plain(
    bytes: &[u8],
    options: &ReadOptions,
    wanted: Option<Wanted<'_>>,
    scratch: &mut Scratch,
) -> Result<FileTraces, ReadError> {
    let mut pos = text_start(bytes)?;
    let mut machine = Machine::new(options, wanted);
    let mut traces = Vec::new();
    while let Step::Trace(trace) = machine.step(bytes, 0, &mut pos, true, scratch)? {
        traces.push(*trace);
    }
    let digest = machine
        .checksum_end
        .map(|end| hex(&Sha1::digest(&bytes[..end as usize])));
    machine.conclude(digest)?;
    Ok(FileTraces {
        traces,
        summary: machine.summary,
    })
}

/// Like [`parse_plain`], but lets arrays wait until there are enough to inflate them side by side.
fn parse_batched(
    bytes: &[u8],
    options: &ReadOptions,
    wanted: Option<Wanted<'_>>,
    scratch: &mut Scratch,
) -> Option<FileTraces> {
    /// Enough to keep two streams busy, little enough to stay in the processor's cache.
    const BATCH_BYTES: usize = 256 * 1024;
    let mut pos = text_start(bytes).ok()?;
    let mut machine = Machine::new(options, wanted);
    machine.defer = true;
    let mut traces = Vec::new();
    let mut waiting = Vec::new();
    let mut waiting_bytes = 0;
    while let Step::Trace(trace) = machine.step(bytes, 0, &mut pos, true, scratch).ok()? {
        if let Some(deferred) = machine.deferred.take() {
            waiting_bytes += deferred.jobs.0.weight() + deferred.jobs.1.weight();
            waiting.push((traces.len(), deferred));
        }
        traces.push(*trace);
        if waiting_bytes >= BATCH_BYTES {
            complete_waiting(bytes, &mut waiting, &mut traces, scratch)?;
            waiting_bytes = 0;
        }
    }
    complete_waiting(bytes, &mut waiting, &mut traces, scratch)?;
    let digest = machine
        .checksum_end
        .map(|end| hex(&Sha1::digest(&bytes[..end as usize])));
    machine.conclude(digest).ok()?;
    Some(FileTraces {
        traces,
        summary: machine.summary,
    })
}

fn complete_waiting(
    bytes: &[u8],
    waiting: &mut Vec<(usize, Deferred)>,
    traces: &mut [Trace],
    scratch: &mut Scratch,
) -> Option<()> {
    let jobs: Vec<_> = waiting
        .iter()
        .flat_map(|(_, waits)| [&waits.jobs.0, &waits.jobs.1])
        .collect();
    let mut values = arrays::decode_batch(&jobs, bytes, &mut scratch.buffers)?.into_iter();
    for (place, deferred) in waiting.drain(..) {
        let (times, intensity) = (values.next()?, values.next()?);
        complete(&mut traces[place], deferred.unit, times, intensity);
    }
    Some(())
}

/// Skips a UTF-8 byte order mark and refuses other Unicode forms by name.
fn text_start(bytes: &[u8]) -> Result<usize, ReadError> {
    let refuse = |name: &str| {
        Err(ReadError::Encoding {
            name: name.to_owned(),
        })
    };
    match bytes {
        [0xef, 0xbb, 0xbf, ..] => Ok(3),
        [0xff, 0xfe, 0, 0, ..] | [b'<', 0, 0, 0, ..] => refuse("UTF-32 (little endian)"),
        [0, 0, 0xfe, 0xff, ..] | [0, 0, 0, b'<', ..] => refuse("UTF-32 (big endian)"),
        [0xff, 0xfe, ..] | [b'<', 0, ..] => refuse("UTF-16 (little endian)"),
        [0xfe, 0xff, ..] | [0, b'<', ..] => refuse("UTF-16 (big endian)"),
        _ => Ok(0),
    }
}

fn hex(digest: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    digest
        .iter()
        .flat_map(|byte| [byte >> 4, byte & 15])
        .map(|half| char::from(DIGITS[usize::from(half)]))
        .collect()
}

enum Input<R: Read> {
    Plain(io::Chain<io::Cursor<Vec<u8>>, R>),
    Gzip(Box<flate2::read::MultiGzDecoder<io::Chain<io::Cursor<Vec<u8>>, R>>>),
}

/// The iterator behind [`read_traces`].
pub struct TraceReader<'w, R: Read> {
    machine: Machine<'w>,
    scratch: Scratch,
    /// `None` before the first bytes have told whether this is gzip.
    input: Option<Input<R>>,
    raw: Option<R>,
    buf: Vec<u8>,
    /// How much of `buf` is filled.
    filled: usize,
    pos: usize,
    /// Offset of the first byte of `buf`.
    base: u64,
    whole: bool,
    hasher: Sha1,
    hashed: u64,
    done: bool,
}

impl<'w, R: Read> TraceReader<'w, R> {
    fn new(input: R, options: &ReadOptions, wanted: Option<Wanted<'w>>) -> Self {
        Self {
            machine: Machine::new(options, wanted),
            scratch: Scratch::default(),
            input: None,
            raw: Some(input),
            buf: Vec::new(),
            filled: 0,
            pos: 0,
            base: 0,
            whole: false,
            hasher: Sha1::new(),
            hashed: 0,
            done: false,
        }
    }

    /// What the file as a whole says: complete once the iterator has ended without an error, `None` before.
    pub fn summary(&self) -> Option<&FileSummary> {
        (self.done && self.machine.summary.complete).then_some(&self.machine.summary)
    }

    fn into_summary(self) -> FileSummary {
        self.machine.summary
    }

    fn advance(&mut self) -> Result<Option<Trace>, ReadError> {
        if self.raw.is_some() {
            self.open()?;
        }
        loop {
            let Self {
                machine,
                scratch,
                buf,
                filled,
                pos,
                base,
                whole,
                ..
            } = self;
            match machine.step(&buf[..*filled], *base, pos, *whole, scratch)? {
                Step::Trace(trace) => return Ok(Some(*trace)),
                Step::More => self.fill()?,
                Step::End => {
                    let end = self.machine.checksum_end;
                    self.hash_until(end.unwrap_or(0));
                    let digest = end.map(|_| hex(&self.hasher.clone().finalize()));
                    self.machine.conclude(digest)?;
                    return Ok(None);
                }
            }
        }
    }

    /// Looks at the first bytes: gzip, byte order mark, encoding.
    fn open(&mut self) -> Result<(), ReadError> {
        let Some(mut raw) = self.raw.take() else {
            return Ok(());
        };
        let mut head = Vec::with_capacity(2);
        raw.by_ref()
            .take(2)
            .read_to_end(&mut head)
            .map_err(|source| ReadError::Io { byte: 0, source })?;
        let gzip = head.starts_with(&GZIP_MAGIC);
        let chained = io::Cursor::new(head).chain(raw);
        self.input = Some(if gzip {
            self.machine.summary.gzip = true;
            Input::Gzip(Box::new(flate2::read::MultiGzDecoder::new(chained)))
        } else {
            Input::Plain(chained)
        });
        while self.filled < 4 && !self.whole {
            self.fill()?;
        }
        self.pos = text_start(&self.buf[..self.filled])?;
        Ok(())
    }

    /// Lets go of what has been read and brings in more. Grows the buffer when it is full of one element.
    fn fill(&mut self) -> Result<(), ReadError> {
        // Everything up to the checksum counts; until it has been met, that is everything let go.
        self.hash_until(self.machine.checksum_end.unwrap_or(self.base + self.pos as u64));
        self.buf.copy_within(self.pos..self.filled, 0);
        self.base += self.pos as u64;
        self.filled -= self.pos;
        self.pos = 0;
        let limit = self.machine.options.max_element_bytes;
        if self.filled > limit {
            let at = At {
                byte: self.base,
                item: None,
            };
            return Err(ReadError::Limit {
                at,
                what: "one element's size in bytes",
                limit: limit as u64,
            });
        }
        // Twice what is held, so that looking through it again stays cheap.
        let room = (self.filled * 2).max(CHUNK).min(limit.saturating_add(CHUNK));
        if self.buf.len() < room {
            self.buf.resize(room, 0);
        }
        let target = (self.filled + CHUNK / 2)
            .max(self.filled * 3 / 2)
            .min(self.buf.len());
        while self.filled < target {
            let byte = self.base + self.filled as u64;
            let space = &mut self.buf[self.filled..];
            let result = match &mut self.input {
                Some(Input::Plain(input)) => input.read(space),
                Some(Input::Gzip(input)) => input.read(space),
                None => Ok(0),
            };
            match result {
                Ok(0) => {
                    self.whole = true;
                    break;
                }
                Ok(count) => self.filled += count,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(source) if self.machine.summary.gzip => return Err(ReadError::Gzip { byte, source }),
                Err(source) => return Err(ReadError::Io { byte, source }),
            }
        }
        Ok(())
    }

    /// Hashes bytes still in the buffer up to the absolute offset `end`.
    fn hash_until(&mut self, end: u64) {
        if end > self.hashed {
            let from = (self.hashed - self.base) as usize;
            let to = (end - self.base) as usize;
            self.hasher.update(&self.buf[from..to]);
            self.hashed = end;
        }
    }
}

impl<R: Read> Iterator for TraceReader<'_, R> {
    type Item = Result<Trace, ReadError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.done {
            return None;
        }
        match self.advance() {
            Ok(Some(trace)) => Some(Ok(trace)),
            Ok(None) => {
                self.done = true;
                None
            }
            Err(error) => {
                self.done = true;
                Some(Err(error))
            }
        }
    }
}
