//! Probability of target attainment, two levels by hand, saturable steady states: against independent values.

use crate::support::{close, reference};
use serde_json::Value;
use spotwright_kinetics::options::aminoglycoside::{TwoLevels, from_two_levels};
use spotwright_kinetics::options::attainment::{Limits, Population, area_attainment, peak_and_trough};
use spotwright_kinetics::options::saturable::{from_two_pairs, hours_to_share, mean_level, rate_for};
use spotwright_kinetics::structure::Route;

fn case(file: &str, id: &str) -> Value {
    let cases = reference(file);
    let found = cases["cases"]
        .as_array()
        .unwrap()
        .iter()
        .find(|case| case["id"] == id);
    found.unwrap().clone()
}

fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap_or_else(|| panic!("{key}"))
}

/// People simulated here; the bounds below follow from it.
const PEOPLE: usize = 200_000;

/// `pta.json`: the exact lognormal probability within four standard errors of our own simulation.
#[test]
fn areas_are_attained_as_the_lognormal_says() {
    for id in ["P01-vanco-AUC", "P02-vanco-neonate-AUC"] {
        let case = case("pta.json", id);
        let given = &case["given"];
        let limits = Limits {
            low: number(given, "AUC24_low"),
            high: number(given, "AUC24_high"),
        };
        let found = area_attainment(
            number(given, "CL_typical"),
            number(given, "sd_log_CL"),
            number(given, "dose_per_24h_mg"),
            limits,
            PEOPLE,
            20,
        )
        .unwrap();
        for (found, key) in found.into_iter().zip(["exact_below", "exact", "exact_above"]) {
            let exact = number(&case, key);
            let se = (exact * (1.0 - exact) / PEOPLE as f64).sqrt();
            assert!((found - exact).abs() <= 4.0 * se, "{id} {key}: {found} {exact}");
        }
    }
}

/// `pta.json`: peak and trough of gentamicin together, 10^6 draws of an independent generator.
#[test]
fn peak_and_trough_are_attained_together() {
    let case = case("pta.json", "P03-gentamicin-peak-and-trough");
    let given = &case["given"];
    let row = |i: usize| {
        let row = given["omega_cov"][i].as_array().unwrap();
        [row[0].as_f64().unwrap(), row[1].as_f64().unwrap()]
    };
    let population = Population {
        clearance_l_per_h: number(given, "CL_typical"),
        volume_l: number(given, "V_typical"),
        absorption_per_h: 0.0,
        sd_log_absorption: 0.0,
        covariance: [row(0), row(1)],
        concentration_multiplier: 1.0,
    };
    let route = Route::Infusion {
        duration_h: number(given, "t_infusion"),
    };
    let limits = [
        number(given, "peak_at_end_of_infusion_at_least"),
        number(given, "trough_at_most"),
    ];
    let found = peak_and_trough(
        &population,
        number(given, "dose_mg"),
        route,
        number(given, "tau"),
        limits,
        PEOPLE,
        21,
    )
    .unwrap();
    for (found, key) in found
        .into_iter()
        .zip(["monte_carlo_peak", "monte_carlo_trough", "monte_carlo"])
    {
        let p = number(&case, key);
        let se = (p * (1.0 - p) * (1e-6 + 1.0 / PEOPLE as f64)).sqrt();
        assert!((found - p).abs() <= 4.0 * se, "{key}: {found} {p}");
    }
}

