//! Digests of records: SHA-256 (FIPS 180-4) of canonical JSON (RFC 8785). The same record gives the same digest on
//! every machine, whatever the order its fields were written in.

mod canonical;
mod number;

pub use canonical::canonical_json;

use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use std::fmt;
use std::str::FromStr;

/// A SHA-256 digest. Written as 64 hexadecimal figures.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Digest([u8; 32]);

/// Why a record has no digest, or a text is none.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DigestError {
    /// NaN or an infinity: JSON has no such number, and a record must name the case instead.
    #[error("a record cannot hold {found}: name the case instead")]
    NotFinite {
        /// `NaN`, `inf` or `-inf`.
        found: String,
    },
    /// A whole number that a reader of JSON would round (RFC 8785 § 3.2.2.3, RFC 7493 § 2.2).
    #[error("{found} is beyond ±(2^53 − 1), where JSON readers begin to round; write it as text")]
    IntegerTooLarge {
        /// The number.
        found: String,
    },
    /// A map whose keys are not texts or whole numbers.
    #[error("a record's map must have texts or whole numbers as keys, not {found}")]
    KeyNotText {
        /// Kind of key found.
        found: &'static str,
    },
    /// The same key twice in one object.
    #[error("the key {key:?} stands twice in one object")]
    DuplicateKey {
        /// The key.
        key: String,
    },
    /// The record's own serialisation failed.
    #[error("the record cannot be written: {message}")]
    Record {
        /// What it said.
        message: String,
    },
    /// A text that is not 64 lower-case hexadecimal figures.
    #[error("a digest has 64 lower-case hexadecimal figures, not {found:?}")]
    NotADigest {
        /// The text.
        found: String,
    },
}

/// The digest of a record.
///
/// ```
/// use serde_json::json;
/// use spotwright_domain::digest::{DigestError, digest};
///
/// let one = digest(&json!({ "value": 4.50, "unit": "ug/L" })).unwrap();
/// let same = digest(&json!({ "unit": "ug/L", "value": 4.5 })).unwrap();
/// assert_eq!(one, same);
/// assert_eq!(one.to_string().len(), 64);
///
/// // A number that is none is refused, not written as null.
/// assert_eq!(digest(&f64::NAN), Err(DigestError::NotFinite { found: "NaN".to_owned() }));
/// ```
///
/// # Errors
/// When the record holds NaN, an infinity, a whole number beyond ±(2^53 − 1), a map with keys that are not texts, or
/// the same key twice.
pub fn digest<T: Serialize + ?Sized>(record: &T) -> Result<Digest, DigestError> {
    Ok(Digest::of_bytes(canonical_json(record)?.as_bytes()))
}

impl Digest {
    /// The digest of bytes as they are, such as a raw file.
    #[must_use]
    pub fn of_bytes(bytes: &[u8]) -> Self {
        Self(Sha256::digest(bytes).into())
    }

    /// The 32 bytes.
    #[must_use]
    pub fn as_bytes(&self) -> &[u8; 32] {
        &self.0
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Digest({self})")
    }
}

impl FromStr for Digest {
    type Err = DigestError;

    fn from_str(text: &str) -> Result<Self, DigestError> {
        let refused = || DigestError::NotADigest {
            found: text.to_owned(),
        };
        // Upper case is refused so that one digest has one writing.
        let figure = |byte: u8| match byte {
            b'0'..=b'9' => Some(byte - b'0'),
            b'a'..=b'f' => Some(byte - b'a' + 10),
            _ => None,
        };
        if text.len() != 64 {
            return Err(refused());
        }
        let mut bytes = [0; 32];
        for (byte, pair) in bytes.iter_mut().zip(text.as_bytes().chunks_exact(2)) {
            let (high, low) = figure(pair[0]).zip(figure(pair[1])).ok_or_else(refused)?;
            *byte = high << 4 | low;
        }
        Ok(Self(bytes))
    }
}

impl TryFrom<String> for Digest {
    type Error = DigestError;
    fn try_from(text: String) -> Result<Self, DigestError> {
        text.parse()
    }
}

impl From<Digest> for String {
    fn from(digest: Digest) -> Self {
        digest.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST, SHA-256 examples to FIPS 180-4 (from memory): one block, two blocks, and the empty message; the last is
    /// a million letters.
    #[test]
    fn sha_256_gives_the_published_digests() {
        let cases: [(&[u8], &str); 4] = [
            (
                b"abc",
                "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
            ),
            (
                b"",
                "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
            ),
            (
                b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
                "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
            ),
            (
                &[b'a'; 1_000_000],
                "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
            ),
        ];
        for (message, published) in cases {
            assert_eq!(Digest::of_bytes(message).to_string(), published);
        }
    }

    #[test]
    fn a_digest_has_one_writing() {
        let digest = Digest::of_bytes(b"abc");
        let text = digest.to_string();
        assert_eq!(text.parse(), Ok(digest));
        assert_eq!(
            serde_json::from_str::<Digest>(&format!("\"{text}\"")).unwrap(),
            digest
        );
        for wrong in [
            text.to_uppercase(),
            text[1..].to_owned(),
            format!("{text}0"),
            text.replace('b', "g"),
        ] {
            assert_eq!(
                wrong.parse::<Digest>(),
                Err(DigestError::NotADigest { found: wrong.clone() })
            );
        }
        // 64 bytes, but not 64 characters: no slice may fall inside one.
        assert!("é".repeat(32).parse::<Digest>().is_err());
    }
}
