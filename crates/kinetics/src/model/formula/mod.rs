//! The formulas of a model file: numbers, covariates, `+ - * / ^`, `exp`, `ln`, comparisons and
//! `if(condition, then, else)`. Typical values of parameters, and the conditions under which a model warns or refuses.
//!
//! `^` binds tightest and from the right; a minus before it applies to the power, as in mathematics: `-2^2` is -4.

mod evaluate;
mod parse;

pub use evaluate::{EvaluationError, EvaluationFault};
pub use parse::{FormulaError, FormulaFault};

use evaluate::{condition_value, term_value};
use std::collections::BTreeSet;
use std::fmt;

/// A formula that gives a number.
#[derive(Clone, PartialEq)]
pub struct Formula {
    text: String,
    term: Term,
}

/// A formula that is true or false.
#[derive(Clone, PartialEq)]
pub struct Condition {
    text: String,
    test: Test,
}

/// A covariate a formula may name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Name<'n> {
    /// The name.
    pub name: &'n str,
    /// Whether it is 0 or 1, so that it may stand as a condition by itself.
    pub is_flag: bool,
}

/// Part of a formula that gives a number, and where it begins (characters from 0).
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Term {
    Number(f64),
    /// Index into the names the formula was parsed with.
    Covariate(usize),
    Negative(Box<Term>),
    Sum(Box<Term>, Box<Term>),
    Difference(Box<Term>, Box<Term>),
    Product(Box<Term>, Box<Term>),
    Quotient(Box<Term>, Box<Term>, usize),
    Power(Box<Term>, Box<Term>, usize),
    Exp(Box<Term>, usize),
    Ln(Box<Term>, usize),
    If(Box<Test>, Box<Term>, Box<Term>),
}

/// Part of a formula that is true or false.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Test {
    /// A 0/1 covariate by itself.
    Flag(usize),
    Compare(Comparison, Term, Term),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Comparison {
    Less,
    LessOrEqual,
    Greater,
    GreaterOrEqual,
    Equal,
    NotEqual,
}

impl Formula {
    /// Parses a formula; covariates are the positions of their names in `names`.
    ///
    /// # Errors
    /// At the first thing that is no formula, with its place.
    pub fn parse(text: &str, names: &[Name<'_>]) -> Result<Self, FormulaError> {
        Ok(Self {
            text: text.to_owned(),
            term: parse::term(text, names)?,
        })
    }

    /// The formula as written.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Its value for covariate values in the order of the names it was parsed with.
    ///
    /// # Errors
    /// Division by zero, logarithm or power without a real value, an infinity, or a covariate without a value: by
    /// name, with the place in the formula.
    pub fn value(&self, covariates: &[f64]) -> Result<f64, EvaluationError> {
        term_value(&self.term, covariates)
    }

    /// Positions of the covariates it names.
    #[must_use]
    pub fn covariates(&self) -> BTreeSet<usize> {
        let mut found = BTreeSet::new();
        self.term.collect(&mut found);
        found
    }
}

impl Condition {
    /// Parses a condition: a comparison, or a 0/1 covariate.
    ///
    /// # Errors
    /// At the first thing that is no condition, with its place.
    pub fn parse(text: &str, names: &[Name<'_>]) -> Result<Self, FormulaError> {
        Ok(Self {
            text: text.to_owned(),
            test: parse::test(text, names)?,
        })
    }

    /// The condition as written.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Whether it holds.
    ///
    /// # Errors
    /// As [`Formula::value`].
    pub fn holds(&self, covariates: &[f64]) -> Result<bool, EvaluationError> {
        condition_value(&self.test, covariates)
    }

    /// Positions of the covariates it names.
    #[must_use]
    pub fn covariates(&self) -> BTreeSet<usize> {
        let mut found = BTreeSet::new();
        self.test.collect(&mut found);
        found
    }
}

impl Term {
    fn collect(&self, found: &mut BTreeSet<usize>) {
        match self {
            Self::Number(_) => {}
            Self::Covariate(at) => {
                found.insert(*at);
            }
            Self::Negative(a) | Self::Exp(a, _) | Self::Ln(a, _) => a.collect(found),
            Self::Sum(a, b)
            | Self::Difference(a, b)
            | Self::Product(a, b)
            | Self::Quotient(a, b, _)
            | Self::Power(a, b, _) => {
                a.collect(found);
                b.collect(found);
            }
            Self::If(test, a, b) => {
                test.collect(found);
                a.collect(found);
                b.collect(found);
            }
        }
    }
}

impl Test {
    fn collect(&self, found: &mut BTreeSet<usize>) {
        match self {
            Self::Flag(at) => {
                found.insert(*at);
            }
            Self::Compare(_, a, b) => {
                a.collect(found);
                b.collect(found);
            }
        }
    }
}

impl fmt::Debug for Formula {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Formula({:?})", self.text)
    }
}

impl fmt::Debug for Condition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Condition({:?})", self.text)
    }
}

#[cfg(test)]
mod tests;
