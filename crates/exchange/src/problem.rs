//! What is wrong with a file, said so that the person who wrote it can mend it: where, what was found, what was
//! expected, and the nearest thing that would have been right.

use std::fmt;
use std::ops::Range;
use std::path::PathBuf;

/// Something in a day's files that stops the day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FormatProblem {
    /// Which problem, from the closed list.
    pub code: FormatProblemCode,
    /// The file, relative to the day's folder, with `/` between its parts.
    pub file: PathBuf,
    /// Line, from 1.
    pub line: Option<u32>,
    /// First character of the offending text within its line, from 1.
    pub column: Option<u32>,
    /// Characters of offending text on that line.
    pub length: Option<u32>,
    /// The column or key.
    pub field: Option<String>,
    /// What stands there: in quotes when it is the file's own text, without when it is described.
    pub found: String,
    /// What would have been right.
    pub expected: String,
    /// The nearest valid text.
    pub nearest: Option<String>,
    /// What to do, or why it is refused; may be empty.
    pub help: String,
    /// The line as it stands in the file, control characters replaced one for one. Absent when too long to show.
    pub source_line: Option<String>,
}

impl FormatProblem {
    /// The offending text as a byte range of [`Self::source_line`]: what a terminal underlines.
    #[must_use]
    pub fn span_in_source_line(&self) -> Option<Range<usize>> {
        let line = self.source_line.as_deref()?;
        let first = self.column?.checked_sub(1)? as usize;
        let byte = |character: usize| {
            line.char_indices()
                .nth(character)
                .map_or(line.len(), |(byte, _)| byte)
        };
        Some(byte(first)..byte(first + self.length.unwrap_or(1).max(1) as usize))
    }
}

impl fmt::Display for FormatProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file.display())?;
        if let Some(line) = self.line {
            write!(f, ", line {line}")?;
        }
        if let Some(column) = self.column {
            write!(f, ", column {column}")?;
        }
        if let Some(field) = &self.field {
            write!(f, ", `{field}`")?;
        }
        write!(f, ": found {}, expected {}.", self.found, self.expected)?;
        if let Some(nearest) = &self.nearest {
            write!(f, " Nearest: `{nearest}`.")?;
        }
        if !self.help.is_empty() {
            write!(f, " {}", self.help)?;
        }
        Ok(())
    }
}

impl std::error::Error for FormatProblem {}

/// Something legal but odd: the day can be read, a person should look.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FormatWarning {
    /// Which oddity, from the closed list.
    pub code: FormatWarningCode,
    /// The file, relative to the day's folder.
    pub file: PathBuf,
    /// Line, from 1.
    pub line: Option<u32>,
    /// What is odd, in a sentence.
    pub text: String,
}

impl fmt::Display for FormatWarning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file.display())?;
        if let Some(line) = self.line {
            write!(f, ", line {line}")?;
        }
        write!(f, ": {}", self.text)
    }
}

macro_rules! codes {
    ($(#[$doc:meta])* $name:ident { $($(#[$variant_doc:meta])* $variant:ident = $word:literal,)* }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        pub enum $name {
            $($(#[$variant_doc])* $variant,)*
        }

        impl $name {
            /// Every code, in the order of this page.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// The stable word used in tables and tests.
            #[must_use]
            pub fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $word,)* }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(self.as_str())
            }
        }
    };
}

