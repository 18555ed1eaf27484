//! The nearest valid name to a wrong one.

/// The candidate nearest to `found`, if one is near enough to be worth naming.
///
/// A candidate equal but for case, micro signs, raised figures and punctuation wins; otherwise the smallest
/// number of edits (Damerau 1964), which must not exceed a third of the longer name's length.
pub(crate) fn nearest<'c>(found: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    // A long text is never a slip of a name, and comparing it would take time in proportion to its length.
    if found.is_empty() || found.len() > 200 {
        return None;
    }
    let folded = fold(found);
    let mut best: Option<(usize, &str)> = None;
    for candidate in candidates {
        let other = fold(candidate);
        let edits = if folded == other {
            0
        } else {
            1 + strsim::damerau_levenshtein(&folded, &other)
        };
        let allowed = 1 + (folded.chars().count().max(other.chars().count()) / 3).max(1);
        if edits <= allowed && best.is_none_or(|(fewest, _)| edits < fewest) {
            best = Some((edits, candidate));
        }
    }
    best.map(|(_, candidate)| candidate)
}

fn fold(text: &str) -> String {
    text.chars()
        .filter(|c| !" _-^.".contains(*c))
        .flat_map(char::to_lowercase)
        .map(|c| match c {
            'µ' | 'μ' => 'u',
            '²' => '2',
            other => other,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::nearest;

    #[test]
    fn slips_are_met_and_strangers_are_not() {
        assert_eq!(nearest("mg/l", ["ug/L", "mg/L"]), Some("mg/L"));
        assert_eq!(nearest("µg/L", ["ug/L", "mg/L"]), Some("ug/L"));
        assert_eq!(nearest("1/x2", ["1", "1/x", "1/x^2"]), Some("1/x^2"));
        assert_eq!(
            nearest("calibratr", ["control", "calibrator"]),
            Some("calibrator")
        );
        assert_eq!(nearest("banana", ["control", "calibrator"]), None);
        assert_eq!(nearest("", ["a"]), None);
    }
}
