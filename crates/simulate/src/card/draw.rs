//! What a card of a set holds, drawn from the seed.

use super::drop::{Collector, POPULATIONS, age_d, area_mm2, volume_ul};
use super::fault::{PlannedFault, SpotFault};
use super::scene::SpotPlan;
use crate::random::{Purpose, Stream};
use spotwright_domain::card::CardLayout;

/// Smallest and largest diameter (mm) of a good spot: head of 6 mm + 2 mm and a little, below 14 mm.
const GOOD_DIAMETER_MM: (f64, f64) = (8.5, 13.3);

/// A card's blood.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct CardPlan {
    /// Number of the card in its set: decides every stream.
    pub(crate) number: u64,
    /// The card's code.
    pub(crate) code: String,
    /// Which layout.
    pub(crate) layout: usize,
    /// A plan for each circle.
    pub(crate) spots: Vec<SpotPlan>,
}

/// Which faults the spots of a set have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Faults {
    /// None.
    None,
    /// Drawn at random.
    Random,
    /// This one on every spot, its severity rising along the card.
    Only(SpotFault),
}

/// A card of a set: about two fifths are good throughout, on the others three spots of five have one fault, some two.
pub(crate) fn draw_card(seed: u64, number: u64, layouts: &[CardLayout], wanted: Faults) -> CardPlan {
    let mut stream = Stream::new(seed, number, Purpose::Card, 0);
    // The five-circle card is the usual one.
    let layout = [0, 0, 0, 1, 1, 2, 3, 4][stream.below(8)];
    let (mean, sd) = POPULATIONS[if layout == 2 { 3 } else { stream.below(3) }];
    let haematocrit = (mean + sd * stream.normal()).clamp(0.18, 0.68);
    let collector = [
        Collector::Home,
        Collector::Home,
        Collector::Nurse,
        Collector::Capillary,
    ][stream.below(4)];
    let age = age_d(&mut stream);
    let bad_card = wanted == Faults::Random && stream.chance(0.6);
    let circles = layouts[layout].circles.len() as f64;
    let mut spots: Vec<SpotPlan> = layouts[layout]
        .circles
        .iter()
        .enumerate()
        .map(|(place, circle)| {
            let mut faults = Vec::new();
            if let Faults::Only(fault) = wanted {
                let severity = (place as f64 + 0.5) / circles;
                faults.push(PlannedFault { fault, severity });
            }
            if bad_card && stream.chance(0.6) {
                let fault = SpotFault::ALL[stream.below(SpotFault::ALL.len())];
                faults.push(PlannedFault {
                    fault,
                    severity: stream.uniform(),
                });
                if stream.chance(0.15) {
                    let second = SpotFault::ALL[stream.below(SpotFault::ALL.len())];
                    if go_together(fault, second) {
                        faults.push(PlannedFault {
                            fault: second,
                            severity: stream.uniform(),
                        });
                    }
                }
            }
            spot(
                circle.number,
                circle.centre_mm,
                circle.diameter_mm,
                haematocrit,
                age,
                collector,
                faults,
                &mut stream,
            )
        })
        .collect();
    if let Some(sheet) = layouts.get(layout) {
        keep_apart(&mut spots, sheet);
    }
    CardPlan {
        number,
        code: format!("PM-26-{number:06}"),
        layout,
        spots,
    }
}

/// A spot with these faults; its volume is drawn until a good spot is neither too small nor too large.
#[expect(
    clippy::too_many_arguments,
    reason = "a spot's circle, blood and faults, each its own thing"
)]
pub(crate) fn spot(
    index: u32,
    circle_mm: [f64; 2],
    circle_diameter_mm: f64,
    haematocrit: f64,
    age_d: f64,
    collector: Collector,
    faults: Vec<PlannedFault>,
    stream: &mut Stream,
) -> SpotPlan {
    let severity = |fault| {
        faults
            .iter()
            .find(|f: &&PlannedFault| f.fault == fault)
            .map(|f| f.severity)
    };
    let volume_of = |diameter: f64| volume_ul(std::f64::consts::PI * diameter * diameter / 4.0, haematocrit);
    let most = GOOD_DIAMETER_MM.1.min(circle_diameter_mm * 1.15);
    let volume = if let Some(severity) = severity(SpotFault::Small) {
        volume_of(7.6 - 4.8 * severity)
    } else if let Some(severity) = severity(SpotFault::Supersaturated) {
        volume_of(14.3 + 3.2 * severity)
    } else {
        let diameter = |volume: f64| 2.0 * (area_mm2(volume, haematocrit) / std::f64::consts::PI).sqrt();
        let mut volume = collector.drop_ul(stream);
        for _ in 0..60 {
            if diameter(volume) > GOOD_DIAMETER_MM.0 + 0.1 && diameter(volume) < most - 0.1 {
                break;
            }
            volume = collector.drop_ul(stream) * stream.between(0.7, 1.6);
        }
        if diameter(volume) > GOOD_DIAMETER_MM.0 && diameter(volume) < most {
            volume
        } else {
            volume_of((GOOD_DIAMETER_MM.0 + most) / 2.0)
        }
    };
    SpotPlan {
        index,
        circle_mm,
        volume_ul: volume,
        haematocrit,
        age_d,
        volcano: stream.between(0.0, 0.15),
        faults,
    }
}

/// A spot can be cut by the edge only where an edge is near; where none is, it lies outside its circle.
fn keep_apart(spots: &mut [SpotPlan], layout: &CardLayout) {
    for spot in spots {
        let near = spot.circle_mm[1].min(layout.height_mm - spot.circle_mm[1]);
        for planned in &mut spot.faults {
            if planned.fault == SpotFault::TouchesEdge && near > 22.0 {
                planned.fault = SpotFault::OutsideCircle;
            }
        }
    }
}

/// Whether two faults can be on one spot without one hiding the other.
fn go_together(first: SpotFault, second: SpotFault) -> bool {
    let alone = |fault| {
        matches!(
            fault,
            SpotFault::NoBlood | SpotFault::AlreadyUsed | SpotFault::TouchesEdge
        )
    };
    let size = |fault| matches!(fault, SpotFault::Small | SpotFault::Supersaturated);
    let drops = |fault| matches!(fault, SpotFault::Layered | SpotFault::Merged | SpotFault::Smeared);
    let place = |fault| matches!(fault, SpotFault::OutsideCircle | SpotFault::TouchesEdge);
    let surface = |fault| {
        matches!(
            fault,
            SpotFault::Wet
                | SpotFault::Diluted
                | SpotFault::NotSoakedThrough
                | SpotFault::Compressed
                | SpotFault::SerumRing
                | SpotFault::Clotted
        )
    };
    let both = |kind: &dyn Fn(SpotFault) -> bool| kind(first) && kind(second);
    let hidden = first == second
        || alone(first)
        || alone(second)
        || both(&size)
        || both(&drops)
        || both(&place)
        || both(&surface)
        || (drops(first) && surface(second))
        || (surface(first) && drops(second));
    !hidden
}
