//! Whether a model may give advice, and who stands behind that.

use super::{Confidence, Model};
use spotwright_domain::digest::Digest;

/// A named person's signature under a model file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignOff {
    /// Full name.
    pub name: String,
    /// Role, such as clinical pharmacologist.
    pub role: String,
    /// Date, `2026-11-25`.
    pub on: String,
    /// Digest of the facts that were read: a changed file voids it.
    pub digest: Digest,
}

/// Whether a model may give advice.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum AdviceStanding {
    /// It may: confident and read in the source, or signed by two people.
    Cleared {
        /// Who signed these facts.
        signed_by: Vec<SignOff>,
    },
    /// Research display only.
    ResearchOnly {
        /// Why.
        reasons: Vec<WhyNotForAdvice>,
        /// Signatures that count, of the two needed.
        valid_signatures: usize,
        /// Signatures under other facts: the file changed since.
        void_signatures: Vec<SignOff>,
    },
}

/// Why a model may not give advice without signatures.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum WhyNotForAdvice {
    /// Its confidence is low.
    LowConfidence,
    /// A number of its clearance was not read in the source.
    UnverifiedClearance {
        /// The parameter and its provenance, or the source's status.
        said: String,
    },
}

/// Different people needed.
pub const SIGNATURES_NEEDED: usize = 2;

impl Model {
    /// Whether it may give advice.
    #[must_use]
    pub fn advice_standing(&self) -> AdviceStanding {
        let reasons = self.reasons_against_advice();
        let (valid, void): (Vec<SignOff>, Vec<SignOff>) = self
            .sign_offs
            .iter()
            .cloned()
            .partition(|sign_off| sign_off.digest == self.digest);
        let mut people: Vec<String> = valid.iter().map(|sign_off| folded(&sign_off.name)).collect();
        people.sort();
        people.dedup();
        if reasons.is_empty() || people.len() >= SIGNATURES_NEEDED {
            return AdviceStanding::Cleared { signed_by: valid };
        }
        AdviceStanding::ResearchOnly {
            reasons,
            valid_signatures: people.len(),
            void_signatures: void,
        }
    }

    fn reasons_against_advice(&self) -> Vec<WhyNotForAdvice> {
        let mut reasons = Vec::new();
        if self.confidence == Confidence::Low {
            reasons.push(WhyNotForAdvice::LowConfidence);
        }
        for parameter in self.clearance_parameters() {
            if !parameter.verified {
                reasons.push(WhyNotForAdvice::UnverifiedClearance {
                    said: format!("{}: {}", parameter.name, parameter.provenance),
                });
            }
        }
        if self.source.status.to_lowercase().contains("from memory - verify") {
            reasons.push(WhyNotForAdvice::UnverifiedClearance {
                said: format!("source: {}", self.source.status),
            });
        }
        reasons
    }
}

/// Whether a provenance says that a number was not read in the source.
pub(crate) fn says_unverified(provenance: &str) -> bool {
    let folded = provenance.to_lowercase();
    folded.contains("from memory")
        || folded.contains("verify")
        || folded.contains("doubtful")
        || folded.contains("assumed")
}

/// A name for comparison: one person who writes it twice in two ways is one person.
fn folded(name: &str) -> String {
    name.to_lowercase()
        .split(|c: char| !c.is_alphanumeric())
        .filter(|part| !part.is_empty())
        .collect::<Vec<_>>()
        .join(" ")
}
