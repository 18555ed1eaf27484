//! Codes, dimensions and factors of the units in use, against published definitions.

use spotwright_domain::ucum::{IN_USE, UcumError, Unit, convert};

/// SI Brochure, 9th edition, tables 7 and 8 (prefixes; minute, hour, day, litre) and UCUM tables 4 and 5 (week, mean
/// Julian year and month); all exact, from memory.
#[test]
fn published_factors_come_out_exactly() {
    let table = [
        (1.0, "h", 3600.0, "s"),
        (1.0, "d", 1440.0, "min"),
        (1.0, "wk", 7.0, "d"),
        (1.0, "a", 365.25, "d"),
        (1.0, "mo", 30.4375, "d"),
        (1.0, "L", 1.0, "dm3"),
        (1.0, "mL", 1.0, "cm3"),
        (1.0, "uL", 1.0, "mm3"),
        (1.0, "kg", 1e9, "ug"),
        (1.0, "mg/L", 1000.0, "ug/L"),
        (5.1, "ng/mL", 5.1, "ug/L"),
        (5.1, "ug/mL", 5.1, "mg/L"),
        (1.0, "umol/L", 1000.0, "nmol/L"),
        (1.0, "mm2", 0.01, "cm2"),
        (42.0, "%", 0.42, "L/L"),
        (42.0, "%", 0.42, "1"),
        (1.0, "g/mol", 1.0, "kg/kmol"),
        (60.0, "mL/min", 1.0, "mL/s"),
        (0.0, "Cel", 273.15, "K"),
        (25.0, "Cel", 298_150.0, "mK"),
        (298.15, "K", 25.0, "Cel"),
        (20.0, "Cel", 20.0, "Cel"),
        (1.0, "10*3/uL", 1.0, "10*9/L"),
    ];
    for (value, from, expected, to) in table {
        assert_eq!(convert(value, from, to), Ok(expected), "{value} {from} in {to}");
    }
}

/// UC-01.
#[test]
fn every_code_in_use_is_read_and_written_unchanged() {
    for code in IN_USE {
        let unit = Unit::parse(code).unwrap();
        assert_eq!(unit.to_string(), code);
        assert!(unit.is_equal_to(&unit));
    }
    assert!(
        Unit::parse("ng/mL")
            .unwrap()
            .is_equal_to(&Unit::parse("ug/L").unwrap())
    );
    assert!(
        !Unit::parse("Cel")
            .unwrap()
            .is_equal_to(&Unit::parse("K").unwrap())
    );
}

#[test]
fn people_see_the_micro_sign_and_raised_figures() {
    let shown = [
        ("ug/L", "µg/L"),
        ("umol/L", "µmol/L"),
        ("uL", "µL"),
        ("mm2", "mm²"),
        ("Cel", "°C"),
        ("s-1", "s⁻¹"),
        ("mg/(kg.d)", "mg/(kg·d)"),
        ("/min", "/min"),
        ("L/L", "L/L"),
        ("{spots}", "{spots}"),
    ];
    for (code, display) in shown {
        assert_eq!(Unit::parse(code).unwrap().display(), display);
    }
}

#[test]
fn what_cannot_be_converted_says_why() {
    let said = |from, to| convert(1.0, from, to).unwrap_err().to_string();
    assert_eq!(
        said("ug/L", "nmol/L"),
        "ug/L (length^-3·mass) cannot be converted to nmol/L (length^-3·amount)"
    );
    assert_eq!(said("mm", "1"), "mm (length) cannot be converted to 1 (number)");
    // An amount of substance is not a count here, although UCUM's mole is one.
    assert!(matches!(
        convert(1.0, "mol", "1"),
        Err(UcumError::NotCommensurable { .. })
    ));
    assert!(matches!(
        convert(f64::NAN, "h", "min"),
        Err(UcumError::NotFinite { .. })
    ));
    assert!(matches!(
        convert(1e300, "kg", "ng"),
        Err(UcumError::NotFinite { .. })
    ));
}

#[test]
fn what_is_no_unit_here_is_refused_by_name() {
    let said = |code| Unit::parse(code).unwrap_err().to_string();
    assert_eq!(
        said(""),
        "a unit cannot be empty; a number without unit has the unit \"1\""
    );
    assert_eq!(
        said("µg/L"),
        "\"µ\" in the unit \"µg/L\" is not known here; did you mean \"u\"?"
    );
    assert_eq!(
        said("mcg/L"),
        "\"mcg\" in the unit \"mcg/L\" is not known here; did you mean \"ug\"?"
    );
    assert_eq!(
        said("MG/L"),
        "\"MG\" in the unit \"MG/L\" is not known here; did you mean \"mg\"?"
    );
    assert_eq!(
        said("hr"),
        "\"hr\" in the unit \"hr\" is not known here; did you mean \"h\"?"
    );
    assert_eq!(
        said("[iU]/L"),
        "\"[iU]\" in the unit \"[iU]/L\" is not known here"
    );
    assert_eq!(said("ug/"), "the unit \"ug/\" ends too early: a unit must follow");
    assert_eq!(
        said("ug /L"),
        "' ' cannot stand at character 3 of the unit \"ug /L\""
    );
    assert_eq!(
        said("mg/12h"),
        "'h' cannot stand at character 6 of the unit \"mg/12h\""
    );
    assert_eq!(said("(mg"), "the unit \"(mg\" ends too early: \")\" must follow");
    assert_eq!(said("0"), "the unit \"0\" holds a number too large to be exact");
    assert_eq!(
        said("m999"),
        "the unit \"m999\" holds a number too large to be exact"
    );
    assert_eq!(
        said("Cel/min"),
        "\"Cel\" in \"Cel/min\" must stand alone: its scale does not begin at zero"
    );
    assert!(matches!(
        Unit::parse("mCel"),
        Err(UcumError::CelsiusNotAlone { .. })
    ));
    // Only metric atoms take a prefix.
    assert!(Unit::parse("mmin").is_err());
    assert!(Unit::parse("kd").is_err());
    // Hostile text ends in an error, not in a deep stack.
    assert!(Unit::parse(&"(".repeat(79)).is_err());
    assert!(matches!(
        Unit::parse(&"m.".repeat(60)),
        Err(UcumError::TooLong {
            found: 120,
            limit: 80
        })
    ));
}

proptest::proptest! {
    #[test]
    fn no_text_makes_the_reader_fall(text in "[ -~µ²{}()./0-9a-zA-Z%*^\\[\\]]{0,90}") {
        if let Ok(unit) = Unit::parse(&text) {
            proptest::prop_assert_eq!(unit.to_string(), text);
        }
    }

    #[test]
    fn products_of_known_units_are_read_and_convert_back(
        parts in proptest::collection::vec(
            (proptest::sample::select(vec!["mg", "uL", "min", "mm2", "nmol", "%", "d-1", "10*3"]), "[./]"), 1..6),
        value in 1e-3..1e6_f64,
    ) {
        let mut code: String = parts.iter().map(|(unit, operator)| format!("{unit}{operator}")).collect();
        code.pop();
        let unit = Unit::parse(&code).unwrap();
        let base = code.replace("mg", "g").replace("uL", "L").replace("min", "s").replace("nmol", "mol");
        let base = Unit::parse(&base).unwrap();
        let back = base.convert(unit.convert(value, &base).unwrap(), &unit).unwrap();
        proptest::prop_assert!((back - value).abs() <= 8.0 * f64::EPSILON * value);
    }
}
