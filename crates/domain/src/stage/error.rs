//! Why a stage cannot be sealed, read or trusted.

use super::StageName;
use crate::digest::{Digest, DigestError};

/// Why a stage cannot be sealed, read or trusted.
#[derive(Debug, thiserror::Error)]
pub enum StageError {
    /// The record has no digest.
    #[error("the {stage} record cannot be sealed: {source}")]
    NotDigestible {
        /// Which stage.
        stage: StageName,
        /// Why.
        source: DigestError,
    },
    /// The text is not a record of this kind.
    #[error("this is not a {stage} record: {source}")]
    NotARecord {
        /// Stage expected.
        stage: StageName,
        /// What the reader said.
        source: serde_json::Error,
    },
    /// A record of another stage.
    #[error("a {expected} record was expected, this is a {found} one")]
    OtherStage {
        /// Stage expected.
        expected: StageName,
        /// Stage found.
        found: StageName,
    },
    /// Written by a later program.
    #[error("the record's {part} has version {found}, this program reads up to {newest}")]
    Newer {
        /// `envelope` or `content`.
        part: &'static str,
        /// Version found.
        found: u32,
        /// Newest version known.
        newest: u32,
    },
    /// The content does not give the digest that was sealed: it was changed.
    #[error("the {stage} record was sealed as {sealed} but its content gives {found}: it was changed")]
    SealBroken {
        /// Which stage.
        stage: StageName,
        /// Digest in the record.
        sealed: Digest,
        /// Digest of what stands there.
        found: Digest,
    },
    /// Made from another record than the one shown.
    #[error("the {stage} record was made from {}, not from {found}", shown(.named))]
    OtherPredecessor {
        /// Which stage.
        stage: StageName,
        /// Digest it names; `None`: none.
        named: Option<Digest>,
        /// Digest of the record shown.
        found: Digest,
    },
    /// A correction without a reason (DI-02).
    #[error("a record is superseded only with a reason")]
    NoReason,
    /// A correction that already replaces another record.
    #[error("this record already supersedes {earlier}")]
    AlreadySupersedes {
        /// Digest of the record it supersedes.
        earlier: Digest,
    },
    /// A correction equal to what it replaces.
    #[error("a record cannot supersede itself ({record})")]
    SupersedesItself {
        /// Its digest.
        record: Digest,
    },
    /// A chain of corrections whose first record is missing.
    #[error("the record superseded, {missing}, is not among those given")]
    ChainBroken {
        /// Digest of the missing record.
        missing: Digest,
    },
    /// Two corrections of one record, or two records neither of which supersedes the other.
    #[error("{first} and {second} both stand: neither supersedes the other")]
    ChainForked {
        /// One digest.
        first: Digest,
        /// The other.
        second: Digest,
    },
    /// No records at all.
    #[error("there is no record")]
    ChainEmpty,
}

fn shown(digest: &Option<Digest>) -> String {
    digest.map_or_else(|| "nothing".to_owned(), |digest| digest.to_string())
}