codes! {
    /// The closed list of problems.
    FormatProblemCode {
        // Files
        /// A file or folder that is needed is not there.
        FileMissing = "file-missing",
        /// A file has almost the name of one the day would use.
        FileMisnamed = "file-misnamed",
        /// The operating system would not give the file.
        FileUnreadable = "file-unreadable",
        /// The file is larger than any such file can be.
        FileTooLarge = "file-too-large",
        /// The file holds nothing.
        FileEmpty = "file-empty",
        /// Both `method.toml` and `methods/`.
        MethodGivenTwice = "method-given-twice",
        /// The file changed between checking and reading.
        FileChanged = "file-changed",
        /// More problems than are listed.
        MoreProblems = "more-problems",
        // Text
        /// A workbook, an archive or another kind of file.
        NotText = "not-text",
        /// UTF-16.
        EncodingUtf16 = "encoding-utf16",
        /// Bytes that are not UTF-8.
        EncodingNotUtf8 = "encoding-not-utf8",
        /// A NUL byte.
        NulByte = "nul-byte",
        /// A control character.
        ControlCharacter = "control-character",
        /// Lines end in carriage return alone.
        LoneCarriageReturn = "lone-carriage-return",
        /// A line longer than any line can be.
        LineTooLong = "line-too-long",
        // Tables
        /// Separated by tabs, or by commas and semicolons both.
        SeparatorUnknown = "separator-unknown",
        /// A header and no rows.
        NoRows = "no-rows",
        /// A column that does not exist.
        ColumnUnknown = "column-unknown",
        /// A column that is needed.
        ColumnMissing = "column-missing",
        /// A column that stands twice.
        ColumnTwice = "column-twice",
        /// A row with more or fewer cells than the header.
        RowRagged = "row-ragged",
        /// A quotation mark that never closes.
        QuoteUnclosed = "quote-unclosed",
        /// A quotation mark inside a cell that is not quoted.
        QuoteStray = "quote-stray",
        /// A cell that is needed is empty.
        CellMissing = "cell-missing",
        /// A cell that must be empty is not.
        CellNotWanted = "cell-not-wanted",
        /// A cell longer than any can be.
        CellTooLong = "cell-too-long",
        // Numbers and times
        /// Not a number.
        NumberMalformed = "number-malformed",
        /// NaN or infinity.
        NumberNotFinite = "number-not-finite",
        /// A decimal comma where the separator is a comma.
        NumberDecimalComma = "number-decimal-comma",
        /// Decimal comma here, decimal point there.
        NumberMarksMixed = "number-marks-mixed",
        /// A thousands separator.
        NumberThousands = "number-thousands",
        /// A unit beside the number.
        NumberWithUnit = "number-with-unit",
        /// A number outside its bounds.
        NumberOutOfRange = "number-out-of-range",
        /// A fraction where a whole number is needed.
        NumberNotWhole = "number-not-whole",
        /// A spreadsheet formula.
        Formula = "formula",
        /// A time without offset.
        TimeWithoutOffset = "time-without-offset",
        /// Not a time.
        TimeMalformed = "time-malformed",
        /// A day or hour that does not exist.
        TimeImpossible = "time-impossible",
        /// Two times in the wrong order.
        TimesReversed = "times-reversed",
        // Words
        /// A text that cannot be an identifier.
        IdentifierMalformed = "identifier-malformed",
        /// Not one of a closed list of words.
        WordUnknown = "word-unknown",
        // TOML
        /// The file is not TOML.
        TomlSyntax = "toml-syntax",
        /// A key that does not exist.
        KeyUnknown = "key-unknown",
        /// A key that is needed.
        KeyMissing = "key-missing",
        /// A key that stands twice.
        KeyTwice = "key-twice",
        /// A key that does not go with what stands beside it.
        KeyNotWanted = "key-not-wanted",
        /// A value of another kind.
        ValueKind = "value-kind",
        // Method
        /// One name for two things.
        NameTwice = "name-twice",
        /// One transition for two things.
        TransitionTwice = "transition-twice",
        /// An analyte reads against an internal standard the method does not hold.
        InternalStandardUnknown = "internal-standard-unknown",
        /// Too few calibrator levels.
        LevelsTooFew = "levels-too-few",
        /// Two calibrator levels of one concentration.
        LevelConcentrationTwice = "level-concentration-twice",
        /// A control level outside the calibrated range.
        ControlOutsideRange = "control-outside-range",
        /// One of two keys that belong together.
        HalfGiven = "half-given",
        /// A conversion that contradicts itself, or corrects one thing twice.
        ConversionContradicts = "conversion-contradicts",
        /// A limit was changed and no reason given.
        ReasonMissing = "reason-missing",
        // Card layout
        /// Something printed beyond the card's edge.
        OffTheCard = "off-the-card",
        /// Two printed circles that overlap.
        CirclesOverlap = "circles-overlap",
        // Across lines and files
        /// A method the day does not hold.
        MethodUnknown = "method-unknown",
        /// Two methods in one run.
        MethodsMixed = "methods-mixed",
        /// A level the method does not hold.
        LevelUnknown = "level-unknown",
        /// An analyte no method holds.
        AnalyteUnknown = "analyte-unknown",
        /// A transition the method does not hold.
        TransitionUnknown = "transition-unknown",
        /// An injection the day does not hold.
        InjectionUnknown = "injection-unknown",
        /// An order used twice in a run.
        OrderTwice = "order-twice",
        /// A card that stands twice.
        CardTwice = "card-twice",
        /// A spot injected twice without saying that it repeats.
        SpotTwice = "spot-twice",
        /// A rack position that holds two different vials.
        RackPositionTwice = "rack-position-twice",
        /// A repeat of another card, of something that is no person's sample, or of a later injection.
        RepeatOfWrong = "repeat-of-wrong",
        /// A dilution where none can be, or none where one must be.
        DilutionWrong = "dilution-wrong",
        /// A fact or level of a person that stands twice.
        FactTwice = "fact-twice",
        /// Limits set twice for one peak.
        ManualLimitTwice = "manual-limit-twice",
        // A study
        /// A person has two doses, two levels or two values of a covariate at one time.
        RowTwice = "row-twice",
        /// A level before any dose.
        LevelBeforeDose = "level-before-dose",
        // Traces
        /// A path that leads out of `traces/`.
        TracePathEscapes = "trace-path-escapes",
        /// A trace file that is not there.
        TraceFileMissing = "trace-file-missing",
        /// A trace file named by two lines.
        TraceFileTwice = "trace-file-twice",
        /// A trace file of another kind.
        TraceFileKind = "trace-file-kind",
    }
}

