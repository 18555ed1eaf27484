//! Panels of the Selkie Isles laboratory: the method as the laboratory would write it, and beside it the physics
//! that only the simulator knows. All mass-to-charge values are rounded and invented where convenient.

mod antibiotics;
mod antiepileptics;
mod antiretrovirals;
mod immunosuppressants;
mod ivermectin;

use crate::peak_shape::PeakShape;
use crate::reporting::reporting;
use serde::{Deserialize, Serialize};
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::identifier::{
    AnalyteName, IdentifierError, InternalStandardName, LevelName, MethodId,
};
use spotwright_domain::matrix::MatrixKind;
use spotwright_domain::method::{
    Analyte, Approval, CurveModel, Extraction, IntegrationSettings, InternalStandard,
    InternalStandardAddition, Level, Limits, Method, Qualifier, Transition, ValidatedRanges, Weighting,
};
use spotwright_domain::trace::Polarity;

/// Name of the control level above range that only dilution controls use.
pub(crate) const DILUTION_LEVEL: &str = "QD";
/// The dilution factor every panel validates and uses.
pub(crate) const DILUTION_FACTOR: f64 = 5.0;

/// Which panel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PanelKind {
    /// Tacrolimus, ciclosporin, everolimus, sirolimus.
    Immunosuppressants,
    /// Carbamazepine, lamotrigine, levetiracetam.
    Antiepileptics,
    /// Efavirenz, nevirapine, dolutegravir.
    Antiretrovirals,
    /// Gentamicin, amikacin, vancomycin in newborns.
    NewbornAntibiotics,
    /// Ivermectin and albendazole sulfoxide of a mass round.
    IvermectinRound,
}

impl PanelKind {
    /// Every panel, in the order of the demo day.
    pub const ALL: [Self; 5] = [
        Self::Immunosuppressants,
        Self::Antiepileptics,
        Self::Antiretrovirals,
        Self::NewbornAntibiotics,
        Self::IvermectinRound,
    ];
}

/// Whose haematocrit (practice figures: transplant 0.36 ± 0.05, adults 0.42 ± 0.035, newborns 0.50 ± 0.05).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct People {
    pub(crate) haematocrit_mean: f64,
    pub(crate) haematocrit_sd: f64,
    pub(crate) weight_kg: f64,
    pub(crate) weight_cv: f64,
    pub(crate) age_y: (f64, f64),
    pub(crate) creatinine_umol_per_l: f64,
    /// Days in the mail boat or on the ward's trolley: least, most.
    pub(crate) post_d: (f64, f64),
    /// Chance that a person takes a second analyte of the panel.
    pub(crate) second_drug: f64,
}

/// How a drug is taken, as `doses.csv` tells it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Dosing {
    pub(crate) amount: f64,
    pub(crate) unit: &'static str,
    pub(crate) route: &'static str,
    pub(crate) interval_h: Option<f64>,
    pub(crate) infusion_min: Option<f64>,
    /// Hours from the last dose to the sample: least, most.
    pub(crate) sample_after_h: (f64, f64),
}

/// One analyte as a panel's table gives it.
pub(crate) struct AnalyteRow {
    pub(crate) name: &'static str,
    pub(crate) unit: ConcentrationUnit,
    pub(crate) molar_mass_g_per_mol: Option<f64>,
    pub(crate) standard: usize,
    pub(crate) retention_min: f64,
    pub(crate) quantifier: (f64, f64),
    /// Qualifier: m/z pair and its response as a share of the quantifier's.
    pub(crate) qualifier: (f64, f64, f64),
    pub(crate) model: CurveModel,
    pub(crate) calibrators: [f64; 8],
    /// Controls in range, lowest first.
    pub(crate) controls: &'static [(&'static str, f64)],
    /// Height over root-mean-square noise at the lowest calibrator, before suppression and drift (which take about
    /// an eighth of it).
    pub(crate) signal_to_noise_lloq: f64,
    /// Concentrations of people: median and logarithmic standard deviation.
    pub(crate) median: f64,
    pub(crate) log_sd: f64,
    /// Share of the people whose first drug this is.
    pub(crate) share: f64,
    pub(crate) sigma_s: f64,
    pub(crate) tau_s: f64,
    pub(crate) dosing: Dosing,
}

