//! One `binaryDataArray`: what its terms say and the numbers in its text.

use std::ops::Range;

use crate::error::{ArrayFault, ArrayRole};
use crate::inflate::{self, Codes, Inflater};
use crate::numpress;
use crate::terms::{self, TimeUnit};

/// How the numbers are written before any compression.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Number {
    Float32,
    Float64,
    Integer32,
    Integer64,
}

impl Number {
    const fn width(self) -> usize {
        match self {
            Self::Float32 | Self::Integer32 => 4,
            Self::Float64 | Self::Integer64 => 8,
        }
    }
}

/// MS-Numpress codings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Numpress {
    Linear,
    Pic,
    Slof,
}

/// An array as its element describes it; the text is a range into the parsed slice.
#[derive(Debug, Clone, Default)]
pub(crate) struct ArrayEntry {
    /// Offset of the element.
    pub(crate) byte: u64,
    pub(crate) encoded_length: u64,
    /// `arrayLength`, which overrides the default.
    pub(crate) array_length: Option<u64>,
    pub(crate) text: Range<usize>,
    pub(crate) role: Option<u32>,
    number: Option<u32>,
    compression: Option<u32>,
    numpress: Option<u32>,
    pub(crate) unit: Option<TimeUnit>,
    /// Terms whose name contradicts them, with that name.
    pub(crate) contradictions: Vec<(u32, String)>,
    /// The first term that makes the array unreadable; an error only when the array is needed.
    unread: Option<(u32, String)>,
    conflict: Option<(u32, u32)>,
}

impl ArrayEntry {
    pub(crate) fn reset(&mut self, byte: u64) {
        *self = Self {
            byte,
            ..Self::default()
        };
    }

    pub(crate) fn role(&self) -> ArrayRole {
        match self.role {
            Some(terms::TIME_ARRAY) => ArrayRole::Time,
            Some(terms::INTENSITY_ARRAY) => ArrayRole::Intensity,
            Some(terms::MZ_ARRAY) => ArrayRole::Mz,
            _ => ArrayRole::Other,
        }
    }

    /// Takes a term in. Terms of no consequence are passed over.
    pub(crate) fn term(&mut self, number: u32, name: &[u8]) {
        let slot = match number {
            terms::FLOAT_64 | terms::FLOAT_32 | terms::INTEGER_64 | terms::INTEGER_32 => &mut self.number,
            terms::NO_COMPRESSION | terms::ZLIB => &mut self.compression,
            terms::NUMPRESS_LINEAR
            | terms::NUMPRESS_PIC
            | terms::NUMPRESS_SLOF
            | terms::NUMPRESS_LINEAR_ZLIB
            | terms::NUMPRESS_PIC_ZLIB
            | terms::NUMPRESS_SLOF_ZLIB => &mut self.numpress,
            terms::TIME_ARRAY | terms::INTENSITY_ARRAY | terms::MZ_ARRAY | terms::OTHER_ARRAY => {
                &mut self.role
            }
            terms::FLOAT_16 | terms::TEXT_ARRAY => {
                self.unread
                    .get_or_insert_with(|| (number, String::from_utf8_lossy(name).into_owned()));
                return;
            }
            // Compression terms newer than this reader must not be taken for the absence of compression.
            _ if name
                .windows(11)
                .any(|part| part.eq_ignore_ascii_case(b"compression")) =>
            {
                self.unread
                    .get_or_insert_with(|| (number, String::from_utf8_lossy(name).into_owned()));
                return;
            }
            _ => return,
        };
        match *slot {
            Some(before) if before != number => {
                self.conflict.get_or_insert((before, number));
            }
            _ => *slot = Some(number),
        }
        if terms::name_contradicts(number, name) {
            self.contradictions
                .push((number, String::from_utf8_lossy(name).into_owned()));
        }
    }

