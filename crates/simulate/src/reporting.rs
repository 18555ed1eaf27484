//! How the Selkie Isles laboratory reports each analyte: conversion, target range, kinetic model. Coefficients are
//! published ones with their source; what the sources leave open (ranges of the study, scatter) is this invented
//! laboratory's own and says so. Nothing here touches a simulated signal.

use spotwright_domain::concentration::ConcentrationUnit::{self, MicrogramPerLitre, MilligramPerLitre};
use spotwright_domain::conversion::{
    Conversion, ConversionForm, Estimate, HaematocritUnknown, LinearRegression, Partition,
    RegressionDirection, RegressionInput,
};
use spotwright_domain::identifier::AnalyteName;
use spotwright_domain::matrix::MatrixKind::{self, Plasma, WholeBlood};
use spotwright_domain::target::{Interpretation, TargetQuantity, TargetRange};

/// How one analyte is reported.
#[derive(Debug, Clone, Default)]
pub(crate) struct Reporting {
    pub(crate) conversion: Option<Conversion>,
    pub(crate) target: Option<TargetRange>,
    pub(crate) interpretation: Option<Interpretation>,
}

/// How an analyte is reported; an analyte without entry is reported as measured. `haematocrit`: the panel's validated range.
pub(crate) fn reporting(analyte: &AnalyteName, haematocrit: [f64; 2]) -> Reporting {
    let entry = Entry { analyte, haematocrit };
    match analyte.as_str() {
        "tacrolimus" => entry.blood(
            ConversionForm::NoneNeeded,
            "Veenhof et al., Transplantation 2017;101:1727 (slope 1.00, 0.91 to 1.08)",
            104,
            [4.0, 12.0, 15.0],
            "kidney transplant",
            "Brunet et al., Ther Drug Monit 2019;41:261",
            "tacrolimus_adult_kidney",
        ),
        "ciclosporin" => entry.blood(
            ConversionForm::NoneNeeded,
            "Veenhof et al., Transplantation 2017;101:1727 (slope 0.99, 0.91 to 1.08)",
            58,
            [75.0, 300.0, 400.0],
            "kidney transplant",
            "centre consensus (Oellerich 1995; Levy 2002)",
            "ciclosporin_adult_kidney",
        ),
        // Half width of the published 95 % intervals over 1.96.
        "everolimus" => entry.blood(
            line(RegressionDirection::MeasuredOnReported, Estimate::new(0.96, 0.056), Estimate::known(0.0)),
            "Veenhof et al., Clin Chem Lab Med 2019, doi 10.1515/cclm-2019-0053 (slope 0.96, 0.84 to 1.06)",
            44,
            [3.0, 8.0, 12.0],
            "kidney transplant, with a reduced calcineurin inhibitor",
            "Shipkova et al., Ther Drug Monit 2016;38:143",
            "everolimus_adult_kidney",
        ),
        "sirolimus" => Reporting {
            interpretation: None,
            ..entry.blood(
                line(RegressionDirection::MeasuredOnReported, Estimate::new(0.86, 0.077), Estimate::known(0.0)),
                "Veenhof et al., Clin Chem Lab Med 2019, doi 10.1515/cclm-2019-0053 (slope 0.86, 0.72 to 1.02)",
                39,
                [4.0, 12.0, 15.0],
                "kidney transplant",
                "common practice, no source",
                "",
            )
        },
        "carbamazepine" => {
            let mut reporting = entry.plasma(
                line(
                    RegressionDirection::ReportedOnMeasured,
                    Estimate::new(0.89, 0.061),
                    Estimate::new(1.00, 0.49),
                ),
                "Kong et al., PLoS ONE 2014;9:e108190 (0.89 of the abstract; errors from the caption's intervals); range invented",
                169,
                trough(Some(4.0), Some(12.0), Some(15.0), EPILEPSY),
                "carbamazepine_adult",
            );
            // The line gives 1.00 mg/L for an empty spot: it is not used below the study's own range.
            if let Some(conversion) = &mut reporting.conversion {
                conversion.concentration_range = Some([1.5, 20.0]);
            }
            reporting
        }
        "lamotrigine" => entry.scattered(
            ConversionForm::NoneNeeded,
            8.0,
            "Linder et al., Clin Biochem 2017 (directly comparable); scatter invented",
            20,
            trough(Some(2.5), Some(15.0), Some(20.0), EPILEPSY),
            "lamotrigine",
        ),
        "levetiracetam" => entry.scattered(
            ConversionForm::NoneNeeded,
            8.0,
            "Linder et al., Clin Biochem 2025, doi 10.1016/j.clinbiochem.2025.110913; scatter invented",
            40,
            trough(Some(12.0), Some(46.0), Some(50.0), EPILEPSY),
            "levetiracetam_adult",
        ),
        "efavirenz" => entry.scattered(
            unbound(Estimate::new(0.995, 0.001)),
            8.3,
            "Kromdijk et al., J Antimicrob Chemother 2012;67:1211; scatter Duthaler et al. 2018;73:2729",
            40,
            TargetRange {
                quantity: TargetQuantity::Level,
                sampling_time: "mid-dose, 8 to 20 h after the dose".to_owned(),
                ..trough(
                    Some(1.0),
                    Some(4.0),
                    Some(4.0),
                    ("HIV", "Cabrera et al., Antimicrob Agents Chemother 2009;53:2791"),
                )
            },
            "efavirenz_adult",
        ),
        "nevirapine" => entry.scattered(
            unbound(Estimate::new(0.60, 0.03)),
            18.4,
            "Kromdijk et al., J Antimicrob Chemother 2012;67:1211; scatter Duthaler et al. 2018;73:2729",
            40,
            trough(Some(3.0), None, Some(8.0), ("HIV", "common practice, no source")),
            "nevirapine_adult",
        ),
        // No conversion was verified: the record says so beside the range.
        "dolutegravir" => Reporting {
            conversion: None,
            target: Some(trough(Some(0.3), None, None, ("HIV", "common practice, no source"))),
            interpretation: model("dolutegravir_adult"),
        },
        "gentamicin" => entry.plasma(
            theoretical(Estimate::new(0.0, 0.05)),
            "theory: polar, kept out of red cells (K near 0); no verified coefficients",
            0,
            trough(
                None,
                Some(1.0),
                Some(2.0),
                ("newborn infection, extended interval", "national guideline NG195"),
            ),
            "gentamicin_neonate",
        ),
        "amikacin" => entry.plasma(
            theoretical(Estimate::new(0.0, 0.05)),
            "theory: polar, kept out of red cells (K near 0); no verified coefficients",
            0,
            trough(None, Some(3.0), Some(8.0), ("newborn infection", "common practice, no source")),
            "amikacin_neonate",
        ),
        "vancomycin" => entry.plasma(
            ConversionForm::NotPredictable {
                ratio_seen: Some([1.148, 5.022]),
            },
            "J Chromatogr B 2020;1137:121897",
            54,
            TargetRange {
                quantity: TargetQuantity::Auc24h,
                sampling_time: "two levels, or one with a model".to_owned(),
                ..trough(
                    Some(400.0),
                    Some(600.0),
                    Some(600.0),
                    ("infection", "Rybak et al., Am J Health-Syst Pharm 2020;77:835"),
                )
            },
            "vancomycin_neonate",
        ),
        // No scaling factor was published where we could read it.
        "ivermectin" => Reporting {
            interpretation: model("ivermectin_mda"),
            ..Reporting::default()
        },
        _ => Reporting::default(),
    }
}

