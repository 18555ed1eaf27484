//! Cards of a run: who, which drugs, how much, how long in the post.

use crate::error::SimulateError;
use crate::line::Card;
use crate::panel::{DILUTION_LEVEL, Panel};
use crate::plan::RunPlan;
use crate::random::{Purpose, Stream};
use spotwright_domain::identifier::{CardId, SubjectId};
use spotwright_domain::method::Analyte;

/// Cards per analyte that are placed on purpose: below range, low, high, above range, far above range.
pub(crate) const PLACED: usize = 5;

/// Why a card has the concentration it has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Within range or below it: an ordinary sample.
    Ordinary,
    /// Above range, measured undiluted first and diluted after.
    Above,
    /// Known to be far above range: measured diluted only.
    FarAbove,
}

/// The cards of a run with their kind. Every analyte has a card below its range, one between lowest level and low
/// control, one above the medium control and one above range, so that controls always span the samples (M10-27).
pub(crate) fn cards(panel: &Panel, plan: &RunPlan, count: usize) -> Result<Vec<(Card, Kind)>, SimulateError> {
    let mut stream = Stream::new(plan.seed, plan.number, Purpose::People, 0);
    let mut cards = Vec::with_capacity(count);
    for (analyte, number) in first_drugs(panel, count).into_iter().enumerate() {
        for place in 0..number {
            let of = &panel.method.analytes[analyte];
            let (concentration, kind) = first_concentration(panel, of, analyte, place, &mut stream);
            let mut concentrations = vec![None; panel.method.analytes.len()];
            concentrations[analyte] = Some(concentration);
            if kind == Kind::Ordinary && stream.chance(panel.people.second_drug) {
                let others = concentrations.len() - 1;
                let other = (analyte + 1 + stream.below(others)) % concentrations.len();
                let of = &panel.method.analytes[other];
                let (median, log_sd, _) = panel.population[other];
                let drawn = median * libm::exp(log_sd * stream.normal());
                concentrations[other] = Some(drawn.clamp(1.5 * of.lloq(), 0.85 * of.uloq()));
            }
            let number = plan.first_card + cards.len() as u64;
            cards.push((person(panel, plan, number, concentrations, &mut stream)?, kind));
        }
    }
    Ok(cards)
}

/// How many cards have each analyte as first drug.
fn first_drugs(panel: &Panel, count: usize) -> Vec<usize> {
    let mut numbers: Vec<usize> = panel
        .population
        .iter()
        .map(|(_, _, share)| ((share * count as f64) as usize).max(PLACED))
        .collect();
    let others: usize = numbers[1..].iter().sum();
    numbers[0] = count.saturating_sub(others);
    numbers
}

fn first_concentration(
    panel: &Panel,
    of: &Analyte,
    analyte: usize,
    place: usize,
    stream: &mut Stream,
) -> (f64, Kind) {
    let controls: Vec<f64> = of
        .controls
        .iter()
        .filter(|level| level.name.as_str() != DILUTION_LEVEL)
        .map(|level| level.concentration)
        .collect();
    let (low, medium) = (controls[0], controls[controls.len() - 2]);
    let (lloq, uloq) = (of.lloq(), of.uloq());
    match place {
        0 => (stream.between(0.35, 0.6) * lloq, Kind::Ordinary),
        1 => (stream.between(1.3 * lloq, 0.8 * low), Kind::Ordinary),
        2 => (stream.between(1.25 * medium, 0.88 * uloq), Kind::Ordinary),
        3 => (stream.between(1.3, 1.5) * uloq, Kind::Above),
        4 if analyte == 0 => (stream.between(2.0, 2.4) * uloq, Kind::FarAbove),
        // About one in twenty-five does not take the drug.
        _ if stream.chance(0.04) => (stream.between(0.0, 0.3) * lloq, Kind::Ordinary),
        _ => {
            let (median, log_sd, _) = panel.population[analyte];
            let drawn = median * libm::exp(log_sd * stream.normal());
            (drawn.min(0.95 * uloq), Kind::Ordinary)
        }
    }
}

fn person(
    panel: &Panel,
    plan: &RunPlan,
    number: u64,
    concentrations: Vec<Option<f64>>,
    stream: &mut Stream,
) -> Result<Card, SimulateError> {
    let people = &panel.people;
    let validated = panel.method.validated.haematocrit.unwrap_or([0.15, 0.75]);
    let haematocrit = (people.haematocrit_mean + people.haematocrit_sd * stream.normal())
        .clamp(validated[0] + 0.01, validated[1] - 0.01);
    let hours = |h: f64| (h * 3600.0) as i64;
    let to_minute = |unix_s: i64| unix_s.div_euclid(60) * 60;
    let received_unix_s = to_minute(plan.start_unix_s - hours(stream.between(1.0, 22.0)));
    let (least, most) = people.post_d;
    // Most mail is quick, some waits for the next boat: the square of a uniform number leans to the short side.
    let lean = stream.uniform();
    let post_d = least + (most - least) * lean * lean;
    let collected_unix_s = to_minute(received_unix_s - hours(24.0 * post_d));
    let first = concentrations.iter().position(Option::is_some).unwrap_or(0);
    let (soonest, latest) = panel.dosing[first].sample_after_h;
    let last_dose_unix_s = to_minute(collected_unix_s - hours(stream.between(soonest, latest)));
    let round = |value: f64, unit: f64| (value / unit).round() * unit;
    let weight_kg = (people.weight_kg * stream.factor(people.weight_cv)).clamp(0.6, 140.0);
    let age_y = stream.between(people.age_y.0, people.age_y.1);
    let sex = if stream.chance(0.5) { "female" } else { "male" };
    let creatinine_umol_per_l = round(people.creatinine_umol_per_l * stream.factor(0.3), 1.0);
    let stated = |stream: &mut Stream, chance: f64| plan.complete_requests || stream.chance(chance);
    Ok(Card {
        code: CardId::new(&format!("PM-26-{number:06}"))?,
        subject: SubjectId::new(&format!("SI-{number:04}"))?,
        concentrations,
        haematocrit,
        haematocrit_stated: stated(stream, 0.9),
        collected_unix_s,
        received_unix_s,
        last_dose_unix_s,
        last_dose_stated: stated(stream, 0.8),
        weight_kg,
        age_y,
        sex,
        creatinine_umol_per_l,
        requested: true,
    })
}
