//! Names of a card held against one another: they agree, or the card stops.

use spotwright_domain::card::{Barcode, Identity, NameSource, NamedBy};

/// Holds the codes read, the file name and the request's card against one another.
///
/// `file_name` is the photograph's name without folder; of `<card>.before.jpg` the part before the first dot counts. Only
/// names that look like a card's (letters, digits, `-`, `_`) and are not a camera's own numbering can disagree: a file
/// name that holds no card name is none. Case and surrounding blanks do not matter; everything else does.
#[must_use]
pub fn reconcile(codes: &[Barcode], file_name: Option<&str>, expected: Option<&str>) -> Identity {
    let mut names: Vec<NamedBy> = Vec::new();
    let mut add = |name: &str, by: NameSource| {
        let named = NamedBy {
            name: name.trim().to_owned(),
            by,
        };
        if !named.name.is_empty() && !names.contains(&named) {
            names.push(named);
        }
    };
    for code in codes {
        add(&code.text, NameSource::Code);
    }
    let stem = file_name.map(|name| name.split('.').next().unwrap_or(name));
    let stem = stem.filter(|stem| !is_cameras_own(stem));
    if let Some(stem) = stem {
        add(stem, NameSource::FileName);
    }
    if let Some(expected) = expected {
        add(expected, NameSource::Request);
    }
    let Some(first) = names.first() else {
        return Identity::NotConfirmed { card: None };
    };
    let all_same = names
        .iter()
        .all(|other| other.name.eq_ignore_ascii_case(&first.name));
    if !all_same {
        names.sort_by(|a, b| a.by.cmp(&b.by).then(a.name.cmp(&b.name)));
        return Identity::Conflict { names };
    }
    let by = |source| names.iter().any(|named| named.by == source);
    // The request's spelling is the one everything else uses.
    let spelling = names
        .iter()
        .find(|named| named.by == NameSource::Request)
        .unwrap_or(first);
    if by(NameSource::Code) {
        Identity::Agreed {
            card: spelling.name.clone(),
            with_request: by(NameSource::Request),
            with_file_name: by(NameSource::FileName),
        }
    } else {
        Identity::NotConfirmed {
            card: Some(spelling.name.clone()),
        }
    }
}

/// Whether a file name is a camera's running number or a time, and so names no card (common practice of camera makers:
/// `DSC_0042`, `IMG_1234`, `20260102_101112`, plain digits).
fn is_cameras_own(stem: &str) -> bool {
    let lower = stem.to_ascii_lowercase();
    let after = [
        "img", "dsc", "dscn", "dscf", "pxl", "photo", "image", "scan", "picture", "mvimg",
    ]
    .into_iter()
    .filter_map(|prefix| lower.strip_prefix(prefix))
    .min_by_key(|rest| rest.len());
    let rest = after.unwrap_or(&lower);
    let is_running = rest
        .chars()
        .all(|c| c.is_ascii_digit() || matches!(c, '_' | '-' | ' ' | '(' | ')'));
    // Digits alone can be a card's name; only with a camera's prefix or as a time are they not.
    is_running && (after.is_some() || lower.len() >= 15 || lower.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;
    use spotwright_domain::card::Symbology;

    fn code(text: &str) -> Barcode {
        Barcode {
            text: text.into(),
            symbology: Symbology::DataMatrix,
            corners_mm: None,
            corners_px: [[0.0; 2]; 4],
        }
    }

    #[test]
    fn agreement_needs_a_code_and_no_other_name() {
        let agreed = |with_request, with_file_name| Identity::Agreed {
            card: "SK-001".into(),
            with_request,
            with_file_name,
        };
        assert_eq!(
            reconcile(&[code("SK-001")], Some("SK-001.before.jpg"), Some("SK-001")),
            agreed(true, true)
        );
        assert_eq!(
            reconcile(&[code("sk-001"), code("SK-001 ")], None, Some("SK-001")),
            agreed(true, false)
        );
        assert_eq!(
            reconcile(&[code("SK-001")], Some("IMG_2041.JPG"), None),
            agreed(false, false)
        );
        assert_eq!(
            reconcile(&[], Some("SK-001.before.jpg"), Some("SK-001")),
            Identity::NotConfirmed {
                card: Some("SK-001".into())
            }
        );
        assert_eq!(reconcile(&[], None, None), Identity::NotConfirmed { card: None });
    }

    #[test]
    fn any_two_names_that_differ_are_a_conflict() {
        for (codes, file, request) in [
            (vec![code("SK-001"), code("SK-002")], None, None),
            (vec![code("SK-001")], Some("SK-002.after.png"), None),
            (vec![code("SK-001")], Some("SK-001.jpg"), Some("SK-010")),
            (vec![], Some("SK-001.jpg"), Some("SK-010")),
            (vec![code("SK-OO1")], None, Some("SK-001")),
        ] {
            assert!(
                matches!(reconcile(&codes, file, request), Identity::Conflict { names } if names.len() >= 2)
            );
        }
    }
}