    /// Number type, numpress coding and whether zlib is the outermost.
    fn coding(&self) -> Result<Coding, ArrayFault> {
        if let Some((first, second)) = self.conflict {
            let [first, second] = [first, second].map(terms::ms_accession);
            return Err(ArrayFault::TermConflict { first, second });
        }
        if let Some((number, name)) = &self.unread {
            return Err(ArrayFault::TermUnread {
                accession: terms::ms_accession(*number),
                name: name.clone(),
            });
        }
        if let Some(numpress) = self.numpress {
            let (numpress_kind, zlib_in_term) = match numpress {
                terms::NUMPRESS_LINEAR => (Numpress::Linear, false),
                terms::NUMPRESS_PIC => (Numpress::Pic, false),
                terms::NUMPRESS_SLOF => (Numpress::Slof, false),
                terms::NUMPRESS_LINEAR_ZLIB => (Numpress::Linear, true),
                terms::NUMPRESS_PIC_ZLIB => (Numpress::Pic, true),
                _ => (Numpress::Slof, true),
            };
            // Before the combined terms existed, "followed by zlib" was written as two terms.
            let zlib = match self.compression {
                None => zlib_in_term,
                Some(terms::ZLIB) => true,
                Some(other) => {
                    let [first, second] = [numpress, other].map(terms::ms_accession);
                    return Err(ArrayFault::TermConflict { first, second });
                }
            };
            return Ok(Coding::Numpress {
                kind: numpress_kind,
                zlib,
            });
        }
        let number = match self.number {
            None => return Err(ArrayFault::TermMissing { what: "number type" }),
            Some(terms::FLOAT_64) => Number::Float64,
            Some(terms::FLOAT_32) => Number::Float32,
            Some(terms::INTEGER_64) => Number::Integer64,
            Some(_) => Number::Integer32,
        };
        match self.compression {
            None => Err(ArrayFault::TermMissing { what: "compression" }),
            Some(terms::ZLIB) => Ok(Coding::Plain { number, zlib: true }),
            Some(_) => Ok(Coding::Plain { number, zlib: false }),
        }
    }
}

enum Coding {
    Plain { number: Number, zlib: bool },
    Numpress { kind: Numpress, zlib: bool },
}

/// Buffers reused from array to array.
#[derive(Debug, Clone, Default)]
pub(crate) struct Buffers {
    text: Vec<u8>,
    bytes: Vec<u8>,
    inflater: Inflater,
    /// For batches: what comes out, and the codes of two streams.
    batch_out: Vec<u8>,
    codes: [Codes; 2],
    /// For batches: time arrays met before.
    known: Vec<KnownTimes>,
    /// Arrays that were given back.
    spare: Vec<Vec<f64>>,
}

/// Most arrays kept for further use …
const MOST_SPARE: usize = 256;
/// … and the most numbers one of them may have room for.
const LARGEST_SPARE: usize = 8 << 10;

impl Buffers {
    /// Takes an array back whose numbers nobody needs any more.
    pub(crate) fn give_back(&mut self, array: Vec<f64>) {
        if self.spare.len() < MOST_SPARE && (1..=LARGEST_SPARE).contains(&array.capacity()) {
            self.spare.push(array);
        }
    }
}

/// An array without numbers.
fn empty(spare: &mut Vec<Vec<f64>>) -> Vec<f64> {
    let mut array = spare.pop().unwrap_or_default();
    array.clear();
    array
}

/// A time array's text and what it decodes to. An instrument that keeps its clock writes the same times into every file of
/// a run, letter for letter; comparing text is some fifty times faster than decoding it again.
#[derive(Debug, Clone)]
struct KnownTimes {
    text: Vec<u8>,
    number: Number,
    values: Vec<f64>,
}

/// Most time arrays remembered, one for each place in a batch …
const MOST_KNOWN: usize = 256;
/// … and the longest text of one.
const LONGEST_KNOWN: usize = 64 << 10;

/// The numbers of the time array that stood at this place of an earlier batch, when this one has the same text.
fn recall(
    known: &[KnownTimes],
    place: usize,
    job: &Job,
    text: &[u8],
    spare: &mut Vec<Vec<f64>>,
) -> Option<Vec<f64>> {
    let before = known.get(place).filter(|_| job.times)?;
    let same = before.number == job.number && before.values.len() == job.points && before.text == text;
    same.then(|| {
        let mut values = empty(spare);
        values.extend_from_slice(&before.values);
        values
    })
}

fn remember(known: &mut Vec<KnownTimes>, place: usize, job: &Job, text: &[u8], values: &[f64]) {
    if !job.times || place >= MOST_KNOWN || text.len() > LONGEST_KNOWN {
        return;
    }
    if known.len() <= place {
        known.resize_with(place + 1, || KnownTimes {
            text: Vec::new(),
            number: Number::Float64,
            values: Vec::new(),
        });
    }
    let entry = &mut known[place];
    entry.text.clear();
    entry.text.extend_from_slice(text);
    entry.values.clear();
    entry.values.extend_from_slice(values);
    entry.number = job.number;
}