/// One internal standard as a panel's table gives it.
pub(crate) struct StandardRow {
    pub(crate) name: &'static str,
    pub(crate) pair: (f64, f64),
    pub(crate) retention_min: f64,
    pub(crate) signal_to_noise: f64,
    pub(crate) sigma_s: f64,
    pub(crate) tau_s: f64,
}

/// Everything a panel's table gives.
pub(crate) struct PanelTable {
    pub(crate) id: &'static str,
    pub(crate) title: &'static str,
    pub(crate) addition: InternalStandardAddition,
    pub(crate) haematocrit: [f64; 2],
    pub(crate) card_age_max_d: f64,
    pub(crate) expected_width_s: f64,
    pub(crate) states_saturation: bool,
    pub(crate) every_level_twice: bool,
    /// Preparation error of the area ratio (CV, %), and what the validation says of the whole within-run CV (%).
    pub(crate) preparation_cv_pct: f64,
    pub(crate) within_run_cv_pct: f64,
    pub(crate) people: People,
    pub(crate) standards: Vec<StandardRow>,
    pub(crate) analytes: Vec<AnalyteRow>,
}

/// Baseline of one transition.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Background {
    /// Level (counts).
    pub(crate) level_counts: f64,
    /// Counts one ion gives.
    pub(crate) gain: f64,
    /// Electronic noise (counts, standard deviation).
    pub(crate) electronic_counts: f64,
}

impl Background {
    /// Standard deviation (counts) of a point of the baseline.
    pub(crate) fn noise_counts(self) -> f64 {
        (self.gain * self.level_counts + self.electronic_counts * self.electronic_counts).sqrt()
    }
}

/// The physics of one transition.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TransitionPhysics {
    pub(crate) background: Background,
    pub(crate) shape: PeakShape,
    /// Apex in a run without drift (min).
    pub(crate) retention_min: f64,
    /// Area (counts·s) of one concentration unit (analytes) or of the standard added once (internal standards).
    pub(crate) area_per_unit: f64,
}

/// A panel: the method, and the physics behind it.
#[derive(Debug, Clone)]
pub(crate) struct Panel {
    pub(crate) method: Method,
    pub(crate) people: People,
    pub(crate) dosing: Vec<Dosing>,
    /// Median and logarithmic standard deviation of each analyte in people; share of people it is first drug of.
    pub(crate) population: Vec<(f64, f64, f64)>,
    /// In the order of `Method::transitions`.
    pub(crate) physics: Vec<TransitionPhysics>,
    pub(crate) preparation_cv: f64,
    pub(crate) every_level_twice: bool,
    /// Detector ceiling (counts).
    pub(crate) ceiling_counts: f64,
    /// Loss of response at the highest calibrator (share; quadratic analytes only).
    pub(crate) curvature: Vec<f64>,
}

/// Builds a panel.
///
/// # Errors
/// When a name of the table is no identifier.
pub(crate) fn panel(kind: PanelKind) -> Result<Panel, IdentifierError> {
    build(&match kind {
        PanelKind::Immunosuppressants => immunosuppressants::table(),
        PanelKind::Antiepileptics => antiepileptics::table(),
        PanelKind::Antiretrovirals => antiretrovirals::table(),
        PanelKind::NewbornAntibiotics => antibiotics::table(),
        PanelKind::IvermectinRound => ivermectin::table(),
    })
}

