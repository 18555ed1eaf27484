//! Photographs of a day's cards: a few of each run, before and after extraction, their blood that of the people.

use super::draw::{CardPlan, spot};
use super::drop::Collector;
use super::fault::{PlannedFault, SpotFault};
use super::scene::SpotPlan;
use super::session::Session;
use super::set::{CardPhoto, CardStudio};
use super::truth::{ExtractionFault, PhotoTruth};
use crate::day::{at, write_file};
use crate::error::SimulateError;
use crate::line::Card;
use crate::panel::PanelKind;
use crate::random::{Purpose, Stream};
use crate::run::SimulatedRun;
use rayon::prelude::*;
use spotwright_domain::injection::SampleRole;
use std::fs;
use std::path::Path;

/// Cards of a run that are photographed: enough to see, few enough that a demonstration stays quick.
const CARDS_A_RUN: usize = 3;

/// What is wrong with one of a run's photographed cards.
#[derive(Debug, Clone, Copy, Default)]
struct Trouble {
    /// Faults of spots: place on the card from 0, fault, severity.
    spots: &'static [(usize, SpotFault, f64)],
    /// What goes wrong when the disc is taken.
    extraction: Option<ExtractionFault>,
}

/// The photographed cards of each panel: mostly good; the first spot, which is measured, is bad on two cards of the day.
fn troubles(panel: PanelKind) -> [Trouble; CARDS_A_RUN] {
    let with = |spots| Trouble {
        spots,
        extraction: None,
    };
    let taken = |fault| Trouble {
        spots: &[],
        extraction: Some(fault),
    };
    let good = Trouble::default();
    match panel {
        PanelKind::Immunosuppressants => [
            good,
            with(&[(0, SpotFault::Layered, 0.8), (3, SpotFault::Small, 0.6)]),
            Trouble {
                spots: &[(2, SpotFault::SerumRing, 0.7), (4, SpotFault::NoBlood, 0.5)],
                extraction: Some(ExtractionFault::OffSpot),
            },
        ],
        PanelKind::Antiepileptics => [
            with(&[(1, SpotFault::Smeared, 0.8)]),
            good,
            with(&[(0, SpotFault::Diluted, 0.85), (2, SpotFault::Clotted, 0.6)]),
        ],
        PanelKind::Antiretrovirals => [
            good,
            with(&[(1, SpotFault::Merged, 0.7), (2, SpotFault::Satellites, 0.4)]),
            taken(ExtractionFault::Leak),
        ],
        PanelKind::NewbornAntibiotics => [good, with(&[(2, SpotFault::Small, 0.9)]), good],
        PanelKind::IvermectinRound => [
            with(&[(3, SpotFault::Contaminated, 0.6)]),
            good,
            with(&[(1, SpotFault::Scratched, 0.7), (2, SpotFault::Discoloured, 0.8)]),
        ],
    }
}

/// Which of [`CardStudio::layouts`] a panel's cards are printed in: rows of five, four, the ward's three.
fn layout(panel: PanelKind) -> usize {
    match panel {
        PanelKind::Antiretrovirals => 1,
        PanelKind::NewbornAntibiotics => 2,
        PanelKind::Immunosuppressants | PanelKind::Antiepileptics | PanelKind::IvermectinRound => 0,
    }
}

/// Photographs the first cards of a run, in the order they are measured; gives what is true of them.
///
/// # Errors
/// When a file cannot be written.
pub(crate) fn photograph_cards(
    studio: &CardStudio,
    run: &SimulatedRun,
    folder: &Path,
) -> Result<Vec<PhotoTruth>, SimulateError> {
    let photos = folder.join("photos");
    fs::create_dir_all(&photos).map_err(at(&photos))?;
    let (panel, seed) = (run.plan().panel, run.plan().seed);
    let mut chosen: Vec<&Card> = Vec::new();
    for injection in run
        .injections()
        .filter(|injection| injection.role == SampleRole::Patient)
    {
        let card = run
            .cards()
            .iter()
            .find(|card| Some(&card.code) == injection.card.as_ref());
        if let Some(card) = card.filter(|card| card.requested && !chosen.iter().any(|c| c.code == card.code))
        {
            chosen.push(card);
        }
        if chosen.len() == CARDS_A_RUN {
            break;
        }
    }
    let jobs: Vec<(usize, &Card, Trouble)> = chosen
        .into_iter()
        .zip(troubles(panel))
        .enumerate()
        .map(|(place, (card, trouble))| (place, card, trouble))
        .collect();
    let made: Vec<Vec<PhotoTruth>> = jobs
        .par_iter()
        .map(|(place, card, trouble)| {
            let plan = plan(card, run, studio, *trouble);
            let mut stream = Stream::new(seed, plan.number, Purpose::Photograph, 1);
            let session = Session::at_the_stand(&mut stream);
            let before = studio.before(seed, &plan, &session, 1, &mut stream)?;
            // The first card of a run, and where something went wrong.
            let again = *place == 0 || trouble.extraction.is_some();
            let session = Session::at_the_stand(&mut stream);
            let after = if again {
                studio.after(
                    seed,
                    &plan,
                    &plan,
                    Some(1),
                    trouble.extraction,
                    &session,
                    &mut stream,
                )?
            } else {
                None
            };
            std::iter::once(before)
                .chain(after)
                .map(|CardPhoto { bytes, truth }| {
                    write_file(&photos.join(&truth.file), &bytes)?;
                    Ok(truth)
                })
                .collect()
        })
        .collect::<Result<_, SimulateError>>()?;
    Ok(made.into_iter().flatten().collect())
}

/// A person's card: haematocrit and age as the day has them, drops as the ward or the person at home makes them.
fn plan(card: &Card, run: &SimulatedRun, studio: &CardStudio, trouble: Trouble) -> CardPlan {
    let panel = run.plan().panel;
    let number = card
        .code
        .to_string()
        .bytes()
        .filter(u8::is_ascii_digit)
        .fold(0u64, |n, d| (n * 10 + u64::from(d - b'0')) % 100_000_000);
    let mut stream = Stream::new(run.plan().seed, number, Purpose::Card, 0);
    let age_d = (run.plan().start_unix_s - card.collected_unix_s) as f64 / 86_400.0;
    let collector = match panel {
        PanelKind::NewbornAntibiotics => Collector::Nurse,
        _ => Collector::Home,
    };
    let layout = layout(panel);
    let spots: Vec<SpotPlan> = studio.layouts()[layout]
        .circles
        .iter()
        .enumerate()
        .map(|(place, circle)| {
            let faults = trouble.spots.iter().filter(|(at, ..)| *at == place);
            let faults = faults.map(|(_, fault, severity)| PlannedFault {
                fault: *fault,
                severity: *severity,
            });
            spot(
                circle.number,
                circle.centre_mm,
                circle.diameter_mm,
                card.haematocrit,
                age_d,
                collector,
                faults.collect(),
                &mut stream,
            )
        })
        .collect();
    CardPlan {
        number,
        code: card.code.to_string(),
        layout,
        spots,
    }
}
