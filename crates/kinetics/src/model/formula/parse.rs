//! From text to a formula, by recursive descent; errors by character.

use super::{Comparison, Name, Term, Test};
use crate::model::nearest::nearest;

/// Why a text is no formula.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{fault}, at character {column} of the formula")]
pub struct FormulaError {
    /// What is wrong.
    pub fault: FormulaFault,
    /// Where in the formula (characters from 1).
    pub column: usize,
    /// How many characters are meant.
    pub length: usize,
}

/// What can be wrong with a formula.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FormulaFault {
    /// Something else was expected here.
    #[error("found {found}, expected {expected}")]
    Unexpected {
        /// What stands there.
        found: String,
        /// What could.
        expected: &'static str,
    },
    /// A name that is no covariate of the model and no function.
    #[error("no covariate or function {name:?}{}", .nearest.as_ref().map(|near| format!(" (nearest: {near})")).unwrap_or_default())]
    UnknownName {
        /// The name.
        name: String,
        /// The nearest valid one.
        nearest: Option<String>,
    },
    /// A number that cannot be read.
    #[error("{text:?} is not a number")]
    Number {
        /// The text.
        text: String,
    },
    /// A condition that is neither a comparison nor a 0/1 covariate.
    #[error("a condition is a comparison or a 0/1 covariate")]
    NotACondition,
    /// Brackets within brackets without end.
    #[error("more than {deepest} levels of nesting")]
    TooDeep {
        /// The most allowed.
        deepest: usize,
    },
}

/// Deepest nesting: a formula is short, and an endless one must not exhaust the stack.
const DEEPEST: usize = 64;
const FUNCTIONS: [&str; 3] = ["exp", "ln", "if"];

#[derive(Debug, Clone, PartialEq)]
enum Token {
    Number(f64),
    Word(String),
    /// One of `+ - * / ^ ( ) , < <= > >= == !=`.
    Sign(&'static str),
}

#[derive(Debug, Clone)]
struct Placed {
    token: Token,
    at: usize,
    length: usize,
}

pub(super) fn term(text: &str, names: &[Name<'_>]) -> Result<Term, FormulaError> {
    let mut parser = Parser::new(text, names)?;
    let term = parser.sum(0)?;
    parser.end()?;
    Ok(term)
}

pub(super) fn test(text: &str, names: &[Name<'_>]) -> Result<Test, FormulaError> {
    let mut parser = Parser::new(text, names)?;
    let test = parser.condition(0)?;
    parser.end()?;
    Ok(test)
}

/// Two-character signs first.
const SIGNS: [&str; 15] = [
    "<=", ">=", "==", "!=", "<", ">", "+", "-", "*", "/", "^", "(", ")", ",", "=",
];

fn tokens(text: &str) -> Result<Vec<Placed>, FormulaError> {
    let characters: Vec<char> = text.chars().collect();
    let mut found = Vec::new();
    let mut at = 0;
    while let Some(&character) = characters.get(at) {
        if character.is_whitespace() {
            at += 1;
            continue;
        }
        let run = |from: usize, holds: &dyn Fn(usize, char) -> bool| {
            (from..characters.len())
                .find(|i| !holds(*i, characters[*i]))
                .unwrap_or(characters.len())
        };
        let (token, end) = if character.is_ascii_digit() || character == '.' {
            let end = run(at, &|i, c| {
                c.is_ascii_alphanumeric()
                    || c == '.'
                    || c == '_'
                    || (matches!(c, '+' | '-')
                        && matches!(characters[i - 1], 'e' | 'E')
                        && characters.get(i + 1).is_some_and(char::is_ascii_digit))
            });
            let text: String = characters[at..end].iter().collect();
            let number = text.parse::<f64>().ok().filter(|number| number.is_finite());
            let Some(number) = number else {
                return Err(FormulaError {
                    fault: FormulaFault::Number { text },
                    column: at + 1,
                    length: end - at,
                });
            };
            (Token::Number(number), end)
        } else if character.is_ascii_alphabetic() {
            let end = run(at, &|_, c| c.is_ascii_alphanumeric() || c == '_');
            (Token::Word(characters[at..end].iter().collect()), end)
        } else {
            let rest: String = characters[at..].iter().take(2).collect();
            match SIGNS.iter().find(|sign| rest.starts_with(**sign)) {
                Some(&"=") | None => {
                    return Err(FormulaError {
                        fault: FormulaFault::Unexpected {
                            found: format!("\"{}\"", character.escape_debug()),
                            expected: "a number, a covariate, a function or one of + - * / ^ ( ) , < <= > >= == !=",
                        },
                        column: at + 1,
                        length: 1,
                    });
                }
                Some(sign) => (Token::Sign(sign), at + sign.len()),
            }
        };
        found.push(Placed {
            token,
            at,
            length: end - at,
        });
        at = end;
    }
    Ok(found)
}

struct Parser<'n> {
    tokens: Vec<Placed>,
    next: usize,
    length: usize,
    names: &'n [Name<'n>],
}

impl<'n> Parser<'n> {
    fn new(text: &str, names: &'n [Name<'n>]) -> Result<Self, FormulaError> {
        Ok(Self {
            tokens: tokens(text)?,
            next: 0,
            length: text.chars().count(),
            names,
        })
    }

