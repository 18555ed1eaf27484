use super::*;
use proptest::prelude::*;

const NAMES: [Name<'static>; 3] = [
    Name {
        name: "weight_kg",
        is_flag: false,
    },
    Name {
        name: "female",
        is_flag: true,
    },
    Name {
        name: "genotype",
        is_flag: false,
    },
];

fn value(text: &str, covariates: &[f64]) -> f64 {
    Formula::parse(text, &NAMES).unwrap().value(covariates).unwrap()
}

/// Ordinary precedence: elementary algebra.
#[test]
fn precedence_is_that_of_algebra() {
    for (text, expected) in [
        ("2 + 3 * 4", 14.0),
        ("(2 + 3) * 4", 20.0),
        ("-2^2", -4.0),
        ("2^-1", 0.5),
        ("2^3^2", 512.0),
        ("8 / 4 / 2", 1.0),
        ("8 - 4 - 2", 2.0),
        ("2 * -3", -6.0),
        ("--3", 3.0),
        ("exp(0) + ln(1)", 1.0),
        ("1e-3*1000", 1.0),
        ("1.5E+2", 150.0),
        ("if(female, 2, 3)", 2.0),
        ("if(genotype == 1, 0.5, if(genotype == 2, 0.25, 1))", 0.25),
        ("if(weight_kg >= 70, 1, 0)", 1.0),
        ("if(weight_kg - 1 < 69, 1, 0)", 0.0),
        ("if(weight_kg != 70, 1, 0)", 0.0),
        ("weight_kg/35^1", 2.0),
    ] {
        assert!(
            (value(text, &[70.0, 1.0, 2.0]) - expected).abs() < 1e-15,
            "{text}"
        );
    }
}

#[test]
fn a_wrong_formula_says_where_and_what_was_meant() {
    let message = |text: &str| Formula::parse(text, &NAMES).unwrap_err().to_string();
    insta::assert_snapshot!(
        [
            "",
            "1 +",
            "wieght_kg * 2",
            "2 2",
            "(1 + 2",
            "if(weight_kg, 1, 2)",
            "if(female, 1)",
            "1.2.3",
            "2 $ 3",
            "exp 2",
            "if(1 < 2 < 3, 1, 2)",
            "weight_kg = 2",
            "1e999",
        ]
        .map(|text| format!("{text:<22} {}", message(text)))
        .join("\n")
    );
    let deep = format!("{}1{}", "(".repeat(5000), ")".repeat(5000));
    assert!(matches!(
        Formula::parse(&deep, &NAMES).unwrap_err().fault,
        FormulaFault::TooDeep { .. }
    ));
}

#[test]
fn what_has_no_value_is_named() {
    let fault = |text: &str, covariates: &[f64]| {
        let error = Formula::parse(text, &NAMES)
            .unwrap()
            .value(covariates)
            .unwrap_err();
        (error.fault, error.column)
    };
    assert_eq!(
        fault("1 + 3/(weight_kg - 70)", &[70.0, 0.0, 0.0]),
        (EvaluationFault::DivisionByZero { dividend: 3.0 }, 6)
    );
    assert_eq!(
        fault("ln(weight_kg)", &[0.0, 0.0, 0.0]),
        (EvaluationFault::Logarithm { of: 0.0 }, 1)
    );
    assert_eq!(
        fault("(weight_kg - 80)^0.5", &[70.0, 0.0, 0.0]),
        (
            EvaluationFault::Power {
                base: -10.0,
                exponent: 0.5
            },
            17
        )
    );
    assert_eq!(
        fault("weight_kg^-1", &[0.0, 0.0, 0.0]),
        (
            EvaluationFault::Power {
                base: 0.0,
                exponent: -1.0
            },
            10
        )
    );
    assert_eq!(fault("exp(weight_kg)", &[1000.0]), (EvaluationFault::Overflow, 1));
    assert_eq!(
        fault("female + 1", &[70.0]),
        (EvaluationFault::CovariateUnknown { index: 1 }, 1)
    );
    assert_eq!(
        fault("weight_kg", &[f64::NAN]),
        (EvaluationFault::CovariateUnknown { index: 0 }, 1)
    );
    // The branch that is not taken is not computed.
    assert!((value("if(female, 1/(weight_kg - 70), 5)", &[70.0, 0.0, 0.0]) - 5.0).abs() < 1e-15);
}

proptest! {
    #[test]
    fn no_text_makes_the_parser_panic(text in ".{0,60}") {
        let value = Formula::parse(&text, &NAMES).ok().and_then(|formula| formula.value(&[70.0, 1.0, 2.0]).ok());
        prop_assert!(value.is_none_or(f64::is_finite));
    }

    #[test]
    fn formula_like_texts_give_a_number_or_a_named_fault(
        text in "[0-9a-z_+*/^()<>=., -]{0,40}", weight in -10.0..200.0_f64,
    ) {
        let value = Formula::parse(&text, &NAMES).ok().and_then(|formula| formula.value(&[weight, 1.0, 2.0]).ok());
        prop_assert!(value.is_none_or(f64::is_finite));
    }
}
