//! The UCUM functional tests (G. Grieve and others, history up to 3 February 2021; Eclipse Public License, so not
//! copied here). Qualified conformance: cases whose atoms are outside our scope must be refused as unknown.

use crate::xml::elements;
use spotwright_domain::ucum::{UcumError, Unit};

const FILE: &str = "UcumFunctionalTests.xml";

#[test]
fn no_invalid_code_is_taken_and_no_valid_one_refused_but_for_its_atoms() {
    let Some(elements) = elements(FILE) else { return };
    let (mut read, mut outside, mut invalid) = (0, 0, 0);
    for case in elements
        .iter()
        .filter(|element| element.parent == "validation" && element.name == "case")
    {
        let (id, code) = (case.get("id"), case.get("unit"));
        match (case.get("valid"), Unit::parse(code)) {
            ("true", Ok(_)) => read += 1,
            ("true", Err(UcumError::Unknown { suggestion: None, .. })) => outside += 1,
            ("true", Err(error)) => panic!("{id}: {code} is valid, but: {error}"),
            ("false", Err(_)) => invalid += 1,
            ("false", Ok(_)) => panic!("{id}: {code} is not valid, but was read"),
            (other, _) => panic!("{id}: valid=\"{other}\""),
        }
    }
    println!("{FILE}: {read} valid codes read, {outside} outside our scope, {invalid} invalid ones refused");
    assert_eq!((read, outside, invalid), (331, 159, 39));
}

#[test]
fn conversions_products_and_quotients_come_out() {
    let Some(elements) = elements(FILE) else { return };
    let mut met = 0;
    for case in elements.iter().filter(|element| element.name == "case") {
        let number = |attribute| case.get(attribute).parse::<f64>().unwrap();
        // The value, what it is a value of, and what is expected; a product or quotient is a unit of its own.
        let joined = |operator: &str| format!("({}){operator}({})", case.get("u1"), case.get("u2"));
        let (value, from, expected, to) = match case.parent.as_str() {
            "conversion" => (
                number("value"),
                case.get("srcUnit").to_owned(),
                case.get("outcome"),
                case.get("dstUnit"),
            ),
            "multiplication" => (
                number("v1") * number("v2"),
                joined("."),
                case.get("vRes"),
                case.get("uRes"),
            ),
            "division" => (
                number("v1") / number("v2"),
                joined("/"),
                case.get("vRes"),
                case.get("uRes"),
            ),
            _ => continue,
        };
        let to = if to.is_empty() { "1" } else { to };
        let (Ok(from), Ok(to)) = (Unit::parse(&from), Unit::parse(to)) else {
            continue;
        };
        let found = from.convert(value, &to).unwrap();
        let half = half_a_unit(expected);
        let expected: f64 = expected.parse().unwrap();
        assert!(
            (found - expected).abs() <= half * (1.0 + 1e-9),
            "{}: {found}, not {expected}",
            case.get("id")
        );
        met += 1;
    }
    println!("{FILE}: {met} conversions, products and quotients met");
    assert_eq!(met, 24);
}

/// Half a unit of the last figure written: outcomes there are rounded to the figures of the input.
fn half_a_unit(written: &str) -> f64 {
    let (mantissa, exponent) = written.split_once('e').unwrap_or((written, "0"));
    let places = mantissa.split_once('.').map_or(0, |(_, part)| part.len() as i32);
    format!("0.5e{}", exponent.parse::<i32>().unwrap() - places)
        .parse()
        .unwrap()
}
