//! Mass to molar units against the table of factors in `corpus/standards-checks` (UC-01).

use spotwright_domain::concentration::{ConcentrationUnit, ConversionError};
use spotwright_domain::identifier::AnalyteName;
use spotwright_domain::quantity::{MassConcentration, MolarMass, Quantity, QuantityError};
use std::path::Path;

#[test]
fn factors_agree_and_the_mixture_is_refused() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../corpus/standards-checks/units.csv");
    let table = std::fs::read_to_string(path).unwrap();
    let (mut converted, mut refused) = (0, 0);
    for line in table.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let analyte = AnalyteName::new(cells[0]).unwrap();
        let molar_mass = MolarMass::stated(&analyte, cells[1].parse().ok());
        if cells[1].is_empty() {
            assert_eq!(molar_mass, Err(QuantityError::NoMolarMass { analyte }));
            let (from, to) = (
                ConcentrationUnit::MilligramPerLitre,
                ConcentrationUnit::MicromolePerLitre,
            );
            assert_eq!(
                from.convert(1.0, to, None),
                Err(ConversionError::NoMolarMass { from, to })
            );
            refused += 1;
            continue;
        }
        let molar_mass = molar_mass.unwrap();
        let (to, from) = cells[5].split_once(" per ").unwrap();
        let published: f64 = cells[4].parse().unwrap();
        // One unit of the fifth figure; see the folder's README.
        let tolerance = if published < 1.0 { 1e-5 } else { 1e-4 };

        let unit = |code| ConcentrationUnit::from_ucum(code).unwrap();
        let by_unit = unit(from).convert(1.0, unit(to), Some(molar_mass)).unwrap();
        assert!(
            (by_unit - published).abs() <= tolerance,
            "{analyte}: {by_unit}, table {published}"
        );

        let mass = MassConcentration::from_ucum(1.0, from).unwrap();
        let by_type = mass.to_molar(molar_mass).unwrap().in_ucum(to).unwrap();
        assert!(
            (by_type - published).abs() <= tolerance,
            "{analyte}: {by_type}, table {published}"
        );
        converted += 1;
    }
    assert_eq!((converted, refused), (20, 1));
}