/// `derived.json`: Sawchuk and Zaske's method, 40 figures.
#[test]
fn two_levels_by_hand_agree() {
    for id in ["D10-two-level", "D11-two-level-first-dose"] {
        let case = case("derived.json", id);
        let (given, expected) = (&case["given"], &case["expected"]);
        let levels = TwoLevels {
            first_mg_per_l: number(given, "C1"),
            first_after_end_h: number(given, "t1_after_end"),
            second_mg_per_l: number(given, "C2"),
            second_after_end_h: number(given, "t2_after_end"),
            before_mg_per_l: number(given, "pre_dose_level"),
            dose_mg: number(given, "dose_mg"),
            infusion_h: number(given, "t_infusion_h"),
        };
        let found = from_two_levels(&levels).unwrap();
        close("k", found.rate_per_h, number(expected, "k"), 1e-10);
        close("half-life", found.half_life_h, number(expected, "t_half"), 1e-10);
        close(
            "end",
            found.end_of_infusion_mg_per_l,
            number(expected, "C_end_of_infusion"),
            1e-10,
        );
        close("V", found.volume_l, number(expected, "V"), 1e-10);
        close("CL", found.clearance_l_per_h, number(expected, "CL"), 1e-10);
        let allowed: Vec<f64> = given["allowed_tau"]
            .as_array()
            .unwrap()
            .iter()
            .map(|t| t.as_f64().unwrap())
            .collect();
        let wanted = found
            .regimen(
                number(given, "wanted_peak_end_of_infusion"),
                number(given, "wanted_trough"),
                levels.infusion_h,
                &allowed,
            )
            .unwrap();
        close(
            "tau",
            wanted.exact_interval_h,
            number(expected, "tau_exact"),
            1e-10,
        );
        close("chosen", wanted.interval_h, number(expected, "tau_chosen"), 1e-10);
        close(
            "dose",
            wanted.exact_dose_mg,
            number(expected, "dose_mg_exact"),
            1e-10,
        );
        close(
            "trough",
            wanted.trough_mg_per_l,
            number(expected, "trough_at_chosen"),
            1e-10,
        );
    }
    let rising = TwoLevels {
        first_mg_per_l: 2.0,
        first_after_end_h: 0.5,
        second_mg_per_l: 3.0,
        second_after_end_h: 6.0,
        before_mg_per_l: 0.0,
        dose_mg: 100.0,
        infusion_h: 1.0,
    };
    assert!(from_two_levels(&rising).is_err());
}

/// `derived.json`: phenytoin in steady state, in mg a day.
#[test]
fn saturable_steady_states_agree() {
    for id in [
        "D20-phenytoin-ss",
        "D21-phenytoin-ss-steep",
        "D22-phenytoin-ss-low",
    ] {
        let case = case("derived.json", id);
        let (given, expected) = (&case["given"], &case["expected"]);
        let (vmax, km) = (number(given, "Vmax_mg_per_day"), number(given, "Km_mg_L"));
        let rate = number(given, "rate_in_mg_per_day_as_acid");
        close(
            id,
            mean_level(vmax, km, rate).unwrap(),
            number(expected, "C_ss"),
            1e-10,
        );
        let days = hours_to_share(vmax, km, number(given, "V_L"), rate, 0.9);
        close(
            id,
            days,
            number(expected, "days_to_90pc_of_C_ss_from_zero"),
            1e-10,
        );
        for level in [10.0, 15.0, 20.0] {
            let key = format!("dose_for_{level}_mg_L");
            close(id, rate_for(vmax, km, level), number(expected, &key), 1e-10);
        }
    }
    let case = case("derived.json", "D23-phenytoin-two-pairs");
    let (given, expected) = (&case["given"], &case["expected"]);
    let pair = |i: u32| [number(given, &format!("R{i}")), number(given, &format!("C{i}"))];
    let [vmax, km] = from_two_pairs(pair(1), pair(2)).unwrap();
    close("Vmax", vmax, number(expected, "Vmax"), 1e-10);
    close("Km", km, number(expected, "Km"), 1e-10);
    close(
        "dose",
        rate_for(vmax, km, number(given, "wanted_C")),
        number(expected, "dose_for_wanted"),
        1e-10,
    );
    let raised = mean_level(vmax, km, 1.1 * number(given, "R2")).unwrap();
    close(
        "raised",
        raised,
        number(expected, "C_if_dose_raised_10pc_from_R2"),
        1e-10,
    );
    // A level that fell as the rate rose is no saturation.
    assert_eq!(from_two_pairs([276.0, 10.0], [322.0, 6.0]), None);
}
