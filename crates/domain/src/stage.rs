//! Versioned stage records: what was measured, what was accepted, and so on to what was released. Each stage is a
//! type, is made from the stage before it and names that by digest; nothing is edited, a correction supersedes.
//!
//! ```
//! use serde_json::json;
//! use spotwright_domain::digest::Digest;
//! use spotwright_domain::stage::{Accepted, Measured, Provenance, Stage};
//!
//! let by = Provenance {
//!     program_version: "0.1.0".to_owned(),
//!     method: Digest::of_bytes(b"the bytes of method.toml"),
//! };
//! let measured = Stage::<Measured, _>::first(1, json!({ "area_counts_s": 5120.5 }), &by).unwrap();
//! let accepted = Stage::<Accepted, _>::after(&measured, 1, json!({ "verdict": "reportable" }), &by).unwrap();
//! accepted.verify_follows(&measured).unwrap();
//!
//! // What was written reads back, but not after a change by hand.
//! let text = accepted.to_json().unwrap();
//! assert!(Stage::<Accepted, serde_json::Value>::from_json(&text, 1).is_ok());
//! let changed = text.replace("reportable", "refused");
//! assert!(Stage::<Accepted, serde_json::Value>::from_json(&changed, 1).is_err());
//! ```
//!
//! A stage cannot be skipped: what is converted was accepted.
//! ```compile_fail
//! # use spotwright_domain::stage::{Converted, Measured, Provenance, Stage};
//! fn skip(measured: &Stage<Measured, ()>, by: &Provenance) {
//!     let _ = Stage::<Converted, _>::after(measured, 1, (), by);
//! }
//! ```

mod error;
mod marker;

pub use error::StageError;
pub use marker::{Accepted, Converted, Follows, Interpreted, Measured, Released, StageMarker, StageName};

use crate::digest::{Digest, digest};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::marker::PhantomData;

/// Version of the envelope around a stage's content; rises when a field of [`Stage`] changes meaning.
pub const ENVELOPE_VERSION: u32 = 1;

/// By what a stage was made; together with the raw files enough to make it again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Provenance {
    /// Version of the program.
    pub program_version: String,
    /// Digest of the method file's bytes.
    pub method: Digest,
}

/// Which record a correction replaces, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Superseded {
    /// Digest of the earlier record.
    pub record: Digest,
    /// Why it was replaced (DI-02).
    pub reason: String,
}

/// A sealed record of one stage. It cannot be changed, only read, followed or superseded.
#[derive(Debug, Clone, PartialEq)]
pub struct Stage<S: StageMarker, T> {
    sealed: Sealed<T>,
    digest: Digest,
    stage: PhantomData<S>,
}

/// Everything the digest vouches for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Sealed<T> {
    envelope_version: u32,
    layout_version: u32,
    stage: StageName,
    predecessor: Option<Digest>,
    supersedes: Option<Superseded>,
    provenance: Provenance,
    content: T,
}

impl<T: Serialize> Stage<Measured, T> {
    /// The first stage, made from raw files alone.
    ///
    /// # Errors
    /// When the content has no digest (NaN, infinity, …).
    pub fn first(layout_version: u32, content: T, provenance: &Provenance) -> Result<Self, StageError> {
        Self::seal(layout_version, None, content, provenance)
    }
}

impl<S: Follows, T: Serialize> Stage<S, T> {
    /// A stage made from the one before it.
    ///
    /// # Errors
    /// When the content has no digest (NaN, infinity, …).
    pub fn after<P>(
        predecessor: &Stage<S::Predecessor, P>,
        layout_version: u32,
        content: T,
        provenance: &Provenance,
    ) -> Result<Self, StageError> {
        Self::seal(layout_version, Some(predecessor.digest), content, provenance)
    }
}

impl<S: Follows, T> Stage<S, T> {
    /// Whether this was made from the record shown.
    ///
    /// # Errors
    /// When it names another predecessor.
    pub fn verify_follows<P>(&self, predecessor: &Stage<S::Predecessor, P>) -> Result<(), StageError> {
        if self.sealed.predecessor == Some(predecessor.digest) {
            return Ok(());
        }
        Err(StageError::OtherPredecessor {
            stage: S::NAME,
            named: self.sealed.predecessor,
            found: predecessor.digest,
        })
    }
}

impl<S: StageMarker, T: Serialize> Stage<S, T> {
    fn seal(
        layout_version: u32,
        predecessor: Option<Digest>,
        content: T,
        provenance: &Provenance,
    ) -> Result<Self, StageError> {
        Self::sealed(Sealed {
            envelope_version: ENVELOPE_VERSION,
            layout_version,
            stage: S::NAME,
            predecessor,
            supersedes: None,
            provenance: provenance.clone(),
            content,
        })
    }

    fn sealed(sealed: Sealed<T>) -> Result<Self, StageError> {
        let digest = digest(&sealed).map_err(|source| StageError::NotDigestible {
            stage: S::NAME,
            source,
        })?;
        Ok(Self {
            sealed,
            digest,
            stage: PhantomData,
        })
    }

    /// Makes this freshly sealed record the correction of an earlier one, which stays as it is.
    ///
    /// # Errors
    /// When the reason is blank, this is the earlier record itself, or it supersedes one already.
    pub fn superseding<E>(self, earlier: &Stage<S, E>, reason: &str) -> Result<Self, StageError> {
        if reason.trim().is_empty() {
            return Err(StageError::NoReason);
        }
        if let Some(superseded) = self.sealed.supersedes {
            return Err(StageError::AlreadySupersedes {
                earlier: superseded.record,
            });
        }
        if self.digest == earlier.digest {
            return Err(StageError::SupersedesItself { record: self.digest });
        }
        Self::sealed(Sealed {
            supersedes: Some(Superseded {
                record: earlier.digest,
                reason: reason.trim().to_owned(),
            }),
            ..self.sealed
        })
    }