codes! {
    /// The closed list of oddities.
    FormatWarningCode {
        /// A card is measured and not requested.
        CardWithoutRequest = "card-without-request",
        /// A card is requested and not measured.
        RequestWithoutInjection = "request-without-injection",
        /// A dose of a person nobody asks about.
        DoseWithoutRequest = "dose-without-request",
        /// A covariate or level of a person nobody asks about.
        PersonWithoutRequest = "person-without-request",
        /// A number that would make as good sense in another unit.
        UnitDoubtful = "unit-doubtful",
        /// Collection, receipt, dose and injection contradict one another.
        TimesContradict = "times-contradict",
        /// A later place in the run was injected earlier.
        InjectedOutOfOrder = "injected-out-of-order",
        /// A file in `traces/` that no line names.
        TraceFileNotListed = "trace-file-not-listed",
        /// An internal standard no analyte reads against.
        InternalStandardUnused = "internal-standard-unused",
        /// The method names fewer levels than its limits ask for.
        FewLevels = "few-levels",
        /// The target range is in another matrix than the value that is reported.
        TargetOtherMatrix = "target-other-matrix",
        /// The method is not approved.
        MethodNotApproved = "method-not-approved",
        /// More oddities than are listed.
        MoreWarnings = "more-warnings",
    }
}

/// Most problems, and most warnings, that are listed.
pub const MOST_LISTED: usize = 200;

/// Collects problems and warnings, up to [`MOST_LISTED`] of each.
#[derive(Debug, Default)]
pub(crate) struct Problems {
    problems: Vec<FormatProblem>,
    unlisted_problems: usize,
    warnings: Vec<FormatWarning>,
    unlisted_warnings: usize,
}

impl Problems {
    pub(crate) fn push(&mut self, problem: FormatProblem) {
        if self.problems.len() < MOST_LISTED {
            self.problems.push(problem);
        } else {
            self.unlisted_problems += 1;
        }
    }

    pub(crate) fn warn(
        &mut self,
        code: FormatWarningCode,
        file: &str,
        line: Option<u32>,
        text: impl FnOnce() -> String,
    ) {
        if self.warnings.len() < MOST_LISTED {
            self.warnings.push(FormatWarning {
                code,
                file: PathBuf::from(file),
                line,
                text: text(),
            });
        } else {
            self.unlisted_warnings += 1;
        }
    }

    /// Whether another problem would only be counted: then it is not worth looking for what was meant.
    pub(crate) fn is_full(&self) -> bool {
        self.problems.len() >= MOST_LISTED
    }

    pub(crate) fn count(&self) -> usize {
        self.problems.len() + self.unlisted_problems
    }

