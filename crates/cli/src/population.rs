//! `spotwright population`: a model from a study's own data.

use crate::arguments::Population;
use crate::outcome::Outcome;
use crate::print::{complain, say};
use crate::problems::render;
use crate::table::{Side, Table};
use spotwright_domain::figures::{decimal_places, significant_figures};
use spotwright_workflow::population::{
    FITTED_MODEL, POPULATION_RECORD, PREDICTIVE_CHECK, PopulationActError, PopulationRecord,
    PopulationRequest, estimate_study,
};

/// Estimates the study and says what was found.
pub(crate) fn population(arguments: &Population) -> Outcome {
    let request = PopulationRequest {
        out: arguments.out.clone(),
        starts: arguments.starts,
        seed: arguments.seed,
        simulated_studies: arguments.simulated_studies,
        bins: arguments.bins,
        prediction_corrected: arguments.prediction_corrected,
        since_last_dose: arguments.since_last_dose,
    };
    match estimate_study(&arguments.study, &request) {
        Ok((record, out)) => {
            say(&if arguments.json {
                serde_json::to_string_pretty(&record).unwrap_or_default()
            } else {
                format!(
                    "{}\nWritten to {}: {FITTED_MODEL}, {PREDICTIVE_CHECK}, {POPULATION_RECORD}",
                    text(&record),
                    out.display()
                )
            });
            Outcome::Accepted
        }
        Err(error) => tell(&error),
    }
}

fn tell(error: &PopulationActError) -> Outcome {
    if let PopulationActError::Files(problems) = error {
        for problem in problems {
            complain(&render(problem));
        }
        complain(&format!("{error}: nothing was computed."));
        return Outcome::BadInput;
    }
    complain(&error.to_string());
    if matches!(error, PopulationActError::File { .. }) {
        Outcome::Failed
    } else {
        Outcome::BadInput
    }
}

fn text(record: &PopulationRecord) -> String {
    let mut text = format!(
        "{}: {} persons, {} levels, {} below the limit\nBy {}\n\n",
        record.model, record.persons, record.levels, record.levels_below_limit, record.method
    );
    let mut table = Table::new(&[
        ("estimate", Side::Left),
        ("value", Side::Right),
        ("standard error", Side::Right),
        ("%", Side::Right),
        ("robust", Side::Right),
    ]);
    for estimate in &record.estimates {
        table.row(vec![
            estimate.name.clone(),
            significant_figures(estimate.value, 4),
            significant_figures(estimate.standard_error, 3),
            decimal_places(100.0 * estimate.standard_error / estimate.value.abs(), 0),
            estimate
                .robust_standard_error
                .map_or("–".to_owned(), |error| significant_figures(error, 3)),
        ]);
    }
    text.push_str(&table.render());
    text.push_str(&format!(
        "\n−2 log likelihood {}, Akaike {}\n",
        decimal_places(record.minus_two_log_likelihood, 3),
        decimal_places(record.akaike, 3)
    ));
    let shrinkage: Vec<String> = record
        .shrinkage
        .iter()
        .map(|effect| {
            format!(
                "{} {} %",
                effect.parameter,
                decimal_places(effect.shrinkage_pct, 0)
            )
        })
        .collect();
    text.push_str(&format!(
        "Shrinkage: {}, residuals {} %\n",
        shrinkage.join(", "),
        decimal_places(record.residual_shrinkage_pct, 0)
    ));
    let proof = &record.convergence;
    text.push_str(&format!(
        "Converged: {} of {} starts agree, condition number {}\n",
        proof.starts_agreeing,
        proof.starts,
        significant_figures(record.condition_number, 3)
    ));
    let check = &record.predictive_check;
    let all = check.bins.iter().flat_map(|bin| &bin.percentiles);
    let compared = all.clone().filter(|check| check.observed.is_some()).count();
    let outside = all.filter(|check| check.is_outside()).count();
    text.push_str(&format!(
        "Predictive check: {outside} of {compared} observed percentiles outside their {} % intervals ({} simulated studies{})\n",
        check.interval_pct,
        check.simulated_studies,
        if check.prediction_corrected { ", prediction-corrected" } else { "" }
    ));
    text.push_str(
        "The fitted model has low confidence: research display only until two named people have signed it.",
    );
    text
}