fn build(table: &PanelTable) -> Result<Panel, IdentifierError> {
    let method = method(table)?;
    let mut physics: Vec<TransitionPhysics> = Vec::new();
    for (index, row) in table.standards.iter().enumerate() {
        let background = background(index);
        let shape = PeakShape {
            sigma_s: row.sigma_s,
            tau_s: row.tau_s,
        };
        physics.push(TransitionPhysics {
            background,
            shape,
            retention_min: row.retention_min,
            area_per_unit: row.signal_to_noise * background.noise_counts() / shape.height_per_area(),
        });
    }
    let mut highest_counts = 0.0f64;
    for (index, row) in table.analytes.iter().enumerate() {
        let shape = PeakShape {
            sigma_s: row.sigma_s,
            tau_s: row.tau_s,
        };
        let quantifier_background = background(3 + 2 * index);
        let height_lloq = row.signal_to_noise_lloq * quantifier_background.noise_counts();
        let area_per_unit = height_lloq / shape.height_per_area() / row.calibrators[0];
        highest_counts = highest_counts.max(height_lloq * row.calibrators[7] / row.calibrators[0]);
        let quantifier = TransitionPhysics {
            background: quantifier_background,
            shape,
            retention_min: row.retention_min,
            area_per_unit,
        };
        physics.push(quantifier);
        physics.push(TransitionPhysics {
            background: background(4 + 2 * index),
            area_per_unit: area_per_unit * row.qualifier.2,
            ..quantifier
        });
    }
    let mut panel = Panel {
        people: table.people,
        dosing: table.analytes.iter().map(|row| row.dosing).collect(),
        population: table
            .analytes
            .iter()
            .map(|row| (row.median, row.log_sd, row.share))
            .collect(),
        physics,
        preparation_cv: table.preparation_cv_pct / 100.0,
        every_level_twice: table.every_level_twice,
        ceiling_counts: round_up_to_two_digits(6.0 * highest_counts),
        curvature: table
            .analytes
            .iter()
            .map(|row| {
                if row.model == CurveModel::Quadratic {
                    0.06
                } else {
                    0.0
                }
            })
            .collect(),
        method,
    };
    if table.states_saturation {
        panel.method.integration.saturation_counts = Some(panel.ceiling_counts);
    }
    Ok(panel)
}

/// Backgrounds differ a little from transition to transition, the same way in every run.
fn background(index: usize) -> Background {
    let step = (index * 5 % 7) as f64;
    Background {
        level_counts: 240.0 + 40.0 * step,
        gain: 1.5,
        electronic_counts: 6.0,
    }
}

fn round_up_to_two_digits(value: f64) -> f64 {
    let mut unit = 1.0;
    while value / unit >= 100.0 {
        unit *= 10.0;
    }
    (value / unit).ceil() * unit
}