/// Indication and source of the ranges of antiepileptics.
const EPILEPSY: (&str, &str) = ("epilepsy", "Patsalos et al., Ther Drug Monit 2018;40:526");

struct Entry<'a> {
    analyte: &'a AnalyteName,
    haematocrit: [f64; 2],
}

impl Entry<'_> {
    fn conversion(
        &self,
        to: MatrixKind,
        unit: ConcentrationUnit,
        form: ConversionForm,
        source: &str,
        n: u32,
    ) -> Conversion {
        let towards = if to == Plasma { "plasma" } else { "blood" };
        let mut of = Conversion::plain(
            &format!("{}-spot-to-{towards}", self.analyte),
            self.analyte.clone(),
            to,
            form,
            unit,
            source,
        );
        of.haematocrit_range = Some(self.haematocrit);
        of.population = Some("Selkie Isles, simulated".to_owned());
        of.study_n = (n > 0).then_some(n);
        of.approved_by = Some("laboratory director".to_owned());
        // Adults 0.42 ± 0.04, newborns 0.50 ± 0.05: the middle of handbook ranges (HCT-01, HCT-02).
        let newborn = matches!(self.analyte.as_str(), "gentamicin" | "amikacin" | "vancomycin");
        of.haematocrit_unknown = HaematocritUnknown::UseDefault {
            default: if newborn {
                Estimate::new(0.50, 0.05)
            } else {
                Estimate::new(0.42, 0.04)
            },
        };
        of
    }

    #[expect(
        clippy::too_many_arguments,
        reason = "one row of a table, in the order it is read"
    )]
    fn blood(
        &self,
        form: ConversionForm,
        source: &str,
        n: u32,
        [low, high, toxic]: [f64; 3],
        indication: &str,
        target_source: &str,
        model_id: &str,
    ) -> Reporting {
        Reporting {
            conversion: Some(self.conversion(WholeBlood, MicrogramPerLitre, form, source, n)),
            target: Some(TargetRange {
                unit: MicrogramPerLitre,
                matrix: WholeBlood,
                ..trough(Some(low), Some(high), Some(toxic), (indication, target_source))
            }),
            interpretation: model(model_id),
        }
    }

    fn plasma(
        &self,
        form: ConversionForm,
        source: &str,
        n: u32,
        target: TargetRange,
        model_id: &str,
    ) -> Reporting {
        Reporting {
            conversion: Some(self.conversion(Plasma, MilligramPerLitre, form, source, n)),
            target: Some(target),
            interpretation: model(model_id),
        }
    }

    fn scattered(
        &self,
        form: ConversionForm,
        residual_cv_pct: f64,
        source: &str,
        n: u32,
        target: TargetRange,
        model_id: &str,
    ) -> Reporting {
        let mut reporting = self.plasma(form, source, n, target, model_id);
        if let Some(conversion) = &mut reporting.conversion {
            conversion.residual_cv_pct = Some(residual_cv_pct);
        }
        reporting
    }
}

