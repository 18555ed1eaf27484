//! What is wrong with a model file: where, what was found, what was expected, and the nearest valid name.

use std::fmt;

/// Every problem of one file, in the order of its lines.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct ModelProblems {
    problems: Vec<ModelProblem>,
}

/// One thing that keeps a file from being a model.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ModelProblem {
    /// Which problem, from the closed list.
    pub code: ModelProblemCode,
    /// Line from 1.
    pub line: u32,
    /// Column from 1, in characters.
    pub column: u32,
    /// Dotted name of the key, such as `parameter.formula`; empty: the file as a whole.
    pub field: String,
    /// What stands there.
    pub found: String,
    /// What could.
    pub expected: String,
    /// The nearest valid name, when one is near.
    pub nearest: Option<String>,
}

/// The closed list of problems.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum ModelProblemCode {
    /// Not TOML.
    Syntax,
    /// A key that must be there is not.
    KeyMissing,
    /// A key no model has.
    KeyUnknown,
    /// A text where a number belongs, and the like.
    ValueKind,
    /// A number outside what is possible.
    NumberOutOfRange,
    /// A word outside a closed list.
    WordUnknown,
    /// A unit that does not fit the quantity.
    UnitWrong,
    /// A formula that cannot be read.
    Formula,
    /// A formula that has no possible value at the defaults.
    FormulaValue,
    /// The same name twice.
    NameTwice,
    /// A parameter the structure needs, or cannot have.
    ParameterSet,
    /// Correlations that no random effects can have.
    Correlation,
    /// A number called verified whose provenance says otherwise.
    Provenance,
    /// Two things of the file contradict one another.
    Contradiction,
}

impl ModelProblems {
    pub(crate) fn new(mut problems: Vec<ModelProblem>) -> Self {
        problems.sort_by_key(|problem| (problem.line, problem.column, problem.code));
        Self { problems }
    }

    /// The problems, by line and column.
    #[must_use]
    pub fn problems(&self) -> &[ModelProblem] {
        &self.problems
    }
}

impl fmt::Display for ModelProblems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, problem) in self.problems.iter().enumerate() {
            if at > 0 {
                writeln!(f)?;
            }
            write!(f, "{problem}")?;
        }
        Ok(())
    }
}

impl fmt::Display for ModelProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}, column {}", self.line, self.column)?;
        if !self.field.is_empty() {
            write!(f, ", {}", self.field)?;
        }
        write!(f, ": found {}, expected {}", self.found, self.expected)?;
        if let Some(nearest) = &self.nearest {
            write!(f, "; nearest: {nearest}")?;
        }
        Ok(())
    }
}
