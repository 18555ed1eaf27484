//! Any bytes whatever in any file: an answer, never a panic, and never more memory than the answer needs.

use crate::tiny_day::{FILES, lay_out, text_of};
use proptest::prelude::*;
use spotwright_exchange::{FormatProblemCode, MOST_LISTED, open_day};
use std::fs::File;
use std::path::Path;

fn file() -> impl Strategy<Value = &'static str> {
    proptest::sample::select(FILES.map(|(name, _)| name).to_vec())
}

/// Opens the day and, when it is taken, reads all of it.
fn open_and_read(folder: &Path) -> Result<usize, TestCaseError> {
    match open_day(folder) {
        Err(problems) => {
            prop_assert!(!problems.is_empty(), "a day is refused with a reason");
            for problem in problems {
                let message = problem.to_string();
                prop_assert!(!message.chars().any(char::is_control), "{message:?}");
                prop_assert!(message.len() < 3000, "{message}");
                if let (Some(line), Some(span)) = (&problem.source_line, problem.span_in_source_line()) {
                    prop_assert!(line.get(span).is_some(), "{problem:?}");
                }
            }
            Ok(0)
        }
        Ok(day) => {
            let mut injections = 0;
            for run in day.runs() {
                let run = run.map_err(|problem| TestCaseError::fail(problem.to_string()))?;
                injections += run.injections.len();
                for injection in &run.injections {
                    prop_assert!(injection.dilution_factor >= 1.0 && injection.dilution_factor.is_finite());
                    prop_assert_eq!(injection.card.is_some(), injection.role.needs_card());
                }
            }
            prop_assert_eq!(injections, day.summary.injections);
            prop_assert_eq!(day.requests.iter().count(), day.summary.requests);
            prop_assert_eq!(day.doses.iter().count(), day.summary.doses);
            Ok(injections)
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 100, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_bytes_in_a_file_are_answered(file in file(), bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let folder = tempfile::tempdir().unwrap();
        lay_out(folder.path());
        std::fs::write(folder.path().join(file), bytes).unwrap();
        open_and_read(folder.path())?;
    }

    #[test]
    fn any_text_in_place_of_another_is_answered(
        file in file(),
        at in any::<prop::sample::Index>(),
        length in 0_usize..20,
        text in prop_oneof![
            "\\PC{0,12}",
            "[,;\"\n\r\t =.0-9a-z\\[\\]]{0,12}",
            proptest::sample::select(vec!["NaN", "\"", "\"\"", "\n", "\r\n", "1e999", "-0", "..", "[", "[[", "=", "🧪", "\u{feff}", "\u{202e}"]).prop_map(str::to_owned),
        ],
    ) {
        let folder = tempfile::tempdir().unwrap();
        lay_out(folder.path());
        let mut characters: Vec<char> = text_of(file).chars().collect();
        let start = at.index(characters.len());
        let end = (start + length).min(characters.len());
        characters.splice(start..end, text.chars());
        std::fs::write(folder.path().join(file), characters.into_iter().collect::<String>()).unwrap();
        open_and_read(folder.path())?;
    }

    #[test]
    fn the_rows_of_the_list_may_stand_in_any_order(seed in any::<u64>()) {
        let folder = tempfile::tempdir().unwrap();
        lay_out(folder.path());
        let mut lines: Vec<&str> = text_of("injections.csv").lines().collect();
        lines[1..].sort_by_key(|line| line.bytes().fold(seed, |sum, byte| (sum ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)));
        std::fs::write(folder.path().join("injections.csv"), lines.join("\n")).unwrap();
        prop_assert_eq!(open_and_read(folder.path())?, 12);
        let plain = tempfile::tempdir().unwrap();
        lay_out(plain.path());
        let runs = |folder: &Path| open_day(folder).unwrap().runs().map(Result::unwrap).collect::<Vec<_>>();
        prop_assert_eq!(runs(folder.path()), runs(plain.path()));
    }
}

/// A file of many gigabytes (sparse: it takes no room) is answered from its first bytes or its length.
#[test]
fn a_huge_file_is_not_read_to_its_end() {
    for (name, code) in [
        ("injections.csv", FormatProblemCode::NulByte),
        ("requests.csv", FormatProblemCode::FileTooLarge),
        ("doses.csv", FormatProblemCode::FileTooLarge),
        ("manual-limits.csv", FormatProblemCode::FileTooLarge),
        ("method.toml", FormatProblemCode::FileTooLarge),
    ] {
        let folder = tempfile::tempdir().unwrap();
        lay_out(folder.path());
        let path = folder.path().join(name);
        std::fs::write(&path, "order").unwrap();
        File::options()
            .write(true)
            .open(&path)
            .unwrap()
            .set_len(1 << 33)
            .unwrap();
        let problems = open_day(folder.path()).unwrap_err();
        assert!(
            problems.iter().any(|problem| problem.code == code),
            "{name}: {problems:?}"
        );
    }
}

#[test]
fn a_file_full_of_mistakes_is_listed_up_to_a_bound() {
    let folder = tempfile::tempdir().unwrap();
    lay_out(folder.path());
    let line = "x,../x,nobody,R1,,,,0,,yesterday,,\n";
    let header = text_of("injections.csv").lines().next().unwrap();
    std::fs::write(
        folder.path().join("injections.csv"),
        format!("{header}\n{}", line.repeat(5000)),
    )
    .unwrap();
    let problems = open_day(folder.path()).unwrap_err();
    assert_eq!(problems.len(), MOST_LISTED + 1);
    let last = problems.last().unwrap();
    assert_eq!(last.code, FormatProblemCode::MoreProblems);
    assert!(last.to_string().contains("24800 more problems"), "{last}");
}

#[test]
fn deep_nesting_in_a_method_is_refused_not_followed() {
    let folder = tempfile::tempdir().unwrap();
    lay_out(folder.path());
    let deep = format!("a = {}1{}", "[".repeat(100_000), "]".repeat(100_000));
    std::fs::write(folder.path().join("method.toml"), deep).unwrap();
    let problems = open_day(folder.path()).unwrap_err();
    assert_eq!(problems[0].code, FormatProblemCode::TomlSyntax);
}