    fn peek(&self) -> Option<&Token> {
        self.tokens.get(self.next).map(|placed| &placed.token)
    }

    fn at(&self) -> usize {
        self.tokens.get(self.next).map_or(self.length, |placed| placed.at)
    }

    fn takes(&mut self, sign: &'static str) -> bool {
        let found = self.peek() == Some(&Token::Sign(sign));
        self.next += usize::from(found);
        found
    }

    fn needs(&mut self, sign: &'static str, expected: &'static str) -> Result<(), FormulaError> {
        if self.takes(sign) {
            return Ok(());
        }
        Err(self.unexpected(expected))
    }

    fn unexpected(&self, expected: &'static str) -> FormulaError {
        let placed = self.tokens.get(self.next);
        let found = match placed.map(|placed| &placed.token) {
            None => "the end".to_owned(),
            Some(Token::Number(number)) => format!("the number {number}"),
            Some(Token::Word(word)) => format!("{word:?}"),
            Some(Token::Sign(sign)) => format!("\"{sign}\""),
        };
        FormulaError {
            fault: FormulaFault::Unexpected { found, expected },
            column: self.at() + 1,
            length: placed.map_or(1, |placed| placed.length),
        }
    }

    fn end(&self) -> Result<(), FormulaError> {
        if self.next == self.tokens.len() {
            return Ok(());
        }
        Err(self.unexpected("an operator or the end"))
    }

    fn deeper(&self, depth: usize) -> Result<usize, FormulaError> {
        if depth < DEEPEST {
            return Ok(depth + 1);
        }
        Err(FormulaError {
            fault: FormulaFault::TooDeep { deepest: DEEPEST },
            column: self.at() + 1,
            length: 1,
        })
    }

    fn sum(&mut self, depth: usize) -> Result<Term, FormulaError> {
        let depth = self.deeper(depth)?;
        let mut left = self.product(depth)?;
        loop {
            if self.takes("+") {
                left = Term::Sum(Box::new(left), Box::new(self.product(depth)?));
            } else if self.takes("-") {
                left = Term::Difference(Box::new(left), Box::new(self.product(depth)?));
            } else {
                return Ok(left);
            }
        }
    }

    fn product(&mut self, depth: usize) -> Result<Term, FormulaError> {
        let mut left = self.signed(depth)?;
        loop {
            let at = self.at();
            if self.takes("*") {
                left = Term::Product(Box::new(left), Box::new(self.signed(depth)?));
            } else if self.takes("/") {
                left = Term::Quotient(Box::new(left), Box::new(self.signed(depth)?), at);
            } else {
                return Ok(left);
            }
        }
    }