/// An array's bytes after base64, its text checked against `encodedLength`.
fn unpack_text<'o>(
    entry: &ArrayEntry,
    raw: &[u8],
    stripped: &mut Vec<u8>,
    out: &'o mut Vec<u8>,
) -> Result<&'o [u8], ArrayFault> {
    let room = base64_simd::STANDARD.estimated_decoded_length(raw.len());
    if out.len() < room {
        out.resize(room, 0);
    }
    if raw.len() as u64 == entry.encoded_length {
        let length = base64_simd::STANDARD
            .decode(raw, base64_simd::Out::from_slice(out))
            .map(|done| done.len());
        if let Ok(length) = length {
            return Ok(&out[..length]);
        }
    }
    // xs:base64Binary allows white space anywhere; whether `encodedLength` counts it is not said, so both count.
    stripped.clear();
    stripped.extend(raw.iter().filter(|byte| !byte.is_ascii_whitespace()));
    let found = stripped.len() as u64;
    if entry.encoded_length != found && entry.encoded_length != raw.len() as u64 {
        return Err(ArrayFault::EncodedLength {
            expected: entry.encoded_length,
            found,
        });
    }
    match base64_simd::STANDARD.decode(stripped, base64_simd::Out::from_slice(out)) {
        Ok(done) => Ok(done),
        Err(_) => Err(ArrayFault::Base64),
    }
}

/// Checks an array whose numbers are not wanted: its length and its alphabet.
pub(crate) fn check(entry: &ArrayEntry, buf: &[u8], buffers: &mut Buffers) -> Result<(), ArrayFault> {
    let Buffers { text, bytes, .. } = buffers;
    unpack_text(entry, &buf[entry.text.clone()], text, bytes).map(drop)
}

/// Decodes `points` numbers.
pub(crate) fn decode(
    entry: &ArrayEntry,
    points: u64,
    buf: &[u8],
    buffers: &mut Buffers,
) -> Result<Vec<f64>, ArrayFault> {
    let Buffers {
        text,
        bytes,
        inflater,
        ..
    } = buffers;
    let encoded = unpack_text(entry, &buf[entry.text.clone()], text, bytes)?;
    let coding = entry.coding()?;
    if encoded.is_empty() && points == 0 {
        return Ok(Vec::new());
    }
    let implausible = ArrayFault::Implausible {
        points,
        encoded: encoded.len() as u64,
    };
    let Ok(count) = usize::try_from(points) else {
        return Err(implausible);
    };
    match coding {
        Coding::Plain { number, zlib } => {
            let expected = count
                .checked_mul(number.width())
                .ok_or_else(|| implausible.clone())?;
            if expected > largest_inflated(encoded.len()) {
                return Err(implausible);
            }
            let plain = if zlib {
                unzip(inflater, encoded, expected)?
            } else {
                encoded
            };
            if plain.len() != expected {
                let (expected, found) = (expected as u64, plain.len() as u64);
                return Err(ArrayFault::Length {
                    points,
                    expected,
                    found,
                });
            }
            Ok(numbers(number, plain, Vec::new()))
        }
        Coding::Numpress { kind, zlib } => {
            let most = match kind {
                Numpress::Linear => numpress::linear_max_bytes(count),
                Numpress::Pic => numpress::pic_max_bytes(count),
                Numpress::Slof => numpress::slof_bytes(count),
            };
            let plain = if zlib {
                unzip(inflater, encoded, most)?
            } else {
                encoded
            };
            let mut values = Vec::new();
            match kind {
                Numpress::Linear => numpress::decode_linear(plain, count, &mut values),
                Numpress::Pic => numpress::decode_pic(plain, count, &mut values),
                Numpress::Slof => numpress::decode_slof(plain, count, &mut values),
            }
            .map_err(ArrayFault::Numpress)?;
            Ok(values)
        }
    }
}

/// An array of plain numbers behind zlib, the usual case, to be decoded in a batch.
#[derive(Debug)]
pub(crate) struct Job {
    text: Range<usize>,
    number: Number,
    points: usize,
    /// Whether these are times, which files of a run often share.
    times: bool,
}

impl Job {
    /// `None` for any other coding, and where anything is odd: then [`decode`] says what.
    pub(crate) fn new(entry: &ArrayEntry, points: u64) -> Option<Self> {
        let Ok(Coding::Plain { number, zlib: true }) = entry.coding() else {
            return None;
        };
        let points = usize::try_from(points).ok()?;
        let text = entry.text.clone();
        // A text too short for its points, or with white space in it, is not for the fast way.
        let plausible = points.checked_mul(number.width())? <= largest_inflated(text.len());
        (plausible && text.len() as u64 == entry.encoded_length && points > 0).then_some(Self {
            text,
            number,
            points,
            times: entry.role() == ArrayRole::Time,
        })
    }

    /// Bytes it occupies, before and after decoding.
    pub(crate) fn weight(&self) -> usize {
        self.text.len() + self.size()
    }

    /// Bytes that come out.
    const fn size(&self) -> usize {
        self.points * self.number.width()
    }
}

