//! What can be wrong with a file: one variant per distinct cause, with the place and what was expected.

use std::fmt;

use thiserror::Error;

/// Where in a file something was found.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct At {
    /// Offset (bytes) from the start of the (unpacked) file.
    pub byte: u64,
    /// The chromatogram or spectrum the byte belongs to, when inside one.
    pub item: Option<Box<ItemRef>>,
}

/// Names one chromatogram or spectrum of a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ItemRef {
    /// `chromatogram` or `spectrum`.
    pub element: &'static str,
    /// Position in its list, from 0.
    pub index: u64,
    /// The file's id for it; empty when it has none.
    pub id: String,
}

impl fmt::Display for At {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "byte {}", self.byte)?;
        if let Some(item) = &self.item {
            write!(f, ", {} {} {:?}", item.element, item.index, item.id)?;
        }
        Ok(())
    }
}

/// Which array of a chromatogram or spectrum.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ArrayRole {
    /// Time array (MS:1000595).
    Time,
    /// Intensity array (MS:1000515).
    Intensity,
    /// m/z array (MS:1000514).
    Mz,
    /// Any other or unnamed array.
    Other,
}

impl fmt::Display for ArrayRole {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Time => "time array",
            Self::Intensity => "intensity array",
            Self::Mz => "m/z array",
            Self::Other => "array",
        })
    }
}