    fn signed(&mut self, depth: usize) -> Result<Term, FormulaError> {
        if self.takes("-") {
            let depth = self.deeper(depth)?;
            return Ok(Term::Negative(Box::new(self.signed(depth)?)));
        }
        self.power(depth)
    }

    fn power(&mut self, depth: usize) -> Result<Term, FormulaError> {
        let base = self.atom(depth)?;
        let at = self.at();
        if !self.takes("^") {
            return Ok(base);
        }
        let depth = self.deeper(depth)?;
        // From the right, and a minus may stand before the exponent.
        let exponent = self.signed(depth)?;
        Ok(Term::Power(Box::new(base), Box::new(exponent), at))
    }

    fn atom(&mut self, depth: usize) -> Result<Term, FormulaError> {
        const EXPECTED: &str = "a number, a covariate, a function or an opening bracket";
        let at = self.at();
        match self.peek().cloned() {
            Some(Token::Number(number)) => {
                self.next += 1;
                Ok(Term::Number(number))
            }
            Some(Token::Word(word)) => self.word(&word, at, depth),
            Some(Token::Sign("(")) => {
                self.next += 1;
                let inner = self.sum(depth)?;
                self.needs(")", "an operator or a closing bracket")?;
                Ok(inner)
            }
            _ => Err(self.unexpected(EXPECTED)),
        }
    }

    fn word(&mut self, word: &str, at: usize, depth: usize) -> Result<Term, FormulaError> {
        if !FUNCTIONS.contains(&word) {
            let index = self.covariate(word)?;
            self.next += 1;
            return Ok(Term::Covariate(index));
        }
        self.next += 1;
        self.needs("(", "an opening bracket after a function")?;
        let term = if word == "if" {
            let test = self.condition(depth)?;
            self.needs(",", "a comma after the condition")?;
            let then = self.sum(depth)?;
            self.needs(",", "a comma after the value if true")?;
            let otherwise = self.sum(depth)?;
            Term::If(Box::new(test), Box::new(then), Box::new(otherwise))
        } else {
            let inner = Box::new(self.sum(depth)?);
            if word == "exp" {
                Term::Exp(inner, at)
            } else {
                Term::Ln(inner, at)
            }
        };
        self.needs(")", "an operator or a closing bracket")?;
        Ok(term)
    }

    fn covariate(&self, word: &str) -> Result<usize, FormulaError> {
        let found = self.names.iter().position(|name| name.name == word);
        found.ok_or_else(|| {
            let known = self.names.iter().map(|name| name.name).chain(FUNCTIONS);
            FormulaError {
                fault: FormulaFault::UnknownName {
                    name: word.to_owned(),
                    nearest: nearest(word, known).map(str::to_owned),
                },
                column: self.at() + 1,
                length: word.chars().count(),
            }
        })
    }

    fn condition(&mut self, depth: usize) -> Result<Test, FormulaError> {
        let (at, first) = (self.at(), self.next);
        let left = self.sum(depth)?;
        let comparison = match self.peek() {
            Some(Token::Sign("<")) => Comparison::Less,
            Some(Token::Sign("<=")) => Comparison::LessOrEqual,
            Some(Token::Sign(">")) => Comparison::Greater,
            Some(Token::Sign(">=")) => Comparison::GreaterOrEqual,
            Some(Token::Sign("==")) => Comparison::Equal,
            Some(Token::Sign("!=")) => Comparison::NotEqual,
            _ => {
                return match left {
                    Term::Covariate(index) if self.names[index].is_flag => Ok(Test::Flag(index)),
                    _ => {
                        let last = &self.tokens[self.next.max(first + 1) - 1];
                        Err(FormulaError {
                            fault: FormulaFault::NotACondition,
                            column: at + 1,
                            length: (last.at + last.length).saturating_sub(at).max(1),
                        })
                    }
                };
            }
        };
        self.next += 1;
        Ok(Test::Compare(comparison, left, self.sum(depth)?))
    }
}
