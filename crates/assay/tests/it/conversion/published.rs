//! Check values of CONV-01 to CONV-07 and every published regression of corpus/standards-checks and corpus/dbs.

use super::{Case, close, conversion, line, theoretical};
use serde_json::Value;
use spotwright_assay::conversion::{apparent_over_reported, reported_value};
use spotwright_domain::conversion::{
    Conversion, ConversionForm, Estimate, HaematocritEffect, LinearRegression, Partition,
    RegressionDirection, RegressionInput, Standardised,
};
use spotwright_domain::matrix::MatrixKind;

fn corpus(name: &str) -> String {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../corpus")
        .join(name);
    std::fs::read_to_string(path).unwrap()
}

fn bound(fraction_bound: f64) -> ConversionForm {
    ConversionForm::UnboundEquilibrium {
        fraction_bound: Estimate::known(fraction_bound),
    }
}

fn regression(slope: f64, intercept: f64) -> ConversionForm {
    ConversionForm::LinearRegression(line(slope, intercept))
}

/// apparent/true = 1.6305 − 1.559·H, venous spots, automated extraction (Arch Pathol Lab Med 2023;147:786; CONV-06).
fn analytical_correction() -> Conversion {
    let mut blood = conversion(ConversionForm::NoneNeeded);
    blood.matrix_out = MatrixKind::WholeBlood;
    blood.spot.haematocrit_effect = Some(HaematocritEffect::Linear {
        at_zero: 1.6305,
        per_unit: Estimate::known(-1.559),
    });
    blood
}

/// Tolerance of the printed digits.
const PRINTED: f64 = 5e-9;

#[test]
fn plasma_fraction_conv_01_and_its_limits() {
    // Check values of CONV-01, computed by an independent script, to the printed digits.
    for (c, h, k, expected) in [
        (10.0, 0.45, 0.0, 18.181_818_18),
        (10.0, 0.45, 1.0, 10.0),
        (8.0, 0.42, 0.43, 10.518_012_1),
        (1.5, 0.38, 0.0, 2.419_354_839),
    ] {
        let found = reported_value(&conversion(theoretical(k, 0.0)), c, Some(h), None).unwrap();
        close(found, expected, PRINTED);
    }
    // B/P at H 0.45 and K 0.2 is 0.64, and back: K = (B/P − 1 + H)/H.
    let ratio = apparent_over_reported(&conversion(theoretical(0.2, 0.0)), 0.45, 0.0).unwrap();
    close(ratio, 0.64, 1e-12);
    close((ratio - 1.0 + 0.45) / 0.45, 0.2, 1e-12);
}

#[test]
fn free_partition_conv_02_is_k_by_its_parts() {
    // K = ρ_u·f_u (CONV-02): ρ_u 4, f_u 0.05 is K 0.2. When binding falls to f_u 0.10, K doubles.
    let free = |fraction_unbound| {
        conversion(ConversionForm::Theoretical {
            partition: Partition::FreePartition {
                red_cell_over_unbound: Estimate::known(4.0),
                fraction_unbound: Estimate::known(fraction_unbound),
            },
        })
    };
    let constant = |k| conversion(theoretical(k, 0.0));
    let at = |of: &Conversion| reported_value(of, 10.0, Some(0.45), None).unwrap();
    close(at(&free(0.05)), at(&constant(0.2)), 1e-14);
    close(at(&free(0.10)), at(&constant(0.4)), 1e-14);
}

#[test]
fn unbound_equilibrium_conv_03() {
    // Kromdijk 2012 (J Antimicrob Chemother 67:1211); check values of CONV-03.
    close(
        reported_value(&conversion(bound(0.995)), 1.5, Some(0.40), None).unwrap(),
        2.4875,
        PRINTED,
    );
    close(
        reported_value(&conversion(bound(0.60)), 5.0, Some(0.40), None).unwrap(),
        5.0,
        PRINTED,
    );
    // It equals CONV-01 when H·K/(1 − H) = 1/f_b − 1.
    let (h, f) = (0.40, 0.60);
    let k = (1.0 / f - 1.0) * (1.0 - h) / h;
    let theory = reported_value(&conversion(theoretical(k, 0.0)), 5.0, Some(h), None).unwrap();
    close(theory, 5.0, 1e-12);
}

#[test]
fn analytical_correction_conv_06() {
    let of = analytical_correction();
    // Check values of CONV-06: 6.0 at H 0.40 gives 5.958884, and the factor is 1 at H 0.404426.
    close(
        reported_value(&of, 6.0, Some(0.40), None).unwrap(),
        5.958_883_702,
        PRINTED,
    );
    close(
        apparent_over_reported(&of, 0.404_425_914, 0.0).unwrap(),
        1.0,
        1e-8,
    );
    // Here thin blood reads too high; spreading alone reads it too low (EV-18): the sign is the method's.
    assert!(apparent_over_reported(&of, 0.25, 0.0).unwrap() > 1.0);
    assert!(apparent_over_reported(&spreading_alone(), 0.25, 0.0).unwrap() < 1.0);
}