fn method(table: &PanelTable) -> Result<Method, IdentifierError> {
    let transition = |(precursor_mz, product_mz): (f64, f64)| Transition {
        precursor_mz,
        product_mz,
        polarity: Polarity::Positive,
    };
    let internal_standards = table
        .standards
        .iter()
        .map(|row| {
            Ok(InternalStandard {
                name: InternalStandardName::new(row.name)?,
                transition: transition(row.pair),
                retention_time_min: row.retention_min,
            })
        })
        .collect::<Result<_, IdentifierError>>()?;
    let level = |name: &str, concentration: f64| {
        Ok(Level {
            name: LevelName::new(name)?,
            concentration,
        })
    };
    let analytes = table
        .analytes
        .iter()
        .map(|row| {
            let (precursor, product, _) = row.qualifier;
            let mut controls = row
                .controls
                .iter()
                .map(|(name, concentration)| level(name, *concentration))
                .collect::<Result<Vec<_>, IdentifierError>>()?;
            controls.push(level(DILUTION_LEVEL, 2.5 * row.calibrators[7])?);
            let name = AnalyteName::new(row.name)?;
            let reporting = reporting(&name, table.haematocrit);
            Ok(Analyte {
                name,
                unit: row.unit,
                molar_mass_g_per_mol: row.molar_mass_g_per_mol,
                internal_standard: InternalStandardName::new(table.standards[row.standard].name)?,
                retention_time_min: row.retention_min,
                retention_tolerance_min: None,
                quantifier: transition(row.quantifier),
                qualifiers: vec![Qualifier {
                    transition: transition((precursor, product)),
                    ratio_tolerance_pct: None,
                }],
                model: row.model,
                weighting: Weighting::InverseXSquared,
                calibrators: row
                    .calibrators
                    .iter()
                    .enumerate()
                    .map(|(index, concentration)| level(&format!("C{}", index + 1), *concentration))
                    .collect::<Result<_, IdentifierError>>()?,
                controls,
                within_run_cv_pct: table.within_run_cv_pct,
                dilution_factors: vec![2.0, DILUTION_FACTOR],
                conversion: reporting.conversion,
                target: reporting.target,
                interpretation: reporting.interpretation,
            })
        })
        .collect::<Result<_, IdentifierError>>()?;
    Ok(Method {
        id: MethodId::new(table.id)?,
        version: "1".to_owned(),
        title: table.title.to_owned(),
        matrix: MatrixKind::DriedBlood,
        internal_standard_addition: table.addition,
        approval: Some(Approval {
            by: "laboratory director".to_owned(),
            on: "2026-02-16".to_owned(),
        }),
        validated: ValidatedRanges {
            haematocrit: Some(table.haematocrit),
            card_age_max_d: Some(table.card_age_max_d),
        },
        extraction: Extraction::default(),
        internal_standards,
        analytes,
        integration: IntegrationSettings {
            expected_width_s: table.expected_width_s,
            ..IntegrationSettings::default()
        },
        limits: Limits::default(),
        limit_overrides: Vec::new(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_panel_is_a_sound_method() {
        for kind in PanelKind::ALL {
            let panel = panel(kind).unwrap();
            let transitions = panel.method.transitions();
            assert_eq!(transitions.len(), panel.physics.len());
            // Two transitions within the integration tolerance of both m/z could not be told apart.
            for (i, one) in transitions.iter().enumerate() {
                for other in &transitions[i + 1..] {
                    let near = |a: f64, b: f64| (a - b).abs() < 2.0 * panel.method.integration.mz_tolerance;
                    assert!(
                        !(near(one.transition.precursor_mz, other.transition.precursor_mz)
                            && near(one.transition.product_mz, other.transition.product_mz)),
                        "{} and {}",
                        one.name,
                        other.name
                    );
                }
            }
            for analyte in &panel.method.analytes {
                let (lloq, uloq) = (analyte.lloq(), analyte.uloq());
                // ICH M10 3.2.5.1: low control at most 3 × LLOQ, high control at least 75 % of ULOQ.
                let in_range: Vec<f64> = analyte
                    .controls
                    .iter()
                    .filter(|level| level.name.as_str() != DILUTION_LEVEL)
                    .map(|level| level.concentration)
                    .collect();
                assert!(in_range.len() >= 3);
                assert!(in_range[0] <= 3.0 * lloq, "{}", analyte.name);
                assert!(in_range[in_range.len() - 1] >= 0.75 * uloq, "{}", analyte.name);
                assert!(in_range[in_range.len() - 1] < uloq);
                for levels in [&analyte.calibrators, &analyte.controls] {
                    assert!(
                        levels
                            .windows(2)
                            .all(|pair| pair[0].concentration < pair[1].concentration)
                    );
                }
            }
            for physics in &panel.physics {
                // Practice figures: full width at half height 2.5 to 5 s, tailing 1.05 to 1.5.
                let width = physics.shape.width_s(0.5);
                let tailing = physics.shape.tailing_factor();
                assert!((2.5..=5.0).contains(&width), "{width}");
                assert!((1.05..=1.5).contains(&tailing), "{tailing}");
            }
        }
    }
}
