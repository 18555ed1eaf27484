//! What the kinetics room found, in the words and units of the record.

use super::answer::{parameter_words, sentence};
use super::curve::quantile;
use super::estimate::{Estimated, explanation};
use spotwright_domain::interpretation::{
    CovariateUsed, DoseUsed, ModelUsed, OptionShown, ParameterShown, Spread, TargetShown,
};
use spotwright_kinetics::estimate::LevelFit;
use spotwright_kinetics::likelihood::EffectLabel;
use spotwright_kinetics::model::person::Origin;
use spotwright_kinetics::model::{AdviceStanding, Confidence};
use spotwright_kinetics::options::{DoseOption, SystemicMatrix, TargetQuantity, TargetRange};
use spotwright_kinetics::structure::{Parameters, Route, TimeUncertainty, half_life_h};

pub(super) fn models_used<M: SystemicMatrix>(candidates: &[Estimated<'_, M>], best: usize) -> Vec<ModelUsed> {
    let mut order: Vec<usize> = (0..candidates.len()).collect();
    order.sort_by(|a, b| {
        (*b == best)
            .cmp(&(*a == best))
            .then(candidates[*b].weight.total_cmp(&candidates[*a].weight))
    });
    order
        .into_iter()
        .map(|place| {
            let model = candidates[place].case.model();
            ModelUsed {
                id: model.id.clone(),
                title: model.title.clone(),
                citation: model.source.citation.clone(),
                confidence: match model.confidence {
                    Confidence::High => "high",
                    Confidence::Medium => "medium",
                    Confidence::Low => "low",
                }
                .to_owned(),
                signed_by: match model.advice_standing() {
                    AdviceStanding::Cleared { signed_by } => signed_by
                        .iter()
                        .map(|sign_off| format!("{}, {}, {}", sign_off.name, sign_off.role, sign_off.on))
                        .collect(),
                    AdviceStanding::ResearchOnly { .. } => Vec::new(),
                },
                sha256: model.digest.to_string(),
                weight: candidates[place].weight,
            }
        })
        .collect()
}

pub(super) fn covariates<M: SystemicMatrix>(of: &Estimated<'_, M>) -> Vec<CovariateUsed> {
    let used = &of.case.prepared().resolved.used;
    used.iter()
        .flat_map(|covariate| {
            covariate
                .values
                .iter()
                .enumerate()
                .map(move |(place, (from_h, value))| CovariateUsed {
                    name: covariate.name.clone(),
                    value: *value,
                    unit: covariate.unit.to_owned(),
                    from_h: (place > 0).then_some(*from_h),
                    origin: match &covariate.origin {
                        Origin::Stated(by) => by.clone(),
                        Origin::Derived(how) => format!("computed: {how}"),
                        Origin::Regimen => "from the doses".to_owned(),
                        Origin::Default => "default of the model".to_owned(),
                    },
                    note: covariate.note.clone(),
                })
        })
        .collect()
}

pub(super) fn doses<M: SystemicMatrix>(of: &Estimated<'_, M>) -> Vec<DoseUsed> {
    let history = &of.case.problem().history;
    history
        .steady_state
        .map(|steady| steady.dose)
        .iter()
        .chain(&history.doses)
        .map(|dose| DoseUsed {
            time_h: dose.time_h,
            amount: dose.amount,
            unit: "mg".to_owned(),
            route: match dose.route {
                Route::Bolus => "intravenously",
                Route::Infusion { .. } => "as an infusion",
                Route::Extravascular => "by mouth",
            }
            .to_owned(),
            infusion_min: match dose.route {
                Route::Infusion { duration_h } => Some(duration_h * 60.0),
                Route::Bolus | Route::Extravascular => None,
            },
            time_uncertainty_h: match dose.time_uncertainty {
                None => 0.0,
                Some(TimeUncertainty::Normal { sd_h }) => sd_h,
                // Standard deviation of an even spread.
                Some(TimeUncertainty::Uniform { half_width_h }) => half_width_h / 3.0_f64.sqrt(),
            },
        })
        .collect()
}

pub(super) fn level_flags<M: SystemicMatrix>(of: &Estimated<'_, M>, fit: &LevelFit) -> Vec<String> {
    let mut flags = Vec::new();
    if fit.surprising {
        flags.push(
            "Outside what 99 of 100 such people would show: measure again before any change.".to_owned(),
        );
        for explained in of
            .fit
            .explanations
            .iter()
            .filter(|explained| explained.position == fit.position && explained.ln_bayes_factor > 0.0)
            .take(3)
        {
            flags.push(sentence(&format!("ask: {}", explanation(explained.explanation))));
        }
    }
    flags
}

pub(super) fn target(of: &TargetRange) -> TargetShown {
    let unit = match of.quantity {
        TargetQuantity::Auc24h | TargetQuantity::Auc12h => format!("{}·h", of.unit.display()),
        TargetQuantity::TimeAbove { .. } => "%".to_owned(),
        _ => of.unit.display().to_owned(),
    };
    TargetShown {
        quantity: of.quantity_words(),
        low: of.low,
        high: of.high,
        toxic_above: of.toxic_above,
        unit,
        matrix: of.matrix,
        sampling: of.sampling.clone(),
        indication: of.indication.clone(),
        source: of.source.clone(),
        verified: of.verified,
    }
}

pub(super) fn parameters<M: SystemicMatrix>(of: &Estimated<'_, M>) -> Vec<ParameterShown> {
    let problem = of.case.problem();
    let Some(typical) = problem.typical.knots.last().map(|knot| knot.values) else {
        return Vec::new();
    };
    let model = of.case.model();
    typical
        .iter()
        .filter_map(|(name, value)| {
            let parameter = model.parameter(name)?;
            // Records speak the model file's units.
            let scale = 1.0 / parameter.to_core_unit;
            let mut draws: Vec<f64> = of
                .posterior
                .iter()
                .map(|draw| value * of.posterior.subject_factors(draw).get(name).unwrap_or(1.0) * scale)
                .collect();
            draws.sort_by(f64::total_cmp);
            let varies = of
                .fit
                .effects
                .iter()
                .find(|effect| effect.label == EffectLabel::Subject(name));
            Some(ParameterShown {
                name: parameter_words(name).to_owned(),
                unit: parameter.unit.clone(),
                typical: value * scale,
                person: spread(&draws),
                shrinkage: varies.map(|effect| effect.shrinkage.clamp(0.0, 1.0)),
            })
        })
        .collect()
}

pub(super) fn half_life<M: SystemicMatrix>(of: &Estimated<'_, M>) -> Option<Spread> {
    let problem = of.case.problem();
    let typical = problem.typical.knots.last()?.values;
    let mut draws = Vec::with_capacity(of.posterior.len());
    for draw in of.posterior.iter() {
        let factors = of.posterior.subject_factors(draw);
        let mut values = Parameters::new();
        for (name, value) in typical.iter() {
            values.set(name, value * factors.get(name).unwrap_or(1.0));
        }
        draws.push(half_life_h(&problem.structure, &values)?);
    }
    draws.sort_by(f64::total_cmp);
    (!draws.is_empty()).then(|| spread(&draws))
}

fn spread(sorted: &[f64]) -> Spread {
    Spread {
        median: quantile(sorted, 0.5),
        low_90: quantile(sorted, 0.05),
        high_90: quantile(sorted, 0.95),
    }
}

pub(super) fn option(of: &DoseOption) -> OptionShown {
    // The leading target's odds stand in the table; further ones are told in words.
    let lead = of.odds.first();
    let mut notes = of.notes.clone();
    if of.odds.len() > 1
        && let Some(all) = of.in_all
    {
        notes.insert(0, format!("All targets together: {:.0} %.", all * 100.0));
    }
    OptionShown {
        kind: of.kind,
        label: of.label.clone(),
        dose: of
            .regimen
            .as_ref()
            .map(|regimen| (regimen.labelled_mg, "mg".to_owned())),
        interval_h: of.regimen.as_ref().map(|regimen| regimen.interval_h),
        daily_change_pct: of.daily_change_pct,
        trough: of.trough,
        peak: of.peak,
        auc_24_h: of.auc_24_h,
        below_in_above: lead.map(|odds| [odds.below, odds.inside, odds.above]),
        toxic: of.toxic,
        steady_state_h: of.steady_state_h,
        loading_dose: of
            .loading
            .as_ref()
            .map(|loading| (loading.labelled_mg, "mg".to_owned())),
        notes,
    }
}

/// What there is to say of the fit: one level, leaning on the model, models that disagree.
pub(super) fn remarks<M: SystemicMatrix>(candidates: &[Estimated<'_, M>], best: usize) -> Vec<String> {
    let lead = &candidates[best];
    let mut remarks = Vec::new();
    let levels = lead.case.problem().observations.len();
    if levels == 1 {
        remarks.push("One level: much of the estimate is what people of these covariates show.".to_owned());
    }
    if !lead.map.other_minima.is_empty() {
        remarks.push(format!(
            "{} other kind{} of person would explain the levels too; the range below holds them all.",
            lead.map.other_minima.len(),
            if lead.map.other_minima.len() == 1 { "" } else { "s" }
        ));
    }
    if candidates.len() > 1 {
        for (place, other) in candidates.iter().enumerate().filter(|(place, _)| *place != best) {
            let _ = place;
            let predicted: Vec<String> = other
                .fit
                .levels
                .iter()
                .map(|level| format!("{:.3}", level.predicted))
                .collect();
            remarks.push(format!(
                "Model {} ({:.0} % of the weight) puts the curve at {} where the levels were taken.",
                other.case.model().id,
                other.weight * 100.0,
                predicted.join(", ")
            ));
        }
    }
    remarks
}