#[test]
fn standardised_values_stand_beside_conv_05_conv_07() {
    let mut blood = conversion(ConversionForm::NoneNeeded);
    blood.matrix_out = MatrixKind::WholeBlood;
    for (standardised, expected) in [
        // C·0.45/H: 6.0 at H 0.30 is 9.0 (CONV-05).
        (
            Standardised {
                constant: 0.0,
                numerator: 0.45,
            },
            9.0,
        ),
        // 0.21·C + 0.89·C·40/Hct% (Limsrichamrern 2016, Transplant Proc 48:1176): 8.38 (CONV-07).
        (
            Standardised {
                constant: 0.21,
                numerator: 0.89 * 0.40,
            },
            8.38,
        ),
    ] {
        let mut of = blood.clone();
        of.standardised = Some(standardised);
        let case = Case::new(of, 6.0, 0.3).at(0.30);
        close(case.value(), 6.0, 1e-15);
        close(case.convert().record.beside[0].value, expected, PRINTED);
    }
}

/// Every line of the table, by the words of its own column `form`.
#[test]
fn every_published_conversion_gives_its_example() {
    let table = corpus("standards-checks/conversions.csv");
    let mut used = 0;
    for row in table.lines().skip(1) {
        let cells: Vec<&str> = row.split(',').collect();
        let [
            id,
            _,
            _,
            to,
            form,
            input,
            p1,
            p2,
            measured,
            haematocrit,
            expected,
            ..,
        ] = cells[..]
        else {
            panic!("{row}");
        };
        let number = |text: &str| text.parse::<f64>().ok();
        let (p1, p2) = (number(p1), number(p2));
        let made = match form {
            "identity" => conversion(ConversionForm::NoneNeeded),
            "C/(p1-p2*H)" => analytical_correction(),
            "C/(1-H)" => conversion(theoretical(0.0, 0.0)),
            "C/(1-H+H*K)" => conversion(theoretical(p1.unwrap(), 0.0)),
            "C/(1-H)*fb" => conversion(bound(p1.unwrap())),
            // Corrected input is tested below, where the correction itself is part of the conversion.
            "a+b*x" => {
                assert_eq!(input, "corrected", "{id}");
                used += 1;
                continue;
            }
            "a+b*C" => conversion(regression(p2.unwrap(), p1.unwrap())),
            "p1*C" => conversion(regression(p1.unwrap(), 0.0)),
            "C/p1" | "(C-p1)/p2" => {
                let (intercept, slope) = p2.map_or((0.0, p1.unwrap()), |p2| (p1.unwrap(), p2));
                conversion(ConversionForm::LinearRegression(LinearRegression {
                    direction: RegressionDirection::MeasuredOnReported,
                    ..line(slope, intercept)
                }))
            }
            "REFUSE" => {
                let case = Case::new(
                    conversion(ConversionForm::NotPredictable {
                        // Plasma over spot, J Chromatogr B 2020;1137:121897.
                        ratio_seen: Some([1.148, 5.022]),
                    }),
                    20.0,
                    1.0,
                );
                assert_eq!(case.at(0.5).refusal().code.as_str(), "not-predictable");
                used += 1;
                continue;
            }
            other => panic!("{id}: form {other} is not known here"),
        };
        let mut made = made;
        if to == "blood" {
            made.matrix_out = MatrixKind::WholeBlood;
        }
        let found = reported_value(&made, number(measured).unwrap(), number(haematocrit), None).unwrap();
        // The table prints six decimals or so.
        close(found, number(expected).unwrap(), 1e-7);
        used += 1;
    }
    assert_eq!(used, table.lines().count() - 1);
}

/// The trap of CONV-10: the abstract's lines are drawn on the corrected value. Kong et al. 2014, `PLoS` ONE 9:e108190.
#[test]
fn a_line_on_corrected_values_corrects_first() {
    let corrected = |k: f64, slope: f64, intercept: f64| {
        conversion(ConversionForm::LinearRegression(LinearRegression {
            input: RegressionInput::HaematocritCorrected {
                partition: Some(Partition::Constant {
                    ratio: Estimate::known(k),
                }),
            },
            ..line(slope, intercept)
        }))
    };
    // Phenytoin, figure 2: 1.11·x − 1.00 at K 0.29; x = 10.0 gives 10.10 (conversions.csv). A spot of 10·(1 − H·0.71).
    let phenytoin = corrected(0.29, 1.11, -1.00);
    let spot = 10.0 * (1.0 - 0.44 * 0.71);
    close(
        reported_value(&phenytoin, spot, Some(0.44), None).unwrap(),
        10.10,
        1e-12,
    );
    // Read as the abstract prints it, on the raw spot, it would give 7.88 for 8.0 (CONV-10); rightly it gives more, near what
    // figure 1 says of the raw spot, 1.61·C − 1.14 = 11.74.
    let rightly = reported_value(&phenytoin, 8.0, Some(0.437), None).unwrap();
    let figure_1 = reported_value(&conversion(regression(1.61, -1.14)), 8.0, None, None).unwrap();
    close(figure_1, 11.74, PRINTED);
    close(rightly, figure_1, 0.02);
    // Valproate: raw spot 50 mg/L, abstract misread 58.48, figure 1 line 90.41 (CONV-10); 80 corrected gives 86.08.
    let misread = reported_value(&conversion(regression(0.92, 12.48)), 50.0, None, None).unwrap();
    close(misread, 58.48, PRINTED);
    close(
        reported_value(&conversion(regression(1.57, 11.91)), 50.0, None, None).unwrap(),
        90.41,
        PRINTED,
    );
    let valproate = corrected(0.20, 0.92, 12.48);
    let spot = 80.0 * (1.0 - 0.44 * 0.80);
    close(
        reported_value(&valproate, spot, Some(0.44), None).unwrap(),
        86.08,
        1e-12,
    );
    // An empty spot is no 12.48 mg/L of valproate (EV-70): outside the line's range nothing is said.
    let mut ranged = valproate;
    ranged.concentration_range = Some([10.0, 100.0]);
    assert_eq!(
        Case::new(ranged, 0.5, 0.1).at(0.42).refusal().code.as_str(),
        "concentration-outside-range"
    );
}

