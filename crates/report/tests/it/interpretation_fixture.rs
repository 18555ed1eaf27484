//! An invented interpretation: every part of the page at once.

use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::interpretation::*;
use spotwright_domain::matrix::MatrixKind;

fn spread(median: f64, share: f64) -> Spread {
    Spread {
        median,
        low_90: median * (1.0 - share),
        high_90: median * (1.0 + share),
    }
}

fn option(kind: OptionKind, label: &str, dose: f64, shares: [f64; 3]) -> OptionShown {
    OptionShown {
        kind,
        label: label.to_owned(),
        dose: (kind != OptionKind::RepeatLevel).then(|| (dose, "mg".to_owned())),
        interval_h: Some(12.0),
        daily_change_pct: Some((dose / 4.0 - 1.0) * 100.0),
        trough: (kind != OptionKind::RepeatLevel).then(|| spread(dose * 1.6, 0.35)),
        peak: (kind != OptionKind::RepeatLevel).then(|| spread(dose * 4.0, 0.3)),
        auc_24_h: (kind != OptionKind::RepeatLevel).then(|| spread(dose * 55.0, 0.3)),
        below_in_above: (kind != OptionKind::RepeatLevel).then_some(shares),
        toxic: (kind != OptionKind::RepeatLevel).then_some(shares[2] / 4.0),
        steady_state_h: (kind != OptionKind::RepeatLevel).then_some([62.0, 110.0]),
        loading_dose: None,
        notes: if kind == OptionKind::RepeatLevel {
            vec![
                "The level is unusual for the dose: ask about missed doses and the time of sampling."
                    .to_owned(),
            ]
        } else {
            Vec::new()
        },
    }
}

/// The record. The curve is a sawtooth; nothing here comes from a model.
pub(crate) fn record() -> InterpretationRecord {
    let time_h: Vec<f64> = (0..=168).map(f64::from).collect();
    let median: Vec<f64> = time_h
        .iter()
        .map(|time| 6.0 + 9.0 / (1.0 + (time % 12.0)))
        .collect();
    InterpretationRecord {
        version: INTERPRETATION_VERSION,
        simulated: true,
        subject: "SI-0417".to_owned(),
        drug: "tacrolimus".to_owned(),
        origin: "2026-03-02T08:00:00+00:00".to_owned(),
        status: InterpretationStatus::Options,
        refusals: Vec::new(),
        cautions: vec!["Diarrhoea raises exposure.".to_owned(), "Immediate release only.".to_owned()],
        matrix: MatrixKind::WholeBlood,
        unit: ConcentrationUnit::MicrogramPerLitre,
        models: vec![ModelUsed {
            id: "invented".to_owned(),
            title: "Invented model".to_owned(),
            citation: "No source: for the test of a page.".to_owned(),
            confidence: "high".to_owned(),
            signed_by: Vec::new(),
            sha256: "0123456789abcdef0123456789abcdef".to_owned(),
            weight: 1.0,
        }],
        covariates: vec![CovariateUsed {
            name: "haematocrit".to_owned(),
            value: 0.34,
            unit: "L/L".to_owned(),
            from_h: None,
            origin: "default of the model".to_owned(),
            note: "unknown for this person".to_owned(),
        }],
        doses: (0..12)
            .map(|place| DoseUsed {
                time_h: 12.0 * f64::from(place),
                amount: 4.0,
                unit: "mg".to_owned(),
                route: "by mouth".to_owned(),
                infusion_min: None,
                time_uncertainty_h: 0.0,
            })
            .collect(),
        levels: vec![LevelUsed {
            time_h: 119.5,
            taken_at: "2026-03-07T07:30:00+00:00".to_owned(),
            hours_since_dose: Some(11.5),
            value: 7.9,
            below_limit: false,
            interval_95: [6.8, 9.1],
            origin: "dried blood, no conversion needed".to_owned(),
            predicted: Some(7.2),
            prior_percentile: Some(62.0),
            flags: vec!["Hours since the last dose are a guess.".to_owned()],
        }],
        target: Some(TargetShown {
            quantity: "trough".to_owned(),
            low: Some(5.0),
            high: Some(8.0),
            toxic_above: Some(15.0),
            unit: "µg/L".to_owned(),
            matrix: MatrixKind::WholeBlood,
            sampling: "within 30 min before the dose".to_owned(),
            indication: "Kidney transplant, later months".to_owned(),
            source: "no source: for the test of a page".to_owned(),
            verified: false,
        }),
        estimate: Some(EstimateShown {
            method: "Importance resampling.".to_owned(),
            effective_draws: 812.0,
            parameters: vec![ParameterShown {
                name: "clearance".to_owned(),
                unit: "L/h".to_owned(),
                typical: 23.0,
                person: spread(19.4, 0.25),
                shrinkage: Some(0.31),
            }],
            half_life_h: Some(spread(31.0, 0.4)),
            remarks: vec!["One level: the estimate leans on the model.".to_owned()],
        }),
        curve: Some(Band {
            low_90: median.iter().map(|value| value * 0.75).collect(),
            high_90: median.iter().map(|value| value * 1.3).collect(),
            typical: median.iter().map(|value| value * 0.9).collect(),
            time_h,
            median,
            forecast_from_h: 119.5,
        }),
        options: vec![
            option(OptionKind::KeepDose, "keep 4 mg every 12 h by mouth", 4.0, [0.12, 0.71, 0.17]),
            option(OptionKind::ChangeDose, "3.5 mg every 12 h by mouth", 3.5, [0.31, 0.64, 0.05]),
            option(OptionKind::RepeatLevel, "repeat the level first", 0.0, [0.0, 0.0, 0.0]),
        ],
        criterion: "In order of the probability of lying in the target; a chance above 10 % of lying too high is never first."
            .to_owned(),
        inputs_sha256: "fedcba9876543210fedcba9876543210".to_owned(),
        seed: 1,
    }
}
