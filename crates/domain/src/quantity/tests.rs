use super::*;
use proptest::prelude::*;

/// Same to a few roundings: each conversion rounds at most twice on the way in and twice on the way out.
fn same(found: f64, expected: f64) -> bool {
    (found - expected).abs() <= 4.0 * f64::EPSILON * expected.abs()
}

#[test]
fn numbers_that_are_none_and_wrong_signs_are_refused_by_name() {
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        assert!(matches!(
            Volume::from_microlitres(bad),
            Err(QuantityError::NotFinite {
                quantity: "volume",
                ..
            })
        ));
        assert!(matches!(
            Haematocrit::from_litres_per_litre(bad),
            Err(QuantityError::NotFinite {
                quantity: "haematocrit",
                ..
            })
        ));
        assert!(matches!(
            MassToCharge::from_mz(bad),
            Err(QuantityError::NotFinite { .. })
        ));
    }
    assert_eq!(
        Length::from_millimetres(-3.0),
        Err(QuantityError::Negative {
            quantity: "length",
            found: -3.0,
            unit: "mm"
        })
    );
    assert_eq!(
        MolarMass::from_grams_per_mole(0.0),
        Err(QuantityError::NotAboveZero {
            quantity: "molar mass",
            found: 0.0,
            unit: "g/mol"
        })
    );
    // A finite number can overflow on the way into the unit it is held in.
    assert!(matches!(
        TimeSpan::from_days(1e305),
        Err(QuantityError::NotFinite { .. })
    ));
}

/// G-3 and HCT-01.
#[test]
fn a_haematocrit_is_a_fraction_between_its_bounds() {
    for taken in [0.15, 0.42, 0.75] {
        assert!(same(
            Haematocrit::from_litres_per_litre(taken)
                .unwrap()
                .litres_per_litre(),
            taken
        ));
    }
    for percentage in [1.0, 42.0] {
        assert_eq!(
            Haematocrit::from_litres_per_litre(percentage),
            Err(QuantityError::HaematocritNotAFraction { found: percentage })
        );
    }
    for impossible in [0.0, 0.149_999, 0.750_001, 0.999] {
        assert!(matches!(
            Haematocrit::from_litres_per_litre(impossible),
            Err(QuantityError::HaematocritNotPhysical { .. })
        ));
    }
    assert_eq!(
        Fraction::from_fraction(15.0),
        Err(QuantityError::AboveOne { found: 15.0 })
    );
    let plasma = Haematocrit::from_litres_per_litre(0.25)
        .unwrap()
        .plasma_fraction();
    assert_eq!(plasma, Fraction::from_percent(75.0).unwrap());
}

#[test]
fn arithmetic_stands_where_it_means_something() {
    // 10 µL of blood at 8 mg/L holds 80 ng.
    let found = MassConcentration::from_milligrams_per_litre(8.0).unwrap();
    let blood = Volume::from_microlitres(10.0).unwrap();
    let mass = found.mass_in(blood).unwrap();
    assert!(same(mass.nanograms().unwrap(), 80.0));
    assert!(same(
        mass.dissolved_in(blood).unwrap().milligrams_per_litre(),
        8.0
    ));
    assert_eq!(
        mass.dissolved_in(Volume::from_microlitres(0.0).unwrap()),
        Err(QuantityError::DividedByZero { quantity: "volume" })
    );
    // A punch of 6 mm covers 28.274 mm² (9π).
    let punch = Area::of_circle(Length::from_millimetres(6.0).unwrap()).unwrap();
    assert!(same(punch.square_millimetres(), 9.0 * std::f64::consts::PI));

    let day = TimeSpan::from_days(1.0).unwrap();
    let hour = TimeSpan::from_hours(1.0).unwrap();
    assert_eq!(day.over(hour), Ok(24.0));
    assert_eq!(day.minus(hour), TimeSpan::from_hours(23.0));
    assert!(matches!(hour.minus(day), Err(QuantityError::Negative { .. })));
    assert_eq!(hour.plus(hour), hour.times(2.0));
    assert!(hour < day);
}