/// corpus/dbs: if every patient had one haematocrit, `slope_raw/slope_theoretical = 1/(1 − H·(1 − K))`. Both partition ratios must
/// imply nearly the same haematocrit: signs and brackets of CONV-01.
#[test]
fn two_partition_ratios_imply_one_haematocrit() {
    let published: Value = serde_json::from_str(&corpus("dbs/published_dbs_plasma_conversion.json")).unwrap();
    let phenytoin = &published["phenytoin"];
    let raw = phenytoin["deming_plasma_on_dbs"]["slope"].as_f64().unwrap();
    let implied = &published["check"]["implied_hct"];
    let mut found = Vec::new();
    for line in phenytoin["deming_plasma_on_theoretical"].as_array().unwrap() {
        let (k, slope) = (line["K"].as_f64().unwrap(), line["slope"].as_f64().unwrap());
        let of = conversion(theoretical(k, 0.0));
        // The haematocrit at which our own conversion turns one slope into the other.
        let (mut low, mut high) = (0.16, 0.74);
        for _ in 0..80 {
            let middle = 0.5 * (low + high);
            if 1.0 / apparent_over_reported(&of, middle, 0.0).unwrap() < raw / slope {
                low = middle;
            } else {
                high = middle;
            }
        }
        close(low, implied[format!("PHT K={k}")].as_f64().unwrap(), 1e-9);
        found.push(low);
    }
    assert!((found[0] - found[1]).abs() < 0.002, "{found:?}");
}

/// Ampicillin in newborns, (C − 3.223)/0.51 (Ther Drug Monit 2018;40:103): negative below 3.223 (EV-70).
#[test]
fn a_line_that_turns_negative_is_refused_there() {
    let ampicillin = conversion(ConversionForm::LinearRegression(LinearRegression {
        direction: RegressionDirection::MeasuredOnReported,
        ..line(0.51, 3.223)
    }));
    close(Case::new(ampicillin.clone(), 30.0, 1.0).value(), 52.503_922, 1e-7);
    assert_eq!(
        Case::new(ampicillin, 3.0, 0.2).refusal().code.as_str(),
        "converted-below-zero"
    );
}

fn spreading_alone() -> Conversion {
    let mut blood = conversion(ConversionForm::NoneNeeded);
    blood.matrix_out = MatrixKind::WholeBlood;
    blood.spot.haematocrit_effect = Some(spreading());
    blood
}

fn spreading() -> HaematocritEffect {
    HaematocritEffect::Spreading {
        area_slope: Estimate::known(-0.76),
        reference_haematocrit: 0.40,
    }
}

/// EV-18 and EV-71: g alone, and g with the plasma fraction for a drug of plasma alone (K = 0), relative to H 0.40.
#[test]
fn spreading_and_plasma_fraction_partly_cancel() {
    for (h, expected) in [
        (0.20, 0.87),
        (0.30, 0.93),
        (0.40, 1.00),
        (0.50, 1.08),
        (0.60, 1.18),
    ] {
        let found = apparent_over_reported(&spreading_alone(), h, 0.0).unwrap();
        assert!((found - expected).abs() <= 0.005 + 1e-9, "g({h}) = {found}");
    }
    let mut both = conversion(theoretical(0.0, 0.0));
    both.spot.haematocrit_effect = Some(spreading());
    let at = |h| {
        apparent_over_reported(&both, h, 0.0).unwrap() / apparent_over_reported(&both, 0.40, 0.0).unwrap()
    };
    let plain = conversion(theoretical(0.0, 0.0));
    for (h, expected) in [
        (0.20, 1.16),
        (0.25, 1.12),
        (0.30, 1.08),
        (0.50, 0.90),
        (0.60, 0.79),
    ] {
        let found = at(h);
        assert!((found - expected).abs() <= 0.005 + 1e-9, "{h}: {found}");
        // Correcting the plasma fraction alone would move the value further than the truth is away.
        let alone = apparent_over_reported(&plain, h, 0.0).unwrap() / 0.60;
        assert!((alone - 1.0).abs() > (found - 1.0).abs());
    }
}