/// Why a file could not be read. No variant means that fewer traces were handed out quietly.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum ReadError {
    /// The underlying reader failed.
    #[error("reading stopped at byte {byte}: {source}")]
    Io {
        /// Bytes read before the failure.
        byte: u64,
        /// The cause.
        source: std::io::Error,
    },
    /// The gzip envelope is damaged or cut short.
    #[error("the gzip envelope is damaged or cut short after {byte} unpacked bytes: {source}")]
    Gzip {
        /// Unpacked bytes before the failure.
        byte: u64,
        /// The cause.
        source: std::io::Error,
    },
    /// The text encoding is not one that is read.
    #[error("encoding {name} is not read: expected UTF-8, US-ASCII or ISO-8859-1")]
    Encoding {
        /// The encoding found or declared.
        name: String,
    },
    /// A name or value is not valid text in the declared encoding.
    #[error("{at}: text is not valid UTF-8")]
    Utf8 {
        /// Where.
        at: At,
    },
    /// A document type declaration (the door to entity expansion).
    #[error("{at}: a DOCTYPE is refused: mzML needs none")]
    Doctype {
        /// Where.
        at: At,
    },
    /// A CDATA section.
    #[error("{at}: a CDATA section is refused: mzML needs none")]
    Cdata {
        /// Where.
        at: At,
    },
    /// An entity other than the five predefined ones and character references.
    #[error("{at}: entity {entity:?} is refused")]
    Entity {
        /// Where.
        at: At,
        /// The reference as written.
        entity: String,
    },
    /// Not well-formed XML.
    #[error("{at}: not well-formed XML: {what}")]
    Malformed {
        /// Where.
        at: At,
        /// In words.
        what: &'static str,
    },
    /// The root element is not mzML's.
    #[error("root element {root:?} is not mzML: expected mzML or indexedmzML")]
    NotMzml {
        /// What was found.
        root: String,
    },
    /// A schema version that is not read.
    #[error(
        "mzML schema {version} is not read (obsolete or unknown): expected 1.1; convert the file to mzML 1.1"
    )]
    SchemaVersion {
        /// The version or schema namespace found.
        version: String,
    },
    /// An element the schema does not know.
    #[error("{at}: unknown element {name:?}")]
    UnknownElement {
        /// Where.
        at: At,
        /// Its name.
        name: String,
    },
    /// An element where the schema does not allow it.
    #[error("{at}: element {name} may not stand in {parent}")]
    Misplaced {
        /// Where.
        at: At,
        /// Its name.
        name: &'static str,
        /// Where it stands.
        parent: &'static str,
    },
    /// An element that may stand once stands twice.
    #[error("{at}: a second {name}")]
    Repeated {
        /// Where.
        at: At,
        /// Its name.
        name: &'static str,
    },
    /// An end tag that does not close the open element.
    #[error("{at}: expected </{expected}>, found </{found}>")]
    TagMismatch {
        /// Where.
        at: At,
        /// The open element.
        expected: &'static str,
        /// What was found.
        found: String,
    },
    /// Text where none may stand.
    #[error("{at}: stray text {text:?}")]
    StrayText {
        /// Where.
        at: At,
        /// Its beginning.
        text: String,
    },
    /// A required attribute is absent.
    #[error("{at}: {element} has no attribute {attribute}")]
    MissingAttribute {
        /// Where.
        at: At,
        /// The element.
        element: &'static str,
        /// The attribute.
        attribute: &'static str,
    },
    /// An attribute's value cannot be read.
    #[error("{at}: {element} {attribute}={found:?}: expected {expected}")]
    BadAttribute {
        /// Where.
        at: At,
        /// The element.
        element: &'static str,
        /// The attribute, or the term whose value it is.
        attribute: &'static str,
        /// As written.
        found: String,
        /// What it should be.
        expected: &'static str,
    },
    /// A reference to a parameter group that the file does not define.
    #[error("{at}: no referenceableParamGroup {id:?}")]
    UnknownGroup {
        /// Where.
        at: At,
        /// The reference.
        id: String,
    },
    /// A list holds fewer entries than its `count` says. (More is reported as a problem of the traces beyond it.)
    #[error("{at}: {list} says count {expected}, found {found}")]
    CountMismatch {
        /// Where the list ends.
        at: At,
        /// The list element.
        list: &'static str,
        /// The `count` attribute.
        expected: u64,
        /// Entries found.
        found: u64,
    },
    /// A needed array is absent.
    #[error("{at}: no {array}, but {points} points are declared")]
    MissingArray {
        /// Where the chromatogram or spectrum ends.
        at: At,
        /// Which.
        array: ArrayRole,
        /// `defaultArrayLength`.
        points: u64,
    },
    /// Two arrays of the same kind.
    #[error("{at}: a second {array}")]
    RepeatedArray {
        /// Where the chromatogram or spectrum ends.
        at: At,
        /// Which.
        array: ArrayRole,
    },
    /// Two arrays that belong together differ in length.
    #[error("{at}: {first} has {first_points} points, {second} has {second_points}")]
    UnequalArrays {
        /// Where the chromatogram or spectrum ends.
        at: At,
        /// One array.
        first: ArrayRole,
        /// Its points.
        first_points: u64,
        /// The other.
        second: ArrayRole,
        /// Its points.
        second_points: u64,
    },
    /// One array cannot be decoded.
    #[error("{at}: {array}: {fault}")]
    Array {
        /// Where the array's text starts.
        at: At,
        /// Which.
        array: ArrayRole,
        /// Why.
        fault: ArrayFault,
    },
    /// A time unit that is not read.
    #[error("{at}: time unit {unit:?} is not read: expected minute, second or millisecond")]
    TimeUnit {
        /// Where.
        at: At,
        /// As written.
        unit: String,
    },
    /// An SRM spectrum does not say which transition its points belong to.
    #[error("{at}: SRM spectrum cannot be assigned to transitions: {reason}")]
    SrmSpectrum {
        /// Where it ends.
        at: At,
        /// In words.
        reason: String,
    },
    /// The file ends too early.
    #[error("{at}: the file ends inside {open}")]
    EarlyEnd {
        /// The end.
        at: At,
        /// The innermost open element, or `document` before the root.
        open: &'static str,
    },
    /// Something follows the root element.
    #[error("{at}: content after the end of the root element")]
    TrailingContent {
        /// Where.
        at: At,
    },
    /// The stated SHA-1 is not that of the file.
    #[error("fileChecksum says {stated}, the file's SHA-1 is {computed}")]
    Checksum {
        /// As written.
        stated: String,
        /// Of the bytes up to and with the `fileChecksum` start tag.
        computed: String,
    },
    /// The stated SHA-1 is not forty hexadecimal digits (nor the placeholders `0` and empty).
    #[error("{at}: fileChecksum {stated:?} is not a SHA-1")]
    ChecksumText {
        /// Where.
        at: At,
        /// As written.
        stated: String,
    },
    /// A limit of [`crate::ReadOptions`] was met.
    #[error("{at}: {what} exceeds the limit of {limit}")]
    Limit {
        /// Where.
        at: At,
        /// What grew too large.
        what: &'static str,
        /// The limit.
        limit: u64,
    },
}