#[test]
fn a_quantity_is_written_with_its_unit_and_read_in_any_commensurable_one() {
    let dose = Mass::from_milligrams(2.5).unwrap();
    assert_eq!(
        serde_json::to_string(&dose).unwrap(),
        r#"{"value":2.5,"unit":"mg"}"#
    );
    assert_eq!(
        serde_json::from_str::<Mass>(r#"{"value":2500,"unit":"ug"}"#).unwrap(),
        dose
    );
    let said = |text: &str| serde_json::from_str::<Mass>(text).unwrap_err().to_string();
    assert!(said(r#"{"value":2.5,"unit":"mL"}"#).contains("cannot be converted"));
    assert!(said(r#"{"value":2.5,"unit":"mcg"}"#).contains("did you mean \"ug\"?"));
    assert!(said(r#"{"value":-2.5,"unit":"mg"}"#).contains("below zero"));
    assert_eq!(dose.to_string(), "2.5 mg");
}

proptest! {
    #[test]
    fn every_unit_a_quantity_is_made_from_gives_the_number_back(value in 1e-6..1e9_f64) {
        let mass = MassConcentration::from_milligrams_per_litre(value).unwrap();
        prop_assert!(same(mass.milligrams_per_litre(), value));
        prop_assert!(same(mass.micrograms_per_millilitre(), value));
        prop_assert!(same(mass.micrograms_per_litre(), mass.nanograms_per_millilitre()));
        let molar = MolarConcentration::from_micromoles_per_litre(value).unwrap();
        prop_assert!(same(molar.micromoles_per_litre(), value));
        prop_assert!(same(Volume::from_litres(value).unwrap().litres(), value));
        prop_assert!(same(Volume::from_millilitres(value).unwrap().millilitres(), value));
        prop_assert!(same(TimeSpan::from_minutes(value).unwrap().minutes(), value));
        prop_assert!(same(TimeSpan::from_hours(value).unwrap().hours(), value));
        prop_assert!(same(TimeSpan::from_days(value).unwrap().days(), value));
        prop_assert!(same(Mass::from_micrograms(value).unwrap().micrograms().unwrap(), value));
        prop_assert!(same(Mass::from_kilograms(value).unwrap().kilograms(), value));
        prop_assert!(same(Mass::from_grams(value).unwrap().grams(), value));
    }

    /// The constructors by unit and the way in by UCUM code are two derivations of the same factors.
    #[test]
    fn constructors_and_ucum_agree(value in 1e-6..1e9_f64) {
        let agree = |by_name: f64, by_code: f64| same(by_name, by_code);
        prop_assert!(agree(
            MassConcentration::from_milligrams_per_litre(value).unwrap().micrograms_per_litre(),
            MassConcentration::from_ucum(value, "mg/L").unwrap().micrograms_per_litre()));
        prop_assert!(agree(
            MolarConcentration::from_micromoles_per_litre(value).unwrap().nanomoles_per_litre(),
            MolarConcentration::from_ucum(value, "umol/L").unwrap().nanomoles_per_litre()));
        prop_assert!(agree(
            TimeSpan::from_days(value).unwrap().seconds(),
            TimeSpan::from_ucum(value, "d").unwrap().seconds()));
        prop_assert!(agree(
            Mass::from_kilograms(value).unwrap().milligrams(),
            Mass::from_ucum(value, "kg").unwrap().milligrams()));
        prop_assert!(agree(
            Volume::from_litres(value).unwrap().microlitres(),
            Volume::from_ucum(value, "L").unwrap().microlitres()));
    }

    #[test]
    fn mass_to_molar_and_back(value in 1e-6..1e9_f64, molar_mass in 50.0..2000.0_f64) {
        let molar_mass = MolarMass::from_grams_per_mole(molar_mass).unwrap();
        let mass = MassConcentration::from_micrograms_per_litre(value).unwrap();
        let back = mass.to_molar(molar_mass).unwrap().to_mass(molar_mass).unwrap();
        prop_assert!(same(back.micrograms_per_litre(), value));
    }

    #[test]
    fn json_gives_the_same_bits_back(value in 0.0..1e12_f64) {
        let span = TimeSpan::from_seconds(value).unwrap();
        let back: TimeSpan = serde_json::from_str(&serde_json::to_string(&span).unwrap()).unwrap();
        prop_assert_eq!(back, span);
    }
}