fn model(id: &str) -> Option<Interpretation> {
    Some(Interpretation { model: id.to_owned() })
}

fn trough(
    low: Option<f64>,
    high: Option<f64>,
    toxic_above: Option<f64>,
    (indication, source): (&str, &str),
) -> TargetRange {
    TargetRange {
        quantity: TargetQuantity::Trough,
        low,
        high,
        toxic_above,
        unit: MilligramPerLitre,
        matrix: Plasma,
        sampling_time: "before the dose".to_owned(),
        indication: indication.to_owned(),
        source: source.to_owned(),
    }
}

fn unbound(fraction_bound: Estimate) -> ConversionForm {
    ConversionForm::UnboundEquilibrium { fraction_bound }
}

fn theoretical(ratio: Estimate) -> ConversionForm {
    ConversionForm::Theoretical {
        partition: Partition::Constant { ratio },
    }
}

fn line(direction: RegressionDirection, slope: Estimate, intercept: Estimate) -> ConversionForm {
    ConversionForm::LinearRegression(LinearRegression {
        direction,
        input: RegressionInput::Raw,
        slope,
        intercept,
        covariance: 0.0,
        residual_sd: None,
    })
}

#[cfg(test)]
mod tests {
    use crate::panel::{PanelKind, panel};

    #[test]
    fn no_conversion_of_the_demo_contradicts_itself() {
        let mut converted = 0;
        for kind in PanelKind::ALL {
            for analyte in &panel(kind).unwrap().method.analytes {
                if let Some(conversion) = &analyte.conversion {
                    assert_eq!(conversion.faults(), Vec::new(), "{}", analyte.name);
                    assert!(
                        analyte
                            .target
                            .as_ref()
                            .is_some_and(|t| t.matrix == conversion.matrix_out)
                    );
                    converted += 1;
                }
            }
        }
        assert_eq!(converted, 12);
    }
}