/// Why one binary array cannot be decoded.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum ArrayFault {
    /// The text is not as long as `encodedLength` says.
    #[error("encodedLength says {expected}, found {found} characters")]
    EncodedLength {
        /// The attribute.
        expected: u64,
        /// Characters found.
        found: u64,
    },
    /// The text is not base64.
    #[error("not base64")]
    Base64,
    /// The bytes do not inflate.
    #[error("zlib: {0}")]
    Inflate(InflateFault),
    /// The bytes are not this MS-Numpress coding.
    #[error("MS-Numpress: {0}")]
    Numpress(NumpressFault),
    /// The decoded bytes are not as many as the declared length needs.
    #[error("declared length {points} needs {expected} bytes, found {found}")]
    Length {
        /// Declared points.
        points: u64,
        /// Bytes needed.
        expected: u64,
        /// Bytes found.
        found: u64,
    },
    /// More points are declared than so short a text can hold.
    #[error("declared length {points} cannot come from {encoded} bytes")]
    Implausible {
        /// Declared points.
        points: u64,
        /// Bytes after base64.
        encoded: u64,
    },
    /// A value is not a finite number.
    #[error("point {point} is {value}, not a finite number")]
    NonFinite {
        /// From 0.
        point: usize,
        /// `NaN`, `inf` or `-inf`.
        value: String,
    },
    /// A needed term is absent.
    #[error("{what} is not stated")]
    TermMissing {
        /// `number type` or `compression`.
        what: &'static str,
    },
    /// Two terms exclude each other.
    #[error("{first} and {second} exclude each other")]
    TermConflict {
        /// One accession.
        first: String,
        /// The other.
        second: String,
    },
    /// A coding that is not read.
    #[error("{accession} {name:?} is not read")]
    TermUnread {
        /// Its accession.
        accession: String,
        /// The name beside it.
        name: String,
    },
}

/// Why bytes do not inflate (RFC 1950, RFC 1951).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum InflateFault {
    /// Not a zlib header, or one with a preset dictionary.
    #[error("not a zlib header")]
    Header,
    /// The stream ends too early.
    #[error("the stream ends early")]
    EarlyEnd,
    /// An invalid block type, code, length or distance.
    #[error("invalid deflate data")]
    Invalid,
    /// More bytes come out than are allowed.
    #[error("more than {limit} bytes come out")]
    TooLong {
        /// The most that was expected.
        limit: usize,
    },
    /// The Adler-32 of the output differs.
    #[error("the Adler-32 checksum differs")]
    Adler,
    /// Bytes follow the stream.
    #[error("{bytes} bytes follow the stream")]
    Leftover {
        /// How many.
        bytes: usize,
    },
}

/// Why bytes are not MS-Numpress (Teleman et al. 2014, Mol. Cell. Proteomics 13, 1537-1542).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum NumpressFault {
    /// The data end inside a number.
    #[error("the data end after {points} points")]
    EarlyEnd {
        /// Points decoded before the end.
        points: usize,
    },
    /// The scaling factor is not a positive finite number.
    #[error("the scaling factor is not a positive number")]
    Scale,
    /// Data follow the last declared point.
    #[error("data follow the last declared point")]
    Leftover,
    /// A number leaves the coding's range.
    #[error("point {point} leaves the range of the coding")]
    Range {
        /// From 0.
        point: usize,
    },
}

/// Why a file could not be written.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum WriteError {
    /// The underlying writer failed.
    #[error("writing failed: {0}")]
    Io(#[from] std::io::Error),
    /// Times and intensities differ in number.
    #[error("chromatogram {id:?}: {times} times but {intensities} intensities")]
    UnequalArrays {
        /// Its id.
        id: String,
        /// Times.
        times: usize,
        /// Intensities.
        intensities: usize,
    },
    /// A value is not finite.
    #[error("chromatogram {id:?}: {what} {value} is not a finite number")]
    NonFinite {
        /// Its id.
        id: String,
        /// Which value.
        what: &'static str,
        /// `NaN`, `inf` or `-inf`.
        value: String,
    },
    /// A value has no place in the chosen coding.
    #[error("chromatogram {id:?}: {what} {value} does not fit {encoding}")]
    DoesNotFit {
        /// Its id.
        id: String,
        /// Which value.
        what: &'static str,
        /// The value.
        value: f64,
        /// The coding.
        encoding: &'static str,
    },
    /// A text holds a character XML cannot carry.
    #[error("{text:?} holds a character XML 1.0 cannot carry")]
    Text {
        /// The text.
        text: String,
    },
    /// The number of chromatograms differs from the number announced.
    #[error("{announced} chromatograms were announced, {written} written")]
    Count {
        /// Announced at the start.
        announced: usize,
        /// Written.
        written: usize,
    },
}
