//! The controlled-vocabulary terms this reader acts on (PSI-MS and Unit Ontology), and their official names.

pub(crate) const ISOLATION_TARGET: u32 = 1_000_827;
pub(crate) const ISOLATION_LOWER: u32 = 1_000_828;
pub(crate) const ISOLATION_UPPER: u32 = 1_000_829;
pub(crate) const SELECTED_ION_MZ: u32 = 1_000_744;
pub(crate) const MZ_OF_ION: u32 = 1_000_040;
pub(crate) const NEGATIVE_SCAN: u32 = 1_000_129;
pub(crate) const POSITIVE_SCAN: u32 = 1_000_130;
pub(crate) const DWELL_TIME: u32 = 1_000_502;
pub(crate) const SCAN_START_TIME: u32 = 1_000_016;
pub(crate) const SCAN_WINDOW_UPPER: u32 = 1_000_500;
pub(crate) const SCAN_WINDOW_LOWER: u32 = 1_000_501;
pub(crate) const SRM_SPECTRUM: u32 = 1_000_583;

pub(crate) const TIME_ARRAY: u32 = 1_000_595;
pub(crate) const INTENSITY_ARRAY: u32 = 1_000_515;
pub(crate) const MZ_ARRAY: u32 = 1_000_514;
pub(crate) const OTHER_ARRAY: u32 = 1_000_786;

pub(crate) const FLOAT_64: u32 = 1_000_523;
pub(crate) const FLOAT_32: u32 = 1_000_521;
pub(crate) const FLOAT_16: u32 = 1_000_520;
pub(crate) const INTEGER_64: u32 = 1_000_522;
pub(crate) const INTEGER_32: u32 = 1_000_519;
pub(crate) const TEXT_ARRAY: u32 = 1_001_479;

pub(crate) const NO_COMPRESSION: u32 = 1_000_576;
pub(crate) const ZLIB: u32 = 1_000_574;
pub(crate) const NUMPRESS_LINEAR: u32 = 1_002_312;
pub(crate) const NUMPRESS_PIC: u32 = 1_002_313;
pub(crate) const NUMPRESS_SLOF: u32 = 1_002_314;
pub(crate) const NUMPRESS_LINEAR_ZLIB: u32 = 1_002_746;
pub(crate) const NUMPRESS_PIC_ZLIB: u32 = 1_002_747;
pub(crate) const NUMPRESS_SLOF_ZLIB: u32 = 1_002_748;

/// `MS:1000523` as 1000523. Anything that is not seven digits after `MS:` is no term this reader knows.
pub(crate) fn ms_number(accession: &[u8]) -> Option<u32> {
    let digits = accession.strip_prefix(b"MS:")?;
    if digits.len() != 7 {
        return None;
    }
    digits.iter().try_fold(0_u32, |number, &digit| {
        digit
            .is_ascii_digit()
            .then(|| number * 10 + u32::from(digit - b'0'))
    })
}

pub(crate) fn ms_accession(number: u32) -> String {
    format!("MS:{number}")
}

/// The official name of a term whose misreading would change numbers.
pub(crate) const fn official_name(number: u32) -> Option<&'static str> {
    Some(match number {
        TIME_ARRAY => "time array",
        INTENSITY_ARRAY => "intensity array",
        MZ_ARRAY => "m/z array",
        OTHER_ARRAY => "non-standard data array",
        FLOAT_64 => "64-bit float",
        FLOAT_32 => "32-bit float",
        FLOAT_16 => "16-bit float",
        INTEGER_64 => "64-bit integer",
        INTEGER_32 => "32-bit integer",
        TEXT_ARRAY => "null-terminated ASCII string",
        NO_COMPRESSION => "no compression",
        ZLIB => "zlib compression",
        NUMPRESS_LINEAR => "MS-Numpress linear prediction compression",
        NUMPRESS_PIC => "MS-Numpress positive integer compression",
        NUMPRESS_SLOF => "MS-Numpress short logged float compression",
        NUMPRESS_LINEAR_ZLIB => "MS-Numpress linear prediction compression followed by zlib compression",
        NUMPRESS_PIC_ZLIB => "MS-Numpress positive integer compression followed by zlib compression",
        NUMPRESS_SLOF_ZLIB => "MS-Numpress short logged float compression followed by zlib compression",
        _ => return None,
    })
}

/// Whether the name beside an accession contradicts it. An absent name contradicts nothing.
pub(crate) fn name_contradicts(number: u32, name: &[u8]) -> bool {
    match official_name(number) {
        Some(official) if !name.is_empty() => !name.trim_ascii().eq_ignore_ascii_case(official.as_bytes()),
        _ => false,
    }
}

/// A time unit, as the number of units in a minute and as its terms.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum TimeUnit {
    Minute,
    Second,
    Millisecond,
}

impl TimeUnit {
    /// From a `unitAccession`: Unit Ontology, or the PSI-MS terms it replaced.
    pub(crate) fn from_accession(accession: &[u8]) -> Option<Self> {
        match accession {
            b"UO:0000031" | b"MS:1000038" => Some(Self::Minute),
            b"UO:0000010" | b"MS:1000039" => Some(Self::Second),
            b"UO:0000028" => Some(Self::Millisecond),
            _ => None,
        }
    }

    pub(crate) const fn per_minute(self) -> f64 {
        match self {
            Self::Minute => 1.0,
            Self::Second => 60.0,
            Self::Millisecond => 60_000.0,
        }
    }

    pub(crate) const fn per_second(self) -> f64 {
        match self {
            Self::Minute => 1.0 / 60.0,
            Self::Second => 1.0,
            Self::Millisecond => 1000.0,
        }
    }
}
