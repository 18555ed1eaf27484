//! Names of things: cards, subjects, runs, injections, analytes, levels. Different things, different types.

use serde::{Deserialize, Serialize};
use std::fmt;

/// Why a text cannot be an identifier.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum IdentifierError {
    /// Nothing there.
    #[error("an identifier cannot be empty")]
    Empty,
    /// Too long to be one.
    #[error("an identifier has at most {limit} characters, this one has {found}")]
    TooLong {
        /// Characters found.
        found: usize,
        /// Characters allowed.
        limit: usize,
    },
    /// White space around it, or a control character, slash or quote in it.
    #[error("an identifier cannot hold {character:?}")]
    BadCharacter {
        /// The first character that cannot stand in an identifier.
        character: char,
    },
}

/// Longest identifier (characters).
pub const LONGEST_IDENTIFIER: usize = 80;

fn checked(text: &str) -> Result<String, IdentifierError> {
    if text.is_empty() {
        return Err(IdentifierError::Empty);
    }
    let found = text.chars().count();
    if found > LONGEST_IDENTIFIER {
        return Err(IdentifierError::TooLong {
            found,
            limit: LONGEST_IDENTIFIER,
        });
    }
    // A slash separates the parts of a result's name; a leading "=" or "@" would run as a formula in a spreadsheet.
    let forbidden = |c: char| c.is_control() || c.is_whitespace() && c != ' ' || "/\\\"'<>|".contains(c);
    if let Some(character) = text.chars().find(|c| forbidden(*c)) {
        return Err(IdentifierError::BadCharacter { character });
    }
    match (text.chars().next(), text.chars().last()) {
        (Some(first), _) if " =@+".contains(first) => Err(IdentifierError::BadCharacter { character: first }),
        (_, Some(' ')) => Err(IdentifierError::BadCharacter { character: ' ' }),
        _ => Ok(text.to_owned()),
    }
}

macro_rules! identifier {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(try_from = "String", into = "String")]
        pub struct $name(String);

        impl $name {
            /// Takes a text as an identifier.
            ///
            /// # Errors
            /// When the text is empty, longer than [`LONGEST_IDENTIFIER`], begins or ends with a space,
            /// begins with `=`, `@` or `+`, or holds a control character, slash, quote, bracket or bar.
            pub fn new(text: &str) -> Result<Self, IdentifierError> {
                checked(text).map(Self)
            }

            /// The text.
            #[must_use]
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }

        impl TryFrom<String> for $name {
            type Error = IdentifierError;
            fn try_from(text: String) -> Result<Self, IdentifierError> {
                Self::new(&text)
            }
        }

        impl From<$name> for String {
            fn from(name: $name) -> String {
                name.0
            }
        }
    };
}

identifier!(
    /// A paper card, as printed in its barcode.
    CardId
);
identifier!(
    /// A person, by code (`SI-0417`), never by name.
    SubjectId
);
identifier!(
    /// One analytical run.
    RunId
);
identifier!(
    /// A method.
    MethodId
);
identifier!(
    /// An analyte of a method.
    AnalyteName
);
identifier!(
    /// An internal standard of a method.
    InternalStandardName
);
identifier!(
    /// A calibrator or control level of a method.
    LevelName
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_ordinary_code_is_taken_and_a_formula_is_not() {
        assert_eq!(CardId::new("PM-2026-00417").unwrap().as_str(), "PM-2026-00417");
        assert_eq!(
            CardId::new("=SUM(A1)"),
            Err(IdentifierError::BadCharacter { character: '=' })
        );
        assert_eq!(CardId::new(""), Err(IdentifierError::Empty));
        assert_eq!(
            CardId::new("a/b"),
            Err(IdentifierError::BadCharacter { character: '/' })
        );
        assert_eq!(
            CardId::new("a "),
            Err(IdentifierError::BadCharacter { character: ' ' })
        );
    }
}