    pub(crate) fn first(mut self) -> Option<FormatProblem> {
        (!self.problems.is_empty()).then(|| self.problems.swap_remove(0))
    }

    /// Warnings when there is no problem, else the problems; each sorted by file, line and column.
    pub(crate) fn finish(mut self) -> Result<Vec<FormatWarning>, Vec<FormatProblem>> {
        if self.problems.is_empty() {
            self.warnings
                .sort_by(|a, b| (&a.file, a.line, a.code).cmp(&(&b.file, b.line, b.code)));
            if self.unlisted_warnings > 0 {
                self.warnings.push(FormatWarning {
                    code: FormatWarningCode::MoreWarnings,
                    file: PathBuf::from("."),
                    line: None,
                    text: format!("{} more oddities are not listed", self.unlisted_warnings),
                });
            }
            return Ok(self.warnings);
        }
        self.problems
            .sort_by(|a, b| (&a.file, a.line, a.column, a.code).cmp(&(&b.file, b.line, b.column, b.code)));
        if self.unlisted_problems > 0 {
            self.problems.push(
                problem(FormatProblemCode::MoreProblems, ".")
                    .found(format!("{} more problems", self.unlisted_problems))
                    .expected("none")
                    .help("Mend the ones above and check again."),
            );
        }
        Err(self.problems)
    }
}

/// Starts a problem of a file as a whole.
pub(crate) fn problem(code: FormatProblemCode, file: &str) -> FormatProblem {
    FormatProblem {
        code,
        file: PathBuf::from(file),
        line: None,
        column: None,
        length: None,
        field: None,
        found: String::new(),
        expected: String::new(),
        nearest: None,
        help: String::new(),
        source_line: None,
    }
}

impl FormatProblem {
    /// What was found, described.
    pub(crate) fn found(mut self, words: impl Into<String>) -> Self {
        self.found = words.into();
        self
    }

    /// What was found, in the file's own words.
    pub(crate) fn found_text(mut self, text: &str) -> Self {
        self.found = quoted(text);
        self
    }

    pub(crate) fn expected(mut self, words: impl Into<String>) -> Self {
        self.expected = words.into();
        self
    }

    pub(crate) fn nearest(mut self, text: Option<impl Into<String>>) -> Self {
        self.nearest = text.map(Into::into);
        self
    }

    pub(crate) fn help(mut self, words: impl Into<String>) -> Self {
        self.help = words.into();
        self
    }

    pub(crate) fn field(mut self, name: &str) -> Self {
        self.field = Some(shown(name));
        self
    }

    pub(crate) fn on_line(mut self, line: u32, text: &str) -> Self {
        self.line = Some(line);
        self.source_line = source_line(text);
        self
    }

    pub(crate) fn at(mut self, column: u32, length: u32) -> Self {
        self.column = Some(column);
        self.length = Some(length);
        self
    }
}

const LONGEST_SHOWN: usize = 60;
const LONGEST_SOURCE_LINE: usize = 240;

/// A text in quotes, short, with nothing in it that a terminal would obey.
pub(crate) fn quoted(text: &str) -> String {
    if text.is_empty() {
        return "nothing".to_owned();
    }
    format!("\"{}\"", shown(text))
}

pub(crate) fn shown(text: &str) -> String {
    let mut out = String::new();
    for (count, character) in text.chars().enumerate() {
        if count == LONGEST_SHOWN {
            out.push('…');
            break;
        }
        if is_unprintable(character) {
            out.extend(character.escape_unicode());
        } else {
            out.push(character);
        }
    }
    out
}

/// A library's message as one line of plain words.
pub(crate) fn one_line(text: &str) -> String {
    let words: Vec<&str> = text.split_whitespace().collect();
    shown(&words.join(" "))
}

fn source_line(text: &str) -> Option<String> {
    if text.chars().nth(LONGEST_SOURCE_LINE).is_some() {
        return None;
    }
    let clean = |c: char| match c {
        '\t' => ' ',
        c if is_unprintable(c) => '\u{fffd}',
        c => c,
    };
    Some(text.chars().map(clean).collect())
}

/// Control characters, and the marks that turn the direction of writing: they would let a file repaint a terminal.
fn is_unprintable(character: char) -> bool {
    character.is_control()
        || matches!(character, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}