/// Decodes a batch, two arrays at a time (see [`inflate::zlib_batch`]). `None` when anything is wrong with any of them:
/// then [`decode`] each, which says what.
pub(crate) fn decode_batch(jobs: &[&Job], buf: &[u8], buffers: &mut Buffers) -> Option<Vec<Vec<f64>>> {
    let mut values: Vec<Option<Vec<f64>>> = jobs
        .iter()
        .enumerate()
        .map(|(place, job)| {
            let Buffers { known, spare, .. } = buffers;
            recall(known, place, job, &buf[job.text.clone()], spare)
        })
        .collect();
    let fresh: Vec<usize> = (0..jobs.len()).filter(|place| values[*place].is_none()).collect();
    let fresh_jobs: Vec<&Job> = fresh.iter().map(|place| jobs[*place]).collect();
    let decoded = decode_fresh(&fresh_jobs, buf, buffers)?;
    for (place, numbers) in fresh.into_iter().zip(decoded) {
        remember(
            &mut buffers.known,
            place,
            jobs[place],
            &buf[jobs[place].text.clone()],
            &numbers,
        );
        values[place] = Some(numbers);
    }
    values.into_iter().collect()
}

fn decode_fresh(jobs: &[&Job], buf: &[u8], buffers: &mut Buffers) -> Option<Vec<Vec<f64>>> {
    let Buffers {
        bytes,
        batch_out,
        codes,
        spare,
        ..
    } = buffers;
    let texts: usize = jobs
        .iter()
        .map(|job| base64_simd::STANDARD.estimated_decoded_length(job.text.len()))
        .sum();
    let outs: usize = jobs.iter().map(|job| job.size() + inflate::SLACK).sum();
    for (buffer, needed) in [(&mut *bytes, texts), (&mut *batch_out, outs)] {
        if buffer.len() < needed {
            buffer.resize(needed, 0);
        }
    }
    let (mut bytes, mut out) = (bytes.as_mut_slice(), batch_out.as_mut_slice());
    let mut streams = Vec::with_capacity(jobs.len());
    for job in jobs {
        let room = base64_simd::STANDARD.estimated_decoded_length(job.text.len());
        let (here, rest) = std::mem::take(&mut bytes).split_at_mut(room);
        bytes = rest;
        let packed = base64_simd::STANDARD
            .decode(&buf[job.text.clone()], base64_simd::Out::from_slice(here))
            .ok()?;
        let (here, rest) = std::mem::take(&mut out).split_at_mut(job.size() + inflate::SLACK);
        out = rest;
        streams.push((&*packed, here));
    }
    inflate::zlib_batch(codes, &mut streams)?;
    let values = jobs
        .iter()
        .zip(&streams)
        .map(|(job, (_, out))| numbers(job.number, &out[..job.size()], empty(spare)));
    let values: Vec<Vec<f64>> = values.collect();
    values
        .iter()
        .all(|values| first_non_finite(values).is_none())
        .then_some(values)
}

/// Inflates to at most `most` bytes, which the declared length allows. Deflate cannot shrink below 1 : 1032, so
/// memory follows the bytes that are there, not the length that is declared.
fn unzip<'i>(inflater: &'i mut Inflater, encoded: &[u8], most: usize) -> Result<&'i [u8], ArrayFault> {
    inflater
        .zlib(encoded, most.min(largest_inflated(encoded.len())))
        .map_err(ArrayFault::Inflate)
}

const fn largest_inflated(encoded: usize) -> usize {
    encoded.saturating_mul(1032)
}

/// Numbers from their bytes, into an empty array.
fn numbers(number: Number, bytes: &[u8], mut into: Vec<f64>) -> Vec<f64> {
    match number {
        Number::Float64 => into.extend(bytes.as_chunks().0.iter().map(|b| f64::from_le_bytes(*b))),
        Number::Float32 => into.extend(
            bytes
                .as_chunks()
                .0
                .iter()
                .map(|b| f64::from(f32::from_le_bytes(*b))),
        ),
        Number::Integer32 => into.extend(
            bytes
                .as_chunks()
                .0
                .iter()
                .map(|b| f64::from(i32::from_le_bytes(*b))),
        ),
        Number::Integer64 => into.extend(bytes.as_chunks().0.iter().map(|b| i64::from_le_bytes(*b) as f64)),
    }
    into
}

/// The first value that is not finite, if any.
pub(crate) fn first_non_finite(values: &[f64]) -> Option<(usize, f64)> {
    if values.iter().fold(true, |all, v| all & v.is_finite()) {
        return None;
    }
    values.iter().copied().enumerate().find(|(_, v)| !v.is_finite())
}