    /// Whether the content still gives the digest it was sealed with.
    ///
    /// # Errors
    /// When it does not, or has none.
    pub fn verify(&self) -> Result<(), StageError> {
        let found = digest(&self.sealed).map_err(|source| StageError::NotDigestible {
            stage: S::NAME,
            source,
        })?;
        same_seal(S::NAME, self.digest, found)
    }

    /// As JSON, with its digest beside the rest.
    ///
    /// # Errors
    /// When the content's own serialisation fails.
    pub fn to_json(&self) -> Result<String, StageError> {
        #[derive(Serialize)]
        struct WithDigest<'a, T> {
            digest: Digest,
            #[serde(flatten)]
            sealed: &'a Sealed<T>,
        }
        serde_json::to_string(&WithDigest {
            digest: self.digest,
            sealed: &self.sealed,
        })
        .map_err(|source| StageError::NotARecord {
            stage: S::NAME,
            source,
        })
    }
}

impl<S: StageMarker, T: DeserializeOwned> Stage<S, T> {
    /// Reads a record, and checks its seal before anything in it is believed. The seal is checked on what stands in
    /// the text, not on what this program makes of it, so that a content that has since gained fields still verifies.
    ///
    /// # Errors
    /// When the text is no record of this stage, is newer than `newest_layout` or this program's envelope, or was
    /// changed after it was sealed.
    pub fn from_json(text: &str, newest_layout: u32) -> Result<Self, StageError> {
        #[derive(Deserialize)]
        struct Head {
            digest: Digest,
            envelope_version: u32,
            layout_version: u32,
            stage: StageName,
        }
        let not_a_record = |source| StageError::NotARecord {
            stage: S::NAME,
            source,
        };
        let mut value: Value = serde_json::from_str(text).map_err(not_a_record)?;
        let head = Head::deserialize(&value).map_err(not_a_record)?;
        if head.stage != S::NAME {
            return Err(StageError::OtherStage {
                expected: S::NAME,
                found: head.stage,
            });
        }
        for (part, found, newest) in [
            ("envelope", head.envelope_version, ENVELOPE_VERSION),
            ("content", head.layout_version, newest_layout),
        ] {
            if found > newest {
                return Err(StageError::Newer { part, found, newest });
            }
        }
        if let Some(members) = value.as_object_mut() {
            members.remove("digest");
        }
        let found = digest(&value).map_err(|source| StageError::NotDigestible {
            stage: S::NAME,
            source,
        })?;
        same_seal(S::NAME, head.digest, found)?;
        Ok(Self {
            sealed: Sealed::deserialize(value).map_err(not_a_record)?,
            digest: head.digest,
            stage: PhantomData,
        })
    }
}

impl<S: StageMarker, T> Stage<S, T> {
    /// The record itself.
    #[must_use]
    pub fn content(&self) -> &T {
        &self.sealed.content
    }

    /// Its digest, by which others name it.
    #[must_use]
    pub fn digest(&self) -> Digest {
        self.digest
    }

    /// The stage, as a value.
    #[must_use]
    pub fn name(&self) -> StageName {
        S::NAME
    }

    /// Version of the content's layout.
    #[must_use]
    pub fn layout_version(&self) -> u32 {
        self.sealed.layout_version
    }

    /// Digest of the record it was made from; `None`: raw files alone.
    #[must_use]
    pub fn predecessor(&self) -> Option<Digest> {
        self.sealed.predecessor
    }

    /// Which record it replaces, and why; `None`: none.
    #[must_use]
    pub fn supersedes(&self) -> Option<&Superseded> {
        self.sealed.supersedes.as_ref()
    }

    /// By what it was made.
    #[must_use]
    pub fn provenance(&self) -> &Provenance {
        &self.sealed.provenance
    }
}

fn same_seal(stage: StageName, sealed: Digest, found: Digest) -> Result<(), StageError> {
    if sealed == found {
        Ok(())
    } else {
        Err(StageError::SealBroken { stage, sealed, found })
    }
}

/// The record that stands: the one of a complete chain of corrections that nothing supersedes. Order does not matter.
///
/// # Errors
/// When there is none, one that is superseded is missing, or more than one stands.
pub fn standing<S: StageMarker, T>(records: &[Stage<S, T>]) -> Result<&Stage<S, T>, StageError> {
    let earlier = |record: &Stage<S, T>| record.supersedes().map(|superseded| superseded.record);
    if let Some(missing) = records
        .iter()
        .filter_map(earlier)
        .find(|wanted| records.iter().all(|record| record.digest != *wanted))
    {
        return Err(StageError::ChainBroken { missing });
    }
    let mut standing = records
        .iter()
        .filter(|record| records.iter().all(|later| earlier(later) != Some(record.digest)));
    // A digest cannot hold itself, so corrections cannot go in a circle: some record always stands.
    let first = standing.next().ok_or(StageError::ChainEmpty)?;
    match standing.find(|other| other.digest != first.digest) {
        None => Ok(first),
        Some(second) => Err(StageError::ChainForked {
            first: first.digest,
            second: second.digest,
        }),
    }
}

#[cfg(test)]
mod tests;
