//! Our atoms and prefixes against the standard's own table, ucum-essence.xml, version 2.2 of 17 June 2024.

use crate::xml::elements;
use spotwright_domain::ucum::{UcumError, Unit};

#[test]
fn every_prefix_and_atom_has_the_size_the_standard_gives() {
    let Some(elements) = elements("ucum-essence.xml") else {
        return;
    };
    let (mut prefix, mut unit) = (String::new(), String::new());
    let (mut prefixes, mut atoms) = (0, 0);
    for element in &elements {
        match (element.name.as_str(), element.parent.as_str()) {
            ("prefix", _) => prefix = element.get("Code").to_owned(),
            ("unit", _) => unit = ours_for(element.get("Code")),
            ("value", "prefix") => {
                // Binary prefixes are refused: nothing here counts bits.
                let Ok(gram) = Unit::parse(&format!("{prefix}g")) else {
                    assert!(prefix.ends_with('i'), "{prefix} is not known");
                    continue;
                };
                let size: f64 = element.get("value").parse().unwrap();
                assert!(
                    near(gram.convert(1.0, &Unit::parse("g").unwrap()).unwrap(), size),
                    "{prefix}"
                );
                prefixes += 1;
            }
            ("value", "unit") => {
                let Ok(ours) = Unit::parse(&unit) else { continue };
                // The two stated departures: Celsius has no factor, and a mole is not a count.
                if unit == "Cel" || unit == "mol" {
                    continue;
                }
                let by = ours_for(element.get("Unit"));
                let size: f64 = element.get("value").parse().unwrap();
                let theirs = Unit::parse(&by).unwrap();
                assert!(near(ours.convert(1.0, &theirs).unwrap(), size), "{unit} in {by}");
                atoms += 1;
            }
            _ => {}
        }
    }
    println!("ucum-essence.xml: {prefixes} prefixes and {atoms} atoms agree");
    // Eighteen atoms less four base units, Celsius and mole; month and year are met under two codes each.
    assert_eq!((prefixes, atoms), (20, 14));
}

/// No atom of the standard may be taken for something else, such as a prefix and an atom of ours.
#[test]
fn no_atom_of_the_standard_is_misread() {
    let Some(elements) = elements("ucum-essence.xml") else {
        return;
    };
    let ours = [
        "m", "g", "s", "K", "Cel", "mol", "L", "l", "min", "h", "d", "wk", "mo", "a", "%", "[ppm]", "10*",
        "10^",
    ];
    let mut unknown = 0;
    for element in elements
        .iter()
        .filter(|element| ["unit", "base-unit"].contains(&element.name.as_str()))
    {
        let code = element.get("Code");
        match Unit::parse(code) {
            Ok(_) => assert!(ours.contains(&code), "{code} is not ours, but was read"),
            Err(UcumError::Unknown { .. }) => unknown += 1,
            // Atoms such as 10^ aside, codes with figures in them end in an error of another kind.
            Err(_) => assert!(!ours.contains(&code), "{code} is ours, but was refused"),
        }
    }
    assert!(unknown > 200, "{unknown}");
}

/// The standard defines month and year by way of the Julian ones, which nobody writes in a laboratory.
fn ours_for(code: &str) -> String {
    code.replace("mo_j", "mo").replace("a_j", "a")
}

fn near(found: f64, expected: f64) -> bool {
    (found - expected).abs() <= 4.0 * f64::EPSILON * expected
}
