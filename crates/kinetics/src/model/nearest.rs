//! The nearest valid name to a wrong one.

/// The candidate nearest to `found`, if one is near enough to be worth naming: equal but for case and punctuation, or
/// within a third of its length in edits (Damerau 1964).
pub(crate) fn nearest<'c>(found: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    if found.is_empty() || found.len() > 200 {
        return None;
    }
    let folded = fold(found);
    let mut best: Option<(usize, &str)> = None;
    for candidate in candidates {
        let other = fold(candidate);
        let edits = strsim::damerau_levenshtein(&folded, &other);
        let allowed = (folded.chars().count().max(other.chars().count()) / 3).max(1);
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
        .map(|c| if matches!(c, 'µ' | 'μ') { 'u' } else { c })
        .collect()
}
