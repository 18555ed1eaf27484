//! A mass round on two islands: ivermectin (Cmax 30–60 µg/L) and albendazole sulfoxide (0.1–0.6 mg/L), taken
//! together once.

use super::{AnalyteRow, Dosing, PanelTable, People, StandardRow};
use spotwright_domain::concentration::ConcentrationUnit::MicrogramPerLitre;
use spotwright_domain::method::{CurveModel, InternalStandardAddition};

pub(super) fn table() -> PanelTable {
    let once = |amount| Dosing {
        amount,
        unit: "mg",
        route: "oral",
        interval_h: None,
        infusion_min: None,
        sample_after_h: (3.0, 7.0),
    };
    PanelTable {
        id: "ivermectin-round",
        title: "Ivermectin mass round in dried blood spots (simulated)",
        addition: InternalStandardAddition::InSolvent,
        haematocrit: [0.20, 0.55],
        card_age_max_d: 60.0,
        expected_width_s: 4.2,
        states_saturation: true,
        every_level_twice: false,
        preparation_cv_pct: 3.0,
        within_run_cv_pct: 5.5,
        people: People {
            haematocrit_mean: 0.38,
            haematocrit_sd: 0.045,
            weight_kg: 52.0,
            weight_cv: 0.25,
            age_y: (5.0, 70.0),
            creatinine_umol_per_l: 70.0,
            post_d: (2.0, 9.0),
            second_drug: 0.9,
        },
        standards: vec![
            StandardRow {
                name: "ivermectin-2H2",
                pair: (894.5, 571.3),
                retention_min: 2.295,
                signal_to_noise: 260.0,
                sigma_s: 1.7,
                tau_s: 1.3,
            },
            StandardRow {
                name: "albendazole-sulfoxide-2H3",
                pair: (285.1, 243.1),
                retention_min: 1.19,
                signal_to_noise: 480.0,
                sigma_s: 1.4,
                tau_s: 0.95,
            },
        ],
        analytes: vec![
            AnalyteRow {
                name: "ivermectin",
                unit: MicrogramPerLitre,
                molar_mass_g_per_mol: Some(875.09),
                standard: 0,
                retention_min: 2.30,
                quantifier: (892.5, 569.3),
                qualifier: (892.5, 307.2, 0.70),
                model: CurveModel::Linear,
                calibrators: [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 80.0, 100.0],
                controls: &[("QL", 2.7), ("QM", 38.0), ("QH", 76.0)],
                signal_to_noise_lloq: 11.5,
                median: 28.0,
                log_sd: 0.6,
                share: 0.6,
                sigma_s: 1.7,
                tau_s: 1.3,
                dosing: once(12.0),
            },
            AnalyteRow {
                name: "albendazole-sulfoxide",
                unit: MicrogramPerLitre,
                molar_mass_g_per_mol: Some(281.33),
                standard: 1,
                retention_min: 1.20,
                quantifier: (282.1, 240.1),
                qualifier: (282.1, 208.1, 0.44),
                model: CurveModel::Linear,
                calibrators: [10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 800.0, 1000.0],
                controls: &[("QL", 27.0), ("QM", 380.0), ("QH", 760.0)],
                signal_to_noise_lloq: 20.0,
                median: 230.0,
                log_sd: 0.6,
                share: 0.4,
                sigma_s: 1.4,
                tau_s: 0.95,
                dosing: once(400.0),
            },
        ],
    }
}
